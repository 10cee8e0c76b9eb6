//! Random lives of a session: real core, real client logic, and a network and a server that fail.
//!
//! A seed makes a life (`life.rs`): who rows, what, how, and what the coach does. The life is lived
//! twice: once in peace and once with connections lost, messages late, doubled and out of order, and
//! the server killed at the worst moments (`server.rs`). Both must end in the same results, and at
//! every restart the journal, replayed, must be the session that was.

mod coach;
mod compared;
mod computer;
mod disk;
mod life;
mod post;
mod restart;
mod rows;
mod screens;
mod seat;
mod server;
mod settling;

use std::collections::{BTreeMap, BTreeSet};

use thole::chance::Chance;
use thole_host::{ConnId, Fault};
use thole_piece::session::Viewer;
use thole_protocol::{
    client_msg::{Join, Role},
    event::{Event, Happening},
    ids::{AthleteId, EventNo},
    standing::{AthleteResult, Phase},
};

use coach::Coach;
use compared::{Lived, compare};
use life::Life;
use post::{Dial, Letter, Said, Told, Who};
use screens::Screen;
use seat::Seat;
use server::{Crash, Server};

/// The world is looked at this often.
const TICK_MS: u64 = 100;
/// No life is longer; one that is has hung.
const LIFE_MAX_MS: u64 = 3_600_000;
/// After the last order, and the server's last death, everything may settle for this long.
const SETTLE_MS: u64 = 40_000;

/// This many bits of a journal flip, one after another, when a life is over.
const FLIPS: usize = 8;

/// How often each thing happened: what never happened was never tested.
#[derive(Clone, Debug, Default)]
pub struct Tally(BTreeMap<&'static str, u64>);

impl Tally {
    fn add(&mut self, what: &'static str) {
        *self.0.entry(what).or_default() += 1;
    }

    /// Adds what happened in another life.
    pub fn join(&mut self, other: &Tally) {
        for (what, times) in &other.0 {
            *self.0.entry(what).or_default() += times;
        }
    }

    /// How often each thing happened, including those of `EXPECTED` that never did.
    #[must_use]
    pub fn counts(&self) -> Vec<(&'static str, u64)> {
        let count = |what: &&'static str| (*what, self.0.get(what).copied().unwrap_or(0));
        EXPECTED.iter().map(count).collect()
    }
}

/// Everything that lives are meant to try.
const EXPECTED: [&str; 51] = [
    "any bit flipped",
    "athlete removed",
    "batch doubled",
    "batch shuffled",
    "call resumed after a lost connection",
    "clock found right by devices",
    "clock not checked for want of devices",
    "clock set by devices",
    "command taken back",
    "command taken by the second device",
    "computer started again",
    "computer started again with a wrong wall clock",
    "computer started again without a wall clock",
    "connection lost",
    "connection replaced",
    "crash after the journal, before anybody knew",
    "crash before the journal",
    "crash before a piece was settled",
    "crash when a piece was settled",
    "crash with a hello and a late batch in the commit",
    "crash with an order in the commit",
    "crash with nothing under way",
    "disk full",
    "event resumed",
    "false start",
    "impossible sample refused",
    "joined late",
    "late batch of an old connection",
    "life with common repeats",
    "life with own rests",
    "machine reset",
    "name asked for twice",
    "new link",
    "new link asked for again",
    "old link tried",
    "order of a device that does not lead refused",
    "order refused",
    "order repeated",
    "piece by time",
    "piece settled",
    "piece settled again",
    "piece whose clock leapt",
    "results compared",
    "row flipped",
    "row that ended a piece flipped",
    "settled row flipped",
    "sheet call given",
    "stopped by word",
    "strokes lost that a device has",
    "wall clock set while the server runs",
    "welcome with an own place",
];

/// Lives one life twice and checks everything.
///
/// # Panics
/// When a promise is broken; the message names the seed.
pub fn live(seed: u64, tally: &mut Tally) {
    live_with(seed, None, tally);
}

/// The same with a fault planted in the server, except in the life in peace.
///
/// # Panics
/// When a promise is broken; the message names the seed.
pub fn live_with(seed: u64, fault: Option<Fault>, tally: &mut Tally) {
    let life = Life::of(seed);
    let calm = World::new(&life, None, None).live(&mut Tally::default());
    let rough = World::new(&life, Some(Chance::seeded(!seed)), fault).live(tally);
    compare(&life, &calm, &rough, tally);
}

/// Everything that was written into the journal in a life with its faults, one line per record.
///
/// # Panics
/// When a promise is broken; the message names the seed.
#[must_use]
pub fn trace(seed: u64) -> Vec<String> {
    let life = Life::of(seed);
    let mut world = World::new(&life, Some(Chance::seeded(!seed)), None);
    world.live_on(&mut Tally::default());
    world.server.trace()
}

/// Everything that exists in a life.
struct World<'a> {
    life: &'a Life,
    now: u64,
    server: Server,
    coach: Coach,
    /// The coach's second device and the board, in the life with faults.
    screens: Option<[Screen; 2]>,
    seats: Vec<Seat>,
    /// What is attempted with links that open nothing any more, and when.
    old_links: Vec<(u64, Letter)>,
    renewals: usize,
    /// `None` in the life without faults.
    chance: Option<Chance>,
    /// Since when the coach has nothing more to do.
    idle_since: Option<u64>,
    /// When the server last died.
    died_at: u64,
}

impl<'a> World<'a> {
    fn new(life: &'a Life, chance: Option<Chance>, fault: Option<Fault>) -> World<'a> {
        World {
            life,
            now: 0,
            server: Server::open(life, chance.is_some(), fault),
            coach: Coach::new(life),
            screens: chance.is_some().then(|| [Screen::assistant(), Screen::board()]),
            seats: life.athletes.iter().enumerate().map(|(no, one)| Seat::new(no, one)).collect(),
            old_links: Vec::new(),
            renewals: 0,
            chance,
            idle_since: None,
            died_at: 0,
        }
    }

    fn live(mut self, tally: &mut Tally) -> Lived {
        self.live_on(tally);
        self.check_the_end();
        if self.chance.is_some() {
            let mut chance = Chance::seeded(self.life.seed ^ 0xa11);
            (0..FLIPS).for_each(|_| self.server.check_any_flip(&mut chance, tally));
        }
        let identity = self.identities();
        let identify = |who: &AthleteId| identity.get(who).copied().unwrap_or(*who);
        let clocks_set = self.server.clocks_set.iter();
        let clocks_set = clocks_set
            .map(|(piece, rowed_on)| (*piece, rowed_on.iter().map(identify).collect()))
            .collect();
        let mut unsaid = BTreeSet::new();
        for piece in 0..self.life.pieces.len() {
            for seat in &self.seats {
                if !self.server.has_stopped(piece, seat.athlete()) {
                    unsaid.insert((piece, identify(&seat.athlete())));
                }
            }
        }
        let bent = self.server.bent.clone();
        let (is_marked, has_lost_orders) = (self.server.is_marked, self.server.has_lost_orders);
        Lived { results: self.results(), clocks_set, bent, unsaid, is_marked, has_lost_orders }
    }

    fn live_on(&mut self, tally: &mut Tally) {
        while self.idle_since.is_none_or(|since| self.now < since.max(self.died_at) + SETTLE_MS)
            || self.server.is_settling()
        {
            self.now += TICK_MS;
            let (seed, phase, order) = (self.life.seed, self.server.phase(), self.coach.order());
            assert!(
                self.now < LIFE_MAX_MS,
                "seed {seed}: this life does not end; {phase:?}, the coach is at {order:?}"
            );
            self.tick(tally);
        }
    }

    fn tick(&mut self, tally: &mut Tally) {
        let faults = self.faults_now();
        let mut chance = self.chance.clone().filter(|_| faults);
        let go = self.server.go();
        for seat in &mut self.seats {
            seat.tick(self.now, go, self.server.is_up(), chance.as_mut(), tally);
        }
        self.coach.tick(self.now, go, self.server.is_up(), chance.as_mut(), tally);
        for screen in self.screens.iter_mut().flatten() {
            screen.tick(self.now, self.server.is_up(), chance.as_mut(), tally);
        }
        if let Some(chance) = &mut chance {
            self.renew_a_link(chance);
        }

        let letters = self.letters(chance.as_mut(), tally);
        let crash = match &mut chance {
            Some(chance) => server::crash(chance, &letters),
            None => Crash::None,
        };
        let down = self.server.commit(self.now, letters, crash, chance.as_mut(), tally);
        if crash != Crash::None || self.server.has_died() {
            self.died_at = self.now;
            self.seats.iter_mut().for_each(|seat| seat.lose_connection(self.now, None, tally));
            self.coach.lose_connection(self.now);
            self.screens.iter_mut().flatten().for_each(|screen| screen.lose_connection(self.now));
        }
        for (conn, told) in down {
            self.hand_over(conn, told, tally);
        }
        for joined in self.coach.given() {
            let of = |seat: &&mut Seat| seat.athlete() == joined.athlete;
            let Some(seat) = self.seats.iter_mut().find(of) else { continue };
            if let Some(old) = seat.secret() {
                self.renewals += 1;
                let mut dial = Dial::new(Who::OldLink(self.renewals));
                let hello = dial.hello(self.now, Role::Athlete, old, None, EventNo(0));
                self.old_links.push((self.now + 5_000, hello));
            }
            seat.is_given(self.now, joined.secret);
        }
        if self.chance.is_some() && faults {
            self.chance = chance;
        }
        if self.coach.is_done() {
            self.idle_since.get_or_insert(self.now);
        }
    }

    fn renew_a_link(&mut self, chance: &mut Chance) {
        if chance.below(1_500) == 0 {
            let which = usize::try_from(chance.below(self.seats.len() as u64)).unwrap_or(0);
            let seat = self.seats.get(which).filter(|seat| seat.secret().is_some());
            if let Some(seat) = seat {
                self.coach.renew(seat.athlete());
            }
        }
    }

    /// All that reaches the server now.
    fn letters(&mut self, mut chance: Option<&mut Chance>, tally: &mut Tally) -> Vec<Letter> {
        let mut letters = self.coach.arriving(self.now);
        for screen in self.screens.iter_mut().flatten() {
            letters.extend(screen.arriving(self.now));
        }
        for (no, seat) in self.seats.iter_mut().enumerate() {
            for letter in seat.arriving(self.now) {
                let join = if let Said::Now(thole_host::Said::Join(_, join, _)) = &letter.said {
                    Some(join.clone())
                } else {
                    None
                };
                letters.push(letter);
                if let (Some(join), Some(chance)) = (join, &mut chance)
                    && chance.below(2) == 0
                {
                    // Somebody else comes under the same name at the same moment.
                    tally.add("name asked for twice");
                    let conn = Dial::new(Who::Double(no)).again();
                    let join = Join { join: Some("d".repeat(24)), ..join };
                    let said = Said::Now(thole_host::Said::Join(conn, join, None));
                    letters.push(Letter { conn, said });
                }
            }
        }
        let old = post::arriving(&mut self.old_links, self.now);
        old.iter().for_each(|_| tally.add("old link tried"));
        letters.extend(old);
        letters
    }

    fn hand_over(&mut self, conn: ConnId, told: Told, tally: &mut Tally) {
        if conn == self.coach.conn() {
            return self.coach.hear(self.now, told);
        }
        if let Some(screen) = self.screens.iter_mut().flatten().find(|one| one.conn() == conn) {
            return screen.hear(self.now, told, tally);
        }
        if let Some(seat) = self.seats.iter_mut().find(|seat| seat.conn() == conn) {
            return seat.hear(self.now, told, self.server.disk.is_damaged);
        }
        // From connections that were left, and from strangers.
        let seed = self.life.seed;
        match told {
            Told::Entrance(Ok(thole_host::Entrance::Open(joined))) if Who::is_double(conn) => {
                panic!("seed {seed}: {} has two seats", joined.name)
            }
            Told::Msg(_) if Who::is_old_link(conn) => {
                panic!("seed {seed}: an old link opens a session still: {told:?}")
            }
            Told::Msg(_) | Told::Close(_) | Told::Entrance(_) | Told::Decided(_) => {}
        }
    }

    /// Faults stop early enough before a piece is closed for everybody to be home by then, and again at the
    /// end of the life.
    fn faults_now(&self) -> bool {
        if self.chance.is_none() || self.idle_since.is_some_and(|at| self.now > at + 10_000) {
            return false;
        }
        let (phase, go) = (self.server.phase(), self.server.go());
        let over = matches!(phase, Some(Phase::Finished { .. } | Phase::Stopped { .. }) | None);
        let closing_soon = |go: u64| {
            self.now + life::QUIET_MS > go + self.life.closes_after(self.server.current())
        };
        over || go.is_none_or(|go| !closing_soon(go))
    }

    /// What must be true once everything has settled.
    fn check_the_end(&self) {
        let seed = self.life.seed;
        self.server.check_replay(seed);
        self.server.check_stored_form(seed);
        self.server.check_settled(seed);
        let core = self.server.core();
        // What was told before strokes were lost has had other numbers since.
        let events = core.events_after(EventNo(0), Viewer::Coach).into_iter();
        let damaged = events.filter(|event| matches!(event.what, Happening::Damaged(_))).last();
        let since = damaged.map_or(EventNo(0), |damaged| damaged.event);
        for seat in &self.seats {
            assert_eq!(
                seat.pending(),
                0,
                "seed {seed}: still has samples to send: {}",
                seat.state()
            );
            let all = core.events_after(EventNo(0), Viewer::Athlete(seat.athlete()));
            assert_heard((seed, since), seat.name(), seat.heard(), &all);
        }
        let all = core.events_after(EventNo(0), Viewer::Coach);
        assert_heard((seed, since), "the coach", self.coach.heard(), &all);
        if let Some([assistant, board]) = &self.screens {
            assert_heard((seed, since), "the coach's second device", assistant.heard(), &all);
            let all = core.events_after(EventNo(0), Viewer::Board);
            assert_heard((seed, since), "the board", board.heard(), &all);
        }
        for (piece, view) in core.view(Viewer::Coach).pieces.iter().enumerate() {
            let mut told = self.coach.results(piece);
            told.sort_by_key(|result| result.athlete);
            assert_eq!(
                told, view.results,
                "seed {seed}: the coach knows other results of piece {piece}"
            );
        }
        if let Some((athlete, _)) = self.life.absent {
            let gone = !core.knows(athlete) || self.server.has_lost_orders;
            assert!(gone, "seed {seed}: who was taken off the roster is on it");
        }
        for seat in &self.seats {
            let is_there = core.knows(seat.athlete());
            assert!(is_there, "seed {seed}: {} has rowed and is gone", seat.name());
        }
        for spec_calls in self.seats.iter().map(Seat::sheet_calls) {
            for (call, times) in spec_calls {
                let once = times == 1 || since > EventNo(0);
                assert!(once, "seed {seed}: call {call} of the sheet came {times} times");
            }
        }
    }

    /// Who somebody is in the life, by what the server calls them.
    fn identities(&self) -> BTreeMap<AthleteId, AthleteId> {
        let pairs = self.seats.iter().zip(&self.life.athletes);
        pairs.map(|(seat, person)| (seat.athlete(), person.athlete)).collect()
    }

    fn results(&self) -> Vec<Vec<AthleteResult>> {
        let identities = self.identities();
        let identity = |athlete| identities.get(&athlete).copied().unwrap_or(athlete);
        let pieces = self.server.core().view(Viewer::Coach).pieces;
        let of_piece = |mut results: Vec<AthleteResult>| {
            results.iter_mut().for_each(|result| result.athlete = identity(result.athlete));
            results.sort_by_key(|result| result.athlete);
            results
        };
        pieces.into_iter().map(|piece| of_piece(piece.results)).collect()
    }
}

/// Every event that concerned somebody after they came reached them once, in order.
fn assert_heard((seed, since): (u64, EventNo), name: &str, heard: &[EventNo], all: &[Event]) {
    let from = heard.first().copied().unwrap_or_default().max(since);
    let all: Vec<EventNo> = all.iter().map(|e| e.event).filter(|no| *no >= from).collect();
    let heard: Vec<EventNo> = heard.iter().copied().filter(|no| *no >= since).collect();
    assert_eq!(heard, all, "seed {seed}: {name} has not heard every event once and in order");
}
