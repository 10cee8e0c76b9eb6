//! Groups: people who come on the same days, and the coach who has them.

use serde::{Deserialize, Serialize};

use super::{ClubDay, GroupId, PersonId};
use crate::ids::CoachId;

/// People who come on the same days.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Group {
    /// Which.
    pub group: GroupId,
    /// As the club calls it; no two groups are called alike.
    pub called: String,
    /// Who has it; `None`: the head coach.
    pub coach: Option<GroupCoach>,
    /// Of a coach who coaches here no more, and had it last: it is the head coach's until it is handed over.
    pub had_by: Option<String>,
    /// Who is in it, by their names; of whoever has left, until their last day.
    pub members: Vec<Member>,
}

/// A coach who has a group, or can be given one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct GroupCoach {
    /// Who.
    pub coach: CoachId,
    /// As people call them.
    pub called: String,
}

/// Somebody in a group.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Member {
    /// Who.
    pub person: PersonId,
    /// As the club calls them.
    pub called: String,
    /// The first day.
    pub from: ClubDay,
    /// The last day; `None` until somebody says it.
    pub until: Option<ClubDay>,
}

/// The groups of the club.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Groups {
    /// By their names.
    pub groups: Vec<Group>,
    /// To whom a group can be handed over, by their names; always to the head coach, too.
    pub coaches: Vec<GroupCoach>,
}

/// A group that is to be; whoever makes it has it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NewGroup {
    /// As the club is to call it; no other group is called so.
    pub called: String,
}

/// What is to be another of a group.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct GroupChange {
    /// As the club calls it from now on.
    pub called: String,
}

/// Who is to have a group, with its notes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct HandOver {
    /// A coach of the club; `null` for the head coach.
    pub to: Option<CoachId>,
}

/// Who is to be in a group.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NewMembers {
    /// Whoever is in it already stays in it.
    #[cfg_attr(feature = "schema", schemars(extend("minItems" = 1, "maxItems" = crate::club::MEMBERS_MAX)))]
    pub people: Vec<PersonId>,
    /// Their first day; today where nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<ClubDay>,
}

/// When somebody leaves a group.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct MembershipEnd {
    /// Their last day; today where nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<ClubDay>,
}

/// A group as one of its members knows it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct OwnGroup {
    /// Which.
    pub group: GroupId,
    /// As the club calls it.
    pub called: String,
    /// Their first day.
    pub from: ClubDay,
    /// Their last day; `None` until somebody says it.
    pub until: Option<ClubDay>,
}
