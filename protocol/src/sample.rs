//! What machines and straps report, and how far it is durable.

use serde::{Deserialize, Serialize};

use crate::{ids::RunId, refusal::Refusal};

/// What a machine reported at one instant.
///
/// The numbers are wider than they need to be, so that one impossible value can be refused with its reason
/// while the rest of the batch stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Sample {
    /// 1, 2, 3 … within its run.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1)))]
    pub seq: u32,
    /// When the client heard it, on the session's clock.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 0)))]
    pub heard_ms: i64,
    /// The machine's own distance counter.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 0, "maximum" = u32::MAX)))]
    pub distance_dm: i64,
    /// The machine's own clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 0, "maximum" = u32::MAX)))]
    pub elapsed_ms: Option<i64>,
    /// The machine's own stroke counter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 0, "maximum" = crate::limits::STROKES_MAX)))]
    pub strokes: Option<i64>,
    /// Stroke rate in half strokes a minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 0, "maximum" = crate::limits::RATE_MAX_HALF_SPM)))]
    pub rate_half_spm: Option<i64>,
    /// Mean power of the stroke.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 0, "maximum" = crate::limits::POWER_MAX_W)))]
    pub power_w: Option<i64>,
}

/// One reading of a heart-rate strap.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Reading {
    /// When the client heard it, on the session's clock.
    pub heard_ms: i64,
    /// Beats a minute.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = crate::limits::HEART_BELIEVED_BPM.start(), "maximum" = crate::limits::HEART_BELIEVED_BPM.end())))]
    pub heart_bpm: i64,
}

/// How far an athlete's recording is durable.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Durable {
    /// The recording.
    pub run: RunId,
    /// Everything up to this number is durable or was given up; 0 = nothing yet.
    pub through_seq: u32,
    /// What is durable beyond it, as first and last number of each stretch; at most 8.
    pub beyond: Vec<(u32, u32)>,
}

/// One sample that was refused; it is acknowledged all the same, so nobody sends it again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RefusedSample {
    /// Which.
    pub seq: u32,
    /// Why.
    pub refusal: Refusal,
}
