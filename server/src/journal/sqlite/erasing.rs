//! What is erased: all of a person; of people who stay, strokes and heart rate when they have been kept long enough, and heart rate at
//! once where somebody takes their consent back. A hash takes the place of each record, and the key under which it was made is destroyed.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, OptionalExtension, params};
use thole_host::stored::chain::content;
use thole_protocol::{
    ids::{AthleteId, SessionId},
    units::At,
};

use super::{columns::whole, seats::Seats, tables};
use crate::{
    journal::{LetGo, Passing},
    secret::random_salt,
};

/// Which records of a kind that passes are meant.
pub(super) struct Meant {
    pub(super) what: Passing,
    /// Whose, by number; `None`: everybody's.
    pub(super) person: Option<u64>,
    /// From this position on, and before that one.
    pub(super) positions: (u64, u64),
    /// Written before this instant of the session.
    pub(super) before: u64,
}

/// Erases what of a session is kept no longer; how many records that were.
pub(super) fn let_go(connection: &Connection, asked: &LetGo) -> rusqlite::Result<u64> {
    let LetGo { session, what, whose, before } = *asked;
    let sql = "SELECT number FROM session WHERE session = ?";
    let number = connection.query_row(sql, [session.0.as_bytes()], |row| row.get(0)).optional()?;
    let Some(number) = number else { return Ok(0) };
    let next = next(connection, number)?;
    let is_done =
        |memo: &Memo| memo.next == next && memo.oldest.is_none_or(|oldest| oldest >= before.0);
    if whose.is_none() && Memo::of(connection, number, what)?.as_ref().is_some_and(is_done) {
        return Ok(0);
    }
    let Some(mut seats) = Seats::of(connection, session)? else { return Ok(0) };
    let person = match whose {
        None => None,
        Some(whose) => match seats.keys.numbers.persons.get(&whose) {
            Some(person) => Some(*person),
            None => return Ok(0),
        },
    };
    let meant = Meant { what, person, positions: (0, u64::MAX >> 1), before: before.0 };
    let erased = records(connection, &mut seats, &meant)?;
    if whose.is_none() {
        let oldest = left(connection, &seats, what, 0)?.into_values().min();
        Memo { next, oldest }.keep(connection, number, what)?;
    }
    Ok(erased)
}

/// The instant of the newest record of the kind; `None` when there is none.
pub(super) fn newest(
    connection: &Connection,
    session: SessionId,
    what: Passing,
) -> rusqlite::Result<Option<At>> {
    let sql = "SELECT number FROM session WHERE session = ?";
    let number = connection.query_row(sql, [session.0.as_bytes()], |row| row.get(0)).optional()?;
    let Some(number) = number else { return Ok(None) };
    let next = next(connection, number)?;
    let is_none = |memo: &Memo| memo.next == next && memo.oldest.is_none();
    if Memo::of(connection, number, what)?.as_ref().is_some_and(is_none) {
        return Ok(None);
    }
    let sql = format!(
        "SELECT max(at_ms) FROM record WHERE session = ? AND kind IN ({}) AND person IS NOT NULL",
        kinds(what)
    );
    let newest: Option<i64> =
        connection.prepare_cached(&sql)?.query_row([number], |row| row.get(0))?;
    Ok(newest.map(|at| At(at.cast_unsigned())))
}

/// Puts a hash in the place of each record, and another key in the place of the one that made it, where none of the kind is left.
pub(super) fn records(
    connection: &Connection,
    seats: &mut Seats,
    meant: &Meant,
) -> rusqlite::Result<u64> {
    let Meant { what, person, positions: (from, below), before } = *meant;
    let sql = format!(
        "SELECT position, at_ms, person, kind, payload FROM record
         WHERE session = ?1 AND position >= ?2 AND position < ?3 AND at_ms < ?4 AND kind IN ({})
             AND person IS NOT NULL AND (?5 IS NULL OR person = ?5)
         ORDER BY position",
        kinds(what)
    );
    let named = params![
        seats.number,
        whole(from),
        whole(below),
        i64::try_from(before).unwrap_or(i64::MAX),
        person.map(whole)
    ];
    let mut select = connection.prepare_cached(&sql)?;
    let mut of = BTreeSet::new();
    let mut rows = select.query(named)?;
    let mut erased = Vec::new();
    while let Some(row) = rows.next()? {
        let (position, at): (i64, i64) = (row.get(0)?, row.get(1)?);
        let (person, kind): (i64, i8) = (row.get(2)?, row.get(3)?);
        let (person, payload) = (person.cast_unsigned(), row.get::<_, Vec<u8>>(4)?);
        // What nobody could prove is erased all the same, and stays unproven.
        let hash = seats.keys.key(Some(person), kind).map_or([0; 16], |key| {
            content(key, position.cast_unsigned(), kind, at.cast_unsigned(), &payload)
        });
        of.insert(person);
        erased.push((position, kind, hash));
    }
    drop(rows);
    if erased.is_empty() {
        return Ok(0);
    }
    let sql = "UPDATE record SET kind = ?, payload = ? WHERE session = ? AND position = ?";
    let mut update = connection.prepare_cached(sql)?;
    for (position, kind, hash) in &erased {
        update.execute(params![-kind, hash, seats.number, position])?;
    }
    let from = if person.is_some() { below } else { 0 };
    let left = left(connection, seats, what, from)?;
    for person in of.into_iter().filter(|person| !left.contains_key(person)) {
        seats.renew(connection, person, what, random_salt())?;
    }
    tables::note_traces(connection)?;
    Ok(erased.len() as u64)
}

/// Who has records of the kind from a position on, and the instant of the first one.
fn left(
    connection: &Connection,
    seats: &Seats,
    what: Passing,
    from: u64,
) -> rusqlite::Result<BTreeMap<u64, u64>> {
    let sql = format!(
        "SELECT person, min(at_ms) FROM record
         WHERE session = ? AND position >= ? AND kind IN ({}) AND person IS NOT NULL GROUP BY person",
        kinds(what)
    );
    let mut select = connection.prepare_cached(&sql)?;
    let rows = select.query_map(params![seats.number, whole(from)], |row| {
        Ok((row.get::<_, i64>(0)?.cast_unsigned(), row.get::<_, i64>(1)?.cast_unsigned()))
    })?;
    rows.collect()
}

/// Who has records of the kind, and the position of the first one.
pub(super) fn first_of(
    connection: &Connection,
    number: i64,
    what: Passing,
) -> rusqlite::Result<BTreeMap<u64, u64>> {
    let sql = format!(
        "SELECT person, min(position) FROM record
         WHERE session = ? AND kind IN ({}) AND person IS NOT NULL GROUP BY person",
        kinds(what)
    );
    let mut select = connection.prepare_cached(&sql)?;
    let rows = select.query_map([number], |row| {
        Ok((row.get::<_, i64>(0)?.cast_unsigned(), row.get::<_, i64>(1)?.cast_unsigned()))
    })?;
    rows.collect()
}

fn kinds(what: Passing) -> String {
    let kinds: Vec<String> = what.kinds().iter().map(i8::to_string).collect();
    kinds.join(", ")
}

fn next(connection: &Connection, number: i64) -> rusqlite::Result<u64> {
    let sql = "SELECT COALESCE(max(position) + 1, 0) FROM record WHERE session = ?";
    let next: i64 = connection.prepare_cached(sql)?.query_row([number], |row| row.get(0))?;
    Ok(next.cast_unsigned())
}

/// Puts a hash in the place of everything that was said about a person; their row keeps nothing but the
/// number.
pub(super) fn person(
    connection: &Connection,
    session: SessionId,
    athlete: AthleteId,
) -> rusqlite::Result<()> {
    let Some(seats) = Seats::of(connection, session)? else { return Ok(()) };
    let Some(person) = seats.keys.numbers.persons.get(&athlete).copied() else { return Ok(()) };
    let Some(keys) = seats.keys.own(person) else { return Ok(()) };
    let who = params![seats.number, whole(person)];
    let sql = "SELECT position, at_ms, kind, payload FROM record
               WHERE session = ? AND person = ? AND kind > 0 ORDER BY position";
    let mut select = connection.prepare_cached(sql)?;
    let rows = select.query_map(who, |row| {
        let (position, at): (i64, i64) = (row.get(0)?, row.get(1)?);
        let (kind, payload): (i8, Vec<u8>) = (row.get(2)?, row.get(3)?);
        let (no, at) = (position.cast_unsigned(), at.cast_unsigned());
        Ok((position, kind, content(keys.of(kind), no, kind, at, &payload)))
    })?;
    let rows: Vec<(i64, i8, [u8; 16])> = rows.collect::<Result<_, _>>()?;
    let sql = "UPDATE record SET kind = ?, payload = ? WHERE session = ? AND position = ?";
    let mut update = connection.prepare_cached(sql)?;
    for (position, kind, hash) in rows {
        update.execute(params![-kind, hash, seats.number, position])?;
    }
    tables::note_traces(connection)?;
    connection.execute("DELETE FROM secret WHERE session = ? AND person = ?", who)?;
    connection.execute("DELETE FROM run WHERE session = ? AND person = ?", who)?;
    let sql =
        "UPDATE person SET athlete = NULL, key = NULL, sum = NULL WHERE session = ? AND number = ?";
    connection.execute(sql, who)?;
    Ok(())
}

/// How far a session was looked through, so that it is not looked through every hour: up to which position, and the instant of the
/// first record that was left.
struct Memo {
    next: u64,
    oldest: Option<u64>,
}

impl Memo {
    fn name(number: i64, what: Passing) -> String {
        let what = match what {
            Passing::Strokes => "strokes",
            Passing::HeartRate => "heart rate",
        };
        format!("let go {number} {what}")
    }

    fn of(connection: &Connection, number: i64, what: Passing) -> rusqlite::Result<Option<Memo>> {
        let mut select = connection.prepare_cached("SELECT value FROM meta WHERE name = ?")?;
        let memo = select.query_row([Memo::name(number, what)], |row| row.get::<_, String>(0));
        // One that cannot be read is made again.
        Ok(memo.optional()?.and_then(|memo| {
            let (next, oldest) = memo.split_once(' ')?;
            Some(Memo { next: next.parse().ok()?, oldest: oldest.parse().ok() })
        }))
    }

    fn keep(&self, connection: &Connection, number: i64, what: Passing) -> rusqlite::Result<()> {
        let oldest = self.oldest.map_or_else(|| "none".to_owned(), |oldest| oldest.to_string());
        let sql = "INSERT OR REPLACE INTO meta (name, value) VALUES (?, ?)";
        let named = params![Memo::name(number, what), format!("{} {oldest}", self.next)];
        connection.execute(sql, named)?;
        Ok(())
    }
}
