//! Who is connected to a session, and which of the coach's devices is in command.

use std::collections::BTreeMap;

use thole_protocol::{
    ServerMsg,
    close::Close,
    ids::{AthleteId, CommandId},
};
use tokio_tungstenite::tungstenite::Utf8Bytes;

use crate::{journal::Holder, outbox::Outbox};

/// Number of a connection, never used twice by one process.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct ConnId(pub u64);

/// The connections of one session.
#[derive(Debug, Default)]
pub struct Devices {
    coaches: BTreeMap<ConnId, Outbox>,
    boards: BTreeMap<ConnId, Outbox>,
    athletes: BTreeMap<AthleteId, (ConnId, Outbox)>,
    /// Which athlete a connection is; one that was replaced is not here any more.
    rowing: BTreeMap<ConnId, AthleteId>,
    in_command: Option<ConnId>,
}

impl Devices {
    /// A connection comes in; true when it is the coach's device in command. Of an athlete the newer
    /// connection wins.
    pub fn enter(&mut self, conn: ConnId, holder: Holder, outbox: Outbox) -> bool {
        match holder {
            Holder::Coach => {
                self.coaches.insert(conn, outbox);
                *self.in_command.get_or_insert(conn) == conn
            }
            Holder::Board => {
                self.boards.insert(conn, outbox);
                false
            }
            Holder::Athlete(athlete) => {
                self.rowing.insert(conn, athlete);
                if let Some((old, outbox)) = self.athletes.insert(athlete, (conn, outbox)) {
                    self.rowing.remove(&old);
                    outbox.close(Close::Replaced);
                }
                false
            }
        }
    }

    /// A connection has ended.
    pub fn leave(&mut self, conn: ConnId) {
        if let Some(athlete) = self.rowing.remove(&conn) {
            self.athletes.remove(&athlete);
        }
        self.boards.remove(&conn);
        self.coaches.remove(&conn);
        if self.in_command == Some(conn) {
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

    /// Which athlete a connection is.
    #[must_use]
    pub fn athlete(&self, conn: ConnId) -> Option<AthleteId> {
        self.rowing.get(&conn).copied()
    }

    /// A device of the coach takes command.
    pub fn take_command(&mut self, conn: ConnId, command: CommandId) {
        if self.coaches.contains_key(&conn) {
            self.in_command = Some(conn);
            self.tell_command();
            self.say(conn, &ServerMsg::Done { command });
        }
    }

    fn tell_command(&self) {
        for (conn, outbox) in &self.coaches {
            say(outbox, &ServerMsg::InCommand { yes: self.commands(*conn) });
        }
    }

    /// One connection's outbox.
    #[must_use]
    pub fn outbox(&self, conn: ConnId) -> Option<&Outbox> {
        let athlete = self.rowing.get(&conn).and_then(|athlete| self.athletes.get(athlete));
        let athlete = athlete.map(|(_, outbox)| outbox);
        athlete.or_else(|| self.coaches.get(&conn)).or_else(|| self.boards.get(&conn))
    }

    /// The outbox of an athlete, when connected.
    #[must_use]
    pub fn of_athlete(&self, athlete: AthleteId) -> Option<&Outbox> {
        self.athletes.get(&athlete).map(|(_, outbox)| outbox)
    }

    /// The coach's devices.
    pub fn coach_outboxes(&self) -> impl Iterator<Item = &Outbox> {
        self.coaches.values()
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
        self.coaches.values().chain(self.boards.values()).chain(athletes)
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
