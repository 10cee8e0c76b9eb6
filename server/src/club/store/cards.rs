//! Cards: each lets one device of a person in, once, within seven days.

use rusqlite::{Connection, OptionalExtension, params};
use thole_club::{Doer, Person, PersonId, person::checked_name};
use thole_protocol::club::KeyId;

use super::{
    ClubError, Store,
    keys::{KeyRow, id},
    queries,
    seats::is_here,
    writing,
};
use crate::secret::{SecretHash, random_uuid};

/// So long a card can be used.
pub(super) const CARD_LIVES_MS: u64 = 7 * 86_400_000;
/// So long after its last day a card that was used says so to whoever tries it again; then it is forgotten.
const CARD_REMEMBERED_MS: u64 = 30 * 86_400_000;
/// Cards of one person that wait for a device, at most: one for each device that somebody may row with.
const CARDS_MAX: usize = 8;
/// Devices of one person that have a key, at most.
const DEVICES_MAX: usize = 24;

/// A card that was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MadeCard {
    /// Which.
    pub card: KeyId,
    /// The last instant at which it can be used.
    pub until_unix_ms: u64,
}

/// What became of a card that was shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Shown {
    /// The device has a key now.
    Admits {
        /// Which.
        key: KeyId,
        /// Whose; `None` of a device of the hall.
        person: Option<Person>,
    },
    /// There is no such card.
    Unknown,
    /// Another device has used it.
    Used,
    /// It was ended, or is older than seven days.
    Over,
}

/// A card as it is kept.
struct CardRow {
    card: String,
    person: Option<String>,
    hall: Option<String>,
    until_unix_ms: u64,
    is_ended: bool,
    key: Option<String>,
    made_by: String,
    /// Whose it is is to be deleted.
    is_going: bool,
    /// What the key is known by that a device got for it, while that opens something.
    opens: Option<String>,
}

impl Store {
    /// Makes a card for a person. The same secret once more is the same card.
    ///
    /// # Errors
    /// They are not in the club, have too many cards that wait or too many devices, or it cannot be written.
    pub fn make_card(
        &mut self,
        person: PersonId,
        secret: SecretHash,
        doer: &Doer,
    ) -> Result<MadeCard, ClubError> {
        let (club, now) = (self.club.club.to_string(), doer.at_unix_ms);
        let there = self.keys(person, None, now)?;
        let transaction = writing(&mut self.connection)?;
        let made =
            |row: CardRow| Ok(MadeCard { card: id(&row.card)?, until_unix_ms: row.until_unix_ms });
        if let Some(row) = card(&transaction, &club, secret)? {
            return made(row);
        }
        is_here(&transaction, &club, &person.to_string())?;
        let cards = there.iter().filter(|line| line.is_card).count();
        if cards >= CARDS_MAX || there.len() - cards >= DEVICES_MAX {
            return Err(ClubError::Refused(format!(
                "At most {CARDS_MAX} cards of somebody wait to be used, and {DEVICES_MAX} devices of theirs have a key: end \
                 what is not needed first."
            )));
        }
        let forgotten = now.saturating_sub(CARD_REMEMBERED_MS).cast_signed();
        transaction.execute(queries::FORGET_CARDS, params![club, forgotten])?;
        let (card, until_unix_ms) = (KeyId(random_uuid()), now + CARD_LIVES_MS);
        transaction.execute(
            queries::NEW_CARD,
            params![
                club,
                card.to_string(),
                person.to_string(),
                secret.to_hex(),
                doer.who,
                now.cast_signed(),
                until_unix_ms.cast_signed(),
            ],
        )?;
        transaction.commit()?;
        Ok(MadeCard { card, until_unix_ms })
    }

    /// Gives the device that shows a card a key of its own. Whoever has not heard the answer asks once more with the same key:
    /// then it is the same again.
    ///
    /// # Errors
    /// The name of the device cannot be used, or it cannot be written; then the card is as it was.
    pub fn use_card(
        &mut self,
        shown: SecretHash,
        key: SecretHash,
        device: &str,
        now_unix_ms: u64,
    ) -> Result<Shown, ClubError> {
        let device = checked_name(device)
            .map_err(|says| ClubError::Refused(format!("What the device calls itself: {says}")))?;
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let Some(row) = card(&transaction, &club, shown)? else { return Ok(Shown::Unknown) };
        if row.is_going {
            return Ok(Shown::Over);
        }
        if let Some(before) = row.key {
            let is_again = row.opens == Some(key.to_hex()) && now_unix_ms <= row.until_unix_ms;
            drop(transaction);
            if !is_again {
                return Ok(Shown::Used);
            }
            return self.admits(id(&before)?, row.person.as_deref());
        }
        if row.is_ended || now_unix_ms > row.until_unix_ms {
            return Ok(Shown::Over);
        }
        if let Some(person) = &row.person {
            is_here(&transaction, &club, person)?;
        }
        let new = KeyRow {
            key: KeyId(random_uuid()),
            person: row.person.as_deref(),
            coach: None,
            hall: row.hall.as_deref(),
            hash: key,
            device: &device,
            made_by: &row.made_by,
            at_unix_ms: now_unix_ms,
        };
        new.put(&transaction, &club)?;
        let used =
            transaction.execute(queries::USE_CARD, params![new.key.to_string(), club, row.card])?;
        if used != 1 {
            return Err(ClubError::Store("a card was used meanwhile".to_owned()));
        }
        let key = new.key;
        transaction.commit()?;
        self.admits(key, row.person.as_deref())
    }

    fn admits(&self, key: KeyId, person: Option<&str>) -> Result<Shown, ClubError> {
        let Some(person) = person else { return Ok(Shown::Admits { key, person: None }) };
        let nobody = || ClubError::Store("a card is nobody's".to_owned());
        let person = person.parse().map_err(|_| nobody())?;
        Ok(Shown::Admits { key, person: Some(self.who(person)?.ok_or_else(nobody)?) })
    }
}

fn card(
    connection: &Connection,
    club: &str,
    secret: SecretHash,
) -> Result<Option<CardRow>, ClubError> {
    let mut select = connection.prepare_cached(queries::CARD_BY_HASH)?;
    let row = select.query_row(params![club, secret.to_hex()], |row| {
        let (opens, key_ended): (Option<String>, Option<i64>) = (row.get(6)?, row.get(7)?);
        Ok(CardRow {
            card: row.get(0)?,
            person: row.get(1)?,
            until_unix_ms: row.get::<_, i64>(2)?.cast_unsigned(),
            is_ended: row.get::<_, Option<i64>>(3)?.is_some(),
            key: row.get(4)?,
            made_by: row.get(5)?,
            is_going: row.get(8)?,
            opens: opens.filter(|_| key_ended.is_none()),
            hall: row.get(9)?,
        })
    });
    Ok(row.optional()?)
}

#[cfg(test)]
mod tests {
    use std::{sync::Barrier, thread::scope};

    use thole_protocol::club::KeyRole;

    use super::*;

    const DAY: u64 = 86_400_000;

    fn hash(of: &str) -> SecretHash {
        SecretHash::of(of)
    }

    fn at(at_unix_ms: u64) -> Doer {
        Doer { who: "a test".to_owned(), at_unix_ms }
    }

    /// A club with Ana in it, who has a card.
    fn club() -> (tempfile::TempDir, Store, PersonId, MadeCard) {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        let ana = store.add_person("Ana", None, &Doer::at_the_command_line(1)).unwrap().person;
        let card = store.make_card(ana, hash("card"), &at(DAY)).unwrap();
        (folder, store, ana, card)
    }

    #[test]
    fn a_card_lets_one_device_in_once_and_is_no_key_itself() {
        let (_folder, mut store, ana, card) = club();
        assert_eq!(card.until_unix_ms, 8 * DAY);
        assert_eq!(store.make_card(ana, hash("card"), &at(2 * DAY)).unwrap(), card, "said again");
        assert_eq!(store.key_holder(hash("card")).unwrap(), None);
        assert_eq!(store.use_card(hash("guess"), hash("k"), "Phone", DAY).unwrap(), Shown::Unknown);
        let Shown::Admits { key, person } =
            store.use_card(hash("card"), hash("k"), " Ana\u{2019}s phone ", 8 * DAY).unwrap()
        else {
            panic!("the first device is let in")
        };
        assert_eq!(person.as_ref().map(|person| person.person), Some(ana));
        let holder = store.key_holder(hash("k")).unwrap().unwrap();
        assert_eq!(
            (holder.role, holder.key, holder.person),
            (KeyRole::Person, Some(key), person.clone())
        );
        let other = store.use_card(hash("card"), hash("other"), "Thief", DAY).unwrap();
        assert_eq!((other, store.key_holder(hash("other")).unwrap()), (Shown::Used, None));
        // The answer was lost on its way.
        let again = store.use_card(hash("card"), hash("k"), "Ana\u{2019}s phone", 8 * DAY).unwrap();
        assert_eq!(again, Shown::Admits { key, person });
        let keys = store.keys(ana, Some(key), DAY).unwrap();
        let [line] = keys.as_slice() else { panic!("{keys:?}") };
        assert_eq!(
            (&*line.device, line.is_this, line.is_card),
            ("Ana\u{2019}s phone", true, false)
        );
        assert_eq!(line.made_by.as_deref(), Some("a test"));
        // A card from whose key nothing is left to open gives no other.
        store.end_key(ana, key, DAY).unwrap();
        let again = store.use_card(hash("card"), hash("k"), "Ana\u{2019}s phone", DAY).unwrap();
        assert_eq!((again, store.key_holder(hash("k")).unwrap()), (Shown::Used, None));
    }

    #[test]
    fn a_card_is_over_after_seven_days_or_when_it_was_ended() {
        let (_folder, mut store, ana, card) = club();
        let used =
            store.use_card(hash("card"), hash("k"), "Phone", card.until_unix_ms + 1).unwrap();
        assert_eq!((used, store.keys(ana, None, 9 * DAY).unwrap()), (Shown::Over, vec![]));
        assert_eq!(store.end_key(ana, card.card, 2 * DAY).unwrap().unwrap().ended, 1);
        assert_eq!(store.end_key(ana, card.card, 2 * DAY).unwrap().unwrap().ended, 0);
        assert_eq!(store.end_key(ana, KeyId(random_uuid()), 2 * DAY).unwrap(), None);
        let used = store.use_card(hash("card"), hash("k"), "Phone", 2 * DAY).unwrap();
        assert_eq!((used, store.key_holder(hash("k")).unwrap()), (Shown::Over, None));
        // What a device may not be called uses nothing up.
        store.make_card(ana, hash("next"), &at(DAY)).unwrap();
        for wrong in ["", "two\nlines", &"a".repeat(41)] {
            store.use_card(hash("next"), hash("k"), wrong, DAY).unwrap_err();
        }
        assert_eq!(store.keys(ana, None, DAY).unwrap().len(), 1);
        // Long after, it is forgotten.
        store.make_card(ana, hash("later"), &at(40 * DAY)).unwrap();
        assert_eq!(store.use_card(hash("card"), hash("k"), "P", DAY).unwrap(), Shown::Unknown);
    }

    #[test]
    fn nobody_else_ends_a_key_and_all_end_at_once_but_the_one_that_asks() {
        let (_folder, mut store, ana, _) = club();
        let bo = store.add_person("Bo", None, &Doer::at_the_command_line(1)).unwrap().person;
        let Shown::Admits { key, .. } =
            store.use_card(hash("card"), hash("a"), "One", DAY).unwrap()
        else {
            panic!("the first device is let in")
        };
        for (card, secret) in [("b", "b-key"), ("c", "c-key")] {
            store.make_card(ana, hash(card), &at(DAY)).unwrap();
            store.use_card(hash(card), hash(secret), "Another", DAY).unwrap();
        }
        store.make_card(ana, hash("d"), &at(DAY)).unwrap();
        store.make_card(bo, hash("bo"), &at(DAY)).unwrap();
        store.use_card(hash("bo"), hash("bo-key"), "Bo's", DAY).unwrap();
        assert_eq!(store.end_key(bo, key, DAY).unwrap(), None, "it is not Bo's");
        assert_eq!(store.end_keys(ana, Some(key), DAY).unwrap().ended, 3);
        let opens = |store: &Store, of: &str| store.key_holder(hash(of)).unwrap().is_some();
        assert!(opens(&store, "a") && opens(&store, "bo-key"));
        assert!(!opens(&store, "b-key") && !opens(&store, "c-key"));
        assert_eq!(store.use_card(hash("d"), hash("d-key"), "X", DAY).unwrap(), Shown::Over);
        assert_eq!(store.end_keys(ana, None, DAY).unwrap().ended, 1);
        assert!(!opens(&store, "a"));
    }

    #[test]
    fn of_two_devices_that_show_a_card_at_the_same_moment_one_is_let_in() {
        let (folder, mut store, ana, _) = club();
        for round in 0..20 {
            let card = format!("card {round}");
            store.end_keys(ana, None, DAY).unwrap();
            store.make_card(ana, hash(&card), &at(DAY)).unwrap();
            let both = Barrier::new(2);
            let shows = |which: &str| {
                let mut store = Store::open(folder.path()).unwrap();
                both.wait();
                store.use_card(hash(&card), hash(&format!("{card}{which}")), which, DAY).unwrap()
            };
            let (one, other) = scope(|threads| {
                let (one, other) =
                    (threads.spawn(|| shows("one")), threads.spawn(|| shows("other")));
                (one.join().unwrap(), other.join().unwrap())
            });
            let is_in = |shown: &Shown| matches!(shown, Shown::Admits { .. });
            assert!(is_in(&one) != is_in(&other), "{one:?} {other:?}");
            assert_eq!(store.keys(ana, None, DAY).unwrap().len(), 1);
        }
    }

    #[test]
    fn who_was_in_the_club_twice_keeps_their_cards_and_a_stranger_gets_none() {
        let (_folder, mut store, ana, _) = club();
        let other = store.add_person("Anna", None, &Doer::at_the_command_line(1)).unwrap();
        let ana = store.who(ana).unwrap().unwrap();
        store.merge(&ana, &other, &at(DAY)).unwrap();
        store.make_card(ana.person, hash("x"), &at(DAY)).unwrap_err();
        store.make_card(PersonId(random_uuid()), hash("x"), &at(DAY)).unwrap_err();
        let shown = store.use_card(hash("card"), hash("k"), "Phone", DAY).unwrap();
        let Shown::Admits { person, .. } = shown else { panic!("{shown:?}") };
        assert_eq!(person.map(|person| person.person), Some(other.person));
        for card in 0..CARDS_MAX {
            store.make_card(other.person, hash(&card.to_string()), &at(DAY)).unwrap();
        }
        let many = store.make_card(other.person, hash("x"), &at(DAY)).unwrap_err();
        assert!(many.to_string().contains("end what is not needed"), "{many}");
    }
}
