//! How a session is recomputed from its journal: slice by slice, beside the server's other work.

use std::{
    panic::{AssertUnwindSafe, catch_unwind},
    sync::mpsc::{Receiver, sync_channel},
};

use thole_piece::{Input, Output, Session as Core};
use thole_protocol::{ids::SessionId, units::At};
use tokio::task::spawn_blocking;

use crate::{
    Server,
    journal::{Damage, Found, JournalError, LOST, Record, SessionRow, Slice},
};

/// This many sessions are recomputed at once: many others should not have to wait for one class's session.
pub(crate) const AT_ONCE: usize = 4;

/// The core as the journal has it, the position after its last record of a piece, and what else was found. A record on which
/// the core panics twice is set aside, and named.
pub(super) async fn replay(
    server: &Server,
    session: SessionId,
) -> Result<(Core, u64, Found), JournalError> {
    // Nobody closes it, so this is never an error.
    let _turn = server.opening.acquire().await;
    let mut failed_at = None;
    loop {
        let (taken, slices) = sync_channel(1);
        let replaying = spawn_blocking(move || rebuilt(&slices));
        let found = server.journal.read_in_slices(session, taken).await;
        let rebuilt = replaying.await.map_err(|error| JournalError::Read(error.to_string()))?;
        let position = match rebuilt {
            Ok((core, settled)) => {
                let found = found?;
                for damage in &found.damage {
                    tracing::error!(%session, "the journal is damaged: {damage}; what is whole is used");
                }
                if found.erased > 0 {
                    let erased = found.erased;
                    tracing::warn!(%session, erased, "somebody was erased here: results are read, not computed again");
                }
                if found.strokes_let_go > 0 {
                    let strokes = found.strokes_let_go;
                    tracing::info!(%session, strokes, "strokes are kept no longer here: results are read, not computed again");
                }
                return Ok((core, settled, found));
            }
            Err(position) => position,
        };
        if failed_at.replace(position) == Some(position) {
            tracing::error!(%session, position, "replaying this record has failed twice; it is set aside");
            server.journal.set_aside(session, position).await?;
        }
    }
}

/// All records applied, and the position after the last record of a piece; or the position of the record on which the
/// core panics.
fn rebuilt(slices: &Receiver<Slice>) -> Result<(Core, u64), u64> {
    let (mut core, mut settled) = (Core::new(), 0);
    for (position, Record { at, input }) in slices.iter().flatten() {
        let applied = catch_unwind(AssertUnwindSafe(|| core.apply(at, &input)));
        if matches!(input, Input::Settled { .. }) {
            settled = position + 1;
        }
        for output in applied.map_err(|_| position)? {
            if let Output::SettledDiffers { piece, revision, what } = output {
                tracing::warn!(
                    position,
                    piece = piece.0,
                    revision,
                    what,
                    "a record of a piece is not what its strokes give; the record stands"
                );
            }
        }
    }
    Ok((core, settled))
}

/// A copy of the journal was put in its place, or its end was lost, after the last record of a session in which a piece is
/// under way: nobody has what was written in between (calls, signals of repeats, orders), however whole the copy is.
pub(super) async fn put_back(
    server: &Server,
    row: &SessionRow,
    (last, position): (At, u64),
) -> Result<Option<Damage>, JournalError> {
    let noted = server.journal.kept(LOST).await?.and_then(|unix_ms| unix_ms.parse::<u64>().ok());
    let last_unix_ms = row.created_unix_ms.saturating_add(last.0 / u64::from(server.clock.speed()));
    Ok(noted.filter(|noted| *noted >= last_unix_ms).map(|_| Damage {
        from: position,
        to: position,
        what: "and what followed it: an older copy of the journal took its place".to_owned(),
        since: last,
        until: None,
        whose: Vec::new(),
        only_strokes: false,
    }))
}
