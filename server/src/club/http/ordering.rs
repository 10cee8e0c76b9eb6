//! Calls that have a session do something. The order goes to the session, whose journal keeps it; what was asked is kept before it
//! goes, so that the same asked once more, also after a crash between the two, is the same order and is carried out once.

use std::{sync::Arc, time::Duration};

use axum::extract::Request;
use sha2::{Digest, Sha256};
use thole_protocol::{
    club::{Problem, ProblemKind, Ruled, Spoken},
    ids::{CommandId, SessionId},
    order::Order,
    refusal::{Refusal, Why},
};
use tokio::time::timeout;
use uuid::Builder;

use super::{Heard, asked::Asked, once, told};
use crate::{
    Server,
    club::store::{AskedOnce, Before, Reply, Store},
    orders::{NotDone, Ordered},
    secret::random_uuid,
    shares::Guest,
};

/// So long an answer waits for the club to have what was ruled. It stands in the session already.
const TAKEN_WAIT: Duration = Duration::from_secs(2);

/// What a call has a session do.
pub(super) type Plan<S> = fn(&Store, &Asked<S>) -> Result<Planned, Problem>;

/// An order, and what is said when it is carried out.
pub(super) struct Planned {
    pub(super) session: SessionId,
    pub(super) order: Order,
    pub(super) says: String,
}

/// What is known before the session is asked.
enum Begun {
    /// It was answered before.
    Answered(Reply),
    /// The session is to be asked.
    Asks(Box<Asking>),
}

/// What a session is to be asked.
struct Asking {
    session: SessionId,
    ordered: Ordered,
    /// What is said when it is carried out.
    says: String,
    once: Option<AskedOnce>,
    /// How far the club had taken the session.
    taken: u64,
}

/// Has a session do it; what answers.
pub(super) async fn ruled<S: Spoken<Answer = Ruled> + 'static>(
    plan: Plan<S>,
    server: &Arc<Server>,
    guest: &Guest,
    request: Request,
) -> Result<Reply, Problem> {
    let Heard { door, sent, .. } = Heard::<S>::of(server, guest, request).await?;
    let now = server.clock.unix_ms();
    let begun = door.asks::<S, _>(server, guest, move |store, asker| {
        let asked = sent?.asked(asker, now);
        store.all_or_nothing(|store| begin(store, asked, plan))
    });
    let asking = match begun.await? {
        Begun::Answered(reply) => return Ok(reply),
        Begun::Asks(asking) => *asking,
    };
    let Asking { session, ordered, says, once, taken } = asking;
    let news = server.club.taken();
    let command = if let Order::Undo { ruling } = ordered.order { ruling } else { ordered.command };
    match server.order(session, ordered).await {
        Ok(()) => {}
        // Whether it was carried out is not known: asked again it is the same order.
        Err(NotDone::Later(says)) => return Err(Problem::of(ProblemKind::Busy, says)),
        Err(refused @ (NotDone::NoSession | NotDone::Refused(_))) => {
            if let Some(once) = once {
                let data = &server.settings.data;
                server.desk.ask(data, move |store| store.forget_begun(&once)).await??;
            }
            return Err(problem(refused));
        }
    }
    let answer = told::<S>(&Ruled { command, says });
    if let Some(once) = once {
        let (data, kept) = (&server.settings.data, answer.clone());
        let keeping = server.desk.ask(data, move |store| store.answer_begun(&once, &kept));
        // It is carried out, and asked again it will be the same order: that is no reason to say that it failed.
        if let Err(error) | Ok(Err(error)) = keeping.await {
            tracing::warn!(%error, "an answer could not be kept");
        }
    }
    if let Some(news) = news {
        let _ = timeout(TAKEN_WAIT, has_taken(server, session, taken, news)).await;
    }
    Ok(answer)
}

fn begin<S: Spoken>(
    store: &mut Store,
    mut asked: Asked<S>,
    plan: Plan<S>,
) -> Result<Begun, Problem> {
    let once = asked.once.take();
    let is_new = match once.as_ref().map(|once| store.asked_before(once)).transpose()? {
        Some(Before::Answered(told)) => return Ok(Begun::Answered(told)),
        Some(Before::Blanked) => return Err(once::was_done()),
        Some(Before::Other) => return Err(once::is_reused()),
        Some(Before::Done) => false,
        Some(Before::New) | None => true,
    };
    let Planned { session, order, says } = plan(store, &asked)?;
    if let (Some(once), true) = (&once, is_new) {
        once::keep(store, once, None, asked.at_unix_ms)?;
    }
    let command = once.as_ref().map_or_else(|| CommandId(random_uuid()), command);
    let ordered = Ordered { command, order, by: asked.asker.given_by() };
    let taken = store.revisions(session)?;
    Ok(Begun::Asks(Box::new(Asking { session, ordered, says, once, taken })))
}

/// The same for the same that is asked (RFC 9562 version 8).
fn command(AskedOnce { asker, key, asked }: &AskedOnce) -> CommandId {
    let mut hash = Sha256::new();
    for part in [asker, key, asked] {
        hash.update(part.as_bytes());
        hash.update([0xff]);
    }
    let mut bytes = [0; 16];
    for (to, from) in bytes.iter_mut().zip(hash.finalize()) {
        *to = from;
    }
    CommandId(Builder::from_custom_bytes(bytes).into_uuid())
}

/// Waits until the club has taken more of a session than it had.
async fn has_taken(
    server: &Arc<Server>,
    session: SessionId,
    had: u64,
    mut news: tokio::sync::watch::Receiver<u64>,
) {
    loop {
        let data = &server.settings.data;
        let has = server.desk.ask(data, move |store| store.revisions(session)).await;
        let has_more = matches!(has, Ok(Ok(has)) if has > had);
        if has_more || news.changed().await.is_err() {
            return;
        }
    }
}

fn problem(refused: NotDone) -> Problem {
    match refused {
        NotDone::NoSession => {
            let says = "There is no such session on this server; the list of sessions has the identities of all.";
            Problem::of(ProblemKind::NotThere, says)
        }
        NotDone::Later(says) => Problem::of(ProblemKind::Busy, says),
        NotDone::Refused(Refusal { why, says }) => {
            let kind = match why {
                Why::Unknown => ProblemKind::NotThere,
                Why::NotNow | Why::NotInCommand | Why::NameTaken => ProblemKind::Conflict,
                Why::Limit => ProblemKind::TooMany,
                Why::Malformed
                | Why::UnknownType
                | Why::NotYours
                | Why::OutOfRange
                | Why::Unrowable
                | Why::Impossible
                | Why::WrongTime => ProblemKind::Refused,
            };
            Problem::of(kind, says)
        }
    }
}
