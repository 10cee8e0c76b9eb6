//! Who asks: by the key in `Authorization`, and by nothing else. A key that was ended opens nothing at once, for it is looked up each
//! time.

use std::sync::Arc;

use axum::http::{HeaderMap, header};
use thole_protocol::club::{Call, KeyRole, Problem, ProblemKind, Spoken, Who, call::Method};

use crate::{
    Server,
    club::store::{KeyHolder, Store},
    makers,
    secret::SecretHash,
    shares::Guest,
};

/// Says to whoever has no key, or a wrong one, what to do.
const WITHOUT: &str = "Send your key as `Authorization: Bearer KEY`: a person's card or a coach's link has it behind the #. A key that \
    was ended opens nothing any more; whoever coaches you makes a new card.";

/// A key that was shown.
#[derive(Clone, Copy, Debug)]
pub(super) struct Door {
    hash: SecretHash,
}

impl Door {
    /// With the key of a request.
    ///
    /// # Errors
    /// There is none.
    pub(super) fn of(headers: &HeaderMap) -> Result<Door, Problem> {
        let key = bearer(headers).ok_or_else(unknown)?;
        Ok(Door { hash: SecretHash::of(key) })
    }

    /// Asks the store for whoever may.
    ///
    /// # Errors
    /// They may not, the store cannot be asked, or what it says.
    pub(super) async fn asks<S: Spoken, T: Send + 'static>(
        self,
        server: &Arc<Server>,
        guest: &Guest,
        question: impl FnOnce(&mut Store, KeyHolder) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let (data, hash) = (&server.settings.data, self.hash);
        let (is_machine, folder) = (server.makers.is_machine(hash), data.clone());
        let now = server.clock.unix_ms();
        let asked = server.desk.ask(data, move |store| {
            let holder = if is_machine || makers::is_head_coach(&folder, hash) {
                Some(KeyHolder::head())
            } else {
                store.key_holder(hash)?
            };
            let Some(holder) = holder else { return Ok(None) };
            if let Err(error) = store.was_here(&holder, now) {
                // Nothing hangs on it: whoever may ask is answered.
                tracing::debug!(%error, "that a key was here cannot be noted");
            }
            may::<S>(holder.role)?;
            if holder.goes_unix_ms.is_some() {
                may_still::<S>()?;
            }
            question(store, holder).map(Some)
        });
        match asked.await?? {
            Some(answer) => {
                guest.was_welcomed();
                Ok(answer)
            }
            None => {
                // Whoever tries many keys is told so late.
                guest.was_wrong_secret().await;
                Err(unknown())
            }
        }
    }
}

/// What a request shows in `Authorization`; `None` when there is nothing, or more than one.
pub(super) fn bearer(headers: &HeaderMap) -> Option<&str> {
    let mut lines = headers.get_all(header::AUTHORIZATION).iter();
    let said = lines.next().and_then(|line| line.to_str().ok());
    // RFC 9110 section 11.1: the scheme in letters of any size.
    let key = said
        .and_then(|said| said.split_once(' '))
        .and_then(|(scheme, key)| scheme.eq_ignore_ascii_case("bearer").then_some(key.trim()));
    key.filter(|key| !key.is_empty() && lines.next().is_none())
}

fn unknown() -> Problem {
    Problem::of(ProblemKind::NoKey, WITHOUT)
}

/// Of somebody who is to be deleted: reading what is theirs, and taking it back.
fn may_still<S: Spoken>() -> Result<(), Problem> {
    let is_about_that = matches!(S::CALL, Call::DeleteMyself | Call::KeepMyself);
    if is_about_that || S::CALL.method() == Method::Get {
        return Ok(());
    }
    let says = "You are to be deleted: until then this key reads what is yours, and takes that back by POST to /api/club/me/keep.";
    Err(Problem::of(ProblemKind::NotYours, says))
}

fn may<S: Spoken>(role: KeyRole) -> Result<(), Problem> {
    let who = S::CALL.who();
    if who.includes(role) {
        return Ok(());
    }
    let says = match who {
        Who::Hall => "This is for devices of the hall: a coach adds them.",
        Who::Person => "This is for people who row, of what is their own: use the key of a person.",
        Who::Card => {
            "A card is shown here in place of a key: open its link on the device that is to be let in."
        }
        Who::From(KeyRole::Head) => "This is for the head coach alone.",
        Who::From(KeyRole::Coach) => "This is for coaches: ask one of them.",
        Who::From(KeyRole::Assistant | KeyRole::Person | KeyRole::Hall) | Who::Keyed => {
            "This is for coaches; what is your own is below /api/club/me."
        }
    };
    Err(Problem::of(ProblemKind::NotYours, says))
}
