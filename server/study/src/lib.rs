//! Reads what was rowed, beside the server: replays it, and fits the projection to it. What a journal has is handed in.

pub mod fit;
pub mod model;
mod recorded;
pub mod replay;

use thole_piece::Input;
use thole_protocol::units::At;

/// A session as it stands in a journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Logged {
    /// What its lines are told by: its join code, or its identity.
    pub name: String,
    /// Every input and when it was taken, in the order of the journal.
    pub records: Vec<(At, Input)>,
}
