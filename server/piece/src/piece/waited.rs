//! Whom a piece waits for: when the next repeat is signalled, and when it is over.

use thole_protocol::{
    ids::AthleteId,
    spec::RepeatStart,
    standing::{Doing, Phase},
    units::At,
};

use super::{Piece, Roster, SIGNAL_LEAD, SILENT_MAX_MS, rule};
use crate::{
    fine_at::FineAt,
    roster::{ALL_HAS_COME_AFTER, Athlete, Contact, PUT_OFF_MAX},
    rower::Rower,
};

impl Piece {
    /// Changes the phase if the rowers have come far enough; true when it has changed.
    pub fn follow_rowers(&mut self, now: At, roster: &Roster) -> bool {
        let phase = self.phase;
        match phase {
            Phase::Rowing { go_at_ms, .. } | Phase::Resting { go_at_ms, .. }
                if self.anybody_is_home(now) =>
            {
                self.go_to(Phase::Closing { go_at_ms });
                true
            }
            Phase::Rowing { go_at_ms, repeat, .. } => {
                self.rest_if_all_done(now, go_at_ms, repeat, roster)
            }
            Phase::Closing { go_at_ms } if !self.anybody_is_home(now) => {
                // What looked like a finish was nonsense: the samples around it have since come.
                self.go_to(self.rowing_again(go_at_ms, now));
                true
            }
            Phase::Closing { go_at_ms } if self.nobody_is_out(now, roster) => {
                self.until = Some(now);
                self.go_to(Phase::Finished { go_at_ms });
                true
            }
            Phase::Gathering
            | Phase::Armed
            | Phase::Counting { .. }
            | Phase::Resting { .. }
            | Phase::Closing { .. }
            | Phase::Finished { .. }
            | Phase::Stopped { .. } => false,
        }
    }

    fn anybody_is_home(&mut self, now: At) -> bool {
        if now < self.lookout.nobody_home_before {
            return false;
        }
        let rule = rule(&self.spec, &self.starts, self.until);
        let is_home = |rower: &Rower| rower.over(rule, now).is_some();
        let known = self.lookout.home.and_then(|id| self.rowers.get(&id));
        if known.is_some_and(is_home) {
            return true;
        }
        let home = self.rowers.iter().find(|(_, rower)| is_home(rower));
        self.lookout.home = home.map(|(id, _)| *id);
        if home.is_none() {
            let home_at = self.rowers.values().filter_map(|rower| rower.home_at(rule)).min();
            self.lookout.nobody_home_before = home_at.unwrap_or(At(u64::MAX));
        }
        home.is_some()
    }

    /// Rowing, in the repeat that was signalled last.
    fn rowing_again(&self, go_at_ms: At, now: At) -> Phase {
        let signalled = (0..).zip(&self.starts).take_while(|(_, start)| **start <= now).last();
        let (repeat, repeat_at_ms) = signalled.map_or((0, go_at_ms), |(no, start)| (no, *start));
        Phase::Rowing { go_at_ms, repeat, repeat_at_ms }
    }

    /// Repeats by distance on a common signal: the rest begins when the last athlete still rowing is done.
    fn rest_if_all_done(&mut self, now: At, go_at_ms: At, repeat: u16, roster: &Roster) -> bool {
        let this = usize::from(repeat);
        let Some(rest_ms) = self.spec.repeats.get(this).map(|repeat| repeat.rest_ms) else {
            return false;
        };
        if !self.waits_in(repeat) {
            return false;
        }
        let keeps_waiting = |id: &AthleteId, rower: &Rower| {
            rower.repeat() <= this
                && roster.get(id).is_some_and(|athlete| self.is_waited_for(rower, athlete, now))
        };
        if self.still_waits(keeps_waiting) {
            return false;
        }
        let waited_for = self.rowers.iter().find(|(id, rower)| keeps_waiting(id, rower));
        self.lookout.waited_for = waited_for.map(|(id, _)| *id);
        if waited_for.is_some() {
            return false;
        }
        let done = self.rowers.values().filter(|rower| rower.repeat() > this);
        let last = done.filter_map(|rower| rower.ended_at().map(FineAt::ceil)).max();
        let Some(last) = last else { return false };
        self.signal(go_at_ms, repeat + 1, (last + rest_ms).max(now + SIGNAL_LEAD));
        true
    }

    /// Whether the rest after this repeat begins when the last athlete is done, and has not been signalled.
    pub(super) fn waits_in(&self, repeat: u16) -> bool {
        let next = usize::from(repeat) + 1;
        self.spec.repeat_start == RepeatStart::CommonSignal
            && next < self.repeats()
            && self.starts.len() <= next
    }

    pub(super) fn is_waited_for(&self, rower: &Rower, athlete: &Athlete, now: At) -> bool {
        !rower.is_not_waited_for(athlete)
            && rower.doing(athlete, self.rule(), now) == Doing::Rowing
            && athlete.silent_for(now).is_none_or(|silent| silent.0 < SILENT_MAX_MS)
    }

    /// Whether this athlete may be rowing unheard: was here during the countdown, or has come since; or has just come back,
    /// and what was rowed in the meantime may be on its way.
    fn may_row_unheard(&self, rower: &Rower, athlete: &Athlete, now: At) -> bool {
        let Some(go) = self.starts.first() else { return false };
        match athlete.contact {
            Contact::Silent { since, .. } => since + self.spec.count_ms >= *go,
            Contact::Heard { since } => {
                let put_off_until = rower.expected_since.unwrap_or(since) + PUT_OFF_MAX;
                since > *go && now < put_off_until.min(since + ALL_HAS_COME_AFTER)
            }
            Contact::Never => false,
        }
    }

    /// Whether the piece goes on for this athlete, or may be going on unheard.
    pub(super) fn is_out(&self, rower: &Rower, athlete: &Athlete, now: At) -> bool {
        !rower.is_not_waited_for(athlete)
            && rower.over(self.rule(), now).is_none()
            && !self.rule().is_time_over(now)
            && !rower.has_stopped()
            && (rower.has_rowed() || self.may_row_unheard(rower, athlete, now))
    }

    /// Whether everybody who has rowed is home or has said that they stopped, and nobody is away who may be
    /// rowing unheard.
    fn nobody_is_out(&mut self, now: At, roster: &Roster) -> bool {
        let is_out = |id: &AthleteId, rower: &Rower| {
            roster.get(id).is_some_and(|athlete| self.is_out(rower, athlete, now))
        };
        if self.still_waits(is_out) {
            return false;
        }
        let out = self.rowers.iter().find(|(id, rower)| is_out(id, rower)).map(|(id, _)| *id);
        self.lookout.waited_for = out;
        out.is_none()
    }

    /// Whether the athlete whom the piece was found to be waiting for still keeps it waiting.
    fn still_waits(&self, keeps_waiting: impl Fn(&AthleteId, &Rower) -> bool) -> bool {
        let known = self.lookout.waited_for.and_then(|id| self.rowers.get_key_value(&id));
        known.is_some_and(|(id, rower)| keeps_waiting(id, rower))
    }
}
