//! What the projection knows of an athlete before the first stroke.

use thole_protocol::{refusal::Refusal, spec::Aim, units::Decimetres};

use super::slack;
use crate::{
    limits::{HISTORY_MAX, Measure, out_of_range, target_cost},
    plan::{BINS, WATTS_AT_ONE_M_S},
};

/// Inputs of the model that do not change while the piece is rowed.
pub const FIXED: usize = 14;
/// A plan's first half and last quarter count as inputs within these bounds, in slack: the plans of past pieces go no
/// further.
const FIRST_HALF: (f64, f64) = (-0.004, 0.008);
const LAST_QUARTER: (f64, f64) = (-0.0115, 0.0);
/// Watts that power is measured against: a middling athlete of the rehearsal data.
const MIDDLING_WATTS: f64 = 170.0;
/// Seconds that the length of a piece is measured against.
const MIDDLING_SECONDS: f64 = 500.0;
/// The best past result counts only this far as an input, in slack …
const BEST_MAX: f64 = 0.08;
/// … and the others this far, relative to it.
const OTHERS_MAX: f64 = 0.12;

/// What slack is measured against, and what past results say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// Where the reference comes from.
    pub basis: Basis,
    /// Seconds or metres that slack is measured against.
    pub reference: f64,
    /// Slack of the best past result; 0 without one.
    pub best: f64,
    /// Inputs of the model that stay as they are.
    pub fixed: [f32; FIXED],
}

/// Past results of an athlete in the same piece, in seconds or metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Past {
    /// The best of them.
    pub best: f64,
    /// The newest.
    pub newest: f64,
    /// The geometric mean: the mean of the logarithms, as slack is.
    pub mean: f64,
    /// How many there are.
    pub results: usize,
}

impl Past {
    /// What an athlete's past results say.
    ///
    /// # Errors
    /// There are too many, or one does not fit the piece; says which, and what to do.
    pub(crate) fn of(measure: Measure, aim: &Aim) -> Result<Option<Past>, Refusal> {
        if aim.history.len() > HISTORY_MAX {
            return Err(out_of_range(format!(
                "At most {HISTORY_MAX} past results can be used: leave out the oldest."
            )));
        }
        let mut results = Vec::with_capacity(aim.history.len());
        for past in &aim.history {
            match target_cost(measure, &past.result) {
                Ok(cost) => results.push((past.days_ago, cost.amount())),
                Err(refusal) => {
                    let says = format!("A past result does not fit this piece: {}", refusal.says);
                    return Err(Refusal { why: refusal.why, says });
                }
            }
        }
        let Some(&(_, newest)) = results.iter().min_by_key(|(days_ago, _)| *days_ago) else {
            return Ok(None);
        };
        let amounts = results.iter().map(|(_, amount)| *amount);
        let best = match measure {
            Measure::Distance(_) => amounts.clone().fold(f64::INFINITY, f64::min),
            Measure::Time(_) => amounts.clone().fold(0.0, f64::max),
        };
        let mean = libm::exp(amounts.map(libm::log).sum::<f64>() / results.len() as f64);
        Ok(Some(Past { best, newest, mean, results: results.len() }))
    }
}

/// What slack is measured from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// Their own target.
    Target,
    /// No target: the best past result stands for it.
    Past,
    /// Neither: their own pace so far stands for it, and says nothing about the reference.
    Nothing,
}

/// Which of the target and the past results are believed: what is far from the way somebody rows says nothing about
/// them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Believed {
    /// Everything there is.
    All,
    /// Only the target.
    Target,
    /// Only past results.
    Past,
    /// Only their own pace.
    Nothing,
}

/// Everything about a course that is needed to work out `Known`.
#[derive(Clone, Copy)]
pub(crate) struct Ground<'a> {
    pub(crate) measure: Measure,
    pub(crate) repeats: u16,
    /// Metres or seconds.
    pub(crate) work: f64,
    /// Seconds or metres.
    pub(crate) target: Option<f64>,
    pub(crate) past: Option<Past>,
    pub(crate) at_bins: &'a [f64; BINS + 1],
}

impl Known {
    pub(crate) fn of(ground: Ground<'_>) -> Known {
        let Ground { measure, repeats, work, target, past, at_bins } = ground;
        let (basis, reference) = match (target, past) {
            (Some(target), _) => (Basis::Target, target),
            (None, Some(past)) => (Basis::Past, past.best),
            (None, None) => (Basis::Nothing, at_any_speed(measure, work)),
        };
        let of_past = |amount: f64| slack(measure, amount, reference);
        let (best, mean, newest) = past.map_or((0.0, 0.0, 0.0), |past| {
            (of_past(past.best), of_past(past.mean), of_past(past.newest))
        });
        let (slow_first, slow_last) = uneven(measure, at_bins);
        let class = Class::of(measure, repeats, work, reference);
        let (watts, seconds) = size(measure, work, reference);
        let flag = |is: bool| f64::from(u8::from(is));
        let fixed = [
            flag(past.is_some()),
            best.clamp(-BEST_MAX, BEST_MAX),
            (mean - best).clamp(-OTHERS_MAX, OTHERS_MAX),
            (newest - best).clamp(-OTHERS_MAX, OTHERS_MAX),
            flag(past.is_some_and(|past| past.results > 1)),
            slow_first,
            slow_last,
            flag(class == Class::Short),
            flag(class == Class::Long),
            flag(class == Class::Repeats),
            flag(matches!(measure, Measure::Time(_))),
            watts,
            seconds,
            flag(basis == Basis::Nothing),
        ];
        #[expect(clippy::cast_possible_truncation, reason = "the model reckons in 32 bits")]
        let fixed = fixed.map(|input| input as f32);
        Known { basis, reference, best, fixed }
    }

    /// Without a target and past results, what their own pace so far says about the size of the piece: how
    /// strong the athlete is (against a middling one) and how long the piece takes, as the model wants them.
    #[must_use]
    pub(crate) fn size_at(measure: Measure, work: f64, reference: f64) -> (f64, f64) {
        size(measure, work, reference)
    }
}

/// What describes a plan: how much slower than the whole its first half and its last quarter are, in slack.
fn uneven(measure: Measure, at_bins: &[f64; BINS + 1]) -> (f64, f64) {
    let at = |bin: usize| at_bins.get(bin).copied().unwrap_or(0.0);
    let (half, three_quarters) = (at(BINS / 2), at(BINS * 3 / 4));
    let clip = |slack: f64, (least, most): (f64, f64)| slack.clamp(least, most);
    (
        clip(slack(measure, half, 0.5), FIRST_HALF),
        clip(slack(measure, 1.0 - three_quarters, 0.25), LAST_QUARTER),
    )
}

/// Power at the reference, and length of the piece, as logarithms.
fn size(measure: Measure, work: f64, reference: f64) -> (f64, f64) {
    let (metres, seconds) = match measure {
        Measure::Distance(_) => (work, reference),
        Measure::Time(_) => (reference, work),
    };
    let speed = metres / seconds.max(0.1);
    let watts = WATTS_AT_ONE_M_S * speed * speed * speed;
    (libm::log(watts.max(0.1) / MIDDLING_WATTS), libm::log(seconds.max(0.1) / MIDDLING_SECONDS))
}

/// What stands for a reference where nothing is known; it cancels out of every projection.
fn at_any_speed(measure: Measure, work: f64) -> f64 {
    /// m/s.
    const ANY_SPEED: f64 = 4.0;
    match measure {
        Measure::Distance(_) => work / ANY_SPEED,
        Measure::Time(_) => work * ANY_SPEED,
    }
}

/// Kinds of pieces that are paced differently.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// One stretch of under five and a half minutes and at most a kilometre.
    Short,
    /// Up to about twelve minutes.
    Middle,
    /// Longer.
    Long,
    /// More than one repeat.
    Repeats,
}

impl Class {
    /// The class of a piece whose reference is this many seconds or metres.
    #[must_use]
    pub fn of(measure: Measure, repeats: u16, work: f64, reference: f64) -> Class {
        /// A kilometre.
        const SHORT_MOST: Decimetres = Decimetres(10_000);
        let (seconds, short) = match measure {
            Measure::Distance(whole) => (reference, whole <= SHORT_MOST),
            Measure::Time(_) => (work, true),
        };
        if repeats > 1 {
            Class::Repeats
        } else if seconds < 330.0 && short {
            Class::Short
        } else if seconds < 760.0 {
            Class::Middle
        } else {
            Class::Long
        }
    }
}
