//! One athlete's course through the pieces of a session: which sample is due when.
//!
//! Pure: it is told the phases and gives samples, each with the instant of the session at which the machine
//! reports it. That instant is exactly the start of the repeat plus the time rowed, so the result depends
//! neither on scheduling nor on what the connection does.

use std::{collections::VecDeque, iter::Peekable};

use thole_protocol::{
    ids::PieceNo,
    sample::Sample,
    spec::{PieceSpec, Plan, RepeatStart, Target},
    standing::Phase,
    units::{At, Millis},
};

use crate::{
    recording::{Recording, whole_distance},
    rower::{Build, Profile, Row},
};

/// The machine at rest is reported this long before the go.
const BASELINE_BEFORE: Millis = Millis(1_000);
/// A simulated athlete who comes later than this after a start begins on arrival; before that they were only slow to hear of it.
const LATE_AFTER: Millis = Millis(5_000);
/// Light strokes in a rest: one every so often …
const PADDLE_EVERY_MS: u32 = 3_000;
/// … this far …
const PADDLE_DM: i64 = 55;
/// … at most this many …
const PADDLES_MAX: u32 = 8;
/// … and none in the last part of the rest.
const PADDLE_STOPS_BEFORE_MS: u32 = 8_000;

/// What rows.
#[derive(Clone, Debug)]
pub enum Source {
    /// An invented athlete; the machine counts on through rests, and from piece to piece.
    Simulated {
        /// The athlete.
        build: Box<Build>,
        /// Keeps the pace and profile of `build` whatever the target and plan say.
        own_pace: bool,
    },
    /// A recorded piece; its machine counts work only, and each piece from zero.
    Recorded(Box<Recording>),
}

/// A sample that is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueSample {
    /// When the machine reports it.
    pub at: At,
    /// The sample itself; it is numbered when it is recorded.
    pub sample: Sample,
    /// What the strap says.
    pub heart_bpm: Option<u16>,
}

/// The machine's own counters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct MachineCounters {
    elapsed_ms: i64,
    distance_dm: i64,
    strokes: i64,
}

/// A report that does not come from a row of work: at rest, or paddling.
#[derive(Clone, Copy, Debug)]
struct Easy {
    at: At,
    gain_dm: i64,
    strokes: i64,
    rate_half_spm: i64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// Before a go, and after the work.
    Idle,
    /// In a repeat that began then.
    Work { repeat: u16, start: At },
    /// Waiting for the signal of this repeat.
    Rest { next: u16 },
}

/// The attempt being rowed: a false start ends it, and the next go begins another.
#[derive(Clone, Debug)]
struct Attempt {
    piece: PieceNo,
    go: At,
    spec: PieceSpec,
}

/// One athlete's course.
pub struct Course {
    source: Source,
    machine: MachineCounters,
    /// The instant at which the machine's counters had these values.
    machine_at: Option<At>,
    /// The counters at the start of the repeat.
    base: MachineCounters,
    attempt: Option<Attempt>,
    stage: Stage,
    easy: VecDeque<Easy>,
    rows: Peekable<Box<dyn Iterator<Item = Row> + Send>>,
    /// Nothing after this counts any more.
    until: Option<At>,
    /// Whether somebody who comes late begins when they come.
    begins_late: bool,
    /// The newest signal that has come in the middle of an earlier repeat, which is rowed to its end first.
    signalled: Option<(u16, At)>,
}

impl Course {
    /// Waiting for the first go.
    #[must_use]
    pub fn new(source: Source) -> Course {
        Course {
            source,
            machine: MachineCounters::default(),
            machine_at: None,
            base: MachineCounters::default(),
            attempt: None,
            stage: Stage::Idle,
            easy: VecDeque::new(),
            rows: no_rows(),
            until: None,
            begins_late: false,
            signalled: None,
        }
    }

    /// The same for somebody who, coming late, begins on arrival, as people do. Without it, what is rowed does not depend
    /// on when the course hears of it.
    #[must_use]
    pub fn begins_late(self) -> Course {
        Course { begins_late: true, ..self }
    }

    /// Takes in how far a piece is; `at` is when it got there, `target` and `plan` are the athlete's own.
    pub fn see(
        &mut self,
        piece: PieceNo,
        spec: &PieceSpec,
        phase: Phase,
        at: At,
        (target, plan): (Option<Target>, &Plan),
    ) {
        match phase {
            Phase::Gathering | Phase::Armed => self.end_attempt(),
            Phase::Counting { go_at_ms } => {
                self.begin(piece, spec, (go_at_ms, go_at_ms), 0, (target, plan));
            }
            Phase::Rowing { go_at_ms, repeat, repeat_at_ms } => {
                if self.is_on(piece, go_at_ms) {
                    self.signal(repeat, repeat_at_ms);
                } else {
                    let start = self.come(repeat_at_ms, at);
                    self.begin(piece, spec, (go_at_ms, start), repeat, (target, plan));
                    if repeat > 0 {
                        self.skip_to(repeat, start);
                    }
                }
            }
            Phase::Closing { go_at_ms } => {
                // Somebody who comes this late can still row a single stretch; in intervals the signals have
                // passed.
                if !self.is_on(piece, go_at_ms) && spec.repeats.len() == 1 {
                    let start = self.come(go_at_ms, at);
                    self.begin(piece, spec, (go_at_ms, start), 0, (target, plan));
                }
            }
            Phase::Resting { .. } => {}
            Phase::Finished { .. } => self.until = Some(at),
            Phase::Stopped { stopped_at_ms, .. } => self.until = Some(stopped_at_ms),
        }
    }

    /// When the next sample is due; `None` while there is nothing to row.
    pub fn due(&mut self) -> Option<At> {
        let next = match (self.easy.front(), self.stage) {
            (Some(easy), _) => easy.at,
            (None, Stage::Work { start, .. }) => start + Millis(self.rows.peek()?.t_ms),
            (None, Stage::Idle | Stage::Rest { .. }) => return None,
        };
        if self.until.is_some_and(|until| next > until) {
            self.end_attempt();
            return None;
        }
        Some(next)
    }

    /// The next sample, whether its instant has come or not.
    pub fn take(&mut self) -> Option<DueSample> {
        self.due()?;
        if let Some(easy) = self.easy.pop_front() {
            return Some(self.report_easy(easy));
        }
        let Stage::Work { repeat, start } = self.stage else { return None };
        let row = self.rows.next()?;
        let due = self.report(row, start + Millis(row.t_ms));
        if row.ends {
            self.end_repeat(repeat, due.at);
        }
        Some(due)
    }

    /// The go of the attempt being rowed.
    #[must_use]
    pub fn go(&self) -> Option<At> {
        self.attempt.as_ref().map(|attempt| attempt.go)
    }

    /// When somebody begins what started then, and of which they hear now. A recording is rowed as it was, whenever it is heard.
    fn come(&self, started: At, now: At) -> At {
        let may_be_late = self.begins_late && matches!(self.source, Source::Simulated { .. });
        let is_late = may_be_late && now > started + LATE_AFTER;
        if is_late { now } else { started }
    }

    fn is_on(&self, piece: PieceNo, go: At) -> bool {
        self.attempt.as_ref().is_some_and(|attempt| attempt.piece == piece && attempt.go == go)
    }

    fn begin(
        &mut self,
        piece: PieceNo,
        spec: &PieceSpec,
        (go, start): (At, At),
        from_repeat: u16,
        aim: (Option<Target>, &Plan),
    ) {
        if self.is_on(piece, go) {
            return;
        }
        self.end_attempt();
        let rows: Box<dyn Iterator<Item = Row> + Send> = match &self.source {
            Source::Simulated { build, own_pace } => {
                let mut build = (**build).clone();
                // A different piece gets different strokes.
                build.seed ^= u64::from(piece.0) << 32;
                if !own_pace {
                    aim_at(&mut build, spec, aim);
                }
                Box::new(build.row(spec))
            }
            Source::Recorded(recording) => {
                self.machine = MachineCounters::default();
                Box::new(recording.rows(&spec.repeats).into_iter())
            }
        };
        self.rows = rows.peekable();
        self.attempt = Some(Attempt { piece, go, spec: spec.clone() });
        let baseline = At(start.0.saturating_sub(u64::from(BASELINE_BEFORE.0)));
        // The machine has stood still until now: its clock does not show the wait.
        self.machine_at = Some(baseline);
        if from_repeat == 0 {
            self.easy.push_back(Easy { at: baseline, gain_dm: 0, strokes: 0, rate_half_spm: 0 });
            self.base = self.machine;
            self.stage = Stage::Work { repeat: 0, start };
        } else {
            self.stage = Stage::Rest { next: from_repeat };
        }
    }

    /// The signal of a repeat. One that is still being rowed is rowed to its end, as the session counts it: the rest is cut off
    /// and not the work.
    fn signal(&mut self, repeat: u16, at: At) {
        match self.stage {
            Stage::Rest { next } if next == repeat => self.start_repeat(repeat, at),
            Stage::Rest { next } if next < repeat => self.skip_to(repeat, at),
            Stage::Work { repeat: own, .. } if own < repeat => self.signalled = Some((repeat, at)),
            Stage::Rest { .. } | Stage::Work { .. } | Stage::Idle => {}
        }
    }

    fn skip_to(&mut self, repeat: u16, at: At) {
        while self.rows.next_if(|row| row.repeat < repeat).is_some() {}
        self.start_repeat(repeat, at);
    }

    fn start_repeat(&mut self, repeat: u16, at: At) {
        self.easy.retain(|easy| easy.at < at);
        self.signalled = self.signalled.filter(|(newest, _)| *newest > repeat);
        self.stage = Stage::Work { repeat, start: at };
        if self.machine_at == Some(at) {
            // The last report was of this very moment.
            self.base = self.machine;
        } else {
            self.easy.push_back(Easy { at, gain_dm: 0, strokes: 0, rate_half_spm: 0 });
        }
    }

    fn end_repeat(&mut self, repeat: u16, at: At) {
        let Some(attempt) = &self.attempt else { return };
        let done = usize::from(repeat) + 1;
        if done == attempt.spec.repeats.len() {
            self.stage = Stage::Idle;
            return;
        }
        let rest = attempt.spec.repeats.get(usize::from(repeat)).map_or(Millis(0), |r| r.rest_ms);
        let next = repeat + 1;
        if let Some((signalled, since)) = self.signalled {
            // Straight on, and from the repeat that the class is in.
            self.skip_to(signalled, since.max(at));
            return;
        }
        self.stage = Stage::Rest { next };
        let own_rest = attempt.spec.repeat_start == RepeatStart::OwnRest;
        if let Source::Simulated { .. } = self.source {
            let light = rest.0.saturating_sub(PADDLE_STOPS_BEFORE_MS) / PADDLE_EVERY_MS;
            for stroke in 1..=light.min(PADDLES_MAX) {
                self.easy.push_back(Easy {
                    at: at + Millis(stroke * PADDLE_EVERY_MS),
                    gain_dm: PADDLE_DM,
                    strokes: 1,
                    rate_half_spm: 40,
                });
            }
            // … and then still, so that nobody takes the last light stroke for the pace of the next repeat.
            let still = at + Millis((light.min(PADDLES_MAX) + 1) * PADDLE_EVERY_MS);
            if light > 0 {
                self.easy.push_back(Easy { at: still, gain_dm: 0, strokes: 0, rate_half_spm: 0 });
            }
        }
        if own_rest {
            self.start_repeat(next, at + rest);
        }
    }

    fn end_attempt(&mut self) {
        self.attempt = None;
        self.stage = Stage::Idle;
        self.easy.clear();
        self.rows = no_rows();
        self.until = None;
        self.signalled = None;
    }

    fn report_easy(&mut self, easy: Easy) -> DueSample {
        if let Source::Simulated { .. } = self.source {
            let gone = self.machine_at.map_or(Millis(0), |then| easy.at.since(then));
            self.machine.elapsed_ms += i64::from(gone.0);
        }
        self.machine_at = Some(easy.at);
        self.machine.distance_dm += easy.gain_dm;
        self.machine.strokes += easy.strokes;
        if let Stage::Work { start, .. } = self.stage
            && easy.at <= start
        {
            self.base = self.machine;
            if let Source::Simulated { .. } = self.source {
                self.base.elapsed_ms += i64::from(start.since(easy.at).0);
            }
        }
        self.due_now(
            easy.at,
            Some(easy.rate_half_spm),
            (easy.rate_half_spm == 0).then_some(0),
            None,
        )
    }

    fn report(&mut self, row: Row, at: At) -> DueSample {
        if row.reset {
            self.base.elapsed_ms -= self.machine.elapsed_ms;
            self.base.distance_dm -= self.machine.distance_dm;
            self.base.strokes -= self.machine.strokes;
        }
        self.machine = MachineCounters {
            elapsed_ms: self.base.elapsed_ms + i64::from(row.t_ms),
            distance_dm: self.base.distance_dm + i64::from(row.d_dm),
            strokes: self.base.strokes + i64::from(row.strokes.unwrap_or(0)),
        };
        self.machine_at = Some(at);
        self.due_now(
            at,
            row.rate_half_spm.map(i64::from),
            row.power_w.map(i64::from),
            row.heart_bpm,
        )
    }

    fn due_now(
        &self,
        at: At,
        rate_half_spm: Option<i64>,
        power_w: Option<i64>,
        heart_bpm: Option<u16>,
    ) -> DueSample {
        let counts_strokes = matches!(self.source, Source::Simulated { .. });
        let sample = Sample {
            seq: 0,
            heard_ms: i64::try_from(at.0).unwrap_or(i64::MAX),
            distance_dm: self.machine.distance_dm,
            elapsed_ms: Some(self.machine.elapsed_ms),
            strokes: counts_strokes.then_some(self.machine.strokes),
            rate_half_spm,
            power_w,
        };
        DueSample { at, sample, heart_bpm }
    }
}

/// Makes an invented athlete capable of their own target, to within what `build` strays from it anyway.
fn aim_at(build: &mut Build, spec: &PieceSpec, (target, plan): (Option<Target>, &Plan)) {
    match plan {
        Plan::FastStart => build.profile = Profile::FastStart,
        Plan::NegativeSplit => build.profile = Profile::NegativeSplit,
        Plan::Even | Plan::Legs { .. } | Plan::Speeds { .. } => {}
    }
    let pace = target.and_then(|target| pace_of(target, spec));
    if let Some(pace) = pace {
        // Some do better than they hoped and some worse: by up to 2 %, the same each time.
        let strays = crate::chance::Chance::seeded(build.seed ^ 0x7a11).around_zero() * 0.02;
        build.per_500m_ms = thole_protocol::units::millis(f64::from(pace.0) * (1.0 - strays));
    }
}

/// The mean pace that a target for this piece amounts to; `None` when they do not go together.
#[must_use]
pub fn pace_of(target: Target, spec: &PieceSpec) -> Option<Millis> {
    use thole_protocol::{spec::Extent, units::millis};
    match target {
        Target::Pace { per_500m_ms } => Some(per_500m_ms),
        Target::Finish { finish_ms } => {
            let distance = whole_distance(&spec.repeats)?;
            (distance.0 > 0)
                .then(|| millis(f64::from(finish_ms.0) * 5_000.0 / f64::from(distance.0)))
        }
        Target::Distance { distance_dm } => {
            let time =
                spec.repeats.iter().try_fold(Millis(0), |sum, repeat| match repeat.work {
                    Extent::Time { time_ms } => Some(sum + time_ms),
                    Extent::Distance { .. } => None,
                })?;
            (distance_dm.0 > 0)
                .then(|| millis(f64::from(time.0) * 5_000.0 / f64::from(distance_dm.0)))
        }
    }
}

fn no_rows() -> Peekable<Box<dyn Iterator<Item = Row> + Send>> {
    let none: Box<dyn Iterator<Item = Row> + Send> = Box::new(std::iter::empty());
    none.peekable()
}

#[cfg(test)]
mod tests;
