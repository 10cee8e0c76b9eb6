//! Reads what was rowed, apart from the server: replays it, and fits the projection to it. The contents of a journal
//! are handed in.

pub mod fit;
pub mod model;
mod recorded;
pub mod replay;

use thole_piece::Input;
use thole_protocol::units::At;

/// A session as it is in a journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Logged {
    /// What its lines are labelled with: its join code, or its identity.
    pub name: String,
    /// Every input and when it was taken, in the order of the journal.
    pub records: Vec<(At, Input)>,
}
