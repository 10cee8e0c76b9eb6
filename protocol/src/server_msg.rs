//! What the server may say.

use serde::{Deserialize, Serialize};

use crate::{
    client_msg::Role,
    event::{Damage, Event},
    ids::{AthleteId, CommandId, EventNo, JoinCode, PieceNo, RequestId, SessionId},
    order::GivenBy,
    refusal::Refusal,
    sample::{Durable, RefusedSample},
    spec::{CallText, SessionSettings},
    standing::{AthleteView, Calibration, Overview, Own, PieceView, RunningCall, Standings},
    units::{At, Millis},
};

/// Answer to `create`. The secrets are shown once: the server keeps only a hash of each.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Created {
    /// The session.
    pub session: SessionId,
    /// What athletes join with.
    pub code: JoinCode,
    /// Opens the coach's console.
    pub coach_secret: String,
    /// Opens a board.
    pub board_secret: String,
    /// The coach of the club whose key it was made with: by that key and the code, their devices come in under their name.
    /// `None` when it was made without one, or by the head coach's link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<GivenBy>,
}

/// Answer to `join`. The secret is shown once; with it the athlete comes back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Joined {
    /// The athlete.
    pub athlete: AthleteId,
    /// As listed in the session.
    pub name: String,
    /// Opens this athlete's place.
    pub secret: String,
}

/// Answer to `join` when the coach is asked first. `joined` or `refused` follows on the same connection once the coach has
/// decided; on a new connection the same `join` is said again. While it waits, a client repeats it every few seconds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Waiting {
    /// As typed.
    pub name: String,
    /// One sentence for the person, which says what can be done in the meantime.
    pub says: String,
}

/// Somebody who asks to be let in under a name. Whether they are who they say is for the coach to see.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct JoinRequest {
    /// Which.
    pub request: RequestId,
    /// As typed.
    pub name: String,
    /// The seat of the roster that would be theirs; `None` for a new one.
    pub athlete: Option<AthleteId>,
    /// When they first asked.
    pub asked_at_ms: At,
    /// Whether their device is connected.
    pub here: bool,
    /// What their device calls itself, if it said so; it may say anything.
    pub from: Option<String>,
}

/// Everything now true that this role may see. Says only what is durable.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Welcome {
    /// The protocol version that both speak from here on.
    pub version: u16,
    /// Which build of the server this is.
    pub build: String,
    /// Random, made with the journal: when it changes, the server has lost its disk and everything has to be
    /// sent again.
    pub epoch: String,
    /// The session.
    pub session: SessionId,
    /// What athletes join with.
    pub code: JoinCode,
    /// What people call it.
    pub title: String,
    /// Its settings.
    pub settings: SessionSettings,
    /// The session's clock as this was written.
    pub at_ms: At,
    /// How many times faster than real time this server runs; 1 except for rehearsals and tests.
    pub speed: u32,
    /// Who this connection is known as.
    pub role: Role,
    /// The athlete, if it is one.
    pub you: Option<AthleteId>,
    /// Whether this coach's device is the one in command.
    pub in_command: bool,
    /// The last event that this message already includes; later ones follow.
    pub last_event: EventNo,
    /// How far the recording named in `hello` is durable.
    pub durable: Option<Durable>,
    /// The session is closed: results can be read, nothing more is rowed.
    pub closed: bool,
    /// The pieces in their order.
    pub pieces: Vec<PieceView>,
    /// Which of them is the current one.
    pub current: PieceNo,
    /// The roster: everybody for coach and board, only themselves for an athlete.
    pub athletes: Vec<AthleteView>,
    /// The coach's prepared calls; empty for others.
    pub prepared: Vec<CallText>,
    /// How projections have turned out on this server (coach).
    pub calibration: Option<Calibration>,
    /// What was told of focus calls since the countdown of the current piece, marked late: a coach's device
    /// or a board that joins halfway knows what went out. Empty for an athlete.
    #[serde(default)]
    pub calls: Vec<Event>,
    /// An athlete's running call.
    pub call: Option<RunningCall>,
    /// An athlete's own standing.
    pub own: Option<Own>,
    /// Who asks to be let in, oldest first (coach).
    #[serde(default)]
    pub requests: Vec<JoinRequest>,
    /// What the server's journal has lost of this session, oldest first (coach).
    #[serde(default)]
    pub damage: Vec<Damage>,
}

/// Answer to `clock`: offset = ((heard - sent by client) + (sent - heard by client)) / 2, which is right to
/// within half the round trip (RFC 5905 section 8).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ClockAnswer {
    /// As asked.
    pub client_sent_us: u64,
    /// When the server heard the question, on the session's clock.
    pub server_heard_us: u64,
    /// When the server sent this, on the session's clock.
    pub server_sent_us: u64,
}

/// Answer to a batch of samples, once it is durable: one message with everything that is due.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Ack {
    /// How far the recording is durable.
    pub durable: Durable,
    /// Samples of this batch that were refused.
    pub refused: Vec<RefusedSample>,
    /// The athlete's own standing.
    pub own: Option<Own>,
    /// Events that were due.
    pub events: Vec<Event>,
}

/// A secret for each of these athletes, shown once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Links {
    /// The order that asked for them.
    pub command: CommandId,
    /// Who, and with what secret.
    pub links: Vec<Joined>,
}

/// A new secret for boards, shown once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct BoardLink {
    /// The order that asked for it.
    pub command: CommandId,
    /// What a board says hello with.
    pub board_secret: String,
}

/// A new secret for the coach's devices, shown once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CoachLink {
    /// The order that asked for it.
    pub command: CommandId,
    /// What a device of the coach says hello with.
    pub coach_secret: String,
}

/// A part of the table of results; the parts of one order, put together, are the table. `done` follows the last.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TablePart {
    /// The order that asked for it.
    pub command: CommandId,
    /// Text of a comma-separated file (RFC 4180), which may begin and end in the middle of a row.
    pub csv: String,
}

/// Everything that the server may say; `type` names the variant.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum ServerMsg {
    /// Answer to `create`.
    Created(Created),
    /// Answer to `join`.
    Joined(Joined),
    /// Answer to `join`: the coach is asked first.
    Waiting(Waiting),
    /// Answer to `hello`.
    Welcome(Box<Welcome>),
    /// Answer to `clock`.
    Clock(ClockAnswer),
    /// Answer to `samples` and `skip`.
    Ack(Ack),
    /// Events that were due and not sent with an `ack`.
    Events {
        /// In their order.
        events: Vec<Event>,
    },
    /// Board: who stands where; the newest replaces the unread.
    Standings(Standings),
    /// Coach: who stands where, who needs a word.
    Overview(Overview),
    /// Athlete: own standing, when something changed and no `ack` was due.
    Own(Own),
    /// An order was carried out, or what an athlete said under a `command` was accepted.
    Done {
        /// Which.
        command: CommandId,
    },
    /// Something was refused; the connection stays open.
    Refused {
        /// The order, if it was one.
        command: Option<CommandId>,
        /// Why.
        refusal: Refusal,
    },
    /// Answer to orders that make secrets.
    Links(Links),
    /// Answer to `new_board_link`.
    BoardLink(BoardLink),
    /// Answer to `new_coach_link`.
    CoachLink(CoachLink),
    /// Answer to `results_table`.
    ResultsTable(TablePart),
    /// Coach: who asks to be let in; all of them, in place of what was told before.
    Requests {
        /// Oldest first.
        requests: Vec<JoinRequest>,
    },
    /// Coach: whether this device is the one in command.
    InCommand {
        /// It is.
        yes: bool,
    },
    /// Nothing to say, still here.
    Heartbeat {
        /// The session's clock.
        at_ms: At,
    },
    /// The server is about to restart; nothing is lost.
    Restart {
        /// How long to wait before coming back.
        after_ms: Millis,
    },
    /// A type that this client does not know: a newer server may say more.
    #[serde(other)]
    Unknown,
}
