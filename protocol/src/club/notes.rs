//! Notes: what coaches have written about a person, a group or a session, and who reads it.

use serde::{Deserialize, Serialize};

use super::{GroupId, NoteId, PersonId};
use crate::ids::SessionId;

/// What a note is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum NoteAbout {
    /// Somebody of the club.
    Person(PersonId),
    /// A group.
    Group(GroupId),
    /// A session in which something was rowed.
    Session(SessionId),
}

/// Who reads a note on the pages. Whatever is about a person they find in their own data all the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum NoteReaders {
    /// Whoever wrote it; the head coach once they coach here no more.
    Author,
    /// Of a group: whoever has that group now, and the head coach.
    Group,
    /// All coaches and assistants.
    Coaches,
    /// They, and the person; of a group those who are in it.
    Person,
}

/// A note.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Note {
    /// Which.
    pub note: NoteId,
    /// What it is about.
    pub about: NoteAbout,
    /// What it says; lines end in `\n`.
    pub words: String,
    /// Who reads it.
    pub readers: NoteReaders,
    /// Who wrote it: as the club calls a coach, or `head coach`.
    pub by: String,
    /// When.
    pub said_unix_ms: u64,
}

/// Notes, newest first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Notes {
    /// Those that whoever asks may read.
    pub notes: Vec<Note>,
}

/// Which notes are wanted: those about one of these.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NotesAsked {
    /// About this person …
    pub person: Option<PersonId>,
    /// … or about this group …
    pub group: Option<GroupId>,
    /// … or about this session.
    pub session: Option<SessionId>,
}

/// A note that is to be kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NewNote {
    /// What it is about.
    pub about: NoteAbout,
    /// What it says, 1 to 2,000 characters.
    #[cfg_attr(feature = "schema", schemars(extend("minLength" = 1, "maxLength" = crate::club::NOTE_MAX)))]
    pub words: String,
    /// Who is to read it.
    pub readers: NoteReaders,
}
