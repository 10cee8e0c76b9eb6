//! What was sent with a call.

use std::time::Duration;

use axum::{
    body::Body,
    extract::{FromRequestParts, Path, Query},
    http::request::Parts,
};
use serde::Serialize;
use thole_club::Doer;
use thole_protocol::club::{Call, Problem, ProblemKind, Spoken, call::Method};
use tokio::time::timeout;

use super::{
    matching::{IfMatch, etag},
    once, text_of,
};
use crate::club::store::{AskedOnce, KeyHolder};

/// What is sent along at most: a name and some numbers take far less.
const BODY_MAX: usize = 64 << 10;
/// The same of a table: the results of many seasons, twenty times what a club rows in a year.
const TABLE_MAX: usize = 8 << 20;
/// So long a table may be on its way: a phone in the corner of a hall.
const TABLE_WAIT: Duration = Duration::from_secs(60);

/// What was sent, and by whom.
pub(super) struct Asked<S: Spoken> {
    /// Who asks.
    pub(super) asker: KeyHolder,
    /// Now.
    pub(super) at_unix_ms: u64,
    /// Identities in the path.
    pub(super) path: S::Path,
    /// What is behind the question mark.
    pub(super) query: S::Query,
    /// What was sent along.
    pub(super) body: S::Body,
    /// To be done once, however often it is asked.
    pub(super) once: Option<AskedOnce>,
    if_match: IfMatch,
}

impl<S: Spoken> Asked<S> {
    /// Who is to be named as having done it.
    pub(super) fn doer(&self) -> Doer {
        Doer { who: self.asker.who(), at_unix_ms: self.at_unix_ms }
    }

    /// Says whether what is there now is what was read.
    ///
    /// # Errors
    /// It is another by now, or nothing was said of what was read.
    pub(super) fn is_as_read(&self, now: &impl Serialize) -> Result<(), Problem> {
        self.if_match.allows(&etag(&text_of(now)))
    }
}

/// What was sent, before it is known by whom.
pub(super) struct Sent<S: Spoken> {
    path: S::Path,
    query: S::Query,
    body: S::Body,
    /// The asker's own key for it, and the hash of all that was sent.
    once: Option<(String, String)>,
    if_match: IfMatch,
}

impl<S: Spoken> Sent<S> {
    /// Reads it; whoever is slower than `limit` with what they send along has sent nothing.
    ///
    /// # Errors
    /// It cannot be read; says what to do.
    pub(super) async fn read(
        parts: &mut Parts,
        body: Body,
        limit: Duration,
    ) -> Result<Sent<S>, Problem> {
        let Ok(Path(path)) = Path::<S::Path>::from_request_parts(parts, &()).await else {
            let says =
                "There is no such thing: the address has to hold identities as lists have them.";
            return Err(Problem::of(ProblemKind::NotThere, says));
        };
        let query = Query::<S::Query>::try_from_uri(&parts.uri);
        let Query(query) = query.map_err(|error| {
            malformed("What stands behind the question mark", &error.body_text())
        })?;
        let key = once::key(&parts.headers)?;
        let if_match = IfMatch::of(&parts.headers)?;
        let text = match S::CALL.method() {
            Method::Get | Method::Delete => "null".into(),
            Method::Post | Method::Patch if is_table(S::CALL) => {
                whole(body, TABLE_MAX, TABLE_WAIT).await?
            }
            Method::Post | Method::Patch => whole(body, BODY_MAX, limit).await?,
        };
        let text = if text.is_empty() { &b"null"[..] } else { &text };
        let body = serde_json::from_slice::<S::Body>(text)
            .map_err(|error| malformed("What was sent along", &error.to_string()))?;
        let address = parts.uri.path_and_query().map_or("", |address| address.as_str());
        // As the types write it: spaces in JSON make nothing another thing.
        let hash = || once::hash(S::CALL, address, &text_of(&body));
        let once = key.map(|key| (key, hash()));
        Ok(Sent { path, query, body, once, if_match })
    }

    /// What was sent along, and the asker's own key for it.
    pub(super) fn said(self) -> (S::Body, Option<String>) {
        (self.body, self.once.map(|(key, _)| key))
    }

    /// The same, when it is known who asks.
    pub(super) fn asked(self, asker: KeyHolder, at_unix_ms: u64) -> Asked<S> {
        let Sent { path, query, body, once, if_match } = self;
        let once = once.map(|(key, asked)| AskedOnce { asker: asker.who(), key, asked });
        Asked { asker, at_unix_ms, path, query, body, once, if_match }
    }
}

/// Whether a table is sent along, which is longer than all else.
pub(super) fn is_table(call: Call) -> bool {
    matches!(call, Call::LookAtTable | Call::ImportTable)
}

async fn whole(body: Body, most: usize, limit: Duration) -> Result<Vec<u8>, Problem> {
    match timeout(limit, axum::body::to_bytes(body, most)).await {
        Ok(Ok(text)) => Ok(text.into()),
        Ok(Err(_)) => {
            let says = format!("Send at most {most} bytes, and all that you have announced.");
            Err(Problem::of(ProblemKind::TooLong, says))
        }
        Err(_) => Err(malformed("What was sent along", "it did not come in time")),
    }
}

fn malformed(what: &str, why: &str) -> Problem {
    let says = format!("{what} cannot be read ({why}); protocol/openapi.json has its form.");
    Problem::of(ProblemKind::Malformed, says)
}
