//! People, and whose a guest's results are.

use rusqlite::{OptionalExtension, Row, params};
use thole_club::{
    Person, PersonId,
    person::{checked_name, folded},
};

use super::{ClubError, Store, lists::Listed, queries, writing};
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

    /// Gives a guest's result to a person, with all that was rowed in the same seat of that session, and what still will be; how
    /// many results that are now.
    ///
    /// # Errors
    /// It is not of a piece, is somebody's already, or cannot be written.
    pub fn give(
        &mut self,
        result: &Listed,
        person: &Person,
        now_unix_ms: u64,
    ) -> Result<usize, ClubError> {
        if person.merged_into.is_some() {
            return Err(ClubError::Refused(format!(
                "{} was joined with another person of the club: give it to that one.",
                person.called
            )));
        }
        let to = person.person.to_string();
        self.pass(result, Some(&to), now_unix_ms, |owner| match owner {
            None => Ok(()),
            Some(owner) if owner == to => Err(format!("It is {}'s already.", person.called)),
            Some(_) => Err("It is somebody else's: take it back first.".to_owned()),
        })
    }

    /// The results of a seat are a guest's again; how many.
    ///
    /// # Errors
    /// They are nobody's, or it cannot be written.
    pub fn take_back(&mut self, result: &Listed, now_unix_ms: u64) -> Result<usize, ClubError> {
        self.pass(result, None, now_unix_ms, |owner| match owner {
            Some(_) => Ok(()),
            None => Err("It is a guest's: there is nothing to take back.".to_owned()),
        })
    }

    fn pass(
        &mut self,
        result: &Listed,
        to: Option<&str>,
        now_unix_ms: u64,
        may: impl FnOnce(Option<String>) -> Result<(), String>,
    ) -> Result<usize, ClubError> {
        let (Some(session), Some(seat)) = (&result.session, result.seat) else {
            return Err(ClubError::Refused(
                "It was not rowed in a session: whose it is was said when it came.".to_owned(),
            ));
        };
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        // As it is now: somebody else may have said something of it since it was shown.
        let owner: Option<String> =
            transaction.query_row(queries::SEAT, params![club, session, seat], |row| row.get(1))?;
        may(owner).map_err(ClubError::Refused)?;
        let given = to.map(|_| now_unix_ms.cast_signed());
        transaction.execute(queries::GIVE_SEAT, params![to, given, club, session, seat])?;
        let results =
            transaction.execute(queries::GIVE_RESULTS, params![to, club, session, seat])?;
        transaction.commit()?;
        Ok(results)
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
