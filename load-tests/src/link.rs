//! One place in the crowd and its way to the server: connecting, greeting, being in, being away.

use thole_protocol::client_msg::Role;

use crate::wire::Wire;

/// How far a connection is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Stage {
    /// Not connected.
    Away,
    /// Connecting, or asking to speak WebSocket.
    Coming,
    /// Has asked to join, or for a new session, and waits for a secret.
    Asking,
    /// Has said hello.
    Greeting,
    /// Was welcomed.
    In,
}

/// One place and its connection.
#[derive(Debug)]
pub(crate) struct Link {
    /// In which role.
    pub(crate) role: Role,
    /// How far.
    pub(crate) stage: Stage,
    /// The connection, unless away.
    pub(crate) wire: Option<Wire>,
    /// The secret that opens the place.
    pub(crate) secret: Option<String>,
    /// The last event that is known.
    pub(crate) last_event: u64,
    /// When something was last said.
    pub(crate) said_us: u64,
    /// Attempts since the last welcome.
    pub(crate) tries: u32,
    /// A beat is on the list of what is due.
    pub(crate) beats: bool,
    /// When this connection was welcomed.
    pub(crate) in_since_us: u64,
}

impl Link {
    /// A place that is not connected yet.
    pub(crate) fn of(role: Role) -> Link {
        Link {
            role,
            stage: Stage::Away,
            wire: None,
            secret: None,
            last_event: 0,
            said_us: 0,
            tries: 0,
            beats: false,
            in_since_us: 0,
        }
    }

    /// Whether it was welcomed.
    pub(crate) fn is_in(&self) -> bool {
        self.stage == Stage::In
    }
}
