//! What a coach has ruled about the results of a piece that is over.

use serde::{Deserialize, Serialize};

use super::Outcome;
use crate::{
    ids::{AthleteId, CommandId},
    order::GivenBy,
    spec::Target,
    total::{Certainty, Margin, Total},
    units::{At, Decimetres, Millis},
};

/// What of a result is not as it was measured, and what would be another one. None of it is set in most results.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Ruling {
    /// As it was measured; `None` unless a coach has corrected the finish.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<Measured>,
    /// What it was rowed for; `None` unless a coach has corrected the target.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target_before: Option<TargetBefore>,
    /// Why it has no place, though it might; `None` unless a coach has said so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unplaced: Option<Unplaced>,
    /// What it would be; `None` unless strokes came after the piece was made official and would make it another result. It moves
    /// no place until a coach reopens the piece.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub would_be: Option<WouldBe>,
}

impl Ruling {
    /// Whether nobody has ruled anything about it.
    #[must_use]
    pub fn is_none(&self) -> bool {
        *self == Ruling::default()
    }

    /// Whether finish or target are not those that it was rowed with.
    #[must_use]
    pub fn is_corrected(&self) -> bool {
        self.measured.is_some() || self.target_before.is_some()
    }
}

/// A result as it was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Measured {
    /// How it came about.
    pub outcome: Outcome,
    /// Work time.
    pub time_ms: Millis,
    /// Work distance.
    pub distance_dm: Decimetres,
    /// How sure that is.
    #[serde(flatten)]
    pub sure: Certainty,
    /// The finish, rounded as it is shown.
    pub shown: Option<Total>,
}

/// The target that somebody rowed a piece with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TargetBefore {
    /// In the kind of the piece; `None` for athletes who had none.
    pub target: Option<Total>,
}

/// Why a result has no place though it was rowed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Unplaced {
    /// Rowed out of competition; nothing is wrong with the result.
    Unranked,
    /// The result does not count as one: another's machine, a shortened piece, a rule broken.
    Excluded,
}

/// What a result would be if the piece were not official.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WouldBe {
    /// How it would have come about.
    pub outcome: Outcome,
    /// Work time.
    pub time_ms: Millis,
    /// Work distance.
    pub distance_dm: Decimetres,
    /// The finish, rounded as it is shown.
    pub shown: Option<Total>,
    /// Against their own target.
    pub margin: Option<Margin>,
    /// The place, among all as they would be.
    pub place: Option<u32>,
}

/// What a coach has put in place of what was there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "corrected", rename_all = "snake_case")]
pub enum Corrected {
    /// Another finish.
    Finish {
        /// A time for pieces by distance, a distance for pieces by time.
        finish: Total,
    },
    /// Another target.
    Target {
        /// A finish, a distance or a pace; `None`: none.
        target: Option<Target>,
    },
    /// No place, without blame.
    Unranked,
    /// No place, and no result to count by.
    Excluded,
}

/// A correction that stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Correction {
    /// The order that made it; `undo` names it.
    pub command: CommandId,
    /// Whose result it is about.
    pub athlete: AthleteId,
    /// When it was made.
    pub at_ms: At,
    /// Which coach of the club made it; `None` for whoever came by the session's coach link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<GivenBy>,
    /// What.
    #[serde(flatten)]
    pub what: Corrected,
    /// Why, in the coach's words.
    pub reason: String,
}

/// That a piece is official.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Official {
    /// The order that made it so; `undo` names it.
    pub command: CommandId,
    /// Since when it is.
    pub at_ms: At,
    /// Which coach of the club said so; told to coaches alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<GivenBy>,
}

/// That a piece was official, and why it is not any more.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Reopened {
    /// The order that reopened it; `undo` names it.
    pub command: CommandId,
    /// When.
    pub at_ms: At,
    /// Which coach of the club did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<GivenBy>,
    /// Why, in the coach's words.
    pub reason: String,
}

/// What stands of all that coaches have ruled about a piece.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Rulings {
    /// It is official; `None` while it is not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub official: Option<Official>,
    /// It was reopened and is not official again; for coaches alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reopened: Option<Reopened>,
    /// Corrections that stand, in the order in which they were made, with their reasons; for coaches alone.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<Correction>,
}

impl Rulings {
    /// Whether nobody has ruled anything.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Rulings::default()
    }
}
