//! The numbers of the projection, measured and not chosen.
//!
//! They were fitted on 6,017 simulated pieces in short form (40 splits each, a third of them with the
//! errors of whole metres; 300 groups, not in this repository): least absolute error of the slack of
//! the remainder, without a constant, so that no slack so far means none ahead. At 0.15 large weights
//! were penalised for who has no past results: they would magnify rounded metres.
//!
//! The widths are the 80 % points of the error in the half of the groups that each fit left out; at
//! 0.15, where there are no past results, those of the penalised weights on all groups. They were then
//! checked on the 298 row-by-row pieces of other groups: see `server/tests/replay.rs`. All kinds of
//! pieces together keep the promise of 80 %; a single kind need not (of the eleven by 20 minutes,
//! about half lie within at half-way).

use super::{Basis, Class};

/// Shares of the piece at which the weights and widths were measured; straight lines between.
const KNOTS: [f64; 10] = [0.05, 0.10, 0.15, 0.25, 0.35, 0.50, 0.65, 0.75, 0.85, 0.95];

/// Weights of: slack so far, median slack, slack of the last tenth, slack of the best past result.
pub(super) const WITH_PAST: [[f64; 4]; 10] = [
    [0.0, 0.20, -0.23, 0.84],
    [0.0, 0.02, -0.05, 0.87],
    [0.0, -0.34, 0.35, 0.86],
    [0.0, -0.33, 0.39, 0.85],
    [0.0, -0.27, 0.33, 0.89],
    [0.0, -0.38, 0.56, 0.83],
    [0.0, -0.39, 0.59, 0.85],
    [0.0, -0.36, 0.67, 0.78],
    [0.0, -0.40, 0.82, 0.72],
    [0.0, -0.49, 1.05, 0.52],
];

/// The same where there are no past results.
pub(super) const WITH_TARGET: [[f64; 4]; 10] = [
    [0.0, 0.0, 0.0, 0.0],
    [0.0, 0.17, 0.0, 0.0],
    [0.12, -0.17, 0.33, 0.0],
    [0.30, -0.55, 0.87, 0.0],
    [0.30, -0.31, 0.67, 0.0],
    [0.53, -0.39, 0.84, 0.0],
    [0.53, -0.34, 0.82, 0.0],
    [0.31, -0.15, 0.87, 0.0],
    [0.29, -0.30, 1.04, 0.0],
    [0.80, -0.72, 1.01, 0.0],
];

/// Without anything to go by but the rows: weights of the median and of the last tenth, both against
/// the slack so far.
pub(super) const BY_PACE: [[f64; 2]; 10] = [
    [0.0, 0.0],
    [0.0, 0.0],
    [-0.16, 0.50],
    [-0.67, 1.01],
    [-0.40, 0.75],
    [-0.42, 0.83],
    [-0.38, 0.82],
    [-0.23, 0.86],
    [-0.31, 1.00],
    [-0.73, 1.06],
];

/// Half-widths of the 80 % interval, as slack of the remainder.
pub(super) fn widths(basis: Basis, class: Class) -> &'static [f64; 10] {
    match (basis, class) {
        (Basis::Past, Class::Short) => {
            &[0.018, 0.018, 0.020, 0.020, 0.022, 0.028, 0.035, 0.038, 0.038, 0.027]
        }
        (Basis::Past, Class::Middle) => {
            &[0.017, 0.018, 0.018, 0.019, 0.020, 0.022, 0.025, 0.028, 0.034, 0.037]
        }
        (Basis::Past, Class::Long) => {
            &[0.016, 0.017, 0.017, 0.017, 0.018, 0.017, 0.018, 0.018, 0.021, 0.026]
        }
        (Basis::Past, Class::Repeats) => {
            &[0.016, 0.018, 0.017, 0.017, 0.020, 0.020, 0.022, 0.022, 0.032, 0.038]
        }
        (Basis::Target, Class::Short) => {
            &[0.036, 0.035, 0.038, 0.040, 0.042, 0.046, 0.047, 0.050, 0.036, 0.025]
        }
        (Basis::Target, Class::Middle) => {
            &[0.035, 0.036, 0.037, 0.032, 0.033, 0.031, 0.032, 0.031, 0.037, 0.041]
        }
        (Basis::Target, Class::Long) => {
            &[0.033, 0.033, 0.032, 0.024, 0.024, 0.018, 0.016, 0.018, 0.018, 0.027]
        }
        (Basis::Target, Class::Repeats) => {
            &[0.034, 0.034, 0.033, 0.022, 0.029, 0.022, 0.027, 0.025, 0.038, 0.037]
        }
        (Basis::Nothing, Class::Short) => {
            &[0.247, 0.110, 0.053, 0.046, 0.047, 0.047, 0.049, 0.048, 0.039, 0.028]
        }
        (Basis::Nothing, Class::Middle) => {
            &[0.080, 0.049, 0.040, 0.034, 0.033, 0.031, 0.031, 0.033, 0.037, 0.041]
        }
        (Basis::Nothing, Class::Long) => {
            &[0.042, 0.034, 0.031, 0.023, 0.022, 0.019, 0.018, 0.019, 0.020, 0.028]
        }
        (Basis::Nothing, Class::Repeats) => {
            &[0.046, 0.038, 0.042, 0.025, 0.031, 0.023, 0.027, 0.025, 0.039, 0.037]
        }
    }
}

/// A place between two knots; before the first and behind the last, the knot itself.
#[derive(Clone, Copy)]
pub(super) struct Knot {
    before: usize,
    after: usize,
    share: f64,
}

impl Knot {
    pub(super) fn at(x: f64) -> Knot {
        let after = KNOTS.partition_point(|knot| *knot <= x).min(KNOTS.len() - 1);
        let before = after.saturating_sub(1);
        let (from, to) = (knot(before), knot(after));
        let share = if to > from { ((x - from) / (to - from)).clamp(0.0, 1.0) } else { 0.0 };
        Knot { before, after, share }
    }

    pub(super) fn mix<const N: usize>(self, table: &[[f64; N]; 10]) -> [f64; N] {
        let row = |at: usize| table.get(at).copied().unwrap_or([0.0; N]);
        let (mut mixed, after) = (row(self.before), row(self.after));
        for (value, to) in mixed.iter_mut().zip(after) {
            *value += self.share * (to - *value);
        }
        mixed
    }

    pub(super) fn mix_one(self, row: &[f64; 10]) -> f64 {
        let at = |number: usize| row.get(number).copied().unwrap_or(0.0);
        at(self.before) + self.share * (at(self.after) - at(self.before))
    }
}

fn knot(number: usize) -> f64 {
    KNOTS.get(number).copied().unwrap_or(1.0)
}
