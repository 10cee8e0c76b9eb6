//! What stands in the columns of the tables, and back.

use thole_protocol::ids::AthleteId;

use crate::journal::{Holder, JournalError};

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
