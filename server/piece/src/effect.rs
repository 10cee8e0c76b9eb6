//! What changed after a focus call: each athlete is compared with themselves, just before and just after, pooled over
//! all who got it, and set against those who did not. It is measured here and judged nowhere.

use thole_protocol::{
    effect::{CallEffect, RateShift, Shift},
    ids::CallId,
    units::{Millis, ppm},
};

use crate::{
    fine_at::FineAt,
    recording::{Point, count_before},
};

/// This much before a call is compared (our choice) …
pub const BEFORE: Millis = Millis(45_000);
/// … with what comes after the strokes in which one hears it and changes (our choice) …
pub const REACTION: Millis = Millis(5_000);
/// … while the call stands, and for at most this long (our choice); a recording keeps that much at hand.
pub const AFTER: Millis = Millis(60_000);
/// Everybody is slow for this long after a standing start (our choice), so it cannot serve as the time
/// before.
pub const SETTING_OFF: Millis = Millis(15_000);
/// This much of each is needed: five strokes at 25 a minute (our choice).
const LEAST_MS: f64 = 12_000.0;
/// Fewer than this who did not get the call make no comparison (our choice).
const OTHERS_MIN: usize = 3;
/// Spread of the speed of single strokes, as a share (our choice): all there is to go by for one athlete
/// alone.
const STROKE_SD: f64 = 0.04;
/// Strokes a minute where a machine reports none: usual steady work (common practice, no source).
const USUAL_RATE: f64 = 25.0;
/// The 90th percentile of the normal distribution: half an 80 % interval in standard errors.
const NORMAL: f64 = 1.281_551_6;

/// How an athlete rowed for a while.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pace {
    /// Decimetres per millisecond.
    speed: f64,
    /// Strokes a minute; `None` where the machine reports none.
    rate: Option<f64>,
    /// For how long.
    ms: f64,
}

impl Pace {
    /// Between these two instants of the session; `None` when too little was rowed, or the machine was reset in
    /// between.
    #[must_use]
    pub fn between(points: &[Point], from: FineAt, to: FineAt) -> Option<Pace> {
        let begin = count_before(points, |point| point.at() < from);
        let end = count_before(points, |point| point.at() <= to);
        let within = points.get(begin..end)?;
        let (first, last) = (within.first()?, within.last()?);
        let ms = last.heard.saturating_sub(first.heard) as f64;
        let is_reset = within.iter().skip(1).any(|point| point.joined);
        // Somebody who has laid the handle down says nothing about a call.
        if ms < LEAST_MS || last.dm <= first.dm || is_reset || !last.moving {
            return None;
        }
        let told = last.rates.told.saturating_sub(first.rates.told);
        let sum = last.rates.sum.saturating_sub(first.rates.sum);
        let rate = (told > 0).then(|| f64::from(sum) / f64::from(told) / 2.0);
        Some(Pace { speed: f64::from(last.dm - first.dm) / ms, rate, ms })
    }

    fn strokes(&self) -> f64 {
        (self.rate.unwrap_or(USUAL_RATE) / 60_000.0 * self.ms).max(1.0)
    }
}

/// The change of one athlete.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OwnChange {
    /// As a share of the speed before.
    speed: f64,
    /// Strokes a minute.
    rate: Option<f64>,
    /// Metres per stroke, as a share of those before.
    stroke: Option<f64>,
    /// Squared standard error of the speed, from the scatter of strokes.
    noise: f64,
}

impl OwnChange {
    /// From before a call to after it.
    #[must_use]
    pub fn of(before: Pace, after: Pace) -> OwnChange {
        let rates = before.rate.zip(after.rate);
        let stroke = rates.map(|(was, is)| (after.speed / is) / (before.speed / was) - 1.0);
        OwnChange {
            speed: after.speed / before.speed - 1.0,
            rate: rates.map(|(was, is)| is - was),
            stroke,
            noise: STROKE_SD * STROKE_SD * (before.strokes().recip() + after.strokes().recip()),
        }
    }
}

/// The effect of a call on these, against those who did not get it.
#[must_use]
pub fn effect(call: CallId, got: &[OwnChange], others: &[OwnChange]) -> CallEffect {
    let others = if others.len() < OTHERS_MIN { &[] } else { others };
    let all = |of: fn(&OwnChange) -> Option<f64>| {
        let [got, others] = [got, others].map(|all| all.iter().filter_map(of).collect::<Vec<_>>());
        pooled(&got, &others)
    };
    let speed = if let [own] = got {
        let speeds: Vec<f64> = others.iter().map(|other| other.speed).collect();
        let drifts = if speeds.is_empty() { 0.0 } else { variance(&speeds) / speeds.len() as f64 };
        let half = NORMAL * libm::sqrt(own.noise + drifts);
        Some((own.speed - mean(&speeds), half))
    } else {
        all(|own| Some(own.speed))
    };
    CallEffect {
        call,
        of: count(got.len()),
        faster: count(got.iter().filter(|own| own.speed > 0.0).count()),
        against: count(others.len()),
        speed: speed.map(shift),
        rate: all(|own| own.rate).map(rate_shift),
        stroke: all(|own| own.stroke).map(shift),
    }
}

/// The mean of these less the mean of the others, and half its 80 % interval (Welch 1947, Biometrika 34:28); `None`
/// for fewer than two.
fn pooled(numbers: &[f64], others: &[f64]) -> Option<(f64, f64)> {
    if numbers.len() < 2 {
        return None;
    }
    let (mut sum, mut per_freedom) = (0.0, 0.0);
    for part in [numbers, others].into_iter().filter(|part| part.len() >= 2) {
        let square = variance(part) / part.len() as f64;
        sum += square;
        per_freedom += square * square / (part.len() - 1) as f64;
    }
    let freedom = if sum > 0.0 { sum * sum / per_freedom } else { (numbers.len() - 1) as f64 };
    let drift = if others.len() >= 2 { mean(others) } else { 0.0 };
    Some((mean(numbers) - drift, quantile(freedom) * libm::sqrt(sum)))
}

/// The 90th percentile of Student's t, by the expansion of Abramowitz and Stegun 26.7.5, which is right to within 1 %
/// from three degrees of freedom up; below that, from the table.
fn quantile(freedom: f64) -> f64 {
    if freedom < 1.5 {
        return 3.078;
    }
    if freedom < 2.5 {
        return 1.886;
    }
    let x = NORMAL;
    let (x3, x5, x7) = (x * x * x, x * x * x * x * x, x * x * x * x * x * x * x);
    let g1 = (x3 + x) / 4.0;
    let g2 = (5.0 * x5 + 16.0 * x3 + 3.0 * x) / 96.0;
    let g3 = (3.0 * x7 + 19.0 * x5 + 17.0 * x3 - 15.0 * x) / 384.0;
    x + g1 / freedom + g2 / (freedom * freedom) + g3 / (freedom * freedom * freedom)
}

/// 0 for none.
fn mean(numbers: &[f64]) -> f64 {
    if numbers.is_empty() { 0.0 } else { numbers.iter().sum::<f64>() / numbers.len() as f64 }
}

/// 0 for fewer than two.
fn variance(numbers: &[f64]) -> f64 {
    if numbers.len() < 2 {
        return 0.0;
    }
    let middle = mean(numbers);
    let squares: f64 = numbers.iter().map(|number| (number - middle) * (number - middle)).sum();
    squares / (numbers.len() - 1) as f64
}

fn shift((best, half): (f64, f64)) -> Shift {
    Shift { best_ppm: ppm(best).0, half_ppm: ppm(half).0.unsigned_abs() }
}

fn rate_shift((best, half): (f64, f64)) -> RateShift {
    // `ppm` rounds once and keeps within 32 bits.
    let milli = |spm: f64| ppm(spm / 1e3).0;
    RateShift { best_milli_spm: milli(best), half_milli_spm: milli(half).unsigned_abs() }
}

fn count(all: usize) -> u16 {
    u16::try_from(all).unwrap_or(u16::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Student's t, one-sided 90 % (Abramowitz and Stegun, table 26.10).
    #[test]
    fn half_an_interval_is_the_ninetieth_percentile_of_students_t() {
        for (freedom, t) in
            [(1.0, 3.078), (2.0, 1.886), (3.0, 1.638), (4.0, 1.533), (10.0, 1.372), (30.0, 1.310)]
        {
            assert!((quantile(freedom) / t - 1.0_f64).abs() < 0.01, "{freedom}");
        }
    }

    /// Welch's interval for two samples computed by hand: means 3 and 1, variances 2.5 and 1, five and four of them.
    #[test]
    fn two_groups_are_held_against_each_other_as_welch_does() {
        let (best, half) = pooled(&[1.0, 2.0, 3.0, 4.0, 5.0], &[0.0, 0.0, 2.0, 2.0]).unwrap();
        assert!((best - 2.0).abs() < 1e-12);
        // Squared errors 2.5/5 and (4/3)/4; 6.9 degrees of freedom, t = 1.417 (interpolated in table 26.10).
        assert!((half - 1.417 * libm::sqrt(0.5 + 1.0 / 3.0)).abs() < 0.01, "{half}");
        assert_eq!(pooled(&[1.0], &[]), None);
    }
}
