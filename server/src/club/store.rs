//! The file itself: opened, brought up to date, asked and written. Whoever writes takes it for a moment; others wait for them.

mod attendance;
mod bests;
mod cards;
mod coaches;
mod deeds;
mod going;
mod gone;
mod groups;
mod hall;
mod kept_answers;
pub(super) mod kept_rows;
mod keys;
mod lists;
mod looks;
mod merging;
mod notes;
mod own;
mod people;
mod pieces;
mod retention;
mod said;
mod seats;
mod sessions;
mod tables;
mod together;
mod whole;

use std::{
    fmt,
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use thole_club::{Club, ClubId, Zone, person::checked_name};

pub use cards::{MadeCard, Shown};
pub use gone::{Places, SeatLeft};
pub use kept_answers::{AskedOnce, Before, NotKept, Reply};
pub use keys::KeyHolder;
pub use lists::{Listed, PersonLine, SeenBy, Wanted};
pub use notes::KeptNote;
pub use pieces::{Positions, Replaced};
pub use retention::{Due, KEEP_DAYS_MAX, KEEP_DAYS_MIN, Keeping, WasLetGo};
pub use said::TypedResult;
pub use sessions::SessionPlace;
pub use tables::Stored;

use together::writing;

use super::{migrations, queries, zone};
use crate::{journal::sqlite::folder, secret::random_uuid};

/// So long a command and a running server wait for each other; nothing that is written takes as long, and who has waited in vain
/// says so.
const BUSY: Duration = Duration::from_secs(5);

/// The file of the club in the folder of the journal.
#[must_use]
pub fn file(data: &Path) -> PathBuf {
    data.join("club.sqlite")
}

/// Why the store could not do what it was asked.
#[derive(Debug)]
pub enum ClubError {
    /// A later program has written it: use that one. Nothing was changed.
    Newer {
        /// Its version.
        version: i64,
        /// The newest that this program knows.
        known: usize,
    },
    /// It cannot be read or written just now; nothing was written of what was asked.
    Store(String),
    /// What was asked makes no sense here, as a sentence for whoever asked.
    Refused(String),
}

impl fmt::Display for ClubError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ClubError::Newer { version, known } => write!(
                f,
                "the club's file is of version {version} and this program knows versions up to {known}: use the program that wrote \
                 it, or a newer one"
            ),
            ClubError::Store(what) => write!(f, "the club's file cannot be used: {what}"),
            ClubError::Refused(says) => f.write_str(says),
        }
    }
}

impl std::error::Error for ClubError {}

impl From<rusqlite::Error> for ClubError {
    fn from(error: rusqlite::Error) -> ClubError {
        ClubError::Store(error.to_string())
    }
}

impl From<ClubError> for String {
    fn from(error: ClubError) -> String {
        let says = error.to_string();
        if says.ends_with('.') { says } else { format!("{says}.") }
    }
}

/// The club's people and results.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    club: Club,
    /// Among changes that are made together something was ended, which is to be listed once they stand.
    lists_ended: bool,
}

impl Store {
    /// Opens the club of a data folder, and makes it if there is none.
    ///
    /// # Errors
    /// `Newer`, or it cannot be written.
    pub fn open(data: &Path) -> Result<Store, ClubError> {
        let failed =
            |error: &dyn fmt::Display| ClubError::Store(format!("{}: {error}", data.display()));
        folder::made(data).map_err(|error| failed(&error))?;
        let file = file(data);
        folder::own_file(&file).map_err(|error| failed(&error))?;
        Store::prepared(Connection::open(&file)?, &file)
    }

    fn prepared(mut connection: Connection, file: &Path) -> Result<Store, ClubError> {
        // First of all: another program may be writing just now.
        connection.busy_timeout(BUSY)?;
        migrations::checked(&connection, &migrations::ALL)?;
        connection.pragma_update(None, "journal_mode", "WAL")?;
        // FULL: a commit is on the disk when it returns, also against a loss of power.
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.pragma_update(None, "foreign_keys", true)?;
        // What is deleted is overwritten.
        connection.pragma_update(None, "secure_delete", true)?;
        migrations::bring(&mut connection, file, &migrations::ALL)?;
        let transaction = writing(&mut connection)?;
        let club = match read_club(&transaction)? {
            Some(club) => club,
            None => {
                let new = ClubId(random_uuid());
                let zone = zone::of_this_machine();
                transaction.execute(queries::NEW_CLUB, params![new.to_string(), zone.name()])?;
                Club { club: new, name: String::new(), zone }
            }
        };
        transaction.commit()?;
        Ok(Store { connection, club, lists_ended: false })
    }

    /// Whether nothing that was begun is still open.
    pub(super) fn is_at_rest(&self) -> bool {
        self.connection.is_autocommit()
    }

    /// Opens the club of a data folder to read it, also while a server is using it.
    ///
    /// # Errors
    /// There is none, it is of another version, or it cannot be read.
    pub fn open_read_only(data: &Path) -> Result<Store, ClubError> {
        Store::open_copy(&file(data))
    }

    /// The same of a copy of the file, wherever it is.
    ///
    /// # Errors
    /// As `open_read_only`.
    pub fn open_copy(file: &Path) -> Result<Store, ClubError> {
        if !file.exists() {
            let file = file.display();
            return Err(ClubError::Refused(format!(
                "There is no club at {file} yet: it begins with the first start of a server there, or with `club add`."
            )));
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(file, flags)?;
        connection.busy_timeout(BUSY)?;
        let version = migrations::checked(&connection, &migrations::ALL)?;
        let club = if version == migrations::ALL.len() { read_club(&connection)? } else { None };
        let club = club.ok_or_else(|| {
            let older =
                "it is of an older version; the next start of a server brings it to this one";
            ClubError::Store(older.to_owned())
        })?;
        Ok(Store { connection, club, lists_ended: false })
    }

    /// What holds for all of it.
    #[must_use]
    pub fn club(&self) -> &Club {
        &self.club
    }

    /// Reads again what holds for all of it: another program may have set it.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn refresh(&mut self) -> Result<(), ClubError> {
        self.club = read_club(&self.connection)?.unwrap_or_else(|| self.club.clone());
        Ok(())
    }

    pub(super) fn connection(&self) -> &Connection {
        &self.connection
    }

    /// From now on the club is called so.
    ///
    /// # Errors
    /// It is no name, or it cannot be written.
    pub fn set_name(&mut self, name: &str) -> Result<(), ClubError> {
        let name = checked_name(name).map_err(ClubError::Refused)?;
        let club = self.club.club.to_string();
        self.connection.execute(queries::SET_NAME, params![name, club])?;
        self.club.name = name;
        Ok(())
    }

    /// From now on days go by this time zone, those of results that have an instant as well; how many are of another day now.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn set_zone(&mut self, zone: Zone) -> Result<usize, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        transaction.execute(queries::SET_ZONE, params![zone.name(), club])?;
        let mut moved = 0;
        for (result, at, before) in instants(&transaction, &club)? {
            let day = zone.day(at.cast_unsigned());
            if day.as_str() != before {
                moved +=
                    transaction.execute(queries::SET_DAY, params![day.as_str(), club, result])?;
            }
        }
        sessions::set_days(&transaction, &club, &zone)?;
        transaction.commit()?;
        self.club.zone = zone;
        Ok(moved)
    }

    /// What is wrong with it, a sentence each; nothing when all is well.
    ///
    /// # Errors
    /// It cannot be read at all.
    pub fn check(&self) -> Result<Vec<String>, ClubError> {
        let mut wrong = Vec::new();
        let mut select = self.connection.prepare("PRAGMA integrity_check")?;
        let says = select.query_map([], |row| row.get::<_, String>(0))?;
        for said in says {
            let said = said?;
            if said != "ok" {
                wrong.push(format!("The file: {said}"));
            }
        }
        let mut select = self.connection.prepare("PRAGMA foreign_key_check")?;
        let loose =
            select.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(2)?)))?;
        for loose in loose {
            let (of, to) = loose?;
            wrong.push(format!("A row of {of} belongs to a row of {to} that is not there."));
        }
        let mut select = self.connection.prepare(queries::APART)?;
        let apart =
            select.query_map([self.club.club.to_string()], |row| row.get::<_, String>(0))?;
        for result in apart {
            wrong.push(format!(
                "Result {} is not of the person whose seat it was rowed in.",
                result?
            ));
        }
        Ok(wrong)
    }
}

fn read_club(connection: &Connection) -> Result<Option<Club>, ClubError> {
    let row = connection.query_row(queries::CLUB, [], |row| {
        Ok((row.get::<_, String>(0)?, row.get(1)?, row.get::<_, String>(2)?))
    });
    let Some((club, name, zone)) = row.optional()? else { return Ok(None) };
    let club = club.parse().map_err(|error| ClubError::Store(format!("its club: {error}")))?;
    Ok(Some(Club { club, name, zone: zone.parse().map_err(ClubError::Store)? }))
}

fn instants(connection: &Connection, club: &str) -> Result<Vec<(String, i64, String)>, ClubError> {
    let mut select = connection.prepare(queries::INSTANTS)?;
    let rows = select.query_map([club], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}
