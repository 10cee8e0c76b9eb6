//! Coaches of the club, who come by a key of their own: to make a session, or to lead one.

use std::sync::Arc;

use thole_protocol::{
    client_msg::Create,
    club::KeyRole,
    order::GivenBy,
    refusal::{Refusal, Why},
};

use super::refusal;
use crate::{
    Server,
    club::{
        ClubError,
        store::{KeyHolder, Store},
    },
    makers,
    secret::SecretHash,
};

/// The coach whose key this is, whether they have it from the head coach's link or from one of their own; `None` when it opens nothing,
/// or is nobody's who leads sessions.
///
/// # Errors
/// The club cannot be asked.
pub(super) async fn coach(
    server: &Arc<Server>,
    key: SecretHash,
) -> Result<Option<GivenBy>, ClubError> {
    let data = &server.settings.data;
    if makers::is_head_coach(data, key) {
        return Ok(KeyHolder::head().given_by());
    }
    if !crate::club::file(data).exists() {
        return Ok(None);
    }
    let now = server.clock.unix_ms();
    let asked = server.desk.ask(data, move |store| leads(store, key, now));
    asked.await?
}

fn leads(store: &Store, key: SecretHash, now: u64) -> Result<Option<GivenBy>, ClubError> {
    let Some(holder) = store.key_holder(key)? else { return Ok(None) };
    if holder.role < KeyRole::Coach {
        return Ok(None);
    }
    if let Err(error) = store.was_here(&holder, now) {
        // Nothing hangs on it: whoever may come comes.
        tracing::debug!(%error, "that a key was here cannot be noted");
    }
    Ok(holder.given_by())
}

/// Which coach of the club makes a session; `None` of whoever needs no key here, or has the machine's.
///
/// # Errors
/// They may not; says what to do.
pub(super) async fn maker(
    server: &Arc<Server>,
    create: &Create,
) -> Result<Option<GivenBy>, Refusal> {
    let may = server.makers.check(create.key.as_deref());
    let Some(key) = &create.key else { return may.map(|()| None) };
    let key = SecretHash::of(key);
    if server.makers.is_machine(key) {
        return Ok(None);
    }
    match coach(server, key).await {
        Ok(Some(by)) => Ok(Some(by)),
        Ok(None) => may.map(|()| None),
        Err(error) if may.is_err() => {
            tracing::warn!(%error, "the club cannot be asked who makes a session");
            let says = "The club cannot be asked just now whose key this is: try again in a moment, or make the session by the head coach's link.";
            Err(refusal(Why::Limit, says))
        }
        Err(_) => Ok(None),
    }
}
