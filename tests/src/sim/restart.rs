//! The server's deaths, and how it starts again: on which clock, and checked by whom.

use std::{collections::BTreeMap, time::Duration};

use thole::chance::Chance;
use thole_host::{
    Batch, CLOCK_WAIT, Checked, Damage, Holder, Host, Moment, Now, Readings, Record, Reopening,
    Said as HostSaid,
};
use thole_piece::{Input, Session, input::Damaged, session::Viewer};
use thole_protocol::{
    ids::AthleteId,
    standing::{AthleteResult, Mark},
    units::At,
};

use super::{
    Tally,
    disk::opened,
    post::{Letter, Post, Said, Told, signed},
    server::Server,
};

/// The session's clock beside that of the world.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct SessionClock {
    ahead_ms: i64,
}

impl SessionClock {
    /// The session's time.
    pub(super) fn at(self, now: u64) -> At {
        At(now.saturating_add_signed(self.ahead_ms))
    }

    /// The world's time.
    pub(super) fn world(self, at: At) -> u64 {
        at.0.saturating_add_signed(-self.ahead_ms)
    }

    /// Both.
    pub(super) fn now(self, now: u64) -> Now {
        Now { at: self.at(now), moment: Moment(Duration::from_millis(now)) }
    }

    fn that_shows(at: At, now: u64) -> SessionClock {
        SessionClock { ahead_ms: signed(at.0) - signed(now) }
    }
}

/// Nobody is let in before devices have told the time, or have been waited for long enough.
#[derive(Debug)]
pub(super) struct ClockCheck {
    until: u64,
    readings: Readings,
    /// Whose devices have told the time first, and whether it was right.
    told: BTreeMap<Holder, bool>,
    /// Taken afterwards.
    came: Vec<Letter>,
}

impl Server {
    pub(super) fn die(&mut self, now: u64, chance: Option<&mut Chance>, tally: &mut Tally) {
        self.died = true;
        // What was being checked is not known to be right.
        if self.check.take().is_none() {
            self.right = self.clock;
        }
        self.holders.clear();
        let starts_in = self.computer.dies(now, tally);
        self.down_until = now + 300 + starts_in + chance.map_or(0, |chance| chance.below(8_000));
        self.disk.may_flip(tally);
        self.damage = self.disk.found(self.seed, self.fault);
        self.host = opened(&self.settings, &self.disk, self.fault);
        let view = self.core().view(Viewer::Board);
        let current = usize::from(view.current.0);
        self.phase = view.pieces.get(current).map(|piece| (current, piece.phase));
    }

    /// The process starts again, on a clock that it has to find first.
    pub(super) fn restart(&mut self, now: u64, tally: &mut Tally) {
        let (last, uptime) = (self.host.last(), self.computer.uptime(now));
        let unix_ms = self.computer.unix_ms(now);
        let (at, trust) = self.disk.reckoned.goes_on(Some(&uptime), unix_ms, last, 1);
        self.clock = SessionClock::that_shows(at, now);
        if self.host.doubts(trust) {
            let wait = u64::try_from(CLOCK_WAIT.as_millis()).unwrap_or(u64::MAX);
            let readings = Readings::default();
            let (told, came) = (BTreeMap::new(), Vec::new());
            self.check = Some(ClockCheck { until: now + wait, readings, told, came });
        } else {
            self.reopen(now, None, tally);
        }
    }

    /// What comes while the clock is being checked; returns what is to be taken now, if the check is done.
    pub(super) fn check_clock(
        &mut self,
        now: u64,
        letters: Vec<Letter>,
        tally: &mut Tally,
    ) -> Option<Vec<Letter>> {
        let Some(mut check) = self.check.take() else { return Some(letters) };
        for Letter { conn, said } in letters {
            let said = match said {
                Said::Hello(hello) => {
                    let told = hello.at_ms;
                    match self.greeting(self.clock.now(now), conn, hello.clone()) {
                        Some(greeting) => {
                            if let Some(told) = told {
                                let shown = signed(self.clock.at(now).0);
                                check.readings.take(greeting.holder, told, shown);
                                let is_right = told == self.right.at(now);
                                check.told.entry(greeting.holder).or_insert(is_right);
                            }
                            Said::Now(HostSaid::Hello(Box::new(greeting)))
                        }
                        None => Said::Hello(hello),
                    }
                }
                said => said,
            };
            check.came.push(Letter { conn, said });
        }
        if !check.readings.are_enough() && now < check.until {
            self.check = Some(check);
            return None;
        }
        let (at, last, devices) = (self.clock.at(now), self.host.last(), check.readings.devices());
        let clock = match check.readings.of(at, last, 1) {
            Checked::Holds => {
                tally.add("clock found right by devices");
                None
            }
            Checked::Wrong(by_ms) => {
                tally.add("clock set by devices");
                let set = At(at.0.saturating_add_signed(by_ms)).max(last);
                self.clock = SessionClock::that_shows(set, now);
                Some((Some(by_ms), devices))
            }
            Checked::Unknown => {
                tally.add("clock not checked for want of devices");
                Some((None, devices))
            }
        };
        let apart_ms = self.clock.at(now).0.abs_diff(self.right.at(now).0);
        if apart_ms > 0 {
            // Less than a second is overlooked; and somebody who has been away since before an earlier jump, between pieces,
            // still has the time from then.
            let people = check.told.iter().filter(|(whose, _)| **whose != Holder::Board);
            let right = people.filter(|(_, is_right)| **is_right).count();
            let seed = self.seed;
            assert!(
                devices < 3 || 2 * right <= usize::from(devices) || apart_ms <= 1_000,
                "seed {seed}: the clock leaps by {apart_ms} ms though {right} of {devices} devices had the time"
            );
            self.bent.insert(self.current());
        }
        self.reopen(now, clock, tally);
        Some(check.came)
    }

    fn reopen(&mut self, now: u64, clock: Option<(Option<i64>, u8)>, tally: &mut Tally) {
        let mut post = Post::new(self.seed);
        let mut batch = Batch::default();
        let damage = std::mem::take(&mut self.damage);
        let reopening = Reopening { clock, damage: damage.clone(), model: None };
        self.host.reopened(self.clock.now(now), reopening, &mut batch);
        let records = batch.records.clone();
        self.finish(now, batch, &mut post);
        self.check_damage(&damage);
        self.note_clock(&records);
        let told: Vec<(_, Told)> = self.hand_out(post, tally);
        assert!(told.is_empty(), "seed {}: somebody is told before they came: {told:?}", self.seed);
    }

    /// Anybody who rows on in a piece whose clock is set is told so with the result.
    fn note_clock(&mut self, records: &[Record]) {
        let is_set =
            |record: &Record| matches!(record.input, Input::ClockSet { by_ms: Some(_), .. });
        if records.iter().any(is_set) {
            let (current, rows_on) = (self.current(), self.who_row_on());
            self.clocks_set.entry(current).or_default().extend(rows_on);
        }
    }

    /// Who is in the piece, and has no final result in it yet.
    fn who_row_on(&self) -> Vec<AthleteId> {
        let view = self.core().view(Viewer::Coach);
        let piece = view.pieces.get(self.current());
        let home = |athlete| {
            piece.is_some_and(|piece| piece.results.iter().any(|done| done.athlete == athlete))
        };
        view.athletes.iter().map(|view| view.athlete).filter(|who| !home(*who)).collect()
    }

    /// Each damage is known to the session, and everybody whose result is not what it would be without it is
    /// told so.
    fn check_damage(&mut self, damage: &[Damage]) {
        let seed = self.seed;
        for Damage { from, to, since, until, whose, only_strokes, what } in damage {
            let (since_ms, until_ms) = (*since, until.unwrap_or(*since));
            let (from, to, whose, only_strokes) = (*from, *to, whose.clone(), *only_strokes);
            let damaged = Damaged { from, to, since_ms, until_ms, whose, only_strokes };
            let is_known = self.core().knows_damage(&damaged);
            assert!(is_known, "seed {seed}: nobody is told that record {from} to {to} {what}");
            self.is_marked |= !only_strokes;
        }
        if damage.is_empty() {
            return;
        }
        let told = self.core().view(Viewer::Coach).damage;
        assert!(!told.is_empty(), "seed {seed}: the coach is told of no damage");
        let whole = self.disk.whole();
        let (here, whole) = (self.core().view(Viewer::Coach), whole.view(Viewer::Coach));
        if here.current != whole.current {
            // The stroke that ended a piece is lost, and its record with it: what was ordered since makes no
            // sense.
            assert!(self.is_marked, "seed {seed}: another piece is rowed, and nobody is told");
            self.has_lost_orders = true;
        }
        for (here, whole) in here.pieces.iter().zip(whole.pieces) {
            for result in &here.results {
                let of_them = |other: &&AthleteResult| other.athlete == result.athlete;
                let other = whole.results.iter().find(of_them);
                let same = other.is_some_and(|other| {
                    let (marks, place) = (result.marks.clone(), result.place);
                    *result == AthleteResult { marks, place, ..other.clone() }
                });
                assert!(
                    same || result.marks.contains(&Mark::Damaged),
                    "seed {seed}: {result:?} is another than without the damage ({other:?}), and nobody is told"
                );
            }
        }
    }

    /// Whatever bit of the journal flips: what is returned is as it was written, except for what is named; the session can
    /// be recomputed, it does not move to another time, and the coach is told.
    pub(super) fn check_any_flip(&self, chance: &mut Chance, tally: &mut Tally) {
        let seed = self.seed;
        let (last, mut rows) = (self.host.last(), self.disk.rows.clone());
        rows.flip_any(chance);
        let found = rows.read(None);
        let is_named = |position: u64| {
            found.damage.iter().any(|damage| (damage.from..=damage.to).contains(&position))
        };
        let mut core = Session::new();
        for (position, record) in &found.records {
            let is_written = rows.written.get(position) == Some(record);
            assert!(is_written || is_named(*position), "seed {seed}: record {position} is another");
            let strokes = matches!(record.input, Input::Samples { .. } | Input::Settled { .. });
            assert!(is_written || !strokes, "seed {seed}: strokes that nobody rowed are given");
            core.apply(record.at, &record.input);
        }
        assert!(
            core.now() <= last,
            "seed {seed}: the session is at {:?}, after {last:?}",
            core.now()
        );
        let mut host = Host::open(self.settings.clone(), core);
        let (mut batch, mut post) = (Batch::default(), Post::new(seed));
        let reopening = Reopening { damage: found.damage.clone(), ..Reopening::default() };
        let now = Now { at: last, moment: Moment::default() };
        host.reopened(now, reopening, &mut batch);
        let records = std::mem::take(&mut batch.records);
        host.committed(now, batch, &records, &mut post);
        let (here, there) = (host.core().view(Viewer::Coach), self.core().view(Viewer::Coach));
        if !found.damage.is_empty() {
            tally.add("any bit flipped");
            let told = here.damage.len() > there.damage.len() || !there.damage.is_empty();
            assert!(told, "seed {seed}: {:?} is not told", found.damage);
        }
    }
}
