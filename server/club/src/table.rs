//! People and results as tables that spreadsheets read and write (RFC 4180): written out, and read back without loss.

pub mod cells;
mod figures;
pub mod judged;
pub mod near;
pub mod people;
pub mod results;
pub mod sheet;
pub mod weighed;

pub use judged::{
    Choice, ClubNow, KnownPerson, KnownResult, Line, Looked, LookedLine, TableKind, Verdict,
};
pub use people::{PersonRow, judge_people, people_table};
pub use results::{ResultRow, Source, results_csv};
pub use weighed::judge_results;
