//! People.

use rusqlite::{Connection, OptionalExtension, Row, params};
use serde_json::Value;
use thole_club::{
    DeedKind, Doer, Person, PersonId,
    person::{checked_born_year, checked_name, folded},
};
use thole_protocol::club::{Edit, PersonChange};

use super::{
    ClubError, Store,
    deeds::{About, Recorder},
    kept_rows::{Image, PERSON},
    queries,
    seats::is_here,
    writing,
};
use crate::secret::random_uuid;

impl Store {
    /// Adds somebody to the club.
    ///
    /// # Errors
    /// It is no name or no year, somebody is called so already, or it cannot be written.
    pub fn add_person(
        &mut self,
        called: &str,
        born_year: Option<u16>,
        doer: &Doer,
    ) -> Result<Person, ClubError> {
        let called = checked_name(called).map_err(ClubError::Refused)?;
        let born_year = born_year.map(checked_born_year).transpose();
        let born_year = born_year.map_err(ClubError::Refused)?;
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let person = PersonId(random_uuid());
        let id = person.to_string();
        let name = free_name(&transaction, &club, &id, &called)?;
        let at = doer.at_unix_ms.cast_signed();
        transaction.execute(queries::NEW_PERSON, params![club, id, called, name, born_year, at])?;
        let mut recorder = Recorder::new(&transaction, &club);
        recorder.has_put(PERSON, vec![Value::from(id.as_str())]);
        recorder.close(&about(DeedKind::Added, doer, id))?;
        transaction.commit()?;
        Ok(Person { person, called, born_year, merged_into: None, hall_name: None })
    }

    /// Changes what the club knows of somebody; what is so already is no change.
    ///
    /// # Errors
    /// It is no name or no year, somebody else is called so, they are here under another entry or not at all, or it cannot be
    /// written.
    pub fn change_person(
        &mut self,
        person: PersonId,
        to: &PersonChange,
        doer: &Doer,
    ) -> Result<(), ClubError> {
        let (club, id) = (self.club.club.to_string(), person.to_string());
        let transaction = writing(&mut self.connection)?;
        is_here(&transaction, &club, &id)?;
        let key = [Value::from(id.as_str())];
        let now = PERSON.read(&transaction, &club, &key)?.unwrap_or_default();
        let mut row = columns(&transaction, &club, &id, to)?;
        row.retain(|column, cell| now.get(column) != Some(cell));
        if row.is_empty() {
            return Ok(());
        }
        let mut recorder = Recorder::new(&transaction, &club);
        recorder.remember(PERSON, &key)?;
        PERSON.set(&transaction, &club, &key, &row)?;
        recorder.close(&about(DeedKind::Changed, doer, id))?;
        transaction.commit()?;
        Ok(())
    }
}

fn about(kind: DeedKind, doer: &Doer, person: String) -> About<'_> {
    About { kind, doer, people: vec![person], result: None, reason: None }
}

/// What is said of somebody, as it is kept.
fn columns(
    connection: &Connection,
    club: &str,
    person: &str,
    to: &PersonChange,
) -> Result<Image, ClubError> {
    let PersonChange { called, born_year, hall_name } = to;
    let mut row = Image::new();
    if let Some(called) = called {
        let called = checked_name(called).map_err(ClubError::Refused)?;
        let name = free_name(connection, club, person, &called)?;
        row.insert("called".to_owned(), Value::from(called));
        row.insert("folded".to_owned(), Value::from(name));
    }
    let born_year = match born_year {
        Edit::Left => None,
        Edit::Cleared => Some(Value::Null),
        Edit::Set(year) => Some(Value::from(checked_born_year(*year).map_err(ClubError::Refused)?)),
    };
    row.extend(born_year.map(|cell| ("born_year".to_owned(), cell)));
    let hall_name = match hall_name {
        Edit::Left => None,
        Edit::Cleared => Some(Value::Null),
        Edit::Set(name) => Some(Value::from(checked_name(name).map_err(ClubError::Refused)?)),
    };
    row.extend(hall_name.map(|cell| ("hall_name".to_owned(), cell)));
    Ok(row)
}

/// The name as it is looked for, if nobody else is called so.
fn free_name(
    connection: &Connection,
    club: &str,
    person: &str,
    called: &str,
) -> Result<String, ClubError> {
    let name = folded(called);
    let known: Option<String> =
        connection.query_row(queries::CALLED, params![club, name], |row| row.get(0)).optional()?;
    if known.is_some_and(|known| known != person) {
        return Err(ClubError::Refused(format!(
            "{called} is in the club already: add an initial to tell them apart."
        )));
    }
    Ok(name)
}

/// A person of the columns that begin every question about people.
pub(super) fn person(row: &Row<'_>) -> rusqlite::Result<Result<Person, ClubError>> {
    let (id, merged): (String, Option<String>) = (row.get(0)?, row.get(3)?);
    let (called, born_year, hall_name) = (row.get(1)?, row.get(2)?, row.get(4)?);
    let read = |id: &str| {
        id.parse().map_err(|error| ClubError::Store(format!("a person's identity: {error}")))
    };
    let person = read(&id).and_then(|person| {
        let merged_into = merged.as_deref().map(read).transpose()?;
        Ok(Person { person, called, born_year, merged_into, hall_name })
    });
    Ok(person)
}
