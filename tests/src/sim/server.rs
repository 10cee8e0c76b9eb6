//! The server's host between a network and a disk that fail: journal first, then the host, then everybody; and its deaths.

use std::collections::{BTreeMap, BTreeSet};

use thole::chance::Chance;
use thole_host::{
    Batch, ConnId, Damage, Fault, Greeting, Holder, Host, Now, Outbound, Record, Remark,
    SecretHash, Setup,
};
use thole_piece::{Input, Session, session::Viewer};
use thole_protocol::{
    ServerMsg,
    client_msg::{Hello, Role},
    close::Close,
    event::{Event, Happening},
    ids::{AthleteId, CommandId, EventNo, JoinCode, SessionId, Syllables},
    sample::Durable,
    server_msg::Welcome,
    spec::SessionSettings,
    standing::{AthleteResult, Phase, PieceView},
    units::At,
};
use uuid::Uuid;

use super::{
    Tally,
    computer::{BORN_UNIX_MS, Computer},
    disk::{Disk, first_secret, opened, replayed},
    life::Life,
    post::{Bits, Letter, Post, Said, Told},
    restart::{ClockCheck, SessionClock},
};

/// When the server is killed, or its disk fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Crash {
    None,
    BeforeJournal,
    AfterJournal,
    /// Nothing can be written, and everybody is sent away until there is room.
    DiskFull,
}

/// One process after another on one disk.
pub(super) struct Server {
    pub(super) disk: Disk,
    pub(super) computer: Computer,
    pub(super) clock: SessionClock,
    /// As it was before the server died.
    pub(super) right: SessionClock,
    pub(super) check: Option<ClockCheck>,
    /// Pieces in which the session's clock was set and who rowed on then, and others in which it jumped.
    pub(super) clocks_set: BTreeMap<usize, BTreeSet<AthleteId>>,
    pub(super) bent: BTreeSet<usize>,
    /// What the newest process has found damaged, and has not said yet.
    pub(super) damage: Vec<Damage>,
    /// More than strokes was damaged: what that affected is marked for good.
    pub(super) is_marked: bool,
    /// With orders among it, or what they depended on: what was rowed since is not what it would have been.
    pub(super) has_lost_orders: bool,
    pub(super) host: Host,
    pub(super) settings: Setup,
    /// Planted into each host.
    pub(super) fault: Option<Fault>,
    bits: Bits,
    /// Who is at the other end.
    pub(super) holders: BTreeMap<ConnId, Holder>,
    pub(super) down_until: u64,
    pub(super) seed: u64,
    /// Orders that somebody was told are done.
    done: BTreeSet<CommandId>,
    /// The current piece and how far it is.
    pub(super) phase: Option<(usize, Phase)>,
    /// The last event that was looked at.
    seen: EventNo,
    /// It was killed in this turn.
    pub(super) died: bool,
    /// Whether it is killed around a record of what became of a piece: what is over stays over.
    at_settling: Option<Chance>,
}

/// Whether and when to die in this commit: usually not, and more likely when there is something to lose.
pub(super) fn crash(chance: &mut Chance, letters: &[Letter]) -> Crash {
    let any = |what: fn(&Said) -> bool| letters.iter().any(|letter| what(&letter.said));
    let hello = any(|said| matches!(said, Said::Hello(_)));
    let late = any(|said| matches!(said, Said::Late(_)));
    let one_in = match (hello, late, any(is_order)) {
        (true, true, _) => 4,
        (_, _, true) => 12,
        (true, false, _) => 25,
        (false, true, _) => 30,
        (false, false, false) => 1_200,
    };
    match chance.below(4 * one_in) {
        0 | 1 => Crash::BeforeJournal,
        2 | 3 => Crash::AfterJournal,
        4 => Crash::DiskFull,
        _ => Crash::None,
    }
}

/// Whether the coach wants something that is answered.
fn is_order(said: &Said) -> bool {
    use thole_host::Said as Host;
    let (Said::Now(said) | Said::Late(said)) = said else { return false };
    match said {
        Host::Input { input, .. } => matches!(input, Input::Ordered { .. }),
        Host::Link(..) | Host::Join(..) | Host::Take(..) | Host::Order { .. } => true,
        Host::Hello(_)
        | Host::Add(..)
        | Host::BoardLink(..)
        | Host::CoachLink(..)
        | Host::Table(..)
        | Host::LetIn(..)
        | Host::LetInAll(..)
        | Host::TurnAway(..)
        | Host::KeysEnded { .. }
        | Host::WaitsNoMore(..)
        | Host::Silent(..)
        | Host::HeardAgain(_)
        | Host::Left(..) => false,
    }
}

impl Server {
    pub(super) fn open(life: &Life, rough: bool, fault: Option<Fault>) -> Server {
        let (title, settings) = ("A life".to_owned(), SessionSettings::default());
        let created = Input::Created { title, settings, by: None };
        let roster = life.athletes.iter().filter(|person| person.joins_after_go.is_none());
        let athletes = roster.map(|person| (person.athlete, person.entry.clone()));
        let athletes: Vec<_> = athletes.chain(life.absent.clone()).collect();
        let mut holders: Vec<Holder> =
            athletes.iter().map(|(athlete, _)| Holder::Athlete(*athlete)).collect();
        holders.extend([Holder::Coach, Holder::Board]);
        let computer = Computer::new(rough.then(|| Chance::seeded(life.seed ^ 0xb007)));
        let made = computer.reckoned(0, At(0));
        let mut disk = Disk::new(life.seed, made.clone(), rough);
        let opens = |holder: Holder| (SecretHash::of(&first_secret(holder)), holder);
        disk.opens.extend(holders.into_iter().map(opens));
        let command = CommandId(Uuid::from_u128(1));
        let inputs = [created, Input::AthletesAdded { command, athletes }];
        disk.append(&inputs.map(|input| Record { at: At(0), input }), made);
        let settings = Setup {
            // As many as will come, and not one more.
            athletes: life.athletes.len() + usize::from(life.absent.is_some()),
            coaches: 8,
            boards: 8,
            speed: 1,
            build: String::new(),
            epoch: "one journal".to_owned(),
            session: SessionId(Uuid::nil()),
            code: JoinCode::drawn(life.seed, Syllables::default()),
            created_unix_ms: BORN_UNIX_MS,
        };
        let host = opened(&settings, &disk, fault);
        Server {
            disk,
            computer,
            clock: SessionClock::default(),
            right: SessionClock::default(),
            check: None,
            clocks_set: BTreeMap::new(),
            bent: BTreeSet::new(),
            damage: Vec::new(),
            is_marked: false,
            has_lost_orders: false,
            host,
            settings,
            fault,
            bits: Bits(Chance::seeded(life.seed ^ 0xb175)),
            holders: BTreeMap::new(),
            down_until: 0,
            seed: life.seed,
            done: BTreeSet::new(),
            phase: None,
            seen: EventNo(0),
            died: false,
            at_settling: rough.then(|| Chance::seeded(life.seed ^ 0x5e77)),
        }
    }

    pub(super) fn core(&self) -> &Session {
        self.host.core()
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

    /// The go of the current piece in the time of the world, once it is known.
    pub(super) fn go(&self) -> Option<u64> {
        self.session_go().map(|go| self.clock.world(go))
    }

    fn session_go(&self) -> Option<At> {
        match self.phase()? {
            Phase::Counting { go_at_ms }
            | Phase::Rowing { go_at_ms, .. }
            | Phase::Resting { go_at_ms, .. }
            | Phase::Closing { go_at_ms }
            | Phase::Finished { go_at_ms } => Some(go_at_ms),
            Phase::Stopped { go_at_ms, .. } => go_at_ms,
            Phase::Gathering | Phase::Armed => None,
        }
    }

    /// One turn: all that came in is made durable, applied in order, and told.
    pub(super) fn commit(
        &mut self,
        now: u64,
        letters: Vec<Letter>,
        crash: Crash,
        chance: Option<&mut Chance>,
        tally: &mut Tally,
    ) -> Vec<(ConnId, Told)> {
        if self.down_until > now {
            return Vec::new();
        }
        if self.down_until > 0 {
            self.down_until = 0;
            self.restart(now, tally);
        }
        self.computer.may_be_set(tally);
        let Some(letters) = self.check_clock(now, letters, tally) else {
            if crash != Crash::None {
                self.die(now, chance, tally);
            }
            return Vec::new();
        };
        let mut post = Post::new(self.seed);
        count_crash(crash, &letters, tally);
        let mut batch = Batch::default();
        let at = self.clock.now(now);
        self.take(at, letters, &mut batch, &mut post);
        self.host.due(at, &mut batch);
        self.check_untimely(&post);
        if crash == Crash::None {
            self.finish(now, batch, &mut post);
            let mut chance = self.at_settling.take();
            if !self.settle(now, chance.as_mut(), &mut post, tally) {
                self.die(now, chance.as_mut(), tally);
                post.told.clear();
            }
            self.at_settling = chance;
            self.host.tell_later(at, &mut post);
            return self.hand_out(post, tally);
        }
        if crash == Crash::AfterJournal {
            // Durable, and nobody was told: after the restart it has happened all the same.
            self.write(now, &batch.records);
            self.disk.grant(&batch);
        } else if batch.is_empty() {
            self.check_replay(self.seed);
        }
        self.die(now, chance, tally);
        Vec::new()
    }

    pub(super) fn write(&mut self, now: u64, records: &[Record]) {
        let reckoned = self.computer.reckoned(now, self.clock.at(now));
        self.disk.append(records, reckoned);
    }

    fn take(&mut self, now: Now, letters: Vec<Letter>, batch: &mut Batch, post: &mut Post) {
        for Letter { conn, said } in letters {
            let said = match said {
                Said::Hello(hello) => match self.greeting(now, conn, hello) {
                    Some(greeting) => thole_host::Said::Hello(Box::new(greeting)),
                    None => {
                        post.tell(conn, thole_host::Delivery::Close(Close::WrongSecret));
                        continue;
                    }
                },
                // The device's loss is noticed here.
                Said::Now(thole_host::Said::Left(conn, at)) => {
                    thole_host::Said::Left(conn, self.clock.at(at.0))
                }
                Said::Now(said) | Said::Late(said) => said,
            };
            self.host.take(now, said, &mut self.bits, batch, post);
        }
    }

    pub(super) fn greeting(&mut self, now: Now, conn: ConnId, hello: Hello) -> Option<Greeting> {
        let opens = SecretHash::of(&hello.secret);
        let holder = *self.disk.opens.get(&opens)?;
        self.holders.insert(conn, holder);
        Some(Greeting { conn, asked: now.moment, holder, opens, by: None, hello })
    }

    /// What a batch leads to is told when it is durable, and not before.
    fn check_untimely(&self, post: &Post) {
        for (conn, told) in &post.told {
            let Told::Msg(msg) = told else { continue };
            match &**msg {
                ServerMsg::Refused { .. } | ServerMsg::InCommand { .. } => {}
                // What is here already is acknowledged again at once, and no more than is here.
                ServerMsg::Ack(ack) => self.check_kept(*conn, &ack.durable),
                ServerMsg::Done { .. } => {}
                other => panic!("seed {}: told before it was durable: {other:?}", self.seed),
            }
        }
    }

    pub(super) fn finish(&mut self, now: u64, mut batch: Batch, post: &mut Post) {
        let records = std::mem::take(&mut batch.records);
        self.write(now, &records);
        self.disk.grant(&batch);
        self.host.committed(self.clock.now(now), batch, &records, post);
    }

    /// Whether the server was killed in the last turn.
    pub(super) fn has_died(&mut self) -> bool {
        std::mem::take(&mut self.died)
    }

    /// The journal, replayed, is the session.
    pub(super) fn check_replay(&self, seed: u64) {
        assert!(
            replayed(&self.disk) == *self.core(),
            "seed {seed}: a restart would change the session"
        );
    }

    /// The journal as it is stored, one line per record.
    pub(super) fn trace(&self) -> Vec<String> {
        let line = |(at, input): &(At, Input)| {
            format!("{} {}", at.0, serde_json::to_string(input).unwrap_or_default())
        };
        self.disk.records.iter().map(line).collect()
    }

    /// The journal as it is stored, read again, is the journal.
    pub(super) fn check_stored_form(&self, seed: u64) {
        for (_, input) in &self.disk.records {
            let stored = serde_json::to_string(input).unwrap_or_default();
            let read = serde_json::from_str::<Input>(&stored).ok();
            assert_eq!(read.as_ref(), Some(input), "seed {seed}: {stored}");
        }
    }

    /// Anybody who is told how far their strokes are durable finds them in the journal.
    fn check_kept(&self, conn: ConnId, durable: &Durable) {
        let Some(Holder::Athlete(athlete)) = self.holders.get(&conn) else {
            panic!("seed {}: an acknowledgement for somebody else", self.seed)
        };
        let kept = self.disk.has(*athlete, durable);
        assert!(kept, "seed {}: acknowledged and not in the journal", self.seed);
    }

    /// What is told goes out, once all of it has been looked at.
    pub(super) fn hand_out(&mut self, post: Post, tally: &mut Tally) -> Vec<(ConnId, Told)> {
        for event in self.core().events_after(self.seen, Viewer::Coach) {
            self.see(&event, tally);
        }
        for _ in 0..post.missed {
            tally.add("event resumed");
        }
        for remark in post.remarks {
            match remark {
                Remark::SettledDiffers { piece, what, .. } => {
                    panic!("seed {}: the record of piece {} differs: {what}", self.seed, piece.0)
                }
                Remark::LostStrokes { .. } => {
                    assert!(self.disk.is_damaged, "seed {}: strokes were lost", self.seed);
                    tally.add("strokes lost that a device has");
                }
                Remark::Refused(_) | Remark::PieceOver { .. } | Remark::Counted(..) => {}
            }
        }
        for (conn, told) in &post.told {
            if let Told::Msg(msg) = told {
                self.look_at(*conn, msg, tally);
            }
            if matches!(told, Told::Close(Close::Replaced)) {
                tally.add("connection replaced");
            }
        }
        post.told
    }

    fn look_at(&mut self, conn: ConnId, msg: &ServerMsg, tally: &mut Tally) {
        let seed = self.seed;
        match msg {
            ServerMsg::Welcome(welcome) => self.check_welcome(conn, welcome, tally),
            ServerMsg::Ack(ack) => {
                self.check_kept(conn, &ack.durable);
                if !ack.refused.is_empty() {
                    tally.add("impossible sample refused");
                }
            }
            ServerMsg::Events { events } => {
                let is_late =
                    |event: &Event| matches!(event.what, Happening::Call { .. }) && event.late;
                if events.iter().any(is_late) {
                    tally.add("call resumed after a lost connection");
                }
            }
            ServerMsg::Done { command } => drop(self.done.insert(*command)),
            ServerMsg::Refused { command: Some(command), .. } => {
                let again = self.done.contains(command);
                assert!(!again, "seed {seed}: an order done was refused when repeated");
                tally.add("order refused");
            }
            _ => {}
        }
    }

    fn see(&mut self, event: &Event, tally: &mut Tally) {
        self.seen = event.event;
        if let Happening::PhaseChanged { piece, phase } = event.what {
            self.phase = Some((usize::from(piece.0), phase));
        }
        if let Happening::FalseStart { piece } = event.what {
            // What follows starts afresh, on the clock as it is.
            self.clocks_set.remove(&usize::from(piece.0));
            self.bent.remove(&usize::from(piece.0));
        }
        if matches!(event.what, Happening::AthletesRemoved { .. }) {
            tally.add("athlete removed");
        }
        if matches!(&event.what, Happening::CallSent(sent) if sent.sheet.is_some()) {
            tally.add("sheet call given");
        }
    }

    /// Anybody who comes in sees what their role may see, and their own results as the coach sees them among
    /// all.
    fn check_welcome(&self, conn: ConnId, welcome: &Welcome, tally: &mut Tally) {
        let seed = self.seed;
        let holder = self.holders.get(&conn);
        let viewer = match holder {
            Some(Holder::Coach) => Viewer::Coach,
            Some(Holder::Board) => Viewer::Board,
            Some(Holder::Athlete(you)) => Viewer::Athlete(*you),
            None => panic!("seed {seed}: a welcome for a connection without a secret"),
        };
        assert_eq!(welcome.epoch, self.settings.epoch, "seed {seed}: the life of another journal");
        let limits = welcome.athletes.iter().filter(|one| one.spec.heart_limit_bpm.is_some());
        let others = limits.filter(|one| viewer != Viewer::Athlete(one.athlete)).count();
        let sheets: usize = welcome.pieces.iter().map(|piece| piece.spec.call_sheet.len()).sum();
        let secrets = others + sheets + welcome.prepared.len() + welcome.requests.len();
        let may_see = viewer == Viewer::Coach && welcome.role == Role::Coach;
        assert!(may_see || secrets == 0, "seed {seed}: {holder:?} sees what the coach may see");
        if let Some(durable) = &welcome.durable {
            self.check_kept(conn, durable);
        }
        // What followed in the same turn was told after it.
        let is_newest = welcome.last_event == self.core().view(viewer).last_event;
        if let Some(Holder::Athlete(you)) = holder
            && is_newest
        {
            self.check_own_results(*you, &welcome.pieces, tally);
        }
    }

    fn check_own_results(&self, you: AthleteId, own: &[PieceView], tally: &mut Tally) {
        for (own, all) in own.iter().zip(self.core().view(Viewer::Coach).pieces) {
            let of_you = |result: &&AthleteResult| result.athlete == you;
            let among_all: Vec<_> = all.results.iter().filter(of_you).cloned().collect();
            assert_eq!(own.results, among_all, "seed {}: the own result is another", self.seed);
            if among_all.iter().any(|result| result.place.is_some()) {
                tally.add("welcome with an own place");
            }
        }
    }

    pub(super) fn host(&mut self) -> &mut Host {
        &mut self.host
    }
}

fn count_crash(crash: Crash, letters: &[Letter], tally: &mut Tally) {
    let any = |what: fn(&Said) -> bool| letters.iter().any(|letter| what(&letter.said));
    let hello = any(|said| matches!(said, Said::Hello(_)));
    let samples = any(|said| matches!(said, Said::Late(_)));
    match crash {
        Crash::None => return,
        Crash::DiskFull => return tally.add("disk full"),
        Crash::AfterJournal => tally.add("crash after the journal, before anybody knew"),
        Crash::BeforeJournal => tally.add("crash before the journal"),
    }
    if letters.is_empty() {
        tally.add("crash with nothing under way");
    }
    if hello && samples {
        tally.add("crash with a hello and a late batch in the commit");
    }
    if any(is_order) {
        tally.add("crash with an order in the commit");
    }
}
