//! How wide the intervals are to be, learnt from the pieces that were finished: real people may be more or
//! less predictable than those the model was fitted to.
//!
//! Adaptive conformal inference: Gibbs I, Candès E (2021) Advances in Neural Information Processing Systems
//! 34. After each finish, the share of misses that is aimed at moves in the opposite direction to what was
//! missed.

use serde::{Deserialize, Serialize};
use thole_protocol::standing::Calibration;

use super::{Estimate, Z_90, normal};
use crate::limits::Measure;

/// An 80 % interval is to miss one finish in five.
const MISSES: f64 = 0.2;
/// How far one finish moves the aim (our choice: a class of ten, all of them missed, widens it by a tenth).
const STEP: f64 = 0.01;
/// The aim stays between these: intervals from 0.66 to 1.82 times as wide.
const AIM: (f64, f64) = (0.02, 0.4);
/// Fewer finishes than these do not tell which side they come out on: half a dozen evenings of a class (our choice) …
const ONE_SIDED_FROM: u32 = 60;
/// … and among athletes whom the model fits, so large a share on one side happens once in several thousand
/// times.
const ONE_SIDED: f64 = 0.7;
/// Shares of the piece at which what was shown is kept, to be judged at the finish.
pub const MARKS: [f64; 3] = [0.25, 0.5, 0.75];

/// How wide the intervals are, compared with the model's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Width {
    /// Share of misses aimed at, in millionths.
    aim_ppm: u32,
    factor: f64,
}

impl Default for Width {
    fn default() -> Width {
        Width::of(200_000)
    }
}

impl Width {
    /// From its stored form: the share of misses aimed at, in millionths.
    #[must_use]
    pub fn of(aim_ppm: u32) -> Width {
        let aim = (f64::from(aim_ppm) / 1e6).clamp(AIM.0, AIM.1);
        Width { aim_ppm: ppm(aim), factor: normal_point(1.0 - aim / 2.0) / Z_90 }
    }

    /// In its stored form.
    #[must_use]
    pub fn aim_ppm(self) -> u32 {
        self.aim_ppm
    }

    /// How many times as wide as the model's own.
    #[must_use]
    pub fn factor(self) -> f64 {
        if self.aim_ppm == 200_000 { 1.0 } else { self.factor }
    }

    /// After a finish whose intervals missed this often (0 to 1).
    #[must_use]
    pub fn after(self, missed: f64) -> Width {
        let aim = f64::from(self.aim_ppm) / 1e6 + STEP * (MISSES - missed);
        Width::of(ppm(aim.clamp(AIM.0, AIM.1)))
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "between 0 and 1; `as` from f64 saturates"
)]
fn ppm(share: f64) -> u32 {
    (share * 1e6).round() as u32
}

/// The point below which a share of the normal distribution lies; for shares of one half and more.
fn normal_point(share: f64) -> f64 {
    /// Beyond this there is nothing to tell.
    const FAR: f64 = 8.0;
    let (mut low, mut high) = (0.0, FAR);
    // Fifty halvings are finer than the numbers themselves.
    for _ in 0..50 {
        let middle = (low + high) / 2.0;
        if normal(middle) < share { low = middle } else { high = middle }
    }
    (low + high) / 2.0
}

/// What was shown at one mark.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Shown {
    finish: f64,
    low: f64,
    high: f64,
    chance: Option<f64>,
}

/// What was shown to one athlete at the marks of a piece.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Marks {
    passed: usize,
    shown: [Option<Shown>; MARKS.len()],
}

impl Marks {
    /// The share of the piece at which the next mark lies; `None` after the last.
    #[must_use]
    pub fn next(&self) -> Option<f64> {
        MARKS.get(self.passed).copied()
    }

    /// The next mark is passed while this is shown.
    pub fn pass(&mut self, estimate: Option<Estimate>) {
        if let Some(mark) = self.shown.get_mut(self.passed) {
            *mark = estimate.map(|Estimate { finish, low, high, chance }| Shown {
                finish,
                low,
                high,
                chance,
            });
            self.passed += 1;
        }
    }
}

/// How the intervals and the chances have turned out, over finished pieces.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Count {
    /// Finishes that were judged.
    pub finishes: u32,
    /// Intervals that were shown at the marks of those pieces.
    pub intervals: u32,
    /// Those that held the finish.
    pub held: u32,
    /// Chances that were shown at the marks.
    pub chances: u32,
    /// Their sum, in thousandths.
    pub chance_permille: u32,
    /// Those whose target was made.
    pub made: u32,
    /// Finishes slower than most of what was shown on the way …
    #[serde(default)]
    pub slower: u32,
    /// … and faster ones.
    #[serde(default)]
    pub faster: u32,
}

impl Count {
    /// Counts one finish (seconds or metres) against what was shown on the way; returns how often its
    /// intervals missed (0 to 1), if any were shown.
    pub fn add(&mut self, measure: Measure, marks: &Marks, finish: f64, made: bool) -> Option<f64> {
        let (mut seen, mut missed, mut higher, mut lower) = (0_u32, 0_u32, 0, 0);
        for shown in marks.shown.iter().flatten() {
            seen += 1;
            higher += u32::from(finish > shown.finish);
            lower += u32::from(finish < shown.finish);
            missed += u32::from(!(shown.low..=shown.high).contains(&finish));
            if let Some(chance) = shown.chance {
                self.chances += 1;
                self.chance_permille += ppm(chance).div_ceil(1_000);
                self.made += u32::from(made);
            }
        }
        if seen == 0 {
            return None;
        }
        let (slower, faster) = match measure {
            Measure::Distance(_) => (higher, lower),
            Measure::Time(_) => (lower, higher),
        };
        self.slower += u32::from(slower > faster);
        self.faster += u32::from(faster > slower);
        self.finishes += 1;
        self.intervals += seen;
        self.held += seen - missed;
        Some(f64::from(missed) / f64::from(seen))
    }

    /// Both counts added together.
    #[must_use]
    pub fn and(self, other: Count) -> Count {
        Count {
            finishes: self.finishes.saturating_add(other.finishes),
            intervals: self.intervals.saturating_add(other.intervals),
            held: self.held.saturating_add(other.held),
            chances: self.chances.saturating_add(other.chances),
            chance_permille: self.chance_permille.saturating_add(other.chance_permille),
            made: self.made.saturating_add(other.made),
            slower: self.slower.saturating_add(other.slower),
            faster: self.faster.saturating_add(other.faster),
        }
    }

    /// The same under another model: which side finishes came out on with the previous one says nothing about
    /// it.
    #[must_use]
    pub fn by_another_model(self) -> Count {
        Count { slower: 0, faster: 0, ..self }
    }

    /// Which side finishes come out on, and out of how many, once they have done so for a long time.
    fn one_sided(&self) -> Option<(&'static str, u32, u32)> {
        let sided = self.slower.saturating_add(self.faster);
        let (way, many) = if self.slower > self.faster {
            ("slower", self.slower)
        } else {
            ("faster", self.faster)
        };
        let is_off = f64::from(many) >= ONE_SIDED * f64::from(sided);
        (sided >= ONE_SIDED_FROM && is_off).then_some((way, many, sided))
    }

    /// What the coach is told.
    #[must_use]
    pub fn told(&self, width: Width, model: &str) -> Calibration {
        Calibration {
            model: model.to_owned(),
            finishes: self.finishes,
            intervals: self.intervals,
            held: self.held,
            chances: self.chances,
            made: self.made,
            chance_permille: self.chance_permille,
            width_permille: ppm(width.factor().min(4.0)) / 1_000,
            says: self.says(width),
        }
    }

    /// For the coach: how many ranges held the finish, and what to do when everything is off on one side.
    fn says(&self, width: Width) -> String {
        let held = self.says_held(width);
        match self.one_sided() {
            Some((way, many, sided)) => format!(
                "{held} {many} of {sided} finishes were {way} than projected: fit a model of your own, \
                 with `thole-server fit`."
            ),
            None => held,
        }
    }

    /// One sentence.
    fn says_held(&self, width: Width) -> String {
        if self.intervals == 0 {
            return "Projections show where 8 of 10 finishes are expected; none has been checked \
                    against a finish here yet."
                .to_owned();
        }
        let finishes = match self.finishes {
            1 => "one finish".to_owned(),
            many => format!("{many} finishes"),
        };
        // Each finish has several, drawn on the way.
        let (held, drawn) = (self.held, self.intervals);
        let so_far =
            format!("Of {drawn} ranges projected for {finishes} here, {held} held the result");
        let width = width.factor();
        if width > 1.05 {
            format!("{so_far} (8 of 10 should), so they are drawn {width:.1} times as wide now.")
        } else if width < 0.95 {
            format!(
                "{so_far} (8 of 10 should), so they are drawn narrower now, {width:.1} times as wide."
            )
        } else {
            format!("{so_far}; 8 of 10 should.")
        }
    }
}
