//! How good projections are: error, whether the interval holds, whether the chance means what it says,
//! whether the order is right, and whether they neither drift nor overshoot.

use std::collections::BTreeMap;

use thole_piece::{
    limits::Measure,
    projection::{Estimate, Model, Width},
};

use super::{past::Past, rivals::SHARES};

/// The figures of one model at one share of the piece.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AtShare {
    /// Mean absolute error, % of the result.
    pub error: f64,
    /// Mean error, %; plus = projected slower than the result.
    pub bias: f64,
    /// How often the 80 % interval holds, %.
    pub holds: f64,
    /// Kendall's tau-b of the margins in a group against the final ones (Kendall 1945, Biometrika
    /// 33:239-251), mean over the groups.
    pub tau: f64,
    /// Brier score of the chance (Brier 1950, Monthly Weather Review 78:1-3).
    pub brier: f64,
    /// Mean distance of the chance from how often it came true, in ten equal steps of the chance.
    pub calibration: f64,
}

/// All figures of one model.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Figures {
    /// At each of `SHARES`.
    pub at: [AtShare; SHARES.len()],
    /// Error (%) and how often the interval holds (%) half-way through, by the name of the piece.
    pub by_piece: BTreeMap<String, (f64, f64)>,
    /// Mean absolute change from one twentieth to the next, % of the result.
    pub change: f64,
    /// Correlation of one change with the next: an honest forecast has none (Nordhaus 1987, Review of
    /// Economics and Statistics 69:667-674).
    pub change_correlation: f64,
}

/// One athlete at one share.
struct Case<'a> {
    past: &'a Past,
    seen: Estimate,
    /// Plus = projected slower than the result, as a share of the result.
    off: f64,
    made: Option<bool>,
}

/// All figures of a model on these pieces.
#[must_use]
pub fn figures(judged: &[Past], model: &Model) -> Figures {
    let mut all = Figures::default();
    for (x, figures) in SHARES.iter().zip(&mut all.at) {
        let cases: Vec<Case<'_>> = judged.iter().filter_map(|past| case(past, *x, model)).collect();
        *figures = at_share(&cases);
        if *x == 0.5 {
            let mut pieces: BTreeMap<String, Vec<&Case<'_>>> = BTreeMap::new();
            for case in &cases {
                pieces.entry(case.past.piece.clone()).or_default().push(case);
            }
            let told = |cases: Vec<&Case<'_>>| {
                (mean(cases.iter().map(|case| case.off.abs())) * 100.0, holds(&cases))
            };
            all.by_piece = pieces.into_iter().map(|(name, cases)| (name, told(cases))).collect();
        }
    }
    (all.change, all.change_correlation) = changes(judged, model);
    all
}

fn case<'a>(past: &'a Past, x: f64, model: &Model) -> Option<Case<'a>> {
    let seen = past.live(x).projected(&past.course, model, Width::default())?;
    let slower = slower(past);
    let off = slower * (seen.finish - past.result()) / past.result();
    let target = past.course.target_amount();
    let made = target.map(|target| slower * (past.result() - target) <= 0.0);
    Some(Case { past, seen, off, made })
}

/// +1 where a higher number is slower.
fn slower(past: &Past) -> f64 {
    match past.course.measure() {
        Measure::Distance(_) => 1.0,
        Measure::Time(_) => -1.0,
    }
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    if count > 0.0 { sum / count } else { 0.0 }
}

fn holds(cases: &[&Case<'_>]) -> f64 {
    let held = |case: &&Case<'_>| (case.seen.low..=case.seen.high).contains(&case.past.result());
    mean(cases.iter().map(|case| f64::from(u8::from(held(case))))) * 100.0
}

fn at_share(cases: &[Case<'_>]) -> AtShare {
    let all: Vec<&Case<'_>> = cases.iter().collect();
    let chances: Vec<(f64, f64)> = cases
        .iter()
        .filter_map(|case| Some((case.seen.chance?, f64::from(u8::from(case.made?)))))
        .collect();
    AtShare {
        error: mean(cases.iter().map(|case| case.off.abs())) * 100.0,
        bias: mean(cases.iter().map(|case| case.off)) * 100.0,
        holds: holds(&all),
        tau: tau(cases),
        brier: mean(chances.iter().map(|(chance, made)| (chance - made) * (chance - made))),
        calibration: calibration(&chances),
    }
}

/// Mean distance of the chance from how often it came true.
fn calibration(chances: &[(f64, f64)]) -> f64 {
    const STEPS: u8 = 10;
    let mut sum = 0.0;
    for step in 0..STEPS {
        let (low, high) = (f64::from(step) / 10.0, f64::from(step + 1) / 10.0);
        let within =
            |(chance, _): &&(f64, f64)| *chance >= low && (*chance < high || step + 1 == STEPS);
        let here: Vec<&(f64, f64)> = chances.iter().filter(within).collect();
        let off = mean(here.iter().map(|(chance, made)| chance - made));
        sum += off.abs() * here.len() as f64;
    }
    sum / chances.len().max(1) as f64
}

/// Mean over the groups that have at least two athletes.
fn tau(cases: &[Case<'_>]) -> f64 {
    let mut groups: BTreeMap<(&str, &str), Vec<(f64, f64)>> = BTreeMap::new();
    for case in cases {
        let Some(target) = case.past.course.target_amount() else { continue };
        let margin = |finish: f64| -slower(case.past) * (finish - target) / target;
        groups
            .entry((&case.past.group, &case.past.piece))
            .or_default()
            .push((margin(case.seen.finish), margin(case.past.result())));
    }
    mean(groups.values().filter_map(|pairs| tau_b(pairs)))
}

/// Kendall's tau-b; `None` where one side is all the same.
///
/// ```
/// use thole_study::fit::tau_b;
/// // Agresti's way of counting: 5 pairs agree, 1 disagrees, none is tied.
/// let tau = tau_b(&[(1.0, 1.0), (2.0, 3.0), (3.0, 2.0), (4.0, 4.0)]).unwrap();
/// assert!((tau - 4.0 / 6.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn tau_b(pairs: &[(f64, f64)]) -> Option<f64> {
    let (mut sum, mut one, mut other) = (0.0, 0.0, 0.0);
    for (at, first) in pairs.iter().enumerate() {
        for second in pairs.iter().skip(at + 1) {
            let sign = |from: f64, to: f64| {
                if to > from {
                    1.0
                } else if to < from {
                    -1.0
                } else {
                    0.0
                }
            };
            let (across, along) = (sign(first.0, second.0), sign(first.1, second.1));
            sum += across * along;
            one += across * across;
            other += along * along;
        }
    }
    (one > 0.0 && other > 0.0).then(|| sum / libm::sqrt(one * other))
}

/// Mean change from one twentieth of the piece to the next (%), and the correlation of one with the next.
fn changes(judged: &[Past], model: &Model) -> (f64, f64) {
    let (mut sizes, mut pairs) = (Vec::new(), Vec::new());
    for past in judged {
        let seen = (2..=19).map(|step| {
            let estimate = past.live(f64::from(step) / 20.0);
            let estimate = estimate.projected(&past.course, model, Width::default())?;
            Some(estimate.finish / past.result() * 100.0)
        });
        let Some(seen) = seen.collect::<Option<Vec<f64>>>() else { continue };
        let steps: Vec<f64> = seen.windows(2).map(change).collect();
        sizes.extend(steps.iter().map(|step| step.abs()));
        for pair in steps.windows(2) {
            if let &[first, second] = pair {
                pairs.push((first, second));
            }
        }
    }
    (mean(sizes.into_iter()), correlation(&pairs))
}

fn change(pair: &[f64]) -> f64 {
    match pair {
        &[from, to] => to - from,
        _ => 0.0,
    }
}

fn correlation(pairs: &[(f64, f64)]) -> f64 {
    let (first, second) = (mean(pairs.iter().map(|p| p.0)), mean(pairs.iter().map(|p| p.1)));
    let (mut both, mut one, mut other) = (0.0, 1e-12, 1e-12);
    for (a, b) in pairs {
        both += (a - first) * (b - second);
        one += (a - first) * (a - first);
        other += (b - second) * (b - second);
    }
    both / libm::sqrt(one * other)
}

impl Figures {
    /// In what way it is worse than another, by more than this factor; `None` when in none.
    #[must_use]
    pub fn worse_than(&self, other: &Figures, factor: f64) -> Option<String> {
        let mut worse = Vec::new();
        let error = |figures: &Figures| mean(figures.at.iter().map(|at| at.error));
        let brier = |figures: &Figures| mean(figures.at.iter().map(|at| at.brier));
        let off = |figures: &Figures| mean(figures.at.iter().map(|at| (at.holds - 80.0).abs()));
        if error(self) > error(other) * factor {
            worse.push(format!("mean error {:.3} % after {:.3} %", error(self), error(other)));
        }
        if brier(self) > brier(other) * factor + 0.001 {
            worse.push(format!("Brier score {:.4} after {:.4}", brier(self), brier(other)));
        }
        if off(self) > off(other).max(4.0) * factor {
            worse.push(format!("interval {:.1} points from 80 %", off(self)));
        }
        (!worse.is_empty()).then(|| worse.join(", "))
    }

    /// As a table beside the figures of an older model.
    #[must_use]
    pub fn beside(&self, old: &Figures, called: &str) -> String {
        let mut text = format!("{:<48}{:>9}", "", "10 %");
        for share in ["25 %", "50 %", "75 %", "90 %"] {
            text += &format!("{share:>9}");
        }
        text.push('\n');
        type Get = fn(&AtShare) -> f64;
        let rows: [(&str, usize, Get); 6] = [
            ("mean error, % of the result", 3, |at| at.error),
            ("bias, %", 3, |at| at.bias),
            ("the 80 % interval holds, %", 1, |at| at.holds),
            ("Kendall's tau-b in groups", 3, |at| at.tau),
            ("Brier score of the chance", 4, |at| at.brier),
            ("calibration error of the chance", 3, |at| at.calibration),
        ];
        for (name, digits, get) in rows {
            for (figures, whose) in [(self, "new"), (old, "old")] {
                text += &format!("  {:<46}", format!("{name} ({whose})"));
                for at in &figures.at {
                    text += &format!("{:>9.digits$}", get(at));
                }
                text.push('\n');
            }
        }
        text += &format!(
            "\nChange from one twentieth to the next: {:.3} % (old {:.3} %); correlation with the next \
             one {:.3} (old {:.3}).\nOld: {called}.\nAt half-way, by piece (error %, interval holds %):\n",
            self.change, old.change, self.change_correlation, old.change_correlation
        );
        for (piece, (error, holds)) in &self.by_piece {
            text += &format!("  {piece:<12}{error:>8.3}{holds:>8.1}\n");
        }
        text
    }
}
