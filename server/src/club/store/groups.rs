//! Groups: who is in them, and which coach has them. One that is nobody's, or was had by a coach who was ended, is the head coach's.

use rusqlite::{Connection, OptionalExtension, Row, params};
use serde_json::Value;
use thole_club::{
    ClubDay, DeedKind, DeedNo, Doer, Done, PersonId,
    person::{checked_name, folded},
};
use thole_protocol::{
    club::{CoachRole, Group, GroupCoach, GroupId, MEMBERS_MAX, Member, OwnGroup},
    ids::CoachId,
};
use uuid::Uuid;

use super::{
    ClubError, Store,
    deeds::{About, GroupOf, Recorder},
    kept_rows::{GROUP, Image, MEMBERSHIP},
    queries,
    seats::is_here,
    writing,
};
use crate::secret::random_uuid;

/// Groups, at most; a club has some.
const GROUPS_MAX: usize = 100;

impl Store {
    /// The groups of the club by their names, each with who is in it on a day or will be.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn groups(&self, on: &ClubDay) -> Result<Vec<Group>, ClubError> {
        groups(&self.connection, &self.club.club.to_string(), on)
    }

    /// One of them; `None` when there is none, or none any more.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn group(&self, group: GroupId, on: &ClubDay) -> Result<Option<Group>, ClubError> {
        let (connection, club) = (&self.connection, self.club.club.to_string());
        let mut select = connection.prepare_cached(queries::GROUP)?;
        let row = select.query_row(params![club, group.to_string()], |row| Ok(head(row)));
        let Some(mut found) = row.optional()?.transpose()? else { return Ok(None) };
        found.members = members(connection, &club, &group.to_string(), on)?;
        Ok(Some(found))
    }

    /// The coach who has a group, one that was ended as well: `Some(None)` for the head coach, `None` when there is no such group.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn coach_of_group(&self, group: GroupId) -> Result<Option<Option<String>>, ClubError> {
        let named = params![self.club.club.to_string(), group.to_string()];
        let mut select = self.connection.prepare_cached(queries::COACH_OF_GROUP)?;
        Ok(select.query_row(named, |row| row.get(0)).optional()?)
    }

    /// Coaches to whom a group can be handed over: an assistant could do nothing with it.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn group_coaches(&self) -> Result<Vec<GroupCoach>, ClubError> {
        let all = self.coaches()?.into_iter().filter(|line| line.role != CoachRole::Assistant);
        Ok(all.map(|line| GroupCoach { coach: line.coach, called: line.called }).collect())
    }

    /// Groups that somebody is or was in, in the order in which they came.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn groups_of(&self, person: PersonId) -> Result<Vec<OwnGroup>, ClubError> {
        let mut select = self.connection.prepare_cached(queries::GROUPS_OF)?;
        let mut rows = select.query([self.club.club.to_string(), person.to_string()])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let (from, until) = days(row, 2)?;
            all.push(OwnGroup {
                group: id(&row.get::<_, String>(0)?)?,
                called: row.get(1)?,
                from,
                until,
            });
        }
        Ok(all)
    }

    /// Makes a group, which this coach has; `None` for the head coach.
    ///
    /// # Errors
    /// It is no name, a group is called so already, there are too many, or it cannot be written.
    pub fn make_group(
        &mut self,
        called: &str,
        coach: Option<CoachId>,
        doer: &Doer,
    ) -> Result<GroupId, ClubError> {
        let (club, today) = (self.club.club.to_string(), self.club.zone.day(doer.at_unix_ms));
        let transaction = writing(&mut self.connection)?;
        let there = groups(&transaction, &club, &today)?;
        let called = free_name(&there, None, called)?;
        if there.len() >= GROUPS_MAX {
            return Err(ClubError::Refused(format!(
                "A club has at most {GROUPS_MAX} groups: end those that come no more."
            )));
        }
        let group = GroupId(random_uuid());
        let (id, coach) = (group.to_string(), coach.map(|coach| coach.to_string()));
        transaction.execute(queries::NEW_GROUP, params![club, id, called, coach])?;
        let mut recorder = Recorder::new(&transaction, &club);
        recorder.is_about(GroupOf { group: &id, to_coach: None });
        recorder.has_put(GROUP, vec![Value::from(id.as_str())]);
        recorder.close(&about(DeedKind::GroupMade, doer, Vec::new()))?;
        transaction.commit()?;
        Ok(group)
    }

    /// From now on a group is called so; what it is called already is no change.
    ///
    /// # Errors
    /// It is no name, another group is called so, there is no such group, or it cannot be written.
    pub fn rename_group(
        &mut self,
        group: GroupId,
        called: &str,
        doer: &Doer,
    ) -> Result<(), ClubError> {
        let (club, today) = (self.club.club.to_string(), self.club.zone.day(doer.at_unix_ms));
        let transaction = writing(&mut self.connection)?;
        let there = groups(&transaction, &club, &today)?;
        let called = free_name(&there, Some(group), called)?;
        if there.iter().any(|one| one.group == group && one.called == called) {
            return Ok(());
        }
        let to = Image::from_iter([("called".to_owned(), Value::from(called))]);
        set(&transaction, &club, group, &to, (DeedKind::GroupRenamed, None), doer)?;
        Ok(transaction.commit()?)
    }

    /// Another coach has a group from now on, and with it what is for whoever has it; `None` for the head coach.
    ///
    /// # Errors
    /// They have it already, are no coach here, or change nothing; there is no such group, or it cannot be written. Then whoever had it
    /// has it.
    pub fn hand_over(
        &mut self,
        group: GroupId,
        to: Option<CoachId>,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        if let Some(coach) = to
            && !self.group_coaches()?.iter().any(|line| line.coach == coach)
        {
            return Err(ClubError::Refused(
                "Hand it over to a coach of the club, or to `null`, the head coach; the list of groups has all who can have one. An assistant changes nothing."
                    .to_owned(),
            ));
        }
        let club = self.club.club.to_string();
        let to = to.map(|coach| coach.to_string());
        let transaction = writing(&mut self.connection)?;
        let cell = Value::from(to.clone());
        let now = GROUP.read(&transaction, &club, &[Value::from(group.to_string())])?;
        if now.is_some_and(|now| now.get("coach") == Some(&cell)) {
            return Err(ClubError::Refused("They have this group already.".to_owned()));
        }
        let row = Image::from_iter([("coach".to_owned(), cell)]);
        let what = (DeedKind::HandedOver, to.as_deref());
        let deed = set(&transaction, &club, group, &row, what, doer)?;
        transaction.commit()?;
        Ok(Done { deed, results: 0 })
    }

    /// Ends a group: today is the last day of all who are in it. It is in no list any more; its notes stay, and undone all is as before.
    ///
    /// # Errors
    /// There is no such group, or it cannot be written.
    pub fn end_group(&mut self, group: GroupId, doer: &Doer) -> Result<Done, ClubError> {
        let (club, id) = (self.club.club.to_string(), group.to_string());
        let today = self.club.zone.day(doer.at_unix_ms);
        let transaction = writing(&mut self.connection)?;
        let mut recorder = Recorder::new(&transaction, &club);
        recorder.is_about(GroupOf { group: &id, to_coach: None });
        let day =
            |column: &str| Image::from_iter([(column.to_owned(), Value::from(today.as_str()))]);
        for key in open_memberships(&transaction, &club, &id, &today)? {
            recorder.remember(MEMBERSHIP, &key)?;
            MEMBERSHIP.set(&transaction, &club, &key, &day("until_day"))?;
        }
        let key = [Value::from(id.as_str())];
        recorder.remember(GROUP, &key)?;
        GROUP.set(&transaction, &club, &key, &day("ended_day"))?;
        let deed = recorder.close(&about(DeedKind::GroupEnded, doer, Vec::new()))?;
        transaction.commit()?;
        Ok(Done { deed, results: 0 })
    }

    /// Adds people to a group from this day on; whoever is in it already stays as they are.
    ///
    /// # Errors
    /// All of them are in it, one is not in the club, there are too many, there is no such group, or it cannot be written.
    pub fn add_members(
        &mut self,
        group: GroupId,
        people: &[PersonId],
        from: Option<&ClubDay>,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        let (club, id) = (self.club.club.to_string(), group.to_string());
        let today = self.club.zone.day(doer.at_unix_ms);
        let from = from.unwrap_or(&today);
        let transaction = writing(&mut self.connection)?;
        let mut recorder = Recorder::new(&transaction, &club);
        recorder.is_about(GroupOf { group: &id, to_coach: None });
        let mut added = Vec::new();
        for person in people.iter().map(PersonId::to_string) {
            is_here(&transaction, &club, &person)?;
            if !added.contains(&person) && join(&mut recorder, &id, &person, from)? {
                added.push(person);
            }
        }
        if added.is_empty() {
            return Err(ClubError::Refused(
                "Say whom to add: all who were named are in this group already.".to_owned(),
            ));
        }
        if members(&transaction, &club, &id, &today)?.len() > MEMBERS_MAX {
            return Err(ClubError::Refused(format!(
                "A group has at most {MEMBERS_MAX} people: make another one."
            )));
        }
        let deed = recorder.close(&about(DeedKind::Joined, doer, added))?;
        transaction.commit()?;
        Ok(Done { deed, results: 0 })
    }

    /// Says somebody's last day in a group; today where nothing is said.
    ///
    /// # Errors
    /// They are not in it, or came later than that; or it cannot be written.
    pub fn end_member(
        &mut self,
        group: GroupId,
        person: PersonId,
        until: Option<&ClubDay>,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        let (club, id, person) =
            (self.club.club.to_string(), group.to_string(), person.to_string());
        let today = self.club.zone.day(doer.at_unix_ms);
        let until = until.unwrap_or(&today);
        let transaction = writing(&mut self.connection)?;
        is_here(&transaction, &club, &person)?;
        let all = memberships(&transaction, &club, &id, &person)?;
        let is_open = |end: &Option<ClubDay>| end.as_ref().is_none_or(|end| *end >= today);
        let Some((from, end)) = all.into_iter().find(|(_, end)| is_open(end)) else {
            return Err(ClubError::Refused("They are not in this group any more.".to_owned()));
        };
        if *until < from {
            return Err(ClubError::Refused(format!(
                "They came on {from}: their last day is that one or a later one."
            )));
        }
        if end.as_ref() == Some(until) {
            return Err(ClubError::Refused(format!("{until} is their last day already.")));
        }
        let key = [id.as_str(), &person, from.as_str()].map(Value::from);
        let mut recorder = Recorder::new(&transaction, &club);
        recorder.is_about(GroupOf { group: &id, to_coach: None });
        recorder.remember(MEMBERSHIP, &key)?;
        let to = Image::from_iter([("until_day".to_owned(), Value::from(until.as_str()))]);
        MEMBERSHIP.set(&transaction, &club, &key, &to)?;
        let deed = recorder.close(&about(DeedKind::Left, doer, vec![person]))?;
        transaction.commit()?;
        Ok(Done { deed, results: 0 })
    }
}

fn about(kind: DeedKind, doer: &Doer, people: Vec<String>) -> About<'_> {
    About { kind, doer, people, result: None, reason: None }
}

/// Sets columns of a group, as a deed; of a hand-over to whom.
fn set(
    connection: &Connection,
    club: &str,
    group: GroupId,
    to: &Image,
    (kind, to_coach): (DeedKind, Option<&str>),
    doer: &Doer,
) -> Result<DeedNo, ClubError> {
    let id = group.to_string();
    let key = [Value::from(id.as_str())];
    let mut recorder = Recorder::new(connection, club);
    recorder.is_about(GroupOf { group: &id, to_coach });
    recorder.remember(GROUP, &key)?;
    GROUP.set(connection, club, &key, to)?;
    recorder.close(&about(kind, doer, Vec::new()))
}

/// Whether somebody is in the group now who was not.
fn join(
    recorder: &mut Recorder<'_>,
    group: &str,
    person: &str,
    from: &ClubDay,
) -> Result<bool, ClubError> {
    let (connection, club) = (recorder.connection, recorder.club);
    let is_in = |end: &Option<ClubDay>| end.as_ref().is_none_or(|end| end >= from);
    let all = memberships(connection, club, group, person)?;
    let key = |from: &ClubDay| [group, person, from.as_str()].map(Value::from);
    // Whoever comes again before their last day, or on the day on which they came once, has not left.
    let again = all.iter().find(|(began, end)| is_in(end) || began == from);
    match again {
        Some((_, None)) => return Ok(false),
        Some((began, Some(_))) => {
            recorder.remember(MEMBERSHIP, &key(began))?;
            let open = Image::from_iter([("until_day".to_owned(), Value::Null)]);
            MEMBERSHIP.set(connection, club, &key(began), &open)?;
        }
        None => {
            let columns = ["group", "person", "from_day"].map(str::to_owned);
            MEMBERSHIP.put(connection, club, &columns.into_iter().zip(key(from)).collect())?;
            recorder.has_put(MEMBERSHIP, key(from).to_vec());
        }
    }
    Ok(true)
}

/// The keys of those that last beyond a day.
fn open_memberships(
    connection: &Connection,
    club: &str,
    group: &str,
    day: &ClubDay,
) -> Result<Vec<[Value; 3]>, ClubError> {
    let mut select = connection.prepare_cached(queries::OPEN_MEMBERSHIPS)?;
    let rows = select.query_map([club, group, day.as_str()], |row| {
        let (person, from): (String, String) = (row.get(0)?, row.get(1)?);
        Ok([Value::from(group), Value::from(person), Value::from(from)])
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// When somebody was in a group, newest first.
fn memberships(
    connection: &Connection,
    club: &str,
    group: &str,
    person: &str,
) -> Result<Vec<(ClubDay, Option<ClubDay>)>, ClubError> {
    let mut select = connection.prepare_cached(queries::MEMBERSHIPS)?;
    let mut rows = select.query([club, group, person])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        all.push(days(row, 0)?);
    }
    Ok(all)
}

fn groups(connection: &Connection, club: &str, on: &ClubDay) -> Result<Vec<Group>, ClubError> {
    let mut select = connection.prepare_cached(queries::GROUPS)?;
    let mut rows = select.query([club])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let mut group = head(row)?;
        group.members = members(connection, club, &group.group.to_string(), on)?;
        all.push(group);
    }
    all.sort_by_key(|group| (folded(&group.called), group.group));
    Ok(all)
}

fn members(
    connection: &Connection,
    club: &str,
    group: &str,
    on: &ClubDay,
) -> Result<Vec<Member>, ClubError> {
    let mut select = connection.prepare_cached(queries::MEMBERS)?;
    let mut rows = select.query([club, group, on.as_str()])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let person = row.get::<_, String>(0)?.parse().map_err(|error| broken(&error))?;
        let (from, until) = days(row, 2)?;
        all.push(Member { person, called: row.get(1)?, from, until });
    }
    Ok(all)
}

/// A group without its members.
fn head(row: &Row<'_>) -> Result<Group, ClubError> {
    let (coach, name): (Option<String>, Option<String>) = (row.get(2)?, row.get(3)?);
    let has_left: bool = row.get(4)?;
    let coach = coach.zip(name.clone()).filter(|_| !has_left).map(|(coach, called)| {
        let coach = Uuid::try_parse(&coach).map(CoachId).map_err(|error| broken(&error))?;
        Ok::<_, ClubError>(GroupCoach { coach, called })
    });
    Ok(Group {
        group: id(&row.get::<_, String>(0)?)?,
        called: row.get(1)?,
        coach: coach.transpose()?,
        had_by: name.filter(|_| has_left),
        members: Vec::new(),
    })
}

fn id(text: &str) -> Result<GroupId, ClubError> {
    text.parse().map_err(|error| broken(&error))
}

/// A first and a last day, from this column on.
fn days(row: &Row<'_>, at: usize) -> Result<(ClubDay, Option<ClubDay>), ClubError> {
    let (from, until): (String, Option<String>) = (row.get(at)?, row.get(at + 1)?);
    let day = |text: String| text.parse::<ClubDay>().map_err(ClubError::Store);
    Ok((day(from)?, until.map(day).transpose()?))
}

fn broken(error: &dyn std::fmt::Display) -> ClubError {
    ClubError::Store(format!("a group: {error}"))
}

/// The name as it is kept, if no other group is called so.
fn free_name(there: &[Group], but: Option<GroupId>, called: &str) -> Result<String, ClubError> {
    let called = checked_name(called).map_err(ClubError::Refused)?;
    let is_taken = |one: &Group| Some(one.group) != but && folded(&one.called) == folded(&called);
    if there.iter().any(is_taken) {
        return Err(ClubError::Refused(format!(
            "A group is called {called} already: say what tells them apart, such as the day."
        )));
    }
    Ok(called)
}
