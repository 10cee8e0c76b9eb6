//! Whose device is heard, and results of pieces by time that wait for what was rowed while it was not.

use thole_protocol::{event::Happening, ids::AthleteId, units::At};

use super::{Session, timers::When};
use crate::{
    output::{Output, To},
    roster::{ALL_HAS_COME_AFTER, Contact, PUT_OFF_MAX},
};

impl Session {
    /// Whether a piece is under way: from the countdown to its end.
    #[must_use]
    pub fn is_under_way(&self) -> bool {
        self.piece().is_some_and(|piece| piece.has_begun() && !piece.is_over())
    }

    pub(super) fn hear(&mut self, id: AthleteId) {
        let now = self.now;
        self.change(id, |athlete| {
            athlete.claimed = true;
            athlete.hear(now);
        });
        let mut waits = false;
        if let Some(piece) = self.programme.current_mut().filter(|piece| piece.is_rowed())
            && let Some(rower) = piece.rowers.get_mut(&id).filter(|rower| !rower.has_rowed())
        {
            rower.expected_since.get_or_insert(now);
        }
        for piece in self.programme.all_mut() {
            if let Some(rower) = piece.rowers.get_mut(&id).filter(|rower| rower.is_unheard()) {
                rower.back_since.get_or_insert(now);
                waits = true;
            }
        }
        if waits {
            self.hear_out_soon();
        }
    }

    pub(super) fn lose(&mut self, id: AthleteId, since: At) {
        self.change(id, |athlete| athlete.lose(since));
    }

    pub(super) fn lose_all(&mut self) {
        let heard: Vec<AthleteId> =
            self.people.roster().iter().filter(|(_, a)| a.is_heard()).map(|(id, _)| *id).collect();
        for id in heard {
            self.lose(id, self.now);
        }
    }

    /// The session's clock was checked. If it was set, times may be wrong: results of athletes who are still rowing are
    /// marked.
    pub(super) fn clock_set(&mut self, by_ms: Option<i64>, devices: u8, out: &mut Vec<Output>) {
        let now = self.now;
        if by_ms.is_some()
            && let Some(piece) = self.piece_mut().filter(|piece| !piece.is_over())
        {
            let (rule, rowers) = piece.rule_and_rowers();
            for rower in rowers.values_mut().filter(|rower| rower.over(rule, now).is_none()) {
                rower.clock_was_set = true;
            }
        }
        self.emit(To::COACH, Happening::ClockSet { by_ms, devices }, out);
    }

    /// Somebody whose result is waiting is heard, or the result of somebody who is heard starts waiting.
    pub(super) fn hear_out_soon(&mut self) {
        self.timers.set_by(When::HearOut, self.now + ALL_HAS_COME_AFTER);
    }

    /// Whoever has been heard for a while and had nothing more to send has rowed nothing more.
    pub(super) fn hear_out(&mut self, out: &mut Vec<Output>) {
        if !self.timers.take_due(When::HearOut, self.now) {
            return;
        }
        let (now, mut next): (At, Option<At>) = (self.now, None);
        let mut heard: Vec<(usize, AthleteId)> = Vec::new();
        for (at, piece) in self.programme.all_mut().iter_mut().enumerate() {
            for (id, rower) in piece.rowers.iter_mut().filter(|(_, rower)| rower.is_unheard()) {
                let heard_since = match self.people.get(*id).map(|athlete| athlete.contact) {
                    Some(Contact::Heard { since }) => Some(since),
                    Some(Contact::Never | Contact::Silent { .. }) | None => None,
                };
                let all_has_come = heard_since.map(|since| since + ALL_HAS_COME_AFTER);
                let put_off_until = rower.back_since.map(|since| since + PUT_OFF_MAX);
                let Some(due) = all_has_come.into_iter().chain(put_off_until).min() else {
                    continue;
                };
                if due > now {
                    next = Some(next.map_or(due, |next| next.min(due)));
                } else {
                    rower.hear_out();
                    heard.push((at, *id));
                }
            }
        }
        self.timers.set(When::HearOut, next);
        for (at, id) in heard {
            self.tell_result(at, id, out);
        }
    }
}
