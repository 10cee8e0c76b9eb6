//! What a session's server bounds, with the reason of each.

use std::{ops::Sub, time::Duration};

/// What the core refuses was written before it was refused: of one athlete, over all connections, so much in one go;
/// one a second comes back.
pub const WRITTEN_REFUSALS_MAX: f64 = 60.0;

/// Changes of one athlete that are no strokes (target, ready, consent, stop, row on) in one go; one a second comes back.
pub const CHANGES_MAX: f64 = 60.0;

/// A change that is longer than this counts as several: a plan of a hundred legs, and what was rowed before.
pub const CHANGE_BYTES: usize = 1_024;

/// How often devices of one athlete may come in one go; one a second comes back. Each time is written.
pub const COMINGS_MAX: f64 = 60.0;

/// Heart rates of one athlete beyond four for each second of the session: what a device that comes back has at once.
pub const READINGS_SPARE: u64 = 400;

/// The text of several events together stays below this, unless one alone is longer.
pub const EVENTS_BYTES: usize = 48 << 10;

/// Who ask the coach of one session to be let in: more than a coach reads at once, and a list that stays one message.
pub const REQUESTS_MAX: usize = 64;

/// Of those, who ask for one seat: the coach picks the right one, and a stranger alone does not fill the list by one name.
pub const REQUESTS_OF_ONE_NAME: usize = 4;

/// Rows of one table of results: one piece of the ten thousand athletes that a session may have, with its quarters. The
/// session hears nobody while it writes them, which takes some hundredths of a second.
pub const TABLE_ROWS_MAX: usize = 50_000;

/// So many at once, and this many a second from then on.
#[derive(Debug)]
pub struct Allowance<T> {
    most: f64,
    per_s: f64,
    left: f64,
    counted: T,
}

impl<T: Copy + PartialOrd + Sub<T, Output = Duration>> Allowance<T> {
    /// Full at `now`.
    #[must_use]
    pub fn new(most: f64, per_s: f64, now: T) -> Allowance<T> {
        Allowance { most, per_s, left: most, counted: now }
    }

    /// Takes one if there is one.
    pub fn take(&mut self, now: T) -> bool {
        self.take_all(1.0, now)
    }

    /// Takes this many if they are all there.
    pub fn take_all(&mut self, many: f64, now: T) -> bool {
        self.refill(now);
        let there = self.left >= many;
        if there {
            self.left -= many;
        }
        there
    }

    /// Gives back one that was taken and not used.
    pub fn give_back(&mut self) {
        self.left = self.most.min(self.left + 1.0);
    }

    /// Whether nothing is taken, at `now`.
    pub fn is_full(&mut self, now: T) -> bool {
        self.refill(now);
        self.left >= self.most
    }

    /// How long until there is one to take.
    pub fn next_in(&mut self, now: T) -> Duration {
        self.refill(now);
        Duration::from_secs_f64((1.0 - self.left).max(0.001) / self.per_s)
    }

    /// Whether there is none to take.
    pub fn is_spent(&mut self, now: T) -> bool {
        self.refill(now);
        self.left < 1.0
    }

    /// Takes one on credit; says how long to wait until it is paid back.
    pub fn owe(&mut self, now: T) -> Duration {
        self.refill(now);
        self.left -= 1.0;
        Duration::from_secs_f64((-self.left).max(0.0) / self.per_s)
    }

    /// Takes this many more on credit; they are paid back before the next is free.
    pub fn fine(&mut self, count: f64, now: T) {
        self.refill(now);
        self.left -= count;
    }

    /// Takes one on credit if it is paid back within `longest`; says how long to wait until then.
    pub fn book(&mut self, now: T, longest: Duration) -> Option<Duration> {
        self.refill(now);
        let owed = (1.0 - self.left).max(0.0);
        let wait = Duration::from_secs_f64(owed / self.per_s);
        (wait <= longest).then(|| {
            self.left -= 1.0;
            wait
        })
    }

    fn refill(&mut self, now: T) {
        // No clock that is asked here runs back; one that did would give nothing.
        let gone = if now > self.counted { now - self.counted } else { Duration::ZERO };
        self.left = self.most.min(self.left + gone.as_secs_f64() * self.per_s);
        self.counted = now;
    }
}
