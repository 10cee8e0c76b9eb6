//! What waits to be said on a link, and what is said again until it is answered.

use std::{collections::VecDeque, time::Duration};

use thole_protocol::{ClientMsg, ids::CommandId};

use crate::link::Link;

/// When a link is too busy to take a message, it is tried again after this long.
const BUSY: Duration = Duration::from_millis(20);
/// Nothing is waiting: look again after this long.
const IDLE: Duration = Duration::from_secs(3_600);

/// Messages that wait, and orders that have not been answered yet: after a lost connection those are said
/// again, and the server does each of them once.
#[derive(Debug, Default)]
pub(crate) struct Outgoing {
    to_say: VecDeque<ClientMsg>,
    unanswered: Vec<(CommandId, ClientMsg)>,
    connection: Option<u64>,
}

impl Outgoing {
    /// Repeats an order until it is answered.
    pub(crate) fn order(&mut self, command: CommandId, msg: ClientMsg) {
        self.to_say.push_back(msg.clone());
        self.unanswered.push((command, msg));
    }

    /// The order was carried out or refused.
    pub(crate) fn answered(&mut self, command: CommandId) {
        self.unanswered.retain(|(known, _)| *known != command);
    }

    pub(crate) fn connected(&mut self, connection: u64) {
        self.connection = Some(connection);
        self.to_say = self.unanswered.iter().map(|(_, msg)| msg.clone()).collect();
    }

    pub(crate) fn lost(&mut self) {
        self.connection = None;
    }

    /// Says what waits; returns when to try again.
    pub(crate) fn say(&mut self, link: &Link) -> Duration {
        let Some(connection) = self.connection else { return IDLE };
        while let Some(msg) = self.to_say.front() {
            if link.say(connection, msg.clone()).is_err() {
                return BUSY;
            }
            self.to_say.pop_front();
        }
        IDLE
    }
}
