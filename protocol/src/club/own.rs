//! Who asks, as the club knows them.

use serde::{Deserialize, Serialize};

use super::{AttendedSession, Going, KeyLine, Note, OwnGroup, Person, WholeResult};

/// What a key is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum KeyRole {
    /// A device of the hall, which is nobody's: sees tonight's list.
    Hall,
    /// Sees what is their own.
    Person,
    /// A coach who reads, and changes nothing.
    Assistant,
    /// A coach.
    Coach,
    /// The head coach.
    Head,
}

/// Who a key belongs to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Myself {
    /// What the key is worth.
    pub role: KeyRole,
    /// Of a person: who.
    pub person: Option<Person>,
    /// Of a coach: as the club calls them; of the head coach's link nothing.
    pub coach: Option<String>,
    /// What people call the club; may be empty.
    pub club: String,
    /// What its days go by, as `Europe/Berlin`.
    pub zone: String,
    /// Of a person who is to be deleted: when; not there for anybody else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub going: Option<Going>,
}

/// What holds for all of the club.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ClubView {
    /// What people call it; may be empty.
    pub name: String,
    /// What its days go by, as `Europe/Berlin`.
    pub zone: String,
    /// How many people are in it.
    pub people: u32,
    /// In how many sessions something was rowed.
    pub sessions: u32,
    /// How many results it keeps.
    pub results: u32,
}

/// All that the club keeps about a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct OwnData {
    /// As the club knows them.
    pub person: Person,
    /// Since when.
    pub added_unix_ms: u64,
    /// How their name is said.
    pub spoken: Option<String>,
    /// What they read.
    pub language: Option<String>,
    /// What they count in.
    pub units: Option<String>,
    /// Entries of theirs that were made one with this one.
    pub merged: Vec<Person>,
    /// All their results, newest first.
    pub results: Vec<WholeResult>,
    /// What lets their devices in: cards that wait, and keys, without the secrets, which nobody keeps.
    pub keys: Vec<KeyLine>,
    /// Who has looked.
    pub looks: Vec<Look>,
    /// Groups that they are or were in; not there for somebody who was in none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub groups: Vec<OwnGroup>,
    /// All notes about them, whoever else reads those, and those to their groups; not there when there are none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<Note>,
    /// Sessions to which they came or did not come; not there when nothing is known of any.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub attendance: Vec<AttendedSession>,
}

/// Somebody has read what concerns a person's health, or has taken their results along.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Look {
    /// When.
    pub at_unix_ms: u64,
    /// Who: a coach as the club calls them, or another word such as `head coach`.
    pub who: String,
    /// What they have read or taken.
    pub what: String,
    /// It was that of everybody, and theirs among it.
    pub of_everybody: bool,
}

/// Who has looked at what is somebody's.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Looks {
    /// Newest first.
    pub looks: Vec<Look>,
}
