//! A session's records as they are in the file, each commit checked against its tag.

use std::sync::mpsc::SyncSender;

use rusqlite::{Connection, params};
use thole_host::stored::{Row, Stored, chain::Tag, packing::SETTLED, proof::Proof};
use thole_piece::input::Damaged;
use thole_protocol::{ids::SessionId, units::At};

use super::{columns::whole, read, seats::Seats, witness::Seen};
use crate::journal::{Damage, Found, JournalError, SLICE, Since, Slice, hand_over};

/// The records of a session from a position on. What cannot be proven is named; from a commit that is not as it was
/// written no stroke and no heart rate is returned, for nobody may be credited with what they have not rowed, and
/// clients send their strokes again; the rest is returned as far as it can be understood.
pub(super) fn records(
    connection: &Connection,
    session: SessionId,
    from: u64,
    seen: Option<Seen>,
) -> Result<Found, JournalError> {
    walked(connection, session, from, seen, None)
}

/// The same for a whole session, slice by slice: what is found has no records of its own.
pub(super) fn slices(
    connection: &Connection,
    session: SessionId,
    seen: Option<Seen>,
    taken: &SyncSender<Slice>,
) -> Result<Found, JournalError> {
    let mut found = walked(connection, session, 0, seen, Some(taken))?;
    hand_over(taken, std::mem::take(&mut found.records))?;
    Ok(found)
}

/// Whether a session has more records than a slice.
pub(super) fn is_long(connection: &Connection, session: SessionId) -> rusqlite::Result<bool> {
    let sql = "SELECT EXISTS (SELECT 1 FROM record WHERE position >= ?
               AND session = (SELECT number FROM session WHERE session = ?))";
    let mut select = connection.prepare_cached(sql)?;
    select.query_row(params![whole(SLICE as u64), session.0.as_bytes()], |row| row.get(0))
}

/// What is new in a session, going by the kinds of its rows alone.
pub(super) fn since(
    connection: &Connection,
    session: SessionId,
    from: u64,
) -> rusqlite::Result<Since> {
    let named = params![session.0.as_bytes()];
    let sql = "SELECT COALESCE(max(position) + 1, 0) FROM record
               WHERE session = (SELECT number FROM session WHERE session = ?)";
    let next = connection.prepare_cached(sql)?.query_row(named, |row| row.get::<_, i64>(0))?;
    let sql = "SELECT EXISTS (SELECT 1 FROM record WHERE position >= ? AND kind = ?
               AND session = (SELECT number FROM session WHERE session = ?))";
    let named = params![whole(from), SETTLED, session.0.as_bytes()];
    let is_settled = connection.prepare_cached(sql)?.query_row(named, |row| row.get(0))?;
    Ok(Since { next: next.cast_unsigned(), is_settled })
}

fn walked(
    connection: &Connection,
    session: SessionId,
    from: u64,
    seen: Option<Seen>,
    taken: Option<&SyncSender<Slice>>,
) -> Result<Found, JournalError> {
    // Keys and what is under them as they are at one instant.
    let _snapshot = connection.unchecked_transaction().map_err(read)?;
    let Some(seats) = Seats::of(connection, session).map_err(read)? else {
        return Ok(Found::default());
    };
    let aside = aside(connection, &seats).map_err(read)?;
    let is_given = |position: &u64| *position >= from && !aside.contains(position);
    let mut give = |mut slice: Slice| {
        slice.retain(|(position, _)| is_given(position));
        taken.is_none_or(|taken| hand_over(taken, slice).is_ok())
    };
    let mut walk = Walk::new(connection, &seats, from).map_err(read)?;
    walk.give = taken.is_some().then_some(&mut give);
    loop {
        match walk.rows(connection) {
            Ok(()) => break,
            Err(error) if walk.skip(connection, &error.to_string()) => {}
            Err(_) => break,
        }
    }
    walk.proof.end();
    if let Some(seen) = seen {
        walk.witness(connection, seen).map_err(read)?;
    }
    let mut found = walk.proof.found();
    found.records.retain(|(position, _)| is_given(position));
    for (what, whose) in &seats.damaged {
        found.damage.push(Damage {
            from: 0,
            to: Damaged::WHOLE,
            what: format!("{what} is damaged"),
            since: At(0),
            until: None,
            whose: whose.iter().copied().collect(),
            only_strokes: false,
        });
    }
    Ok(found)
}

fn aside(connection: &Connection, seats: &Seats) -> rusqlite::Result<Vec<u64>> {
    let mut select =
        connection.prepare_cached("SELECT position FROM set_aside WHERE session = ?")?;
    let rows = select.query_map([seats.number], |row| row.get::<_, i64>(0))?;
    rows.map(|position| position.map(i64::cast_unsigned)).collect()
}

struct Walk<'a> {
    seats: &'a Seats,
    proof: Proof<'a>,
    /// Takes records as soon as there are enough; false when nobody wants more.
    give: Option<&'a mut dyn FnMut(Slice) -> bool>,
}

impl<'a> Walk<'a> {
    /// From the beginning of the commit that contains the position.
    fn new(connection: &Connection, seats: &'a Seats, from: u64) -> rusqlite::Result<Walk<'a>> {
        // Nothing comes before the first: a position below 0 is damage, not a beginning.
        let sql = "SELECT position, tag FROM record
                   WHERE session = ? AND position >= 0 AND position < ? AND tag IS NOT NULL
                   ORDER BY position DESC LIMIT 1";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query(params![seats.number, whole(from)])?;
        let (next, before) = match rows.next()? {
            Some(row) => (row.get::<_, i64>(0)?.cast_unsigned() + 1, row.get(1)?),
            None => (0, Tag::default()),
        };
        Ok(Walk { seats, proof: Proof::from(&seats.keys, next, before), give: None })
    }

    fn rows(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let sql = "SELECT position, at_ms, person, kind, payload, tag FROM record
                   WHERE session = ? AND position >= ? ORDER BY position";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query(params![self.seats.number, whole(self.proof.next())])?;
        while let Some(row) = rows.next()? {
            self.proof.take(Stored {
                position: row.get::<_, i64>(0)?.cast_unsigned(),
                at: row.get::<_, i64>(1)?.cast_unsigned(),
                row: Row {
                    person: row.get::<_, Option<i64>>(2)?.map(i64::cast_unsigned),
                    kind: row.get(3)?,
                    payload: row.get(4)?,
                },
                tag: row.get(5)?,
            });
            if self.proof.records().len() >= SLICE
                && let Some(give) = &mut self.give
                && !give(self.proof.take_records())
            {
                return Ok(());
            }
        }
        Ok(())
    }

    /// What the witness has seen has to be there.
    fn witness(&mut self, connection: &Connection, seen: Seen) -> rusqlite::Result<()> {
        let sql = "SELECT tag FROM record WHERE session = ? AND position = ?";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query(params![self.seats.number, whole(seen.next - 1)])?;
        let there = rows.next()?.map(|row| row.get::<_, Option<Tag>>(0)).transpose()?.flatten();
        self.proof.seen(seen.next, seen.tag, there);
        Ok(())
    }

    /// Continues after what cannot be read; false when nothing after it can be.
    fn skip(&mut self, connection: &Connection, why: &str) -> bool {
        let sql = "SELECT position FROM record WHERE session = ? AND position >= ? ORDER BY position LIMIT 1";
        let from = self.proof.next();
        for step in 0..32 {
            let beyond = from + (1 << step);
            let next = connection.prepare_cached(sql).and_then(|mut select| {
                select.query_row(params![self.seats.number, whole(beyond)], |row| {
                    row.get::<_, i64>(0)
                })
            });
            if let Ok(next) = next {
                let before = next.cast_unsigned() - 1;
                self.proof.unreadable(before, &format!("cannot be read: {why}"));
                return true;
            }
        }
        self.proof.unreadable(from, &format!("and all after it cannot be read: {why}"));
        false
    }
}
