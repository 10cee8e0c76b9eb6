//! Sessions that are open now, which the journal has and not the club: the one call that a device asks before it comes in by itself.

use std::sync::{Arc, mpsc::sync_channel};

use axum::{
    Extension,
    body::Body,
    extract::Request,
    http::Response,
    routing::{MethodRouter, get},
};
use thole_piece::Input;
use thole_protocol::club::{OpenSession, OpenSessions, Problem, ProblemKind, Spoken, call::Method};
use tokio::task::spawn_blocking;

use super::{Heard, refusal, told, told_as};
use crate::{
    Server,
    connection::has_expired,
    journal::{JournalError, SessionRow, Slice},
    shares::Guest,
};

/// So many are listed, newest first: a coach who closes none has no long list.
const OPEN_MAX: usize = 20;
/// To people who row, a session that was made longer ago and in which nobody is just now is yesterday's, which nobody has closed.
const TONIGHT_MS: u64 = 24 * 3_600_000;

/// The route of a call that lists them: to coaches all, to people who row those of tonight.
pub(super) fn route<S: Spoken<Answer = OpenSessions> + 'static>() -> MethodRouter {
    debug_assert_eq!(S::CALL.method(), Method::Get);
    get(async move |server: Extension<Arc<Server>>, guest: Extension<Guest>, request| {
        match listed::<S>(&server, &guest, request).await {
            Ok(answer) => answer,
            Err(problem) => refusal(&problem),
        }
    })
}

async fn listed<S: Spoken<Answer = OpenSessions> + 'static>(
    server: &Arc<Server>,
    guest: &Guest,
    request: Request,
) -> Result<Response<Body>, Problem> {
    let Heard { door, sent, .. } = Heard::<S>::of(server, guest, request).await?;
    let rows_here = door.asks::<S, _>(server, guest, move |_, asker| {
        sent?;
        Ok(asker.person.is_some())
    });
    let rows_here = rows_here.await?;
    let now = server.clock.unix_ms();
    let is_tonights = |row: &SessionRow| {
        !rows_here
            || now.saturating_sub(row.created_unix_ms) < TONIGHT_MS
            || server.registry.is_open(row.session)
    };
    let rows = server.journal.sessions().await.map_err(|error| unread(&error))?;
    let is_open = |row: &&SessionRow| {
        row.closed_unix_ms.is_none() && !has_expired(server, row) && is_tonights(row)
    };
    let mut sessions = Vec::new();
    for row in rows.iter().rev().filter(is_open).take(OPEN_MAX) {
        sessions.push(open(server, row).await?);
    }
    Ok(told_as::<S>(told::<S>(&OpenSessions { sessions })))
}

async fn open(server: &Arc<Server>, row: &SessionRow) -> Result<OpenSession, Problem> {
    let (taken, slices) = sync_channel::<Slice>(1);
    let first =
        spawn_blocking(move || slices.recv().ok().and_then(|slice| slice.into_iter().next()));
    // Nobody takes the rest, and that is no fault.
    drop(server.journal.read_in_slices(row.session, taken).await);
    let first = first.await.ok().flatten().map(|(_, record)| record.input);
    let (title, made_by) = match first {
        Some(Input::Created { title, by, .. }) => (title, by.map(|by| by.name)),
        // Its beginning is damaged: by its code it is there all the same.
        Some(_) | None => (String::new(), None),
    };
    Ok(OpenSession {
        session: row.session,
        code: row.code.clone(),
        title,
        made_unix_ms: row.created_unix_ms,
        made_by,
    })
}

fn unread(error: &JournalError) -> Problem {
    tracing::warn!(%error, "the sessions that are open cannot be listed");
    Problem::of(ProblemKind::Busy, "The sessions cannot be listed just now: ask again in a moment.")
}
