//! What changed after a focus call, as it is measured.

use serde::{Deserialize, Serialize};

use crate::ids::CallId;

/// What changed after a focus call: athletes compared with themselves, up to 45 s before it and up to 60 s after,
/// less what changed for those who did not get it. It says what was measured, never that a call worked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CallEffect {
    /// Which call.
    pub call: CallId,
    /// For how many athletes it can be told; 0 when the piece paused or ended too soon.
    pub of: u16,
    /// How many of them went faster than before.
    pub faster: u16,
    /// How many others they are compared with; 0: nobody, so the drift of the piece is part of it.
    pub against: u16,
    /// Speed as a share of their own before; plus is faster. `None` when `of` is 0.
    pub speed: Option<Shift>,
    /// Strokes a minute; `None` for fewer than two athletes whose machines report their rate.
    pub rate: Option<RateShift>,
    /// Metres a stroke as a share of their own before; `None` in the same cases as the rate.
    pub stroke: Option<Shift>,
}

/// A change as a share of what was before: best guess and half its 80 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Shift {
    /// Best guess.
    pub best_ppm: i32,
    /// Half the interval.
    pub half_ppm: u32,
}

/// A change of the rate: best guess and half its 80 % interval, thousandths of a stroke a minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RateShift {
    /// Best guess.
    pub best_milli_spm: i32,
    /// Half the interval.
    pub half_milli_spm: u32,
}
