//! An athlete's device: the client's own course, samples and mirror, on a connection that fails.

use std::collections::BTreeMap;

use thole::{
    chance::Chance,
    course::{Course, Source},
    kept::{Kept, Next, Resumed},
    mirror::Mirror,
};
use thole_host::{ConnId, Entrance, Holder};
use thole_piece::Input;
use thole_protocol::{
    ServerMsg,
    client_msg::{Join, Role},
    close::Close,
    event::{Event, Happening},
    ids::{AthleteId, CallId, EventNo, PieceNo, RunId},
    refusal::Why,
    spec::Plan,
    standing::Phase,
    units::At,
};
use uuid::Uuid;

use super::{
    Tally,
    disk::first_secret,
    life::Person,
    post::{self, Dial, Letter, Said, Told, Who, signed},
};

/// A connection that is not answered within this time is abandoned.
const GREETING_MAX_MS: u64 = 3_000;
/// The server notices a lost connection within this.
const NOTICED_MS: u64 = 6_000;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Link {
    /// Not there yet, or lost; comes (back) at this time.
    Down {
        until: u64,
    },
    Greeting {
        since: u64,
    },
    Up,
    /// The link that it came by opens nothing any more: the coach gives it a new one.
    Waits,
}

pub(super) struct Seat {
    person: Person,
    course: Course,
    kept: Kept,
    mirror: Option<Mirror>,
    link: Link,
    dial: Dial,
    /// The last sample that was acknowledged.
    acked: u32,
    /// `None` until somebody who joins by the code has a seat.
    secret: Option<String>,
    /// What the newest connection came in with.
    came_by: Option<String>,
    /// What is under way to the server, and when it arrives.
    under_way: Vec<(u64, Letter)>,
    last_event: EventNo,
    heard: Vec<EventNo>,
    sheet_calls: BTreeMap<CallId, u32>,
    machine_dm: i64,
    stopped: bool,
    /// In the time of the world, as all of the course is: whoever rows does not jump when the session's clock does.
    go: Option<At>,
    /// The go of each attempt in the time of the world, by what the session has called it.
    attempts: BTreeMap<(PieceNo, At), At>,
}

impl Seat {
    pub(super) fn new(number: usize, person: &Person) -> Seat {
        let on_the_roster = person.joins_after_go.is_none();
        let build = Box::new(person.build.clone());
        Seat {
            person: person.clone(),
            course: Course::new(Source::Simulated { build, own_pace: true }),
            kept: Kept::new(RunId(Uuid::from_u64_pair(person.seed, person.seed))),
            mirror: None,
            link: Link::Down { until: if on_the_roster { 0 } else { u64::MAX } },
            dial: Dial::new(Who::Athlete(number)),
            acked: 0,
            came_by: None,
            secret: on_the_roster.then(|| first_secret(Holder::Athlete(person.athlete))),
            under_way: Vec::new(),
            last_event: EventNo(0),
            heard: Vec::new(),
            sheet_calls: BTreeMap::new(),
            machine_dm: 0,
            stopped: false,
            go: None,
            attempts: BTreeMap::new(),
        }
    }

    pub(super) fn athlete(&self) -> AthleteId {
        self.person.athlete
    }

    pub(super) fn name(&self) -> &str {
        &self.person.entry.spec.name
    }

    /// The state of its connection, for whoever is looking for a fault.
    pub(super) fn state(&self) -> String {
        format!("{} is {:?} on {:?}, {:?}", self.name(), self.link, self.conn(), self.under_way)
    }

    pub(super) fn pending(&self) -> u32 {
        self.kept.pending()
    }

    pub(super) fn heard(&self) -> &[EventNo] {
        &self.heard
    }

    pub(super) fn sheet_calls(&self) -> BTreeMap<CallId, u32> {
        self.sheet_calls.clone()
    }

    /// Rows what is due, loses or finds the connection, sends what is to be sent.
    pub(super) fn tick(
        &mut self,
        now: u64,
        go: Option<u64>,
        server_is_up: bool,
        mut chance: Option<&mut Chance>,
        tally: &mut Tally,
    ) {
        self.row(now, tally);
        match self.link {
            Link::Down { until: u64::MAX } => {
                let joins = go.zip(self.person.joins_after_go).map(|(go, after)| go + after);
                if joins.is_some_and(|at| at <= now) {
                    tally.add("joined late");
                    self.link = Link::Down { until: 0 };
                }
            }
            Link::Down { until } if until <= now && server_is_up => {
                self.link = Link::Greeting { since: now };
                let run = Some((self.kept.run(), self.acked));
                self.came_by.clone_from(&self.secret);
                let letter = match &self.secret {
                    Some(secret) => {
                        self.dial.hello(now, Role::Athlete, secret, run, self.last_event)
                    }
                    None => self.join(),
                };
                self.under_way.push((now, letter));
            }
            Link::Down { until } if until <= now && !server_is_up => {
                self.link = Link::Down { until: self.dial.tries_again(now) };
            }
            Link::Greeting { since } if since + GREETING_MAX_MS < now => {
                self.link = Link::Down { until: now + 500 };
            }
            Link::Up => {
                if chance.as_mut().is_some_and(|chance| chance.below(400) == 0) {
                    self.lose_connection(now, chance, tally);
                } else {
                    self.send(now, chance, tally);
                }
            }
            Link::Down { .. } | Link::Greeting { .. } | Link::Waits => {}
        }
    }

    /// Asks for a seat by the code; what is repeated after a lost answer is the same.
    fn join(&mut self) -> Letter {
        let join = Join {
            code: String::new(),
            name: self.name().to_owned(),
            join: Some(format!("{:024}", self.person.seed)),
            from: None,
            key: None,
        };
        let conn = self.dial.again();
        Letter { conn, said: Said::Now(thole_host::Said::Join(conn, join, None)) }
    }

    /// The coach hands over a new link.
    pub(super) fn is_given(&mut self, now: u64, secret: String) {
        self.secret = Some(secret);
        if self.link == Link::Waits {
            self.link = Link::Down { until: now };
        }
    }

    /// The secret that it comes in with.
    pub(super) fn secret(&self) -> Option<&str> {
        self.secret.as_deref()
    }

    /// The newest of its connections.
    pub(super) fn conn(&self) -> ConnId {
        self.dial.conn()
    }

    fn row(&mut self, now: u64, tally: &mut Tally) {
        if self.go != self.course.go() {
            self.go = self.course.go();
            self.stopped = false;
        }
        while self.course.due().is_some_and(|at| at.0 <= now) {
            let Some(due) = self.course.take() else { break };
            let mut sample = due.sample;
            if sample.distance_dm < self.machine_dm {
                tally.add("machine reset");
            }
            self.machine_dm = sample.distance_dm;
            sample.heard_ms = signed(self.dial.session(due.at.0).0);
            if self.is_nonsense(due.at) {
                sample.distance_dm += 40_000;
            }
            self.kept.record(sample);
        }
    }

    /// Whether the machine reports nonsense at this instant: depends on the time from the go, so that it is
    /// the same in both lives.
    fn is_nonsense(&self, at: At) -> bool {
        let (Some(every), Some(go)) = (self.person.nonsense_every, self.go) else { return false };
        let since_go = u64::from(at.since(go).0);
        // Not at rest before the go: after a long pause, 4 km more might have been rowed.
        since_go > 0 && Chance::seeded(self.person.seed ^ since_go).below(u64::from(every)) == 0
    }

    fn send(&mut self, now: u64, mut chance: Option<&mut Chance>, tally: &mut Tally) {
        let athlete = self.person.athlete;
        while let Some(next) = self.kept.next(self.dial.session(now), now) {
            let input = match next {
                Next::Samples(batch) => {
                    let (run, mut samples) = (batch.run, batch.samples);
                    if let Some(chance) = &mut chance
                        && samples.len() > 1
                        && chance.below(2) == 0
                    {
                        tally.add("batch shuffled");
                        shuffle(chance, &mut samples);
                    }
                    Input::Samples { athlete, run, samples }
                }
                Next::Skip(skip) => Input::Skipped {
                    athlete,
                    run: skip.run,
                    from_seq: skip.from_seq,
                    to_seq: skip.to_seq,
                },
            };
            self.say(now, input, chance.as_deref_mut(), tally);
        }
        let has_stopped = self.person.build.stops_at.is_some()
            && self.go.is_some()
            && self.course.due().is_none();
        let rowing = self.mirror.as_ref().and_then(Mirror::current).is_some_and(|piece| {
            matches!(
                piece.phase,
                Phase::Rowing { .. } | Phase::Resting { .. } | Phase::Closing { .. }
            )
        });
        if has_stopped && rowing && self.person.says_stop && !self.stopped {
            self.stopped = true;
            tally.add("stopped by word");
            self.say(now, Input::StopRowing { athlete }, chance, tally);
        }
    }

    fn say(&mut self, now: u64, input: Input, chance: Option<&mut Chance>, tally: &mut Tally) {
        let conn = self.dial.conn();
        let said = thole_host::Said::Input { conn, input, bytes: 100, command: None };
        let letter = Letter { conn, said: Said::Now(said) };
        let Some(chance) = chance else {
            self.under_way.push((now, letter));
            return;
        };
        if chance.below(12) == 0 {
            tally.add("batch doubled");
            self.under_way.push((now + chance.below(3_000), letter.clone()));
        }
        self.under_way.push((now + chance.below(1_200), letter));
    }

    /// The connection is lost. What was under way is lost too, or arrives late, after the next hello.
    pub(super) fn lose_connection(
        &mut self,
        now: u64,
        chance: Option<&mut Chance>,
        tally: &mut Tally,
    ) {
        if matches!(self.link, Link::Down { until: u64::MAX } | Link::Waits) {
            return;
        }
        self.kept.unsent();
        self.stopped = false;
        let under_way = std::mem::take(&mut self.under_way);
        let Some(chance) = chance else {
            // The server died: nothing is under way any more.
            self.link = Link::Down { until: now + 200 + self.person.seed % 900 };
            return;
        };
        tally.add("connection lost");
        let away = if chance.below(3) == 0 { 25_000 } else { 4_000 };
        let back = now + 200 + chance.below(away);
        self.link = Link::Down { until: back };
        for (_, letter) in under_way {
            if let Said::Now(said @ thole_host::Said::Input { .. }) = letter.said
                && chance.below(2) == 0
            {
                tally.add("late batch of an old connection");
                self.under_way.push((back, Letter { conn: letter.conn, said: Said::Late(said) }));
            }
        }
        let (conn, noticed) = (self.dial.conn(), now + chance.below(NOTICED_MS));
        let left = thole_host::Said::Left(conn, At(now));
        self.under_way.push((noticed, Letter { conn, said: Said::Now(left) }));
    }

    /// What reaches the server now.
    pub(super) fn arriving(&mut self, now: u64) -> Vec<Letter> {
        post::arriving(&mut self.under_way, now)
    }

    /// Takes in what the server tells on this connection.
    pub(super) fn hear(&mut self, now: u64, told: Told, is_damaged: bool) {
        match told {
            Told::Msg(msg) => self.hear_msg(now, *msg, is_damaged),
            // It may have come by the old link just before the new one was handed over.
            Told::Close(Close::WrongSecret) if self.came_by != self.secret => {
                self.link = Link::Down { until: now };
            }
            Told::Close(Close::WrongSecret) => self.link = Link::Waits,
            Told::Close(Close::TooSlow) => self.link = Link::Down { until: now + 2_000 },
            Told::Close(why) => panic!("{}: sent away: {why:?}", self.name()),
            Told::Entrance(Ok(Entrance::Open(joined))) => {
                let before = self.secret.replace(joined.secret);
                assert!(before.is_none(), "{}: two seats", self.name());
                assert_eq!(joined.name, self.name());
                self.person.athlete = joined.athlete;
                self.link = Link::Down { until: now };
            }
            Told::Entrance(other) => panic!("{}: not let in: {other:?}", self.name()),
            Told::Decided(decided) => panic!("{}: nobody was asked: {decided:?}", self.name()),
        }
    }

    fn hear_msg(&mut self, now: u64, msg: ServerMsg, is_damaged: bool) {
        match msg {
            ServerMsg::Welcome(welcome) => {
                self.link = Link::Up;
                self.dial.welcomed(now, welcome.at_ms);
                let resumed = self.kept.welcomed(&welcome.epoch, welcome.durable.as_ref());
                let here = welcome.durable.as_ref();
                self.acked = self.acked.max(here.map_or(0, |durable| durable.through_seq));
                let fine = is_damaged || matches!(resumed, Resumed::GoesOn { .. });
                assert!(fine, "{}: the server lost what it had acknowledged", self.name());
                let first = self.mirror.is_none();
                if first {
                    self.last_event = welcome.last_event;
                }
                self.last_event = self.last_event.min(welcome.last_event);
                let (current, at) = (welcome.current, welcome.at_ms);
                let phase = welcome.pieces.get(usize::from(current.0)).map(|piece| piece.phase);
                self.mirror = Some(Mirror::of(*welcome));
                if let (true, Some(phase)) = (first, phase) {
                    self.see(current, phase, at);
                }
            }
            ServerMsg::Events { events } => events.iter().for_each(|event| self.happened(event)),
            ServerMsg::Ack(ack) => {
                self.kept.acknowledged(&ack.durable, now);
                self.acked = self.acked.max(ack.durable.through_seq);
                ack.events.iter().for_each(|event| self.happened(event));
            }
            ServerMsg::Refused { refusal, .. } if refusal.why == Why::Limit => {
                panic!("{}: what a real machine says is refused: {}", self.name(), refusal.says)
            }
            _ => {}
        }
    }

    fn happened(&mut self, event: &Event) {
        if event.event <= self.last_event {
            return;
        }
        self.last_event = event.event;
        self.heard.push(event.event);
        if let Some(mirror) = &mut self.mirror {
            mirror.take(event);
        }
        match &event.what {
            Happening::PhaseChanged { piece, phase } => self.see(*piece, *phase, event.at_ms),
            Happening::Call { call, text, .. } if text.shown.starts_with("sheet") => {
                *self.sheet_calls.entry(*call).or_default() += 1;
            }
            // The piece begins again, and its sheet with it.
            Happening::FalseStart { .. } => self.sheet_calls.clear(),
            _ => {}
        }
    }

    fn see(&mut self, piece: PieceNo, phase: Phase, at: At) {
        let Some(view) = self.mirror.as_ref().and_then(|mirror| mirror.piece(piece)) else {
            return;
        };
        let (dial, attempts) = (&self.dial, &mut self.attempts);
        let mut world = |go: At| *attempts.entry((piece, go)).or_insert_with(|| At(dial.world(go)));
        let phase = in_the_world(phase, &mut world, |at| At(dial.world(at)));
        let at = At(dial.world(at));
        self.course.see(piece, &view.spec, phase, at, (None, &Plan::Even));
    }
}

/// A phase with its instants in the time of the world; its go as it was first taken to be.
fn in_the_world(
    phase: Phase,
    go_in_the_world: &mut impl FnMut(At) -> At,
    world: impl Fn(At) -> At,
) -> Phase {
    match phase {
        Phase::Gathering | Phase::Armed => phase,
        Phase::Counting { go_at_ms } => Phase::Counting { go_at_ms: go_in_the_world(go_at_ms) },
        Phase::Rowing { go_at_ms, repeat, repeat_at_ms } => {
            let go = go_in_the_world(go_at_ms);
            let repeat_at = if repeat_at_ms == go_at_ms { go } else { world(repeat_at_ms) };
            Phase::Rowing { go_at_ms: go, repeat, repeat_at_ms: repeat_at }
        }
        Phase::Resting { go_at_ms, next_repeat, next_at_ms } => {
            Phase::Resting { go_at_ms: go_in_the_world(go_at_ms), next_repeat, next_at_ms }
        }
        Phase::Closing { go_at_ms } => Phase::Closing { go_at_ms: go_in_the_world(go_at_ms) },
        Phase::Finished { go_at_ms } => Phase::Finished { go_at_ms: go_in_the_world(go_at_ms) },
        Phase::Stopped { go_at_ms, stopped_at_ms } => Phase::Stopped {
            go_at_ms: go_at_ms.map(go_in_the_world),
            stopped_at_ms: world(stopped_at_ms),
        },
    }
}

/// Puts a list into any order.
fn shuffle<T>(chance: &mut Chance, list: &mut [T]) {
    for left in (1..list.len()).rev() {
        let with = usize::try_from(chance.below(left as u64 + 1)).unwrap_or(0);
        list.swap(left, with);
    }
}
