//! Where a finish is heading, how sure that is, and what is enough from here on.
//!
//! Everything is told against the plan. For a stretch, the *slack* is the logarithm of what it cost
//! against what the plan gives it, so that plus is slower than planned and nothing is exactly as
//! planned, in pieces by distance and by time alike. What is left of the piece has a slack too; a model
//! fitted to past pieces (`Model`) guesses it from what was rowed so far (`Live`).

mod known;
mod live;
mod model;
mod width;

use std::sync::Arc;

use crate::{limits::Measure, plan::Course};

pub(crate) use known::Ground;
pub use known::{Basis, Class, FIXED, Known, Past};
pub use live::{Asked, Done, INPUTS, Live};
pub use model::{
    ANSWERS, Answer, BeforeFile, FIRST, FORMAT, KNOTS, LayerFile, Model, ModelFile, SCALE, SECOND,
    bent, widened,
};
pub use width::{Count, MARKS, Marks, Width};

/// Before this share of the piece only what was known before it counts: the first strokes mislead.
pub const PRIOR_UNTIL: f64 = 0.05;
/// Who rows so unlike the target (slack) has a target that means nothing.
pub const FAR_OFF: f64 = 0.08;
/// From here (slack) on nobody was seen to row whom the model was fitted to …
const UNUSUAL: f64 = 0.16;
/// … and from here on the model means nothing.
const UNHEARD_OF: f64 = 0.32;
/// Who is far off has an interval this much wider.
const FAR_OFF_WIDER: f64 = 1.5;
/// Slack of a stretch is kept within this: a factor of three, beyond which nothing is shown.
const SLACK_MAX: f64 = 1.1;
/// The 90 % point of the normal distribution: half-width of the 80 % interval in standard deviations.
pub const Z_90: f64 = 1.281_551_565_544_6;
/// Projections outside these multiples of the target are not shown.
const SHOWN: std::ops::RangeInclusive<f64> = 0.3..=3.0;

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

/// By what finishes are projected.
#[derive(Clone, Debug, PartialEq)]
pub struct Forecast {
    /// Where they are heading.
    pub model: Arc<Model>,
    /// How wide the intervals are.
    pub width: Width,
}

impl Default for Forecast {
    fn default() -> Forecast {
        Forecast { model: Model::shipped(), width: Width::default() }
    }
}

impl Forecast {
    /// Where an athlete's finish is heading; none while there is nothing to go by, or when it is absurd.
    #[must_use]
    pub fn estimate(&self, course: &Course, live: &Live) -> Option<Estimate> {
        live.projected(course, &self.model, self.width)
    }
}

/// Slack of what is still to be rowed: the best guess, and how far it may be faster or slower.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Ahead {
    slack: f64,
    faster: f64,
    slower: f64,
}

/// What is spent, and what the plan gives the rest, seconds or metres.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Spent {
    cost: f64,
    rest: f64,
    reference: f64,
    /// Slack of the rest that ends exactly on the target; none when it is spent.
    need: Option<f64>,
}

impl Live {
    /// Where the finish is heading, by this model and with intervals of this width; none while there is
    /// nothing to go by, or when it is absurd.
    #[must_use]
    pub fn projected(&self, course: &Course, model: &Model, width: Width) -> Option<Estimate> {
        if let Some(finish) = self.finished() {
            let chance = course.target_amount().map(|target| match course.measure() {
                Measure::Distance(_) => f64::from(u8::from(finish <= target)),
                Measure::Time(_) => f64::from(u8::from(finish >= target)),
            });
            return Some(Estimate { finish, low: finish, high: finish, chance });
        }
        let x = self.newest(course).work / course.work();
        if x < PRIOR_UNTIL {
            let known = course.known();
            let reference = known.reference;
            let spent = Spent { cost: 0.0, rest: reference, reference, need: Some(0.0) };
            return estimate(course, spent, prior(known, model)?, width);
        }
        let asked = self.asked(course);
        if asked.cost <= 0.0 && course.known().basis == Basis::Nothing {
            return None;
        }
        let Answer { over_base, faster, slower } = model.answer(asked.x, &asked.inputs);
        let wider = if self.is_far_off(course) { FAR_OFF_WIDER } else { 1.0 };
        // Nobody whom the model was fitted to rows so: what was rowed is believed, and not the model.
        let doubt = match course.known().basis {
            Basis::Target | Basis::Past => (asked.median.abs() - UNUSUAL) / (UNHEARD_OF - UNUSUAL),
            Basis::Nothing => 0.0,
        };
        let ahead = Ahead {
            slack: asked.base + over_base * (1.0 - doubt.clamp(0.0, 1.0)),
            faster: wider * faster,
            slower: wider * slower,
        };
        let rest = asked.reference * (1.0 - asked.share).max(0.0);
        let Asked { cost, reference, need, .. } = asked;
        estimate(course, Spent { cost, rest, reference, need }, ahead, width)
    }
}

/// Of the whole piece, before it; none when nothing is known.
fn prior(known: &Known, model: &Model) -> Option<Ahead> {
    let before = model.before();
    let [has_past, ..] = known.fixed;
    let (slack, [faster, slower]) = match known.basis {
        Basis::Nothing => return None,
        Basis::Past | Basis::Target if has_past > 0.0 => {
            (before.past_holds * known.best, before.with_past)
        }
        Basis::Past | Basis::Target => (before.target_middle, before.with_target),
    };
    Some(Ahead { slack, faster, slower })
}

fn estimate(course: &Course, spent: Spent, ahead: Ahead, width: Width) -> Option<Estimate> {
    let measure = course.measure();
    let Spent { cost, rest, reference, need } = spent;
    let finish_at = |slack: f64| {
        cost + rest
            * match measure {
                Measure::Distance(_) => libm::exp(slack),
                Measure::Time(_) => libm::exp(-slack),
            }
    };
    let finish = finish_at(ahead.slack);
    let known = course.known();
    let absurd = known.basis != Basis::Nothing && !SHOWN.contains(&(finish / reference));
    if absurd || !finish.is_finite() {
        return None;
    }
    let wider = width.factor();
    let (faster, slower) = (wider * ahead.faster, wider * ahead.slower);
    let (one, other) = (finish_at(ahead.slack - faster), finish_at(ahead.slack + slower));
    let chance = course.target().map(|_| match (need, measure) {
        (None, Measure::Distance(_)) => 0.0,
        (None, Measure::Time(_)) => 1.0,
        (Some(need), _) => {
            let off = need - ahead.slack;
            normal(Z_90 * off / if off > 0.0 { slower } else { faster })
        }
    });
    Some(Estimate { finish, low: one.min(other), high: one.max(other), chance })
}

/// Logarithm of a cost against what was planned for it; plus is slower, also where the cost is metres.
pub(crate) fn slack(measure: Measure, cost: f64, planned: f64) -> f64 {
    if cost <= 0.0 || planned <= 0.0 {
        return match measure {
            Measure::Distance(_) => -SLACK_MAX,
            Measure::Time(_) => SLACK_MAX,
        };
    }
    let slack = match measure {
        Measure::Distance(_) => libm::log(cost / planned),
        Measure::Time(_) => libm::log(planned / cost),
    };
    slack.clamp(-SLACK_MAX, SLACK_MAX)
}

/// Share of a normal distribution below `z` standard deviations.
#[must_use]
pub fn normal(z: f64) -> f64 {
    (libm::erfc(-z / std::f64::consts::SQRT_2) / 2.0).clamp(0.0, 1.0)
}
