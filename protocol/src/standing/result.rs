//! What athletes have made of a piece.

use serde::{Deserialize, Serialize};

use super::{Ruling, Unplaced};
use crate::{
    ids::AthleteId,
    total::{Certainty, Margin, Total},
    units::{Decimetres, Millis},
};

/// One split of a result.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Split {
    /// Distance of this stretch.
    pub distance_dm: Decimetres,
    /// Time of this stretch.
    pub time_ms: Millis,
}

/// Something about a result that its reader should know.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Mark {
    /// The mean speed is above what anybody is known to have rowed: the coach should look at it.
    Implausible,
    /// The machine was reset in mid-piece and the parts were joined.
    Joined,
    /// Samples are missing; totals are right, the curve is coarser.
    Gaps,
    /// Where the machine stood at the start is not known: only what was surely rowed since counts.
    NoBaseline,
    /// First heard over half a minute after the start; the machine's own clock says that all counts.
    HeardLate,
    /// The first stroke came well after the go.
    LateStart,
    /// Came, or came back, when repeats were over for the class: they were not rowed, count as zero among the splits,
    /// and the result has no place.
    RepeatsMissed,
    /// The session's clock and the machine's own ran apart by over a second: times may be wrong.
    ClocksApart,
    /// The server's journal was damaged in a place that may have been about this: what was lost is not known. If only
    /// strokes were lost, the mark stays until the device has sent them again.
    Damaged,
    /// Rowed out of competition by their own choice: nothing is wrong with it, it has no place, and it is nobody's best.
    Unranked,
}

/// How a result came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Rowed the whole piece.
    Finished,
    /// Stopped before the end; what was rowed is kept.
    Stopped,
    /// Was still rowing when the piece was closed or stopped.
    Unfinished,
    /// Was not heard up to the end of a piece by time: what was rowed after `time_ms` is not known, and makes
    /// this a different outcome when it comes.
    Unheard,
    /// Was in the roster and never rowed in this piece.
    DidNotStart,
}

/// What one athlete made of one piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AthleteResult {
    /// Who.
    pub athlete: AthleteId,
    /// How it came about.
    pub outcome: Outcome,
    /// Place among those with a target who finished; 1, 2, 2, 4.
    pub place: Option<u32>,
    /// Their own target, in the piece's own unit: a finish time, or a distance. `None` for athletes without one.
    #[serde(default)]
    pub target: Option<Total>,
    /// Work time, rests cut out, to the millisecond.
    pub time_ms: Millis,
    /// Work distance.
    pub distance_dm: Decimetres,
    /// How sure `time_ms` is or, in a piece by time, `distance_dm`.
    #[serde(flatten)]
    pub sure: Certainty,
    /// The finish as it is shown and ranked: rounded once, to 0.1 s or to whole metres.
    pub shown: Option<Total>,
    /// Against their own target, by the finish as shown.
    pub margin: Option<Margin>,
    /// Where an athlete whom the end of the piece cut off was heading, rounded like `shown`: an estimate, not a result.
    /// `None` for everybody else, and before a twentieth of the piece.
    #[serde(default)]
    pub estimate: Option<Total>,
    /// Quarters of a single stretch, repeats of an interval piece; as they were measured, also where the finish is corrected.
    pub splits: Vec<Split>,
    /// Their own strokes in the work, if the machine reported them.
    pub strokes: Option<u32>,
    /// What the reader should know.
    pub marks: Vec<Mark>,
    /// What a coach has ruled about it.
    #[serde(default, skip_serializing_if = "Ruling::is_none")]
    pub ruling: Ruling,
}

impl AthleteResult {
    /// Why it has no place though it was rowed: a coach has said so, or it was their own choice. `None` for a result that may
    /// have one.
    #[must_use]
    pub fn unplaced(&self) -> Option<Unplaced> {
        let by_choice = self.marks.contains(&Mark::Unranked).then_some(Unplaced::Unranked);
        self.ruling.unplaced.or(by_choice)
    }
}
