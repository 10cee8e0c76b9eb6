//! People who are to be deleted, as coaches say it.

use thole_protocol::club::{Going, Person, PersonId, Problem, ProblemKind, spoken};

use super::{Asked, none};
use crate::club::store::Store;

pub(super) fn delete(
    store: &mut Store,
    asked: Asked<spoken::DeletePerson>,
) -> Result<Going, Problem> {
    if store.who(asked.path)?.is_none() {
        going(store, asked.path)?;
    }
    Ok(store.go(asked.path, &asked.doer())?)
}

pub(super) fn delete_now(
    store: &mut Store,
    asked: Asked<spoken::DeletePersonNow>,
) -> Result<Going, Problem> {
    going(store, asked.path)?;
    Ok(store.go_now(asked.path, &asked.doer())?)
}

pub(super) fn keep(store: &mut Store, asked: Asked<spoken::KeepPerson>) -> Result<Person, Problem> {
    going(store, asked.path)?;
    Ok(store.keep(asked.path)?)
}

/// Somebody who is to be deleted.
fn going(store: &Store, person: PersonId) -> Result<Going, Problem> {
    match store.going(person)? {
        Some(going) => Ok(going),
        None if store.who(person)?.is_some() => {
            let says = "This person is not to be deleted: ask for that first, by DELETE.";
            Err(Problem::of(ProblemKind::Conflict, says))
        }
        None => Err(none("person")),
    }
}
