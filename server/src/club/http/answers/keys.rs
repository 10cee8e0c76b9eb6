//! Cards, keys of devices, and links of coaches.

use thole_protocol::club::{
    Card, Ended, KeyId, Keys, LinkedCoach, NewCoach, PersonId, Problem, spoken,
};

use super::{Asked, none};
use crate::{
    club::store::{KeyHolder, Store},
    secret::new_secret,
};

pub(super) fn make_card(
    store: &mut Store,
    asked: Asked<spoken::MakeCard>,
) -> Result<Card, Problem> {
    let person = store.who(asked.path)?.ok_or_else(|| none("person"))?;
    let secret = new_secret();
    let card = store.make_card(person.person, secret.hash(), &asked.doer())?;
    Ok(Card { key: card.card, secret: secret.reveal(), until_unix_ms: card.until_unix_ms })
}

/// All that lets the devices of a person in.
pub(super) fn of(
    store: &Store,
    person: PersonId,
    this: Option<KeyId>,
    now_unix_ms: u64,
) -> Result<Keys, Problem> {
    if this.is_none() {
        store.who(person)?.ok_or_else(|| none("person"))?;
    }
    Ok(Keys { keys: store.keys(person, this, now_unix_ms)? })
}

pub(super) fn end(
    store: &mut Store,
    person: PersonId,
    key: KeyId,
    now_unix_ms: u64,
) -> Result<Ended, Problem> {
    // Somebody else's is as if it were not there.
    store.end_key(person, key, now_unix_ms)?.ok_or_else(|| none("key"))
}

/// Whoever asks.
pub(super) fn own(asker: &KeyHolder) -> Result<PersonId, Problem> {
    asker.person.as_ref().map(|person| person.person).ok_or_else(|| none("person"))
}

pub(super) fn add_coach(
    store: &mut Store,
    asked: Asked<spoken::AddCoach>,
) -> Result<LinkedCoach, Problem> {
    let secret = new_secret();
    let NewCoach { called, role } = &asked.body;
    let coach = store.add_coach(called, *role, secret.hash(), &asked.doer())?;
    Ok(LinkedCoach { coach, secret: secret.reveal() })
}

pub(super) fn link_coach(
    store: &mut Store,
    asked: Asked<spoken::LinkCoach>,
) -> Result<LinkedCoach, Problem> {
    let secret = new_secret();
    let linked = store.link_coach(asked.path, secret.hash(), &asked.doer())?;
    Ok(LinkedCoach { coach: linked.ok_or_else(|| none("coach"))?, secret: secret.reveal() })
}

pub(super) fn end_coach(
    store: &mut Store,
    asked: Asked<spoken::EndCoach>,
) -> Result<Ended, Problem> {
    let ended = store.end_coach(asked.path, &asked.doer())?;
    if ended { Ok(Ended { ended: 1 }) } else { Err(none("coach")) }
}
