//! What the coach is asked about targets before a start.

use serde::{Deserialize, Serialize};

/// What is odd about a target.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Odd {
    /// Slower than anybody is known to row.
    TooSlow,
    /// Far from past results of the same piece.
    UnlikePast,
    /// Far from what the others in this session aim at.
    UnlikeOthers,
    /// Not what the legs of the plan come to: they are all scaled.
    UnlikeLegs,
    /// A target from an earlier piece, or from before this piece was changed, that nobody can row here: it was
    /// left out.
    LeftOut,
}

/// Something about a target that the coach is asked before the start; nothing waits for the answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Question {
    /// For programs.
    pub why: Odd,
    /// One or more sentences for the coach, with the likely cause.
    pub says: String,
}
