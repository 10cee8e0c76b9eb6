//! What the projection keeps about one athlete who rows, and what it makes of it.

mod asked;

use thole_protocol::units::Millis;

use super::{Basis, slack};
use crate::{
    limits::{Measure, SPEED_MAX},
    plan::{BINS, Course, pace_per_500m},
};

pub use asked::{Asked, INPUTS};

/// After this many rows, all of them in whole metres, the machine is taken to cut its metres off …
const WHOLE_ROWS: u8 = 16;
/// … and to have come half a metre further, on average, than it says.
const CUT_OFF: f64 = 0.5;
/// Spread of the slack from bin to bin until three of them show it: a usual one.
const USUAL_UNREST: f64 = 0.04;

/// Everything that the projection keeps about one athlete who rows: a plain value of fixed size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Live {
    /// The newest row: milliseconds and decimetres of work.
    ms: u32,
    dm: u32,
    /// Work time that had gone by before the first stroke of whoever started late, in milliseconds. In a piece by distance
    /// it is added to the finish and left out of everything else: it says nothing about how somebody rows.
    late: u32,
    /// Rows so far; `None` for a piece that is given by its edges.
    rows: u32,
    /// Bins that have been passed.
    passed: u8,
    /// Rows in whole metres so far; `None` once a different one has come.
    whole: Option<u8>,
    /// Cost at each edge of the bins passed, seconds or metres.
    edges: [f64; BINS + 1],
    /// Slack of each bin passed.
    bins: [f64; BINS],
    /// What the bins say taken together.
    shape: Shape,
}

/// What the bins passed say taken together, in slack.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Shape {
    /// The median, leaving out the first bin once there are three.
    median: f64,
    /// How far the slowest bin is above the median: a stop or a bad patch.
    worst: f64,
    /// How much slower the last is than the first, by the line of least squares.
    slope: f64,
    /// Root mean square of the steps from bin to bin.
    unrest: f64,
    /// Of the first fifth, leaving out the standing start.
    first: f64,
}

/// Work and cost in metres and seconds, or the other way round.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Done {
    /// Metres, or seconds in a piece by time.
    pub work: f64,
    /// Seconds, or metres in a piece by time.
    pub cost: f64,
}

impl Default for Live {
    fn default() -> Live {
        Live::new()
    }
}

impl Live {
    /// Before the first row.
    #[must_use]
    pub fn new() -> Live {
        let shape = Shape { median: 0.0, worst: 0.0, slope: 0.0, unrest: USUAL_UNREST, first: 0.0 };
        Live {
            ms: 0,
            dm: 0,
            late: 0,
            rows: 0,
            passed: 0,
            whole: Some(0),
            edges: [0.0; BINS + 1],
            bins: [0.0; BINS],
            shape,
        }
    }

    /// The first stroke came this long after the start.
    pub fn comes_late(&mut self, late_ms: u32) {
        self.late = late_ms;
    }

    /// Seconds that are added to what was rowed: the clock ran before the first stroke.
    pub(in crate::projection) fn late(&self, course: &Course) -> f64 {
        match course.measure() {
            Measure::Distance(_) => f64::from(self.late) / 1e3,
            Measure::Time(_) => 0.0,
        }
    }

    /// One more row of work (rests cut out), in order; an earlier one is left out, and metres never fall.
    pub fn row(&mut self, course: &Course, work_ms: u32, work_dm: u32) {
        if work_ms <= self.ms {
            return;
        }
        let before = self.newest(course);
        (self.ms, self.dm) = (work_ms, self.dm.max(work_dm));
        self.rows = self.rows.saturating_add(1);
        let whole_metres = self.dm.is_multiple_of(10);
        self.whole = self.whole.filter(|_| whole_metres).map(|rows| rows.saturating_add(1));
        let now = self.newest(course);
        let bin = course.work() / BINS as f64;
        let passed = usize::from(self.passed);
        for (number, edge) in self.edges.iter_mut().enumerate().skip(passed + 1) {
            // The last edge is the finish itself, without a rounding error.
            let work = if number == BINS { course.work() } else { bin * number as f64 };
            if now.work < work {
                break;
            }
            *edge = before.cost
                + (now.cost - before.cost) * ((work - before.work) / (now.work - before.work));
            self.passed += 1;
        }
        if usize::from(self.passed) > passed {
            self.renew(course, passed);
        }
    }

    /// What a row or an instant of a recorded piece gives: the costs at the edges passed, and how far it is.
    /// For fitting a model to past pieces.
    #[must_use]
    pub fn recorded(course: &Course, edges: &[f64], now: Done) -> Live {
        let mut live = Live::new();
        for (kept, edge) in live.edges.iter_mut().skip(1).zip(edges) {
            *kept = *edge;
            live.passed += 1;
        }
        (live.ms, live.dm) = match course.measure() {
            Measure::Distance(_) => (whole(now.cost * 1e3), whole(now.work * 1e1)),
            Measure::Time(_) => (whole(now.work * 1e3), whole(now.cost * 1e1)),
        };
        live.renew(course, 0);
        live
    }

    /// Cost at each 2.5 % of the work, seconds or metres; 0 for those not passed yet.
    #[must_use]
    pub fn edges(&self) -> &[f64; BINS + 1] {
        &self.edges
    }

    /// How far the athlete has come, since the first stroke for whoever started late in a piece by distance.
    #[must_use]
    pub fn newest(&self, course: &Course) -> Done {
        let seconds = (f64::from(self.ms) / 1e3 - self.late(course)).max(0.0);
        let mut metres = f64::from(self.dm) / 1e1;
        let at_end = matches!(course.measure(), Measure::Distance(whole) if self.dm >= whole.0);
        if self.whole.is_some_and(|rows| rows >= WHOLE_ROWS) && !at_end {
            metres += CUT_OFF;
        }
        match course.measure() {
            Measure::Distance(_) => Done { work: metres, cost: seconds },
            Measure::Time(_) => Done { work: seconds, cost: metres },
        }
    }

    /// The finish, seconds or metres, once the last edge is passed.
    #[must_use]
    pub fn finished(&self, course: &Course) -> Option<f64> {
        (usize::from(self.passed) == BINS).then(|| self.edge(BINS) + self.late(course))
    }

    /// The pace that is enough from here on, milliseconds per 500 m; `None` without a target, when the target
    /// has already been reached or missed, or when nobody can row that fast.
    #[must_use]
    pub fn enough_per_500m(&self, course: &Course) -> Option<Millis> {
        let target = course.target_amount()?;
        let now = self.newest(course);
        let (work, cost) = (course.work() - now.work, target - self.late(course) - now.cost);
        let (metres, seconds) = match course.measure() {
            Measure::Distance(_) => (work, cost),
            Measure::Time(_) => (cost, work),
        };
        if metres > seconds * SPEED_MAX { None } else { pace_per_500m(metres, seconds) }
    }

    /// Whether what was rowed is so unlike the target that the target says nothing.
    #[must_use]
    pub fn is_far_off(&self, course: &Course) -> bool {
        /// An eighth of a piece (our choice): the first bins contain the standing start.
        const TOLD_FROM: u8 = 5;
        self.passed >= TOLD_FROM
            && course.known().basis == Basis::Target
            && self.shape.median.abs() > super::FAR_OFF
    }

    fn edge(&self, number: usize) -> f64 {
        self.edges.get(number).copied().unwrap_or(0.0)
    }

    /// Works the bins passed since into what they say together.
    fn renew(&mut self, course: &Course, before: usize) {
        let (measure, reference) = (course.measure(), course.known().reference);
        let passed = usize::from(self.passed);
        let ends = self.edges.windows(2).zip(course.share_at_bins().windows(2));
        for ((cost, share), bin) in ends.zip(&mut self.bins).take(passed).skip(before) {
            let (&[cost_from, cost_to], &[share_from, share_to]) = (cost, share) else { continue };
            *bin = slack(measure, cost_to - cost_from, reference * (share_to - share_from));
        }
        let first = if passed > 2 { 1 } else { 0 };
        let Some(bins) = self.bins.get(first..passed).filter(|bins| !bins.is_empty()) else {
            return;
        };
        let median = median(bins);
        let slowest = bins.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let end = passed.min(8);
        let share_at = |edge: usize| course.share_at_bins().get(edge).copied().unwrap_or(0.0);
        let early = if passed < 2 {
            self.bins.first().copied().unwrap_or(0.0)
        } else {
            let cost = self.edge(end) - self.edge(1);
            slack(measure, cost, reference * (share_at(end) - share_at(1)))
        };
        self.shape = Shape {
            median,
            worst: slowest - median,
            slope: slope(bins, median),
            unrest: unrest(bins),
            first: early,
        };
    }
}

fn median(bins: &[f64]) -> f64 {
    let mut sorted = [0.0; BINS];
    let count = bins.len();
    let Some(sorted) = sorted.get_mut(..count) else { return 0.0 };
    sorted.copy_from_slice(bins);
    sorted.sort_unstable_by(f64::total_cmp);
    let (low, high) = (sorted.get((count.max(1) - 1) / 2), sorted.get(count / 2));
    (low.copied().unwrap_or(0.0) + high.copied().unwrap_or(0.0)) / 2.0
}

/// The number of bins times the slope of the least-squares line through them.
fn slope(bins: &[f64], median: f64) -> f64 {
    /// Bins further from the median than this count as this far.
    const WITHIN: f64 = 0.1;
    let count = bins.len() as f64;
    if bins.len() <= 3 {
        return 0.0;
    }
    let middle = (count - 1.0) / 2.0;
    let (mut across, mut along) = (0.0, 0.0);
    for (number, bin) in bins.iter().enumerate() {
        let from = number as f64 - middle;
        across += from * bin.clamp(median - WITHIN, median + WITHIN);
        along += from * from;
    }
    count * across / along
}

/// Root mean square of the steps from bin to bin.
fn unrest(bins: &[f64]) -> f64 {
    /// A longer step counts as this long.
    const STEP_MAX: f64 = 0.15;
    if bins.len() <= 2 {
        return USUAL_UNREST;
    }
    let mut sum = 0.0;
    for step in bins.windows(2) {
        let &[from, to] = step else { continue };
        let step = (to - from).clamp(-STEP_MAX, STEP_MAX);
        sum += step * step;
    }
    libm::sqrt(sum / (bins.len() - 1) as f64)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "an amount of a piece, never below zero; `as` from f64 saturates"
)]
fn whole(amount: f64) -> u32 {
    amount.round() as u32
}
