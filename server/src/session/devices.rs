//! Who is connected to a session, and which of the coach's devices is in command.

use std::collections::BTreeMap;

use thole_protocol::{
    ServerMsg,
    close::Close,
    ids::{AthleteId, DeviceId},
};
use tokio::time::Instant;
use tokio_tungstenite::tungstenite::Utf8Bytes;

use crate::{journal::Holder, outbox::Outbox};

/// Number of a connection, never used twice by one process.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct ConnId(pub u64);

impl ConnId {
    /// The number of no connection.
    pub const NOBODY: ConnId = ConnId(0);
}

/// The connections of one session.
#[derive(Debug, Default)]
pub struct Devices {
    coaches: BTreeMap<ConnId, (Outbox, Option<DeviceId>)>,
    boards: BTreeMap<ConnId, Outbox>,
    athletes: BTreeMap<AthleteId, (ConnId, Outbox)>,
    /// By which device each athlete who is connected came, as it named itself.
    athlete_devices: BTreeMap<AthleteId, Option<DeviceId>>,
    /// Which athlete a connection is; one that was replaced is not here any more.
    rowing: BTreeMap<ConnId, AthleteId>,
    in_command: Option<ConnId>,
    /// The device that was in command when its connection was lost; it finds the command again if nobody has
    /// taken it, or led, since.
    awaited: Option<DeviceId>,
    /// When a new secret took the place of the old one.
    renewed: BTreeMap<Holder, Instant>,
}

impl Devices {
    /// Nobody is connected; the device that led last finds the command again.
    #[must_use]
    pub fn awaiting(leader: Option<DeviceId>) -> Devices {
        Devices { awaited: leader, ..Devices::default() }
    }

    /// A connection comes in; true when it is the coach's device in command. Of an athlete the newer
    /// connection wins, and so it does of the device in command.
    pub fn enter(
        &mut self,
        conn: ConnId,
        holder: Holder,
        device: Option<DeviceId>,
        outbox: Outbox,
    ) -> bool {
        match holder {
            Holder::Coach => {
                let commander = self.in_command.and_then(|conn| self.device(conn));
                let is_back = device.is_some() && (device == self.awaited || device == commander);
                // The one that comes is told by its welcome.
                if is_back {
                    (self.in_command, self.awaited) = (Some(conn), None);
                    self.tell_command();
                }
                self.in_command.get_or_insert(conn);
                self.coaches.insert(conn, (outbox, device));
                self.commands(conn)
            }
            Holder::Board => {
                self.boards.insert(conn, outbox);
                false
            }
            Holder::Athlete(athlete) => {
                self.rowing.insert(conn, athlete);
                self.athlete_devices.insert(athlete, device);
                if let Some((old, outbox)) = self.athletes.insert(athlete, (conn, outbox)) {
                    self.rowing.remove(&old);
                    outbox.close(Close::Replaced);
                }
                false
            }
        }
    }

    /// By which device an athlete is connected; none when nobody is, and none in that when it has no name.
    #[must_use]
    pub fn device_of(&self, athlete: AthleteId) -> Option<Option<DeviceId>> {
        self.athlete_devices.get(&athlete).copied()
    }

    /// A new secret has taken the place of this holder's at `now`: who came by the old one has to go, but for the
    /// connection that asked for it.
    pub fn send_away(&mut self, holder: Holder, but: ConnId, now: Instant) {
        self.renewed.insert(holder, now);
        let there: Vec<&Outbox> = match holder {
            Holder::Coach => {
                let others = self.coaches.iter().filter(|(conn, _)| **conn != but);
                others.map(|(_, (outbox, _))| outbox).collect()
            }
            Holder::Board => self.boards.values().collect(),
            Holder::Athlete(athlete) => self.of_athlete(athlete).into_iter().collect(),
        };
        for outbox in there {
            outbox.close(Close::WrongSecret);
        }
    }

    /// Whether a secret that was looked up at `asked` has been taken from its holder since.
    #[must_use]
    pub fn was_sent_away(&self, holder: Holder, asked: Instant) -> bool {
        self.renewed.get(&holder).is_some_and(|renewed| asked < *renewed)
    }

    /// A connection has ended.
    pub fn leave(&mut self, conn: ConnId) {
        if let Some(athlete) = self.rowing.remove(&conn) {
            self.athletes.remove(&athlete);
            self.athlete_devices.remove(&athlete);
        }
        self.boards.remove(&conn);
        let left = self.coaches.remove(&conn);
        if self.in_command == Some(conn) {
            self.awaited = self.awaited.or(left.and_then(|(_, device)| device));
            // The one that has been here longest has the smallest number.
            self.in_command = self.coaches.keys().next().copied();
            self.tell_command();
        }
    }

    /// How many devices of the coach there are.
    #[must_use]
    pub fn coaches(&self) -> usize {
        self.coaches.len()
    }

    /// How many boards there are.
    #[must_use]
    pub fn boards(&self) -> usize {
        self.boards.len()
    }

    /// Whether nobody is connected.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.coaches.is_empty() && self.boards.is_empty() && self.athletes.is_empty()
    }

    /// Whether this connection is the coach's device in command.
    #[must_use]
    pub fn commands(&self, conn: ConnId) -> bool {
        self.in_command == Some(conn)
    }

    /// Whether this connection may give an order. With its first one a device that stood in has the command for
    /// good.
    pub fn leads(&mut self, conn: ConnId) -> bool {
        let leads = self.commands(conn);
        if leads {
            self.awaited = None;
        }
        leads
    }

    /// The device of the coach that a connection is from, when it has named itself.
    #[must_use]
    pub fn device(&self, conn: ConnId) -> Option<DeviceId> {
        self.coaches.get(&conn).and_then(|(_, device)| *device)
    }

    /// Which athlete a connection is.
    #[must_use]
    pub fn athlete(&self, conn: ConnId) -> Option<AthleteId> {
        self.rowing.get(&conn).copied()
    }

    /// A device of the coach takes command; false if it has gone meanwhile.
    pub fn take_command(&mut self, conn: ConnId) -> bool {
        let is_here = self.coaches.contains_key(&conn);
        if is_here {
            (self.in_command, self.awaited) = (Some(conn), None);
            self.tell_command();
        }
        is_here
    }

    fn tell_command(&self) {
        for (conn, (outbox, _)) in &self.coaches {
            say(outbox, &ServerMsg::InCommand { yes: self.commands(*conn) });
        }
    }

    /// One connection's outbox.
    #[must_use]
    pub fn outbox(&self, conn: ConnId) -> Option<&Outbox> {
        let athlete = self.rowing.get(&conn).and_then(|athlete| self.athletes.get(athlete));
        let athlete = athlete.map(|(_, outbox)| outbox);
        let coach = self.coaches.get(&conn).map(|(outbox, _)| outbox);
        athlete.or(coach).or_else(|| self.boards.get(&conn))
    }

    /// The outbox of an athlete, when connected.
    #[must_use]
    pub fn of_athlete(&self, athlete: AthleteId) -> Option<&Outbox> {
        self.athletes.get(&athlete).map(|(_, outbox)| outbox)
    }

    /// The outboxes of these athletes, who stand in the order of their ids; none of one who is not connected.
    /// Many are met by going along, few are looked for.
    pub fn of_athletes<'a>(
        &'a self,
        athletes: &'a [AthleteId],
    ) -> impl Iterator<Item = Option<&'a Outbox>> {
        let many = athletes.len() > self.athletes.len() / 8;
        let mut along = self.athletes.iter().peekable();
        athletes.iter().map(move |athlete| {
            if !many {
                return self.of_athlete(*athlete);
            }
            while along.next_if(|(other, _)| *other < athlete).is_some() {}
            along.next_if(|(other, _)| *other == athlete).map(|(_, (_, outbox))| outbox)
        })
    }

    /// The coach's devices.
    pub fn coach_outboxes(&self) -> impl Iterator<Item = &Outbox> {
        self.coaches.values().map(|(outbox, _)| outbox)
    }

    /// The boards.
    pub fn board_outboxes(&self) -> impl Iterator<Item = &Outbox> {
        self.boards.values()
    }

    /// The athletes that are connected.
    pub fn athlete_outboxes(&self) -> impl Iterator<Item = (AthleteId, &Outbox)> {
        self.athletes.iter().map(|(athlete, (_, outbox))| (*athlete, outbox))
    }

    /// Everybody who is connected.
    pub fn outboxes(&self) -> impl Iterator<Item = &Outbox> {
        let athletes = self.athletes.values().map(|(_, outbox)| outbox);
        self.coach_outboxes().chain(self.boards.values()).chain(athletes)
    }

    /// Says something to one connection, if it is still here.
    pub fn say(&self, conn: ConnId, msg: &ServerMsg) {
        if let Some(outbox) = self.outbox(conn) {
            say(outbox, msg);
        }
    }
}

/// Queues a message.
pub fn say(outbox: &Outbox, msg: &ServerMsg) {
    if matches!(msg, ServerMsg::Refused { .. }) {
        outbox.note_refusal();
    }
    outbox.queue(text(msg));
}

/// A message as it goes out.
///
/// # Panics
/// Never: no message holds a map with keys that are not text, which is all that JSON cannot say.
#[must_use]
pub fn text(msg: &ServerMsg) -> Utf8Bytes {
    serde_json::to_string(msg).expect("every message can be written as JSON").into()
}
