//! Tables of people and results: written out, looked at line by line, and stored.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::DeedNo;

/// What a file has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum TableKind {
    /// One person a line.
    People,
    /// One result a line.
    Results,
}

/// What a line would come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It is stored.
    New,
    /// The same is there: nothing is to be stored.
    Known,
    /// It may be a slip: it is stored only when somebody says so.
    Doubtful,
    /// It cannot be stored.
    Wrong,
}

/// A file as it was looked at; nothing was stored.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Looked {
    /// What is in it.
    pub kind: TableKind,
    /// Columns from which nothing is read.
    pub unread: Vec<String>,
    /// Its lines, in their order.
    pub lines: Vec<LookedLine>,
}

/// A line as people see it before they say what is stored.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct LookedLine {
    /// Counted from 1, as an editor counts them.
    pub line: u32,
    /// What it would come to.
    pub verdict: Verdict,
    /// Why; empty for what is new or known.
    pub says: String,
    /// What was probably meant.
    pub meant: Option<String>,
    /// What would be stored, in short.
    pub shows: String,
}

impl Looked {
    /// How many lines come to that.
    #[must_use]
    pub fn count(&self, verdict: Verdict) -> usize {
        self.lines.iter().filter(|line| line.verdict == verdict).count()
    }

    /// How many lines come to what.
    #[must_use]
    pub fn counts(&self) -> LineCounts {
        let count = |verdict| u32::try_from(self.count(verdict)).unwrap_or(u32::MAX);
        LineCounts {
            new: count(Verdict::New),
            known: count(Verdict::Known),
            doubtful: count(Verdict::Doubtful),
            wrong: count(Verdict::Wrong),
        }
    }
}

/// How many lines of a file come to what.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct LineCounts {
    /// Are stored.
    pub new: u32,
    /// Are there already.
    pub known: u32,
    /// May be slips.
    pub doubtful: u32,
    /// Cannot be stored.
    pub wrong: u32,
}

/// A file that is to be looked at: CSV with a heading, separated by commas, semicolons or tabs. Say one of the two texts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TableSent {
    /// What is in it.
    pub what: TableKind,
    /// All of it as text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table: Option<String>,
    /// Its bytes in base64, when it may be UTF-8 or ISO 8859-1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table_base64: Option<String>,
}

/// A file that is to be stored: its new lines, and which of the doubtful ones.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TableChosen {
    /// What is in it.
    pub what: TableKind,
    /// All of it as text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table: Option<String>,
    /// Its bytes in base64, when it may be UTF-8 or ISO 8859-1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table_base64: Option<String>,
    /// Wrong lines are left out; else nothing is stored while there are any.
    #[serde(default)]
    pub without_wrong: bool,
    /// Doubtful lines that are stored as they stand there.
    #[serde(default)]
    pub doubtful: BTreeSet<u32>,
    /// Doubtful lines that are stored as they were probably meant.
    #[serde(default)]
    pub as_meant: BTreeSet<u32>,
}

/// What came of a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Imported {
    /// By which all of it is undone; `None` when nothing was stored.
    pub deed: Option<DeedNo>,
    /// Lines that were stored.
    pub stored: u32,
    /// What its lines came to just before.
    pub counts: LineCounts,
    /// The same in a sentence.
    pub says: String,
}

/// Which table is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ExportAsked {
    /// What it has.
    pub what: TableKind,
}
