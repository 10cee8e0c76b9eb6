//! The one file that reads the time: the machine's clocks, and each session's clock made from them.

use std::{
    fmt,
    time::{Duration, SystemTime, UNIX_EPOCH},
};

use rustix::time::{ClockId, clock_gettime};
pub use thole_host::{Reckoned, Trust, Uptime};
use thole_protocol::units::At;
use tokio::time::Instant;

/// Nothing waits longer than this in one go; a task woken too early looks again.
const LONGEST_WAIT: Duration = Duration::from_secs(3600);

/// Where `serve` gets the time that outlives a process; tests set it.
pub trait Timekeeper: fmt::Debug + Send + Sync {
    /// Milliseconds since 1970 on the wall clock.
    fn unix_ms(&self) -> u64;

    /// Which boot of the machine this is, and how long it has lasted; `None` where the system does not report
    /// it.
    fn uptime(&self) -> Option<Uptime>;
}

/// The machine that this program runs on.
#[derive(Debug)]
struct Machine;

impl Timekeeper for Machine {
    #[expect(clippy::disallowed_methods, reason = "this is the file that reads the time")]
    fn unix_ms(&self) -> u64 {
        let since_1970 = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        u64::try_from(since_1970.as_millis()).unwrap_or(u64::MAX)
    }

    fn uptime(&self) -> Option<Uptime> {
        let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
        let since = clock_gettime(ClockId::Boottime);
        let (s, ns) = (u64::try_from(since.tv_sec).ok()?, u64::try_from(since.tv_nsec).ok()?);
        Some(Uptime { boot: boot.trim().to_owned(), ns: s.saturating_mul(1_000_000_000) + ns })
    }
}

/// The clock of this server, `speed` times as fast as real time.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    speed: u32,
    timekeeper: &'static dyn Timekeeper,
}

impl Clock {
    /// A clock that runs `speed` times as fast as real time; 1 except for rehearsals and tests.
    #[must_use]
    pub fn new(speed: u32) -> Clock {
        Clock::told_by(&Machine, speed)
    }

    /// A clock whose wall time and boot come from `timekeeper`.
    #[must_use]
    pub fn told_by(timekeeper: &'static dyn Timekeeper, speed: u32) -> Clock {
        Clock { speed: speed.max(1), timekeeper }
    }

    /// How many times faster than real time.
    #[must_use]
    pub fn speed(self) -> u32 {
        self.speed
    }

    /// Milliseconds since 1970 on the wall clock, never scaled: for what outlives a session.
    #[must_use]
    pub fn unix_ms(self) -> u64 {
        self.timekeeper.unix_ms()
    }

    /// This instant on the machine's monotonic clock.
    #[must_use]
    pub fn instant(self) -> Instant {
        Instant::now()
    }

    /// How long a length of session time takes in real time.
    #[must_use]
    pub fn in_life(self, session_time: Duration) -> Duration {
        session_time / self.speed
    }
}

/// The clock of one session: time since it was created, at the server's speed.
///
/// It goes on across a restart as if nothing had happened: within one boot by that boot's own clock, otherwise by
/// the wall clock, which may be wrong. It never runs back.
#[derive(Clone, Copy, Debug)]
pub struct SessionClock {
    clock: Clock,
    opened: Instant,
    opened_at_us: u64,
}

impl SessionClock {
    /// The clock of a session whose journal ends at `last`, continued from the instant that was kept with its
    /// records.
    #[must_use]
    pub fn open(clock: Clock, kept: &Reckoned, last: At) -> (SessionClock, Trust) {
        let (opened, uptime) = (clock.instant(), clock.timekeeper.uptime());
        let (at, trust) = kept.goes_on(uptime.as_ref(), clock.unix_ms(), last, clock.speed);
        let opened_at_us = at.0.saturating_mul(1_000);
        (SessionClock { clock, opened, opened_at_us }, trust)
    }

    /// The clock of a session that is made now.
    #[must_use]
    pub fn begin(clock: Clock) -> SessionClock {
        SessionClock { clock, opened: clock.instant(), opened_at_us: 0 }
    }

    /// This instant, to be kept with the session's records.
    #[must_use]
    pub fn reckoned(&self) -> Reckoned {
        let uptime = self.clock.timekeeper.uptime();
        Reckoned { at: self.now(), unix_ms: self.clock.unix_ms(), uptime }
    }

    /// Microseconds since the session was created.
    #[must_use]
    pub fn now_us(&self) -> u64 {
        self.us_at(Instant::now())
    }

    /// Microseconds from the session's creation to an instant of the machine's clock.
    #[must_use]
    pub fn us_at(&self, instant: Instant) -> u64 {
        let life = instant.saturating_duration_since(self.opened);
        let life_us = u64::try_from(life.as_micros()).unwrap_or(u64::MAX);
        self.opened_at_us.saturating_add(life_us.saturating_mul(u64::from(self.clock.speed)))
    }

    /// Milliseconds from the session's creation to an instant of the machine's clock, even one before this clock was
    /// made; negative before the session existed.
    #[must_use]
    pub fn before_or_after_ms(&self, instant: Instant) -> i64 {
        let ms = |us: u64| i64::try_from(us / 1_000).unwrap_or(i64::MAX / 4);
        let before = self.opened.saturating_duration_since(instant);
        let before_us = u64::try_from(before.as_micros()).unwrap_or(u64::MAX);
        ms(self.us_at(instant)) - ms(before_us.saturating_mul(u64::from(self.clock.speed)))
    }

    /// This clock, put forward by this many milliseconds of the session; never before `last`.
    #[must_use]
    pub fn put_forward(&self, by_ms: i64, last: At) -> SessionClock {
        let now_us = self.now_us().saturating_add_signed(by_ms.saturating_mul(1_000));
        let opened_at_us = now_us.max(last.0.saturating_mul(1_000));
        SessionClock { clock: self.clock, opened: self.clock.instant(), opened_at_us }
    }

    /// Milliseconds since the session was created.
    #[must_use]
    pub fn now(&self) -> At {
        At(self.now_us() / 1_000)
    }

    /// When to wake up for `at`; earlier, if that is far away.
    #[must_use]
    pub fn instant_of(&self, at: At) -> Instant {
        let wait_us = at.0.saturating_mul(1_000).saturating_sub(self.now_us());
        let life = Duration::from_micros(wait_us.div_ceil(u64::from(self.clock.speed)));
        Instant::now() + life.min(LONGEST_WAIT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A machine with these clocks.
    #[derive(Debug)]
    struct Told(Option<Uptime>, u64);

    impl Timekeeper for Told {
        fn unix_ms(&self) -> u64 {
            self.1
        }

        fn uptime(&self) -> Option<Uptime> {
            self.0.clone()
        }
    }

    #[tokio::test(start_paused = true)]
    async fn a_session_goes_on_by_the_clock_of_the_boot_or_else_by_the_wall_clock() {
        let uptime = |s: u64| Some(Uptime { boot: "one".to_owned(), ns: s * 1_000_000_000 });
        let kept = Reckoned { at: At(40_000), unix_ms: 1_000_000, uptime: uptime(100) };
        for (shown, at, trust) in
            [(uptime(105), 45_000, Trust::SameBoot), (None, 101_000, Trust::WallClock)]
        {
            let clock = Clock::told_by(Box::leak(Box::new(Told(shown, 1_061_000))), 1);
            let (session, found) = SessionClock::open(clock, &kept, At(40_010));
            assert_eq!((session.now(), found), (At(at), trust));
            tokio::time::advance(Duration::from_secs(1)).await;
            assert_eq!(session.now(), At(at + 1_000));
        }
    }

    #[tokio::test(start_paused = true)]
    async fn what_was_said_before_the_session_was_opened_is_told_below_its_first_instant() {
        let before = Instant::now();
        tokio::time::advance(Duration::from_secs(2)).await;
        let clock = SessionClock::begin(Clock::new(1));
        assert_eq!(clock.before_or_after_ms(before), -2_000);
        tokio::time::advance(Duration::from_secs(3)).await;
        assert_eq!(clock.before_or_after_ms(Instant::now()), 3_000);
    }

    #[test]
    fn the_machine_tells_its_boot_where_the_system_does() {
        if std::path::Path::new("/proc/sys/kernel/random/boot_id").exists() {
            let (one, other) = (Machine.uptime().unwrap(), Machine.uptime().unwrap());
            assert!(!one.boot.is_empty() && one.boot == other.boot && one.ns <= other.ns);
        }
    }

    #[tokio::test(start_paused = true)]
    async fn a_session_at_speed_ten_is_ten_seconds_old_after_one() {
        let session = SessionClock::begin(Clock::new(10));
        let before = session.now_us();
        tokio::time::advance(Duration::from_millis(1_000)).await;
        assert_eq!(session.now_us() - before, 10_000_000);
    }

    #[tokio::test(start_paused = true)]
    async fn who_sleeps_until_an_instant_wakes_when_it_has_come() {
        let session = SessionClock::begin(Clock::new(7));
        let at = At(session.now().0 + 5_003);
        tokio::time::sleep_until(session.instant_of(at)).await;
        assert!(session.now() >= at);
        assert!(session.now() < At(at.0 + 14), "{:?} is long after {at:?}", session.now());
    }
}
