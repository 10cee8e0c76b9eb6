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
use thole_protocol::club::{
    HallSeat, HallSession, HallSessions, OpenSession, OpenSessions, Problem, ProblemKind, Spoken,
    call::Method, spoken::ReadHall,
};
use tokio::{sync::oneshot, task::spawn_blocking};

use super::{Heard, refusal, told, told_as};
use crate::{
    Server,
    connection::has_expired,
    journal::{JournalError, SessionRow, Slice},
    registry::Registry,
    session::Event,
    shares::Guest,
};

/// So many are listed, newest first: a coach who closes none has no long list.
const OPEN_MAX: usize = 20;
/// So many lists a device of the hall reads, newest first.
const HALL_MAX: usize = 4;
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
    let mut sessions = Vec::new();
    for row in rows(server, rows_here).await? {
        sessions.push(open(server, &row).await?);
    }
    Ok(told_as::<S>(told::<S>(&OpenSessions { sessions })))
}

/// The route of the call by which a device of the hall reads tonight's lists.
pub(super) fn hall() -> MethodRouter {
    get(async move |server: Extension<Arc<Server>>, guest: Extension<Guest>, request| match lists(
        &server, &guest, request,
    )
    .await
    {
        Ok(answer) => answer,
        Err(problem) => refusal(&problem),
    })
}

async fn lists(
    server: &Arc<Server>,
    guest: &Guest,
    request: Request,
) -> Result<Response<Body>, Problem> {
    let Heard { door, sent, .. } = Heard::<ReadHall>::of(server, guest, request).await?;
    let called = door.asks::<ReadHall, _>(server, guest, move |_, asker| {
        sent?;
        Ok(asker.hall.map(|(_, called)| called).unwrap_or_default())
    });
    let called = called.await?;
    let mut sessions = Vec::new();
    for row in rows(server, true).await?.into_iter().take(HALL_MAX) {
        let OpenSession { session, code, title, .. } = open(server, &row).await?;
        let seats = list(server, &row).await?;
        let seats = seats.into_iter().map(|(name, is_free)| HallSeat { name, is_free }).collect();
        sessions.push(HallSession { session, code, title, seats });
    }
    Ok(told_as::<ReadHall>(told::<ReadHall>(&HallSessions { called, sessions })))
}

/// Who is on the list of a session.
async fn list(server: &Arc<Server>, row: &SessionRow) -> Result<Vec<(String, bool)>, Problem> {
    let opened = Registry::open(server, row).await.map_err(|error| unread(&error))?;
    let (answer, told) = oneshot::channel();
    if let Some(handle) = opened
        && handle.inbox.send(Event::List(answer)).await.is_ok()
        && let Ok(list) = told.await
    {
        return Ok(list);
    }
    let says = "The list cannot be read just now: ask again in a moment.";
    Err(Problem::of(ProblemKind::Busy, says))
}

/// Sessions that are open, newest first; of tonight alone, or all.
async fn rows(server: &Arc<Server>, is_tonight: bool) -> Result<Vec<SessionRow>, Problem> {
    let now = server.clock.unix_ms();
    let is_tonights = |row: &SessionRow| {
        !is_tonight
            || now.saturating_sub(row.created_unix_ms) < TONIGHT_MS
            || server.registry.is_open(row.session)
    };
    let mut rows = server.journal.sessions().await.map_err(|error| unread(&error))?;
    rows.retain(|row| {
        row.closed_unix_ms.is_none() && !has_expired(server, row) && is_tonights(row)
    });
    rows.reverse();
    rows.truncate(OPEN_MAX);
    Ok(rows)
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
