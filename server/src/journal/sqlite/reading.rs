//! A session's records as the file has them, each commit held against its tag.

use std::sync::mpsc::SyncSender;

use rusqlite::{Connection, params};
use thole_piece::input::Damaged;
use thole_protocol::{
    ids::{AthleteId, SessionId},
    units::At,
};

use super::{columns::whole, read, seats::Seats, witness::Seen};
use crate::journal::{
    Damage, Found, JournalError, Record, SLICE, Slice,
    chain::{Commit, Hash, Tag, content},
    hand_over,
    packing::{EMPTY, HEART_RATE, PART, Row, SAMPLES, SETTLED, UNREAD, join, recording_no},
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
    walked(connection, session, from, seen, None)
}

/// The same of a whole session, slice by slice: what is found has no records of its own.
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

fn walked(
    connection: &Connection,
    session: SessionId,
    from: u64,
    seen: Option<Seen>,
    taken: Option<&SyncSender<Slice>>,
) -> Result<Found, JournalError> {
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
    walk.end();
    if let Some(seen) = seen {
        walk.witness(connection, seen).map_err(read)?;
    }
    let mut found = walk.found;
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
    /// The tag of the commit before.
    before: Tag,
    /// Where the next row has to stand.
    next: u64,
    /// Rows of a commit whose tag has not come yet.
    open: Vec<Stored>,
    /// A row of it, or before it, is missing.
    gap: bool,
    /// When the last record that is as it was written was.
    proven: At,
    /// Damage after which no such record has come yet begins here.
    unended: usize,
    found: Found,
    /// Takes records as soon as there are enough; false when nobody wants more.
    give: Option<&'a mut dyn FnMut(Slice) -> bool>,
}

/// Of whom damaged records are, and of what kind.
#[derive(Default)]
struct About {
    whose: Vec<AthleteId>,
    only_strokes: bool,
}

impl<'a> Walk<'a> {
    /// From the beginning of the commit that has the position.
    fn new(connection: &Connection, seats: &'a Seats, from: u64) -> rusqlite::Result<Walk<'a>> {
        // Nothing stands before the first: a position below 0 is damage, and no beginning.
        let sql = "SELECT position, tag FROM record
                   WHERE session = ? AND position >= 0 AND position < ? AND tag IS NOT NULL
                   ORDER BY position DESC LIMIT 1";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query(params![seats.number, whole(from)])?;
        let (next, before) = match rows.next()? {
            Some(row) => (row.get::<_, i64>(0)?.cast_unsigned() + 1, row.get(1)?),
            None => (0, Tag::default()),
        };
        let found = Found { next, ..Found::default() };
        Ok(Walk {
            seats,
            before,
            next,
            open: Vec::new(),
            gap: false,
            proven: At(0),
            unended: 0,
            found,
            give: None,
        })
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
            if self.found.records.len() >= SLICE
                && let Some(give) = &mut self.give
                && !give(std::mem::take(&mut self.found.records))
            {
                return Ok(());
            }
        }
        Ok(())
    }

    fn take(&mut self, stored: Stored) {
        if stored.position > self.next {
            self.name(self.next, stored.position - 1, "is missing", About::default());
            self.gap = true;
        }
        self.next = stored.position + 1;
        let tag = stored.tag;
        self.open.push(stored);
        if let Some(tag) = tag {
            self.commit(tag);
        }
    }

    fn name(&mut self, from: u64, to: u64, what: &str, about: About) {
        let About { whose, only_strokes } = about;
        let (what, since) = (what.to_owned(), self.proven);
        let damage = Damage { from, to, what, since, until: None, whose, only_strokes };
        // A key that was changed makes all that is said of its person unproven: that is told once.
        match self.found.damage.last_mut() {
            Some(last) if last.what == damage.what && damage.what == DOUBTFUL => {
                last.to = damage.to;
                last.whose.extend(damage.whose);
                last.whose.sort_unstable();
                last.whose.dedup();
                last.only_strokes &= damage.only_strokes;
            }
            _ => self.found.damage.push(damage),
        }
    }

    /// Whose rows these are. Nobody's is of the session, and about all; a row and its recording name the same person, or
    /// one of the two was changed.
    fn about(&self, rows: &[Stored]) -> About {
        let mut about = About { whose: Vec::new(), only_strokes: true };
        for Stored { row, .. } in rows {
            let strokes = [SAMPLES, HEART_RATE].contains(&row.kind.saturating_abs());
            let Some(person) = row.person else {
                if EMPTY.contains(&row.kind) && row.payload.is_empty() {
                    continue;
                }
                return About::default();
            };
            about.only_strokes &= strokes;
            about.whose.extend(self.seats.numbers.athletes.get(&person));
            if row.kind == SAMPLES {
                about.whose.extend(recording_no(&row.payload).and_then(|no| self.seats.owner(no)));
            }
        }
        about.whose.sort_unstable();
        about.whose.dedup();
        if about.whose.is_empty() { About::default() } else { about }
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
        if is_whole {
            let first = rows.first().map(|row| At(row.at));
            self.found.damage.iter_mut().skip(self.unended).for_each(|damage| damage.until = first);
            self.unended = self.found.damage.len();
            self.proven = rows.last().map_or(self.proven, |row| At(row.at));
        } else {
            let (from, to) = ends(&rows);
            let is_doubtful =
                |row: &Stored| row.row.person.is_some_and(|who| self.seats.doubtful.contains(&who));
            let what = if gap {
                "cannot be proven, because what stood before it is missing"
            } else if rows.iter().any(is_doubtful) {
                DOUBTFUL
            } else {
                "is not as it was written"
            };
            self.name(from, to, what, self.about(&rows));
        }
        // Behind a gap nothing can be proven, and nothing says that it is not as it was written: kept, named, and the
        // results that it touches are marked. Withheld, each lost record would take up to a whole commit of strokes along that
        // no device may have any more.
        self.serve(rows, is_whole || gap);
    }

    /// Rows whose commit has no last row: the end is lost.
    fn end(&mut self) {
        let rows = std::mem::take(&mut self.open);
        if !rows.is_empty() {
            let (from, to) = ends(&rows);
            self.name(from, to, "has lost the end of its commit", self.about(&rows));
            self.serve(rows, true);
        }
        self.found.next = self.next;
    }

    /// What the witness has seen has to be there.
    fn witness(&mut self, connection: &Connection, seen: Seen) -> rusqlite::Result<()> {
        if seen.next > self.next {
            let what = "is missing: the end of the journal was lost";
            self.name(self.next, seen.next - 1, what, About::default());
            self.found.next = seen.next;
            return Ok(());
        }
        let sql = "SELECT tag FROM record WHERE session = ? AND position = ?";
        let mut select = connection.prepare_cached(sql)?;
        let mut rows = select.query(params![self.seats.number, whole(seen.next - 1)])?;
        let tag = rows.next()?.map(|row| row.get::<_, Option<Tag>>(0)).transpose()?.flatten();
        if tag != Some(seen.tag) && self.found.damage.is_empty() {
            let (last, what) = (seen.next - 1, "is not the one that was written last");
            self.name(last, last, what, About::default());
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
            // What became of a piece is made again of the strokes that are there.
            let unproven = !strokes && [SAMPLES, HEART_RATE, SETTLED].contains(&head.row.kind);
            if unproven {
                continue;
            }
            match join(head.at, &head.row, &parts, &self.seats.numbers) {
                Ok(input) => self.found.records.push((position, Record { at: At(head.at), input })),
                Err(_) if head.row.kind == UNREAD => {
                    let what = "could not be understood when it was converted";
                    self.name(position, position, what, About::default());
                }
                Err(what) => {
                    let about = self.about(&[head]);
                    self.name(position, position, &format!("cannot be understood: {what}"), about);
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
                let what = format!("cannot be read: {why}");
                self.name(from, self.next - 1, &what, About::default());
                return true;
            }
        }
        self.next = from + 1;
        let what = format!("and all after it cannot be read: {why}");
        self.name(from, from, &what, About::default());
        false
    }
}

/// What is named of commits with records of a person whose row is damaged.
const DOUBTFUL: &str = "cannot be proven, because the row of somebody in it is damaged";

fn ends(rows: &[Stored]) -> (u64, u64) {
    let position = |row: &Stored| row.position;
    (rows.first().map_or(0, position), rows.last().map_or(0, position))
}

/// The hash of a row's content, or what erasing has left of it; `None` when its key is not known.
fn hash(seats: &Seats, position: u64, at: u64, row: &Row) -> Option<Hash> {
    if row.kind < 0 {
        return Hash::try_from(row.payload.as_slice()).ok();
    }
    Some(content(seats.key(row.person)?, position, row.kind, at, &row.payload))
}
