//! A session's numbers and keys as they are in its tables: the people, the recordings, the session itself.

use rusqlite::{Connection, OptionalExtension, params};
use thole_host::stored::{
    chain::{Key, sum},
    keys::{Keys, OwnKeys, Salt},
    packing::Passing,
};
use thole_protocol::ids::{AthleteId, RunId, SessionId};
use uuid::Uuid;

use super::columns::whole;
use crate::{
    journal::SessionRow,
    secret::{random_key, random_salt},
};

/// What is known of one session in order to write and read its records.
#[derive(Clone, Debug)]
pub(super) struct Seats {
    /// The session's own number.
    pub(super) number: i64,
    pub(super) tenure: i64,
    pub(super) keys: Keys,
    persons: u64,
    runs: u64,
    /// Rows that are not as they were written, and whose they are.
    pub(super) damaged: Vec<(String, Option<AthleteId>)>,
}

impl Seats {
    /// The session as its rows describe it; `None` when there is no such session.
    pub(super) fn of(
        connection: &Connection,
        session: SessionId,
    ) -> rusqlite::Result<Option<Seats>> {
        let sql =
            "SELECT number, tenure, key, sum, code, created_unix_ms FROM session WHERE session = ?";
        let mut select = connection.prepare_cached(sql)?;
        let row = select.query_row([session.0.as_bytes()], |row| {
            let (code, created) = (row.get::<_, String>(4)?, row.get::<_, i64>(5)?);
            let (key, sum) = (row.get::<_, Key>(2)?, row.get::<_, Vec<u8>>(3)?);
            Ok((row.get(0)?, row.get(1)?, key, sum, code, created))
        });
        let Some((number, tenure, key, sum, code, created)) = row.optional()? else {
            return Ok(None);
        };
        let mut seats = Seats {
            number,
            tenure,
            keys: Keys::new(session, key),
            persons: 0,
            runs: 0,
            damaged: Vec::new(),
        };
        if session_sum(session, &code, created, &key) != *sum {
            seats.damaged.push(("its row in the list of sessions".to_owned(), None));
        }
        seats.read_persons(connection)?;
        seats.read_runs(connection)?;
        Ok(Some(seats))
    }

    fn read_persons(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let sql = "SELECT number, athlete, key, sum FROM person WHERE session = ? ORDER BY number";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query([self.number])?;
        while let Some(row) = rows.next()? {
            let number = row.get::<_, i64>(0)?.cast_unsigned();
            self.persons = number;
            let athlete: Option<Vec<u8>> = row.get(1)?;
            let (key, kept): (Option<Vec<u8>>, Option<Vec<u8>>) = (row.get(2)?, row.get(3)?);
            let (Some(athlete), Some(key), Some(kept)) = (athlete, key, kept) else { continue };
            // A row that is not as it was written is used as it is: whatever the identity, it is one person's, and the
            // others of the roster are read with it; a key that was changed proves nothing.
            let athlete = Uuid::from_slice(&athlete).ok().map(AthleteId);
            let key = OwnKeys::read(&key);
            if let Some(athlete) = athlete {
                self.keys.numbers.know(number, athlete);
            }
            if let Some(key) = key {
                self.keys.know(number, key);
            }
            let sum =
                athlete.zip(key).map(|(id, key)| person_sum(self.keys.session, number, id, &key));
            if sum.is_none_or(|sum| sum != *kept) {
                self.damaged.push((format!("the row of person {number}"), athlete));
                self.keys.doubtful.push(number);
            }
        }
        Ok(())
    }

    fn read_runs(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let sql = "SELECT number, person, run, sum FROM run WHERE session = ? ORDER BY number";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query([self.number])?;
        while let Some(row) = rows.next()? {
            let number = row.get::<_, i64>(0)?.cast_unsigned();
            self.runs = number;
            let person = row.get::<_, i64>(1)?.cast_unsigned();
            let (run, kept): (Vec<u8>, Vec<u8>) = (row.get(2)?, row.get(3)?);
            self.keys.owns(number, person);
            match Uuid::from_slice(&run) {
                Ok(run) if run_sum(self.keys.session, number, person, RunId(run)) == *kept => {
                    self.keys.numbers.know_run(number, RunId(run));
                }
                // Its strokes are not returned: the device sends them again under the true name.
                _ => {
                    let whose = self.keys.numbers.athletes.get(&person).copied();
                    self.damaged.push((format!("the row of recording {number}"), whose));
                }
            }
        }
        Ok(())
    }

    /// A new session.
    pub(super) fn create(connection: &Connection, row: &SessionRow) -> rusqlite::Result<Seats> {
        let SessionRow { session, code, created_unix_ms, closed_unix_ms } = row;
        let (key, created) = (random_key(), whole(*created_unix_ms));
        let sum = session_sum(*session, code.as_str(), created, &key);
        let sql = "INSERT INTO session (session, code, created_unix_ms, closed_unix_ms, key, sum)
                   VALUES (?, ?, ?, ?, ?, ?)";
        let closed = closed_unix_ms.map(whole);
        let id = session.0.as_bytes();
        connection.prepare_cached(sql)?.execute(params![
            id,
            code.as_str(),
            created,
            closed,
            key,
            sum
        ])?;
        Ok(Seats {
            number: connection.last_insert_rowid(),
            tenure: 0,
            keys: Keys::new(*session, key),
            persons: 0,
            runs: 0,
            damaged: Vec::new(),
        })
    }

    /// The number of a person; somebody without one gets one.
    pub(super) fn person(
        &mut self,
        connection: &Connection,
        athlete: AthleteId,
    ) -> rusqlite::Result<u64> {
        if let Some(number) = self.keys.numbers.persons.get(&athlete) {
            return Ok(*number);
        }
        let number = self.persons + 1;
        let key = OwnKeys::new(random_key(), [random_salt(), random_salt()]);
        let sum = person_sum(self.keys.session, number, athlete, &key);
        let sql = "INSERT INTO person (session, number, athlete, key, sum) VALUES (?, ?, ?, ?, ?)";
        let row = params![self.number, whole(number), athlete.0.as_bytes(), key.bytes(), sum];
        connection.prepare_cached(sql)?.execute(row)?;
        self.persons = number;
        self.keys.numbers.know(number, athlete);
        self.keys.know(number, key);
        Ok(number)
    }

    /// Destroys a person's key of a kind that was erased, and puts another in its place.
    pub(super) fn renew(
        &mut self,
        connection: &Connection,
        person: u64,
        what: Passing,
        new: Salt,
    ) -> rusqlite::Result<()> {
        let athlete = self.keys.numbers.athletes.get(&person).copied();
        let Some((athlete, mut keys)) = athlete.zip(self.keys.own(person).copied()) else {
            return Ok(());
        };
        // A row that is not as it was written is left so.
        if self.keys.doubtful.contains(&person) || !keys.renew(what, new) {
            return Ok(());
        }
        let sum = person_sum(self.keys.session, person, athlete, &keys);
        let sql = "UPDATE person SET key = ?, sum = ? WHERE session = ? AND number = ?";
        let row = params![keys.bytes(), sum, self.number, whole(person)];
        connection.prepare_cached(sql)?.execute(row)?;
        self.keys.know(person, keys);
        Ok(())
    }

    /// Gives a recording a number if it has none.
    pub(super) fn run(
        &mut self,
        connection: &Connection,
        athlete: AthleteId,
        run: RunId,
    ) -> rusqlite::Result<()> {
        let person = self.person(connection, athlete)?;
        if self.keys.numbers.runs.contains_key(&run) {
            return Ok(());
        }
        let number = self.runs + 1;
        let sum = run_sum(self.keys.session, number, person, run);
        let sql = "INSERT INTO run (session, number, person, run, sum) VALUES (?, ?, ?, ?, ?)";
        let row = params![self.number, whole(number), whole(person), run.0.as_bytes(), sum];
        connection.prepare_cached(sql)?.execute(row)?;
        self.runs = number;
        self.keys.numbers.know_run(number, run);
        Ok(())
    }
}

fn session_sum(session: SessionId, code: &str, created: i64, key: &Key) -> [u8; 8] {
    sum(&[b"session", session.0.as_bytes(), code.as_bytes(), &created.to_be_bytes(), key])
}

fn person_sum(session: SessionId, number: u64, athlete: AthleteId, keys: &OwnKeys) -> [u8; 8] {
    let number = number.to_be_bytes();
    sum(&[b"person", session.0.as_bytes(), &number, athlete.0.as_bytes(), &keys.bytes()])
}

fn run_sum(session: SessionId, number: u64, person: u64, run: RunId) -> [u8; 8] {
    let (number, person) = (number.to_be_bytes(), person.to_be_bytes());
    sum(&[b"run", session.0.as_bytes(), &number, &person, run.0.as_bytes()])
}

/// For a link: whom it lets in where, and whether it still does.
pub(super) fn secret_sum(
    hash: &[u8],
    session: i64,
    role: &str,
    person: Option<i64>,
    revoked: i64,
) -> [u8; 8] {
    let person = person.unwrap_or(0).to_be_bytes();
    sum(&[
        b"secret",
        hash,
        &session.to_be_bytes(),
        role.as_bytes(),
        &person,
        &revoked.to_be_bytes(),
    ])
}
