//! All results of pieces made again from the journal; people, what was typed or imported, and whose a seat was said to be stay.

use std::{collections::BTreeMap, path::Path};

use thole_protocol::ids::SessionId;

use super::{
    reading::{self, Reading},
    store::{Replaced, Store},
};
use crate::journal::{Journal, SessionRow, sqlite::SqliteJournal};

/// What was made again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rebuilt {
    /// Sessions of the journal.
    pub sessions: usize,
    /// What became of their results.
    pub results: Replaced,
    /// Sessions that are not whole in the journal: what the club had of them stays where the journal has nothing newer.
    pub damaged: usize,
}

/// Reads every session first, and then changes the club in one step: it is done, or not done. A server may be using both.
///
/// # Errors
/// One sentence: the journal cannot be read, or the club not be written; then nothing was changed.
pub async fn rebuild(data: &Path) -> Result<Rebuilt, String> {
    let told = |error: &dyn std::fmt::Display| format!("{error}.");
    let journal = SqliteJournal::open_read_only(data).map_err(|error| told(&error))?;
    let mut store = Store::open(data)?;
    let rows = journal.sessions().await.map_err(|error| told(&error))?;
    let mut all: Vec<(SessionId, Reading)> = Vec::with_capacity(rows.len());
    for row in &rows {
        let read = reading::read(&journal, row).await.map_err(|error| told(&error))?;
        all.push((row.session, read));
    }
    let damaged = all.iter().filter(|(_, read)| !read.is_whole).count();
    let rows: BTreeMap<SessionId, SessionRow> =
        rows.into_iter().map(|row| (row.session, row)).collect();
    let sessions = rows.len();
    let runtime = tokio::runtime::Handle::current();
    let done = tokio::task::spawn_blocking(move || {
        store.replace_all(all, |session| {
            let row = rows.get(&session).ok_or("a session is in no list")?;
            let read = runtime.block_on(reading::read(&journal, row));
            read.map_err(|error| error.to_string())
        })
    });
    let results = done.await.map_err(|error| told(&error))??;
    Ok(Rebuilt { sessions, results, damaged })
}
