//! What coaches rule about pieces that are over and about their results. It stands in the session, and comes to the club from there.

use serde::{Deserialize, Serialize};

use super::Edit;
use crate::{
    ids::CommandId,
    spec::Target,
    units::{Decimetres, Millis},
};

/// That it is ruled, and told to everybody who looks on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Ruled {
    /// By which it is taken back.
    pub command: CommandId,
    /// What was ruled, in a sentence.
    pub says: String,
}

/// Another finish in the place of what was measured.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct FinishSaid {
    /// The time of a piece by distance …
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_ms: Option<Millis>,
    /// … or the distance of a piece by time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_dm: Option<Decimetres>,
    /// Why: 1 to 200 characters; it is erased with the athlete.
    #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
    pub reason: String,
}

/// Another target, as if it had been rowed for that.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TargetSaid {
    /// A finish, a distance or a pace; `null`: none, and no place.
    #[serde(default, skip_serializing_if = "Edit::is_left")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<Target>"))]
    pub target: Edit<Target>,
    /// Why: 1 to 200 characters; it is erased with the athlete.
    #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::REASON_MAX)))]
    pub reason: String,
}
