//! The instant from which a session's clock goes on when it is opened again, and how sure that is.

use thole_protocol::units::At;

/// How long the current boot of the machine has lasted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Uptime {
    /// The boot's random identity.
    pub boot: String,
    /// Nanoseconds since it began, including those the machine slept. Nobody sets this clock.
    pub ns: u64,
}

/// One instant on the session's clock and on the machine's, kept with the session's records: the session's
/// clock goes on from it after a restart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reckoned {
    /// On the session's clock.
    pub at: At,
    /// On the wall clock.
    pub unix_ms: u64,
    /// On the boot's own clock; `None` where the system does not report it.
    pub uptime: Option<Uptime>,
}

impl Reckoned {
    /// The instant at which a session goes on whose journal ends at `last`, on a machine that shows this now.
    #[must_use]
    pub fn goes_on(
        &self,
        uptime: Option<&Uptime>,
        unix_ms: u64,
        last: At,
        speed: u32,
    ) -> (At, Trust) {
        let (at, trust) = match uptime.and_then(|uptime| self.by_boot(uptime, speed)) {
            Some(at) => (at, Trust::SameBoot),
            None => (self.by_wall(unix_ms, speed), Trust::WallClock),
        };
        (at.max(last), trust)
    }

    /// Whether a session's clock would go on from `newer` just as it goes on from this, to a tenth of a second:
    /// then `newer` need not be kept. They differ when the machine has slept, or its wall clock was set.
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

/// How sure it is that a session's clock has gone on correctly while nobody kept it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    /// By the clock of the same boot, which nobody sets: it stands.
    SameBoot,
    /// By the wall clock alone, which may be wrong.
    WallClock,
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: u64 = 1_800_000_000_000;
    const HOUR: u64 = 3_600_000;

    fn boot(boot: &str, s: u64) -> Option<Uptime> {
        Some(Uptime { boot: boot.to_owned(), ns: s * 1_000_000_000 })
    }

    /// What the clock of a session that was 40 s old at noon, 100 s into the boot, is taken to be when the machine shows
    /// this.
    fn reopened(speed: u32, uptime: Option<Uptime>, unix_ms: u64) -> (At, Trust) {
        let kept = Reckoned { at: At(40_000), unix_ms: NOON, uptime: boot("one", 100) };
        kept.goes_on(uptime.as_ref(), unix_ms, At(40_010), speed)
    }

    #[test]
    fn on_the_same_boot_the_wall_clock_moves_nothing() {
        for unix_ms in [0, NOON - HOUR, NOON + 5_000, NOON + HOUR] {
            assert_eq!(reopened(1, boot("one", 105), unix_ms), (At(45_000), Trust::SameBoot));
        }
        assert_eq!(reopened(10, boot("one", 105), 0), (At(90_000), Trust::SameBoot));
    }

    #[test]
    fn on_another_boot_the_wall_clock_is_all_there_is_and_never_takes_the_session_back() {
        for uptime in [None, boot("two", 105)] {
            let reopened = |speed, unix_ms| reopened(speed, uptime.clone(), unix_ms);
            assert_eq!(reopened(1, NOON + 61_000), (At(101_000), Trust::WallClock));
            assert_eq!(reopened(10, NOON + 61_000), (At(650_000), Trust::WallClock));
            assert_eq!(reopened(1, NOON - HOUR), (At(40_010), Trust::WallClock));
            assert_eq!(reopened(1, 0), (At(40_010), Trust::WallClock));
        }
    }

    #[test]
    fn an_instant_is_kept_again_only_when_the_clocks_have_parted() {
        let kept = Reckoned { at: At(40_000), unix_ms: NOON, uptime: boot("one", 100) };
        let after = |name, s, wall_ms| Reckoned {
            at: At(100_000),
            unix_ms: NOON + wall_ms,
            uptime: boot(name, s),
        };
        assert!(kept.leads_to(&after("one", 160, 60_000), 1));
        assert!(!kept.leads_to(&after("one", 190, 90_000), 1), "the machine has slept");
        assert!(!kept.leads_to(&after("one", 160, 90_000), 1), "its wall clock was set");
        assert!(!kept.leads_to(&after("two", 160, 60_000), 1), "another boot");
    }
}
