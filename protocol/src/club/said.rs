//! Results that somebody types or puts right, where no session has them.

use serde::{Deserialize, Serialize};

use super::{ClubDay, Edit, PersonId};
use crate::{
    ids::{PieceNo, SessionId},
    units::{Decimetres, HalfSpm, Millis},
};

/// A result that no machine has told.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Typing {
    /// Whose.
    pub person: PersonId,
    /// When it was rowed.
    pub day: ClubDay,
    /// What was rowed, as pieces are written: `2000m`, `6x350m/1:15`, `30min`.
    pub work: String,
    /// The time of a piece by distance …
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_ms: Option<Millis>,
    /// … or the distance of a piece by time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_dm: Option<Decimetres>,
    /// Mean rate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate_half_spm: Option<HalfSpm>,
    /// The kind of machine, if it is not the club's usual one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// What the piece was called.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// The session, of somebody who rowed with the others and whom no machine has heard; then say the piece as well.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub session: Option<SessionId>,
    /// Which piece of it, counted from 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub piece: Option<PieceNo>,
}

/// What is to be another of a typed or imported result; what is left out stays.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ResultChange {
    /// Why; it is shown with the result.
    #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
    pub reason: String,
    /// When it was rowed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub day: Option<ClubDay>,
    /// What was rowed; say its time or distance as well.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub work: Option<String>,
    /// The time of a piece by distance …
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_ms: Option<Millis>,
    /// … or the distance of a piece by time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_dm: Option<Decimetres>,
    /// Mean rate; `null` takes it away.
    #[serde(default, skip_serializing_if = "Edit::is_left")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<HalfSpm>"))]
    pub rate_half_spm: Edit<HalfSpm>,
    /// The kind of machine; `null` for the club's usual one.
    #[serde(default, skip_serializing_if = "Edit::is_left")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<String>"))]
    pub machine: Edit<String>,
    /// What the piece was called.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
}

/// Whether a typed or imported result is ranked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RankingSaid {
    /// It is.
    pub ranked: bool,
}

/// Why something is done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Reasoned {
    /// A sentence of 1 to 200 characters.
    #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
    pub reason: String,
}

/// How hard a piece felt.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct EffortSaid {
    /// 0 (no effort) to 10 (all they had); `null` takes back what was said.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 0, "maximum" = crate::club::EFFORT_MAX)))]
    pub felt: Option<u8>,
}
