//! The one file that reads the time: the machine's clocks, and each session's clock made from them.

use std::{
    fmt,
    time::{Duration, SystemTime, UNIX_EPOCH},
};

use rustix::time::{ClockId, clock_gettime};
use thole_protocol::units::At;
use tokio::time::Instant;

/// Nothing waits longer than this in one go; who is woken too early looks again.
const LONGEST_WAIT: Duration = Duration::from_secs(3600);

/// What `serve` asks for the time that outlives a process; tests set it.
pub trait Timekeeper: fmt::Debug + Send + Sync {
    /// Milliseconds since 1970 on the wall clock.
    fn unix_ms(&self) -> u64;

    /// Which boot of the machine this is, and how long it has lasted; `None` where the system does not tell.
    fn uptime(&self) -> Option<Uptime>;
}

/// How long one boot of the machine has lasted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Uptime {
    /// The boot's random identity.
    pub boot: String,
    /// Nanoseconds since it began, those of a machine that slept among them. Nobody sets this clock.
    pub ns: u64,
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

/// The clock of this server, `speed` times as fast as life.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    speed: u32,
    timekeeper: &'static dyn Timekeeper,
}

impl Clock {
    /// A clock that runs `speed` times as fast as life; 1 but for rehearsal and tests.
    #[must_use]
    pub fn new(speed: u32) -> Clock {
        Clock::told_by(&Machine, speed)
    }

    /// A clock whose wall time and boot are those of `timekeeper`.
    #[must_use]
    pub fn told_by(timekeeper: &'static dyn Timekeeper, speed: u32) -> Clock {
        Clock { speed: speed.max(1), timekeeper }
    }

    /// How many times faster than life.
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

    /// How long a length of session time takes in life.
    #[must_use]
    pub fn in_life(self, session_time: Duration) -> Duration {
        session_time / self.speed
    }
}

/// One instant on the session's clock and on the machine's, kept with the session's records: from it the
/// session's clock goes on after a restart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reckoned {
    /// On the session's clock.
    pub at: At,
    /// On the wall clock.
    pub unix_ms: u64,
    /// On the boot's own clock; `None` where the system does not tell.
    pub uptime: Option<Uptime>,
}

impl Reckoned {
    /// Whether a session's clock would go on from `newer` as it goes on from this, to a tenth of a second: then
    /// it need not be kept. They part when the machine has slept, or its wall clock was set.
    #[must_use]
    pub fn leads_to(&self, newer: &Reckoned, speed: u32) -> bool {
        const APART_MS: u64 = 100;
        let by_wall = self.by_wall(newer.unix_ms, speed);
        let by_boot = match (&self.uptime, &newer.uptime) {
            (Some(_), Some(uptime)) => self.by_boot(uptime, speed),
            (None, None) => Some(newer.at),
            (Some(_), None) | (None, Some(_)) => None,
        };
        let near = |at: At| at.0.abs_diff(newer.at.0) <= APART_MS.saturating_mul(u64::from(speed));
        near(by_wall) && by_boot.is_some_and(near)
    }

    /// The session's clock as the wall clock has it.
    fn by_wall(&self, unix_ms: u64, speed: u32) -> At {
        let gone_ms = unix_ms.saturating_sub(self.unix_ms);
        At(self.at.0.saturating_add(gone_ms.saturating_mul(u64::from(speed))))
    }

    /// The session's clock as the boot's own clock has it; `None` on another boot.
    fn by_boot(&self, uptime: &Uptime, speed: u32) -> Option<At> {
        let then = self.uptime.as_ref().filter(|then| then.boot == uptime.boot)?;
        let gone_ns = uptime.ns.saturating_sub(then.ns);
        let gone_ms = gone_ns.saturating_mul(u64::from(speed)) / 1_000_000;
        Some(At(self.at.0.saturating_add(gone_ms)))
    }
}

/// How sure it is that a session's clock has gone on rightly while nobody kept it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    /// By the clock of the same boot, which nobody sets: it stands.
    SameBoot,
    /// By the wall clock alone, which may be wrong.
    WallClock,
}

/// The clock of one session: time since it was created, at the server's speed.
///
/// It goes on across a restart as if nothing had happened: on the same boot by that boot's own clock, else by the
/// wall clock, which may be wrong. It never runs back.
#[derive(Clone, Copy, Debug)]
pub struct SessionClock {
    clock: Clock,
    opened: Instant,
    opened_at_us: u64,
}

impl SessionClock {
    /// The clock of a session whose journal ends at `last`, gone on from the instant that was kept with its
    /// records.
    #[must_use]
    pub fn open(clock: Clock, kept: &Reckoned, last: At) -> (SessionClock, Trust) {
        let (opened, uptime) = (clock.instant(), clock.timekeeper.uptime());
        let (at, trust) = match uptime.and_then(|uptime| kept.by_boot(&uptime, clock.speed)) {
            Some(at) => (at, Trust::SameBoot),
            None => (kept.by_wall(clock.unix_ms(), clock.speed), Trust::WallClock),
        };
        let opened_at_us = at.max(last).0.saturating_mul(1_000);
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

    /// Milliseconds from the session's creation to an instant of the machine's clock, also to one before this clock was
    /// made; below zero before the session was.
    #[must_use]
    pub fn before_or_after_ms(&self, instant: Instant) -> i64 {
        let ms = |us: u64| i64::try_from(us / 1_000).unwrap_or(i64::MAX / 4);
        let before = self.opened.saturating_duration_since(instant);
        let before_us = u64::try_from(before.as_micros()).unwrap_or(u64::MAX);
        ms(self.us_at(instant)) - ms(before_us.saturating_mul(u64::from(self.clock.speed)))
    }

    /// This clock, so many milliseconds of the session on; never before `last`.
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

    /// When to wake up for `at`; for what is far away, earlier.
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

    /// A machine on this boot for so long, with this wall clock.
    #[derive(Debug)]
    struct Told(Option<(&'static str, u64)>, u64);

    impl Timekeeper for Told {
        fn unix_ms(&self) -> u64 {
            self.1
        }

        fn uptime(&self) -> Option<Uptime> {
            self.0.map(|(boot, s)| Uptime { boot: boot.to_owned(), ns: s * 1_000_000_000 })
        }
    }

    const NOON: u64 = 1_800_000_000_000;
    const HOUR: u64 = 3_600_000;

    /// The clock of a session that was 40 s old at noon, 100 s into the boot, and what it is taken to be when the
    /// machine shows this.
    fn reopened(speed: u32, boot: Option<(&'static str, u64)>, unix_ms: u64) -> (At, Trust) {
        let uptime = Some(Uptime { boot: "one".to_owned(), ns: 100_000_000_000 });
        let kept = Reckoned { at: At(40_000), unix_ms: NOON, uptime };
        let clock = Clock::told_by(Box::leak(Box::new(Told(boot, unix_ms))), speed);
        let (session, trust) = SessionClock::open(clock, &kept, At(40_010));
        (session.now(), trust)
    }

    #[tokio::test(start_paused = true)]
    async fn on_the_same_boot_the_wall_clock_moves_nothing() {
        for unix_ms in [0, NOON - HOUR, NOON + 5_000, NOON + HOUR] {
            assert_eq!(reopened(1, Some(("one", 105)), unix_ms), (At(45_000), Trust::SameBoot));
        }
        assert_eq!(reopened(10, Some(("one", 105)), 0), (At(90_000), Trust::SameBoot));
    }

    #[tokio::test(start_paused = true)]
    async fn on_another_boot_the_wall_clock_is_all_there_is_and_never_takes_the_session_back() {
        for boot in [None, Some(("two", 105))] {
            assert_eq!(reopened(1, boot, NOON + 61_000), (At(101_000), Trust::WallClock));
            assert_eq!(reopened(10, boot, NOON + 61_000), (At(650_000), Trust::WallClock));
            assert_eq!(reopened(1, boot, NOON - HOUR), (At(40_010), Trust::WallClock));
        }
    }

    #[test]
    fn an_instant_is_kept_again_only_when_the_clocks_have_parted() {
        let uptime =
            |boot: &str, s: u64| Some(Uptime { boot: boot.to_owned(), ns: s * 1_000_000_000 });
        let kept = Reckoned { at: At(40_000), unix_ms: NOON, uptime: uptime("one", 100) };
        let after = |boot, s, wall_ms| Reckoned {
            at: At(100_000),
            unix_ms: NOON + wall_ms,
            uptime: uptime(boot, s),
        };
        assert!(kept.leads_to(&after("one", 160, 60_000), 1));
        assert!(!kept.leads_to(&after("one", 190, 90_000), 1), "the machine has slept");
        assert!(!kept.leads_to(&after("one", 160, 90_000), 1), "its wall clock was set");
        assert!(!kept.leads_to(&after("two", 160, 60_000), 1), "another boot");
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
