//! Where a finish is heading, how sure that is, and what is enough from here on.
//!
//! Everything is told against the plan. For a stretch, the *slack* is the logarithm of what it cost
//! against what the plan gives it, so that plus is slower than planned and nothing is exactly as
//! planned, in pieces by distance and by time alike. Of the rest of the piece the slack is a weighted
//! sum of what was seen; whoever rows exactly to plan is therefore shown exactly the target.

mod fitted;

use thole_protocol::units::{Decimetres, Millis};

use crate::{
    limits::{Measure, SPEED_MAX},
    plan::{BINS, Course, pace_per_500m},
};
use fitted::{BY_PACE, Knot, WITH_PAST, WITH_TARGET, widths};

/// Before this share of the piece only what was known before it counts: the first strokes mislead.
const PRIOR_UNTIL: f64 = 0.05;
/// The share of a past result's distance from the target that turns out to be true, on the rehearsal data.
const PAST_HOLDS: f64 = 0.8;
/// Slack of a stretch is kept within this: a factor of three, beyond which nothing is shown.
const SLACK_MAX: f64 = 1.1;
/// Slack of one bin is kept within this, so that one stop does not count for ever.
const BIN_SLACK_MAX: f64 = 0.5;
/// From here on somebody rows so unlike what was known before that it is believed less and less …
const DOUBT_FROM: f64 = 0.12;
/// … and here not at all.
const DOUBT_TO: f64 = 0.24;
/// The 90 % point of the normal distribution: half-width of the 80 % interval in standard deviations.
const Z_90: f64 = 1.281_551_565_544_6;
/// Projections outside these multiples of the target are not shown.
const SHOWN: std::ops::RangeInclusive<f64> = 0.3..=3.0;
/// Bins of the recent stretch: a tenth of the piece.
const RECENT_BINS: usize = BINS / 10;
/// So many rows in whole metres, and no other: the machine cuts its metres off …
const WHOLE_ROWS: u8 = 16;
/// … and has on average come half a metre further than it says.
const CUT_OFF: f64 = 0.5;
/// Speed that stands in for a target where nothing at all is known, m/s; it cancels out of the result.
const ANY_SPEED: f64 = 4.0;

/// Where the finish of one athlete is heading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Best guess, seconds or metres.
    pub finish: f64,
    /// Lower number of the 80 % interval.
    pub low: f64,
    /// Higher number of the 80 % interval.
    pub high: f64,
    /// Chance of making the own target; none without one.
    pub chance: Option<f64>,
}

/// All that the projection keeps of one athlete who rows: a plain value of fixed size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Live {
    /// The newest row: milliseconds and decimetres of work.
    ms: u32,
    dm: u32,
    /// Bins that are passed.
    passed: u8,
    /// Cost at each edge of the bins that are passed, seconds or metres.
    edges: [f64; BINS + 1],
    /// Median slack of the bins passed, without the first one once there are three.
    median: f64,
    /// Rows in whole metres so far; none once another one has come.
    whole: Option<u8>,
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
        Live { ms: 0, dm: 0, passed: 0, edges: [0.0; BINS + 1], median: 0.0, whole: Some(0) }
    }

    /// One more row of work (rests cut out), in order; an earlier one is left out, and metres never fall.
    pub fn row(&mut self, course: &Course, work_ms: u32, work_dm: u32) {
        if work_ms <= self.ms {
            return;
        }
        let before = self.newest(course);
        (self.ms, self.dm) = (work_ms, self.dm.max(work_dm));
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
            self.median = self.median_slack(course);
        }
    }

    /// Where the finish is heading; none while there is nothing to go by, or when it is absurd.
    #[must_use]
    pub fn projected(&self, course: &Course) -> Option<Estimate> {
        if let Some(finish) = self.finished() {
            let chance = course.target_amount().map(|target| match course.measure() {
                Measure::Distance(_) => f64::from(u8::from(finish <= target)),
                Measure::Time(_) => f64::from(u8::from(finish >= target)),
            });
            return Some(Estimate { finish, low: finish, high: finish, chance });
        }
        let now = self.newest(course);
        let x = now.work / course.work();
        let known = Known::of(course);
        let (spent, ahead) = if x < PRIOR_UNTIL {
            (Spent { cost: 0.0, share: 0.0 }, known.prior()?)
        } else {
            (Spent { cost: now.cost, share: course.share(x) }, self.ahead(course, &known, x)?)
        };
        estimate(course, &known, spent, ahead)
    }

    /// The pace that is enough from here on, milliseconds for 500 m; none without a target, when the
    /// target is reached or missed already, or when nobody can row so fast.
    #[must_use]
    pub fn enough_per_500m(&self, course: &Course) -> Option<Millis> {
        let target = course.target_amount()?;
        let now = self.newest(course);
        let (work, cost) = (course.work() - now.work, target - now.cost);
        let (metres, seconds) = match course.measure() {
            Measure::Distance(_) => (work, cost),
            Measure::Time(_) => (cost, work),
        };
        if metres > seconds * SPEED_MAX { None } else { pace_per_500m(metres, seconds) }
    }

    fn newest(&self, course: &Course) -> Done {
        let seconds = f64::from(self.ms) / 1e3;
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

    fn finished(&self) -> Option<f64> {
        (usize::from(self.passed) == BINS).then(|| self.edge(BINS))
    }

    fn edge(&self, number: usize) -> f64 {
        self.edges.get(number).copied().unwrap_or(0.0)
    }

    fn median_slack(&self, course: &Course) -> f64 {
        let reference = Known::of(course).reference;
        let passed = usize::from(self.passed);
        let first = if passed > 2 { 1 } else { 0 };
        let mut slacks = [0.0; BINS];
        let mut count = 0;
        let bins = self.edges.windows(2).zip(course.share_at_bins().windows(2));
        for ((cost, share), kept) in bins.take(passed).skip(first).zip(&mut slacks) {
            let (&[cost_from, cost_to], &[share_from, share_to]) = (cost, share) else { continue };
            let slack = slack(course, cost_to - cost_from, reference * (share_to - share_from));
            *kept = slack.clamp(-BIN_SLACK_MAX, BIN_SLACK_MAX);
            count += 1;
        }
        let Some(slacks) = slacks.get_mut(..count) else { return 0.0 };
        slacks.sort_unstable_by(f64::total_cmp);
        let (low, high) = (slacks.get((count.max(1) - 1) / 2), slacks.get(count / 2));
        (low.copied().unwrap_or(0.0) + high.copied().unwrap_or(0.0)) / 2.0
    }

    /// Slack of what is still to be rowed, and its half-width.
    fn ahead(&self, course: &Course, known: &Known, x: f64) -> Option<Ahead> {
        let now = self.newest(course);
        if now.cost <= 0.0 && known.basis == Basis::Nothing {
            return None;
        }
        let reference = known.reference;
        let so_far = slack(course, now.cost, reference * course.share(x));
        let back = usize::from(self.passed).saturating_sub(RECENT_BINS);
        let share_back = course.share_at_bins().get(back).copied().unwrap_or(0.0);
        let recent =
            slack(course, now.cost - self.edge(back), reference * (course.share(x) - share_back));
        let at = Knot::at(x);
        // By pace alone: whatever the target, somebody who rows on like this ends here.
        let [median, late] = at.mix(&BY_PACE);
        let by_pace = so_far + median * (self.median - so_far) + late * (recent - so_far);
        let class = Class::of(course, reference);
        let width = |basis: Basis| at.mix_one(widths(basis, class));
        let (weights, prior) = match known.basis {
            Basis::Past => (&WITH_PAST, known.past),
            Basis::Target => (&WITH_TARGET, 0.0),
            Basis::Nothing => {
                return Some(Ahead { slack: by_pace, half_width: width(Basis::Nothing) });
            }
        };
        let [so_far_counts, median_counts, recent_counts, past_counts] = at.mix(weights);
        let by_all = so_far_counts * so_far
            + median_counts * self.median
            + recent_counts * recent
            + past_counts * known.past;
        let unlike = (recent - prior).abs().min((self.median - prior).abs());
        let doubt = ((unlike - DOUBT_FROM) / (DOUBT_TO - DOUBT_FROM)).clamp(0.0, 1.0);
        let own = width(known.basis);
        Some(Ahead {
            slack: by_all + doubt * (by_pace - by_all),
            half_width: own + doubt * (width(Basis::Nothing).max(own) - own),
        })
    }
}

/// The finish of somebody who rows on exactly as so far, plan or no plan: what a plain projection
/// shows. Kept to show its bias beside `Live`. None before the first work.
///
/// ```
/// use thole_piece::{limits::Measure, projection::naive_even_pace};
/// use thole_protocol::units::{Decimetres, Millis};
/// let piece = Measure::Distance(Decimetres(17_000));
/// assert_eq!(naive_even_pace(piece, Millis(76_500), Decimetres(4_250)), Some(306.0));
/// ```
#[must_use]
pub fn naive_even_pace(
    measure: Measure,
    work_time: Millis,
    work_distance: Decimetres,
) -> Option<f64> {
    let (seconds, metres) = (f64::from(work_time.0) / 1e3, f64::from(work_distance.0) / 1e1);
    let (whole, done, cost) = match measure {
        Measure::Distance(whole) => (f64::from(whole.0) / 1e1, metres, seconds),
        Measure::Time(whole) => (f64::from(whole.0) / 1e3, seconds, metres),
    };
    (done > 0.0).then(|| cost * whole / done)
}

/// Work and cost in metres and seconds, or the other way round.
#[derive(Clone, Copy)]
struct Done {
    work: f64,
    cost: f64,
}

/// Cost that is spent, and the plan's share of it.
#[derive(Clone, Copy)]
struct Spent {
    cost: f64,
    share: f64,
}

/// Slack of the rest of the piece: the best guess and half the 80 % interval.
#[derive(Clone, Copy)]
struct Ahead {
    slack: f64,
    half_width: f64,
}

/// What is known of an athlete besides the rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Basis {
    /// Past results, with or without a target.
    Past,
    /// A target alone.
    Target,
    /// Neither.
    Nothing,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Known {
    basis: Basis,
    /// What slack is told against: the target, else the best past result, else anything.
    reference: f64,
    /// Slack of the best past result against it.
    past: f64,
}

impl Known {
    fn of(course: &Course) -> Known {
        match (course.target_amount(), course.past()) {
            (Some(target), Some(past)) => Known {
                basis: Basis::Past,
                reference: target,
                past: slack(course, past.best, target),
            },
            (None, Some(past)) => Known { basis: Basis::Past, reference: past.best, past: 0.0 },
            (Some(target), None) => Known { basis: Basis::Target, reference: target, past: 0.0 },
            (None, None) => {
                let reference = match course.measure() {
                    Measure::Distance(_) => course.work() / ANY_SPEED,
                    Measure::Time(_) => course.work() * ANY_SPEED,
                };
                Known { basis: Basis::Nothing, reference, past: 0.0 }
            }
        }
    }

    /// Of the whole piece, before it; none when nothing is known.
    fn prior(&self) -> Option<Ahead> {
        match self.basis {
            Basis::Past => Some(Ahead { slack: PAST_HOLDS * self.past, half_width: 0.017 }),
            Basis::Target => Some(Ahead { slack: 0.0, half_width: 0.034 }),
            Basis::Nothing => None,
        }
    }
}

/// Logarithm of a cost against what was planned for it; plus is slower, also where the cost is metres.
fn slack(course: &Course, cost: f64, planned: f64) -> f64 {
    if cost <= 0.0 || planned <= 0.0 {
        return match course.measure() {
            Measure::Distance(_) => -SLACK_MAX,
            Measure::Time(_) => SLACK_MAX,
        };
    }
    let slack = match course.measure() {
        Measure::Distance(_) => libm::log(cost / planned),
        Measure::Time(_) => libm::log(planned / cost),
    };
    slack.clamp(-SLACK_MAX, SLACK_MAX)
}

fn estimate(course: &Course, known: &Known, spent: Spent, ahead: Ahead) -> Option<Estimate> {
    let rest = known.reference * (1.0 - spent.share).max(0.0);
    let finish_at = |slack: f64| {
        spent.cost
            + rest
                * match course.measure() {
                    Measure::Distance(_) => libm::exp(slack),
                    Measure::Time(_) => libm::exp(-slack),
                }
    };
    let finish = finish_at(ahead.slack);
    let absurd = known.basis != Basis::Nothing && !SHOWN.contains(&(finish / known.reference));
    if absurd || !finish.is_finite() {
        return None;
    }
    let (faster, slower) =
        (finish_at(ahead.slack - ahead.half_width), finish_at(ahead.slack + ahead.half_width));
    Some(Estimate {
        finish,
        low: faster.min(slower),
        high: faster.max(slower),
        chance: course.target_amount().map(|target| {
            let left = target - spent.cost;
            let needed = match course.measure() {
                Measure::Distance(_) if left <= 0.0 => return 0.0,
                Measure::Time(_) if left <= 0.0 => return 1.0,
                Measure::Distance(_) => libm::log(left / rest),
                Measure::Time(_) => libm::log(rest / left),
            };
            normal(Z_90 * (needed - ahead.slack) / ahead.half_width)
        }),
    })
}

/// Share of a normal distribution below `z` standard deviations.
fn normal(z: f64) -> f64 {
    (libm::erfc(-z / std::f64::consts::SQRT_2) / 2.0).clamp(0.0, 1.0)
}

/// Kinds of pieces whose finishes are differently sure.
#[derive(Clone, Copy)]
enum Class {
    /// Under five and a half minutes.
    Short,
    /// Up to some twelve minutes.
    Middle,
    /// Longer.
    Long,
    /// More than one repeat.
    Repeats,
}

impl Class {
    fn of(course: &Course, reference: f64) -> Class {
        let seconds = match course.measure() {
            Measure::Distance(_) => reference,
            Measure::Time(_) => course.work(),
        };
        if course.repeats() > 1 {
            Class::Repeats
        } else if seconds < 330.0 {
            Class::Short
        } else if seconds < 760.0 {
            Class::Middle
        } else {
            Class::Long
        }
    }
}
