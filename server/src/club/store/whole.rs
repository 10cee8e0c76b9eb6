//! One thing whole: a result, a person, what holds for all of the club.

use rusqlite::{OptionalExtension, params};
use serde_json::Value;
use thole_club::{Person, PersonId, ResultId};
use thole_protocol::{
    club::{ClubView, DeedNo, Listed, WholeResult},
    standing::Split,
    total::Certainty,
    units::{Decimetres, Millis},
};

use super::{
    ClubError, Store,
    lists::{SeenBy, json},
    people, queries, read_club,
};

impl Store {
    /// What holds for all of it, as it is now.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn view(&self) -> Result<ClubView, ClubError> {
        let gone = || ClubError::Store("it has no club any more".to_owned());
        let club = read_club(&self.connection)?.ok_or_else(gone)?;
        let counts =
            self.connection.query_row(queries::COUNTS, params![club.club.to_string()], |row| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?))
            });
        let (people, sessions, results) = counts?;
        Ok(ClubView {
            name: club.name,
            zone: club.zone.name().to_owned(),
            people,
            sessions,
            results,
        })
    }

    /// Somebody by their identity; nobody who is to be deleted.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn who(&self, person: PersonId) -> Result<Option<Person>, ClubError> {
        let found = self.known(person)?;
        Ok(found.filter(|(_, goes)| goes.is_none()).map(|(person, _)| person))
    }

    /// The same, also of somebody who is to be deleted: with the instant.
    pub(super) fn known(
        &self,
        person: PersonId,
    ) -> Result<Option<(Person, Option<u64>)>, ClubError> {
        let named = params![self.club.club.to_string(), person.to_string()];
        let row = self.connection.query_row(queries::PERSON, named, |row| {
            Ok((people::person(row)?, row.get::<_, Option<i64>>(5)?))
        });
        let Some((person, goes)) = row.optional()? else { return Ok(None) };
        Ok(Some((person?, goes.map(i64::cast_unsigned))))
    }

    /// A result as a line of a list.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn line(&self, result: ResultId) -> Result<Option<Listed>, ClubError> {
        self.line_for(result, SeenBy::Others)
    }

    fn line_for(&self, result: ResultId, seen_by: SeenBy) -> Result<Option<Listed>, ClubError> {
        let (club, id) = (self.club.club.to_string(), result.to_string());
        let found = self.listed(queries::BEGINS_WITH, params![club, id, id, seen_by.word(), 1])?;
        Ok(found.into_iter().next())
    }

    /// A result with all that is known of it.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn whole_result(&self, result: ResultId) -> Result<Option<WholeResult>, ClubError> {
        self.whole_for(result, SeenBy::Others)
    }

    /// The same for whoever rowed it, who may be to be deleted.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn own_whole_result(&self, result: ResultId) -> Result<Option<WholeResult>, ClubError> {
        self.whole_for(result, SeenBy::Themselves)
    }

    fn whole_for(
        &self,
        result: ResultId,
        seen_by: SeenBy,
    ) -> Result<Option<WholeResult>, ClubError> {
        let (club, id) = (self.club.club.to_string(), result.to_string());
        let Some(line) = self.line_for(result, seen_by)? else { return Ok(None) };
        let named = params![club, id];
        let mut select = self.connection.prepare_cached(queries::SPLITS)?;
        let splits = select.query_map(named, |row| {
            Ok(Split { distance_dm: Decimetres(row.get(0)?), time_ms: Millis(row.get(1)?) })
        })?;
        let splits = splits.collect::<Result<_, _>>()?;
        let rest = self.connection.query_row(queries::REST_OF_RESULT, named, |row| {
            let (repeats, plan, calls): (String, String, String) =
                (row.get(0)?, row.get(4)?, row.get(6)?);
            let sure = match (row.get(1)?, row.get(2)?) {
                (Some(ms), _) => Certainty::Time(Millis(ms)),
                (None, Some(dm)) => Certainty::Distance(Decimetres(dm)),
                (None, None) => Certainty::Unsaid,
            };
            let aim: Option<String> = row.get(3)?;
            Ok((repeats, sure, aim, plan, row.get(5)?, calls, row.get(7)?))
        });
        let (repeats, sure, aim, plan, strokes, calls, reason) = rest?;
        let row = Value::from(vec![id.as_str()]).to_string();
        let mut select = self.connection.prepare_cached(queries::LAST_DEED)?;
        let last: Option<u32> = select.query_row(params![club, "result", row], |row| row.get(0))?;
        Ok(Some(WholeResult {
            line,
            repeats: json(&repeats)?,
            sure,
            aim: aim.map(|aim| json(&aim)).transpose()?,
            plan: json(&plan)?,
            splits,
            strokes,
            calls: json(&calls)?,
            reason,
            last_deed: last.map(DeedNo),
        }))
    }
}
