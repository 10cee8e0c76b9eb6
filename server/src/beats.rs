//! Heartbeats: whoever has been told nothing for a second is told that the server is there. One task does it
//! for all connections, so that no connection is woken for it.

use std::{
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use thole_host::text;
use thole_protocol::ServerMsg;
use tokio::time::{Instant, sleep_until};

use crate::{
    clock::{Clock, SessionClock},
    limits::{HEARTBEAT, HEARTBEAT_STEPS},
    outbox::Pulse,
};

/// All connections that are kept alive.
#[derive(Debug)]
pub struct Beats {
    clock: Clock,
    kept: Mutex<Kept>,
}

/// A wheel of steps: those who are due in one of them are looked at together.
#[derive(Debug)]
struct Kept {
    /// When the current step begins.
    begins: Instant,
    /// Which of the steps that is.
    step: usize,
    due: [Vec<Beat>; HEARTBEAT_STEPS],
    /// The task is running.
    is_run: bool,
}

#[derive(Debug)]
struct Beat {
    pulse: Pulse,
    clock: SessionClock,
}

impl Kept {
    /// Has it looked at again `steps` from now: at least one, and less than the whole wheel.
    fn put(&mut self, beat: Beat, steps: usize) {
        let at = (self.step + steps.clamp(1, HEARTBEAT_STEPS - 1)) % HEARTBEAT_STEPS;
        if let Some(due) = self.due.get_mut(at) {
            due.push(beat);
        }
    }

    /// How many steps there are to the next one in which somebody is due.
    fn steps_to_next(&self) -> Option<usize> {
        (1..HEARTBEAT_STEPS).find(|steps| {
            let due = self.due.get((self.step + steps) % HEARTBEAT_STEPS);
            due.is_some_and(|due| !due.is_empty())
        })
    }
}

impl Beats {
    /// For nobody yet.
    #[must_use]
    pub fn new(clock: Clock) -> Beats {
        let due = std::array::from_fn(|_| Vec::new());
        let kept = Kept { begins: clock.instant(), step: 0, due, is_run: false };
        Beats { clock, kept: Mutex::new(kept) }
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps one more connection alive until it is over; its session's clock is `clock`.
    ///
    /// # Panics
    /// Outside of a runtime.
    pub fn keep(beats: &Arc<Beats>, pulse: Pulse, clock: SessionClock) {
        let now = beats.clock.instant();
        let mut kept = beats.kept();
        if !std::mem::replace(&mut kept.is_run, true) {
            kept.begins = now;
            tokio::spawn(run(Arc::clone(beats)));
        }
        let steps = beats.steps(now, kept.begins);
        kept.put(Beat { pulse, clock }, steps);
    }

    fn every(&self) -> Duration {
        self.clock.in_life(HEARTBEAT)
    }

    fn step(&self) -> Duration {
        self.every() / u32::try_from(HEARTBEAT_STEPS).unwrap_or(u32::MAX)
    }

    /// When the next step begins in which somebody is due; `None` when nobody is left.
    fn next(&self) -> Option<Instant> {
        let mut kept = self.kept();
        let Some(steps) = kept.steps_to_next() else {
            kept.is_run = false;
            return None;
        };
        kept.step = (kept.step + steps) % HEARTBEAT_STEPS;
        let begins = kept.begins + self.step() * u32::try_from(steps).unwrap_or(u32::MAX);
        // What a machine that stood still has missed is not made up for step by step.
        let missed = self.clock.instant().checked_sub(self.every());
        kept.begins = missed.map_or(begins, |missed| begins.max(missed));
        Some(kept.begins)
    }

    /// Looks at those who are due in the current step, and beats for those for whom the next one would be too
    /// late.
    fn beat(&self) {
        let mut kept = self.kept();
        let (at, begins) = (kept.step, kept.begins);
        let due = kept.due.get_mut(at).map(std::mem::take).unwrap_or_default();
        drop(kept);
        for beat in due {
            let Some(said) = beat.pulse.said() else { continue };
            let mut steps = self.steps(said, begins);
            if steps == 0 {
                beat.pulse.beat(&text(&ServerMsg::Heartbeat { at_ms: beat.clock.now() }));
                steps = HEARTBEAT_STEPS;
            }
            self.kept().put(beat, steps);
        }
    }

    /// How many whole steps after `begins` somebody who was last told something at `said` has to be told
    /// something again.
    fn steps(&self, said: Instant, begins: Instant) -> usize {
        let left = (said + self.every()).saturating_duration_since(begins);
        usize::try_from(left.as_nanos() / self.step().as_nanos().max(1)).unwrap_or(usize::MAX)
    }
}

async fn run(beats: Arc<Beats>) {
    while let Some(next) = beats.next() {
        sleep_until(next).await;
        beats.beat();
    }
}

#[cfg(test)]
mod tests {
    use thole_protocol::client_msg::Role;

    use super::*;
    use crate::outbox::{Outbox, Outgoing};

    fn kept(beats: &Arc<Beats>) -> (Outbox, Outgoing) {
        let clock = Clock::new(1);
        let (outbox, out) = Outbox::new(Role::Athlete, None, clock);
        Beats::keep(beats, out.pulse(), SessionClock::begin(clock));
        (outbox, out)
    }

    async fn pass_ms(ms: u64) {
        for _ in 0..ms / 100 {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    #[tokio::test(start_paused = true)]
    async fn who_does_not_take_one_gets_no_second_and_who_has_left_is_forgotten() {
        let beats = Arc::new(Beats::new(Clock::new(1)));
        let (_outbox, mut out) = kept(&beats);
        pass_ms(5_000).await;
        assert!(out.queued().is_some_and(|text| text.contains("heartbeat")));
        assert_eq!(out.queued(), None);
        drop(out);
        pass_ms(2_000).await;
        assert!(beats.kept().due.iter().all(Vec::is_empty));
        assert!(!beats.kept().is_run);
        // Somebody who comes after everybody had left is kept all the same.
        let (_outbox, mut out) = kept(&beats);
        pass_ms(2_000).await;
        assert!(out.queued().is_some());
    }

    #[tokio::test(start_paused = true)]
    async fn whoever_comes_between_waits_no_longer_than_the_others() {
        let beats = Arc::new(Beats::new(Clock::new(1)));
        let _first = kept(&beats);
        pass_ms(500).await;
        let (_outbox, mut out) = kept(&beats);
        pass_ms(900).await;
        assert_eq!(out.queued(), None);
        pass_ms(200).await;
        assert!(out.queued().is_some());
    }

    #[tokio::test(start_paused = true)]
    async fn nothing_goes_out_beside_what_is_waiting_or_once_the_connection_is_to_be_closed() {
        let beats = Arc::new(Beats::new(Clock::new(1)));
        let (outbox, mut out) = kept(&beats);
        let (other, mut closing) = kept(&beats);
        outbox.state("{}".into());
        other.close(thole_protocol::close::Close::Restart);
        pass_ms(3_000).await;
        assert_eq!((out.queued(), closing.queued()), (None, None));
    }
}
