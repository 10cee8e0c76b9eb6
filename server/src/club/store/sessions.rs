//! Sessions in which something was rowed.

use rusqlite::{Connection, OptionalExtension, Row, params};
use thole_club::{ClubDay, Zone};
use thole_protocol::{club::SessionLine, ids::SessionId};

use super::{ClubError, Store, queries};

/// A place in the list of sessions, newest first.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct SessionPlace {
    /// The club's day.
    pub day: ClubDay,
    /// The go of the first piece.
    pub at_unix_ms: u64,
    /// Which.
    pub session: SessionId,
}

impl Store {
    /// Sessions from this day on and before a place, newest first.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn sessions(
        &self,
        from: &ClubDay,
        before: &SessionPlace,
        most: u32,
    ) -> Result<Vec<SessionLine>, ClubError> {
        let club = self.club.club.to_string();
        let SessionPlace { day, at_unix_ms, session } = before;
        let (at, session) = (at_unix_ms.cast_signed(), session.to_string());
        let mut select = self.connection.prepare_cached(queries::SESSIONS)?;
        let named = params![club, from.as_str(), day.as_str(), at, session, most];
        let rows = select.query_map(named, |row| Ok(line(row)))?;
        rows.map(|row| row?).collect()
    }

    /// One session; `None` when nothing of it is known.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn session(&self, session: SessionId) -> Result<Option<SessionLine>, ClubError> {
        let named = params![self.club.club.to_string(), session.to_string()];
        let row = self.connection.query_row(queries::SESSION, named, |row| Ok(line(row)));
        row.optional()?.transpose()
    }
}

fn line(row: &Row<'_>) -> Result<SessionLine, ClubError> {
    let (session, day): (String, String) = (row.get(0)?, row.get(1)?);
    let session =
        session.parse().map_err(|error| ClubError::Store(format!("a session: {error}")))?;
    Ok(SessionLine {
        session: SessionId(session),
        day: day.parse().map_err(ClubError::Store)?,
        at_unix_ms: row.get::<_, i64>(2)?.cast_unsigned(),
        title: row.get(3)?,
        pieces: row.get(4)?,
        seats: row.get(5)?,
        results: row.get(6)?,
    })
}

/// Lists a session as its results have it now; one without results is not listed.
pub(super) fn put(
    connection: &Connection,
    club: &str,
    session: &str,
    title: &str,
    zone: &Zone,
) -> Result<(), ClubError> {
    let begins: Option<i64> = connection
        .prepare_cached(queries::BEGIN_OF_SESSION)?
        .query_row(params![club, session], |row| row.get(0))?;
    match begins {
        Some(at) => {
            let day = zone.day(at.cast_unsigned());
            let mut put = connection.prepare_cached(queries::PUT_SESSION)?;
            put.execute(params![club, session, title, day.as_str(), at])?;
        }
        None => {
            connection.execute(queries::REMOVE_SESSION, params![club, session])?;
        }
    }
    Ok(())
}

/// The days of all sessions by another time zone.
pub(super) fn set_days(connection: &Connection, club: &str, zone: &Zone) -> Result<(), ClubError> {
    let mut select = connection.prepare(queries::SESSION_INSTANTS)?;
    let rows = select.query_map([club], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let all: Vec<(String, i64)> = rows.collect::<Result<_, _>>()?;
    for (session, at) in all {
        let day = zone.day(at.cast_unsigned());
        connection.execute(queries::SET_SESSION_DAY, params![day.as_str(), club, session])?;
    }
    Ok(())
}
