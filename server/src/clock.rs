//! The one file that reads the time: the machine's clocks, and each session's clock made from them.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use thole_protocol::units::At;
use tokio::time::Instant;

/// Nothing waits longer than this in one go; who is woken too early looks again.
const LONGEST_WAIT: Duration = Duration::from_secs(3600);

/// The clock of this server, `speed` times as fast as life.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    speed: u32,
}

impl Clock {
    /// A clock that runs `speed` times as fast as life; 1 but for rehearsal and tests.
    #[must_use]
    pub fn new(speed: u32) -> Clock {
        Clock { speed: speed.max(1) }
    }

    /// How many times faster than life.
    #[must_use]
    pub fn speed(self) -> u32 {
        self.speed
    }

    /// Milliseconds since 1970 on the wall clock, never scaled: for what outlives a session.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the file that reads the time")]
    pub fn unix_ms(self) -> u64 {
        let since_1970 = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        u64::try_from(since_1970.as_millis()).unwrap_or(u64::MAX)
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

/// The clock of one session: time since it was created, at the server's speed.
///
/// It goes on across a restart as if nothing had happened, because the moment of creation stands in
/// the journal; and it never runs back, not even when the wall clock was set back in between.
#[derive(Clone, Copy, Debug)]
pub struct SessionClock {
    speed: u32,
    opened: Instant,
    opened_at_us: u64,
}

impl SessionClock {
    /// The clock of a session created at `created_unix_ms`, whose journal ends at `last`.
    #[must_use]
    pub fn open(clock: Clock, created_unix_ms: u64, last: At) -> SessionClock {
        let gone_ms = clock.unix_ms().saturating_sub(created_unix_ms);
        let at_ms = gone_ms.saturating_mul(u64::from(clock.speed)).max(last.0);
        SessionClock {
            speed: clock.speed,
            opened: clock.instant(),
            opened_at_us: at_ms.saturating_mul(1_000),
        }
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
        self.opened_at_us.saturating_add(life_us.saturating_mul(u64::from(self.speed)))
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
        let life = Duration::from_micros(wait_us.div_ceil(u64::from(self.speed)));
        Instant::now() + life.min(LONGEST_WAIT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_session_at_speed_ten_is_ten_seconds_old_after_one() {
        let clock = Clock::new(10);
        let session = SessionClock::open(clock, clock.unix_ms(), At(0));
        let before = session.now_us();
        tokio::time::advance(Duration::from_millis(1_000)).await;
        assert_eq!(session.now_us() - before, 10_000_000);
    }

    #[tokio::test(start_paused = true)]
    async fn a_restart_goes_on_where_the_clock_would_have_been() {
        let clock = Clock::new(1);
        let session = SessionClock::open(clock, clock.unix_ms() - 61_000, At(40_000));
        assert!((61_000..62_000).contains(&session.now().0), "{:?}", session.now());
    }

    #[tokio::test(start_paused = true)]
    async fn a_wall_clock_set_back_never_takes_the_session_back() {
        let clock = Clock::new(1);
        let session = SessionClock::open(clock, clock.unix_ms() + 3_600_000, At(40_000));
        assert_eq!(session.now(), At(40_000));
    }

    #[tokio::test(start_paused = true)]
    async fn who_sleeps_until_an_instant_wakes_when_it_has_come() {
        let clock = Clock::new(7);
        let session = SessionClock::open(clock, clock.unix_ms(), At(0));
        let at = At(session.now().0 + 5_003);
        tokio::time::sleep_until(session.instant_of(at)).await;
        assert!(session.now() >= at);
        assert!(session.now() < At(at.0 + 14), "{:?} is long after {at:?}", session.now());
    }
}
