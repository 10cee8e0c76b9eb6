//! What follows for an athlete's pieces from what is new in the recording.

use std::ops::RangeInclusive;

use thole_protocol::{ids::AthleteId, units::At};

use super::{Session, programme::Programme};
use crate::{output::Output, recording::Changed, roster::Athlete, rower::Reached};

/// What follows in one piece, apart from where the finish is heading now.
pub(super) struct Follows {
    /// Which piece, counted from 0.
    at: usize,
    /// Points of the sheet that were reached.
    reached: Vec<Reached>,
    /// The result may have changed.
    may_finish: bool,
    /// The strokes of the call that stands have been rowed.
    call_is_done: bool,
}

impl Session {
    /// Recomputes all pieces so far for one athlete.
    pub(super) fn advance_again(&mut self, id: AthleteId, out: &mut Vec<Output>) {
        self.advance(0..=self.programme.current_at(), id, out);
    }

    /// Recomputes the current piece for everybody.
    pub(super) fn advance_all(&mut self, out: &mut Vec<Output>) {
        let all: Vec<AthleteId> = self.people.ids();
        for id in all {
            self.advance(self.programme.current_at()..=self.programme.current_at(), id, out);
        }
    }

    fn advance(&mut self, which: RangeInclusive<usize>, id: AthleteId, out: &mut Vec<Output>) {
        let Session { people, programme, now, .. } = self;
        let Some(athlete) = people.get(id) else { return };
        let follows = follows(programme, which, (id, athlete), *now, Changed::Rebuilt);
        self.follow(id, follows, out);
    }

    pub(super) fn follow(&mut self, id: AthleteId, follows: Vec<Follows>, out: &mut Vec<Output>) {
        for Follows { at, reached, may_finish, call_is_done } in follows {
            let may_end_call = !reached.is_empty() || call_is_done;
            for reached in reached {
                self.sheet_call(at, id, reached, out);
            }
            if may_end_call {
                self.count_strokes(id, out);
            }
            if may_finish {
                self.tell_result(at, id, out);
            }
        }
    }
}

/// Takes what is new in an athlete's recording into these pieces. From an ordinary stroke nothing follows.
pub(super) fn follows(
    programme: &mut Programme,
    which: RangeInclusive<usize>,
    (id, athlete): (AthleteId, &Athlete),
    now: At,
    changed: Changed,
) -> Vec<Follows> {
    let mut follows = Vec::new();
    for (at, piece) in
        programme.all_mut().iter_mut().enumerate().filter(|(at, _)| which.contains(at))
    {
        let sheet = std::mem::take(&mut piece.spec.call_sheet);
        let (rule, rowers) = piece.rule_and_rowers();
        let mut home_at = None;
        if let Some(rower) = rowers.get_mut(&id) {
            let before = rower.over(rule, now);
            let reached = rower.advance(now, &athlete.recording, changed, rule, &sheet);
            let may_finish = before != rower.over(rule, now) || rule.until.is_some();
            let call_is_done = rower.strokes_left(&athlete.recording) == Some(0);
            home_at = rower.home_at(rule);
            if !reached.is_empty() || may_finish || call_is_done {
                follows.push(Follows { at, reached, may_finish, call_is_done });
            }
        }
        piece.goes_by(home_at);
        piece.spec.call_sheet = sheet;
    }
    follows
}
