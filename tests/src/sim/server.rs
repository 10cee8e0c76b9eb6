//! The server as far as its promises go: journal first, then the core, then everybody; and its deaths.

use std::collections::BTreeSet;

use thole::chance::Chance;
use thole_piece::{Input, Output, Session, session::Viewer};
use thole_protocol::{
    client_msg::Role,
    event::{Event, Happening},
    ids::{AthleteId, CommandId, EventNo, JoinCode, RunId, SessionId},
    sample::Durable,
    server_msg::Welcome,
    spec::SessionSettings,
    standing::{AthleteResult, Phase, PieceView},
    units::At,
};
use uuid::Uuid;

use super::{
    Tally,
    life::{Life, Person},
};

/// Who said or is told something: an athlete by number, or the coach.
pub(super) type Who = Option<usize>;

/// What reaches the server.
#[derive(Clone, Debug)]
pub(super) enum Said {
    /// A new connection: which recording, the last event that is known.
    Hello { run: Option<RunId>, last_event: EventNo },
    /// Anything else.
    Input(Input),
    /// The same, of a connection that is gone; it was under way.
    Late(Input),
    /// The connection is gone.
    Left,
}

/// What the server tells.
#[derive(Clone, Debug)]
pub(super) enum Told {
    Welcome(Box<Welcome>),
    Events(Vec<Event>),
    Ack { durable: Durable },
    Answered(CommandId),
}

/// When the server is killed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Crash {
    None,
    BeforeJournal,
    AfterJournal,
}

/// One process after the other on one journal.
pub(super) struct Server {
    people: Vec<Person>,
    pub(super) journal: Vec<(At, Input)>,
    pub(super) core: Session,
    connected: Vec<bool>,
    coach_connected: bool,
    down_until: u64,
    pub(super) seed: u64,
    /// Orders that somebody was told are done.
    done: BTreeSet<CommandId>,
    /// The current piece and how far it is.
    phase: Option<(usize, Phase)>,
    /// It was killed in this turn.
    died: bool,
    /// Whether it is killed around a record of what became of a piece: at any time, since what is over stays so.
    at_settling: Option<Chance>,
}

/// Whether and when to die in this commit: mostly not, and rather when there is something to lose.
pub(super) fn crash(chance: &mut Chance, said: &[(Who, Said)]) -> Crash {
    let hello = said.iter().any(|(_, said)| matches!(said, Said::Hello { .. }));
    let late = said.iter().any(|(_, said)| matches!(said, Said::Late(_)));
    let order = said.iter().any(|(_, said)| matches!(said, Said::Input(Input::Ordered { .. })));
    let one_in = match (hello, late, order) {
        (true, true, _) => 4,
        (_, _, true) => 12,
        (true, false, _) => 25,
        (false, true, _) => 30,
        (false, false, false) => 1_200,
    };
    match chance.below(2 * one_in) {
        0 => Crash::BeforeJournal,
        1 => Crash::AfterJournal,
        _ => Crash::None,
    }
}

impl Server {
    pub(super) fn open(life: &Life, rough: bool) -> Server {
        let mut server = Server {
            people: life.athletes.clone(),
            journal: Vec::new(),
            core: Session::new(),
            connected: vec![false; life.athletes.len()],
            coach_connected: false,
            down_until: 0,
            seed: life.seed,
            done: BTreeSet::new(),
            phase: None,
            died: false,
            at_settling: rough.then(|| Chance::seeded(life.seed ^ 0x5e77)),
        };
        let created =
            Input::Created { title: "A life".to_owned(), settings: SessionSettings::default() };
        let roster = life.athletes.iter().filter(|person| person.joins_after_go.is_none());
        let athletes = roster.map(|person| (person.athlete, person.entry.clone()));
        let athletes = athletes.chain(life.absent.clone()).collect();
        let command = CommandId(Uuid::from_u128(1));
        for input in [created, Input::AthletesAdded { command, athletes }] {
            server.journal.push((At(0), input.clone()));
            server.core.apply(At(0), &input);
        }
        server
    }

    pub(super) fn core(&self) -> &Session {
        &self.core
    }

    pub(super) fn is_up(&self) -> bool {
        self.down_until == 0
    }

    pub(super) fn current(&self) -> usize {
        self.phase.map_or(0, |(piece, _)| piece)
    }

    pub(super) fn phase(&self) -> Option<Phase> {
        self.phase.map(|(_, phase)| phase)
    }

    /// The go of the current piece, once it is known.
    pub(super) fn go(&self) -> Option<u64> {
        match self.phase()? {
            Phase::Counting { go_at_ms }
            | Phase::Rowing { go_at_ms, .. }
            | Phase::Resting { go_at_ms, .. }
            | Phase::Closing { go_at_ms }
            | Phase::Finished { go_at_ms } => Some(go_at_ms.0),
            Phase::Stopped { go_at_ms, .. } => go_at_ms.map(|at| at.0),
            Phase::Gathering | Phase::Armed => None,
        }
    }

    /// One turn: all that came in is made durable, applied in order, and told.
    pub(super) fn commit(
        &mut self,
        now: u64,
        said: Vec<(Who, Said)>,
        crash: Crash,
        chance: Option<&mut Chance>,
        tally: &mut Tally,
    ) -> Vec<(Who, Told)> {
        if self.down_until > now {
            return Vec::new();
        }
        if self.down_until > 0 {
            self.down_until = 0;
            self.restart(now);
        }
        let at = At(now).max(self.core.now());
        let steps = self.steps(at, said);
        let inputs = steps.iter().filter_map(|(_, step)| match step {
            Step::Input(input) => Some((at, input.clone())),
            Step::Welcome { .. } => None,
        });
        let inputs: Vec<(At, Input)> = inputs.collect();
        if crash == Crash::None {
            self.journal.extend(inputs);
            let mut told = self.apply(at, steps, tally);
            let mut chance = self.at_settling.take();
            if !self.settle(at, chance.as_mut(), &mut told, tally) {
                self.die(now, chance.as_mut());
                told.clear();
            }
            self.at_settling = chance;
            return told;
        }
        count_crash(crash, &steps, tally);
        if crash == Crash::AfterJournal {
            // Durable, and nobody was told: after the restart it has happened all the same.
            self.journal.extend(inputs);
        } else if steps.is_empty() {
            self.check_replay(self.seed);
        }
        self.die(now, chance);
        Vec::new()
    }

    /// Whether the server was killed in the last turn.
    pub(super) fn has_died(&mut self) -> bool {
        std::mem::take(&mut self.died)
    }

    fn die(&mut self, now: u64, chance: Option<&mut Chance>) {
        self.died = true;
        self.core = Session::new();
        self.connected.fill(false);
        self.coach_connected = false;
        self.down_until = now + 300 + chance.map_or(0, |chance| chance.below(8_000));
        self.core = self.replayed();
        let view = self.core.view(Viewer::Board);
        let current = usize::from(view.current.0);
        self.phase = view.pieces.get(current).map(|piece| (current, piece.phase));
    }

    fn restart(&mut self, now: u64) {
        let at = At(now).max(self.core.now());
        self.journal.push((at, Input::Reopened));
        self.core.apply(at, &Input::Reopened);
    }

    fn replayed(&self) -> Session {
        let mut core = Session::new();
        for (at, input) in &self.journal {
            core.apply(*at, input);
        }
        core
    }

    /// The journal, replayed, is the session.
    pub(super) fn check_replay(&self, seed: u64) {
        assert!(self.replayed() == self.core, "seed {seed}: a restart would change the session");
    }

    /// The journal as it is stored, a line a record.
    pub(super) fn trace(&self) -> Vec<String> {
        let line = |(at, input): &(At, Input)| {
            format!("{} {}", at.0, serde_json::to_string(input).unwrap_or_default())
        };
        self.journal.iter().map(line).collect()
    }

    /// The journal as it is stored, read again, is the journal.
    pub(super) fn check_stored_form(&self, seed: u64) {
        for (_, input) in &self.journal {
            let stored = serde_json::to_string(input).unwrap_or_default();
            let read = serde_json::from_str::<Input>(&stored).ok();
            assert_eq!(read.as_ref(), Some(input), "seed {seed}: {stored}");
        }
    }

    /// Whether this sample of an athlete is in the journal.
    fn has_journalled(&self, who: usize, durable: &Durable) -> bool {
        let athlete = self.people.get(who).map(|person| person.athlete);
        let mut seqs = BTreeSet::new();
        for (_, input) in &self.journal {
            if let Input::Samples { athlete: whose, run, samples } = input
                && Some(*whose) == athlete
                && *run == durable.run
            {
                seqs.extend(samples.iter().map(|sample| sample.seq));
            }
        }
        let stretches = durable.beyond.iter().copied().chain([(1, durable.through_seq)]);
        stretches.into_iter().all(|(from, to)| (from..=to).all(|seq| seqs.contains(&seq)))
    }

    fn steps(&mut self, at: At, said: Vec<(Who, Said)>) -> Vec<(Who, Step)> {
        let mut steps = Vec::new();
        for (who, said) in said {
            match said {
                Said::Input(input) | Said::Late(input) => steps.push((who, Step::Input(input))),
                Said::Left => {
                    let person = who.and_then(|who| self.people.get(who));
                    let connected = who.and_then(|who| self.connected.get_mut(who));
                    match (person, connected) {
                        (Some(person), Some(connected)) if *connected => {
                            *connected = false;
                            let input = Input::NotHeard { athlete: person.athlete, since: at };
                            steps.push((who, Step::Input(input)));
                        }
                        (Some(_), _) => {}
                        (None, _) => self.coach_connected = false,
                    }
                }
                Said::Hello { run, last_event } => {
                    if let Some(person) = who.and_then(|who| self.people.get(who)) {
                        let (athlete, name) = (person.athlete, person.entry.spec.name.clone());
                        if !self.core.knows(athlete) {
                            steps.push((
                                who,
                                Step::Input(Input::Joined { athlete, name, join: None }),
                            ));
                        }
                        steps.push((who, Step::Input(Input::Heard { athlete })));
                    }
                    steps.push((who, Step::Welcome { run, last_event }));
                }
            }
        }
        if self.core.deadline().is_some_and(|deadline| deadline <= at) {
            steps.push((None, Step::Input(Input::Deadline)));
        }
        steps
    }

    fn apply(&mut self, at: At, steps: Vec<(Who, Step)>, tally: &mut Tally) -> Vec<(Who, Told)> {
        let mut told = Vec::new();
        for (who, step) in steps {
            match step {
                Step::Input(input) => {
                    for output in self.core.apply(at, &input) {
                        self.tell(output, &mut told, tally);
                    }
                }
                Step::Welcome { run, last_event } => {
                    self.welcome(at, who, run, last_event, &mut told, tally);
                }
            }
        }
        told
    }

    pub(super) fn tell(&mut self, output: Output, told: &mut Vec<(Who, Told)>, tally: &mut Tally) {
        match output {
            Output::Event { to, event } => {
                if let Happening::PhaseChanged { piece, phase } = event.what {
                    self.phase = Some((usize::from(piece.0), phase));
                }
                if matches!(event.what, Happening::AthletesRemoved { .. }) {
                    tally.add("athlete removed");
                }
                if matches!(&event.what, Happening::CallSent(sent) if sent.sheet.is_some()) {
                    tally.add("sheet call given");
                }
                for (who, person) in self.people.iter().enumerate() {
                    let connected = self.connected.get(who) == Some(&true);
                    if connected && to.includes(person.athlete) {
                        told.push((Some(who), Told::Events(vec![event.clone()])));
                    }
                }
                if to.coach && self.coach_connected {
                    told.push((None, Told::Events(vec![event])));
                }
            }
            Output::Ack { athlete, durable, refused } => {
                let Some(who) = self.people.iter().position(|person| person.athlete == athlete)
                else {
                    return;
                };
                if !refused.is_empty() {
                    tally.add("impossible sample refused");
                }
                // Looked at now and then: it reads the whole journal.
                if durable.through_seq % 16 == 0 {
                    let kept = self.has_journalled(who, &durable);
                    assert!(kept, "seed {}: acknowledged and not in the journal", self.seed);
                }
                if self.connected.get(who) == Some(&true) {
                    told.push((Some(who), Told::Ack { durable }));
                }
            }
            Output::Done { command } | Output::OrderRefused { command, .. } => {
                match output {
                    Output::Done { .. } => drop(self.done.insert(command)),
                    _ => {
                        let again = self.done.contains(&command);
                        assert!(
                            !again,
                            "seed {}: an order done was refused when repeated",
                            self.seed
                        );
                        tally.add("order refused");
                    }
                }
                if self.coach_connected {
                    told.push((None, Told::Answered(command)));
                }
            }
            Output::SettledDiffers { piece, what, .. } => {
                panic!("seed {}: the record of piece {} differs: {what}", self.seed, piece.0)
            }
            Output::Published
            | Output::OwnChanged { .. }
            | Output::Counted { .. }
            | Output::Refused { .. } => {}
        }
    }

    fn welcome(
        &mut self,
        at: At,
        who: Who,
        run: Option<RunId>,
        last_event: EventNo,
        told: &mut Vec<(Who, Told)>,
        tally: &mut Tally,
    ) {
        let you = who.and_then(|who| self.people.get(who)).map(|person| person.athlete);
        match who.and_then(|who| self.connected.get_mut(who)) {
            Some(connected) => *connected = true,
            None => self.coach_connected = true,
        }
        let viewer = you.map_or(Viewer::Coach, Viewer::Athlete);
        let view = self.core.view(viewer);
        if let Some(you) = you {
            self.check_own_results(you, &view.pieces, tally);
        }
        let durable = you.zip(run).map(|(you, run)| self.core.durable(you, run));
        if let (Some(who), Some(durable)) = (who, &durable) {
            let kept = self.has_journalled(who, durable);
            assert!(kept, "seed {}: a welcome says more than the journal has", self.seed);
        }
        let welcome = Welcome {
            version: thole_protocol::VERSION,
            build: String::new(),
            epoch: "one journal".to_owned(),
            session: SessionId(Uuid::nil()),
            code: JoinCode::from_random(self.seed),
            title: view.title,
            settings: view.settings,
            at_ms: at,
            speed: 1,
            role: if you.is_some() { Role::Athlete } else { Role::Coach },
            you,
            in_command: you.is_none(),
            last_event: view.last_event,
            durable,
            closed: view.closed,
            pieces: view.pieces,
            current: view.current,
            athletes: view.athletes,
            prepared: view.prepared,
            calibration: view.calibration,
            calls: view.calls,
            call: view.call,
            own: view.own,
            requests: Vec::new(),
            damage: view.damage,
        };
        told.push((who, Told::Welcome(Box::new(welcome))));
        if last_event > EventNo(0) {
            let missed = self.core.events_after(last_event, viewer);
            for event in &missed {
                tally.add("event resumed");
                if matches!(event.what, Happening::Call { .. }) {
                    tally.add("call resumed after a lost connection");
                }
            }
            told.push((who, Told::Events(missed)));
        }
    }

    /// Who comes in sees the own results as the coach sees them among all.
    fn check_own_results(&self, you: AthleteId, own: &[PieceView], tally: &mut Tally) {
        for (own, all) in own.iter().zip(self.core.view(Viewer::Coach).pieces) {
            let of_you = |result: &&AthleteResult| result.athlete == you;
            let among_all: Vec<_> = all.results.iter().filter(of_you).cloned().collect();
            assert_eq!(own.results, among_all, "seed {}: the own result is another", self.seed);
            if among_all.iter().any(|result| result.place.is_some()) {
                tally.add("welcome with an own place");
            }
        }
    }
}

/// What is done in turn once it is durable.
enum Step {
    Input(Input),
    Welcome { run: Option<RunId>, last_event: EventNo },
}

fn count_crash(crash: Crash, steps: &[(Who, Step)], tally: &mut Tally) {
    let any = |what: fn(&Step) -> bool| steps.iter().any(|(_, step)| what(step));
    let hello = any(|step| matches!(step, Step::Welcome { .. }));
    let samples = any(|step| matches!(step, Step::Input(Input::Samples { .. })));
    if steps.is_empty() {
        tally.add("crash with nothing under way");
    }
    if hello && samples {
        tally.add("crash with a hello and a late batch in the commit");
    }
    if any(|step| matches!(step, Step::Input(Input::Ordered { .. }))) {
        tally.add("crash with an order in the commit");
    }
    tally.add(match crash {
        Crash::AfterJournal => "crash after the journal, before anybody knew",
        Crash::BeforeJournal | Crash::None => "crash before the journal",
    });
}
