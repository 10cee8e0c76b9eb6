//! Who is in a session: the roster, by what names people are known, and whose seat is whose.

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
    /// Names are compared by what is seen of them, and so are these.
    by_sight: bool,
    looks: BTreeMap<String, BTreeSet<AthleteId>>,
    /// The seat of whoever comes next.
    next_seat: SeatNo,
}

impl People {
    /// All, by their ids.
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

    /// All of them, to change anything but the name.
    pub(super) fn each_mut(&mut self) -> impl Iterator<Item = (&AthleteId, &mut Athlete)> {
        self.roster.iter_mut()
    }

    /// All ids, so that each can be looked at while the session changes.
    pub(super) fn ids(&self) -> Vec<AthleteId> {
        self.roster.keys().copied().collect()
    }

    /// From now on names are compared by what is seen of them.
    pub(super) fn go_by_sight(&mut self) {
        self.by_sight = true;
    }

    /// Whether somebody may be called this.
    ///
    /// # Errors
    /// It is no name.
    pub(super) fn check_name(&self, name: &str) -> Result<(), Refusal> {
        limits::check_name(name)?;
        if self.by_sight { name::check(name) } else { Ok(()) }
    }

    /// The same of all that is said of somebody.
    ///
    /// # Errors
    /// One of the texts is none, or a number is not possible.
    pub(super) fn check_athlete(&self, spec: &AthleteSpec) -> Result<(), Refusal> {
        limits::check_athlete(spec)?;
        if self.by_sight { name::check_athlete(spec) } else { Ok(()) }
    }

    /// The same of all that an order of the coach says.
    ///
    /// # Errors
    /// One of its texts is none.
    pub(super) fn check_order(&self, order: &Order) -> Result<(), Refusal> {
        if self.by_sight { name::check_order(order) } else { Ok(()) }
    }

    /// A name without what does not tell people apart, by the rule that this session was made under.
    pub(super) fn folded(&self, name: &str) -> String {
        if self.by_sight { name::folded(name) } else { folded(name) }
    }

    /// Who is called this; `None` when nobody is.
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

    /// Somebody is called otherwise, or another team's; the looks of the old name are nobody's any more.
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

    /// Whether the name of somebody new looks like that of another one, who comes with it, or is written so that it could;
    /// `None` for a name like any other.
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
