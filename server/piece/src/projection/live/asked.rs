//! What the model is asked with, going by as much of what is known as is believed.

use super::{
    super::{
        Basis, Known,
        known::{Believed, FIXED},
        slack,
    },
    Live,
};
use crate::{
    limits::Measure,
    plan::{BINS, Course},
};

/// Inputs of the model.
pub const INPUTS: usize = MOVING + FIXED;
/// Those that move with every row.
const MOVING: usize = 16;
/// Before this share of the piece there is no slack of the athlete's own to speak of.
const NOTHING_YET: f64 = 0.004;
/// From this share on, only what was rowed is believed as the starting point.
const BELIEVED_FROM: f64 = 0.25;
/// From this share on, the pace of the last 2.5 %, carried on to the end, takes part in the guess …
const PHYSICS_FROM: f64 = 0.9;
/// … and has half the weight here.
const PHYSICS_HALF: f64 = 0.97;
/// The pace that is enough is reckoned over at least this share of the piece.
const REST_LEAST: f64 = 0.005;
/// Share of the piece that one bin covers.
const BIN: f64 = 1.0 / BINS as f64;
/// Slack from the target or the best past result at which it begins to be doubted, and that at which it says nothing about
/// this athlete: with one bin and with two, which contain the standing start (half as slow again as the mean in the
/// shortest pieces) …
const DOUBTED_AT_FIRST: [(f64, f64); 2] = [(0.6, 0.75), (0.36, 0.45)];
/// … with three, since many set off far too fast and fade …
const DOUBTED_EARLY: (f64, f64) = (0.2, 0.3);
/// … and from more than a third of the way on, where the second limit is about 16 %.
const DOUBTED: (f64, f64) = (0.12, 0.155);
/// Where that is, in bins.
const LATER: usize = 14;
/// The model learnt from pieces as short and as long as these, in seconds …
const LEARNT_S: (f64, f64) = (120.0, 1_800.0);
/// … and beyond them the range widens by this much for each factor of e by which the piece is shorter or longer
/// (our choice).
const WIDER_BEYOND: f64 = 0.5;
/// A bin this much slower than the others (slack) is a stop or a bad patch …
const STOPPED: (f64, f64) = (0.12, 0.17);
/// … after which the range is this many times as wide: too few of those in the fit have stopped to tell more (our
/// choice).
const WIDER_STOPPED: f64 = 1.2;
/// Rows this far apart, in bins, make the range twice as wide.
const SELDOM_BINS: f64 = 4.0;

/// Everything the model is asked with, at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asked {
    /// Share of the work that is done.
    pub x: f64,
    /// Share of the cost that the plan has spent by then.
    pub share: f64,
    /// What is spent, seconds or metres.
    pub cost: f64,
    /// Seconds or metres that slack is measured against.
    pub reference: f64,
    /// Slack that the model's answer starts from.
    pub base: f64,
    /// The weight of the model's answer; the remainder to 1 is that of the pace of the last 2.5 %, which is in the base.
    pub weight: f64,
    /// How many times as wide as the model's own the range is: for pieces unlike those of the fit, and machines that
    /// report rarely.
    pub wider: f64,
    /// How many times wider still it is for athletes who have stopped, too few of whom are in the fit.
    pub stopped: f64,
    /// Slack of what was rowed: the median.
    pub median: f64,
    /// The reference's slack relative to that of everything known: all slack here is measured from it.
    pub shift: f64,
    /// Slack of the rest that finishes exactly on the reference; `None` when it is already spent.
    pub need: Option<f64>,
    /// The inputs of the model.
    pub inputs: [f32; INPUTS],
}

/// How much something this far off (slack) is doubted when this many bins are passed: 0 not at all, 1
/// completely.
fn doubt(off: f64, passed: usize) -> f64 {
    let (from, to) = match (passed.checked_sub(1), passed.checked_sub(3)) {
        (None, _) => return 0.0,
        (Some(bin), None) => DOUBTED_AT_FIRST.get(bin).copied().unwrap_or(DOUBTED_EARLY),
        (Some(_), Some(bins)) => {
            let part = (bins as f64 / (LATER - 3) as f64).min(1.0);
            let between = |early: f64, late: f64| early + part * (late - early);
            (between(DOUBTED_EARLY.0, DOUBTED.0), between(DOUBTED_EARLY.1, DOUBTED.1))
        }
    };
    within(off.abs(), (from, to))
}

/// 0 up to `from`, 1 from `to` on, and a straight line between.
fn within(value: f64, (from, to): (f64, f64)) -> f64 {
    ((value - from) / (to - from)).clamp(0.0, 1.0)
}

impl Live {
    /// What the model is asked with now, going by what is believed for the most part.
    #[must_use]
    pub fn asked(&self, course: &Course) -> Asked {
        let mut most = (Believed::All, 0.0);
        for (believed, weight) in self.believed(course) {
            if weight > most.1 {
                most = (believed, weight);
            }
        }
        self.asked_by(course, &course.known_by(most.0))
    }

    /// Which parts of what is known are believed, and with what weight; together 1.
    pub(in crate::projection) fn believed(&self, course: &Course) -> [(Believed, f64); 4] {
        let known = course.known();
        let [has_past, ..] = known.fixed;
        let passed = if self.newest(course).cost > 0.0 { usize::from(self.passed) } else { 0 };
        let of = |off: f64| doubt(off, passed);
        let median = self.shape.median;
        let target = if known.basis == Basis::Target { of(median) } else { 0.0 };
        let past = if has_past > 0.0 { of(median - known.best) } else { 0.0 };
        match known.basis {
            Basis::Target if has_past > 0.0 => [
                (Believed::All, (1.0 - target) * (1.0 - past)),
                (Believed::Target, (1.0 - target) * past),
                (Believed::Past, target * (1.0 - past)),
                (Believed::Nothing, target * past),
            ],
            Basis::Target | Basis::Past | Basis::Nothing => {
                let doubt = target.max(past);
                [
                    (Believed::All, 1.0 - doubt),
                    (Believed::Target, 0.0),
                    (Believed::Past, 0.0),
                    (Believed::Nothing, doubt),
                ]
            }
        }
    }

    /// What the model is asked with now, going by this much of what is known.
    pub(in crate::projection) fn asked_by(&self, course: &Course, known: &Known) -> Asked {
        let (whole, measure, now) =
            (course.known().reference, course.measure(), self.newest(course));
        let x = (now.work / course.work()).clamp(0.0, 1.0);
        let share = course.share(x);
        let rest = (1.0 - share).max(REST_LEAST);
        let passed = usize::from(self.passed);
        let so_far = slack(measure, now.cost, whole * share);
        // Where nothing is known, everything is measured against their own pace so far.
        let (shift, reference) = match known.basis {
            Basis::Nothing if x > 0.0 && now.cost > 0.0 => (so_far, now.cost / share.max(1e-9)),
            Basis::Target | Basis::Past | Basis::Nothing => {
                (slack(measure, known.reference, whole), known.reference)
            }
        };
        let a = so_far - shift;
        let (mut median, mut first) = (self.shape.median - shift, self.shape.first - shift);
        if passed == 0 {
            median = if x < NOTHING_YET { known.best } else { a };
            first = median;
        }
        let from = |cost: f64, spent: f64| {
            let cost = now.cost - cost;
            let no_time = cost <= 0.0 && matches!(measure, Measure::Distance(_));
            if passed == 0 || share - spent <= 1e-9 || no_time {
                return a;
            }
            slack(measure, cost, whole * (share - spent)) - shift
        };
        let since = |bins: usize| {
            let edge = passed.saturating_sub(bins);
            from(self.edge(edge), course.share_at_bins().get(edge).copied().unwrap_or(0.0))
        };
        let (two, four, eight) = (since(2), since(4), since(8));
        let one = if passed == 0 { a } else { from(self.cost_at(x - BIN), course.share(x - BIN)) };
        let left = reference - now.cost;
        let unfloored = need_of(measure, left, reference * (1.0 - share));
        // Except at the very end, the two are the same.
        let need =
            if rest > 1.0 - share { need_of(measure, left, reference * rest) } else { unfloored };
        let need = need.unwrap_or_else(|| spent(measure));
        let best = known.best;
        let trust = (x / BELIEVED_FROM).min(1.0);
        let base = trust * median + (1.0 - trust) * best;
        let physics = (x - PHYSICS_FROM) / (2.0 * (PHYSICS_HALF - PHYSICS_FROM));
        let weight = 1.0 - physics.clamp(0.0, 1.0);
        let base = weight * base + (1.0 - weight) * one;
        let [has, ..] = known.fixed;
        let has = f64::from(has);
        let clip = |value: f64, most: f64| value.clamp(-most, most);
        let moving = [
            x,
            libm::sqrt(1.0 - x),
            clip(a - median, 0.25),
            clip(four - median, 0.25),
            clip(two - four, 0.25),
            clip(eight - four, 0.25),
            clip(median, 0.08),
            clip(first - median, 0.25),
            clip(self.shape.slope, 0.2),
            self.shape.unrest.min(0.15),
            self.shape.worst.min(0.5),
            clip(need - four, 0.12),
            has * clip(best - median, 0.12),
            if has > 0.0 {
                has * clip(left_at_best_power(best, a, share, rest) - four, 0.15)
            } else {
                0.0
            },
            clip(one - two, 0.25),
            // At the end of a repeat that repeat is done, and the next one has not begun.
            (x * f64::from(course.repeats()) - 1e-6).max(0.0).fract(),
        ];
        let mut inputs = [0.0; INPUTS];
        #[expect(clippy::cast_possible_truncation, reason = "the model reckons in 32 bits")]
        for (input, value) in inputs.iter_mut().zip(moving) {
            *input = value as f32;
        }
        for (input, value) in inputs.iter_mut().skip(MOVING).zip(known.fixed) {
            *input = value;
        }
        if known.basis == Basis::Nothing && now.cost > 0.0 {
            let (watts, seconds) = Known::size_at(measure, course.work(), reference);
            #[expect(clippy::cast_possible_truncation, reason = "the model reckons in 32 bits")]
            for (input, value) in inputs.iter_mut().skip(MOVING + 11).zip([watts, seconds]) {
                *input = value as f32;
            }
        }
        let seconds = match measure {
            Measure::Distance(_) => reference,
            Measure::Time(_) => course.work(),
        };
        let wider = wider_beyond(seconds) * self.wider_seldom(x);
        let stopped = 1.0 + (WIDER_STOPPED - 1.0) * within(self.shape.worst, STOPPED);
        let cost = now.cost;
        Asked {
            x,
            share,
            cost,
            reference,
            base,
            weight,
            wider,
            stopped,
            median,
            shift,
            need: unfloored,
            inputs,
        }
    }

    /// Cost at a share of the work already done, on a straight line between the edges.
    fn cost_at(&self, x: f64) -> f64 {
        let along = (x * BINS as f64).max(0.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "between 0 and 40; `as` from f64 saturates"
        )]
        let bin = (along as usize).min(usize::from(self.passed).saturating_sub(1));
        let (from, to) = (self.edge(bin), self.edge(bin + 1));
        from + (to - from) * (along - bin as f64).min(1.0)
    }

    /// How many times as wide the range is for an athlete of whom so few rows are heard.
    fn wider_seldom(&self, x: f64) -> f64 {
        if self.rows == 0 {
            return 1.0;
        }
        let bins = x * BINS as f64 / f64::from(self.rows);
        1.0 + (bins / SELDOM_BINS).min(1.0)
    }
}

/// How many times as wide the range is for a piece that is shorter or longer than those of the fit.
fn wider_beyond(seconds: f64) -> f64 {
    let (least, most) = LEARNT_S;
    let beyond = libm::log((least / seconds).max(seconds / most).max(1.0));
    1.0 + WIDER_BEYOND * beyond
}

/// What stands for the slack of the rest that finishes exactly on the reference once that is spent: as slow or
/// as fast as can be.
fn spent(measure: Measure) -> f64 {
    match measure {
        Measure::Distance(_) => -1.0,
        Measure::Time(_) => 1.0,
    }
}

/// Slack of the rest that finishes exactly on the reference; `None` when it is already spent.
fn need_of(measure: Measure, left: f64, planned: f64) -> Option<f64> {
    (left > 0.0 && planned > 0.0).then(|| match measure {
        Measure::Distance(_) => libm::log(left / planned),
        Measure::Time(_) => libm::log(planned / left),
    })
}

/// Slack of the rest if the whole piece is to have the mean power of the best past result: power goes with
/// the cube of speed.
fn left_at_best_power(best: f64, so_far: f64, share: f64, rest: f64) -> f64 {
    /// Power below a third of the plan's is not considered.
    const POWER_LEAST: f64 = 0.35;
    /// Nor is anything slower.
    const SLOWEST: f64 = 0.3;
    let power = (libm::exp(-3.0 * best) - share * libm::exp(-3.0 * so_far)) / rest;
    (-libm::log(power.max(POWER_LEAST)) / 3.0).min(SLOWEST)
}
