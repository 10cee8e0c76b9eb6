//! Where a finish is heading, how sure that is, and what is enough from here on.
//!
//! Everything is measured against the plan. For a stretch, the *slack* is the logarithm of what it cost
//! against what the plan gives it, so that plus is slower than planned and zero is exactly as planned, in
//! pieces by distance and by time alike. What is left of the piece has a slack too; a model fitted to past
//! pieces (`Model`) guesses it from what was rowed so far (`Live`).

mod known;
mod live;
mod model;
mod width;

use std::sync::Arc;

use crate::{
    limits::{Measure, SPEED_MAX},
    plan::Course,
};

pub use known::{Basis, Class, FIXED, Known, Past};
pub(crate) use known::{Believed, Ground};
pub use live::{Asked, Done, INPUTS, Live};
pub use model::{
    ANSWERS, Answer, BeforeFile, FIRST, FORMAT, KNOTS, LayerFile, Model, ModelFile, SCALE, SECOND,
    bent, widened,
};
pub use width::{Count, MARKS, Marks, Width};

/// Until this share of the piece only what was known beforehand counts, since the first strokes mislead …
pub const PRIOR_UNTIL: f64 = 0.04;
/// … and from this one on only the model.
const MODEL_FROM: f64 = 0.1;
/// The target of somebody who rows this far off it (slack) means nothing.
pub const FAR_OFF: f64 = 0.08;
/// What stands for the slack of a stretch without a single metre: a factor of three.
const NOTHING_MOVED: f64 = 1.1;
/// The slack of a stretch is kept within this: a factor of 400, which no mistyped target reaches.
const SLACK_MAX: f64 = 6.0;
/// The 90 % point of the normal distribution: half-width of the 80 % interval in standard deviations.
pub const Z_90: f64 = 1.281_551_565_544_6;

/// Where the finish of one athlete is heading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Best guess, seconds or metres.
    pub finish: f64,
    /// Lower end of the 80 % interval.
    pub low: f64,
    /// Upper end of the 80 % interval.
    pub high: f64,
    /// Chance of making their own target; `None` without one.
    pub chance: Option<f64>,
}

/// What projects finishes.
#[derive(Clone, Debug, PartialEq)]
pub struct Forecast {
    /// Says where they are heading.
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
    /// Where an athlete's finish is heading; `None` while there is nothing to go by, or when it is absurd.
    #[must_use]
    pub fn estimate(&self, course: &Course, live: &Live) -> Option<Estimate> {
        live.projected(course, &self.model, self.width)
    }
}

/// Slack of what is still to be rowed: the best guess, and how much faster or slower it may turn out.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Ahead {
    slack: f64,
    faster: f64,
    slower: f64,
}

impl Ahead {
    /// This one, with another weighed in.
    fn and(self, weight: f64, other: Ahead) -> Ahead {
        Ahead {
            slack: self.slack + weight * other.slack,
            faster: self.faster + weight * other.faster,
            slower: self.slower + weight * other.slower,
        }
    }
}

/// What has been spent, and what the plan gives the rest at the reference, seconds or metres.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Spent {
    measure: Measure,
    cost: f64,
    rest: f64,
}

impl Spent {
    /// The finish if the rest has this slack.
    fn finish(self, slack: f64) -> f64 {
        let slack = match self.measure {
            Measure::Distance(_) => slack,
            Measure::Time(_) => -slack,
        };
        self.cost + self.rest * libm::exp(slack)
    }

    /// Slack of the rest that leads to this finish; `None` when it is already spent.
    fn slack(self, finish: f64) -> Option<f64> {
        let left = finish - self.cost;
        (left > 0.0 && self.rest > 0.0).then(|| match self.measure {
            Measure::Distance(_) => libm::log(left / self.rest),
            Measure::Time(_) => libm::log(self.rest / left),
        })
    }
}

impl Live {
    /// Where the finish is heading, by this model and with intervals of this width; `None` while there is
    /// nothing to go by, or when it is absurd.
    #[must_use]
    pub fn projected(&self, course: &Course, model: &Model, width: Width) -> Option<Estimate> {
        let measure = course.measure();
        if let Some(finish) = self.finished(course) {
            let chance = course.target_amount().map(|target| match measure {
                Measure::Distance(_) => f64::from(u8::from(finish <= target)),
                Measure::Time(_) => f64::from(u8::from(finish >= target)),
            });
            return Some(Estimate { finish, low: finish, high: finish, chance });
        }
        let now = self.newest(course);
        let x = (now.work / course.work()).clamp(0.0, 1.0);
        let rest = course.known().reference * (1.0 - course.share(x)).max(0.0);
        let spent = Spent { measure, cost: now.cost, rest };
        let mut ahead = Ahead::default();
        for (believed, weight) in self.believed(course) {
            if weight > 0.0 {
                let known = course.known_by(believed);
                ahead = ahead.and(weight, self.ahead(course, &known, x, spent, model)?);
            }
        }
        estimate(course, spent, ahead, width, self.late(course))
    }

    /// For the rest, by what is believed: what was known beforehand gives way to the model.
    fn ahead(
        &self,
        course: &Course,
        known: &Known,
        x: f64,
        spent: Spent,
        model: &Model,
    ) -> Option<Ahead> {
        if known.basis == Basis::Nothing && spent.cost <= 0.0 {
            return None;
        }
        let has_prior = x < MODEL_FROM;
        let prior = has_prior.then(|| prior(course, known, spent, model)).flatten();
        let weight = match prior {
            Some(_) => ((x - PRIOR_UNTIL) / (MODEL_FROM - PRIOR_UNTIL)).clamp(0.0, 1.0),
            None if x <= PRIOR_UNTIL && course.known().basis == Basis::Nothing => return None,
            None => 1.0,
        };
        if weight <= 0.0 {
            return prior;
        }
        let asked = self.asked_by(course, known);
        let Answer { over_base, faster, slower } = model.answer(asked.x, &asked.inputs);
        let by_model = Ahead {
            slack: asked.base + asked.weight * over_base + asked.shift,
            faster: asked.wider * asked.stopped * faster,
            slower: asked.wider * asked.stopped * slower,
        };
        let before = prior.unwrap_or_default();
        Some(Ahead::default().and(1.0 - weight, before).and(weight, by_model))
    }
}

/// For the rest, by what was known before the piece; `None` when nothing was, or when all of it is spent.
fn prior(course: &Course, known: &Known, spent: Spent, model: &Model) -> Option<Ahead> {
    let before = model.before();
    let [has_past, ..] = known.fixed;
    let (slack, [faster, slower]) = match known.basis {
        Basis::Nothing => return None,
        Basis::Past | Basis::Target if has_past > 0.0 => {
            (before.past_holds * known.best, before.with_past)
        }
        Basis::Past | Basis::Target => (before.target_middle, before.with_target),
    };
    let whole = Spent { measure: course.measure(), cost: 0.0, rest: known.reference };
    let at = |slack: f64| spent.slack(whole.finish(slack));
    let (middle, fast, slow) = (at(slack)?, at(slack - faster)?, at(slack + slower)?);
    Some(Ahead { slack: middle, faster: middle - fast, slower: slow - middle })
}

/// `late` is what the clock had run before the first stroke.
fn estimate(
    course: &Course,
    spent: Spent,
    ahead: Ahead,
    width: Width,
    late: f64,
) -> Option<Estimate> {
    let measure = course.measure();
    let finish = spent.finish(ahead.slack);
    let (metres, seconds) = match measure {
        Measure::Distance(_) => (course.work(), finish),
        Measure::Time(_) => (finish, course.work()),
    };
    // Faster than any machine is believed, or not a finite number.
    if !finish.is_finite() || metres > seconds * SPEED_MAX {
        return None;
    }
    let wider = width.factor();
    let (faster, slower) = (wider * ahead.faster, wider * ahead.slower);
    let (one, other) = (spent.finish(ahead.slack - faster), spent.finish(ahead.slack + slower));
    let chance = course.target_amount().map(|target| match (spent.slack(target - late), measure) {
        (None, Measure::Distance(_)) => 0.0,
        (None, Measure::Time(_)) => 1.0,
        (Some(need), _) => {
            let off = need - ahead.slack;
            normal(Z_90 * off / if off > 0.0 { slower } else { faster })
        }
    });
    let (finish, low, high) = (finish + late, one.min(other) + late, one.max(other) + late);
    Some(Estimate { finish, low, high, chance })
}

/// Logarithm of a cost against what was planned for it; plus is slower, also where the cost is in metres.
pub(crate) fn slack(measure: Measure, cost: f64, planned: f64) -> f64 {
    if cost <= 0.0 || planned <= 0.0 {
        return match measure {
            Measure::Distance(_) => -NOTHING_MOVED,
            Measure::Time(_) => NOTHING_MOVED,
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
