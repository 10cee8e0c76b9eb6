//! Keys: whose they are, which a person has, and their end. One that was ended opens nothing from that moment on.

use rusqlite::{Connection, OptionalExtension, Row, params};
use thole_club::{Doer, Person, PersonId};
use thole_protocol::{
    club::{Ended, KeyId, KeyLine, KeyRole},
    ids::CoachId,
    order::GivenBy,
};
use uuid::Uuid;

use super::{ClubError, Store, queries, writing};
use crate::secret::SecretHash;

/// So many times somebody was joined with somebody else, at most; more is a ring.
const JOINED_MAX: usize = 16;
/// That a key was here is written once in so long: whoever reads their keys wants to know of days, and nobody is to write at each
/// question.
const HERE_EVERY_MS: u64 = 3_600_000;

/// Who has come in by a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyHolder {
    /// What the key is worth.
    pub role: KeyRole,
    /// Of a person: who they are now.
    pub person: Option<Person>,
    /// Of a coach with a key of their own: which, and what the club calls them.
    pub coach: Option<GivenBy>,
    /// Of a device of the hall: which, and what it is called.
    pub hall: Option<(KeyId, String)>,
    /// Which key; `None` for the head coach's link.
    pub key: Option<KeyId>,
    /// Of a person who is to be deleted: when that runs.
    pub goes_unix_ms: Option<u64>,
    /// When it was here before.
    last_unix_ms: Option<u64>,
}

impl KeyHolder {
    /// Whoever has the head coach's link.
    #[must_use]
    pub fn head() -> KeyHolder {
        KeyHolder {
            role: KeyRole::Head,
            person: None,
            coach: None,
            hall: None,
            key: None,
            goes_unix_ms: None,
            last_unix_ms: None,
        }
    }

    /// Which coach of the club they are, as a session's journal and its coaches see it; `None` of a person.
    #[must_use]
    pub fn given_by(&self) -> Option<GivenBy> {
        // The head coach's link is no coach's of the club.
        let head = || GivenBy { coach: CoachId(Uuid::nil()), name: Doer::HEAD.to_owned() };
        let is_coach = self.person.is_none() && self.hall.is_none();
        is_coach.then(|| self.coach.clone().unwrap_or_else(head))
    }

    /// Who they are, whichever of their keys they have come by: the identity of a coach, person or device of the hall, or
    /// [`Doer::HEAD`].
    #[must_use]
    pub fn who(&self) -> String {
        match (&self.coach, &self.person, &self.hall) {
            (Some(by), _, _) => by.coach.to_string(),
            (None, Some(person), _) => person.person.to_string(),
            (None, None, Some((device, _))) => device.to_string(),
            (None, None, None) => Doer::HEAD.to_owned(),
        }
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
            let (role, called): (Option<String>, Option<String>) = (row.get(3)?, row.get(4)?);
            let hall: (Option<String>, Option<String>) = (row.get(6)?, row.get(7)?);
            let last = row.get::<_, Option<i64>>(5)?;
            Ok((key, person, coach.zip(called), role, (last, hall.0.zip(hall.1))))
        });
        let Some((key, person, coach, role, (last, hall))) = row.optional()? else {
            return Ok(None);
        };
        let (key, last_unix_ms) = (Some(id(&key)?), last.map(i64::cast_unsigned));
        if let Some((device, called)) = hall {
            let hall = Some((id(&device)?, called));
            return Ok(Some(KeyHolder {
                role: KeyRole::Hall,
                hall,
                key,
                last_unix_ms,
                ..KeyHolder::head()
            }));
        }
        if let Some(person) = person {
            let person = person.parse().map_err(|_| broken("whose it is cannot be read"))?;
            let (role, (person, goes_unix_ms)) = (KeyRole::Person, self.now(person)?);
            let person = Some(person);
            return Ok(Some(KeyHolder {
                role,
                person,
                coach: None,
                hall: None,
                key,
                goes_unix_ms,
                last_unix_ms,
            }));
        }
        let role = match role.as_deref() {
            Some("head") => KeyRole::Head,
            Some("coach") => KeyRole::Coach,
            Some("assistant") => KeyRole::Assistant,
            _ => return Err(broken("what it is worth cannot be read")),
        };
        let coach = coach.map(|(coach, name)| {
            let coach = Uuid::try_parse(&coach).map(CoachId);
            let coach = coach.map_err(|_| broken("which coach it is cannot be read"))?;
            Ok::<_, ClubError>(GivenBy { coach, name })
        });
        let coach = coach.transpose()?;
        Ok(Some(KeyHolder { role, coach, key, last_unix_ms, ..KeyHolder::head() }))
    }

    /// Notes that a key is here.
    ///
    /// # Errors
    /// It cannot be written; nothing hangs on it.
    pub fn was_here(&self, holder: &KeyHolder, now_unix_ms: u64) -> Result<(), ClubError> {
        let is_recent = |last: u64| now_unix_ms.abs_diff(last) < HERE_EVERY_MS;
        let Some(key) = holder.key.filter(|_| !holder.last_unix_ms.is_some_and(is_recent)) else {
            return Ok(());
        };
        let club = self.club.club.to_string();
        let mut here = self.connection.prepare_cached(queries::KEY_WAS_HERE)?;
        here.execute(params![now_unix_ms.cast_signed(), club, key.to_string()])?;
        Ok(())
    }

    /// All that lets devices of a person in, oldest first, cards after keys. `this` is the key that asks.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn keys(
        &self,
        person: PersonId,
        this: Option<KeyId>,
        now_unix_ms: u64,
    ) -> Result<Vec<KeyLine>, ClubError> {
        let (club, person) = (self.club.club.to_string(), person.to_string());
        let mut select = self.connection.prepare_cached(queries::KEYS_OF_PERSON)?;
        let mut rows = select.query(params![club, person])?;
        let mut keys = Vec::new();
        while let Some(row) = rows.next()? {
            let key = id(&row.get::<_, String>(0)?)?;
            keys.push(KeyLine {
                key,
                device: row.get(1)?,
                from_unix_ms: row.get::<_, i64>(2)?.cast_unsigned(),
                last_unix_ms: row.get::<_, Option<i64>>(3)?.map(i64::cast_unsigned),
                is_card: false,
                until_unix_ms: None,
                made_by: by(row, 4)?,
                is_this: this == Some(key),
            });
        }
        let mut select = self.connection.prepare_cached(queries::CARDS_OF_PERSON)?;
        let mut rows = select.query(params![club, person, now_unix_ms.cast_signed()])?;
        while let Some(row) = rows.next()? {
            keys.push(KeyLine {
                key: id(&row.get::<_, String>(0)?)?,
                device: String::new(),
                from_unix_ms: row.get::<_, i64>(1)?.cast_unsigned(),
                last_unix_ms: None,
                is_card: true,
                until_unix_ms: Some(row.get::<_, i64>(2)?.cast_unsigned()),
                made_by: by(row, 3)?,
                is_this: false,
            });
        }
        Ok(keys)
    }

    /// Ends a key or a card of a person; `None` when they have none like that, and no more than once.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn end_key(
        &mut self,
        person: PersonId,
        key: KeyId,
        now_unix_ms: u64,
    ) -> Result<Option<Ended>, ClubError> {
        let (club, person, key) = (self.club.club.to_string(), person.to_string(), key.to_string());
        let transaction = writing(&mut self.connection)?;
        let theirs = params![club, key, person];
        let known = transaction.query_row(queries::IS_KEY_OF_PERSON, theirs, |_| Ok(()));
        if known.optional()?.is_none() {
            return Ok(None);
        }
        let mut ended = 0;
        for sql in [queries::END_KEY, queries::END_CARD] {
            let which = params![now_unix_ms.cast_signed(), club, key, person];
            ended += transaction.execute(sql, which)?;
        }
        transaction.commit()?;
        self.has_ended();
        Ok(Some(many(ended)))
    }

    /// Ends all keys and cards of a person, but the one that asks.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn end_keys(
        &mut self,
        person: PersonId,
        but: Option<KeyId>,
        now_unix_ms: u64,
    ) -> Result<Ended, ClubError> {
        let (club, person) = (self.club.club.to_string(), person.to_string());
        let but = but.map(|but| but.to_string()).unwrap_or_default();
        let transaction = writing(&mut self.connection)?;
        let now = now_unix_ms.cast_signed();
        let keys =
            transaction.execute(queries::END_KEYS_OF_PERSON, params![now, club, person, but])?;
        let cards =
            transaction.execute(queries::END_CARDS_OF_PERSON, params![now, club, person])?;
        transaction.commit()?;
        self.has_ended();
        Ok(many(keys + cards))
    }

    /// Who somebody is now, who may have been joined with somebody else.
    fn now(&self, person: PersonId) -> Result<(Person, Option<u64>), ClubError> {
        let mut wanted = person;
        for _ in 0..JOINED_MAX {
            match self.known(wanted)? {
                Some((Person { merged_into: Some(other), .. }, _)) => wanted = other,
                Some(found) => return Ok(found),
                None => break,
            }
        }
        Err(ClubError::Store("a key is nobody's".to_owned()))
    }
}

/// A new key of a device, of a coach or of the hall.
pub(super) struct KeyRow<'a> {
    pub(super) key: KeyId,
    pub(super) person: Option<&'a str>,
    pub(super) coach: Option<&'a str>,
    pub(super) hall: Option<&'a str>,
    pub(super) hash: SecretHash,
    pub(super) device: &'a str,
    pub(super) made_by: &'a str,
    pub(super) at_unix_ms: u64,
}

impl KeyRow<'_> {
    pub(super) fn put(&self, connection: &Connection, club: &str) -> Result<(), ClubError> {
        connection.execute(
            queries::NEW_KEY,
            params![
                club,
                self.key.to_string(),
                self.person,
                self.coach,
                self.hash.to_hex(),
                self.device,
                self.at_unix_ms.cast_signed(),
                self.made_by,
                self.hall,
            ],
        )?;
        Ok(())
    }
}

pub(super) fn id(text: &str) -> Result<KeyId, ClubError> {
    text.parse().map_err(|error| broken(&format!("its identity: {error}")))
}

fn broken(what: &str) -> ClubError {
    ClubError::Store(format!("a key: {what}"))
}

fn many(ended: usize) -> Ended {
    Ended { ended: u32::try_from(ended).unwrap_or(u32::MAX) }
}

/// Who made it, by the name of a coach where it was one.
fn by(row: &Row<'_>, at: usize) -> rusqlite::Result<Option<String>> {
    let (who, called): (Option<String>, Option<String>) = (row.get(at)?, row.get(at + 1)?);
    Ok(called.or(who))
}
