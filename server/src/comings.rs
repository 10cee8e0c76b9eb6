//! Who has come in, for the log: a device that keeps coming back makes one line a minute, with the number of times.

use std::{
    collections::HashMap,
    sync::{Mutex, PoisonError},
    time::Duration,
};

use thole_protocol::ids::{DeviceId, SessionId};
use tokio::time::Instant;

use crate::{clock::Clock, journal::Holder};

/// A phone at the edge of the network comes back every few seconds; somebody who watches the log has to see the
/// others.
const FOLDED_FOR: Duration = Duration::from_secs(60);
/// How many devices are remembered before looking which of them can be forgotten.
const SWEPT_AT: usize = 4_096;

type Who = (SessionId, Holder, Option<DeviceId>);

/// What was logged about whom.
#[derive(Debug)]
pub struct Comings {
    told: Mutex<HashMap<Who, Coming>>,
    clock: Clock,
}

#[derive(Debug)]
struct Coming {
    at: Instant,
    /// How often it has come since without being logged.
    since: u32,
}

impl Comings {
    /// Nobody has come yet.
    #[must_use]
    pub fn new(clock: Clock) -> Comings {
        Comings { told: Mutex::default(), clock }
    }

    /// Somebody was welcomed.
    pub fn told(&self, session: SessionId, holder: Holder, device: Option<DeviceId>) {
        let Some(untold) = self.counted((session, holder, device)) else { return };
        let (role, athlete) = match holder {
            Holder::Coach => ("coach", None),
            Holder::Board => ("board", None),
            Holder::Athlete(athlete) => ("athlete", Some(tracing::field::display(athlete))),
        };
        tracing::info!(%session, role, athlete, untold, "connected");
    }

    /// How often it has come unlogged since it was last logged, `Some(None)` if never; `None` when it is too soon to log
    /// it again.
    fn counted(&self, who: Who) -> Option<Option<u32>> {
        let now = self.clock.instant();
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        if told.len() >= SWEPT_AT {
            told.retain(|_, told| now.duration_since(told.at) < FOLDED_FOR);
        }
        let Some(before) = told.get_mut(&who) else {
            told.insert(who, Coming { at: now, since: 0 });
            return Some(None);
        };
        if now.duration_since(before.at) < FOLDED_FOR {
            before.since += 1;
            return None;
        }
        before.at = now;
        let untold = std::mem::take(&mut before.since);
        Some((untold > 0).then_some(untold))
    }
}

#[cfg(test)]
mod tests {
    use thole_protocol::ids::AthleteId;
    use tokio::time::advance;
    use uuid::Uuid;

    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_device_that_comes_again_and_again_is_one_line_a_minute() {
        let comings = Comings::new(Clock::new(1));
        let (session, device) = (SessionId(Uuid::from_u128(1)), Some(DeviceId(Uuid::from_u128(2))));
        let ana = (session, Holder::Athlete(AthleteId(Uuid::from_u128(3))), device);
        assert_eq!(comings.counted(ana), Some(None), "the first time it is told at once");
        for _ in 0..7 {
            advance(Duration::from_secs(8)).await;
            assert_eq!(comings.counted(ana), None);
        }
        assert_eq!(comings.counted((session, Holder::Coach, device)), Some(None), "somebody else");
        advance(Duration::from_secs(8)).await;
        assert_eq!(comings.counted(ana), Some(Some(7)));
        advance(FOLDED_FOR).await;
        assert_eq!(comings.counted(ana), Some(None), "nothing was left out");
    }

    #[tokio::test(start_paused = true)]
    async fn devices_that_are_gone_are_forgotten() {
        let comings = Comings::new(Clock::new(1));
        for no in 0..3 * SWEPT_AT {
            let device = Some(DeviceId(Uuid::from_u128(no as u128)));
            comings.counted((SessionId(Uuid::from_u128(1)), Holder::Coach, device));
            advance(Duration::from_millis(50)).await;
        }
        let kept = comings.told.lock().unwrap().len();
        assert!(kept <= SWEPT_AT, "{kept}");
    }
}
