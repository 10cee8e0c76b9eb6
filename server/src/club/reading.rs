//! A session as its journal has it, for the club: its pieces as they were settled last, and who sat where.

use std::{
    collections::BTreeMap,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::mpsc::{Receiver, sync_channel},
};

use thole_club::{Handed, Seating, Words};
use thole_piece::{Input, Session as Core, settled::Settled};
use thole_protocol::ids::PieceNo;
use tokio::task::spawn_blocking;

use crate::journal::{Journal, JournalError, SessionRow, Slice};

/// What was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reading {
    /// What people call it; may be empty.
    pub title: String,
    /// The newest record of each piece.
    pub pieces: Vec<Handed>,
    /// The position of the next record.
    pub next: u64,
    /// Nothing but strokes is lost of it, and nobody was erased.
    pub is_whole: bool,
    /// A piece is over whose record was not written any more: its session writes it as soon as it is opened.
    pub is_settling: bool,
    /// It is closed, and no stroke changes anything of what was rowed in it: records of people may be erased.
    pub is_settled: bool,
}

/// Reads a session, beside whatever else goes on; its task is not asked.
///
/// # Errors
/// It cannot be read, now or at all.
pub async fn read(journal: &dyn Journal, row: &SessionRow) -> Result<Reading, JournalError> {
    let (taken, slices) = sync_channel(1);
    let replaying = spawn_blocking(move || replayed(&slices));
    let found = journal.read_in_slices(row.session, taken).await;
    let replayed = replaying.await.map_err(|error| JournalError::Read(error.to_string()))?;
    let Replayed { core, settled } = replayed.map_err(|position| {
        JournalError::Unreadable(format!(
            "record {position} of session {} ends replay",
            row.session
        ))
    })?;
    let found = found?;
    let is_whole = found.erased == 0 && found.damage.iter().all(|damage| damage.only_strokes);
    let handed = |Newest { settled, seating, words }: Newest| Handed {
        session: row.session,
        created_unix_ms: row.created_unix_ms,
        title: core.title().to_owned(),
        settled,
        // Seats count in the order in which people came: of those whose coming is lost, somebody else would have theirs.
        seating: if is_whole { seating } else { Seating::default() },
        words,
    };
    Ok(Reading {
        title: core.title().to_owned(),
        pieces: settled.into_values().map(handed).collect(),
        next: found.next,
        is_whole,
        is_settling: core.is_settling(),
        // Where something was erased before, it was settled then.
        is_settled: core.is_settled()
            || core.is_closed() && (found.erased > 0 || found.strokes_let_go > 0),
    })
}

#[derive(Default)]
struct Replayed {
    core: Core,
    settled: BTreeMap<PieceNo, Newest>,
}

/// The newest record of a piece, with what its session knew when it was made.
struct Newest {
    settled: Settled,
    seating: Seating,
    words: Words,
}

/// All records applied, as the session's own task has applied them; or the position of the one on which the core panics.
fn replayed(slices: &Receiver<Slice>) -> Result<Replayed, u64> {
    let mut all = Replayed::default();
    for (position, record) in slices.iter().flatten() {
        let applied = AssertUnwindSafe(|| all.core.apply(record.at, &record.input));
        catch_unwind(applied).map_err(|_| position)?;
        if let Input::Settled { settled } = record.input {
            let newest = all.settled.get(&settled.piece);
            if newest.is_none_or(|newest| newest.settled.revision < settled.revision) {
                let (seating, words) = (Seating::of(&all.core), Words::of(&all.core));
                all.settled.insert(settled.piece, Newest { settled: *settled, seating, words });
            }
        }
    }
    Ok(all)
}
