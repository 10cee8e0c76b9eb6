//! What a session has told, numbered and kept for those who come back.

use std::{collections::BTreeSet, sync::Arc};

use thole_protocol::{
    event::{Event, Happening},
    ids::{AthleteId, EventNo},
    units::At,
};

use super::lists::Lists;
use crate::output::To;

/// More than one session tells (own choice): numbers that are so much higher were never used.
const TOLD_MAX: u64 = 1 << 24;

/// A numbered event as it is kept for those who come back.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Kept {
    /// As it was said.
    Said(To, Event),
    /// These changed in the roster: told to coach, boards and themselves, each what they may see, as it is now.
    Roster(At, Arc<[AthleteId]>),
}

/// Everything that was told, in its order, and of whom there is news that was not.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct News {
    /// Number 1 comes first.
    kept: Vec<Kept>,
    /// Places from which on the numbers are so much higher than they would be by counting.
    anew: Vec<(usize, u64)>,
    /// Whom events were for, each list once.
    lists: Lists,
    /// Athletes whose entry in the roster is new to the screens.
    fresh: BTreeSet<AthleteId>,
}

impl News {
    /// The number of what was told last; 0 before there is anything.
    pub(super) fn last(&self) -> EventNo {
        let beyond = self.anew.last().map_or(0, |(_, beyond)| *beyond);
        EventNo(self.kept.len() as u64 + beyond)
    }

    /// Something is missing of what was told under numbers that people's devices have: what follows gets higher ones than
    /// any of those.
    pub(super) fn number_anew(&mut self) {
        let beyond = self.anew.last().map_or(0, |(_, beyond)| *beyond);
        self.anew.push((self.kept.len(), beyond + TOLD_MAX));
    }

    fn next(&self) -> EventNo {
        EventNo(self.last().0 + 1)
    }

    /// The next event, for these.
    pub(super) fn say(&mut self, to: To, at_ms: At, late: bool, what: Happening) -> Event {
        let event = Event { event: self.next(), at_ms, late, what };
        self.kept.push(Kept::Said(to, event.clone()));
        event
    }

    /// The next event, about these athletes of the roster: its number.
    pub(super) fn tell_of(&mut self, at_ms: At, athletes: &[AthleteId]) -> EventNo {
        let event = self.next();
        self.kept.push(Kept::Roster(at_ms, athletes.into()));
        event
    }

    /// All that was told, number 1 first.
    pub(super) fn all(&self) -> &[Kept] {
        &self.kept
    }

    /// What was told after this number.
    pub(super) fn after(&self, last: EventNo) -> impl Iterator<Item = (EventNo, &Kept)> {
        let parts = std::iter::once((0, 0)).chain(self.anew.iter().copied());
        let ends = self.anew.iter().map(|(place, _)| *place).chain([self.kept.len()]);
        parts.zip(ends).flat_map(move |((from, beyond), end)| {
            let told = usize::try_from(last.0.saturating_sub(beyond)).unwrap_or(usize::MAX);
            let places = from.max(told)..end;
            let missed = self.kept.get(places.clone()).unwrap_or(&[]);
            places.map(move |place| EventNo(place as u64 + 1 + beyond)).zip(missed)
        })
    }

    /// A list of athletes, in the memory of an equal one where there is one.
    pub(super) fn shared(&mut self, list: Vec<AthleteId>) -> Arc<[AthleteId]> {
        self.lists.shared(list)
    }

    /// There is news of these in the roster.
    pub(super) fn there_is(&mut self, of: impl IntoIterator<Item = AthleteId>) {
        self.fresh.extend(of);
    }

    /// Of whom there is news that was not told: it is told now.
    pub(super) fn take_fresh(&mut self) -> Vec<AthleteId> {
        std::mem::take(&mut self.fresh).into_iter().collect()
    }

    /// Of somebody who is off the roster there is none.
    pub(super) fn forget(&mut self, athlete: AthleteId) {
        self.fresh.remove(&athlete);
    }
}
