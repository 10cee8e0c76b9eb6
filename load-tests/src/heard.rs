//! What the crowd looks at in a server's message, read without copying.

use serde::{Deserialize, de::IgnoredAny};

/// The fields of all messages that matter here.
#[derive(Debug, Deserialize)]
pub(crate) struct Heard<'a> {
    /// Which message.
    #[serde(rename = "type")]
    pub(crate) kind: &'a str,
    /// How far a recording is durable.
    pub(crate) durable: Option<Durable>,
    /// What happened.
    #[serde(default, borrow)]
    pub(crate) events: Vec<Event<'a>>,
    /// Of `joined`.
    pub(crate) secret: Option<&'a str>,
    /// Of `joined`: who.
    pub(crate) athlete: Option<&'a str>,
    /// Of `welcome`: the last event that it includes.
    pub(crate) last_event: Option<u64>,
    /// Of `welcome`: changes when the server has lost its disk.
    pub(crate) epoch: Option<&'a str>,
    /// Of `clock`.
    pub(crate) client_sent_us: Option<u64>,
    /// Of `clock`.
    pub(crate) server_heard_us: Option<u64>,
    /// Samples that were refused: none here are wrong.
    #[serde(default)]
    pub(crate) refused: Vec<IgnoredAny>,
    /// Of `created`.
    pub(crate) code: Option<&'a str>,
    /// Of `created`.
    pub(crate) session: Option<&'a str>,
    /// Of `created`.
    pub(crate) coach_secret: Option<&'a str>,
    /// Of `created`.
    pub(crate) board_secret: Option<&'a str>,
}

/// How far a recording is durable.
#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) struct Durable {
    /// Everything up to this number.
    pub(crate) through_seq: u32,
}

/// Something that happened.
#[derive(Debug, Deserialize)]
pub(crate) struct Event<'a> {
    /// Its number.
    pub(crate) event: u64,
    /// Sent again after a lost connection.
    #[serde(default)]
    pub(crate) late: bool,
    /// What.
    #[serde(borrow)]
    pub(crate) what: What<'a>,
}

/// What happened.
#[derive(Debug, Deserialize)]
pub(crate) struct What<'a> {
    /// Which kind.
    pub(crate) kind: &'a str,
    /// Which call.
    pub(crate) call: Option<&'a str>,
    /// Which phase.
    #[serde(borrow)]
    pub(crate) phase: Option<Phase<'a>>,
}

/// A phase.
#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) struct Phase<'a> {
    /// Which.
    pub(crate) phase: &'a str,
    /// The go.
    pub(crate) go_at_ms: Option<u64>,
    /// The repeat that was signalled.
    pub(crate) repeat: Option<usize>,
    /// When it began.
    pub(crate) repeat_at_ms: Option<u64>,
    /// The repeat that comes next.
    pub(crate) next_repeat: Option<usize>,
    /// When.
    pub(crate) next_at_ms: Option<u64>,
}
