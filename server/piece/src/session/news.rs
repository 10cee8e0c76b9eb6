//! What a session has told, numbered and kept for those who come back.

use std::{collections::BTreeSet, sync::Arc};

use thole_protocol::{
    event::{Event, Happening},
    ids::{AthleteId, EventNo},
    units::At,
};

use super::lists::Lists;
use crate::output::To;

/// More than any session tells (our choice): numbers this much higher were never used.
const TOLD_MAX: u64 = 1 << 24;

/// A numbered event as it is kept for those who come back.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Kept {
    /// As it was said.
    Said(To, Event),
    /// These changed in the roster: told to the coach, the boards and themselves, each as much as they may see,
    /// as it is now.
    Roster(At, Arc<[AthleteId]>),
}

/// Everything that was told, in its order, and who has news that was not told yet.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct News {
    /// Number 1 comes first.
    kept: Vec<Kept>,
    /// Places from which on the numbers are this much higher than by counting.
    anew: Vec<(usize, u64)>,
    /// Whom events were for, each list once.
    lists: Lists,
    /// Athletes whose roster entry is new to the screens.
    fresh: BTreeSet<AthleteId>,
}

impl News {
    /// The number of the last event told; 0 before there is one.
    pub(super) fn last(&self) -> EventNo {
        let beyond = self.anew.last().map_or(0, |(_, beyond)| *beyond);
        EventNo(self.kept.len() as u64 + beyond)
    }

    /// Something that was told under numbers people's devices already have is missing: what follows gets higher numbers
    /// than any of those.
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

    /// The next event, about these athletes of the roster; returns its number.
    pub(super) fn tell_of(&mut self, at_ms: At, athletes: &[AthleteId]) -> EventNo {
        let event = self.next();
        self.kept.push(Kept::Roster(at_ms, athletes.into()));
        event
    }

    /// Everything that was told, number 1 first.
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

    /// A list of athletes, in the memory of an equal one if there is one.
    pub(super) fn shared(&mut self, list: Vec<AthleteId>) -> Arc<[AthleteId]> {
        self.lists.shared(list)
    }

    /// There is news about these in the roster.
    pub(super) fn there_is(&mut self, of: impl IntoIterator<Item = AthleteId>) {
        self.fresh.extend(of);
    }

    /// Those about whom there is news that was not told; it is told now.
    pub(super) fn take_fresh(&mut self) -> Vec<AthleteId> {
        std::mem::take(&mut self.fresh).into_iter().collect()
    }

    /// There is none about somebody who is off the roster.
    pub(super) fn forget(&mut self, athlete: AthleteId) {
        self.fresh.remove(&athlete);
    }
}
