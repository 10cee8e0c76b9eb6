//! Coaches of the club, each with a link of their own. Whoever has the head coach's link of the server needs none.

use rusqlite::{Connection, OptionalExtension, Row, params};
use thole_club::{
    ClubDay, Doer,
    person::{checked_name, folded},
};
use thole_protocol::{
    club::{CoachLine, CoachRole, KeyId},
    ids::CoachId,
};
use uuid::Uuid;

use super::{ClubError, Store, keys::KeyRow, queries, writing};
use crate::secret::{SecretHash, random_uuid};

/// Coaches, at most; a club has some.
const COACHES_MAX: usize = 100;

impl Store {
    /// The coaches of the club, by their names.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn coaches(&self) -> Result<Vec<CoachLine>, ClubError> {
        coaches(&self.connection, &self.club.club.to_string())
    }

    /// A coach by their name or identity, or the beginning of one of the two.
    ///
    /// # Errors
    /// It is nobody's, or several coaches'; or it cannot be read.
    pub fn coach(&self, said: &str) -> Result<CoachLine, ClubError> {
        let (all, wanted) = (self.coaches()?, folded(said));
        if let Some(line) = all.iter().find(|line| folded(&line.called) == wanted) {
            return Ok(line.clone());
        }
        let begins = |line: &&CoachLine| {
            folded(&line.called).starts_with(&wanted) || line.coach.to_string().starts_with(&wanted)
        };
        let mut found = all.iter().filter(begins);
        match (found.next(), found.next()) {
            (Some(one), None) if !wanted.is_empty() => Ok(one.clone()),
            _ => Err(ClubError::Refused(format!(
                "No coach, or more than one, is called {said}; `club coach list` lists them."
            ))),
        }
    }

    /// Adds a coach, who has this link from now on. The same link once more is the same coach.
    ///
    /// # Errors
    /// It is no name, a coach is called so already, there are too many, or it cannot be written.
    pub fn add_coach(
        &mut self,
        called: &str,
        role: CoachRole,
        link: SecretHash,
        doer: &Doer,
    ) -> Result<CoachLine, ClubError> {
        let called = checked_name(called).map_err(ClubError::Refused)?;
        let (club, today) = (self.club.club.to_string(), self.today(doer));
        let transaction = writing(&mut self.connection)?;
        if let Some(before) = linked(&transaction, &club, link)? {
            return Ok(before);
        }
        let there = coaches(&transaction, &club)?;
        if there.iter().any(|line| folded(&line.called) == folded(&called)) {
            return Err(ClubError::Refused(format!(
                "A coach is called {called} already: add an initial to tell them apart."
            )));
        }
        if there.len() >= COACHES_MAX {
            return Err(ClubError::Refused(format!(
                "A club has at most {COACHES_MAX} coaches: end those who have left."
            )));
        }
        let coach = CoachId(random_uuid());
        let word = match role {
            CoachRole::Assistant => "assistant",
            CoachRole::Coach => "coach",
            CoachRole::Head => "head",
        };
        let id = coach.to_string();
        transaction.execute(queries::NEW_COACH, params![club, id, called, word, today.as_str()])?;
        link_of(&id, link, doer).put(&transaction, &club)?;
        transaction.commit()?;
        let from_day = today.to_string();
        Ok(CoachLine { coach, called, role, from_day, last_unix_ms: None })
    }

    /// Gives a coach a new link; those they had open nothing any more. `None` when there is no such coach.
    ///
    /// # Errors
    /// It cannot be written; then the old one opens as before.
    pub fn link_coach(
        &mut self,
        coach: CoachId,
        link: SecretHash,
        doer: &Doer,
    ) -> Result<Option<CoachLine>, ClubError> {
        let (club, id) = (self.club.club.to_string(), coach.to_string());
        let transaction = writing(&mut self.connection)?;
        let Some(line) = of(&transaction, queries::COACH, params![club, id])? else {
            return Ok(None);
        };
        // Asked once more after a lost answer, it is not a link that ends itself.
        if linked(&transaction, &club, link)?.is_none() {
            let now = doer.at_unix_ms.cast_signed();
            transaction.execute(queries::END_KEYS_OF_COACH, params![now, club, id])?;
            link_of(&id, link, doer).put(&transaction, &club)?;
        }
        transaction.commit()?;
        self.has_ended();
        Ok(Some(line))
    }

    /// Somebody is a coach no longer, and their links open nothing any more; false when there is no such coach.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn end_coach(&mut self, coach: CoachId, doer: &Doer) -> Result<bool, ClubError> {
        let (club, id, today) = (self.club.club.to_string(), coach.to_string(), self.today(doer));
        let transaction = writing(&mut self.connection)?;
        let ended = transaction.execute(queries::END_COACH, params![today.as_str(), club, id])?;
        let now = doer.at_unix_ms.cast_signed();
        transaction.execute(queries::END_KEYS_OF_COACH, params![now, club, id])?;
        transaction.commit()?;
        self.has_ended();
        Ok(ended > 0)
    }

    fn today(&self, doer: &Doer) -> ClubDay {
        self.club.zone.day(doer.at_unix_ms)
    }
}

fn link_of<'a>(coach: &'a str, hash: SecretHash, doer: &'a Doer) -> KeyRow<'a> {
    KeyRow {
        key: KeyId(random_uuid()),
        person: None,
        coach: Some(coach),
        hall: None,
        hash,
        device: "",
        made_by: &doer.who,
        at_unix_ms: doer.at_unix_ms,
    }
}

fn coaches(connection: &Connection, club: &str) -> Result<Vec<CoachLine>, ClubError> {
    let mut select = connection.prepare_cached(queries::COACHES)?;
    let mut rows = select.query([club])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        all.push(line(row)?);
    }
    all.sort_by_key(|line| (folded(&line.called), line.coach));
    Ok(all)
}

/// Whose link this is; `None` when it opens nothing.
fn linked(
    connection: &Connection,
    club: &str,
    link: SecretHash,
) -> Result<Option<CoachLine>, ClubError> {
    of(connection, queries::COACH_BY_HASH, params![club, link.to_hex()])
}

fn of(
    connection: &Connection,
    sql: &str,
    named: impl rusqlite::Params,
) -> Result<Option<CoachLine>, ClubError> {
    let mut select = connection.prepare_cached(sql)?;
    let row = select.query_row(named, |row| Ok(line(row)));
    row.optional()?.transpose()
}

fn line(row: &Row<'_>) -> Result<CoachLine, ClubError> {
    let broken = |what: &str| ClubError::Store(format!("a coach: {what}"));
    let (coach, role): (String, String) = (row.get(0)?, row.get(2)?);
    Ok(CoachLine {
        coach: Uuid::try_parse(&coach)
            .map(CoachId)
            .map_err(|_| broken("who it is cannot be read"))?,
        called: row.get(1)?,
        role: match &*role {
            "head" => CoachRole::Head,
            "coach" => CoachRole::Coach,
            "assistant" => CoachRole::Assistant,
            _ => return Err(broken("what they may cannot be read")),
        },
        from_day: row.get(3)?,
        last_unix_ms: row.get::<_, Option<i64>>(4)?.map(i64::cast_unsigned),
    })
}

#[cfg(test)]
mod tests {
    use thole_protocol::club::KeyRole;

    use super::*;

    fn hash(of: &str) -> SecretHash {
        SecretHash::of(of)
    }

    #[test]
    fn a_coach_has_one_link_until_the_next_one_or_their_end() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        let doer = Doer { who: "a test".to_owned(), at_unix_ms: 1_796_077_800_000 };
        let role =
            |store: &Store, of: &str| store.key_holder(hash(of)).unwrap().map(|holder| holder.role);
        let jo = store.add_coach(" Jo ", CoachRole::Coach, hash("a"), &doer).unwrap();
        assert_eq!((&*jo.called, role(&store, "a")), ("Jo", Some(KeyRole::Coach)));
        assert_eq!(store.add_coach("Jo", CoachRole::Coach, hash("a"), &doer).unwrap(), jo);
        store.add_coach("JO", CoachRole::Head, hash("b"), &doer).unwrap_err();
        store.add_coach("", CoachRole::Head, hash("b"), &doer).unwrap_err();
        let ines = store.add_coach("Ines", CoachRole::Assistant, hash("i"), &doer).unwrap();
        assert_eq!(store.coaches().unwrap(), [ines.clone(), jo.clone()]);
        assert_eq!(store.coach("in").unwrap(), ines);
        store.coach("").unwrap_err();

        store.link_coach(jo.coach, hash("b"), &doer).unwrap().unwrap();
        assert_eq!((role(&store, "a"), role(&store, "b")), (None, Some(KeyRole::Coach)));
        store.link_coach(jo.coach, hash("b"), &doer).unwrap().unwrap();
        assert_eq!(role(&store, "b"), Some(KeyRole::Coach), "asked once more");
        assert!(store.end_coach(jo.coach, &doer).unwrap());
        assert!(!store.end_coach(jo.coach, &doer).unwrap());
        assert_eq!((role(&store, "b"), store.coaches().unwrap()), (None, vec![ines]));
        assert_eq!(store.link_coach(jo.coach, hash("c"), &doer).unwrap(), None);
        assert_eq!(role(&store, "c"), None);
        // The name is free again.
        store.add_coach("Jo", CoachRole::Head, hash("c"), &doer).unwrap();
        assert_eq!(role(&store, "c"), Some(KeyRole::Head));
    }
}
