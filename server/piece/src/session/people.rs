//! Who is in a session: the roster, the names people are known by, and whose seat is whose.

use std::collections::{BTreeMap, BTreeSet};

use thole_protocol::{ids::AthleteId, order::Order, refusal::Refusal, spec::AthleteSpec};

use super::folded;
use crate::{limits, name, piece::Roster, roster::Athlete, settled::SeatNo};

/// The athletes of a session; no two have the same name.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct People {
    roster: Roster,
    /// Athletes by folded name.
    names: BTreeMap<String, AthleteId>,
    /// Names are compared by how they look, and so the keys are folded that way.
    by_sight: bool,
    looks: BTreeMap<String, BTreeSet<AthleteId>>,
    /// The seat of whoever comes next.
    next_seat: SeatNo,
}

impl People {
    /// Everybody, by their ids.
    pub(super) fn roster(&self) -> &Roster {
        &self.roster
    }

    /// One of them; `None` for a stranger.
    pub(super) fn get(&self, id: AthleteId) -> Option<&Athlete> {
        self.roster.get(&id)
    }

    /// The same, to change anything but the name: `rename` does that.
    pub(super) fn get_mut(&mut self, id: AthleteId) -> Option<&mut Athlete> {
        self.roster.get_mut(&id)
    }

    /// Each of them, to change anything but the name.
    pub(super) fn each_mut(&mut self) -> impl Iterator<Item = (&AthleteId, &mut Athlete)> {
        self.roster.iter_mut()
    }

    /// All ids, so that each can be looked at while the session changes.
    pub(super) fn ids(&self) -> Vec<AthleteId> {
        self.roster.keys().copied().collect()
    }

    /// From now on names are compared by how they look.
    pub(super) fn go_by_sight(&mut self) {
        self.by_sight = true;
    }

    /// Whether somebody may go by this name.
    ///
    /// # Errors
    /// It is not a usable name.
    pub(super) fn check_name(&self, name: &str) -> Result<(), Refusal> {
        limits::check_name(name)?;
        if self.by_sight { name::check(name) } else { Ok(()) }
    }

    /// The same for everything that is said about somebody.
    ///
    /// # Errors
    /// One of the texts is not usable, or a number is not possible.
    pub(super) fn check_athlete(&self, spec: &AthleteSpec) -> Result<(), Refusal> {
        limits::check_athlete(spec)?;
        if self.by_sight { name::check_athlete(spec) } else { Ok(()) }
    }

    /// The same for everything that an order of the coach says.
    ///
    /// # Errors
    /// One of its texts is not usable.
    pub(super) fn check_order(&self, order: &Order) -> Result<(), Refusal> {
        if self.by_sight { name::check_order(order) } else { Ok(()) }
    }

    /// A name without what does not tell people apart, by the rule in force when this session was made.
    pub(super) fn folded(&self, name: &str) -> String {
        if self.by_sight { name::folded(name) } else { folded(name) }
    }

    /// Who goes by this name; `None` when nobody does.
    pub(super) fn named(&self, name: &str) -> Option<AthleteId> {
        self.names.get(&self.folded(name)).copied()
    }

    /// Gives somebody new the next seat.
    pub(super) fn seat(&mut self, id: AthleteId, mut athlete: Athlete) {
        athlete.seat = self.next_seat;
        self.next_seat.0 += 1;
        self.names.insert(self.folded(&athlete.spec.name), id);
        self.roster.insert(id, athlete);
    }

    /// Somebody gets another name or team; the look of the old name is free again.
    pub(super) fn rename(&mut self, id: AthleteId, spec: &AthleteSpec) {
        let Some(athlete) = self.roster.get_mut(&id) else { return };
        let before = std::mem::replace(&mut athlete.spec, spec.clone()).name;
        self.names.remove(&self.folded(&before));
        self.names.insert(self.folded(&spec.name), id);
        if before != spec.name {
            self.overlook(id, &before);
        }
    }

    /// Takes somebody off the roster; the name is free again.
    pub(super) fn remove(&mut self, id: AthleteId) {
        let Some(athlete) = self.roster.remove(&id) else { return };
        self.names.remove(&self.folded(&athlete.spec.name));
        self.overlook(id, &athlete.spec.name);
    }

    /// Whether the name of somebody new looks like another one, whose owner is returned, or is written so that it could;
    /// `None` for an ordinary name.
    pub(super) fn look(&mut self, id: AthleteId) -> Option<Option<AthleteId>> {
        if !self.by_sight {
            return None;
        }
        let name = &self.roster.get(&id)?.spec.name;
        let mut like = None;
        for look in name::looks(name) {
            let alike = self.looks.entry(look).or_default();
            like = like.or(alike.iter().find(|other| **other != id).copied());
            alike.insert(id);
        }
        (like.is_some() || name::is_mixed(name)).then_some(like)
    }

    fn overlook(&mut self, id: AthleteId, name: &str) {
        for look in name::looks(name) {
            if let Some(alike) = self.looks.get_mut(&look) {
                alike.remove(&id);
                if alike.is_empty() {
                    self.looks.remove(&look);
                }
            }
        }
    }
}
