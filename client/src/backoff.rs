//! How long to wait before coming back to a server: longer each time, and never all at once.

use std::time::Duration;

use crate::chance::Chance;

/// The first wait is at most this long.
pub const FIRST: Duration = Duration::from_millis(200);
/// No wait is longer than this.
pub const LONGEST: Duration = Duration::from_secs(4);

/// Waits between attempts: full jitter (any length up to the limit, all equally likely), and a limit that
/// doubles from 0.2 s to 4 s, so that a gym that lost its server does not come back all at once.
#[derive(Clone, Debug)]
pub struct Backoff {
    chance: Chance,
    attempts: u32,
}

impl Backoff {
    /// Nothing has failed yet.
    #[must_use]
    pub fn new(chance: Chance) -> Backoff {
        Backoff { chance, attempts: 0 }
    }

    /// The most that the next wait can be.
    #[must_use]
    pub fn limit(&self) -> Duration {
        FIRST.saturating_mul(2u32.saturating_pow(self.attempts)).min(LONGEST)
    }

    /// The next wait.
    pub fn wait(&mut self) -> Duration {
        let limit = self.limit();
        self.attempts = self.attempts.saturating_add(1);
        limit.mul_f64(self.chance.unit())
    }

    /// The connection holds: the next failure counts as the first again.
    pub fn reset(&mut self) {
        self.attempts = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_to_four_seconds_and_spread_over_all_of_it() {
        let mut backoff = Backoff::new(Chance::seeded(11));
        let limits: Vec<u128> = (0..7)
            .map(|_| {
                let limit = backoff.limit();
                assert!(backoff.wait() <= limit);
                limit.as_millis()
            })
            .collect();
        assert_eq!(limits, [200, 400, 800, 1_600, 3_200, 4_000, 4_000]);
        let waits: Vec<Duration> = (0..2_000).map(|_| backoff.wait()).collect();
        let mean = waits.iter().sum::<Duration>() / 2_000;
        assert!(mean > Duration::from_millis(1_900) && mean < Duration::from_millis(2_100));
        assert!(waits.iter().min() < Some(&Duration::from_millis(50)));
        backoff.reset();
        assert_eq!(backoff.limit(), FIRST);
    }
}
