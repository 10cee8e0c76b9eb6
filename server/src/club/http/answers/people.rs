//! People added and changed.

use thole_protocol::club::{Person, Problem, spoken};

use super::{Asked, none};
use crate::club::store::Store;

pub(super) fn add(store: &mut Store, asked: Asked<spoken::AddPerson>) -> Result<Person, Problem> {
    let new = &asked.body;
    Ok(store.add_person(&new.called, new.born_year, &asked.doer())?)
}

pub(super) fn change(
    store: &mut Store,
    asked: Asked<spoken::ChangePerson>,
) -> Result<Person, Problem> {
    let there = |store: &Store| store.who(asked.path)?.ok_or_else(|| none("person"));
    asked.is_as_read(&there(store)?)?;
    store.change_person(asked.path, &asked.body, &asked.doer())?;
    there(store)
}
