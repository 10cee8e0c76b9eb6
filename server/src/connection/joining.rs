//! Somebody who comes with a code: a seat at once, or the coach's word first.

use std::{sync::Arc, time::Duration};

use thole_host::{Owner, Said};
use thole_piece::{limits, name};
use thole_protocol::{
    ServerMsg,
    client_msg::Join,
    close::Close,
    club::Person,
    ids::{DeviceId, JoinCode},
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
    club::{ClubError, store::KeyHolder},
    limits::{JOIN_ID, SAID_AGAIN_AFTER},
    registry::{Handle, Registry},
    secret::SecretHash,
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
    let owner = match owner(server, &join, guest).await {
        Ok(owner) => owner,
        Err(refusal) => return said(Err(refusal)),
    };
    for _ in 0..OPENS_TRIED {
        let opened = Registry::open(server, &row).await;
        let opened = opened.map_err(|error| fault(&error))?;
        let Some(handle) = opened else { return Err(Ended::Closing(Close::GoingAway)) };
        let (answer, entrance) = oneshot::channel();
        let conn = server.next_conn();
        // What opens something stays here.
        let without = Join { key: None, ..join.clone() };
        let event = Event::Join { conn, join: without, owner: owner.clone(), answer };
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

/// Whose key was said; `None` when none was, and when the club cannot be asked: then the coach is, as without a key.
///
/// # Errors
/// It opens nothing, or is no person's.
async fn owner(server: &Arc<Server>, join: &Join, guest: &Guest) -> Result<Option<Owner>, Refusal> {
    let Some(key) = &join.key else { return Ok(None) };
    let (hash, now) = (SecretHash::of(key), server.clock.unix_ms());
    let asked = server.desk.ask(&server.settings.data, move |store| {
        let holder = store.key_holder(hash)?;
        if let Some(Err(error)) = holder.as_ref().map(|holder| store.was_here(holder, now)) {
            // Nothing hangs on it: whoever may come comes.
            tracing::debug!(%error, "that a key was here cannot be noted");
        }
        Ok::<_, ClubError>(holder)
    });
    let holder = match asked.await.and_then(|holder| holder) {
        Ok(holder) => holder,
        Err(error) => {
            tracing::warn!(%error, "the club cannot be asked whose device joins; the coach is asked instead");
            return Ok(None);
        }
    };
    match holder {
        Some(KeyHolder { goes_unix_ms: Some(_), .. }) => {
            let says = "You are about to be deleted from the club: take that back on your page, My rowing; or join without the key, as a guest.";
            Err(refusal(Why::NotYours, says))
        }
        Some(KeyHolder { person: Some(Person { person, called, .. }), .. }) => {
            Ok(Some(Owner::Person { person, called }))
        }
        Some(KeyHolder { hall: Some((device, _)), .. }) => {
            Ok(Some(Owner::Hall(DeviceId(device.0))))
        }
        Some(_) => {
            let says = "This is a coach's link, and nobody's who rows: join without it, or with the card of whoever rows.";
            Err(refusal(Why::NotYours, says))
        }
        None => {
            guest.was_wrong();
            let says = "This device's key opens nothing any more: ask your coach for a new card, or join by the code and your name.";
            Err(refusal(Why::NotYours, says))
        }
    }
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
