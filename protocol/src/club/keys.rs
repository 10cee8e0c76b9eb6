//! What lets people and coaches in: cards, keys of devices, links of coaches.

use serde::{Deserialize, Serialize};

use super::{KeyId, KeyRole, Person};
use crate::ids::CoachId;

/// A card for a person: it lets one device in, once.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Card {
    /// Which, among the keys of this person.
    pub key: KeyId,
    /// What is on it, behind the # of its link; shown this once. It opens nothing but the call that makes a key of it.
    pub secret: String,
    /// The last instant at which it can be used.
    pub until_unix_ms: u64,
}

/// What a device says of itself when it comes by a card.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CardUse {
    /// What it calls itself, such as `Android phone`, 1 to 40 characters: by this its owner knows it among theirs.
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::limits::NAME_MAX)))]
    pub device: String,
}

/// A device's own key, of a person or of the hall.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct NewKey {
    /// Which.
    pub key: KeyId,
    /// The key itself, to be kept on this device alone; shown this once.
    pub secret: String,
    /// Whose it is; `None` of a device of the hall.
    pub person: Option<Person>,
}

/// One thing that lets a device of a person in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct KeyLine {
    /// Which.
    pub key: KeyId,
    /// What the device calls itself; empty for a card, which no device has used.
    pub device: String,
    /// Since when.
    pub from_unix_ms: u64,
    /// When it was last here, to the hour; `None` for one that has not been.
    pub last_unix_ms: Option<u64>,
    /// A card that waits for a device.
    pub is_card: bool,
    /// Of a card: the last instant at which it can be used.
    pub until_unix_ms: Option<u64>,
    /// Who made the card: as the club calls a coach.
    pub made_by: Option<String>,
    /// The key that asks.
    pub is_this: bool,
}

/// All that lets devices of a person in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Keys {
    /// Oldest first; cards after keys.
    pub keys: Vec<KeyLine>,
}

/// How many keys and cards were ended; none of those that had ended before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Ended {
    /// How many.
    pub ended: u32,
}

/// What a coach may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum CoachRole {
    /// Reads, and changes nothing.
    Assistant,
    /// Leads sessions, and changes people and results.
    Coach,
    /// That, and all that is about the club itself and its coaches.
    Head,
}

impl From<CoachRole> for KeyRole {
    fn from(role: CoachRole) -> KeyRole {
        match role {
            CoachRole::Assistant => KeyRole::Assistant,
            CoachRole::Coach => KeyRole::Coach,
            CoachRole::Head => KeyRole::Head,
        }
    }
}

/// A coach who is to be added.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NewCoach {
    /// As people call them; no two coaches are called alike.
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::limits::NAME_MAX)))]
    pub called: String,
    /// What they may.
    pub role: CoachRole,
}

/// A coach of the club, with a link of their own. Whoever has the head coach's link of the server is not among them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CoachLine {
    /// Who.
    pub coach: CoachId,
    /// As people call them.
    pub called: String,
    /// What they may.
    pub role: CoachRole,
    /// Since which day.
    pub from_day: String,
    /// When they were last here, to the hour.
    pub last_unix_ms: Option<u64>,
}

/// The coaches of the club.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Coaches {
    /// By their names.
    pub coaches: Vec<CoachLine>,
}

/// A coach with a new link.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct LinkedCoach {
    /// Who.
    #[serde(flatten)]
    pub coach: CoachLine,
    /// What stands behind the # of their link; shown this once. Links that they had before open nothing any more.
    pub secret: String,
}
