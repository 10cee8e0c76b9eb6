//! Somebody who comes with a code: a seat at once, or the coach's word first.

use std::{sync::Arc, time::Duration};

use thole_host::Said;
use thole_piece::{limits, name};
use thole_protocol::{
    ServerMsg,
    client_msg::Join,
    close::Close,
    ids::JoinCode,
    refusal::{Refusal, Why},
    server_msg::{Joined, Waiting},
};
use tokio::{
    sync::oneshot,
    time::{Instant, sleep},
};

use super::{
    Ended,
    greeting::{OPENS_TRIED, answer, fault, has_expired},
    refusal,
};
use crate::{
    Server,
    limits::{JOIN_ID, SAID_AGAIN_AFTER},
    registry::{Handle, Registry},
    session::{Admission, ConnId, Event, NoMore},
    shares::Guest,
};

/// What to say on a connection that has no seat yet.
pub(super) enum Came {
    /// Only an answer.
    Said(ServerMsg),
    /// The coach is asked; the connection stays.
    Waits(Box<Waits>),
}

/// A connection that waits for the coach's word.
pub(super) struct Waits {
    join: Join,
    waiting: Waiting,
    /// The number under which its session knows who waits.
    conn: ConnId,
    request: thole_protocol::ids::RequestId,
    decided: oneshot::Receiver<Result<Joined, Refusal>>,
    handle: Handle,
    said: Instant,
}

impl Waits {
    /// What is said while it waits.
    pub(super) fn says(&self) -> ServerMsg {
        ServerMsg::Waiting(self.waiting.clone())
    }

    /// Whether this is the same request again, by which a client shows that it is still there. Repeated too soon, it
    /// counts like anything else that a stranger says.
    pub(super) fn is_said_again(&mut self, join: &Join, now: Instant) -> bool {
        let again = *join == self.join && now.duration_since(self.said) >= SAID_AGAIN_AFTER;
        if again {
            self.said = now;
        }
        again
    }

    /// Waits for the coach; returns the answer. Nothing is lost when the wait is given up.
    pub(super) async fn decided(&mut self) -> Option<Result<Joined, Refusal>> {
        // Its session has gone to sleep, or the server has met a fault there: it is asked again.
        (&mut self.decided).await.ok()
    }

    /// What was asked for.
    pub(super) fn join(&self) -> &Join {
        &self.join
    }

    /// The connection no longer waits.
    pub(super) async fn ends(self, why: NoMore) {
        let Waits { conn, request, decided, handle, .. } = self;
        // Whoever sends an answer from here on finds nobody.
        drop(decided);
        drop(handle.inbox.send(Event::Said(Said::WaitsNoMore(conn, request, why))).await);
    }
}

/// Joins under a name.
pub(super) async fn join(server: &Arc<Server>, join: Join, guest: &Guest) -> Result<Came, Ended> {
    let said = |told: Result<Joined, Refusal>| Ok(Came::Said(answer(told, ServerMsg::Joined)));
    if let Err(refusal) = check(&join) {
        return said(Err(refusal));
    }
    // First what this address may try: somebody who guesses takes no turn of those who join elsewhere.
    let Some(turn) = guest.turn_to_try().await else {
        let says = "Very many wrong codes were tried from this network; wait a few seconds, then try again.";
        return said(Err(refusal(Why::Limit, says)));
    };
    let Some(wait) = server.turn_to_join() else {
        let says = "Very many are joining just now; try again in a few seconds.";
        return said(Err(refusal(Why::Limit, says)));
    };
    if !wait.is_zero() {
        sleep(wait).await;
    }
    let unknown = refusal(
        Why::Unknown,
        "No session has this code, or it has ended; ask your coach for the code again.",
    );
    let Some(code) = JoinCode::read(&join.code) else { return said(Err(unknown)) };
    let row = server.journal.session_of(&code).await.map_err(|error| fault(&error))?;
    let Some(row) = row.filter(|row| !has_expired(server, row)) else { return said(Err(unknown)) };
    turn.was_right();
    for _ in 0..OPENS_TRIED {
        let opened = Registry::open(server, &row).await;
        let opened = opened.map_err(|error| fault(&error))?;
        let Some(handle) = opened else { return Err(Ended::Closing(Close::GoingAway)) };
        let (answer, entrance) = oneshot::channel();
        let conn = server.next_conn();
        let event = Event::Join { conn, join: join.clone(), answer };
        if handle.inbox.send(event).await.is_err() {
            continue;
        }
        match entrance.await {
            Ok(Ok(Admission::Open(joined))) => return said(Ok(joined)),
            Ok(Ok(Admission::Asked { request, waiting, decided })) => {
                let said = server.clock.instant();
                let waits = Waits { join, waiting, conn, request, decided, handle, said };
                return Ok(Came::Waits(Box::new(waits)));
            }
            Ok(Err(refusal)) => return said(Err(refusal)),
            Err(_) => {}
        }
    }
    Err(Ended::Closing(Close::Fault))
}

/// Checks what can be checked without the session.
fn check(join: &Join) -> Result<(), Refusal> {
    let plain = |id: &String| {
        JOIN_ID.contains(&id.len())
            && id.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_'))
    };
    if join.join.as_ref().is_some_and(|id| !plain(id)) {
        let says = "The id of a join is 22 to 64 letters and digits that nobody can guess.";
        return Err(refusal(Why::OutOfRange, says));
    }
    match &join.from {
        Some(from) => {
            limits::check_name(from).and_then(|()| name::check(from)).map_err(|refusal| Refusal {
                says: format!("What the device calls itself: {}", refusal.says),
                ..refusal
            })
        }
        None => Ok(()),
    }
}

/// Longest silence of a connection that waits: a client repeats its `join` well before that.
pub(super) const WAITS_SILENT: Duration = Duration::from_secs(15);
