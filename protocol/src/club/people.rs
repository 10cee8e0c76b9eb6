//! Who the club knows.

use serde::{Deserialize, Serialize};

use super::{Edit, PersonId};

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
    /// What the hall reads instead of the name, if anything else was said.
    pub hall_name: Option<String>,
}

/// Somebody whom the club is to know.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NewPerson {
    /// As the club is to call them; nobody else is called so.
    pub called: String,
    /// For those whose age a plan has to heed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub born_year: Option<u16>,
}

/// What is to be another of somebody; what is left out stays.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PersonChange {
    /// As the club calls them from now on; nobody else is called so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub called: Option<String>,
    /// `null` takes it away.
    #[serde(default, skip_serializing_if = "Edit::is_left")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<u16>"))]
    pub born_year: Edit<u16>,
    /// What the hall reads instead of the name; `null` takes it away.
    #[serde(default, skip_serializing_if = "Edit::is_left")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<String>"))]
    pub hall_name: Edit<String>,
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
