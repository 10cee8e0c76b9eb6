//! What is written: records, and the secrets that open a session.

use std::fmt;

use thole_piece::{Input, input::Damaged};
use thole_protocol::{ids::AthleteId, units::At};

use crate::secret::SecretHash;

/// One input and when it was taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// On the session's clock.
    pub at: At,
    /// What happened.
    pub input: Input,
}

/// Who a secret lets somebody in as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Holder {
    /// The coach.
    Coach,
    /// A board.
    Board,
    /// One athlete.
    Athlete(AthleteId),
}

/// A secret that opens something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Grant {
    /// All that is kept of it.
    pub hash: SecretHash,
    /// As whom.
    pub holder: Holder,
}

/// Records of a session that are not as they were written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// Position of the first.
    pub from: u64,
    /// Position of the last.
    pub to: u64,
    /// What is wrong with them, for 'record 17 to 19 …'.
    pub what: String,
    /// When the last whole record before them was written.
    pub since: At,
    /// When the first whole one after them was; `None` when there is none.
    pub until: Option<At>,
    /// Whose they are; empty when that is not known, or when they belong to the session.
    pub whose: Vec<AthleteId>,
    /// They hold only strokes and heart rates.
    pub only_strokes: bool,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Damage { from, to, what, .. } = self;
        if *to == Damaged::WHOLE {
            write!(f, "{what}")
        } else if from == to {
            write!(f, "record {from} {what}")
        } else {
            write!(f, "records {from} to {to}: {what}")
        }
    }
}

/// What was found of a session in its journal.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// With their positions; those set aside, erased or damaged are left out.
    pub records: Vec<(u64, Record)>,
    /// The position of the next record.
    pub next: u64,
    /// What is not as it was written.
    pub damage: Vec<Damage>,
    /// Records that lack the part of somebody who was erased: the session cannot be recomputed.
    pub erased: u64,
    /// Records of strokes that are kept no longer, of people who are still here: what was settled of them stands.
    pub strokes_let_go: u64,
}
