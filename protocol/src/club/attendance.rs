//! Attendance: who came to a session, rowed at home, came later, was excused, was absent, and from where that is known.

use serde::{Deserialize, Serialize};

use super::{ClubDay, GroupId, PersonId};
use crate::ids::SessionId;

/// Whether somebody came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum AttendanceState {
    /// They came.
    Came,
    /// They rowed at home.
    Home,
    /// They came later: their first stroke of the first piece came late.
    Late,
    /// They have said beforehand that they do not come.
    Excused,
    /// They did not come.
    Absent,
}

/// From where it is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum AttendanceSource {
    /// They have rowed.
    Rowed,
    /// They were expected, in the group that was asked for or on the session's list, and have not rowed.
    Expected,
    /// Somebody has said it, which stands over what is known by itself.
    Said,
}

/// What is known of somebody in a session.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AttendanceKnown {
    /// Whether they came.
    pub state: AttendanceState,
    /// From where that is known.
    pub source: AttendanceSource,
    /// Of what was said: by whom, as the club calls them, or another word such as `head coach` …
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said_by: Option<String>,
    /// … and when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said_unix_ms: Option<u64>,
}

/// Somebody in a session.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AttendanceLine {
    /// Who.
    pub person: PersonId,
    /// As the club calls them.
    pub called: String,
    /// What is known.
    #[serde(flatten)]
    pub known: AttendanceKnown,
}

/// Whose attendance of a session is wanted.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AttendanceAsked {
    /// Of those who were in this group on that day, each of them; else of all of whom something is known.
    pub group: Option<GroupId>,
    /// Only those of whom this is so.
    pub state: Option<AttendanceState>,
}

/// Who came to a session.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Attendance {
    /// Which session.
    pub session: SessionId,
    /// Its day.
    pub day: ClubDay,
    /// By their names. Guests are nobody's attendance.
    pub lines: Vec<AttendanceLine>,
}

/// Whether somebody came, as a coach says it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AttendanceSaid {
    /// Who.
    pub person: PersonId,
    /// Stands over what is known by itself; `null` takes back what was said.
    pub state: Option<AttendanceState>,
}

/// A session as somebody has attended it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AttendedSession {
    /// Which.
    pub session: SessionId,
    /// Its day.
    pub day: ClubDay,
    /// What people call it; may be empty.
    pub title: String,
    /// What is known.
    #[serde(flatten)]
    pub known: AttendanceKnown,
}

/// Which sessions of somebody are wanted.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AttendedAsked {
    /// The first day.
    pub from: Option<ClubDay>,
    /// The last day.
    pub to: Option<ClubDay>,
    /// Only those of which this is so.
    pub state: Option<AttendanceState>,
    /// So many at most, the newest.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1, "maximum" = crate::club::LISTED_MAX)))]
    pub most: Option<u32>,
}

/// What somebody has attended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Attended {
    /// Newest first: where they have rowed, were on the list, or somebody has said something.
    pub sessions: Vec<AttendedSession>,
}
