//! What each line of a file would come to, before anything is stored: new, known, doubtful or wrong, with its reason.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
pub use thole_protocol::club::{Looked, LookedLine, TableKind, Verdict};

use super::{PersonRow, ResultRow};
use crate::{PersonId, day::ClubDay};

/// A line with what it would come to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line<R> {
    /// Counted from 1, as an editor counts them.
    pub line: u32,
    /// What it would come to.
    pub verdict: Verdict,
    /// Why; empty for what is new or known.
    pub says: String,
    /// What is stored; `None` for what is known or wrong.
    pub row: Option<R>,
    /// What was probably meant: in words, and what is stored when somebody says so. That may be nothing: the same is there.
    pub meant: Option<(String, Option<R>)>,
}

impl<R> Line<R> {
    pub(super) fn new(line: u32, row: R) -> Line<R> {
        Line { line, verdict: Verdict::New, says: String::new(), row: Some(row), meant: None }
    }

    pub(super) fn known(line: u32) -> Line<R> {
        Line { line, verdict: Verdict::Known, says: String::new(), row: None, meant: None }
    }

    pub(super) fn doubtful(line: u32, says: String, row: R) -> Line<R> {
        Line { line, verdict: Verdict::Doubtful, says, row: Some(row), meant: None }
    }

    pub(super) fn wrong(line: u32, says: String) -> Line<R> {
        Line { line, verdict: Verdict::Wrong, says, row: None, meant: None }
    }

    pub(super) fn meaning(self, words: String, row: Option<R>) -> Line<R> {
        Line { meant: Some((words, row)), ..self }
    }

    fn told(&self, shows: impl Fn(&R) -> String) -> LookedLine {
        LookedLine {
            line: self.line,
            verdict: self.verdict,
            says: self.says.clone(),
            meant: self.meant.as_ref().map(|(words, _)| words.clone()),
            shows: self.row.as_ref().map(shows).unwrap_or_default(),
        }
    }
}

/// Which doubtful lines are stored all the same; new ones are in any case.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Choice {
    /// As they stand there.
    #[serde(default)]
    pub also: BTreeSet<u32>,
    /// As they were probably meant.
    #[serde(default)]
    pub meant: BTreeSet<u32>,
}

impl Choice {
    /// What of these lines is stored.
    ///
    /// # Errors
    /// One sentence: a line was named that cannot be chosen so.
    pub fn of<R>(&self, lines: Vec<Line<R>>) -> Result<Vec<R>, String> {
        if let Some(both) = self.also.intersection(&self.meant).next() {
            return Err(format!("Line {both} is to be stored in two ways: say one."));
        }
        let mut named: BTreeSet<u32> = self.also.union(&self.meant).copied().collect();
        let mut chosen = Vec::new();
        for Line { line, verdict, row, meant, .. } in lines {
            named.remove(&line);
            let (as_it_is, as_meant) = (self.also.contains(&line), self.meant.contains(&line));
            match verdict {
                Verdict::New => chosen.extend(row),
                Verdict::Doubtful if as_it_is => chosen.extend(row),
                Verdict::Doubtful if as_meant => match meant {
                    Some((_, row)) => chosen.extend(row),
                    None => {
                        return Err(format!(
                            "What line {line} means is not known: mend it in the file."
                        ));
                    }
                },
                Verdict::Wrong if as_it_is || as_meant => {
                    return Err(format!(
                        "Line {line} is wrong and cannot be stored: mend it in the file."
                    ));
                }
                Verdict::Doubtful | Verdict::Known | Verdict::Wrong => {}
            }
        }
        match named.first() {
            Some(line) => Err(format!("There is nothing on line {line} to be stored.")),
            None => Ok(chosen),
        }
    }
}

/// People of a file, as they are told of.
pub(super) fn looked_people(unread: Vec<String>, lines: &[Line<PersonRow>]) -> Looked {
    let lines = lines.iter().map(|line| line.told(PersonRow::short)).collect();
    Looked { kind: TableKind::People, unread, lines }
}

/// Results of a file, as they are told of.
pub(super) fn looked_results(unread: Vec<String>, lines: &[Line<ResultRow>]) -> Looked {
    let lines = lines.iter().map(|line| line.told(ResultRow::short)).collect();
    Looked { kind: TableKind::Results, unread, lines }
}

/// What the club has when a file is looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClubNow {
    /// Today, there.
    pub today: ClubDay,
    /// Everybody, in an order of their own.
    pub people: Vec<KnownPerson>,
    /// All results; none where people are looked at.
    pub results: Vec<KnownResult>,
}

/// Somebody whom the club has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownPerson {
    /// Who.
    pub person: PersonId,
    /// What a file can say of them.
    pub row: PersonRow,
    /// Who they are now, of an entry that was merged.
    pub merged_into: Option<PersonId>,
}

/// A result that the club has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownResult {
    /// It was rowed in a session.
    pub is_of_a_piece: bool,
    /// What a file can say of it.
    pub row: ResultRow,
}
