//! Sessions in which something was rowed.

use rusqlite::{Connection, OptionalExtension, Row, params};
use thole_club::{ClubDay, Zone};
use thole_protocol::{
    club::{Listed, SessionLine},
    ids::{AthleteId, PieceNo, SessionId},
};

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
    /// Grows whenever a record of a session is taken.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn revisions(&self, session: SessionId) -> Result<u64, ClubError> {
        let named = params![self.club.club.to_string(), session.to_string()];
        let sum: i64 = self.connection.query_row(queries::REVISIONS, named, |row| row.get(0))?;
        Ok(sum.cast_unsigned())
    }

    /// When, and what was rowed in a piece; `None` where the club has no result of it.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn rowed_piece(
        &self,
        session: SessionId,
        PieceNo(piece): PieceNo,
    ) -> Result<Option<(String, String)>, ClubError> {
        let named = params![self.club.club.to_string(), session.to_string(), piece];
        let mut select = self.connection.prepare_cached(queries::ROWED_PIECE)?;
        Ok(select.query_row(named, |row| Ok((row.get(0)?, row.get(1)?))).optional()?)
    }

    /// In which session, which piece of it, and by which athlete a result was rowed; `None` where none has it, or where nobody knows
    /// any more who that was.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn rowed_by(
        &self,
        result: &Listed,
    ) -> Result<Option<(SessionId, PieceNo, AthleteId)>, ClubError> {
        let broken = |error: uuid::Error| ClubError::Store(format!("a seat: {error}"));
        let (Some(session), Some(piece), Some(seat)) = (&result.session, result.piece, result.seat)
        else {
            return Ok(None);
        };
        let named = params![piece, self.club.club.to_string(), session, seat];
        let found = self.connection.query_row(queries::SEAT, named, |row| row.get(0)).optional()?;
        let athlete: Option<String> = found.flatten();
        let Some(athlete) = athlete else { return Ok(None) };
        let athlete = AthleteId(athlete.parse().map_err(broken)?);
        Ok(Some((SessionId(session.parse().map_err(broken)?), PieceNo(piece), athlete)))
    }

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
