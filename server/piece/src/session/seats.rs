//! Who may have which seat, and how they come back to it.

use std::collections::{BTreeMap, BTreeSet};

use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CommandId, DeviceId, PersonId, PieceNo},
    refusal::{Refusal, Why},
    spec::{AthleteSpec, Joining, RosterEntry},
};

use super::{Session, of_athlete, refused};
use crate::{
    input::Whose,
    output::{Output, To},
    plan::Course,
    roster::Athlete,
};

/// What is known about seats beyond the roster.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Seats {
    /// What devices that came to a seat by the code are known by.
    joins: BTreeMap<String, AthleteId>,
    /// Whom each order of the coach has added.
    added: BTreeMap<CommandId, Vec<AthleteId>>,
    coach_link: Option<CoachLink>,
    /// Which person of the club each athlete is who came with a key.
    people: BTreeMap<AthleteId, PersonId>,
    /// Athletes who have come at a device of the hall, and with none of their own since: which; `None` of those who have left it.
    hall: BTreeMap<AthleteId, Option<DeviceId>>,
}

/// The coach's newest secret: no other opens anything.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CoachLink {
    /// Its hash.
    pub opens: String,
    /// The device that asked for it, and may use the old one until somebody has come in with the new one.
    pub device: Option<DeviceId>,
}

/// What somebody who types a name is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// A new seat, as a guest.
    New,
    /// The seat of the roster that has this name.
    Seat(AthleteId),
    /// The coach decides: about a seat of the roster, or about somebody new.
    Ask(Option<AthleteId>),
}

impl Seats {
    pub(super) fn added(&mut self, command: CommandId, athletes: Vec<AthleteId>) {
        self.added.insert(command, athletes);
    }

    /// Whoever had the old secret no longer has access, nor can they come back by what they had joined with.
    pub(super) fn renewed(&mut self, whose: &Whose) {
        match whose {
            Whose::Athlete { athlete } => self.joins.retain(|_, seat| seat != athlete),
            Whose::Coach { opens, device } => {
                self.coach_link = Some(CoachLink { opens: opens.clone(), device: *device });
            }
            Whose::Board => {}
        }
    }

    /// Whoever sat there before has left, and cannot come back by what the device has kept.
    pub(super) fn sits_at_hall(&mut self, athlete: AthleteId, device: DeviceId) {
        for (who, at) in &mut self.hall {
            if at.take_if(|at| *at == device).is_some() {
                self.joins.retain(|_, seat| seat != who);
            }
        }
        self.hall.insert(athlete, Some(device));
    }

    pub(super) fn came(&mut self, athlete: AthleteId, person: PersonId) {
        self.hall.remove(&athlete);
        self.people.insert(athlete, person);
    }

    pub(super) fn coach_link_used(&mut self) {
        if let Some(link) = &mut self.coach_link {
            link.device = None;
        }
    }
}

impl Session {
    /// What somebody who types this name is given, according to the session's settings. It gives away nothing about
    /// anybody's past.
    ///
    /// # Errors
    /// The name is not usable or is taken, or the session is closed.
    pub fn way_in(&self, name: &str) -> Result<Way, Refusal> {
        self.people.check_name(name)?;
        if self.closed {
            return refused(
                Why::NotNow,
                "This session is closed; ask your coach for the next one.",
            );
        }
        let known = self.people.named(name);
        match (known.and_then(|id| Some((id, self.people.get(id)?))), self.settings.joining) {
            (None, Joining::Guests | Joining::Trusted) => Ok(Way::New),
            (None, Joining::Asked) => Ok(Way::Ask(None)),
            (Some((id, athlete)), _) if athlete.claimed && !self.has_left_hall(id) => refused(
                Why::NameTaken,
                "Somebody has joined under this name already: use your own link, ask your coach for a new one, or add an initial.",
            ),
            (Some((id, _)), _) => Ok(Way::Ask(Some(id))),
        }
    }

    /// Whose seat a device came to before, going by what it is known by; `None` when that is nobody's any
    /// more.
    #[must_use]
    pub fn joined_by(&self, join: &str) -> Option<AthleteId> {
        self.seats.joins.get(join).copied().filter(|athlete| self.knows(*athlete))
    }

    /// Whether an athlete was last at a device of the hall, and nobody is heard there now: anybody may ask for the seat.
    fn has_left_hall(&self, athlete: AthleteId) -> bool {
        self.seats.hall.contains_key(&athlete) && !self.hears(athlete)
    }

    /// Whether an athlete has come at a device that others use as well: nothing of their past is shown there.
    #[must_use]
    pub fn is_at_hall(&self, athlete: AthleteId) -> bool {
        self.seats.hall.contains_key(&athlete)
    }

    /// Who sits at this device of the hall; `None` while nobody does.
    #[must_use]
    pub fn at_hall(&self, device: DeviceId) -> Option<AthleteId> {
        let mut seats = self.seats.hall.iter();
        seats.find(|(_, at)| **at == Some(device)).map(|(athlete, _)| *athlete)
    }

    /// Everybody of the list by name, and whether a device of the hall may take their seat now.
    #[must_use]
    pub fn seats_of_hall(&self) -> Vec<(String, bool)> {
        let seats = self.people.roster().iter().map(|(id, athlete)| {
            let is_free = !athlete.claimed || self.has_left_hall(*id);
            (athlete.spec.name.clone(), is_free && !self.hears(*id))
        });
        let mut seats: Vec<_> = seats.collect();
        seats.sort_by_cached_key(|(name, _)| self.people.folded(name));
        seats
    }

    /// Which person of the club an athlete is; `None` until they have come with a key.
    #[must_use]
    pub fn person_of(&self, athlete: AthleteId) -> Option<PersonId> {
        self.seats.people.get(&athlete).copied().filter(|_| self.knows(athlete))
    }

    /// The seat of a person of the club; `None` until they have come with a key.
    #[must_use]
    pub fn seat_of(&self, person: PersonId) -> Option<AthleteId> {
        let seats = self.seats.people.iter().filter(|(_, of)| **of == person);
        seats.map(|(athlete, _)| *athlete).find(|athlete| self.knows(*athlete))
    }

    /// Those whom this order added and who are still in the roster; empty when it added nobody.
    #[must_use]
    pub fn added_by(&self, command: CommandId) -> Vec<AthleteId> {
        let added = self.seats.added.get(&command).into_iter().flatten();
        added.copied().filter(|athlete| self.knows(*athlete)).collect()
    }

    /// The coach's newest secret; `None` while the one made with the session opens it.
    #[must_use]
    pub fn coach_link(&self) -> Option<&CoachLink> {
        self.seats.coach_link.as_ref()
    }

    /// Whether an athlete's device is heard now.
    #[must_use]
    pub fn hears(&self, athlete: AthleteId) -> bool {
        self.people.get(athlete).is_some_and(Athlete::is_heard)
    }

    /// Gives somebody new a seat, in the roster and in the piece.
    pub(super) fn admit(&mut self, id: AthleteId, athlete: Athlete) {
        if let Some(piece) = self.piece_mut() {
            piece.admit(id, &athlete);
        }
        self.people.seat(id, athlete);
        self.roster_changed(id);
    }

    pub(super) fn join(
        &mut self,
        id: AthleteId,
        name: &str,
        join: Option<&str>,
        out: &mut Vec<Output>,
    ) {
        // With a device of the hall, that is said next. What another one has joined by before is no way back to a seat that is shown
        // with past and limit from now on.
        if self.seats.hall.remove(&id).is_some() {
            self.seats.joins.retain(|_, seat| *seat != id);
        }
        if let Some(join) = join {
            self.seats.joins.insert(join.to_owned(), id);
        }
        if let Some(athlete) = self.people.get_mut(id) {
            athlete.claimed = true;
            self.roster_changed(id);
            return;
        }
        let spec = AthleteSpec { name: name.trim().to_owned(), ..AthleteSpec::default() };
        let mut athlete = Athlete::new(spec, Vec::new(), PieceNo(0));
        athlete.claimed = true;
        self.admit(id, athlete);
        self.look(id, out);
    }

    /// The coach is told of a new name that looks like another one, or is written so that it could.
    pub(super) fn look(&mut self, id: AthleteId, out: &mut Vec<Output>) {
        if let Some(like) = self.people.look(id) {
            self.emit(To::COACH, Happening::LooksLike { athlete: id, like }, out);
        }
    }

    pub(super) fn add_athletes(
        &mut self,
        athletes: &[(AthleteId, RosterEntry)],
        out: &mut Vec<Output>,
    ) -> Result<(), Refusal> {
        if self.closed {
            return refused(Why::NotNow, "This session is closed; make a new one.");
        }
        let mut names = BTreeSet::new();
        for (_, entry) in athletes {
            self.people.check_athlete(&entry.spec)?;
            let name = &entry.spec.name;
            if self.people.named(name).is_some() || !names.insert(self.people.folded(name)) {
                let says =
                    format!("{name} is in the roster already: add an initial to tell them apart.");
                return refused(Why::NameTaken, &says);
            }
            for (piece, aim) in
                self.programme.all().iter().skip(self.programme.current_at()).zip(&entry.aims)
            {
                let whose = match self.programme.all().len() {
                    1 => name.clone(),
                    _ => format!("{name}, piece {}", u32::from(piece.no.0) + 1),
                };
                Course::of(&piece.spec, aim).map_err(|refusal| of_athlete(&whose, refusal))?;
            }
        }
        let first = self.programme.current_no();
        for (id, entry) in athletes {
            let mut athlete = Athlete::new(entry.spec.clone(), entry.aims.clone(), first);
            for piece in self.programme.all() {
                athlete.take_targets(piece.no, &piece.spec);
            }
            self.admit(*id, athlete);
            self.look(*id, out);
        }
        Ok(())
    }
}
