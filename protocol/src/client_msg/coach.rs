//! What a coach says: orders, who is on the list, links, and whom to let in.

use serde::{Deserialize, Serialize};

use crate::{
    ids::{AthleteId, CommandId, PieceNo, RequestId},
    order::Order,
    spec::RosterEntry,
};

/// An order of the coach; comes back as `done` or `refused`. Sent again after a lost connection, it
/// is still done once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Command {
    /// Made by the coach's device.
    pub command: CommandId,
    /// What to do.
    pub order: Order,
}

/// The coach adds athletes; comes back as `done` and as `links`, with a secret for each.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AddAthletes {
    /// Made by the coach's device.
    pub command: CommandId,
    /// Who; at most 500 at once.
    #[cfg_attr(feature = "schema", schemars(extend("maxItems" = crate::limits::ADDED_MAX)))]
    pub athletes: Vec<RosterEntry>,
}

/// The coach makes a new secret for an athlete; the old one opens nothing any more, and whoever came in by it
/// is sent away. Comes back as `links`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct NewLink {
    /// Made by the coach's device.
    pub command: CommandId,
    /// Whose.
    pub athlete: AthleteId,
}

/// The coach makes a new secret for boards; the old one opens nothing any more, and boards that came by
/// it are sent away. Comes back as `board_link`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct NewBoardLink {
    /// Made by the coach's device.
    pub command: CommandId,
}

/// The coach makes a new secret for the coach's devices; the old one opens nothing any more, and the other devices are
/// sent away. Comes back as `coach_link`. Until the new one has been used, the device that asked may come back by the old
/// one, identified by the `device` in its `hello`: a lost answer locks nobody out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct NewCoachLink {
    /// Made by the coach's device.
    pub command: CommandId,
}

/// The coach lets in somebody who asks under a name; comes back as `done`, and whoever asked gets `joined`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct LetIn {
    /// Made by the coach's device.
    pub command: CommandId,
    /// Which request.
    pub request: RequestId,
}

/// The coach lets in everybody at once who asks for a seat of the list that nobody else asks for; comes back as `done`, and
/// each of them gets `joined`. Whoever asks under a new name, or for a seat that two ask for, is looked at one by one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct LetInAll {
    /// Made by the coach's device.
    pub command: CommandId,
    /// The requests that the coach has seen: whoever has asked since is not meant. At most 500.
    #[cfg_attr(feature = "schema", schemars(extend("maxItems" = crate::limits::ADDED_MAX)))]
    pub requests: Vec<RequestId>,
}

/// The coach does not let somebody in; comes back as `done`, and whoever asked gets `refused`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TurnAway {
    /// Made by the coach's device.
    pub command: CommandId,
    /// Which request.
    pub request: RequestId,
}

/// The coach asks for the table of results, to keep it; any of their devices may. Comes back as `results_table`, in parts,
/// and then as `done`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TableQuestion {
    /// Made by the coach's device.
    pub command: CommandId,
    /// Of which piece; absent: of all of them.
    #[serde(default)]
    pub piece: Option<PieceNo>,
}

/// The coach makes this device the one in command.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TakeCommand {
    /// Made by the coach's device.
    pub command: CommandId,
}
