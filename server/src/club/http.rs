//! The club over HTTP. Each call is a function of the store; what all have in common is here: who asks, what they sent, and how it is
//! answered.

mod answers;
mod asked;
mod card;
mod door;
mod matching;
mod once;
mod open;
mod ordering;

use std::{
    str::FromStr,
    sync::{Arc, LazyLock},
};

use axum::{
    Extension, Router,
    body::Body,
    extract::Request,
    http::{HeaderValue, Response, StatusCode, header},
    response::IntoResponse,
    routing::{MethodFilter, MethodRouter, on},
};
use http_body_util::Full;
use hyper::{
    body::{Bytes, Incoming},
    service::Service,
};
use hyper_util::service::TowerToHyperService;
use serde::Serialize;
use serde_json::Value;
use thole_host::KeysOf;
use thole_protocol::{
    club::{Call, Problem, ProblemKind, Ruled, Spoken, call::Method},
    ids::{CoachId, DeviceId},
};
use tokio::sync::OwnedSemaphorePermit;

use self::{
    asked::{Asked, Sent},
    door::Door,
    ordering::Plan,
};
use super::store::{ClubError, Reply, Store};
use crate::{Server, pages, shares::Guest};

/// All calls are below this path.
pub const BELOW: &str = "/api/";

/// RFC 9457 section 6.1.
const PROBLEM: HeaderValue = HeaderValue::from_static("application/problem+json");
/// So long somebody waits, in seconds, when the club cannot be asked just now.
const AGAIN_AFTER: HeaderValue = HeaderValue::from_static("2");

/// What a call does; it is done on a thread that may wait for the disk.
type Act<S> = fn(&mut Store, Asked<S>) -> Result<<S as Spoken>::Answer, Problem>;

static ROUTES: LazyLock<Router> = LazyLock::new(|| {
    let route = |routes: Router, call: &Call| routes.route(call.path(), answers::of(*call));
    let routes = Call::ALL.iter().fold(Router::new(), route);
    // The last is for routes that are there.
    routes.fallback(not_there).method_not_allowed_fallback(wrong_method)
});

/// Answers a request for a path below `BELOW`.
pub async fn answer(
    server: &Arc<Server>,
    guest: Guest,
    request: hyper::Request<Incoming>,
) -> Response<Full<Bytes>> {
    let mut request = request.map(Body::new);
    request.extensions_mut().insert(server.clone());
    request.extensions_mut().insert(guest);
    // Nothing there ever fails: a problem is an answer.
    let Ok(response) = TowerToHyperService::new(ROUTES.clone()).call(request).await;
    let (mut parts, body) = response.into_parts();
    let body = axum::body::to_bytes(body, usize::MAX).await.unwrap_or_default();
    for (name, value) in pages::HEADERS {
        parts.headers.insert(name, HeaderValue::from_static(value));
    }
    parts.headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Response::from_parts(parts, Full::from(body))
}

/// The route of a call that is done by this.
fn route<S: Spoken + 'static>(act: Act<S>) -> MethodRouter {
    let handler = async move |server: Extension<Arc<Server>>, guest: Extension<Guest>, request| {
        match answered(act, &server, &guest, request).await {
            Ok(told) => told_as::<S>(told),
            Err(problem) => refusal(&problem),
        }
    };
    on(filter(S::CALL), handler)
}

/// The route of a call that has a session do something.
fn ordering<S: Spoken<Answer = Ruled> + 'static>(plan: Plan<S>) -> MethodRouter {
    let handler = async move |server: Extension<Arc<Server>>, guest: Extension<Guest>, request| {
        match ordering::ruled(plan, &server, &guest, request).await {
            Ok(told) => told_as::<S>(told),
            Err(problem) => refusal(&problem),
        }
    };
    on(filter(S::CALL), handler)
}

fn filter(call: Call) -> MethodFilter {
    match call.method() {
        Method::Get => MethodFilter::GET,
        Method::Post => MethodFilter::POST,
        Method::Patch => MethodFilter::PATCH,
        Method::Delete => MethodFilter::DELETE,
    }
}

async fn answered<S: Spoken + 'static>(
    act: Act<S>,
    server: &Arc<Server>,
    guest: &Guest,
    request: Request,
) -> Result<Reply, Problem> {
    // Of people the path says whose keys end; of whoever asks for themselves, their own key does.
    let path = request.uri().path().to_owned();
    let named = named_in(&path, "people");
    let Heard { door, sent, turn } = Heard::<S>::of(server, guest, request).await?;
    let now = server.clock.unix_ms();
    let answer = door.asks::<S, _>(server, guest, move |store, asker| {
        let _turn = turn;
        let own = asker.person.as_ref().map(|person| person.person);
        let asked = sent?.asked(asker, now);
        if !S::CALL.changes() {
            return act(store, asked).map(|body| (told::<S>(&body), own));
        }
        let done = store.all_or_nothing(|store| once::done(store, asked, act));
        done.map(|reply| (reply, own))
    });
    let (told, own) = answer.await?;
    let hall = named_in(&path, "hall-devices").map(|device| KeysOf::Hall(DeviceId(device)));
    let coach = named_in(&path, "coaches").map(|coach| KeysOf::Coach(CoachId(coach)));
    if let Some(of) =
        named.or(own).map(KeysOf::Person).or(coach).or(hall).filter(|_| S::CALL.ends_keys())
    {
        // Sessions that sleep are opened for it one by one; whoever asked does not wait for all of them.
        let server = server.clone();
        tokio::spawn(async move { server.keys_ended(of).await });
    }
    if matches!(S::CALL, Call::DeletePerson | Call::DeletePersonNow | Call::DeleteMyself) {
        server.leaves.notify_one();
    }
    Ok(told)
}

/// Who is named in a path after this word, such as `/api/club/people/{person}/...`.
fn named_in<Id: FromStr>(path: &str, word: &str) -> Option<Id> {
    let mut parts = path.split('/');
    parts.find(|part| *part == word)?;
    parts.next()?.parse().ok()
}

/// A request that was read.
struct Heard<S: Spoken> {
    door: Door,
    /// What cannot be read is said to whoever may ask, and to nobody else.
    sent: Result<Sent<S>, Problem>,
    /// To have a table in memory.
    turn: Option<OwnedSemaphorePermit>,
}

impl<S: Spoken + 'static> Heard<S> {
    async fn of(
        server: &Arc<Server>,
        guest: &Guest,
        request: Request,
    ) -> Result<Heard<S>, Problem> {
        let (mut parts, body) = request.into_parts();
        let door = Door::of(&parts.headers)?;
        if matches!(S::CALL.method(), Method::Post | Method::Patch) {
            // Nothing is read of somebody who may not ask.
            door.asks::<S, _>(server, guest, |_, _| Ok(())).await?;
        }
        let is_table = asked::is_table(S::CALL);
        let turn = if is_table { Some(server.desk.table().await?) } else { None };
        let sent = Sent::<S>::read(&mut parts, body, server.settings.limits.handshake).await;
        Ok(Heard { door, sent, turn })
    }
}

/// An answer on its way.
fn told_as<S: Spoken>(Reply { text, etag }: Reply) -> Response<Body> {
    let media = HeaderValue::from_static(S::CALL.media());
    let mut response = sent_as(StatusCode::OK, media, text);
    if let Some(etag) = etag.and_then(|etag| HeaderValue::from_str(&etag).ok()) {
        response.headers_mut().insert(header::ETAG, etag);
    }
    response
}

/// An answer as it goes out.
fn told<S: Spoken>(body: &S::Answer) -> Reply {
    let text = match serde_json::to_value(body) {
        // A table is sent as it is.
        Ok(Value::String(table)) if S::CALL.media() != "application/json" => table,
        _ => text_of(body),
    };
    let etag = S::CALL.is_of_one_thing().then(|| matching::etag(&text));
    Reply { text, etag }
}

fn text_of(body: &impl Serialize) -> String {
    // Types of our own are always JSON.
    serde_json::to_string(body).unwrap_or_default()
}

fn sent_as(status: StatusCode, media: HeaderValue, text: String) -> Response<Body> {
    (status, [(header::CONTENT_TYPE, media)], text).into_response()
}

fn refusal(problem: &Problem) -> Response<Body> {
    let status = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::BAD_REQUEST);
    let mut response = sent_as(status, PROBLEM, text_of(problem));
    let headers = response.headers_mut();
    match problem.kind {
        ProblemKind::NoKey => {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        ProblemKind::Busy => {
            headers.insert(header::RETRY_AFTER, AGAIN_AFTER);
        }
        ProblemKind::Malformed
        | ProblemKind::NotYours
        | ProblemKind::NotThere
        | ProblemKind::WrongMethod
        | ProblemKind::Conflict
        | ProblemKind::Changed
        | ProblemKind::TooLong
        | ProblemKind::Refused
        | ProblemKind::Reused
        | ProblemKind::Unmatched
        | ProblemKind::TooMany => {}
    }
    response
}

async fn not_there() -> Response<Body> {
    let says = "Nothing answers at this address; protocol/openapi.json has all that do.";
    refusal(&Problem::of(ProblemKind::NotThere, says))
}

async fn wrong_method() -> Response<Body> {
    let says = "This address cannot be asked so; the header Allow says how.";
    refusal(&Problem::of(ProblemKind::WrongMethod, says))
}

impl From<ClubError> for Problem {
    fn from(error: ClubError) -> Problem {
        match error {
            ClubError::Refused(says) => Problem::of(ProblemKind::Refused, says),
            ClubError::Newer { .. } | ClubError::Store(_) => {
                // Where its file lies is nothing for whoever asks.
                tracing::warn!(%error, "the club could not be asked");
                Problem::of(
                    ProblemKind::Busy,
                    "The club cannot be asked just now: ask again in a moment. If it goes on, the server's log says why.",
                )
            }
        }
    }
}
