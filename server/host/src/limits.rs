//! What a session's server limits, with the reason for each limit.

use std::{ops::Sub, time::Duration};

/// What the core refuses was written before it was refused: for one athlete, over all connections, this many in one
/// go; one a second comes back.
pub const WRITTEN_REFUSALS_MAX: f64 = 60.0;

/// Changes by one athlete that are not strokes (target, ready, consent, stop, row on) in one go; one a second comes
/// back.
pub const CHANGES_MAX: f64 = 60.0;

/// A change longer than this counts as several: a plan of a hundred legs, or past results.
pub const CHANGE_BYTES: usize = 1_024;

/// How often devices of one athlete may come in one go; one a second comes back. Each time is written.
pub const COMINGS_MAX: f64 = 60.0;

/// Heart rates of one athlete beyond four for each second of the session: what a device that comes back has all at
/// once.
pub const READINGS_SPARE: u64 = 400;

/// The text of several events together stays below this, unless a single one is longer.
pub const EVENTS_BYTES: usize = 48 << 10;

/// How many may ask the coach of one session to be let in: more than a coach reads at once, and few enough that the
/// list stays one message.
pub const REQUESTS_MAX: usize = 64;

/// How many of those may ask for one seat: the coach picks the right one, and a single stranger cannot fill the list with
/// one name.
pub const REQUESTS_OF_ONE_NAME: usize = 4;

/// Rows of one table of results: one piece with its quarters for the ten thousand athletes that a session may have. The
/// session hears nobody while it writes them, which takes a few hundredths of a second.
pub const TABLE_ROWS_MAX: usize = 50_000;

/// This many at once, and so many a second from then on.
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

    /// Takes this many if all of them are there.
    pub fn take_all(&mut self, many: f64, now: T) -> bool {
        self.refill(now);
        let there = self.left >= many;
        if there {
            self.left -= many;
        }
        there
    }

    /// Gives back one that was taken but not used.
    pub fn give_back(&mut self) {
        self.left = self.most.min(self.left + 1.0);
    }

    /// Whether none has been taken, at `now`.
    pub fn is_full(&mut self, now: T) -> bool {
        self.refill(now);
        self.left >= self.most
    }

    /// How long until there is one to take.
    pub fn next_in(&mut self, now: T) -> Duration {
        self.refill(now);
        Duration::from_secs_f64((1.0 - self.left).max(0.001) / self.per_s)
    }

    /// Whether there is none left to take.
    pub fn is_spent(&mut self, now: T) -> bool {
        self.refill(now);
        self.left < 1.0
    }

    /// Takes one on credit; returns how long to wait until it is paid back.
    pub fn owe(&mut self, now: T) -> Duration {
        self.refill(now);
        self.left -= 1.0;
        Duration::from_secs_f64((-self.left).max(0.0) / self.per_s)
    }

    /// Takes this many more on credit; they have to be paid back before the next one is free.
    pub fn fine(&mut self, count: f64, now: T) {
        self.refill(now);
        self.left -= count;
    }

    /// Takes one on credit if it is paid back within `longest`; returns how long to wait until then.
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
        // No clock that is asked here runs backwards; one that did would give nothing.
        let gone = if now > self.counted { now - self.counted } else { Duration::ZERO };
        self.left = self.most.min(self.left + gone.as_secs_f64() * self.per_s);
        self.counted = now;
    }
}
