//! What coaches do to people and results outside a session, each of which can be undone once: who did it, when, to whom.

use serde::{Deserialize, Serialize};
use thole_piece::name;
pub use thole_protocol::club::{Deed, DeedKind, DeedNo};

/// What was done can be undone for so many days; then what it takes to undo it is erased.
pub const UNDO_DAYS: u64 = 30;
/// Characters of a reason: a sentence or two.
pub const REASON_MAX: usize = 200;

const DAY_MS: u64 = 86_400_000;

/// Who does something, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Doer {
    /// The identity of a coach, [`Doer::HEAD`] or [`Doer::COMMAND`].
    pub who: String,
    /// Now.
    pub at_unix_ms: u64,
}

impl Doer {
    /// Whoever has the machine that the club is on.
    pub const COMMAND: &str = "command line";
    /// Whoever has the head coach's link.
    pub const HEAD: &str = "head coach";

    /// At the command line.
    #[must_use]
    pub fn at_the_command_line(at_unix_ms: u64) -> Doer {
        Doer { who: Doer::COMMAND.to_owned(), at_unix_ms }
    }
}

/// What came of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Done {
    /// By which it is undone.
    pub deed: DeedNo,
    /// Results that are another's, or are others, now.
    pub results: usize,
}

/// How much of a seat somebody means who points at one of its results.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// All that was rowed in that seat of the session, and what still will be.
    Seat,
    /// This piece alone.
    Piece,
}

/// The group that something was done to, and the coach who has it since; nothing of all else.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OfGroup<'a> {
    /// As the club calls it now.
    pub called: Option<&'a str>,
    /// As the club calls the coach; `None` for the head coach.
    pub to: Option<&'a str>,
}

/// What was done in a sentence, to people of these names: of a gift whose it was, if anybody's, and whose it is; of two entries of one
/// person the one that goes first. What was done to a group names it, and a hand-over the coach who has it since.
#[must_use]
pub fn sentence(kind: DeedKind, people: &[String], of: OfGroup<'_>) -> String {
    let group = of.called.unwrap_or("that is there no more");
    let (first, second) = match people {
        [] => ("somebody", "somebody"),
        [one] => (one.as_str(), "somebody"),
        [one, other, ..] => (one.as_str(), other.as_str()),
    };
    match kind {
        DeedKind::Gave if people.len() > 1 => format!("It was {first}'s and is {second}'s now."),
        DeedKind::Gave => format!("It is {first}'s now."),
        DeedKind::TookBack => format!("It was {first}'s and is a guest's now."),
        DeedKind::Swapped => format!("{first} and {second} have each other's results now."),
        DeedKind::Merged => format!("The entry {first} is one with {second} now."),
        DeedKind::Typed => format!("A result of {first} was typed."),
        DeedKind::Corrected => format!("A result of {first} was corrected."),
        DeedKind::Removed => format!("A result of {first} was removed."),
        DeedKind::Ranked => format!("It was said whether a result of {first} is ranked."),
        DeedKind::Imported => "A file was imported.".to_owned(),
        DeedKind::Added => format!("{first} was added."),
        DeedKind::Changed => format!("What the club knows of {first} was changed."),
        DeedKind::GroupMade => format!("The group {group} was made."),
        DeedKind::GroupRenamed => format!("The group {group} is called so now."),
        DeedKind::GroupEnded => format!("The group {group} was ended."),
        DeedKind::HandedOver => {
            format!("{} has the group {group} now.", of.to.unwrap_or("The head coach"))
        }
        DeedKind::Joined if people.len() > 1 => {
            format!("{} people were added to the group {group}.", people.len())
        }
        DeedKind::Joined => format!("{first} was added to the group {group}."),
        DeedKind::Left => format!("The last day of {first} in the group {group} was said."),
        DeedKind::NoteRemoved if !people.is_empty() => format!("A note about {first} was removed."),
        DeedKind::NoteRemoved => "A note was removed.".to_owned(),
    }
}

/// Whether something that was done then can still be undone now. A clock that was set back makes nothing older.
#[must_use]
pub fn is_recent(done_unix_ms: u64, now_unix_ms: u64) -> bool {
    now_unix_ms.saturating_sub(done_unix_ms) <= UNDO_DAYS * DAY_MS
}

/// What was done before this instant can be undone no more.
#[must_use]
pub fn undone_since(now_unix_ms: u64) -> u64 {
    now_unix_ms.saturating_sub(UNDO_DAYS * DAY_MS)
}

/// A reason as it is kept: one line that can be seen.
///
/// # Errors
/// One sentence: what is wrong with it.
pub fn checked_reason(reason: &str) -> Result<String, String> {
    let line = reason.split_whitespace().collect::<Vec<_>>().join(" ");
    if line.is_empty() {
        return Err("Say why: whoever sees the change is told.".to_owned());
    }
    if line.chars().count() > REASON_MAX || line.chars().any(char::is_control) {
        return Err(format!("A reason is plain text of at most {REASON_MAX} characters."));
    }
    name::check(&line).map_err(|refusal| refusal.says)?;
    Ok(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thirty_days_are_counted_to_the_millisecond_and_a_clock_set_back_takes_none() {
        let day = 86_400_000;
        assert!(is_recent(day, 31 * day) && !is_recent(day, 31 * day + 1));
        assert!(is_recent(31 * day, day));
        assert_eq!(undone_since(31 * day + 1), day + 1);
    }

    #[test]
    fn a_reason_is_one_line_that_can_be_read() {
        assert_eq!(checked_reason(" wrong\n machine ").unwrap(), "wrong machine");
        for wrong in ["", " \n", "\u{200b}", "a\u{202e}b", "\u{7}", &"a".repeat(REASON_MAX + 1)] {
            assert!(checked_reason(wrong).is_err(), "{wrong:?}");
        }
        assert!("x".parse::<DeedNo>().unwrap_err().contains("12"));
    }

    #[test]
    fn a_gift_says_whose_it_was_and_whose_it_is() {
        let said = |names: &[&str]| {
            sentence(
                DeedKind::Gave,
                &names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>(),
                OfGroup::default(),
            )
        };
        assert_eq!(said(&["Ana"]), "It is Ana's now.");
        assert_eq!(said(&["Ana", "Bo"]), "It was Ana's and is Bo's now.");
        assert_eq!(said(&[]), "It is somebody's now.", "they are erased");
    }
}
