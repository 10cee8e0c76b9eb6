//! What people have rowed, as it is kept.

use serde::{Deserialize, Serialize};

use super::{ClubDay, DeedNo, PersonId};
use crate::{
    ids::{CallId, CommandId, SessionId},
    spec::{CallText, Plan, Repeat, Target},
    standing::{Corrected, Mark, Outcome, Ruling, Split},
    total::{Certainty, Margin, Total},
    units::{At, Decimetres, Millis},
};

/// Whether it was all that the person had that day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum AllOut {
    /// Nobody has said.
    #[default]
    Unknown,
    /// It was.
    Yes,
    /// It was not.
    No,
}

/// A focus call that reached somebody in the piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct HeardCall {
    /// Which.
    pub call: CallId,
    /// When they got it, on the session's clock.
    pub at_ms: At,
    /// The words; `None` for one that was said to people by name: those stand in the journal, and go with them.
    pub text: Option<CallText>,
}

/// A coach's order by which a result of a piece is what it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RuledBy {
    /// The order; it is undone by it.
    pub command: CommandId,
    /// When it was given.
    pub at_unix_ms: u64,
    /// What the coach was called; `None` when that is not known.
    pub by: Option<String>,
}

/// A correction of a result of a piece that stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct RuledResult {
    /// By which order.
    #[serde(flatten)]
    pub ruled: RuledBy,
    /// What was put in place of what was there.
    #[serde(flatten)]
    pub what: Corrected,
    /// Why, in the coach's words; `None` when that is not known any more.
    pub reason: Option<String>,
}

/// A result as a line of a list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Listed {
    /// Which.
    #[cfg_attr(feature = "schema", schemars(with = "uuid::Uuid"))]
    pub result: String,
    /// Whose; `None` for a guest's.
    #[cfg_attr(feature = "schema", schemars(with = "Option<uuid::Uuid>"))]
    pub person: Option<String>,
    /// The person's name, or that which a guest rowed under; `None` when neither is known.
    pub name: Option<String>,
    /// The name that it was rowed under.
    pub called: Option<String>,
    /// `piece`, `typed` or `imported`.
    pub source: String,
    /// Of a piece: which session …
    #[cfg_attr(feature = "schema", schemars(with = "Option<uuid::Uuid>"))]
    pub session: Option<String>,
    /// … which piece of it, counted from 0 …
    pub piece: Option<u16>,
    /// … which seat …
    pub seat: Option<u32>,
    /// … and the number of the record.
    pub revision: Option<u32>,
    /// The club's day.
    pub day: String,
    /// The instant of the go.
    pub at_unix_ms: Option<u64>,
    /// What the coach called the piece.
    pub title: String,
    /// What was rowed.
    pub work: String,
    /// How it came about.
    pub outcome: Outcome,
    /// Place in that piece.
    pub place: Option<u32>,
    /// For which team.
    pub team: Option<String>,
    /// Work time.
    pub time_ms: Millis,
    /// Work distance.
    pub distance_dm: Decimetres,
    /// The finish as it is shown and ranked.
    pub shown: Option<Total>,
    /// Their own target.
    pub target: Option<Total>,
    /// Against it.
    pub margin: Option<Margin>,
    /// What the reader should know.
    pub marks: Vec<Mark>,
    /// Whether it was all they had.
    pub all_out: AllOut,
    /// How hard it felt, 0 (no effort) to 10 (all they had), as they said themselves; `None` until they do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub felt: Option<u8>,
    /// Whether a coach has made it official.
    pub is_official: bool,
    /// By which order it is official; `None` of results that no session of this club has.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub official: Option<RuledBy>,
    /// What of it is not as it was measured, and why it has no place though it might.
    #[serde(default, skip_serializing_if = "Ruling::is_none")]
    pub ruling: Ruling,
    /// By which corrections, in the order in which they were made.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<RuledResult>,
}

/// Which results are wanted; what is left out narrows nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ResultsAsked {
    /// A part of the name, of a person or of a guest.
    pub name: Option<String>,
    /// This person's, and no other's.
    pub person: Option<PersonId>,
    /// Of this session.
    pub session: Option<SessionId>,
    /// What was rowed, as pieces are written: `2000m`, `6x350m/1:15`.
    pub piece: Option<String>,
    /// The first day.
    pub from: Option<ClubDay>,
    /// The last day.
    pub to: Option<ClubDay>,
    /// So many at most.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1, "maximum" = crate::club::LISTED_MAX)))]
    pub most: Option<u32>,
    /// Go on behind an answer whose `next` this is.
    pub after: Option<String>,
}

/// Results, newest first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Results {
    /// As many as were wanted.
    pub results: Vec<Listed>,
    /// Asks, as `after`, for those behind them; `None` when there are none.
    pub next: Option<String>,
}

/// A result with all that is known of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct WholeResult {
    /// As in a list.
    #[serde(flatten)]
    pub line: Listed,
    /// What was rowed, as the piece had it.
    pub repeats: Vec<Repeat>,
    /// How sure it is.
    #[serde(flatten)]
    pub sure: Certainty,
    /// The own target as it was said.
    pub aim: Option<Target>,
    /// How it was meant to be reached.
    pub plan: Plan,
    /// Quarters of a single stretch, repeats of an interval piece.
    pub splits: Vec<Split>,
    /// Own strokes in the work, if the machine told.
    pub strokes: Option<u32>,
    /// Focus calls that reached them.
    pub calls: Vec<HeardCall>,
    /// Why it is not as it was rowed, in the words of whoever changed it.
    pub reason: Option<String>,
    /// Of a typed or imported one: what was done to it last and not undone, by which that is undone.
    pub last_deed: Option<DeedNo>,
}
