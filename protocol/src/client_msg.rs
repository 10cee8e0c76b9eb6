//! What a client may say.

mod coach;
mod ready;

pub use coach::{
    AddAthletes, Command, LetIn, LetInAll, NewBoardLink, NewCoachLink, NewLink, TableQuestion,
    TakeCommand, TurnAway,
};
pub use ready::Ready;

use std::{borrow::Cow, fmt};

use serde::{Deserialize, Serialize};

use crate::{
    ids::{CommandId, DeviceId, EventNo, JoinCode, PieceNo, RunId},
    sample::{Reading, Sample},
    spec::{Aim, SessionSettings},
    units::At,
};

/// Who is connecting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Leads the session.
    Coach,
    /// Rows.
    Athlete,
    /// Shows where everybody stands.
    Board,
}

/// First message on a connection that has a secret; comes back as `welcome` or as a close code.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Hello {
    /// Lowest protocol version that the client understands.
    pub version_min: u16,
    /// Highest protocol version that the client understands.
    pub version_max: u16,
    /// Who is connecting.
    pub role: Role,
    /// The secret of the coach, the athlete or the board; of a coach with `code`, their own key of the club instead.
    pub secret: String,
    /// The join code of the session that a coach comes to: by it a coach of the club comes in with their own key, and the
    /// orders they give are known as theirs. Not needed with the session's own coach link.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<JoinCode>,
    /// An athlete's current recording, in order to be told how far it is durable.
    #[serde(default)]
    pub run: Option<RunId>,
    /// The session's time as this device has it, if it was here before: a server that comes back on a machine that was
    /// switched off has nothing else to check its clock against.
    #[serde(default)]
    pub at_ms: Option<At>,
    /// Number of the first sample of `run` that has not been acknowledged to this device. A server that has fewer than
    /// that learns that its journal was damaged.
    #[serde(default)]
    pub unacked_seq: Option<u32>,
    /// Which device this is, by a name of its own that nobody else knows: a coach's device that was in command and lost
    /// its connection gets the command back, and an athlete who comes back is not taken for somebody else.
    #[serde(default)]
    pub device: Option<DeviceId>,
    /// Takes an athlete's seat even though another device is heard in it: said after close code 4507, once the
    /// person has chosen to.
    #[serde(default)]
    pub take_seat: bool,
    /// The last event that this client has; missing ones are sent again, marked late.
    #[serde(default)]
    pub last_event: EventNo,
}

/// Makes a session; comes back as `created`. Sent instead of `hello`, which then follows.
#[derive(Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Create {
    /// What people call it, at most 80 characters; may be empty.
    #[cfg_attr(feature = "schema", schemars(extend("maxLength" = crate::limits::TITLE_MAX)))]
    pub title: String,
    /// Its settings.
    #[serde(default)]
    pub settings: SessionSettings,
    /// The key of the head coach or of a coach of the club, from their link, or the machine's; not needed on a server that
    /// is open to all.
    #[serde(default)]
    pub key: Option<String>,
}

// Printing what was said must not print a secret or a key.
impl fmt::Debug for Hello {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut shown = f.debug_struct("Hello");
        shown.field("role", &self.role).field("code", &self.code);
        shown.field("run", &self.run).field("at_ms", &self.at_ms);
        shown.field("last_event", &self.last_event).finish_non_exhaustive()
    }
}

impl fmt::Debug for Create {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut shown = f.debug_struct("Create");
        shown.field("title", &self.title).field("settings", &self.settings);
        shown.field("with_key", &self.key.is_some()).finish_non_exhaustive()
    }
}

/// Joins as an athlete; comes back as `joined`, or as `waiting` when the coach is asked first. Sent instead of `hello`,
/// which then follows.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Join {
    /// The join code as typed.
    pub code: String,
    /// The athlete's name. A new one gets a seat at once; one of the roster is handed over by the coach.
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::limits::NAME_MAX)))]
    pub name: String,
    /// Made by this device for this attempt and known to nobody else: 22 to 64 letters and digits, `-` and `_`, from at
    /// least 128 random bits. Said again with the same name, it opens the same seat: after a lost answer, and once the coach
    /// has let somebody in.
    #[serde(default)]
    pub join: Option<String>,
    /// What this device calls itself, such as `Android phone`, 1 to 40 characters: shown to a coach who is asked
    /// to let somebody in.
    #[serde(default)]
    pub from: Option<String>,
    /// The key of the person whose device this is, which it got for a card. Under the name that the club calls them by it
    /// opens the seat they have, or theirs of the roster, without the coach's word; under any other name it counts for
    /// nothing, for others row on this device as well.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
}

/// Asks for the session's clock; answered at once by `clock` (four timestamps, RFC 5905 section 8).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ClockQuestion {
    /// When the client sent this, on any clock of its own; comes back unchanged.
    pub client_sent_us: u64,
}

/// Samples in any order; every batch comes back as `ack`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Samples {
    /// The recording that they belong to.
    pub run: RunId,
    /// At most 100.
    #[cfg_attr(feature = "schema", schemars(extend("maxItems" = crate::limits::SAMPLES_MAX)))]
    pub samples: Vec<Sample>,
}

/// Samples that this client no longer has and will never send.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Skip {
    /// The recording.
    pub run: RunId,
    /// First missing number.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1)))]
    pub from_seq: u32,
    /// Last missing number.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1)))]
    pub to_seq: u32,
    /// Answered by `done` or `refused` when there is one.
    #[serde(default)]
    pub command: Option<CommandId>,
}

/// Heart rate of an athlete who has agreed to it; a record of its own, so that it can be erased.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct HeartRate {
    /// At most 100 readings.
    #[cfg_attr(feature = "schema", schemars(extend("maxItems" = crate::limits::SAMPLES_MAX)))]
    pub readings: Vec<Reading>,
}

/// An athlete agrees to have heart rate passed on to the coach, or takes that back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Consent {
    /// Whether heart rate may be passed on to the coach.
    pub heart_rate: bool,
    /// Version of the wording that the athlete read.
    pub wording: u16,
    /// Answered by `done` or `refused` when there is one.
    #[serde(default)]
    pub command: Option<CommandId>,
}

/// The athlete's own target for a piece that has not begun.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AimAt {
    /// Which piece.
    pub piece: PieceNo,
    /// What they aim at.
    pub aim: Aim,
    /// Answered by `done` or `refused` when there is one.
    #[serde(default)]
    pub command: Option<CommandId>,
}

/// Everything that a client may say; `type` names the variant.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum ClientMsg {
    /// First message with a secret.
    Hello(Hello),
    /// Makes a session.
    Create(Create),
    /// Joins as an athlete.
    Join(Join),
    /// Asks for the session's clock.
    Clock(ClockQuestion),
    /// Nothing to say, still here; sent once a second when nothing else was.
    Heartbeat,
    /// Athlete: samples.
    Samples(Samples),
    /// Athlete: samples that are gone for good.
    Skip(Skip),
    /// Athlete: heart rate.
    HeartRate(HeartRate),
    /// Athlete: agrees to heart rate, or takes it back.
    Consent(Consent),
    /// Athlete: what is ready.
    Ready(Ready),
    /// Athlete: own target.
    Aim(AimAt),
    /// Athlete: stops rowing this piece.
    StopRowing {
        /// Answered by `done` or `refused` when there is one.
        #[serde(default)]
        command: Option<CommandId>,
    },
    /// Athlete: goes on after having stopped.
    RowOn {
        /// Answered by `done` or `refused` when there is one.
        #[serde(default)]
        command: Option<CommandId>,
    },
    /// Coach: an order.
    Command(Command),
    /// Coach: adds athletes.
    AddAthletes(AddAthletes),
    /// Coach: a new secret for an athlete.
    NewLink(NewLink),
    /// Coach: a new secret for boards.
    NewBoardLink(NewBoardLink),
    /// Coach: a new secret for the coach's devices.
    NewCoachLink(NewCoachLink),
    /// Coach: lets in somebody who asks.
    LetIn(LetIn),
    /// Coach: lets in everybody who asks for a seat of the list.
    LetInAll(LetInAll),
    /// Coach: does not let in somebody who asks.
    TurnAway(TurnAway),
    /// Coach: this device takes command.
    TakeCommand(TakeCommand),
    /// Coach: the table of results.
    ResultsTable(TableQuestion),
}

/// A message of which at most the command that it is answered by can be read.
#[derive(Deserialize)]
struct Named {
    #[serde(default)]
    command: Option<CommandId>,
}

/// Why a text was not understood; never a reason to close the connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Misread {
    /// A newer client may say more than this server knows.
    UnknownType(String),
    /// The type is known but its fields do not fit; says which.
    Malformed(String),
}

/// Samples in which every field is known, as in nearly all: they are read without noting the name of each
/// field.
fn plain_samples(text: &str) -> Option<Samples> {
    let samples: Samples = serde_json::from_str(text).ok()?;
    let of_sample = |sample: &Sample| {
        let Sample { elapsed_ms, strokes, rate_half_spm, power_w, .. } = sample;
        let told = [elapsed_ms, strokes, rate_half_spm, power_w];
        3 + told.into_iter().filter(|field| field.is_some()).count()
    };
    // Type, run, samples, and what each of them has. Each field has a colon, and none of their values can have one:
    // an extra field means more colons.
    let known = 3 + samples.samples.iter().map(of_sample).sum::<usize>();
    (text.bytes().filter(|byte| *byte == b':').count() == known).then_some(samples)
}

const TAG: &str = r#"{"type":""#;
const HEARTBEAT: &str = r#"{"type":"heartbeat"}"#;

/// The tag of a text that begins with it, written plainly: all that most clients ever send.
fn tag_in_front(text: &str) -> Option<&str> {
    let (kind, _) = text.strip_prefix(TAG)?.split_once('"')?;
    (!kind.contains('\\')).then_some(kind)
}

impl ClientMsg {
    /// The command under which a text that could not be understood otherwise wants to be answered; `None` where
    /// it does not say.
    #[must_use]
    pub fn command_of(text: &str) -> Option<CommandId> {
        serde_json::from_str::<Named>(text).ok()?.command
    }

    /// Reads one message, and counts its fields that are unknown here.
    ///
    /// # Errors
    /// `Misread`, to be answered by `refused`.
    ///
    /// ```
    /// use thole_protocol::{ClientMsg, client_msg::Misread};
    /// let (msg, unknown) = ClientMsg::read(r#"{"type":"heartbeat","mood":"good"}"#).unwrap();
    /// assert_eq!((msg, unknown), (ClientMsg::Heartbeat, 1));
    /// assert_eq!(
    ///     ClientMsg::read(r#"{"type":"sing"}"#),
    ///     Err(Misread::UnknownType("sing".into()))
    /// );
    /// ```
    pub fn read(text: &str) -> Result<(ClientMsg, u32), Misread> {
        /// Only the tag; everything else in the text is skipped.
        #[derive(Deserialize)]
        struct Tag<'a> {
            #[serde(rename = "type", borrow)]
            kind: Cow<'a, str>,
        }
        /// A message without fields.
        #[derive(Deserialize)]
        struct Empty {}
        let malformed = |error: serde_json::Error| Misread::Malformed(error.to_string());
        let kind = match tag_in_front(text) {
            // More than half of everything a server hears.
            Some("heartbeat") if text == HEARTBEAT => return Ok((ClientMsg::Heartbeat, 0)),
            Some(kind) => Cow::Borrowed(kind),
            None => serde_json::from_str::<Tag>(text).map_err(malformed)?.kind,
        };
        let mut unknown: u32 = 0;
        macro_rules! fields {
            () => {{
                let mut text = serde_json::Deserializer::from_str(text);
                let fields = serde_ignored::deserialize(&mut text, |_| unknown += 1);
                let fields = fields.map_err(malformed)?;
                text.end().map_err(malformed)?;
                fields
            }};
        }
        let msg = match &*kind {
            "hello" => ClientMsg::Hello(fields!()),
            "create" => ClientMsg::Create(fields!()),
            "join" => ClientMsg::Join(fields!()),
            "clock" => ClientMsg::Clock(fields!()),
            "heartbeat" => {
                let Empty {} = fields!();
                ClientMsg::Heartbeat
            }
            "samples" => match plain_samples(text) {
                Some(samples) => return Ok((ClientMsg::Samples(samples), 0)),
                None => ClientMsg::Samples(fields!()),
            },
            "skip" => ClientMsg::Skip(fields!()),
            "heart_rate" => ClientMsg::HeartRate(fields!()),
            "consent" => ClientMsg::Consent(fields!()),
            "ready" => ClientMsg::Ready(fields!()),
            "aim" => ClientMsg::Aim(fields!()),
            "stop_rowing" => {
                let Named { command } = fields!();
                ClientMsg::StopRowing { command }
            }
            "row_on" => {
                let Named { command } = fields!();
                ClientMsg::RowOn { command }
            }
            "command" => ClientMsg::Command(fields!()),
            "add_athletes" => ClientMsg::AddAthletes(fields!()),
            "new_link" => ClientMsg::NewLink(fields!()),
            "new_board_link" => ClientMsg::NewBoardLink(fields!()),
            "new_coach_link" => ClientMsg::NewCoachLink(fields!()),
            "let_in" => ClientMsg::LetIn(fields!()),
            "let_in_all" => ClientMsg::LetInAll(fields!()),
            "turn_away" => ClientMsg::TurnAway(fields!()),
            "take_command" => ClientMsg::TakeCommand(fields!()),
            "results_table" => ClientMsg::ResultsTable(fields!()),
            _ => {
                let Tag { kind } = serde_json::from_str(text).map_err(malformed)?;
                return Err(Misread::UnknownType(kind.into_owned()));
            }
        };
        // The tag itself is a field that no message's struct names.
        Ok((msg, unknown - 1))
    }
}

#[cfg(test)]
mod tests;
