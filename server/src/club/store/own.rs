//! What the club keeps about somebody, for themselves.

use rusqlite::params;
use thole_club::{Person, PersonId, ResultId};
use thole_protocol::club::{EFFORT_MAX, Look, OwnData};

use super::{ClubError, SeenBy, Store, Wanted, people, queries, writing};

impl Store {
    /// All that is kept about a person; `None` when there is none of this identity.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn own_data(
        &self,
        person: PersonId,
        now_unix_ms: u64,
    ) -> Result<Option<OwnData>, ClubError> {
        // All of one moment.
        let _reading = self.connection.unchecked_transaction()?;
        let Some((of, _)) = self.known(person)? else { return Ok(None) };
        let named = params![self.club.club.to_string(), person.to_string()];
        let details = self.connection.query_row(queries::DETAILS, named, |row| {
            Ok((row.get::<_, i64>(0)?.cast_unsigned(), row.get(1)?, row.get(2)?, row.get(3)?))
        });
        let (added_unix_ms, spoken, language, units) = details?;
        let merged = self.merged(person)?;
        let wanted =
            Wanted { person: Some(person), seen_by: SeenBy::Themselves, ..Wanted::default() };
        let mut results = Vec::new();
        for line in self.results(&wanted)? {
            let id = line.result.parse();
            let id =
                id.map_err(|error| ClubError::Store(format!("a result's identity: {error}")))?;
            results.extend(self.own_whole_result(id)?);
        }
        Ok(Some(OwnData {
            person: of,
            added_unix_ms,
            spoken,
            language,
            units,
            merged: merged.into_iter().map(|(merged, _)| merged).collect(),
            results,
            keys: self.keys(person, None, now_unix_ms)?,
            looks: self.looks(person)?,
            groups: self.groups_of(person)?,
            attendance: self.attended(person)?,
            notes: self.notes_of(person, &self.club.zone.day(now_unix_ms))?,
        }))
    }

    /// Who has looked at what is theirs, newest first.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn looks(&self, person: PersonId) -> Result<Vec<Look>, ClubError> {
        let named = params![self.club.club.to_string(), person.to_string()];
        let added: i64 = self.connection.query_row(queries::DETAILS, named, |row| row.get(0))?;
        let merged = self.merged(person)?.into_iter().map(|(_, added)| added).min();
        let here_from = merged.map_or(added, |merged| merged.min(added)).cast_unsigned();
        let mut select = self.connection.prepare_cached(queries::LOOKS)?;
        let looks = select.query_map(named, |row| {
            let (who, called): (String, Option<String>) = (row.get(1)?, row.get(2)?);
            let whose: Option<String> = row.get(4)?;
            Ok(Look {
                at_unix_ms: row.get::<_, i64>(0)?.cast_unsigned(),
                who: called.unwrap_or(who),
                what: row.get(3)?,
                of_everybody: whose.is_none(),
            })
        })?;
        let looks = looks.collect::<Result<Vec<Look>, _>>()?;
        // Whoever was not in the club yet was not among everybody.
        let is_theirs = |look: &Look| !look.of_everybody || look.at_unix_ms >= here_from;
        Ok(looks.into_iter().filter(is_theirs).collect())
    }

    /// Keeps how hard a result felt, as whoever rowed it says; `None` takes that back.
    ///
    /// # Errors
    /// It is no number from 0 to 10, or it cannot be written.
    pub fn say_effort(
        &mut self,
        result: ResultId,
        felt: Option<u8>,
        now_unix_ms: u64,
    ) -> Result<(), ClubError> {
        if felt.is_some_and(|felt| felt > EFFORT_MAX) {
            let says = format!("Say how hard it felt as a number from 0 to {EFFORT_MAX}.");
            return Err(ClubError::Refused(says));
        }
        let (club, result) = (self.club.club.to_string(), result.to_string());
        let transaction = writing(&mut self.connection)?;
        match felt {
            Some(felt) => {
                let said = params![club, result, felt, now_unix_ms.cast_signed()];
                transaction.prepare_cached(queries::SET_EFFORT)?.execute(said)?;
            }
            None => {
                let said = params![club, result];
                transaction.prepare_cached(queries::FORGET_EFFORT)?.execute(said)?;
            }
        }
        Ok(transaction.commit()?)
    }

    /// Entries that were merged into theirs, each with the instant at which it was made.
    fn merged(&self, person: PersonId) -> Result<Vec<(Person, i64)>, ClubError> {
        let mut select = self.connection.prepare_cached(queries::MERGED)?;
        let named = params![self.club.club.to_string(), person.to_string()];
        let rows = select.query_map(named, |row| Ok((people::person(row)?, row.get(5)?)))?;
        rows.map(|row| {
            let (merged, added) = row?;
            Ok((merged?, added))
        })
        .collect()
    }
}
