//! A gym with one session, its people and their machines, rowed second by second.

use thole_piece::{Input, Output, Session, session::Viewer};
use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CommandId, RunId},
    order::Order,
    refusal::Refusal,
    sample::Sample,
    spec::{
        Aim, AthleteSpec, CallText, Extent, PieceSpec, Repeat, RosterEntry, SessionSettings, Target,
    },
    standing::{AthleteResult, Line, Notice, Own},
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

/// The go of the first piece, milliseconds of the session.
pub(crate) const GO: u64 = 100_000;

pub(crate) fn metres(metres: u32) -> Extent {
    Extent::Distance { distance_dm: Decimetres(10 * metres) }
}

pub(crate) fn seconds(seconds: u32) -> Extent {
    Extent::Time { time_ms: Millis(1_000 * seconds) }
}

pub(crate) fn piece(work: Extent) -> PieceSpec {
    PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }])
}

pub(crate) fn finish(seconds: u32) -> Target {
    Target::Finish { finish_ms: Millis(1_000 * seconds) }
}

pub(crate) fn covers(metres: u32) -> Target {
    Target::Distance { distance_dm: Decimetres(10 * metres) }
}

pub(crate) fn text(shown: &str) -> CallText {
    CallText { shown: shown.into(), spoken: String::new() }
}

#[derive(Clone)]
pub(crate) struct Gym {
    pub(crate) session: Session,
    pub(crate) told: Vec<Output>,
    commands: u128,
    /// What each one's machine has counted: decimetres and strokes, and the number of the sample.
    machines: Vec<(u32, i64, i64)>,
}

impl Gym {
    pub(crate) fn new(pieces: Vec<PieceSpec>) -> Gym {
        let mut gym =
            Gym { session: Session::new(), told: Vec::new(), commands: 0, machines: Vec::new() };
        let settings = SessionSettings::default();
        gym.say(0, &Input::Created { title: "Weir".into(), settings, by: None });
        gym.say(0, &Input::NamesBySight);
        if !pieces.is_empty() {
            gym.order(Order::SetPieces { pieces }).unwrap();
        }
        gym
    }

    pub(crate) fn athlete(number: usize) -> AthleteId {
        AthleteId(Uuid::from_u128(0xa0 + number as u128))
    }

    pub(crate) fn run(number: usize) -> RunId {
        RunId(Uuid::from_u128(0xb0 + number as u128))
    }

    /// Says something at an instant, or now if that is past; returns what came of it.
    pub(crate) fn say(&mut self, at: u64, input: &Input) -> Vec<Output> {
        let out = self.session.apply(At(at).max(self.session.now()), input);
        self.told.extend(out.iter().cloned());
        out
    }

    pub(crate) fn order(&mut self, order: Order) -> Result<(), Refusal> {
        self.commands += 1;
        let command = CommandId(Uuid::from_u128(self.commands));
        let out = self.say(0, &Input::Ordered { command, order, by: None });
        let refused = out.into_iter().find_map(|output| match output {
            Output::OrderRefused { refusal, .. } => Some(refusal),
            _ => None,
        });
        refused.map_or(Ok(()), Err)
    }

    /// Adds somebody to the roster who is not heard yet.
    pub(crate) fn lists(
        &mut self,
        name: &str,
        target: Option<Target>,
    ) -> Result<AthleteId, Refusal> {
        let id = Gym::athlete(self.machines.len());
        self.commands += 1;
        let command = CommandId(Uuid::from_u128(self.commands));
        let spec = AthleteSpec { name: name.into(), ..AthleteSpec::default() };
        let aims = target.map(|target| Aim { target: Some(target), ..Aim::default() });
        let entry = RosterEntry { spec, aims: aims.into_iter().collect() };
        let out = self.say(0, &Input::AthletesAdded { command, athletes: vec![(id, entry)] });
        let refused = out.into_iter().find_map(|output| match output {
            Output::OrderRefused { refusal, .. } => Some(refusal),
            _ => None,
        });
        self.machines.push((0, 0, 0));
        refused.map_or(Ok(id), Err)
    }

    /// Adds somebody who is there.
    pub(crate) fn joins(&mut self, name: &str, target: Option<Target>) -> AthleteId {
        let athlete = self.lists(name, target).unwrap();
        self.say(0, &Input::Heard { athlete });
        athlete
    }

    /// On to the go, with what each machine shows just before it.
    pub(crate) fn goes(&mut self) {
        self.order(Order::Arm).unwrap();
        let count = self.session.view(Viewer::Coach).pieces[0].spec.count_ms;
        self.until(GO - u64::from(count.0));
        self.order(Order::Start).unwrap();
        for number in 0..self.machines.len() {
            if self.session.hears(Gym::athlete(number)) {
                self.stroke(number, GO - 500, 0);
            }
        }
        self.until(GO);
    }

    /// Does whatever falls due up to an instant.
    pub(crate) fn until(&mut self, at: u64) {
        while let Some(due) = self.session.deadline().filter(|due| due.0 <= at) {
            self.say(due.0, &Input::Deadline);
        }
        if self.session.now() < At(at) {
            self.say(at, &Input::Deadline);
        }
    }

    /// Somebody's machine reports this many decimetres more, and a stroke if there are any.
    pub(crate) fn stroke(&mut self, number: usize, at: u64, dm: i64) {
        let sample = self.sample(number, at, dm);
        self.send(number, at, vec![sample]);
    }

    pub(crate) fn sample(&mut self, number: usize, at: u64, dm: i64) -> Sample {
        let (seq, counted, strokes) = &mut self.machines[number];
        (*seq, *counted, *strokes) = (*seq + 1, *counted + dm, *strokes + i64::from(dm > 0));
        Sample {
            seq: *seq,
            heard_ms: at.cast_signed(),
            distance_dm: *counted,
            elapsed_ms: None,
            strokes: Some(*strokes),
            rate_half_spm: None,
            power_w: None,
        }
    }

    pub(crate) fn send(&mut self, number: usize, at: u64, samples: Vec<Sample>) -> Vec<Output> {
        let (athlete, run) = (Gym::athlete(number), Gym::run(number));
        self.until(at);
        self.say(at, &Input::Samples { athlete, run, samples })
    }

    /// Several row side by side, each this many decimetres a stroke.
    pub(crate) fn row(&mut self, seconds: std::ops::RangeInclusive<u64>, dm: &[i64]) {
        for second in seconds.filter(|second| second % 2 == 0) {
            for (number, dm) in dm.iter().enumerate().filter(|(_, dm)| **dm > 0) {
                self.stroke(number, GO + 1_000 * second, *dm);
            }
        }
    }

    pub(crate) fn line(&self, number: usize) -> Line {
        let lines = self.session.overview().standings.lines;
        lines.into_iter().find(|line| line.athlete == Gym::athlete(number)).unwrap()
    }

    pub(crate) fn own(&self, number: usize) -> Own {
        self.session.own(Gym::athlete(number)).unwrap()
    }

    /// The result of somebody in the first piece.
    pub(crate) fn result(&self, number: usize) -> Option<AthleteResult> {
        let results = self.session.view(Viewer::Coach).pieces[0].results.clone();
        results.into_iter().find(|result| result.athlete == Gym::athlete(number))
    }

    pub(crate) fn notices(&self) -> Vec<Notice> {
        self.session.notices().to_vec()
    }

    /// What has been told so far, oldest first; forgotten here.
    pub(crate) fn happened(&mut self) -> Vec<Happening> {
        let events = std::mem::take(&mut self.told).into_iter().filter_map(|output| match output {
            Output::Event { event, .. } => Some(event.what),
            _ => None,
        });
        events.collect()
    }
}
