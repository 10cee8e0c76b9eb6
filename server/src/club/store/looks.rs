//! Who has read what concerns health, and who took a copy of people or results along.

use rusqlite::params;
use thole_club::PersonId;

use super::{ClubError, Store, queries, writing};
use crate::secret::random_uuid;

impl Store {
    /// Lists that somebody, as [`super::KeyHolder::who`] says it, has read or taken along something of a person, or of everybody.
    ///
    /// # Errors
    /// It cannot be written; then it is not to be read.
    pub fn keep_look(
        &mut self,
        who: &str,
        what: &str,
        person: Option<PersonId>,
        now_unix_ms: u64,
    ) -> Result<(), ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let person = person.map(|person| person.to_string());
        let (id, at) = (random_uuid().to_string(), now_unix_ms.cast_signed());
        transaction.execute(queries::KEEP_LOOK, params![club, id, who, what, person, at])?;
        Ok(transaction.commit()?)
    }
}
