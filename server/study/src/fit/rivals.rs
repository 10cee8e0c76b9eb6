//! Plain ways to project a finish, which the model has to beat.

use thole_piece::{limits::Measure, plan::BINS};

use super::past::{Past, passed};

/// A plain way to project a finish.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rival {
    /// The pace so far goes on.
    AveragePace,
    /// The pace of the last 25 s goes on.
    LastStrokes,
    /// Pace with weights that fall with age, to a third in 30 s.
    FadingWeights,
    /// The last quarter of what is done against the plan, leaving out the first twentieth.
    PlanRatio,
}

/// Shares of the piece at which ways to project are compared.
pub const SHARES: [f64; 5] = [0.1, 0.25, 0.5, 0.75, 0.9];

impl Rival {
    /// All of them.
    pub const ALL: [Rival; 4] =
        [Rival::AveragePace, Rival::LastStrokes, Rival::FadingWeights, Rival::PlanRatio];

    /// The finish that it projects at a share of the work, seconds or metres.
    #[must_use]
    pub fn finish(self, past: &Past, x: f64) -> f64 {
        let (work, cost) = (x * past.course.work(), past.cost(x));
        let left = past.course.work() - work;
        let per_work = match self {
            Rival::AveragePace => cost / work,
            Rival::LastStrokes => last(past, x, 25.0),
            Rival::FadingWeights => fading(past, x, 30.0),
            Rival::PlanRatio => return by_plan(past, x),
        };
        cost + left * per_work
    }

    /// One line of the table: mean error in % of the result at each share.
    pub(super) fn line(self, judged: &[Past]) -> String {
        let name = match self {
            Rival::AveragePace => "average pace so far",
            Rival::LastStrokes => "pace of the last 25 s",
            Rival::FadingWeights => "exponentially weighted pace, 30 s",
            Rival::PlanRatio => "ratio to the plan, last quarter",
        };
        let mut text = format!("  {name:<46}");
        for x in SHARES {
            let error = |past: &Past| (self.finish(past, x) - past.result()).abs() / past.result();
            let sum: f64 = judged.iter().map(error).sum();
            text += &format!("{:>9.3}", sum / judged.len() as f64 * 100.0);
        }
        text + "\n"
    }
}

/// The share of the work that had been done this many seconds before another share.
fn back(past: &Past, x: f64, seconds: f64) -> f64 {
    match past.course.measure() {
        Measure::Time(_) => (x - seconds / past.course.work()).max(0.0),
        Measure::Distance(_) => {
            let wanted = past.cost(x) - seconds;
            if wanted <= 0.0 {
                return 0.0;
            }
            let (mut low, mut high) = (0.0, x);
            for _ in 0..40 {
                let middle = (low + high) / 2.0;
                if past.cost(middle) < wanted { low = middle } else { high = middle }
            }
            low
        }
    }
}

fn last(past: &Past, x: f64, seconds: f64) -> f64 {
    let from = back(past, x, seconds);
    (past.cost(x) - past.cost(from)) / ((x - from) * past.course.work())
}

/// Cost per unit of work, from speeds with weights exp(-age / seconds) in steps of a fortieth.
fn fading(past: &Past, x: f64, seconds: f64) -> f64 {
    let clock = |x: f64| match past.course.measure() {
        Measure::Distance(_) => past.cost(x),
        Measure::Time(_) => x * past.course.work(),
    };
    let metres = |x: f64| match past.course.measure() {
        Measure::Distance(_) => x * past.course.work(),
        Measure::Time(_) => past.cost(x),
    };
    let mut ends: Vec<f64> = (0..=passed(x)).map(|bin| bin as f64 / BINS as f64).collect();
    if ends.last().is_none_or(|last| *last < x) {
        ends.push(x);
    }
    let (mut sum, mut weights) = (0.0, 0.0);
    for pair in ends.windows(2) {
        let &[from, to] = pair else { continue };
        let took = clock(to) - clock(from);
        if took <= 0.0 {
            continue;
        }
        let age = |at: f64| libm::exp((clock(at) - clock(x)) / seconds);
        let weight = seconds * (age(to) - age(from));
        sum += weight * (metres(to) - metres(from)) / took;
        weights += weight;
    }
    let speed = (sum / weights).max(0.1);
    match past.course.measure() {
        Measure::Distance(_) => 1.0 / speed,
        Measure::Time(_) => speed,
    }
}

fn by_plan(past: &Past, x: f64) -> f64 {
    let from = (x * 0.75).max(0.05).min(x * 0.99);
    let share = |x: f64| past.course.share(x);
    let ratio = (past.cost(x) - past.cost(from)) / (share(x) - share(from));
    past.cost(x) + ratio * (1.0 - share(x))
}
