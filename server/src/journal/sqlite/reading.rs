//! A session's records as the file has them, each commit held against its tag.

use rusqlite::{Connection, params};
use thole_protocol::{ids::SessionId, units::At};

use super::{columns::whole, read, seats::Seats, witness::Seen};
use crate::journal::{
    Damage, Found, JournalError, Record,
    chain::{Commit, Hash, Tag, content},
    packing::{HEART_RATE, PART, Row, SAMPLES, UNREAD, join},
};

/// One row as it stands.
struct Stored {
    position: u64,
    at: u64,
    row: Row,
    tag: Option<Tag>,
}

/// The records of a session from a position on. What cannot be proven is named; of a commit that is not as it was
/// written no stroke and no heart rate is given, for nobody may be given what they have not rowed, and clients send
/// their strokes again; the rest is, as far as it can be understood.
pub(super) fn records(
    connection: &Connection,
    session: SessionId,
    from: u64,
    seen: Option<Seen>,
) -> Result<Found, JournalError> {
    let Some(seats) = Seats::of(connection, session).map_err(read)? else {
        return Ok(Found::default());
    };
    let mut walk = Walk::new(connection, &seats, from).map_err(read)?;
    loop {
        match walk.rows(connection) {
            Ok(()) => break,
            Err(error) if walk.skip(connection, &error.to_string()) => {}
            Err(_) => break,
        }
    }
    walk.end();
    if let Some(seen) = seen {
        walk.witness(connection, seen).map_err(read)?;
    }
    let aside = aside(connection, &seats).map_err(read)?;
    let mut found = walk.found;
    found.records.retain(|(position, _)| *position >= from && !aside.contains(position));
    for what in &seats.damaged {
        found.damage.push(Damage {
            from,
            to: found.next.saturating_sub(1),
            what: format!("{what} is damaged"),
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
    /// The tag of the commit before.
    before: Tag,
    /// Where the next row has to stand.
    next: u64,
    /// Rows of a commit whose tag has not come yet.
    open: Vec<Stored>,
    /// A row of it, or before it, is missing.
    gap: bool,
    found: Found,
}

impl<'a> Walk<'a> {
    /// From the beginning of the commit that has the position.
    fn new(connection: &Connection, seats: &'a Seats, from: u64) -> rusqlite::Result<Walk<'a>> {
        let sql = "SELECT position, tag FROM record
                   WHERE session = ? AND position < ? AND tag IS NOT NULL ORDER BY position DESC LIMIT 1";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query(params![seats.number, whole(from)])?;
        let (next, before) = match rows.next()? {
            Some(row) => (row.get::<_, i64>(0)?.cast_unsigned() + 1, row.get(1)?),
            None => (0, Tag::default()),
        };
        let found = Found { next, ..Found::default() };
        Ok(Walk { seats, before, next, open: Vec::new(), gap: false, found })
    }

    fn rows(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let sql = "SELECT position, at_ms, person, kind, payload, tag FROM record
                   WHERE session = ? AND position >= ? ORDER BY position";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query(params![self.seats.number, whole(self.next)])?;
        while let Some(row) = rows.next()? {
            let stored = Stored {
                position: row.get::<_, i64>(0)?.cast_unsigned(),
                at: row.get::<_, i64>(1)?.cast_unsigned(),
                row: Row {
                    person: row.get::<_, Option<i64>>(2)?.map(i64::cast_unsigned),
                    kind: row.get(3)?,
                    payload: row.get(4)?,
                },
                tag: row.get(5)?,
            };
            self.take(stored);
        }
        Ok(())
    }

    fn take(&mut self, stored: Stored) {
        if stored.position > self.next {
            self.name(self.next, stored.position - 1, "is missing");
            self.gap = true;
        }
        self.next = stored.position + 1;
        let tag = stored.tag;
        self.open.push(stored);
        if let Some(tag) = tag {
            self.commit(tag);
        }
    }

    fn name(&mut self, from: u64, to: u64, what: &str) {
        self.found.damage.push(Damage { from, to, what: what.to_owned() });
    }

    /// All rows of a commit are here.
    fn commit(&mut self, tag: Tag) {
        let rows = std::mem::take(&mut self.open);
        let gap = std::mem::take(&mut self.gap);
        let mut commit = Commit::after(self.before, self.seats.session);
        let mut known = true;
        for Stored { position, at, row, .. } in &rows {
            match hash(self.seats, *position, *at, row) {
                Some(hash) => {
                    commit.add(*position, *at, row.person, row.kind.saturating_abs(), hash)
                }
                None => known = false,
            }
        }
        // Whatever this one was, those after it are held against what it says.
        self.before = tag;
        let is_whole = known && commit.tag() == tag;
        if !is_whole {
            let (from, to) = ends(&rows);
            let what = if gap {
                "cannot be proven, because what stood before it is missing"
            } else {
                "is not as it was written"
            };
            self.name(from, to, what);
        }
        self.serve(rows, is_whole || gap);
    }

    /// Rows whose commit has no last row: the end is lost.
    fn end(&mut self) {
        let rows = std::mem::take(&mut self.open);
        if !rows.is_empty() {
            let (from, to) = ends(&rows);
            self.name(from, to, "has lost the end of its commit");
            self.serve(rows, true);
        }
        self.found.next = self.next;
    }

    /// What the witness has seen has to be there.
    fn witness(&mut self, connection: &Connection, seen: Seen) -> rusqlite::Result<()> {
        if seen.next > self.next {
            self.name(self.next, seen.next - 1, "is missing: the end of the journal was lost");
            self.found.next = seen.next;
            return Ok(());
        }
        let sql = "SELECT tag FROM record WHERE session = ? AND position = ?";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query(params![self.seats.number, whole(seen.next - 1)])?;
        let tag = rows.next()?.map(|row| row.get::<_, Option<Tag>>(0)).transpose()?.flatten();
        if tag != Some(seen.tag) && self.found.damage.is_empty() {
            self.name(seen.next - 1, seen.next - 1, "is not the one that was written last");
        }
        Ok(())
    }

    fn serve(&mut self, rows: Vec<Stored>, strokes: bool) {
        let mut rows = rows.into_iter().peekable();
        while let Some(head) = rows.next() {
            let mut parts = Vec::new();
            while let Some(part) = rows.next_if(|next| next.row.kind.saturating_abs() == PART) {
                parts.push(part.row);
            }
            let position = head.position;
            if head.row.kind < 0 || parts.iter().any(|part| part.kind < 0) {
                self.found.erased += 1;
                continue;
            }
            let unproven = !strokes && [SAMPLES, HEART_RATE].contains(&head.row.kind);
            if unproven {
                continue;
            }
            match join(head.at, &head.row, &parts, &self.seats.numbers) {
                Ok(input) => self.found.records.push((position, Record { at: At(head.at), input })),
                Err(_) if head.row.kind == UNREAD => {
                    self.name(position, position, "could not be understood when it was converted");
                }
                Err(what) => {
                    self.name(position, position, &format!("cannot be understood: {what}"))
                }
            }
        }
    }

    /// Goes on behind what cannot be read; false when nothing behind it can be.
    fn skip(&mut self, connection: &Connection, why: &str) -> bool {
        self.open.clear();
        self.gap = true;
        let sql = "SELECT position FROM record WHERE session = ? AND position >= ? ORDER BY position LIMIT 1";
        let from = self.next;
        for step in 0..32 {
            let beyond = from + (1 << step);
            let next = connection.prepare_cached(sql).and_then(|mut select| {
                select.query_row(params![self.seats.number, whole(beyond)], |row| {
                    row.get::<_, i64>(0)
                })
            });
            if let Ok(next) = next {
                self.next = next.cast_unsigned();
                self.name(from, self.next - 1, &format!("cannot be read: {why}"));
                return true;
            }
        }
        self.next = from + 1;
        self.name(from, from, &format!("and all after it cannot be read: {why}"));
        false
    }
}

fn ends(rows: &[Stored]) -> (u64, u64) {
    let position = |row: &Stored| row.position;
    (rows.first().map_or(0, position), rows.last().map_or(0, position))
}

/// The hash of a row's content, or what erasing has left of it; none when its key is not known.
fn hash(seats: &Seats, position: u64, at: u64, row: &Row) -> Option<Hash> {
    if row.kind < 0 {
        return Hash::try_from(row.payload.as_slice()).ok();
    }
    Some(content(seats.key(row.person)?, position, row.kind, at, &row.payload))
}
