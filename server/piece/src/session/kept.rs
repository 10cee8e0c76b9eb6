//! Events as they are told and kept for those who come back.

use std::sync::Arc;

use thole_protocol::{
    event::{Event, Happening},
    ids::{AthleteId, EventNo},
    standing::Phase,
};

use super::{ATHLETES_AN_EVENT, Session, Viewer, news::Kept};
use crate::output::{Athletes, Output, To};

impl Session {
    /// Tells the coach, and the boards without what is private, who is new or has changed.
    pub(super) fn tell_roster(&mut self, out: &mut Vec<Output>) {
        self.look_at_targets();
        let fresh = self.news.take_fresh();
        for some in fresh.chunks(ATHLETES_AN_EVENT) {
            let at_ms = self.now;
            let event = self.news.tell_of(at_ms, some);
            let board = To { coach: false, board: true, athletes: Athletes::None };
            let own = |id: &AthleteId| To {
                coach: false,
                board: false,
                athletes: Athletes::These(Arc::new([*id])),
            };
            let screens = [(To::COACH, Viewer::Coach, some), (board, Viewer::Board, some)];
            let each = some.chunks(1).filter_map(|one| one.first().map(|id| (id, one)));
            let each = each.map(|(id, one)| (own(id), Viewer::Athlete(*id), one));
            for (to, viewer, whom) in screens.into_iter().chain(each) {
                let what = self.as_they_are(whom, viewer);
                out.push(Output::Event { to, event: Event { event, at_ms, late: false, what } });
            }
        }
    }

    /// The events after `last` that concern this viewer, marked late.
    #[must_use]
    pub fn events_after(&self, last: EventNo, viewer: Viewer) -> Vec<Event> {
        let missed = self.news.after(last);
        missed.filter_map(|(number, kept)| self.again(number, kept, viewer)).collect()
    }

    /// A kept event once more, marked late, if it concerns this viewer.
    fn again(&self, event: EventNo, kept: &Kept, viewer: Viewer) -> Option<Event> {
        match kept {
            Kept::Said(to, event) => {
                viewer.is_told(to).then(|| Event { late: true, ..event.clone() })
            }
            Kept::Roster(at_ms, whom) => {
                let you = match viewer {
                    Viewer::Coach | Viewer::Board => None,
                    Viewer::Athlete(you) => Some(whom.iter().position(|id| *id == you)?),
                };
                let whom = you.map_or(&**whom, |at| whom.get(at..=at).unwrap_or(&[]));
                let what = self.as_they_are(whom, viewer);
                Some(Event { event, at_ms: *at_ms, late: true, what })
            }
        }
    }

    /// What the roster says about these now, as this viewer may see it.
    fn as_they_are(&self, whom: &[AthleteId], viewer: Viewer) -> Happening {
        let athletes = whom.iter().filter_map(|id| self.athlete_view(*id, viewer)).collect();
        Happening::AthletesChanged { athletes }
    }

    /// What a screen was told of focus calls since the countdown of the current piece, marked late; nothing
    /// for an athlete, who has only their own call.
    pub(super) fn calls_told(&self, viewer: Viewer) -> Vec<Event> {
        if matches!(viewer, Viewer::Athlete(_)) {
            return Vec::new();
        }
        let current = self.programme.current_no();
        let said = self.news.all().iter().rev().filter_map(|kept| match kept {
            Kept::Said(to, event) => Some((to, event)),
            Kept::Roster(..) => None,
        });
        let begun = |event: &Event| matches!(event.what, Happening::PhaseChanged { piece, phase: Phase::Counting { .. } } if piece == current);
        let piece = said.take_while(|(_, event)| !begun(event));
        let calls = piece.filter(|(to, event)| viewer.is_told(to) && event.what.is_about_calls());
        let mut calls: Vec<Event> =
            calls.map(|(_, event)| Event { late: true, ..event.clone() }).collect();
        calls.reverse();
        calls
    }
}
