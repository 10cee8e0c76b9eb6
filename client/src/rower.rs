//! The one simulated rower: what a machine would report of an invented athlete, stroke by stroke.
//!
//! Seeded and without a clock: the same athlete on the same piece rows the same strokes, bit for bit.

use std::collections::VecDeque;

use thole_protocol::{
    spec::{Extent, PieceSpec, Repeat},
    units::{Millis, decimetres, millis},
};

use crate::chance::Chance;

/// Watts per cubed metre a second on an air-braked machine: common practice, no source.
const AIR_BRAKE: f64 = 2.80;
/// Speed of the first strokes compared with the intended speed: a wheel has to be set going.
const SETTING_OFF: [f64; 3] = [0.62, 0.88, 1.01];
/// Reports that a machine that reports once a second still gives after somebody has stopped for good.
const STILL_SECONDS: u32 = 15;
/// How far the rate of one stroke strays from the intended one, as a share.
const RATE_STRAYS: f64 = 0.03;
/// Slowest and fastest rate that this athlete rows, strokes a minute.
const RATES: std::ops::RangeInclusive<f64> = 18.0..=40.0;
/// Seconds in which the heart catches up with the effort by two thirds.
const HEART_LAG_S: f64 = 40.0;

/// What a machine reported of a piece's work, counted from the start of the repeat.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Row {
    /// Which repeat, counted from 0.
    pub repeat: u16,
    /// Time since its start, milliseconds.
    pub t_ms: u32,
    /// Distance since its start.
    pub d_dm: u32,
    /// Strokes since its start.
    pub strokes: Option<u32>,
    /// Rate, half strokes a minute.
    pub rate_half_spm: Option<u16>,
    /// Power, watts.
    pub power_w: Option<u16>,
    /// Heart rate, beats a minute.
    pub heart_bpm: Option<u16>,
    /// The repeat ends exactly here.
    pub ends: bool,
    /// The machine was reset since the row before: it counts from zero there.
    pub reset: bool,
}

/// How a machine reports.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Machine {
    /// One report a stroke, in steps of 0.01 s and 0.1 m.
    #[default]
    Stroke,
    /// One report a second, in whole metres, cut off and not rounded.
    Second,
}

/// How the speed is spread over a piece.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Profile {
    /// One speed throughout.
    #[default]
    Even,
    /// Quick, settled, a lift at the end: 101.5, 99.8, 99.0, 99.7 % of the mean speed, quarter by
    /// quarter (Garland 2005, Br J Sports Med 39:39-42, ergometer).
    FastStart,
    /// Slower at first, faster at the end: 98.5 to 101.5 % of the mean speed.
    NegativeSplit,
}

/// A stretch in which nothing is rowed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pause {
    /// At this share of the work.
    pub at_share: f64,
    /// For this long.
    pub lasts_ms: u32,
}

/// An invented athlete on a machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Build {
    /// What makes this athlete's strokes differ from another's.
    pub seed: u64,
    /// Mean pace of the work that this athlete can hold, milliseconds per 500 m.
    pub per_500m_ms: Millis,
    /// Strokes a minute at that pace, 18 to 40.
    pub rate_spm: f64,
    /// How the speed is spread.
    pub profile: Profile,
    /// Share of the speed that is lost by the end; the loss begins two fifths of the way through the work.
    pub fades_by: f64,
    /// How far single strokes stray from the intended speed, as a share.
    pub uneven_by: f64,
    /// How the machine reports.
    pub machine: Machine,
    /// Whether there is a strap.
    pub heart: bool,
    /// Stops for good at this share of the work.
    pub stops_at: Option<f64>,
    /// Stops for a while.
    pub pause: Option<Pause>,
    /// The machine is reset at this share of the work.
    pub reset_at: Option<f64>,
}

impl Build {
    /// An athlete without mishaps who can hold this pace.
    #[must_use]
    pub fn steady(seed: u64, per_500m_ms: Millis) -> Build {
        Build {
            seed,
            per_500m_ms,
            rate_spm: 26.0,
            profile: Profile::Even,
            fades_by: 0.0,
            uneven_by: 0.015,
            machine: Machine::Stroke,
            heart: false,
            stops_at: None,
            pause: None,
            reset_at: None,
        }
    }

    /// All rows of a piece, in order; each repeat ends in a row that is exactly at its end.
    #[must_use]
    pub fn row(&self, piece: &PieceSpec) -> Rowing {
        Rowing::new(self.clone(), piece.repeats.clone(), self.speed_for(&piece.repeats))
    }

    /// The speed to aim for so that the work comes out at the pace, slow first strokes and all: found by
    /// trying the same strokes without the mishaps.
    fn speed_for(&self, repeats: &[Repeat]) -> f64 {
        let wanted = speed_of_pace(self.per_500m_ms);
        let calm =
            Build { fades_by: 0.0, stops_at: None, pause: None, reset_at: None, ..self.clone() };
        let mut speed = wanted;
        for _ in 0..3 {
            let (mut s, mut m) = (0.0, 0.0);
            for row in Rowing::new(calm.clone(), repeats.to_vec(), speed).filter(|row| row.ends) {
                s += f64::from(row.t_ms) / 1_000.0;
                m += f64::from(row.d_dm) / 10.0;
            }
            if m <= 0.0 || s <= 0.0 {
                return wanted;
            }
            speed *= wanted / (m / s);
        }
        speed
    }
}

/// Mean power over strokes at this speed (metres a second), in watts.
///
/// ```
/// // 1:40.0 for 500 m is 5 m/s and 350 W by common practice.
/// assert!((thole::rower::power_of_speed(5.0) - 350.0).abs() < 0.1);
/// ```
#[must_use]
pub fn power_of_speed(m_per_s: f64) -> f64 {
    AIR_BRAKE * m_per_s * m_per_s * m_per_s
}

/// The speed of a pace, in metres a second; a pace of zero is as fast as one of a millisecond.
#[must_use]
pub fn speed_of_pace(per_500m_ms: Millis) -> f64 {
    500_000.0 / f64::from(per_500m_ms.0.max(1))
}

/// An athlete rowing a piece: an iterator over what the machine reports.
#[derive(Clone, Debug)]
pub struct Rowing {
    build: Build,
    repeats: Vec<Repeat>,
    chance: Chance,
    speed: f64,
    repeat: usize,
    /// Within the repeat: seconds, metres, strokes.
    t: f64,
    d: f64,
    strokes: u32,
    heart: f64,
    rate: f64,
    paused: bool,
    reset: Reset,
    over: bool,
    ready: VecDeque<Row>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Reset {
    ToCome,
    Now,
    Done,
}

impl Rowing {
    fn new(build: Build, repeats: Vec<Repeat>, speed: f64) -> Rowing {
        Rowing {
            chance: Chance::seeded(build.seed),
            build,
            repeats,
            speed,
            repeat: 0,
            t: 0.0,
            d: 0.0,
            strokes: 0,
            heart: 96.0,
            rate: 0.0,
            paused: false,
            reset: Reset::ToCome,
            over: false,
            ready: VecDeque::new(),
        }
    }

    /// Share of all the work that is done.
    fn share(&self, work: Extent) -> f64 {
        let inside = match work {
            Extent::Distance { distance_dm } => self.d * 10.0 / f64::from(distance_dm.0),
            Extent::Time { time_ms } => self.t * 1_000.0 / f64::from(time_ms.0),
        };
        // Repeats of one piece are all of roughly the same size.
        (self.repeat as f64 + inside) / self.repeats.len() as f64
    }

    fn speed_at(&mut self, share: f64) -> f64 {
        let profile = match self.build.profile {
            Profile::Even => 1.0,
            Profile::NegativeSplit => 0.985 + 0.03 * share,
            Profile::FastStart => match share {
                ..0.25 => 1.015,
                ..0.5 => 0.998,
                ..0.75 => 0.990,
                _ => 0.997,
            },
        };
        let faded = 1.0 - self.build.fades_by * ((share - 0.4) / 0.6).clamp(0.0, 1.0);
        let set_off = usize::try_from(self.strokes)
            .ok()
            .and_then(|stroke| SETTING_OFF.get(stroke).copied())
            .unwrap_or(1.0);
        let strays = 1.0 + self.build.uneven_by * self.chance.around_zero();
        self.speed * profile * faded * set_off * strays
    }

    /// Rows one stroke, or what happens in its place.
    fn stroke(&mut self, work: Extent) {
        let share = self.share(work);
        if self.build.stops_at.is_some_and(|at| share >= at) {
            self.stop();
            return;
        }
        if let Some(pause) = self.build.pause.filter(|p| !self.paused && share >= p.at_share) {
            self.paused = true;
            self.rate = 0.0;
            self.go_on(f64::from(pause.lasts_ms) / 1_000.0, 0.0, work);
            return;
        }
        if self.reset == Reset::ToCome && self.build.reset_at.is_some_and(|at| share >= at) {
            self.reset = Reset::Now;
        }
        let speed = self.speed_at(share);
        let strays = 1.0 + RATE_STRAYS * self.chance.around_zero();
        let rate = self.build.rate_spm * (speed / self.speed) * strays;
        let rate = rate.clamp(*RATES.start(), *RATES.end());
        // Steps of 0.01 s and 0.1 m, as on such a machine.
        let takes = (6_000.0 / rate).round() / 100.0;
        let goes = (speed * takes * 10.0).round() / 10.0;
        self.rate = rate;
        self.strokes += 1;
        let effort = (speed / 5.6).clamp(0.0, 1.0);
        self.heart += (112.0 + 75.0 * effort - self.heart) * takes / (takes + HEART_LAG_S);
        self.go_on(takes, goes, work);
    }

    /// Lets time and metres go by, reports them, and ends the repeat where it ends.
    fn go_on(&mut self, takes: f64, goes: f64, work: Extent) {
        let (left, whole) = match work {
            Extent::Distance { distance_dm } => (f64::from(distance_dm.0) / 10.0 - self.d, goes),
            Extent::Time { time_ms } => (f64::from(time_ms.0) / 1_000.0 - self.t, takes),
        };
        let ends = whole > 0.0 && whole >= left;
        let part = if ends { left / whole } else { 1.0 };
        let (t, d) = (self.t + takes * part, self.d + goes * part);
        let speed = if takes > 0.0 { goes / takes } else { 0.0 };
        match self.build.machine {
            Machine::Stroke if !ends && goes > 0.0 => self.report(t, d, speed),
            Machine::Stroke => {}
            Machine::Second => {
                let mut second = self.t.floor() + 1.0;
                while second <= t && !(ends && second >= t) {
                    let gone = (second - self.t) / (t - self.t);
                    self.report(second, (self.d + gone * (d - self.d)).floor(), speed);
                    second += 1.0;
                }
            }
        }
        (self.t, self.d) = (t, d);
        if ends {
            self.report(t, d, speed);
            if let Some(last) = self.ready.back_mut() {
                last.ends = true;
                if let Extent::Distance { distance_dm } = work {
                    last.d_dm = distance_dm.0;
                }
            }
            self.repeat += 1;
            (self.t, self.d, self.strokes) = (0.0, 0.0, 0);
            self.over = self.repeat == self.repeats.len();
        }
    }

    fn stop(&mut self) {
        self.over = true;
        self.rate = 0.0;
        if self.build.machine == Machine::Second {
            let (first, d) = (self.t.floor() + 1.0, self.d.floor());
            for second in 0..STILL_SECONDS {
                self.report(first + f64::from(second), d, 0.0);
            }
        }
    }

    fn report(&mut self, t: f64, d: f64, speed: f64) {
        let whole = |n: f64| u16::try_from(millis(n).0).unwrap_or(u16::MAX);
        let reset = self.reset == Reset::Now;
        if reset {
            self.reset = Reset::Done;
        }
        self.ready.push_back(Row {
            repeat: u16::try_from(self.repeat).unwrap_or(u16::MAX),
            t_ms: millis(t * 1_000.0).0,
            d_dm: decimetres(d * 10.0).0,
            strokes: Some(self.strokes),
            rate_half_spm: Some(whole(self.rate * 2.0)),
            power_w: Some(whole(power_of_speed(speed))),
            heart_bpm: self.build.heart.then(|| whole(self.heart)),
            ends: false,
            reset,
        });
    }
}

impl Iterator for Rowing {
    type Item = Row;

    fn next(&mut self) -> Option<Row> {
        loop {
            if let Some(row) = self.ready.pop_front() {
                return Some(row);
            }
            if self.over {
                return None;
            }
            let Some(repeat) = self.repeats.get(self.repeat) else {
                self.over = true;
                continue;
            };
            self.stroke(repeat.work);
        }
    }
}

#[cfg(test)]
mod tests;
