//! Who asks, as the club knows them.

use serde::{Deserialize, Serialize};

use super::Person;

/// What a key is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum KeyRole {
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
