//! People who are to be deleted: hidden from the moment on that somebody asks for it, and until it runs it can be taken back.

use rusqlite::{Connection, OptionalExtension, Row, params};
use thole_club::{Doer, Person, PersonId};
use thole_protocol::club::Going;

use super::{ClubError, Store, gone::gone_of, people, queries, seats::is_here, writing};
use crate::club::gone::GoneId;

const DAY_MS: u64 = 86_400_000;

impl Store {
    /// Somebody is to be deleted. Asked again it is as it was asked first.
    ///
    /// # Errors
    /// They are not in the club or there under another entry, or it cannot be written.
    pub fn go(&mut self, person: PersonId, doer: &Doer) -> Result<Going, ClubError> {
        let (club, id) = (self.club.club.to_string(), person.to_string());
        let transaction = writing(&mut self.connection)?;
        if let Some(before) = going(&transaction, &club, &id)? {
            return Ok(before);
        }
        is_here(&transaction, &club, &id)?;
        let days: i64 = transaction.query_row(queries::DELETE_AFTER, [&club], |row| row.get(0))?;
        let now = doer.at_unix_ms;
        let runs = now.saturating_add(days.cast_unsigned().saturating_mul(DAY_MS));
        let named = params![runs.cast_signed(), now.cast_signed(), doer.who, club, id];
        transaction.execute(queries::GO, named)?;
        let asked = going(&transaction, &club, &id)?.ok_or_else(nobody)?;
        transaction.commit()?;
        Ok(asked)
    }

    /// Somebody who is to be deleted is to be gone as soon as that can be.
    ///
    /// # Errors
    /// They are not to be deleted, or it cannot be written.
    pub fn go_now(&mut self, person: PersonId, doer: &Doer) -> Result<Going, ClubError> {
        let (club, id) = (self.club.club.to_string(), person.to_string());
        let transaction = writing(&mut self.connection)?;
        transaction.execute(queries::GO_NOW, params![doer.at_unix_ms.cast_signed(), club, id])?;
        let asked = going(&transaction, &club, &id)?.ok_or_else(|| {
            ClubError::Refused("Ask for it first: this person is not to be deleted.".to_owned())
        })?;
        transaction.commit()?;
        Ok(asked)
    }

    /// Somebody is not to be deleted after all.
    ///
    /// # Errors
    /// They were not to be, or are being deleted already, somebody else is called so by now, or it cannot be written.
    pub fn keep(&mut self, person: PersonId) -> Result<Person, ClubError> {
        let (club, id) = (self.club.club.to_string(), person.to_string());
        let transaction = writing(&mut self.connection)?;
        if going(&transaction, &club, &id)?.is_none() {
            return Err(ClubError::Refused("This person is not to be deleted.".to_owned()));
        }
        // Whoever deletes them has written that there, and keeps others from writing here while they do.
        if gone_of(&transaction)?.has(GoneId::Person(person)) {
            return Err(ClubError::Refused(
                "This person is being deleted just now: that cannot be taken back any more."
                    .to_owned(),
            ));
        }
        let same = transaction.query_row(queries::CALLED_SAME, params![club, id], |_| Ok(()));
        if same.optional()?.is_some() {
            return Err(ClubError::Refused(
                "Somebody else has this name by now: give that one another name first.".to_owned(),
            ));
        }
        transaction.execute(queries::KEEP, params![club, id])?;
        let kept = transaction.query_row(queries::PERSON, params![club, id], people::person)??;
        transaction.commit()?;
        Ok(kept)
    }

    /// Somebody who is to be deleted; `None` for everybody else.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn going(&self, person: PersonId) -> Result<Option<Going>, ClubError> {
        going(&self.connection, &self.club.club.to_string(), &person.to_string())
    }

    /// Everybody who is to be deleted, whose time comes first at the top.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn all_going(&self) -> Result<Vec<Going>, ClubError> {
        self.going_until(u64::MAX >> 1)
    }

    /// Those whose time has come.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn going_until(&self, unix_ms: u64) -> Result<Vec<Going>, ClubError> {
        let club = self.club.club.to_string();
        let mut select = self.connection.prepare_cached(queries::ALL_GOING)?;
        let rows = select.query_map(params![club, unix_ms.cast_signed()], |row| Ok(line(row)))?;
        rows.map(|row| row?).collect()
    }

    /// Somebody who is to be deleted, by their name or identity or the beginning of one of the two.
    ///
    /// # Errors
    /// It is nobody's, or several people's; or it cannot be read.
    pub fn going_called(&self, said: &str) -> Result<Going, ClubError> {
        let wanted = thole_club::person::folded(said);
        let called = |of: &Going| thole_club::person::folded(&of.called);
        let mut all = self.all_going()?;
        let is_exact = all.iter().filter(|of| called(of) == wanted).count() == 1;
        all.retain(|of| match is_exact {
            true => called(of) == wanted,
            false => called(of).starts_with(&wanted) || of.person.to_string().starts_with(&wanted),
        });
        match <[Going; 1]>::try_from(all) {
            Ok([one]) if !wanted.is_empty() => Ok(one),
            Ok(_) | Err(_) => Err(ClubError::Refused(format!(
                "Nobody, or more than one, who is to be deleted is called {said}; `club going` lists them."
            ))),
        }
    }

    /// What keeps somebody from being gone, as a sentence; `None`: nothing does.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn set_waits(&mut self, person: PersonId, waits: Option<&str>) -> Result<(), ClubError> {
        let named = params![waits, self.club.club.to_string(), person.to_string()];
        self.connection.execute(queries::SET_WAITS, named)?;
        Ok(())
    }
}

fn nobody() -> ClubError {
    ClubError::Store("whoever is to be deleted is gone".to_owned())
}

fn going(connection: &Connection, club: &str, person: &str) -> Result<Option<Going>, ClubError> {
    let mut select = connection.prepare_cached(queries::GOING)?;
    select.query_row(params![club, person], |row| Ok(line(row))).optional()?.transpose()
}

fn line(row: &Row<'_>) -> Result<Going, ClubError> {
    let (person, called): (String, String) = (row.get(0)?, row.get(1)?);
    let (asked, by): (Option<String>, Option<String>) = (row.get(4)?, row.get(5)?);
    let is_own = by.as_deref() == Some(&*person);
    let instant = |at| row.get::<_, Option<i64>>(at).map(|at| at.unwrap_or(0).cast_unsigned());
    Ok(Going {
        person: person
            .parse()
            .map_err(|error| ClubError::Store(format!("a person's identity: {error}")))?,
        asked_unix_ms: instant(2)?,
        runs_unix_ms: instant(3)?,
        asked_by: if is_own { called.clone() } else { asked.unwrap_or_default() },
        is_own,
        waits: row.get(6)?,
        called,
    })
}
