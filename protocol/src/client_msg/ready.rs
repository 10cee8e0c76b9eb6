//! What an athlete has ready, and how they row today.

use serde::{Deserialize, Serialize};

use crate::{
    ids::CommandId,
    spec::{OnBoard, Today},
    units::Millis,
};

/// An athlete says what is ready.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Ready {
    /// The health cautions were read and accepted.
    pub cautions_read: bool,
    /// What is linked, in the athlete's words; absent while nothing is.
    #[serde(default)]
    pub machine: Option<String>,
    /// Half the round trip of the best clock answer: how far off the countdown may be, at worst.
    #[serde(default)]
    pub clock_bound_ms: Option<Millis>,
    /// How their own name appears on boards; absent: as before.
    #[serde(default)]
    pub on_board: Option<OnBoard>,
    /// How they row today; absent: as before. Of a piece that has begun it counts only for athletes whose first stroke comes
    /// after it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub today: Option<Today>,
    /// Answered by `done` or `refused` when there is one.
    #[serde(default)]
    pub command: Option<CommandId>,
}
