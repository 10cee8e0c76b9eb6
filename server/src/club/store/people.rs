//! People.

use rusqlite::{OptionalExtension, Row, params};
use thole_club::{
    Person, PersonId,
    person::{checked_name, folded},
};

use super::{ClubError, Store, queries, writing};
use crate::secret::random_uuid;

impl Store {
    /// Adds somebody to the club.
    ///
    /// # Errors
    /// It is no name, somebody is called so already, or it cannot be written.
    pub fn add_person(
        &mut self,
        called: &str,
        born_year: Option<u16>,
        now_unix_ms: u64,
    ) -> Result<Person, ClubError> {
        let called = checked_name(called).map_err(ClubError::Refused)?;
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let wanted = folded(&called);
        let known: Option<String> = transaction
            .query_row(queries::CALLED, params![club, wanted], |row| row.get(0))
            .optional()?;
        if known.is_some() {
            return Err(ClubError::Refused(format!(
                "{called} is in the club already: add an initial to tell them apart."
            )));
        }
        let person =
            Person { person: PersonId(random_uuid()), called, born_year, merged_into: None };
        transaction.execute(
            queries::NEW_PERSON,
            params![
                club,
                person.person.to_string(),
                person.called,
                wanted,
                born_year,
                now_unix_ms.cast_signed()
            ],
        )?;
        transaction.commit()?;
        Ok(person)
    }
}

/// A person of the columns that begin every question about people.
pub(super) fn person(row: &Row<'_>) -> rusqlite::Result<Result<Person, ClubError>> {
    let (id, merged): (String, Option<String>) = (row.get(0)?, row.get(3)?);
    let (called, born_year) = (row.get(1)?, row.get(2)?);
    let read = |id: &str| {
        id.parse().map_err(|error| ClubError::Store(format!("a person's identity: {error}")))
    };
    let person = read(&id).and_then(|person| {
        let merged_into = merged.as_deref().map(read).transpose()?;
        Ok(Person { person, called, born_year, merged_into })
    });
    Ok(person)
}
