//! Who came to sessions. What results and groups say is worked out when it is asked for; only what somebody has said is kept.

use std::collections::BTreeMap;

use rusqlite::{Row, params};
use serde_json::Value;
use thole_club::{
    ClubDay, Doer, PersonId,
    attendance::{SaidAttendance, Seen, known},
    person::folded,
};
use thole_protocol::{
    club::{AttendanceLine, AttendanceState, AttendedSession, GroupId},
    ids::SessionId,
};

use super::{ClubError, Store, lists::json, queries, seats::is_here, writing};

/// Somebody, or a session, while lines are gathered.
#[derive(Default)]
struct Gathered {
    seen: Seen,
    said: Option<SaidAttendance>,
}

impl Store {
    /// Who came to a session: of a group all who were in it on that day, else all of whom something is known; by their names.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn attendance(
        &self,
        session: SessionId,
        day: &ClubDay,
        group: Option<GroupId>,
    ) -> Result<Vec<AttendanceLine>, ClubError> {
        let (connection, club) = (&self.connection, self.club.club.to_string());
        let mut people: BTreeMap<String, (String, Gathered)> = BTreeMap::new();
        if let Some(group) = group {
            let mut select = connection.prepare_cached(queries::MEMBERS_ON)?;
            let mut rows = select.query([&*club, &group.to_string(), day.as_str()])?;
            while let Some(row) = rows.next()? {
                let seen = Seen { is_expected: true, ..Seen::default() };
                people.insert(row.get(0)?, (row.get(1)?, Gathered { seen, said: None }));
            }
        }
        let session = session.to_string();
        let first: Option<u16> =
            connection.query_row(queries::FIRST_PIECE, [&club, &session], |row| row.get(0))?;
        let mut select = connection.prepare_cached(queries::ROWED_IN)?;
        let mut rows = select.query([&club, &session])?;
        while let Some(row) = rows.next()? {
            let Some(gathered) = of(&mut people, row, group)? else { continue };
            take(&mut gathered.seen, row, 2, first)?;
        }
        let mut select = connection.prepare_cached(queries::SAID_IN)?;
        let mut rows = select.query([&club, &session])?;
        while let Some(row) = rows.next()? {
            let Some(gathered) = of(&mut people, row, group)? else { continue };
            gathered.said = Some(said(row, 2)?);
        }
        let mut lines = Vec::new();
        for (person, (called, Gathered { seen, said })) in people {
            let person = person.parse().map_err(|error| broken(&error))?;
            let known = known(seen, said);
            lines.extend(known.map(|known| AttendanceLine { person, called, known }));
        }
        lines.sort_by_key(|line| (folded(&line.called), line.person));
        Ok(lines)
    }

    /// What somebody has attended, newest first.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn attended(&self, person: PersonId) -> Result<Vec<AttendedSession>, ClubError> {
        let (connection, club) = (&self.connection, self.club.club.to_string());
        let person = person.to_string();
        let mut sessions: BTreeMap<String, (String, String, Gathered)> = BTreeMap::new();
        let mut select = connection.prepare_cached(queries::ROWED_BY_PERSON)?;
        let mut rows = select.query([&club, &person])?;
        while let Some(row) = rows.next()? {
            let gathered = in_session(&mut sessions, row)?;
            take(&mut gathered.seen, row, 3, row.get(6)?)?;
        }
        let mut select = connection.prepare_cached(queries::SAID_OF_PERSON)?;
        let mut rows = select.query([&club, &person])?;
        while let Some(row) = rows.next()? {
            in_session(&mut sessions, row)?.said = Some(said(row, 3)?);
        }
        let mut all = Vec::new();
        for (session, (day, title, Gathered { seen, said })) in sessions {
            let session = SessionId(session.parse().map_err(|error| broken(&error))?);
            let day: ClubDay = day.parse().map_err(ClubError::Store)?;
            let known = known(seen, said);
            all.extend(known.map(|known| AttendedSession { session, day, title, known }));
        }
        all.sort_by(|a, b| (&b.day, b.session).cmp(&(&a.day, a.session)));
        Ok(all)
    }

    /// Keeps whether somebody came to a session of this day, as `doer` says it: a coach, or a session on behalf of whoever has said
    /// there that they do not come today or row at home. What was said last stands; `None` takes back what was said.
    ///
    /// # Errors
    /// The person is not in the club, or it cannot be written.
    pub fn say_attendance(
        &mut self,
        session: SessionId,
        day: &ClubDay,
        person: PersonId,
        state: Option<AttendanceState>,
        doer: &Doer,
    ) -> Result<(), ClubError> {
        let (club, person) = (self.club.club.to_string(), person.to_string());
        let session = session.to_string();
        let transaction = writing(&mut self.connection)?;
        is_here(&transaction, &club, &person)?;
        // Whatever day it stood under: the club's time zone may have been another.
        transaction.execute(queries::TAKE_BACK_ATTENDANCE, [&club, &session, &person])?;
        if let Some(state) = state {
            let at = doer.at_unix_ms.cast_signed();
            transaction.execute(
                queries::SAY_ATTENDANCE,
                params![club, person, day.as_str(), session, word(state), doer.who, at],
            )?;
        }
        Ok(transaction.commit()?)
    }
}

/// Whoever a row begins with; of a group nobody else.
fn of<'a>(
    people: &'a mut BTreeMap<String, (String, Gathered)>,
    row: &Row<'_>,
    group: Option<GroupId>,
) -> Result<Option<&'a mut Gathered>, ClubError> {
    let (person, called): (String, String) = (row.get(0)?, row.get(1)?);
    if group.is_some() {
        return Ok(people.get_mut(&person).map(|(_, gathered)| gathered));
    }
    Ok(Some(&mut people.entry(person).or_insert_with(|| (called, Gathered::default())).1))
}

fn in_session<'a>(
    sessions: &'a mut BTreeMap<String, (String, String, Gathered)>,
    row: &Row<'_>,
) -> Result<&'a mut Gathered, ClubError> {
    let (session, day, title) = (row.get(0)?, row.get(1)?, row.get(2)?);
    Ok(&mut sessions.entry(session).or_insert_with(|| (day, title, Gathered::default())).2)
}

/// A result, from this column on: piece, outcome, marks.
fn take(seen: &mut Seen, row: &Row<'_>, at: usize, first: Option<u16>) -> Result<(), ClubError> {
    let piece: Option<u16> = row.get(at)?;
    let outcome: String = row.get(at + 1)?;
    let marks: String = row.get(at + 2)?;
    let outcome = serde_json::from_value(Value::from(outcome)).map_err(|error| broken(&error))?;
    let marks: Vec<thole_protocol::standing::Mark> = json(&marks)?;
    seen.take(outcome, &marks, piece.is_some() && piece == first);
    Ok(())
}

/// What was said, from this column on: state, by whom, when.
fn said(row: &Row<'_>, at: usize) -> Result<SaidAttendance, ClubError> {
    let state: String = row.get(at)?;
    Ok(SaidAttendance {
        state: serde_json::from_value(Value::from(state)).map_err(|error| broken(&error))?,
        by: row.get(at + 1)?,
        at_unix_ms: row.get::<_, Option<i64>>(at + 2)?.map(i64::cast_unsigned),
    })
}

fn word(state: AttendanceState) -> &'static str {
    match state {
        AttendanceState::Came => "came",
        AttendanceState::Home => "home",
        AttendanceState::Late => "late",
        AttendanceState::Excused => "excused",
        AttendanceState::Absent => "absent",
    }
}

fn broken(error: &dyn std::fmt::Display) -> ClubError {
    ClubError::Store(format!("attendance: {error}"))
}
