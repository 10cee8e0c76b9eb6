//! What was done outside a session, and undoing it: each in one step, done or not done.

use std::collections::BTreeSet;

use rusqlite::{Connection, ErrorCode, OptionalExtension, params};
use serde_json::Value;
use thole_club::{
    Deed, DeedKind, DeedNo, Doer,
    deed::{OfGroup, is_recent, sentence, undone_since},
};
use thole_protocol::club::GroupId;

use super::{
    ClubError, Store,
    kept_rows::{GIVEN_PIECE, GROUP, Image, RowsOf, SEAT},
    queries, writing,
};

/// What a deed has brought and others use by now cannot go.
const IN_USE: &str = "People whom it has brought have more by now, such as results or keys: merge them, or give that to others, first.";

/// The same of a group.
const GROUP_IN_USE: &str = "The group has had members or notes by now: end it, which keeps them.";

/// Remembers rows as they are before they are changed, and writes what became of them.
pub(super) struct Recorder<'a> {
    pub(super) connection: &'a Connection,
    pub(super) club: &'a str,
    rows: Vec<Remembered>,
    known: BTreeSet<(&'static str, String)>,
    group: Option<GroupOf<'a>>,
}

/// The group that a deed is about.
#[derive(Clone, Copy)]
pub(super) struct GroupOf<'a> {
    pub(super) group: &'a str,
    /// Of a hand-over: to whom; `None` for the head coach.
    pub(super) to_coach: Option<&'a str>,
}

struct Remembered {
    of: RowsOf,
    key: Vec<Value>,
    before: Option<Image>,
    /// A row that was put and is not read again: nobody else can have changed it since.
    is_new: bool,
}

/// What a deed is about.
pub(super) struct About<'a> {
    pub(super) kind: DeedKind,
    pub(super) doer: &'a Doer,
    pub(super) people: Vec<String>,
    pub(super) result: Option<&'a str>,
    pub(super) reason: Option<&'a str>,
}

impl<'a> Recorder<'a> {
    pub(super) fn new(connection: &'a Connection, club: &'a str) -> Recorder<'a> {
        Recorder { connection, club, rows: Vec::new(), known: BTreeSet::new(), group: None }
    }

    /// Says which group it is about.
    pub(super) fn is_about(&mut self, group: GroupOf<'a>) {
        self.group = Some(group);
    }

    /// Remembers a row, if there is one, before it is changed.
    pub(super) fn remember(&mut self, of: RowsOf, key: &[Value]) -> Result<(), ClubError> {
        if !self.known.insert((of.table, Value::from(key).to_string())) {
            return Ok(());
        }
        let before = of.read(self.connection, self.club, key)?;
        self.rows.push(Remembered { of, key: key.to_vec(), before, is_new: false });
        Ok(())
    }

    /// A row has been put that was not there.
    pub(super) fn has_put(&mut self, of: RowsOf, key: Vec<Value>) {
        self.rows.push(Remembered { of, key, before: None, is_new: true });
    }

    /// Writes it, with the rows as they are now.
    pub(super) fn close(self, about: &About<'_>) -> Result<DeedNo, ClubError> {
        let (connection, club) = (self.connection, self.club);
        forget_old(connection, club, about.doer.at_unix_ms)?;
        let newest: Option<u32> =
            connection.query_row(queries::NEWEST_DEED, [club], |row| row.get(0))?;
        let deed = newest.unwrap_or(0) + 1;
        connection.prepare_cached(queries::NEW_DEED)?.execute(params![
            club,
            deed,
            word(about.kind)?,
            about.doer.who,
            about.doer.at_unix_ms.cast_signed(),
            about.result,
            about.reason,
            self.group.map(|of| of.group),
            self.group.and_then(|of| of.to_coach),
        ])?;
        let mut put = connection.prepare_cached(queries::NEW_DEED_PERSON)?;
        for (nth, person) in (0_u32..).zip(&about.people) {
            put.execute(params![club, deed, nth, person])?;
        }
        let mut put = connection.prepare_cached(queries::NEW_CHANGED_ROW)?;
        let mut nth = 0_u32;
        for Remembered { of, key, before, is_new } in self.rows {
            let after = if is_new { Some(Image::new()) } else { of.read(connection, club, &key)? };
            let Some((before, after)) = difference(before, after) else { continue };
            let key = Value::Array(key).to_string();
            let text = |image: Option<Image>| image.map(|image| Value::Object(image).to_string());
            put.execute(params![club, deed, nth, of.table, key, text(before), text(after)])?;
            nth += 1;
        }
        Ok(DeedNo(deed))
    }
}

/// Only what is another now; of a row that was not there before its coming is all there is to know.
fn difference(
    before: Option<Image>,
    after: Option<Image>,
) -> Option<(Option<Image>, Option<Image>)> {
    match (before, after) {
        (None, None) => None,
        (None, Some(_)) => Some((None, Some(Image::new()))),
        (Some(before), None) => Some((Some(before), None)),
        (Some(mut before), Some(mut after)) => {
            after.retain(|column, cell| before.get(column) != Some(cell));
            before.retain(|column, _| after.contains_key(column));
            (!after.is_empty()).then_some((Some(before), Some(after)))
        }
    }
}

/// A row that a deed has changed.
struct Changed {
    of: RowsOf,
    key: Vec<Value>,
    before: Option<Image>,
    after: Option<Image>,
}

impl Store {
    /// What was done, newest first; with `before`, what stands behind that one in the list.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn deeds(
        &self,
        before: Option<DeedNo>,
        most: u32,
        now_unix_ms: u64,
    ) -> Result<Vec<Deed>, ClubError> {
        let club = self.club.club.to_string();
        let mut select = self.connection.prepare_cached(queries::DEEDS)?;
        let mut names = self.connection.prepare_cached(queries::DEED_NAMES)?;
        let before = before.map_or(i64::MAX, |DeedNo(before)| i64::from(before));
        let mut rows = select.query(params![club, before, most])?;
        let mut deeds = Vec::new();
        while let Some(row) = rows.next()? {
            let deed: u32 = row.get(0)?;
            let people = names.query_map(params![club, deed], |row| row.get(0))?;
            let at_unix_ms = row.get::<_, i64>(3)?.cast_unsigned();
            let undone: Option<i64> = row.get(6)?;
            let is_kept: bool = row.get(8)?;
            let kind = kind(&row.get::<_, String>(1)?)?;
            let people: Vec<String> = people.collect::<Result<_, _>>()?;
            let group: Option<String> = row.get(10)?;
            let (called, to): (Option<String>, Option<String>) = (row.get(11)?, row.get(12)?);
            let of = OfGroup { called: called.as_deref(), to: to.as_deref() };
            let unread = |error: uuid::Error| ClubError::Store(format!("a group: {error}"));
            let group: Option<GroupId> =
                group.map(|group| group.parse()).transpose().map_err(unread)?;
            deeds.push(Deed {
                deed: DeedNo(deed),
                kind,
                says: sentence(kind, &people, of),
                who: row.get(2)?,
                at_unix_ms,
                people,
                result: row.get(4)?,
                reason: row.get(5)?,
                group,
                rows: row.get(9)?,
                undone_unix_ms: undone.map(i64::cast_unsigned),
                undone_by: row.get(7)?,
                can_be_undone: is_kept && undone.is_none() && is_recent(at_unix_ms, now_unix_ms),
            });
        }
        Ok(deeds)
    }

    /// One thing that was done.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn deed(&self, deed: DeedNo, now_unix_ms: u64) -> Result<Option<Deed>, ClubError> {
        let behind = DeedNo(deed.0.saturating_add(1));
        let found = self.deeds(Some(behind), 1, now_unix_ms)?.into_iter().next();
        Ok(found.filter(|found| found.deed == deed))
    }

    /// Undoes it, once: every row that it has changed is as it was. What has come since in a seat that is another's again goes with
    /// that seat; all else that has come since stays where it is.
    ///
    /// # Errors
    /// There is no such deed, it was undone, is too old, something later was done to the same, or it cannot be written; then nothing
    /// was changed.
    pub fn undo(&mut self, deed: DeedNo, doer: &Doer) -> Result<Deed, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        may_undo(&transaction, &club, deed, doer.at_unix_ms)?;
        let rows = changed(&transaction, &club, deed)?;
        for row in rows.iter().rev() {
            put_back(&transaction, &club, row)?;
        }
        for row in rows.iter().filter(|row| row.of == SEAT || row.of == GIVEN_PIECE) {
            let [session, seat, ..] = row.key.as_slice() else { continue };
            follow(&transaction, &club, session.as_str().unwrap_or_default(), seat.as_i64())?;
        }
        let at = doer.at_unix_ms.cast_signed();
        transaction.execute(queries::DEED_IS_UNDONE, params![at, doer.who, club, deed.0])?;
        transaction.commit()?;
        let undone = self.deed(deed, doer.at_unix_ms)?;
        undone.ok_or_else(|| ClubError::Store("a deed that was undone is gone".to_owned()))
    }

    /// Erases what it takes to undo what was done to somebody: it goes with them.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn forget_deeds_of(&mut self, person: &str) -> Result<usize, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let deeds = forget_of(&transaction, &club, person)?;
        transaction.commit()?;
        Ok(deeds)
    }
}

fn may_undo(
    connection: &Connection,
    club: &str,
    DeedNo(deed): DeedNo,
    now_unix_ms: u64,
) -> Result<(), ClubError> {
    let refused = |says: String| Err(ClubError::Refused(says));
    let found = connection.query_row(queries::DEED, params![club, deed], |row| {
        Ok((row.get::<_, i64>(0)?, row.get::<_, Option<i64>>(1)?, row.get::<_, bool>(2)?))
    });
    let Some((at, undone, is_kept)) = found.optional()? else {
        return refused(format!(
            "Nothing was done under number {deed}; the list of deeds has the numbers of all."
        ));
    };
    if undone.is_some() {
        return refused(format!("Number {deed} was undone already."));
    }
    if !is_kept || !is_recent(at.cast_unsigned(), now_unix_ms) {
        return refused(format!(
            "Number {deed} can be undone no more: what it takes is erased after {} days, or with the people whom it concerns.",
            thole_club::deed::UNDO_DAYS
        ));
    }
    if connection.prepare_cached(queries::DEED_OF_GOING)?.exists(params![club, deed])? {
        return refused(format!(
            "Somebody whom number {deed} concerns is to be deleted: take that back first."
        ));
    }
    let later: Option<u32> =
        connection.query_row(queries::LATER_DEED, params![club, deed], |row| row.get(0))?;
    match later {
        None => Ok(()),
        Some(later) => refused(format!(
            "Number {later} was done to the same after number {deed}: undo that one first."
        )),
    }
}

fn changed(
    connection: &Connection,
    club: &str,
    DeedNo(deed): DeedNo,
) -> Result<Vec<Changed>, ClubError> {
    let unread = |error: serde_json::Error| ClubError::Store(format!("a deed: {error}"));
    let mut select = connection.prepare_cached(queries::CHANGED_ROWS)?;
    let mut rows = select.query(params![club, deed])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let image = |text: Option<String>| {
            text.map(|text| serde_json::from_str(&text)).transpose().map_err(unread)
        };
        let key: String = row.get(1)?;
        all.push(Changed {
            of: RowsOf::named(&row.get::<_, String>(0)?)?,
            key: serde_json::from_str(&key).map_err(unread)?,
            before: image(row.get(2)?)?,
            after: image(row.get(3)?)?,
        });
    }
    Ok(all)
}

fn put_back(connection: &Connection, club: &str, row: &Changed) -> Result<(), ClubError> {
    let Changed { of, key, before, after } = row;
    match (before, after) {
        (None, _) => of.remove(connection, club, key).map_err(|error| {
            if error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation) {
                let says = if *of == GROUP { GROUP_IN_USE } else { IN_USE };
                ClubError::Refused(says.to_owned())
            } else {
                error.into()
            }
        }),
        (Some(before), None) => match of.read(connection, club, key)? {
            None => of.put(connection, club, before),
            Some(_) => Err(ClubError::Refused(
                "What was removed is there again, by a file or by hand: remove that first."
                    .to_owned(),
            )),
        },
        (Some(before), Some(after)) => {
            // A row that has gone since stays gone, a column that was set anew since stays so.
            let Some(now) = of.read(connection, club, key)? else { return Ok(()) };
            let mut back = before.clone();
            back.retain(|column, _| now.get(column) == after.get(column));
            if back.is_empty() { Ok(()) } else { of.set(connection, club, key, &back) }
        }
    }
}

/// The results of a seat are of whom the seat is, but for pieces that are another's.
pub(super) fn follow(
    connection: &Connection,
    club: &str,
    session: &str,
    seat: Option<i64>,
) -> Result<usize, ClubError> {
    let mut follow = connection.prepare_cached(queries::RESULTS_FOLLOW)?;
    Ok(follow.execute(params![club, session, seat])?)
}

/// Erases what it takes to undo what was done to somebody; how many deeds that were.
pub(super) fn forget_of(
    connection: &Connection,
    club: &str,
    person: &str,
) -> Result<usize, ClubError> {
    let deeds = numbers(connection, queries::DEEDS_OF_PERSON, params![club, person])?;
    for deed in &deeds {
        forget(connection, club, *deed)?;
    }
    Ok(deeds.len())
}

/// The same of whatever was done to a row.
pub(super) fn forget_at(
    connection: &Connection,
    club: &str,
    of: RowsOf,
    key: &[Value],
) -> Result<(), ClubError> {
    let row = Value::from(key).to_string();
    for deed in numbers(connection, queries::DEEDS_AT_ROW, params![club, of.table, row])? {
        forget(connection, club, deed)?;
    }
    Ok(())
}

fn forget_old(connection: &Connection, club: &str, now_unix_ms: u64) -> Result<(), ClubError> {
    let before = undone_since(now_unix_ms).cast_signed();
    for deed in numbers(connection, queries::OLD_DEEDS, params![club, before])? {
        forget(connection, club, deed)?;
    }
    Ok(())
}

/// That something was done stays; what, and to whom, goes.
fn forget(connection: &Connection, club: &str, deed: u32) -> Result<(), ClubError> {
    for sql in [queries::FORGET_ROWS, queries::FORGET_DEED_PEOPLE, queries::DEED_IS_FORGOTTEN] {
        connection.prepare_cached(sql)?.execute(params![club, deed])?;
    }
    Ok(())
}

fn numbers(
    connection: &Connection,
    sql: &str,
    named: impl rusqlite::Params,
) -> Result<Vec<u32>, ClubError> {
    let mut select = connection.prepare_cached(sql)?;
    let rows = select.query_map(named, |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

fn word(kind: DeedKind) -> Result<String, ClubError> {
    let text = serde_json::to_string(&kind).map_err(|error| ClubError::Store(error.to_string()))?;
    Ok(text.trim_matches('"').to_owned())
}

fn kind(word: &str) -> Result<DeedKind, ClubError> {
    serde_json::from_value(Value::from(word))
        .map_err(|error| ClubError::Store(format!("a deed: {error}")))
}
