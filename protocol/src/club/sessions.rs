//! Sessions in which something was rowed.

use serde::{Deserialize, Serialize};

use super::{ClubDay, Listed};
use crate::ids::{JoinCode, PieceNo, SessionId};

/// A session as a line of a list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct SessionLine {
    /// Which.
    pub session: SessionId,
    /// The club's day of its first piece.
    pub day: ClubDay,
    /// The go of its first piece.
    pub at_unix_ms: u64,
    /// What people call it; may be empty.
    pub title: String,
    /// How many pieces were rowed.
    pub pieces: u32,
    /// How many rowed.
    pub seats: u32,
    /// How many results there are.
    pub results: u32,
}

/// A session that is open now, whether or not anything was rowed in it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct OpenSession {
    /// Which.
    pub session: SessionId,
    /// What people join with; with it, a coach comes in by a key of their own.
    pub code: JoinCode,
    /// What people call it; may be empty.
    pub title: String,
    /// When it was made.
    pub made_unix_ms: u64,
    /// What the club calls the coach who made it; `None` when that was not by a coach's key.
    pub made_by: Option<String>,
}

/// Sessions that are open now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct OpenSessions {
    /// Newest first; 20 at most.
    pub sessions: Vec<OpenSession>,
}

/// Which sessions are wanted.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SessionsAsked {
    /// The first day.
    pub from: Option<ClubDay>,
    /// The last day.
    pub to: Option<ClubDay>,
    /// So many at most.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1, "maximum" = crate::club::LISTED_MAX)))]
    pub most: Option<u32>,
    /// Go on behind an answer whose `next` this is.
    pub after: Option<String>,
}

/// Sessions, newest first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Sessions {
    /// As many as were wanted.
    pub sessions: Vec<SessionLine>,
    /// Asks, as `after`, for those behind them; `None` when there are none.
    pub next: Option<String>,
}

/// A session with its results.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WholeSession {
    /// As in a list.
    #[serde(flatten)]
    pub line: SessionLine,
    /// Its pieces in the order in which they were rowed.
    pub by_piece: Vec<RowedPiece>,
}

/// A piece that was rowed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RowedPiece {
    /// Which of the session, counted from 0.
    pub piece: PieceNo,
    /// What the coach called it.
    pub title: String,
    /// What was rowed.
    pub work: String,
    /// Those with a place first, by place; then the others, by what they rowed.
    pub results: Vec<Listed>,
}
