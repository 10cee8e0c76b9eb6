//! Groups and their hand-over. Assistants read; coaches change those that they have, the head coach all.

use thole_club::note::Asking;
use thole_protocol::{
    club::{Done, Group, GroupId, Groups, KeyRole, MEMBERS_MAX, Problem, ProblemKind, spoken},
    ids::CoachId,
};

use super::{Asked, deeds::told, none, refused};
use crate::club::store::{KeyHolder, Store};

pub(super) fn list(store: &mut Store, asked: Asked<spoken::ListGroups>) -> Result<Groups, Problem> {
    let today = store.club().zone.day(asked.at_unix_ms);
    Ok(Groups { groups: store.groups(&today)?, coaches: store.group_coaches()? })
}

pub(super) fn one(store: &Store, group: GroupId, now_unix_ms: u64) -> Result<Group, Problem> {
    let today = store.club().zone.day(now_unix_ms);
    store.group(group, &today)?.ok_or_else(|| none("group"))
}

pub(super) fn make(store: &mut Store, asked: Asked<spoken::MakeGroup>) -> Result<Group, Problem> {
    let coach = coach(&asked.asker);
    let group = store.make_group(&asked.body.called, coach, &asked.doer())?;
    one(store, group, asked.at_unix_ms)
}

pub(super) fn change(
    store: &mut Store,
    asked: Asked<spoken::ChangeGroup>,
) -> Result<Group, Problem> {
    let group = theirs(store, asked.path, &asked.asker, asked.at_unix_ms)?;
    asked.is_as_read(&group)?;
    store.rename_group(asked.path, &asked.body.called, &asked.doer())?;
    one(store, asked.path, asked.at_unix_ms)
}

pub(super) fn hand_over(
    store: &mut Store,
    asked: Asked<spoken::HandOverGroup>,
) -> Result<Done, Problem> {
    theirs(store, asked.path, &asked.asker, asked.at_unix_ms)?;
    let doer = asked.doer();
    let done = store.hand_over(asked.path, asked.body.to, &doer)?;
    told(store, done, &doer)
}

pub(super) fn end(store: &mut Store, asked: Asked<spoken::EndGroup>) -> Result<Done, Problem> {
    theirs(store, asked.path, &asked.asker, asked.at_unix_ms)?;
    let doer = asked.doer();
    let done = store.end_group(asked.path, &doer)?;
    told(store, done, &doer)
}

pub(super) fn add(store: &mut Store, asked: Asked<spoken::AddMembers>) -> Result<Done, Problem> {
    theirs(store, asked.path, &asked.asker, asked.at_unix_ms)?;
    let (doer, body) = (asked.doer(), &asked.body);
    if !(1..=MEMBERS_MAX).contains(&body.people.len()) {
        return Err(refused(format!("Name 1 to {MEMBERS_MAX} people.")));
    }
    let done = store.add_members(asked.path, &body.people, body.from.as_ref(), &doer)?;
    told(store, done, &doer)
}

pub(super) fn end_member(
    store: &mut Store,
    asked: Asked<spoken::EndMember>,
) -> Result<Done, Problem> {
    let (group, person) = asked.path;
    theirs(store, group, &asked.asker, asked.at_unix_ms)?;
    store.who(person)?.ok_or_else(|| none("person"))?;
    let doer = asked.doer();
    let done = store.end_member(group, person, asked.body.until.as_ref(), &doer)?;
    told(store, done, &doer)
}

/// A group, to whoever may change it.
pub(super) fn theirs(
    store: &Store,
    group: GroupId,
    asker: &KeyHolder,
    now_unix_ms: u64,
) -> Result<Group, Problem> {
    let found = one(store, group, now_unix_ms)?;
    has(store, group, asker)?;
    Ok(found)
}

/// Refuses whoever does not have a group, one that was ended as well; nothing of one that is not there.
pub(super) fn has(store: &Store, group: GroupId, asker: &KeyHolder) -> Result<(), Problem> {
    let Some(coach) = store.coach_of_group(group)? else { return Ok(()) };
    let who = asker.coach.as_ref().map(|by| by.coach.to_string());
    if asking(asker, who.as_deref()).has(coach.as_deref()) {
        return Ok(());
    }
    let says = "This is for the coach who has the group, and the head coach: ask them to do it, or to hand the group over.";
    Err(Problem::of(ProblemKind::NotYours, says))
}

/// A coach as notes and groups know them.
pub(super) fn asking<'a>(asker: &KeyHolder, coach: Option<&'a str>) -> Asking<'a> {
    Asking { coach, is_head: asker.role == KeyRole::Head }
}

pub(super) fn coach(asker: &KeyHolder) -> Option<CoachId> {
    asker.coach.as_ref().map(|by| by.coach)
}
