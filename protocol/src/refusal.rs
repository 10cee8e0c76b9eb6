//! Refusals: an answer, not a failure.

use serde::{Deserialize, Serialize};

/// Why something was refused, and what to do about it in `says`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Refusal {
    /// For programs.
    pub why: Why,
    /// One sentence for people.
    pub says: String,
}

/// Reasons to refuse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// The text was not JSON, or its fields do not fit.
    Malformed,
    /// The type is unknown to this server.
    UnknownType,
    /// This role may not say that.
    NotYours,
    /// Not now: the phase does not allow it.
    NotNow,
    /// A value is outside its range.
    OutOfRange,
    /// There is no such athlete, piece, call or session.
    Unknown,
    /// The name is taken.
    NameTaken,
    /// A target that nobody can row.
    Unrowable,
    /// A limit of this server is reached.
    Limit,
    /// Another device of the coach is in command.
    NotInCommand,
    /// The machine's value is impossible.
    Impossible,
    /// The sample claims to have been heard later than now, or before the session was created.
    WrongTime,
}
