//! Who the club knows.

use serde::{Deserialize, Serialize};

use super::PersonId;

/// Somebody across sessions.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Person {
    /// Who.
    pub person: PersonId,
    /// As the club calls them.
    pub called: String,
    /// For those whose age a plan has to heed.
    pub born_year: Option<u16>,
    /// Of somebody who was in the club twice: who they are now.
    pub merged_into: Option<PersonId>,
}

/// Somebody, and how much of them is known.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct PersonLine {
    /// Who.
    #[serde(flatten)]
    pub person: Person,
    /// How many results.
    pub results: u64,
    /// The day of the newest.
    pub last_day: Option<String>,
}

/// Which people are wanted.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PeopleAsked {
    /// A part of the name; nothing for everybody.
    pub name: Option<String>,
}

/// People by their names.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct People {
    /// All who were wanted.
    pub people: Vec<PersonLine>,
}
