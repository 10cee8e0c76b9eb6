//! The journal in one SQLite file: a writer thread, one transaction for everything that has come in.

mod ahead;
mod columns;
mod convert;
pub(crate) mod copied;
mod erasing;
pub mod folder;
pub(crate) mod lost;
mod reader;
mod reading;
mod salvage;
mod seats;
mod tables;
mod witness;
mod writing;

use std::{
    fs::{File, TryLockError},
    path::{Path, PathBuf},
    sync::{Arc, mpsc::SyncSender},
    thread,
};

use rusqlite::{Connection, OpenFlags, OptionalExtension};
use thole_protocol::{
    ids::{AthleteId, JoinCode, SessionId},
    units::At,
};
use tokio::sync::{mpsc, oneshot};
use uuid::Uuid;

use super::{
    Answer, Append, Found, Held, Journal, JournalError, LetGo, Passing, SessionRow, Since, Slice,
    hand_over,
};
use crate::{
    backup::own_file,
    clock::{Clock, Reckoned, Uptime},
    secret::SecretHash,
};
use reader::Reader;
use tables::{FIRST, check_version, epoch, version};
use witness::{AllSeen, Witness};
use writing::{Change, ToWrite, write_all};

/// Appends that may wait for the writer; sessions wait beyond that, and their connections with them.
const QUEUE_MAX: usize = 1_024;
/// Appends in one transaction: what came in while the last one was made durable.
const GROUP_MAX: usize = 1_024;

/// The journal in one file of a data folder.
pub struct SqliteJournal {
    writer: mpsc::Sender<ToWrite>,
    reader: Reader,
    /// Set where long sessions are read by a thread of their own; `None` where everything is in memory.
    file: Option<PathBuf>,
    epoch: String,
    /// Where records ended when the journal was opened, according to its witness.
    seen: Arc<AllSeen>,
    /// Held for as long as the journal is open: there is one writer.
    _lock: Option<File>,
}

impl SqliteJournal {
    /// Opens the journal of a data folder, and creates both if they do not exist.
    ///
    /// # Errors
    /// The folder cannot be written to, another server has it, or the file is from a newer version.
    pub fn open(data: &Path) -> Result<SqliteJournal, JournalError> {
        SqliteJournal::opened(data).map_err(|error| {
            match lost::is_file_damaged(&folder::file(data)) {
                true => {
                    JournalError::Write(format!("the journal is damaged: {error}; {}", lost::GO_ON))
                }
                false => error,
            }
        })
    }

    fn opened(data: &Path) -> Result<SqliteJournal, JournalError> {
        let write = |error: &dyn std::fmt::Display| {
            JournalError::Write(format!("{}: {error}", data.display()))
        };
        folder::made(data).map_err(|error| write(&error))?;
        let lock = folder::own_file(&data.join("lock")).map_err(|error| write(&error))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(write(&"another server is using this folder; stop it or name another"));
            }
            Err(TryLockError::Error(error)) => return Err(write(&error)),
        }
        folder::tighten(data).map_err(|error| write(&error))?;
        let file = folder::file(data);
        let aside = ahead::set_aside(data).map_err(|error| write(&error))?;
        if let Some(aside) = &aside {
            tracing::error!(kept = %aside.display(), "the write-ahead file is damaged: a copy is kept, what can be read of it is used");
        }
        folder::own_file(&file).map_err(|error| write(&error))?;
        let old = Connection::open(&file).map_err(|error| write(&error))?;
        if version(&old)? == FIRST {
            convert::in_place(data, old).map_err(JournalError::Write)?;
        } else {
            drop(old);
        }
        let mut connection = Connection::open(&file).map_err(|error| write(&error))?;
        prepare(&mut connection)?;
        let epoch = epoch(&connection)?;
        let (witness, seen) = Witness::open(data, &epoch).map_err(|error| write(&error))?;
        // What cannot even be read counts as missing, too.
        let is_something_missing = aside.is_some()
            || lost::is_end_missing(&connection, &seen).unwrap_or(true)
            || lost::damaged_links(&connection).map_or(true, |damaged| damaged > 0);
        if is_something_missing {
            lost::note(&connection, Clock::new(1).unix_ms()).map_err(|error| write(&error))?;
        }
        let seen = Arc::new(seen);
        let reader =
            Connection::open_with_flags(&file, READ_ONLY).map_err(|error| write(&error))?;
        let (writer, tasks) = mpsc::channel(QUEUE_MAX);
        thread::Builder::new()
            .name("journal".to_owned())
            .spawn({
                let seen = seen.clone();
                move || write_all(connection, tasks, &witness, &seen)
            })
            .map_err(|error| write(&error))?;
        lost::prove(&file, seen.clone()).map_err(|error| write(&error))?;
        let reader = Reader::new(reader).map_err(|error| write(&error))?;
        Ok(SqliteJournal { writer, reader, file: Some(file), epoch, seen, _lock: Some(lock) })
    }

    /// Opens the journal of a data folder for reading, even while a server is using it.
    ///
    /// # Errors
    /// There is no journal, or it is from a newer version.
    pub fn open_read_only(data: &Path) -> Result<SqliteJournal, JournalError> {
        SqliteJournal::open_copy(&data.join("thole.db"), data)
    }

    /// Opens a copy of the journal in `data` for reading, and checks it against what that journal's witness has
    /// seen.
    ///
    /// # Errors
    /// As `open_read_only`.
    pub fn open_copy(file: &Path, data: &Path) -> Result<SqliteJournal, JournalError> {
        let read =
            |error: rusqlite::Error| JournalError::Read(format!("{}: {error}", file.display()));
        let mut reader = Connection::open_with_flags(file, READ_ONLY).map_err(read)?;
        if version(&reader)? == FIRST {
            // Somebody who only reads changes nothing: what it would become is read instead.
            let mut new = Connection::open_in_memory().map_err(read)?;
            convert::whole_journal(&reader, &mut new).map_err(read)?;
            reader = new;
        }
        check_version(version(&reader)?)?;
        let epoch = epoch(&reader)?;
        let seen = witness::read(&data.join("witness"), &epoch).ok().flatten();
        let seen = Arc::new(seen.unwrap_or_default());
        // Nobody receives: whoever appends all the same is told that it cannot be written.
        let (writer, _) = mpsc::channel(1);
        let reader = Reader::new(reader)
            .map_err(|error| JournalError::Read(format!("{}: {error}", file.display())))?;
        Ok(SqliteJournal { writer, reader, file: None, epoch, seen, _lock: None })
    }

    /// What is wrong with the file itself, in SQLite's own words; nothing when it is whole.
    #[must_use]
    pub fn pages(&self) -> Answer<Vec<String>> {
        self.reader.ask(|connection| {
            let mut select = connection.prepare("PRAGMA quick_check").map_err(read)?;
            let rows = select.query_map([], |row| row.get::<_, String>(0)).map_err(read)?;
            let says = rows.map(|row| row.unwrap_or_else(|error| error.to_string()));
            let says = says.filter(|says| says != "ok");
            Ok(says.chain(tables::altered(connection).map_err(read)?).collect())
        })
    }

    /// Sessions that the witness has seen and of which nothing is left.
    #[must_use]
    pub fn missing(&self) -> Answer<Vec<SessionId>> {
        let seen = self.seen.clone();
        self.reader.ask(move |connection| lost::sessions(connection, &seen))
    }

    /// How many links are not as they were written and open nothing.
    #[must_use]
    pub fn damaged_links(&self) -> Answer<usize> {
        self.reader.ask(|connection| lost::damaged_links(connection).map_err(read))
    }

    /// Copies what can be read of a damaged journal into a new file, as it is; returns one sentence for each
    /// place where something could not be read.
    ///
    /// # Errors
    /// One sentence: there is no journal, or the new file exists already or cannot be written.
    pub fn salvage(data: &Path, out: &Path) -> Result<Vec<String>, String> {
        let old = data.join("thole.db");
        let told = |error: &dyn std::fmt::Display| format!("{}: {error}.", out.display());
        let old = Connection::open_with_flags(&old, READ_ONLY)
            .map_err(|error| format!("{}: {error}.", old.display()))?;
        if let Some(folder) = out.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            folder::made(folder).map_err(|error| told(&error))?;
        }
        own_file(out)?;
        let mut new = Connection::open(out).map_err(|error| told(&error))?;
        let missing = salvage::copy(&old, &mut new).map_err(|error| told(&error))?;
        drop(new);
        let (witness, folder) = (data.join("witness"), out.parent().unwrap_or(Path::new("")));
        // A server started on the new file notices what the old one's witness has seen and it lacks.
        if out.file_name().is_some_and(|name| name == "thole.db") && witness.exists() {
            let copied = std::fs::copy(&witness, folder.join("witness"));
            copied.map_err(|error| told(&error))?;
        }
        Ok(missing)
    }

    /// Notes in a salvaged file that something is missing: links that it does not know may have been valid ones.
    ///
    /// # Errors
    /// One sentence: it cannot be written.
    pub fn note_lost(file: &Path) -> Result<(), String> {
        let told = |error: rusqlite::Error| format!("{}: {error}.", file.display());
        let connection = Connection::open(file).map_err(told)?;
        lost::note(&connection, Clock::new(1).unix_ms()).map_err(told)
    }

    fn write(&self, change: Change) -> Answer<u64> {
        let writer = self.writer.clone();
        Box::pin(async move {
            let gone = || JournalError::Write("the writer has stopped".to_owned());
            let (answer, answered) = oneshot::channel();
            writer.send(ToWrite { change, answer }).await.map_err(|_| gone())?;
            answered.await.map_err(|_| gone())?
        })
    }

    fn change(&self, change: Change) -> Answer<()> {
        let written = self.write(change);
        Box::pin(async move { written.await.map(|_| ()) })
    }
}

const READ_ONLY: OpenFlags =
    OpenFlags::SQLITE_OPEN_READ_ONLY.union(OpenFlags::SQLITE_OPEN_NO_MUTEX);

impl Journal for SqliteJournal {
    fn take(&self, session: SessionId) -> Answer<u64> {
        self.write(Change::Take(session))
    }

    fn append(&self, append: Append) -> Answer<u64> {
        self.write(Change::Append(append))
    }

    fn set_aside(&self, session: SessionId, position: u64) -> Answer<()> {
        self.change(Change::SetAside(session, position))
    }

    fn erase(&self, session: SessionId, athlete: AthleteId) -> Answer<()> {
        self.change(Change::Erase(session, athlete))
    }

    fn let_go(&self, what: LetGo) -> Answer<u64> {
        self.write(Change::LetGo(what))
    }

    fn overwrite(&self) -> Answer<bool> {
        let written = self.write(Change::Overwrite);
        Box::pin(async move { Ok(written.await? > 0) })
    }

    fn newest(&self, session: SessionId, what: Passing) -> Answer<Option<At>> {
        self.reader.ask(move |connection| erasing::newest(connection, session, what).map_err(read))
    }

    fn read(&self, session: SessionId, from: u64) -> Answer<Found> {
        let seen = self.seen.get(&session).copied();
        self.reader.ask(move |connection| reading::records(connection, session, from, seen))
    }

    fn since(&self, session: SessionId, from: u64) -> Answer<Since> {
        self.reader.ask(move |connection| reading::since(connection, session, from).map_err(read))
    }

    fn read_in_slices(&self, session: SessionId, taken: SyncSender<Slice>) -> Answer<Found> {
        let seen = self.seen.get(&session).copied();
        let file = self.file.clone();
        let short = self.reader.ask(move |connection| {
            let is_long = reading::is_long(connection, session).map_err(read)?;
            if is_long && file.is_some() {
                return Ok(None);
            }
            reading::records(connection, session, 0, seen).map(Some)
        });
        let file = self.file.clone().unwrap_or_default();
        Box::pin(async move {
            if let Some(mut found) = short.await? {
                hand_over(&taken, std::mem::take(&mut found.records))?;
                return Ok(found);
            }
            // A connection of its own: whoever asks something else in the meantime is answered by the reader.
            let (answer, answered) = oneshot::channel();
            let reading = move || {
                let connection = Connection::open_with_flags(&file, READ_ONLY).map_err(read);
                let found = connection
                    .and_then(|connection| reading::slices(&connection, session, seen, &taken));
                // Whoever asked may be gone; then the answer is nobody's.
                drop(answer.send(found));
            };
            let none = |error: &dyn std::fmt::Display| JournalError::Read(error.to_string());
            let spawned = thread::Builder::new().name("opening".to_owned()).spawn(reading);
            spawned.map_err(|error| none(&error))?;
            answered.await.map_err(|error| none(&error))?
        })
    }

    fn session(&self, session: SessionId) -> Answer<Option<SessionRow>> {
        self.reader.ask(move |connection| {
            let sql = "SELECT session, code, created_unix_ms, closed_unix_ms FROM session WHERE session = ?";
            one(connection, sql, session.0.as_bytes())
        })
    }

    fn session_of(&self, code: &JoinCode) -> Answer<Option<SessionRow>> {
        let code = code.as_str().to_owned();
        self.reader.ask(move |connection| {
            let sql = "SELECT session, code, created_unix_ms, closed_unix_ms FROM session
                       WHERE code = ? ORDER BY created_unix_ms DESC, session DESC LIMIT 1";
            one(connection, sql, &code)
        })
    }

    fn reckoned(&self, session: SessionId) -> Answer<Option<Reckoned>> {
        self.reader.ask(move |connection| {
            let sql = "SELECT at_ms, unix_ms, boot, uptime_ns FROM reckoned
                       WHERE session = (SELECT number FROM session WHERE session = ?)";
            let mut select = connection.prepare_cached(sql).map_err(read)?;
            let row = select.query_row([session.0.as_bytes()], |row| {
                let (at, unix) = (row.get::<_, i64>(0)?, row.get::<_, i64>(1)?);
                Ok((at, unix, row.get::<_, Option<String>>(2)?, row.get::<_, Option<i64>>(3)?))
            });
            let row = row.optional().map_err(read)?;
            Ok(row.map(|(at, unix, boot, ns)| Reckoned {
                at: At(at.cast_unsigned()),
                unix_ms: unix.cast_unsigned(),
                uptime: boot.zip(ns).map(|(boot, ns)| Uptime { boot, ns: ns.cast_unsigned() }),
            }))
        })
    }

    fn sessions(&self) -> Answer<Vec<SessionRow>> {
        self.reader.ask(|connection| {
            let sql = "SELECT session, code, created_unix_ms, closed_unix_ms FROM session
                       ORDER BY created_unix_ms, session";
            let mut select = connection.prepare(sql).map_err(read)?;
            let rows = select.query_map([], columns::session).map_err(read)?;
            rows.map(|row| row.map_err(read)?).collect()
        })
    }

    fn keep(&self, name: &'static str, note: String) -> Answer<()> {
        self.change(Change::Keep(name, note))
    }

    fn fold_in(&self) -> Answer<()> {
        self.change(Change::FoldIn)
    }

    fn kept(&self, name: &'static str) -> Answer<Option<String>> {
        self.reader.ask(move |connection| {
            let mut select =
                connection.prepare_cached("SELECT value FROM meta WHERE name = ?").map_err(read)?;
            select.query_row([name], |row| row.get(0)).optional().map_err(read)
        })
    }

    fn held(&self, hash: SecretHash) -> Answer<Option<Held>> {
        self.reader.ask(move |connection| held(connection, hash))
    }

    fn may_have_lost(&self, hash: SecretHash, since_unix_ms: u64) -> Answer<bool> {
        self.reader.ask(move |connection| {
            lost::may_have_been_good(connection, hash, since_unix_ms).map_err(read)
        })
    }

    fn epoch(&self) -> String {
        self.epoch.clone()
    }
}

/// What a link opens; `None` for one whose row is not as it was written.
fn held(connection: &Connection, hash: SecretHash) -> Result<Option<Held>, JournalError> {
    let sql = "SELECT s.session, x.role, p.athlete, x.session, x.person, x.sum
               FROM secret AS x JOIN session AS s ON s.number = x.session
               LEFT JOIN person AS p ON p.session = x.session AND p.number = x.person
               WHERE x.hash = ? AND x.revoked = 0";
    let mut select = connection.prepare_cached(sql).map_err(read)?;
    let held = select.query_row([hash.as_bytes()], |row| {
        let (session, role) = (Uuid::from_bytes(row.get(0)?), row.get::<_, String>(1)?);
        let athlete = row.get::<_, Option<[u8; 16]>>(2)?.map(|id| AthleteId(Uuid::from_bytes(id)));
        let sum = seats::secret_sum(hash.as_bytes(), row.get(3)?, &role, row.get(4)?, 0);
        let is_whole = row.get::<_, Vec<u8>>(5)? == sum;
        Ok((SessionId(session), role, athlete, is_whole))
    });
    let Some((session, role, athlete, is_whole)) = held.optional().map_err(read)? else {
        return Ok(None);
    };
    if !is_whole {
        tracing::error!(%session, "the row of a link is damaged: it opens nothing; make a new one");
        return Ok(None);
    }
    let Ok(holder) = columns::holder(&role, athlete) else {
        tracing::error!(%session, "the row of a seat is damaged: its link opens nothing; make a new one");
        return Ok(None);
    };
    Ok(Some(Held { session, holder }))
}

fn one(
    connection: &Connection,
    sql: &str,
    key: &dyn rusqlite::ToSql,
) -> Result<Option<SessionRow>, JournalError> {
    let mut select = connection.prepare_cached(sql).map_err(read)?;
    select.query_row([key], columns::session).optional().map_err(read)?.transpose()
}

/// How every connection that writes is set up; creates the tables of a new journal.
fn prepare(connection: &mut Connection) -> Result<(), JournalError> {
    let write = |error: rusqlite::Error| JournalError::Write(error.to_string());
    connection.pragma_update(None, "journal_mode", "WAL").map_err(write)?;
    // FULL: a commit is on the disk when it returns, even against a loss of power.
    connection.pragma_update(None, "synchronous", "FULL").map_err(write)?;
    connection.pragma_update(None, "foreign_keys", true).map_err(write)?;
    // What is erased is overwritten, and so is what moves between pages.
    connection.pragma_update(None, "secure_delete", true).map_err(write)?;
    connection.busy_timeout(std::time::Duration::from_secs(5)).map_err(write)?;
    match version(connection)? {
        0 => tables::make(connection, None).map_err(write),
        version => check_version(version),
    }?;
    if let Some(altered) = tables::altered(connection).map_err(write)? {
        // Whoever wrote into it would fail in the middle of a piece, and take every other session along.
        return Err(JournalError::Write(format!(
            "the tables are not as they were made: {altered}"
        )));
    }
    tables::keys_apart(connection).map_err(write)?;
    tables::overwrite(connection).map_err(write)?;
    tables::fold_in(connection).map_err(write)
}

fn read(error: rusqlite::Error) -> JournalError {
    if is_damage(&error) {
        return JournalError::Unreadable(error.to_string());
    }
    JournalError::Read(error.to_string())
}

/// Damage stays damage however often it is read; everything else may be different the next time.
fn is_damage(error: &rusqlite::Error) -> bool {
    let damaged = [rusqlite::ErrorCode::DatabaseCorrupt, rusqlite::ErrorCode::NotADatabase];
    let of_columns = matches!(
        error,
        rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::InvalidColumnType(..)
            | rusqlite::Error::IntegralValueOutOfRange(..)
            | rusqlite::Error::Utf8Error(..)
    );
    of_columns || error.sqlite_error_code().is_some_and(|code| damaged.contains(&code))
}
