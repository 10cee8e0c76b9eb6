//! Who is connected to a session, by connection number.

use std::collections::{BTreeMap, BTreeSet};

use thole_protocol::{
    ids::{AthleteId, CoachId, DeviceId},
    order::GivenBy,
};

use crate::{lead::Leadership, moment::Moment, record::Holder};

/// Number of a connection, never used twice by one process.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ConnId(pub u64);

impl ConnId {
    /// The number that no connection has.
    pub const NOBODY: ConnId = ConnId(0);
}

/// What becomes of others when somebody comes in.
#[derive(Debug, Default)]
pub(crate) struct Entered {
    /// The command has changed hands: the coach's devices are to be told.
    pub(crate) command_changed: bool,
    /// The connection whose place was taken.
    pub(crate) replaced: Option<ConnId>,
}

/// A device of the coach.
#[derive(Debug)]
struct AtDesk {
    /// As it named itself.
    device: Option<DeviceId>,
    /// The coach of the club whose key it came by; `None` of whoever has the session's coach link.
    by: Option<GivenBy>,
}

/// The connections of one session.
#[derive(Debug, Default)]
pub(crate) struct Members {
    coaches: BTreeMap<ConnId, AtDesk>,
    boards: BTreeSet<ConnId>,
    /// With the device that each came in from, as it named itself.
    athletes: BTreeMap<AthleteId, (ConnId, Option<DeviceId>)>,
    /// Which athlete a connection is; one that was replaced is no longer listed.
    rowing: BTreeMap<ConnId, AthleteId>,
    pub(crate) lead: Leadership,
    /// When a new secret took the place of the old one.
    renewed: BTreeMap<Holder, Moment>,
}

impl Members {
    /// Nobody is connected; the device that led last gets the command back.
    pub(crate) fn awaiting(leader: Option<DeviceId>) -> Members {
        Members { lead: Leadership::awaiting(leader), ..Members::default() }
    }

    /// A connection comes in. An athlete's newer connection wins, and so does that of the device in command.
    pub(crate) fn enter(
        &mut self,
        conn: ConnId,
        holder: Holder,
        device: Option<DeviceId>,
        by: Option<GivenBy>,
    ) -> Entered {
        let mut entered = Entered::default();
        match holder {
            Holder::Coach => {
                let is_leader = |(conn, _): &(&ConnId, _)| self.lead.is_of(**conn);
                let commander =
                    self.coaches.iter().find(is_leader).and_then(|(_, desk)| desk.device);
                entered.command_changed = self.lead.comes(conn, device, commander);
                self.coaches.insert(conn, AtDesk { device, by });
            }
            Holder::Board => {
                self.boards.insert(conn);
            }
            Holder::Athlete(athlete) => {
                self.rowing.insert(conn, athlete);
                entered.replaced =
                    self.athletes.insert(athlete, (conn, device)).map(|(old, _)| old);
                if let Some(old) = entered.replaced {
                    self.rowing.remove(&old);
                }
            }
        }
        entered
    }

    /// A connection has ended; true when the coach's devices are to be told who leads.
    pub(crate) fn leave(&mut self, conn: ConnId) -> bool {
        if let Some(athlete) = self.rowing.remove(&conn) {
            self.athletes.remove(&athlete);
        }
        self.boards.remove(&conn);
        let left = self.coaches.remove(&conn).and_then(|desk| desk.device);
        // The one that has been here longest has the smallest number.
        let next = self.coaches.keys().next().copied();
        self.lead.goes(conn, left, next)
    }

    /// A device of the coach takes command; false if it has gone in the meantime.
    pub(crate) fn take_command(&mut self, conn: ConnId) -> bool {
        let is_here = self.coaches.contains_key(&conn);
        if is_here {
            self.lead.take(conn);
        }
        is_here
    }

    /// Which device an athlete is connected from; `None` when nobody is, and `Some(None)` when it has no name.
    pub(crate) fn device_of(&self, athlete: AthleteId) -> Option<Option<DeviceId>> {
        self.athletes.get(&athlete).map(|(_, device)| *device)
    }

    /// A new secret has taken the place of this holder's: whoever came in by the old one has to go, except for the
    /// connection that asked for it. A coach who has come by a key of their own has not come by the old secret.
    pub(crate) fn send_away(&mut self, holder: Holder, but: ConnId, now: Moment) -> Vec<ConnId> {
        self.renewed.insert(holder, now);
        match holder {
            Holder::Coach => {
                let goes = |(conn, desk): &(&ConnId, &AtDesk)| **conn != but && desk.by.is_none();
                self.coaches.iter().filter(goes).map(|(conn, _)| *conn).collect()
            }
            Holder::Board => self.boards.iter().copied().collect(),
            Holder::Athlete(athlete) => self.of_athlete(athlete).into_iter().collect(),
        }
    }

    /// Whether a secret that was looked up at `asked` has been taken from its holder since.
    pub(crate) fn was_sent_away(&self, holder: Holder, asked: Moment) -> bool {
        self.renewed.get(&holder).is_some_and(|renewed| asked < *renewed)
    }

    /// The connections that a coach of the club has come by with a key of their own.
    pub(crate) fn of_coach(&self, coach: CoachId) -> Vec<ConnId> {
        let is_theirs = |desk: &AtDesk| desk.by.as_ref().is_some_and(|by| by.coach == coach);
        self.coaches.iter().filter(|(_, desk)| is_theirs(desk)).map(|(conn, _)| *conn).collect()
    }

    /// Which coach of the club a connection is; `None` of whoever came by the session's coach link.
    pub(crate) fn by(&self, conn: ConnId) -> Option<&GivenBy> {
        self.coaches.get(&conn).and_then(|desk| desk.by.as_ref())
    }

    /// Whether nobody is connected.
    pub(crate) fn is_empty(&self) -> bool {
        self.coaches.is_empty() && self.boards.is_empty() && self.athletes.is_empty()
    }

    /// The device of the coach that a connection belongs to, if it has named itself.
    pub(crate) fn device(&self, conn: ConnId) -> Option<DeviceId> {
        self.coaches.get(&conn).and_then(|desk| desk.device)
    }

    /// Which athlete a connection is.
    pub(crate) fn athlete(&self, conn: ConnId) -> Option<AthleteId> {
        self.rowing.get(&conn).copied()
    }

    /// The connection of an athlete.
    pub(crate) fn of_athlete(&self, athlete: AthleteId) -> Option<ConnId> {
        self.athletes.get(&athlete).map(|(conn, _)| *conn)
    }

    /// The connections of these athletes, who are in the order of their ids. Many are matched by walking along the list, a
    /// few are looked up.
    pub(crate) fn of_athletes<'a>(
        &'a self,
        athletes: &'a [AthleteId],
    ) -> impl Iterator<Item = Option<ConnId>> {
        let many = athletes.len() > self.athletes.len() / 8;
        let mut along = self.athletes.iter().peekable();
        athletes.iter().map(move |athlete| {
            if !many {
                return self.of_athlete(*athlete);
            }
            while along.next_if(|(other, _)| *other < athlete).is_some() {}
            along.next_if(|(other, _)| *other == athlete).map(|(_, (conn, _))| *conn)
        })
    }

    /// The coach's devices.
    pub(crate) fn coaches(&self) -> impl ExactSizeIterator<Item = ConnId> {
        self.coaches.keys().copied()
    }

    /// The boards.
    pub(crate) fn boards(&self) -> impl ExactSizeIterator<Item = ConnId> {
        self.boards.iter().copied()
    }

    /// The athletes that are connected.
    pub(crate) fn athletes(&self) -> impl Iterator<Item = (AthleteId, ConnId)> {
        self.athletes.iter().map(|(athlete, (conn, _))| (*athlete, *conn))
    }

    /// Everybody who is connected.
    pub(crate) fn all(&self) -> impl Iterator<Item = ConnId> {
        let athletes = self.athletes.values().map(|(conn, _)| *conn);
        self.coaches().chain(self.boards()).chain(athletes)
    }
}
