//! An athlete on a machine: a course being rowed, and the place in the session that it is sent from.

use std::{collections::VecDeque, time::Duration};

use thole_protocol::{
    event::{Event, Happening},
    ids::EventNo,
    sample::Reading,
    spec::{Plan, Target},
    standing::Phase,
    units::{At, Millis},
};
use tokio::time::sleep;

use crate::{
    athlete::{Athlete, AthleteConfig, AthleteNews},
    clock::in_life,
    course::{Course, DueSample, Source},
    mirror::Mirror,
};

/// Longest sleep without looking at what is due.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// What the strap says is passed on no more often than this.
const HEART_EVERY: Millis = Millis(3_000);

/// A stretch without a connection: for rehearsal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Drop {
    /// This long after the go of each piece.
    pub after_go: Millis,
    /// For this long.
    pub lasts: Millis,
}

/// An athlete on a machine.
pub struct Seat {
    athlete: Athlete,
    course: Course,
    mirror: Option<Mirror>,
    drops: Vec<Drop>,
    /// Instants in the attempt being rowed.
    to_drop: VecDeque<(At, Millis)>,
    go: Option<At>,
    heart_at: At,
    /// The first welcome already included everything up to this event.
    from_event: EventNo,
}

impl Seat {
    /// Takes the seat and starts connecting.
    #[must_use]
    pub fn take(config: AthleteConfig, source: Source, mut drops: Vec<Drop>) -> Seat {
        drops.sort_by_key(|drop| drop.after_go);
        Seat {
            athlete: Athlete::open(config),
            course: Course::new(source).begins_late(),
            mirror: None,
            drops,
            to_drop: VecDeque::new(),
            go: None,
            heart_at: At(0),
            from_event: EventNo(0),
        }
    }

    /// The place in the session.
    #[must_use]
    pub fn athlete(&self) -> &Athlete {
        &self.athlete
    }

    /// The session as known here; `None` before the first welcome.
    #[must_use]
    pub fn mirror(&self) -> Option<&Mirror> {
        self.mirror.as_ref()
    }

    /// Whether there is nothing left to row or to send.
    pub fn is_done(&mut self) -> bool {
        self.course.due().is_none() && self.athlete.pending() == 0
    }

    /// Rows on and waits for news; `None` after `AthleteNews::Ended`. Nothing is lost when the wait is given
    /// up.
    pub async fn next(&mut self) -> Option<AthleteNews> {
        loop {
            let wait = self.row_due();
            tokio::select! {
                told = self.athlete.next() => {
                    let told = told?;
                    self.follow(&told);
                    return Some(told);
                }
                () = sleep(wait) => {}
            }
        }
    }

    /// Records what the machine has said by now; returns how long to wait before looking again, in real time.
    fn row_due(&mut self) -> Duration {
        let clock = self.athlete.clock().clone();
        let Some(now) = clock.now() else { return LOOK_EVERY };
        while self.course.due().is_some_and(|at| at <= now) {
            let Some(due) = self.course.take() else { break };
            self.record(due);
        }
        self.drop_due(now);
        let dropping = self.to_drop.front().map(|(at, _)| *at);
        [self.course.due(), dropping]
            .into_iter()
            .flatten()
            .filter_map(|at| clock.until(at))
            .fold(LOOK_EVERY, Duration::min)
    }

    fn record(&mut self, due: DueSample) {
        self.athlete.record(due.sample);
        if let Some(heart_bpm) = due.heart_bpm
            && due.at >= self.heart_at
        {
            self.heart_at = due.at + HEART_EVERY;
            let heart_bpm = i64::from(heart_bpm);
            self.athlete.record_heart(Reading { heard_ms: due.sample.heard_ms, heart_bpm });
        }
    }

    fn drop_due(&mut self, now: At) {
        if self.go != self.course.go() {
            self.go = self.course.go();
            let instants = |go: At| self.drops.iter().map(move |d| (go + d.after_go, d.lasts));
            self.to_drop = self.go.into_iter().flat_map(instants).collect();
        }
        while let Some((at, lasts)) = self.to_drop.front().copied() {
            if at > now {
                return;
            }
            self.to_drop.pop_front();
            // One that is long past no longer counts: somebody who comes late does not leave again for it.
            let left = (at + lasts).since(now);
            if left.0 > 0 {
                let session = Duration::from_millis(u64::from(left.0));
                self.athlete.leave(in_life(session, self.athlete.clock().speed()));
            }
        }
    }

    fn follow(&mut self, told: &AthleteNews) {
        match told {
            AthleteNews::Welcome(welcome, _) => {
                let first = self.mirror.is_none();
                self.mirror = Some(Mirror::of((**welcome).clone()));
                // On coming back, what was missed follows as events, one by one and in order.
                if first {
                    self.from_event = welcome.last_event;
                    self.see_current(welcome.at_ms);
                }
            }
            AthleteNews::Event(event) => self.happened(event),
            AthleteNews::Own(_)
            | AthleteNews::RefusedSamples(_)
            | AthleteNews::Refused(_)
            | AthleteNews::Lost { .. }
            | AthleteNews::Ended(_) => {}
        }
    }

    fn happened(&mut self, event: &Event) {
        let Some(mirror) = &mut self.mirror else { return };
        mirror.take(event);
        let Happening::PhaseChanged { piece, phase } = event.what else { return };
        // What happened before the first welcome is in it; what was missed later is caught up with here.
        if event.event <= self.from_event {
            return;
        }
        if phase == Phase::Gathering {
            // The pieces before this one are over and final.
            self.athlete.forget(event.at_ms);
        }
        let (target, plan) = own_aim(mirror);
        if let Some(view) = mirror.piece(piece) {
            self.course.see(piece, &view.spec, phase, event.at_ms, (target, &plan));
        }
    }

    fn see_current(&mut self, at: At) {
        let Some(mirror) = &self.mirror else { return };
        let (target, plan) = own_aim(mirror);
        if let Some(view) = mirror.current() {
            self.course.see(view.piece, &view.spec, view.phase, at, (target, &plan));
        }
    }
}

fn own_aim(mirror: &Mirror) -> (Option<Target>, Plan) {
    let own = mirror.now().you.and_then(|you| mirror.athlete(you));
    own.map_or((None, Plan::Even), |view| (view.aim.target, view.aim.plan.clone()))
}
