//! The session's clock on this side of the wire: the only file of the client that reads the time.
//!
//! Everything is counted in microseconds of the session. A server that runs faster than real time
//! (`--speed`) has a faster clock, and this one is scaled with it.

use std::{collections::VecDeque, time::Duration};

use thole_protocol::{
    server_msg::ClockAnswer,
    units::{At, Millis},
};
use tokio::{sync::watch, time::Instant};

/// Answers that are kept: RFC 5905 section 10 keeps eight.
const ANSWERS_KEPT: usize = 8;
/// How far each of two clocks may drift, in microseconds per second: PHI of RFC 5905.
const DRIFT_PPM: u64 = 15;

/// A monotonic clock of this process, scaled by the speed of the session.
#[derive(Clone, Copy, Debug)]
pub struct LocalClock {
    began: Instant,
}

impl LocalClock {
    /// Starts now.
    #[must_use]
    pub fn begin() -> LocalClock {
        LocalClock { began: Instant::now() }
    }

    /// Microseconds of real time since it started.
    #[must_use]
    pub fn real_us(&self) -> u64 {
        u64::try_from(self.began.elapsed().as_micros()).unwrap_or(u64::MAX)
    }
}

/// One question to the server's clock and its answer, on the two clocks involved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Exchange {
    /// When the question left (T1), on this device's clock.
    pub asked_us: u64,
    /// When the server heard it (T2), on the session's clock.
    pub heard_us: u64,
    /// When the server answered (T3), on the session's clock.
    pub answered_us: u64,
    /// When the answer arrived (T4), on this device's clock.
    pub back_us: u64,
}

impl Exchange {
    /// The exchange that an answer completes.
    #[must_use]
    pub fn completed(answer: ClockAnswer, back_us: u64) -> Exchange {
        Exchange {
            asked_us: answer.client_sent_us,
            heard_us: answer.server_heard_us,
            answered_us: answer.server_sent_us,
            back_us,
        }
    }

    /// What to add to this device's own clock to get the session's: ((T2 - T1) + (T3 - T4)) / 2.
    #[must_use]
    pub fn offset_us(&self) -> i64 {
        (apart(self.heard_us, self.asked_us) + apart(self.answered_us, self.back_us)) / 2
    }

    /// The round trip without the server's part of it: (T4 - T1) - (T3 - T2), never below zero.
    #[must_use]
    pub fn delay_us(&self) -> u64 {
        let delay = apart(self.back_us, self.asked_us) - apart(self.answered_us, self.heard_us);
        u64::try_from(delay).unwrap_or(0)
    }
}

/// What the session's clock is taken to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Estimate {
    /// What to add to this device's own clock.
    pub offset_us: i64,
    /// It is right to within this much, whatever the two directions of the connection are like.
    pub bound_us: u64,
}

/// The last eight exchanges, the best of which is believed.
#[derive(Clone, Debug, Default)]
pub struct ClockFilter {
    kept: VecDeque<Exchange>,
}

impl ClockFilter {
    /// Takes in one exchange; the ninth pushes out the first.
    pub fn add(&mut self, exchange: Exchange) {
        if self.kept.len() == ANSWERS_KEPT {
            self.kept.pop_front();
        }
        self.kept.push_back(exchange);
    }

    /// Forgets everything: the server behind a new connection may have been restarted.
    pub fn clear(&mut self) {
        self.kept.clear();
    }

    /// How many exchanges are kept.
    #[must_use]
    pub fn len(&self) -> usize {
        self.kept.len()
    }

    /// Whether nothing has been heard yet.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// The exchange with the least bound: half its delay, and its age at twice the drift of RFC 5905.
    #[must_use]
    pub fn best(&self, now_us: u64) -> Option<Estimate> {
        let drifted = |e: &Exchange| drift_us(now_us.saturating_sub(e.back_us));
        let best = self.kept.iter().min_by_key(|e| e.delay_us() + 2 * drifted(e))?;
        let drifted = drifted(best);
        // One microsecond more for the halves that whole numbers cut off.
        let bound_us = best.delay_us().div_ceil(2) + drifted + 1;
        Some(Estimate { offset_us: best.offset_us(), bound_us })
    }
}

/// What everything in this process takes the session's clock to be; the link keeps it up to date.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reckoning {
    pub(crate) speed: u32,
    pub(crate) estimate: Option<Estimate>,
}

/// Tells the session's time.
#[derive(Clone, Debug)]
pub struct SessionClock {
    local: LocalClock,
    reckoning: watch::Receiver<Reckoning>,
}

impl SessionClock {
    pub(crate) fn new(local: LocalClock, reckoning: watch::Receiver<Reckoning>) -> SessionClock {
        SessionClock { local, reckoning }
    }

    /// The session's time now; `None` before the server was first heard.
    #[must_use]
    pub fn now(&self) -> Option<At> {
        let Reckoning { speed, estimate } = *self.reckoning.borrow();
        let us = i64::try_from(self.local.real_us().saturating_mul(u64::from(speed))).ok()?;
        let us = us.saturating_add(estimate?.offset_us);
        Some(At(u64::try_from(us).unwrap_or(0) / 1_000))
    }

    /// The time is right to within this much.
    #[must_use]
    pub fn bound(&self) -> Option<Millis> {
        let bound = self.reckoning.borrow().estimate?.bound_us.div_ceil(1_000);
        Some(Millis(u32::try_from(bound).unwrap_or(u32::MAX)))
    }

    /// How many times faster than real time the session runs.
    #[must_use]
    pub fn speed(&self) -> u32 {
        self.reckoning.borrow().speed
    }

    /// The latest instant that has certainly come on the server: now, less the bound.
    #[must_use]
    pub fn surely_past(&self) -> Option<At> {
        Some(At(self.now()?.0.saturating_sub(u64::from(self.bound()?.0))))
    }

    /// How long to wait, in real time, for an instant of the session; zero when it is past.
    #[must_use]
    pub fn until(&self, at: At) -> Option<Duration> {
        let ms = at.since(self.now()?).0;
        // One millisecond more, so that whoever waits wakes after the instant and not before it.
        Some(in_life(Duration::from_millis(u64::from(ms) + 1), self.speed()))
    }

    /// This device's own milliseconds, scaled; for questions it asks itself.
    pub(crate) fn local_ms(&self) -> u64 {
        self.local.real_us().saturating_mul(u64::from(self.speed())) / 1_000
    }
}

/// How long a stretch of the session takes in real time.
#[must_use]
pub fn in_life(session: Duration, speed: u32) -> Duration {
    session / speed.max(1)
}

fn drift_us(age_us: u64) -> u64 {
    2 * DRIFT_PPM * age_us / 1_000_000
}

fn apart(later: u64, earlier: u64) -> i64 {
    let signed = |us: u64| i64::try_from(us).unwrap_or(i64::MAX);
    signed(later).saturating_sub(signed(earlier))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// An exchange over a known connection, with known clocks: the session's is `offset_us` ahead of this
    /// device's.
    fn exchange(asked: u64, offset: i64, there: u64, thinking: u64, back: u64) -> Exchange {
        let session = |own: u64| u64::try_from(i64::try_from(own).unwrap() + offset).unwrap();
        Exchange {
            asked_us: asked,
            heard_us: session(asked + there),
            answered_us: session(asked + there + thinking),
            back_us: asked + there + thinking + back,
        }
    }

    /// RFC 5905 section 8, equations for theta and delta, by hand: T1 = 100, T2 = 1120, T3 = 1130,
    /// T4 = 170: theta = ((1120-100) + (1130-170)) / 2 = 990, delta = (170-100) - (1130-1120) = 60.
    #[test]
    fn offset_and_delay_are_those_of_rfc_5905() {
        let exchange = Exchange { asked_us: 100, heard_us: 1120, answered_us: 1130, back_us: 170 };
        assert_eq!((exchange.offset_us(), exchange.delay_us()), (990, 60));
    }

    #[test]
    fn the_quickest_answer_is_believed_and_the_ninth_pushes_out_the_first() {
        let mut filter = ClockFilter::default();
        assert_eq!(filter.best(0), None);
        filter.add(exchange(1_000, 5_000_000, 300, 20, 300));
        for nth in 1..8u64 {
            filter.add(exchange(nth * 60_000, 5_000_000, 9_000, 20, 2_000 + nth));
        }
        assert_eq!(filter.best(500_000).map(|e| e.offset_us), Some(5_000_000));
        filter.add(exchange(600_000, 5_000_000, 9_000, 20, 2_000));
        assert_eq!(filter.len(), 8);
        assert_eq!(filter.best(600_000).map(|e| e.offset_us), Some(5_003_500));
    }

    #[test]
    fn an_old_quick_answer_gives_way_to_a_newer_one_once_drift_may_have_eaten_it() {
        let mut filter = ClockFilter::default();
        filter.add(exchange(0, 1_000_000, 500, 0, 500));
        filter.add(exchange(60_000_000, 1_000_700, 1_000, 0, 1_000));
        // After a minute the first has aged by 60 s x 30 ppm = 1.8 ms: 1.0 + 1.8 > 2.0 + 0.
        assert_eq!(filter.best(60_002_000).map(|e| e.offset_us), Some(1_000_700));
    }

    proptest! {
        /// RFC 5905 section 8: with any asymmetry, the error is at most half the delay.
        #[test]
        fn the_error_never_exceeds_the_bound(
            offset in -500_000_000i64..500_000_000,
            ways in prop::collection::vec((0u64..400_000, 0u64..5_000, 0u64..400_000), 1..20),
        ) {
            let mut filter = ClockFilter::default();
            let mut asked = 1_000_000_000;
            for (there, thinking, back) in ways {
                filter.add(exchange(asked, offset, there, thinking, back));
                asked += 60_000 + there + thinking + back;
            }
            let best = filter.best(asked).unwrap();
            prop_assert!(best.offset_us.abs_diff(offset) <= best.bound_us);
        }
    }

    #[tokio::test(start_paused = true)]
    async fn a_session_ten_times_as_fast_as_life_is_told_so() {
        let local = LocalClock::begin();
        let estimate = Some(Estimate { offset_us: 7_000_000, bound_us: 1_500 });
        let (_keep, reckoning) = watch::channel(Reckoning { speed: 10, estimate });
        let clock = SessionClock::new(local, reckoning);
        assert_eq!(clock.now(), Some(At(7_000)));
        tokio::time::advance(Duration::from_millis(250)).await;
        assert_eq!(clock.now(), Some(At(9_500)));
        assert_eq!(clock.surely_past(), Some(At(9_498)));
        assert_eq!(clock.until(At(10_499)), Some(Duration::from_millis(100)));
    }
}
