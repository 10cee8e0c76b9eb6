//! What coaches do to people and results outside a session, each of which can be undone once: who did it, when, to whom.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use thole_piece::name;

/// What was done can be undone for so many days; then what it takes to undo it is erased.
pub const UNDO_DAYS: u64 = 30;
/// Characters of a reason: a sentence or two.
pub const REASON_MAX: usize = 200;

const DAY_MS: u64 = 86_400_000;

/// One thing that was done; they count from 1 and no number is used twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
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

/// What was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DeedKind {
    /// A seat or a result was given to a person.
    Gave,
    /// It was made a guest's again.
    TookBack,
    /// Two people's seats or results were exchanged.
    Swapped,
    /// Two entries of one person were made one.
    Merged,
    /// A result was typed.
    Typed,
    /// A typed or imported result was corrected.
    Corrected,
    /// A typed or imported result was removed.
    Removed,
    /// The coach said whether a typed or imported result is ranked.
    Ranked,
    /// A file was imported.
    Imported,
}

impl fmt::Display for DeedKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            DeedKind::Gave => "given",
            DeedKind::TookBack => "taken back",
            DeedKind::Swapped => "swapped",
            DeedKind::Merged => "merged",
            DeedKind::Typed => "typed",
            DeedKind::Corrected => "corrected",
            DeedKind::Removed => "removed",
            DeedKind::Ranked => "ranked",
            DeedKind::Imported => "imported",
        })
    }
}

/// Who does something, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Doer {
    /// The identity of a coach, or [`Doer::COMMAND`].
    pub who: String,
    /// Now.
    pub at_unix_ms: u64,
}

impl Doer {
    /// Whoever has the machine that the club is on.
    pub const COMMAND: &str = "command line";

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

/// Something that was done, as a line of a list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Deed {
    /// Which.
    pub deed: DeedNo,
    /// What.
    pub kind: DeedKind,
    /// The identity of the coach, or [`Doer::COMMAND`].
    pub who: String,
    /// When.
    pub at_unix_ms: u64,
    /// The people whom it concerns, as the club calls them now.
    pub people: Vec<String>,
    /// The result that was pointed at.
    pub result: Option<String>,
    /// Why, where a reason was asked for.
    pub reason: Option<String>,
    /// Rows that it changed; none once they were erased.
    pub rows: u32,
    /// When it was undone …
    pub undone_unix_ms: Option<u64>,
    /// … and by whom.
    pub undone_by: Option<String>,
    /// What it takes to undo it is still there. What was done to the same later has to be undone first.
    pub can_be_undone: bool,
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
}
