//! People who are to be deleted: hidden at once, and gone some days later unless somebody takes it back.

use serde::{Deserialize, Serialize};

use super::PersonId;

/// Somebody who is to be deleted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Going {
    /// Who.
    pub person: PersonId,
    /// As the club calls them.
    pub called: String,
    /// When it was asked for.
    pub asked_unix_ms: u64,
    /// When it runs by itself; until then it can be taken back. What is over runs as soon as it can.
    pub runs_unix_ms: u64,
    /// Who asked for it: as the club calls a coach or them, or another word for who it was.
    pub asked_by: String,
    /// They have asked for it themselves.
    pub is_own: bool,
    /// A sentence: what keeps it from running, and what to do; not there while nothing does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waits: Option<String>,
}

/// Everybody who is to be deleted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct GoingPeople {
    /// Who goes first.
    pub people: Vec<Going>,
}
