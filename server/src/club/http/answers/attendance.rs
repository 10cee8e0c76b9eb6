//! Who came to sessions.

use thole_club::ClubDay;
use thole_protocol::{
    club::{
        Attendance, AttendanceState, Attended, AttendedAsked, GroupId, PersonId, Problem,
        SessionLine, spoken,
    },
    ids::SessionId,
};

use super::{
    Asked,
    deeds::named,
    groups, keys,
    lists::{cut, many},
    none,
};
use crate::club::store::Store;

pub(super) fn of_session(
    store: &mut Store,
    asked: Asked<spoken::ListAttendance>,
) -> Result<Attendance, Problem> {
    if let Some(group) = asked.query.group {
        groups::one(store, group, asked.at_unix_ms)?;
    }
    let line = session(store, asked.path)?;
    attendance(store, line, asked.query.group, asked.query.state)
}

pub(super) fn say(
    store: &mut Store,
    asked: Asked<spoken::SayAttendance>,
) -> Result<Attendance, Problem> {
    let line = session(store, asked.path)?;
    let person = named(store, asked.body.person)?;
    store.say_attendance(
        line.session,
        &line.day,
        person.person,
        asked.body.state,
        &asked.doer(),
    )?;
    attendance(store, line, None, None)
}

pub(super) fn of_person(
    store: &mut Store,
    asked: Asked<spoken::PersonAttendance>,
) -> Result<Attended, Problem> {
    store.who(asked.path)?.ok_or_else(|| none("person"))?;
    attended(store, asked.path, asked.query)
}

pub(super) fn own(
    store: &mut Store,
    asked: Asked<spoken::OwnAttendance>,
) -> Result<Attended, Problem> {
    attended(store, keys::own(&asked.asker)?, asked.query)
}

fn session(store: &Store, session: SessionId) -> Result<SessionLine, Problem> {
    store.session(session)?.ok_or_else(|| none("session"))
}

fn attendance(
    store: &Store,
    SessionLine { session, day, .. }: SessionLine,
    group: Option<GroupId>,
    state: Option<AttendanceState>,
) -> Result<Attendance, Problem> {
    let mut lines = store.attendance(session, &day, group)?;
    lines.retain(|line| state.is_none_or(|state| line.known.state == state));
    Ok(Attendance { session, day, lines })
}

fn attended(store: &Store, person: PersonId, asked: AttendedAsked) -> Result<Attended, Problem> {
    let AttendedAsked { from, to, state, most } = asked;
    let most = many(most)?;
    let days = from.unwrap_or_else(ClubDay::first)..=to.unwrap_or_else(ClubDay::last);
    let mut sessions = store.attended(person)?;
    sessions.retain(|one| {
        days.contains(&one.day) && state.is_none_or(|state| one.known.state == state)
    });
    cut(&mut sessions, most);
    Ok(Attended { sessions })
}
