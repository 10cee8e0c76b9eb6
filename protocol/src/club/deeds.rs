//! What coaches do to people and results outside a session, each of which can be undone once.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};

use super::{GroupId, PersonId, ResultId};

/// One thing that was done; they count from 1 and no number is used twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct DeedNo(pub u32);

impl fmt::Display for DeedNo {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl FromStr for DeedNo {
    type Err = String;

    fn from_str(text: &str) -> Result<DeedNo, String> {
        let wrong = |_| format!("{text} is no number of `club deeds`: write it as 12.");
        text.trim().parse().map(DeedNo).map_err(wrong)
    }
}

macro_rules! deed_kinds {
    ($($(#[doc = $doc:literal])+ $name:ident = $word:literal;)*) => {
        /// What was done.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
        #[serde(rename_all = "snake_case")]
        pub enum DeedKind {
            $($(#[doc = $doc])+ $name,)*
        }

        impl fmt::Display for DeedKind {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(match self { $(DeedKind::$name => $word,)* })
            }
        }
    };
}

deed_kinds! {
    /// A seat or a result was given to a person.
    Gave = "given";
    /// It was made a guest's again.
    TookBack = "taken back";
    /// Two people's seats or results were exchanged.
    Swapped = "swapped";
    /// Two entries of one person were made one.
    Merged = "merged";
    /// A result was typed.
    Typed = "typed";
    /// A typed or imported result was corrected.
    Corrected = "corrected";
    /// A typed or imported result was removed.
    Removed = "removed";
    /// The coach said whether a typed or imported result is ranked.
    Ranked = "ranked";
    /// A file was imported.
    Imported = "imported";
    /// Somebody was added to the club.
    Added = "added";
    /// What the club knows of somebody was changed.
    Changed = "changed";
    /// A group was made.
    GroupMade = "group made";
    /// A group is called otherwise.
    GroupRenamed = "group renamed";
    /// A group was ended.
    GroupEnded = "group ended";
    /// Another coach has a group.
    HandedOver = "handed over";
    /// People were added to a group.
    Joined = "joined";
    /// Somebody's last day in a group was said.
    Left = "left";
    /// A note was removed.
    NoteRemoved = "note removed";
}

/// Something that was done, as a line of a list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Deed {
    /// Which.
    pub deed: DeedNo,
    /// What.
    pub kind: DeedKind,
    /// The same in a sentence, with the names of the people whom it concerns.
    pub says: String,
    /// What the club calls the coach who did it; `head coach` for whoever had that link, `command line` for what was done there.
    pub who: String,
    /// When.
    pub at_unix_ms: u64,
    /// The people whom it concerns, as the club calls them now.
    pub people: Vec<String>,
    /// The result that was pointed at.
    #[cfg_attr(feature = "schema", schemars(with = "Option<uuid::Uuid>"))]
    pub result: Option<String>,
    /// Why, where a reason was asked for.
    pub reason: Option<String>,
    /// Of what was done to a group: which. Whoever has that group now, or the head coach, undoes it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub group: Option<GroupId>,
    /// Rows that it changed; none once they were erased.
    pub rows: u32,
    /// When it was undone …
    pub undone_unix_ms: Option<u64>,
    /// … and by whom.
    pub undone_by: Option<String>,
    /// What it takes to undo it is still there. What was done to the same later has to be undone first.
    pub can_be_undone: bool,
}

/// Which deeds are wanted.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeedsAsked {
    /// So many at most.
    #[cfg_attr(feature = "schema", schemars(extend("minimum" = 1, "maximum" = crate::club::LISTED_MAX)))]
    pub most: Option<u32>,
    /// Go on behind an answer whose `next` this is.
    pub after: Option<String>,
}

/// What was done, newest first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Deeds {
    /// As many as were wanted.
    pub deeds: Vec<Deed>,
    /// Asks, as `after`, for those behind them; `None` when there are none.
    pub next: Option<String>,
}

/// That it is done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Done {
    /// By which it is undone.
    pub deed: DeedNo,
    /// Results that are another's, or are others, now.
    pub results: u32,
    /// What was done, in a sentence.
    pub says: String,
}

/// To whom a result is given.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Giving {
    /// Whose it is.
    pub person: PersonId,
    /// Whose it has been until now, `None` for a guest's: nothing is taken from somebody who is not named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<PersonId>,
    /// Of a piece: with it all that was rowed in that seat of the session, and what still will be; else this piece alone.
    pub all_of_the_evening: bool,
}

/// What is taken back with a result.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TakingBack {
    /// All that was rowed in that seat of the session; else this piece alone.
    pub all_of_the_evening: bool,
}

/// What a result is exchanged for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Swapping {
    /// The other person's result.
    pub with: ResultId,
    /// All that was rowed in both seats of the session; else these two alone.
    pub all_of_the_evening: bool,
}

/// Who somebody is, who is in the club twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Merging {
    /// The entry that stays.
    pub into: PersonId,
}
