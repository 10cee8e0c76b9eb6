//! Heartbeats: whoever was told nothing for a second is told that the server is there. One task does it for all
//! connections, so that no connection is woken for it.

use std::{
    cmp::{Ordering, Reverse},
    collections::BinaryHeap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use thole_protocol::ServerMsg;
use tokio::time::{Instant, sleep};

use crate::{
    clock::{Clock, SessionClock},
    limits::{HEARTBEAT, HEARTBEAT_STEP},
    outbox::Pulse,
    session::devices::text,
};

/// All connections that are kept alive.
#[derive(Debug)]
pub struct Beats {
    clock: Clock,
    kept: Mutex<Kept>,
}

#[derive(Debug, Default)]
struct Kept {
    due: BinaryHeap<Reverse<Beat>>,
    /// The task is there.
    is_run: bool,
}

/// When to look at a connection again.
#[derive(Debug)]
struct Beat {
    due: Instant,
    pulse: Pulse,
    clock: SessionClock,
}

impl Beats {
    /// Of nobody yet.
    #[must_use]
    pub fn new(clock: Clock) -> Beats {
        Beats { clock, kept: Mutex::default() }
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps one more connection alive until it is over; its session's clock is `clock`.
    ///
    /// # Panics
    /// Outside of a runtime.
    pub fn keep(beats: &Arc<Beats>, pulse: Pulse, clock: SessionClock) {
        let due = beats.clock.instant() + beats.every();
        let mut kept = beats.kept();
        kept.due.push(Reverse(Beat { due, pulse, clock }));
        if !std::mem::replace(&mut kept.is_run, true) {
            tokio::spawn(run(Arc::clone(beats)));
        }
    }

    /// Looked at in steps, it is said a step earlier than it has to be.
    fn every(&self) -> Duration {
        self.clock.in_life(HEARTBEAT.saturating_sub(HEARTBEAT_STEP))
    }

    /// Beats for those who are due, and says how long until the next are; none when nobody is left.
    fn beat(&self) -> Option<Duration> {
        let now = self.clock.instant();
        loop {
            let mut kept = self.kept();
            let Some(next) = kept.due.peek() else {
                kept.is_run = false;
                return None;
            };
            if next.0.due > now {
                return Some(next.0.due - now);
            }
            let Some(Reverse(beat)) = kept.due.pop() else { continue };
            drop(kept);
            let Some(said) = beat.pulse.said() else { continue };
            let mut due = said + self.every();
            if due <= now {
                beat.pulse.beat(&text(&ServerMsg::Heartbeat { at_ms: beat.clock.now() }));
                due = now + self.every();
            }
            self.kept().due.push(Reverse(Beat { due, ..beat }));
        }
    }
}

async fn run(beats: Arc<Beats>) {
    let step = beats.clock.in_life(HEARTBEAT_STEP);
    while let Some(wait) = beats.beat() {
        sleep(wait.max(step)).await;
    }
}

impl PartialEq for Beat {
    fn eq(&self, other: &Beat) -> bool {
        self.due == other.due
    }
}

impl Eq for Beat {}

impl PartialOrd for Beat {
    fn partial_cmp(&self, other: &Beat) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Beat {
    fn cmp(&self, other: &Beat) -> Ordering {
        self.due.cmp(&other.due)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        clock::SessionClock,
        outbox::{Outbox, Outgoing},
    };
    use thole_protocol::units::At;

    fn kept(beats: &Arc<Beats>) -> (Outbox, Outgoing) {
        let clock = Clock::new(1);
        let (outbox, out) = Outbox::new(None, clock);
        Beats::keep(beats, out.pulse(), SessionClock::open(clock, clock.unix_ms(), At(0)));
        (outbox, out)
    }

    async fn pass(seconds: u64) {
        for _ in 0..seconds * 10 {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    #[tokio::test(start_paused = true)]
    async fn who_does_not_take_one_gets_no_second_and_who_has_left_is_forgotten() {
        let beats = Arc::new(Beats::new(Clock::new(1)));
        let (_outbox, mut out) = kept(&beats);
        pass(5).await;
        assert!(out.queued().is_some_and(|text| text.contains("heartbeat")));
        assert_eq!(out.queued(), None);
        drop(out);
        pass(2).await;
        assert!(beats.kept().due.is_empty());
        assert!(!beats.kept().is_run);
        // Whoever comes after everybody had left is kept all the same.
        let (_outbox, mut out) = kept(&beats);
        pass(2).await;
        assert!(out.queued().is_some());
    }

    #[tokio::test(start_paused = true)]
    async fn nothing_goes_out_beside_what_is_waiting_or_once_the_connection_is_to_be_closed() {
        let beats = Arc::new(Beats::new(Clock::new(1)));
        let (outbox, mut out) = kept(&beats);
        let (other, mut closing) = kept(&beats);
        outbox.state("{}".into());
        other.close(thole_protocol::close::Close::Restart);
        pass(3).await;
        assert_eq!((out.queued(), closing.queued()), (None, None));
    }
}
