//! How projections have turned out, as the coach is told.

use serde::{Deserialize, Serialize};

/// How the projections of finished pieces have turned out.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Calibration {
    /// Name of the model in force.
    pub model: String,
    /// Finishes that were checked against what was shown on the way to them.
    pub finishes: u32,
    /// Intervals that were shown at a quarter, half and three quarters of those pieces.
    pub intervals: u32,
    /// Those that held the finish: with an 80 % interval, 8 of 10 should.
    pub held: u32,
    /// Chances that were shown at the same marks.
    pub chances: u32,
    /// Those whose target was made.
    pub made: u32,
    /// Sum of the chances in thousandths: a thousand times `made`, if they mean what they say.
    pub chance_permille: u32,
    /// How wide intervals are drawn now compared with the model's own, in thousandths.
    pub width_permille: u32,
    /// All of it in words for the coach, and what to do when finishes have long come out on one side.
    pub says: String,
}
