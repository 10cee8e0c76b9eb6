//! What is done to people and results outside sessions, and undone.

use thole_club::{Doer, Reach};
use thole_protocol::club::{
    Deed, DeedNo, Deeds, Done, Giving, Listed, Merging, Person, PersonId, Problem, ResultId,
    Swapping, TakingBack, spoken,
};

use super::{
    Asked, groups,
    lists::{cut, many, nowhere},
    none, refused,
};
use crate::club::store::Store;

pub(super) fn give(store: &mut Store, asked: Asked<spoken::GiveResult>) -> Result<Done, Problem> {
    let result = line(store, asked.path)?;
    let Giving { person, from, all_of_the_evening } = asked.body;
    let (person, doer) = (named(store, person)?, asked.doer());
    let done = store.give(&result, &person, from, reach(all_of_the_evening), &doer)?;
    told(store, done, &doer)
}

pub(super) fn take_back(
    store: &mut Store,
    asked: Asked<spoken::TakeBackResult>,
) -> Result<Done, Problem> {
    let result = line(store, asked.path)?;
    let TakingBack { all_of_the_evening } = asked.body;
    let doer = asked.doer();
    let done = store.take_back(&result, reach(all_of_the_evening), &doer)?;
    told(store, done, &doer)
}

pub(super) fn swap(store: &mut Store, asked: Asked<spoken::SwapResults>) -> Result<Done, Problem> {
    let Swapping { with, all_of_the_evening } = asked.body;
    let (result, doer) = (line(store, asked.path)?, asked.doer());
    let other = store.line(with)?.ok_or_else(|| {
        refused("The other result is not there: take its identity from a list of results.")
    })?;
    let done = store.swap(&result, &other, reach(all_of_the_evening), &doer)?;
    told(store, done, &doer)
}

pub(super) fn merge(store: &mut Store, asked: Asked<spoken::MergePeople>) -> Result<Done, Problem> {
    let Merging { into } = asked.body;
    let gone = store.who(asked.path)?.ok_or_else(|| none("person"))?;
    let (kept, doer) = (named(store, into)?, asked.doer());
    let done = store.merge(&gone, &kept, &doer)?;
    told(store, done, &doer)
}

pub(super) fn list(store: &mut Store, asked: Asked<spoken::ListDeeds>) -> Result<Deeds, Problem> {
    let most = many(asked.query.most)?;
    let before = asked.query.after.as_deref();
    let before = before.map(|after| after.parse::<DeedNo>().map_err(|_| nowhere(after)));
    // One more shows whether there is more.
    let mut deeds = store.deeds(before.transpose()?, most + 1, asked.at_unix_ms)?;
    let has_more = cut(&mut deeds, most);
    let last = deeds.last().filter(|_| has_more);
    let next = last.map(|last| last.deed.to_string());
    Ok(Deeds { deeds, next })
}

pub(super) fn undo(store: &mut Store, asked: Asked<spoken::UndoDeed>) -> Result<Deed, Problem> {
    let deed = store.deed(asked.path, asked.at_unix_ms)?.ok_or_else(|| none("deed"))?;
    if let Some(group) = deed.group {
        // Whoever has handed it over would else take it back behind the back of whoever has it.
        groups::has(store, group, &asked.asker)?;
    }
    Ok(store.undo(asked.path, &asked.doer())?)
}

/// What was done, in a sentence.
pub(super) fn told(store: &Store, done: thole_club::Done, doer: &Doer) -> Result<Done, Problem> {
    let deed = store.deed(done.deed, doer.at_unix_ms)?.ok_or_else(|| none("deed"))?;
    let results = u32::try_from(done.results).unwrap_or(u32::MAX);
    Ok(Done { deed: done.deed, results, says: deed.says })
}

pub(super) fn line(store: &Store, result: ResultId) -> Result<Listed, Problem> {
    store.line(result)?.ok_or_else(|| none("result"))
}

/// Somebody who is named in what was sent along.
pub(super) fn named(store: &Store, person: PersonId) -> Result<Person, Problem> {
    store.who(person)?.ok_or_else(|| {
        refused("This person is not in the club: take the identity from the list of people.")
    })
}

fn reach(all_of_the_evening: bool) -> Reach {
    if all_of_the_evening { Reach::Seat } else { Reach::Piece }
}
