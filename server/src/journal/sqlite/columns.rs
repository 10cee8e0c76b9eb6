//! What is in the columns of the tables, and back.

use thole_protocol::ids::{AthleteId, JoinCode, SessionId};
use uuid::Uuid;

use crate::journal::{Holder, JournalError, SessionRow};

/// A holder as its role and its athlete.
pub(super) fn of(holder: Holder) -> (&'static str, Option<AthleteId>) {
    match holder {
        Holder::Coach => ("coach", None),
        Holder::Board => ("board", None),
        Holder::Athlete(athlete) => ("athlete", Some(athlete)),
    }
}

pub(super) fn holder(role: &str, athlete: Option<AthleteId>) -> Result<Holder, JournalError> {
    match (role, athlete) {
        ("coach", None) => Ok(Holder::Coach),
        ("board", None) => Ok(Holder::Board),
        ("athlete", Some(athlete)) => Ok(Holder::Athlete(athlete)),
        (role, _) => Err(JournalError::Read(format!("a secret has the role {role:?}"))),
    }
}

/// SQLite's integers are signed; positions and times stay far below 2^63.
pub(super) fn whole(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

/// A row of a session: its identity, code, and when it was made and closed.
pub(super) fn session(
    row: &rusqlite::Row<'_>,
) -> rusqlite::Result<Result<SessionRow, JournalError>> {
    let code: String = row.get(1)?;
    let Some(read) = JoinCode::read(&code) else {
        return Ok(Err(JournalError::Unreadable(format!("{code:?} is not a join code"))));
    };
    Ok(Ok(SessionRow {
        session: SessionId(Uuid::from_bytes(row.get(0)?)),
        code: read,
        created_unix_ms: row.get::<_, i64>(2)?.cast_unsigned(),
        closed_unix_ms: row.get::<_, Option<i64>>(3)?.map(i64::cast_unsigned),
    }))
}
