//! Deleting people: all rows of theirs, and what other rows say of them. The places that they had stay, and are nobody's.

use std::{
    collections::BTreeSet,
    path::{Path, PathBuf},
};

use rusqlite::{Connection, OptionalExtension, params};
use serde_json::Value;
use thole_club::{ClubDay, PersonId, ResultId, Zone};
use thole_protocol::ids::{AthleteId, SessionId};

use super::{
    ClubError, Store,
    deeds::{forget_at, forget_of},
    kept_rows::{
        ATTENDANCE, CARD, CONSENT, GIVEN_PIECE, KEY, LOOKED, MEMBERSHIP, NOTE, PERSON, RESULT,
        RowsOf, SEAT,
    },
    pieces::ids,
    queries, sessions, writing,
};
use crate::{
    club::{
        gone::{self, Gone, GoneId},
        migrations,
    },
    secret::random_uuid,
};

/// Rows of a person that go as they are.
const ROWS: [RowsOf; 7] = [KEY, CARD, CONSENT, MEMBERSHIP, ATTENDANCE, NOTE, LOOKED];
/// Who stands for somebody who is gone.
const SOMEBODY: &str = "somebody";
/// What a tombstone stands for: a seat of a session.
const OF_SEAT: &str = "seat";
/// One piece in another's seat.
const OF_PIECE: &str = "piece";

/// A seat that somebody leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct SeatLeft {
    /// Of which session.
    pub session: SessionId,
    /// Who they are in its journal; `None` where that is not known.
    pub athlete: Option<AthleteId>,
}

/// All that is known of a person by identities: what a list of what is gone says of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Places {
    /// They themselves, and entries that were merged with them.
    pub people: BTreeSet<PersonId>,
    /// Where they have rowed.
    pub seats: BTreeSet<SeatLeft>,
    /// GoneId.
    pub results: BTreeSet<ResultId>,
}

impl Places {
    fn told(&self) -> impl Iterator<Item = GoneId> {
        let people = self.people.iter().map(|person| GoneId::Person(*person));
        let seats = self.seats.iter();
        let seats = seats.filter_map(|left| Some(GoneId::Athlete(left.session, left.athlete?)));
        people.chain(seats).chain(self.results.iter().map(|result| GoneId::Result(*result)))
    }
}

impl Store {
    /// Where somebody who is to be deleted has left something.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn places_of(&self, person: PersonId) -> Result<Places, ClubError> {
        places(&self.connection, &self.club.club.to_string(), person)
    }

    /// From now on somebody whose time has come is being deleted, and nobody takes it back: the list of what is gone says so.
    /// Returns where they have left something; `None` when it was taken back meanwhile.
    ///
    /// # Errors
    /// The list cannot be written, or the club not be read.
    pub fn begin_to_delete(
        &mut self,
        person: PersonId,
        now_unix_ms: u64,
    ) -> Result<Option<Places>, ClubError> {
        let (club, day) = (self.club.club.to_string(), self.club.zone.day(now_unix_ms));
        // Nobody writes meanwhile.
        let transaction = writing(&mut self.connection)?;
        let is_begun = gone_of(&transaction)?.has(GoneId::Person(person));
        let goes =
            transaction.query_row(queries::PERSON, params![club, person.to_string()], |row| {
                row.get::<_, Option<i64>>(5)
            });
        let goes = goes.optional()?.flatten().map(i64::cast_unsigned);
        if !is_begun && goes.is_none_or(|goes| goes > now_unix_ms) {
            return Ok(None);
        }
        let places = places(&transaction, &club, person)?;
        let list = list_of(&transaction)?;
        gone::add(&list, &day, places.told()).map_err(|error| listless(&error))?;
        transaction.commit()?;
        Ok(Some(places))
    }

    /// Deletes people, all of each or nothing: their rows, what it takes to undo what was done to them, answers that name them, their
    /// names where others have rowed in their seats. A tombstone keeps each place. How many people that were.
    ///
    /// # Errors
    /// It cannot be written; then nothing was.
    pub fn delete_people(&mut self, places: &Places, day: &ClubDay) -> Result<usize, ClubError> {
        let (club, zone) = (self.club.club.to_string(), self.club.zone.clone());
        let transaction = writing(&mut self.connection)?;
        let deletes = Deleting { connection: &transaction, club: &club, day, zone: &zone };
        let mut deleted = 0;
        for left in &places.seats {
            if let Some(athlete) = left.athlete {
                deletes.empty_seat_of(left.session, athlete)?;
            }
        }
        for result in &places.results {
            deletes.remove_result(&result.to_string())?;
        }
        // Those who were merged with others first, for they point to them.
        let mut people = Vec::new();
        for person in &places.people {
            let mut entries = entries(&transaction, &club, *person)?;
            entries.reverse();
            people.extend(entries);
        }
        for person in people {
            deleted += deletes.person(&person)?;
        }
        transaction.execute(queries::BLANK_ANSWERS, params![club])?;
        transaction.execute(queries::SET_TRACES, params![1, club])?;
        transaction.commit()?;
        Ok(deleted)
    }

    /// Overwrites what free pages and the file that is written ahead have kept of people who were deleted, and removes copies of
    /// older versions that they are still in. False while somebody is reading: it is to be tried again.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn overwrite_traces(&mut self) -> Result<bool, ClubError> {
        let club = self.club.club.to_string();
        let has_traces: bool =
            self.connection.query_row(queries::TRACES, [&club], |row| row.get(0))?;
        if !has_traces {
            return Ok(true);
        }
        if let Some(file) = self.connection.path() {
            let removed = migrations::remove_copies(Path::new(file));
            removed.map_err(|error| ClubError::Store(error.to_string()))?;
        }
        self.connection.execute_batch("VACUUM")?;
        let fold = "PRAGMA wal_checkpoint(TRUNCATE)";
        if self.connection.query_row(fold, [], |row| row.get::<_, i64>(0))? != 0 {
            return Ok(false);
        }
        self.connection.execute(queries::SET_TRACES, params![0, club])?;
        Ok(true)
    }

    /// Does to this club what a list says is gone, as to a copy from before: people, their seats and results are deleted, keys and
    /// cards ended, consents withdrawn. How many people were deleted.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn apply_gone(&mut self, gone: &Gone, now_unix_ms: u64) -> Result<usize, ClubError> {
        let club = self.club.club.to_string();
        let mut places = Places::default();
        {
            let transaction = writing(&mut self.connection)?;
            for (what, day) in gone.all() {
                let now = now_unix_ms.cast_signed();
                match what {
                    GoneId::Person(person) => drop(places.people.insert(person)),
                    GoneId::Athlete(session, athlete) => {
                        places.seats.insert(SeatLeft { session, athlete: Some(athlete) });
                    }
                    GoneId::Result(result) => drop(places.results.insert(result)),
                    GoneId::Key(key) => {
                        for sql in [queries::END_ANY_KEY, queries::END_ANY_CARD] {
                            transaction.execute(sql, params![now, club, key.to_string()])?;
                        }
                    }
                    GoneId::Consent(consent) => {
                        let named = params![day.as_str(), club, consent.to_string()];
                        transaction.execute(queries::WITHDRAW, named)?;
                    }
                }
            }
            transaction.commit()?;
        }
        let day = self.club.zone.day(now_unix_ms);
        let deleted = self.delete_people(&places, &day)?;
        self.overwrite_traces()?;
        Ok(deleted)
    }

    /// Ends every key and every card.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn end_everything(&mut self, now_unix_ms: u64) -> Result<(), ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        for sql in [queries::END_ALL_KEYS, queries::END_ALL_CARDS] {
            transaction.execute(sql, params![now_unix_ms.cast_signed(), club])?;
        }
        transaction.commit()?;
        self.has_ended();
        Ok(())
    }

    /// Something was ended: it is listed once that stands.
    pub(super) fn has_ended(&mut self) {
        if self.connection.is_autocommit() {
            self.list_ended();
        } else {
            self.lists_ended = true;
        }
    }

    /// Puts what was ended into the list of what is gone. What does not get there now gets there later: at the next end, each hour,
    /// and before a copy is made.
    pub fn list_ended(&self) {
        let listed = self.ended().and_then(|ended| {
            let list = list_of(&self.connection)?;
            let today = self.club.zone.day(crate::clock::Clock::new(1).unix_ms());
            gone::add(&list, &today, ended).map_err(|error| listless(&error))
        });
        if let Err(error) = listed {
            tracing::warn!(%error, "what was ended is not listed yet");
        }
    }

    fn ended(&self) -> Result<Vec<GoneId>, ClubError> {
        let club = self.club.club.to_string();
        let mut select = self.connection.prepare_cached(queries::ENDED)?;
        let mut rows = select.query([&club])?;
        let mut ended = Vec::new();
        while let Some(row) = rows.next()? {
            let (what, id): (String, String) = (row.get(0)?, row.get(1)?);
            let unread = |error: &dyn std::fmt::Display| ClubError::Store(error.to_string());
            ended.push(match what.as_str() {
                "consent" => GoneId::Consent(id.parse().map_err(|error| unread(&error))?),
                _ => GoneId::Key(id.parse().map_err(|error| unread(&error))?),
            });
        }
        Ok(ended)
    }
}

/// The list of what is gone, beside the club's file.
fn list_of(connection: &Connection) -> Result<PathBuf, ClubError> {
    let file = connection.path().map(Path::new).and_then(Path::parent);
    file.map(gone::file).ok_or_else(|| listless(&"the club is in no folder"))
}

/// What is gone for good.
pub(super) fn gone_of(connection: &Connection) -> Result<Gone, ClubError> {
    let gone = Gone::read(&list_of(connection)?).map_err(|error| listless(&error))?;
    Ok(gone.unwrap_or_default())
}

fn listless(error: &dyn std::fmt::Display) -> ClubError {
    ClubError::Store(format!("the list of what is gone: {error}"))
}

/// A person, and then whoever was merged with them; nobody when they are gone.
fn entries(
    connection: &Connection,
    club: &str,
    person: PersonId,
) -> Result<Vec<String>, ClubError> {
    ids(connection, queries::ENTRIES, params![club, person.to_string()])
}

fn places(connection: &Connection, club: &str, person: PersonId) -> Result<Places, ClubError> {
    fn read<T: std::str::FromStr<Err: std::fmt::Display>>(text: &str) -> Result<T, ClubError> {
        text.parse().map_err(|error| ClubError::Store(format!("an identity: {error}")))
    }
    let mut all = Places::default();
    for entry in entries(connection, club, person)? {
        let mut select = connection.prepare_cached(queries::SEATS_OF)?;
        let mut rows = select.query(params![club, entry])?;
        while let Some(row) = rows.next()? {
            let (session, athlete): (String, Option<String>) = (row.get(0)?, row.get(2)?);
            let athlete = athlete.as_deref().map(read).transpose()?.map(AthleteId);
            all.seats.insert(SeatLeft { session: SessionId(read(&session)?), athlete });
        }
        for result in ids(connection, queries::RESULTS_OF, params![club, entry])? {
            all.results.insert(read(&result)?);
        }
        all.people.insert(read(&entry)?);
    }
    Ok(all)
}

struct Deleting<'a> {
    connection: &'a Connection,
    club: &'a str,
    day: &'a ClubDay,
    zone: &'a Zone,
}

impl Deleting<'_> {
    /// One entry; how many that was.
    fn person(&self, person: &str) -> Result<usize, ClubError> {
        let Deleting { connection, club, .. } = *self;
        forget_of(connection, club, person)?;
        forget_at(connection, club, PERSON, &[Value::from(person)])?;
        for result in ids(connection, queries::RESULTS_OF, params![club, person])? {
            self.remove_result(&result)?;
        }
        for seat in SEAT.keys(connection, club, "person", person)? {
            self.empty_seat(&seat)?;
        }
        connection.execute(queries::FORGET_CAME, params![club, person])?;
        for piece in GIVEN_PIECE.keys(connection, club, "person", person)? {
            forget_at(connection, club, GIVEN_PIECE, &piece)?;
            let [session, seat, nth] = piece.as_slice() else { continue };
            let tombstone = self.tombstone(OF_PIECE)?;
            connection.execute(
                queries::EMPTY_PIECE,
                params![tombstone, club, session.as_str(), seat.as_i64(), nth.as_i64()],
            )?;
            self.list_session(session.as_str().unwrap_or_default())?;
        }
        for of in ROWS {
            for key in of.keys(connection, club, "person", person)? {
                forget_at(connection, club, of, &key)?;
                of.remove(connection, club, &key)?;
            }
        }
        for sql in [queries::FORGET_ANSWERS, queries::FORGET_LOOKS] {
            connection.execute(sql, params![club, person])?;
        }
        for sql in [queries::NOBODY_DID, queries::NOBODY_UNDID] {
            connection.execute(sql, params![SOMEBODY, club, person])?;
        }
        PERSON.remove(connection, club, &[Value::from(person)])?;
        Ok(1)
    }

    /// The seat that an athlete of a session has, whosever it is said to be.
    fn empty_seat_of(&self, session: SessionId, athlete: AthleteId) -> Result<(), ClubError> {
        let named = params![self.club, session.to_string(), athlete.to_string()];
        let seat = self.connection.query_row(queries::SEAT_OF_ATHLETE, named, |row| {
            Ok([Value::from(row.get::<_, String>(0)?), Value::from(row.get::<_, i64>(1)?)])
        });
        match seat.optional()? {
            Some(seat) => self.empty_seat(&seat),
            None => Ok(()),
        }
    }

    fn empty_seat(&self, key: &[Value]) -> Result<(), ClubError> {
        let Deleting { connection, club, .. } = *self;
        let [session, seat] = key else { return Ok(()) };
        let (session, seat) = (session.as_str(), seat.as_i64());
        forget_at(connection, club, SEAT, key)?;
        let of_seat = params![club, session, seat];
        for result in ids(connection, queries::RESULTS_OF_SEAT, of_seat)? {
            self.remove_result(&result)?;
        }
        connection.execute(queries::NAMELESS, of_seat)?;
        let tombstone = self.tombstone(OF_SEAT)?;
        connection.execute(queries::EMPTY_SEAT, params![tombstone, club, session, seat])?;
        self.list_session(session.unwrap_or_default())
    }

    /// A session is listed as the results that are left have it.
    fn list_session(&self, session: &str) -> Result<(), ClubError> {
        let Deleting { connection, club, zone, .. } = *self;
        let title = connection
            .prepare_cached(queries::SESSION)?
            .query_row(params![club, session], |row| row.get::<_, String>(3));
        match title.optional()? {
            Some(title) => sessions::put(connection, club, session, &title, zone),
            None => Ok(()),
        }
    }

    fn remove_result(&self, result: &str) -> Result<(), ClubError> {
        let Deleting { connection, club, .. } = *self;
        forget_at(connection, club, RESULT, &[Value::from(result)])?;
        connection.execute(queries::DEEDS_AT_RESULT, params![club, result])?;
        connection.execute(queries::REMOVE_RESULT, params![club, result])?;
        Ok(())
    }

    /// Keeps a place. One for each, so that nobody sees which of them were one person's.
    fn tombstone(&self, what: &str) -> Result<String, ClubError> {
        let id = random_uuid().to_string();
        let day = self.day.as_str();
        self.connection.execute(queries::NEW_TOMBSTONE, params![self.club, id, what, day])?;
        Ok(id)
    }
}
