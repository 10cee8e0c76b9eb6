//! Keys, and whose they are.

use rusqlite::{OptionalExtension, params};
use thole_club::{Person, PersonId};
use thole_protocol::club::KeyRole;

use super::{ClubError, Store, queries};
use crate::secret::SecretHash;

/// So many times somebody was joined with somebody else, at most; more is a ring.
const JOINED_MAX: usize = 16;

/// Who has come in by a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyHolder {
    /// What the key is worth.
    pub role: KeyRole,
    /// Of a person: who they are now.
    pub person: Option<Person>,
    /// Of a coach with a key of their own: which, and what the club calls them.
    pub coach: Option<(String, String)>,
    /// Which key; `None` for the head coach's link.
    pub key: Option<String>,
}

impl KeyHolder {
    /// Whoever has the head coach's link.
    #[must_use]
    pub fn head() -> KeyHolder {
        KeyHolder { role: KeyRole::Head, person: None, coach: None, key: None }
    }
}

impl Store {
    /// Whose key this is; `None` when it opens nothing, or nothing any more.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn key_holder(&self, hash: SecretHash) -> Result<Option<KeyHolder>, ClubError> {
        let club = self.club.club.to_string();
        let mut select = self.connection.prepare_cached(queries::KEY_BY_HASH)?;
        let row = select.query_row(params![club, hash.to_hex()], |row| {
            let (key, person, coach): (String, Option<String>, Option<String>) =
                (row.get(0)?, row.get(1)?, row.get(2)?);
            Ok((key, person, coach, row.get::<_, Option<String>>(3)?, row.get(4)?))
        });
        let Some((key, person, coach, role, called)) = row.optional()? else { return Ok(None) };
        let key = Some(key);
        let broken = |what: &str| ClubError::Store(format!("a key: {what}"));
        if let Some(person) = person {
            let person = person.parse().map_err(|_| broken("whose it is cannot be read"))?;
            let person = Some(self.now(person)?);
            return Ok(Some(KeyHolder { role: KeyRole::Person, person, coach: None, key }));
        }
        let role = match role.as_deref() {
            Some("head") => KeyRole::Head,
            Some("coach") => KeyRole::Coach,
            Some("assistant") => KeyRole::Assistant,
            _ => return Err(broken("what it is worth cannot be read")),
        };
        let called: Option<String> = called;
        Ok(Some(KeyHolder { role, person: None, coach: coach.zip(called), key }))
    }

    /// Who somebody is now, who may have been joined with somebody else.
    fn now(&self, person: PersonId) -> Result<Person, ClubError> {
        let mut wanted = person;
        for _ in 0..JOINED_MAX {
            match self.who(wanted)? {
                Some(Person { merged_into: Some(other), .. }) => wanted = other,
                Some(found) => return Ok(found),
                None => break,
            }
        }
        Err(ClubError::Store("a key is nobody's".to_owned()))
    }
}
