//! The thread that writes the journal: all that waits in one transaction.

use std::collections::BTreeMap;

use rusqlite::{
    Connection, Savepoint, Transaction, TransactionBehavior, ffi, params,
    types::{ToSqlOutput, ValueRef},
};
use thole_host::stored::{
    Row, Stored,
    chain::{Tag, chained},
    packing::{HEART_RATE, people, recording, split},
};
use thole_piece::Input;
use thole_protocol::ids::{AthleteId, SessionId};
use tokio::sync::{mpsc, oneshot};

use super::{
    GROUP_MAX,
    columns::{self, whole},
    erasing::{self, Meant},
    is_damage,
    seats::{Seats, secret_sum},
    tables,
    witness::{AllSeen, Seen, Witness},
};
use crate::clock::Reckoned;
use crate::journal::{Append, Grant, Holder, JournalError, LetGo, Passing, Record};

/// Sessions whose ends and numbers are kept in memory; beyond this many, all are read again when they are
/// written.
const MINDED_MAX: usize = 4_096;

/// What the writer is asked to do, and where the answer goes: the position of the next record where there is
/// one.
pub(super) struct ToWrite {
    pub(super) change: Change,
    pub(super) answer: oneshot::Sender<Result<u64, JournalError>>,
}

pub(super) enum Change {
    Append(Append),
    Take(SessionId),
    SetAside(SessionId, u64),
    Keep(&'static str, String),
    Erase(SessionId, AthleteId),
    LetGo(LetGo),
    /// Done after the commit, not in it.
    Overwrite,
    /// Done after the commit, not in it.
    FoldIn,
}

/// Where a session's records end, as far as this process has written them: nobody else does.
pub(super) struct End {
    next: u64,
    tag: Tag,
    seats: Seats,
    /// Who has heart rate here, and the position of the first of it; `None` until it is asked for.
    hearts: Option<BTreeMap<u64, u64>>,
}

/// The ends of the sessions that are written.
pub(super) type Ends = BTreeMap<SessionId, End>;

/// The writer: takes everything that waits, makes it durable in one transaction, answers. After a failure
/// everybody is told of it and nothing is tried again: what is durable is not known until the next start.
/// Lack of room is not such a failure: nothing of the transaction was kept, and the next one may find room.
pub(super) fn write_all(
    mut connection: Connection,
    mut tasks: mpsc::Receiver<ToWrite>,
    witness: &Witness,
    seen: &AllSeen,
) {
    let mut failed: Option<String> = None;
    let mut group = Vec::new();
    let mut ends = Ends::new();
    while tasks.blocking_recv_many(&mut group, GROUP_MAX) > 0 {
        let written = match &failed {
            Some(why) => Err(why.clone()),
            None => match write_group(&mut connection, &group, &mut ends, seen) {
                Ok(results) => Ok(results),
                Err(error) if is_full(&error) => {
                    // What was noted of the transaction is as gone as the transaction.
                    ends.clear();
                    for task in group.drain(..) {
                        let _ = task.answer.send(Err(JournalError::Full(error.to_string())));
                    }
                    continue;
                }
                Err(error) if is_damage(&error) => {
                    ends.clear();
                    one_by_one(&mut connection, &group, &mut ends, seen)
                }
                Err(error) => Err(error.to_string()),
            },
        };
        // Whoever asked may be gone; what was asked for is durable, or not, all the same.
        match written {
            Ok(results) => {
                note(witness, &group, &ends);
                for (task, result) in group.drain(..).zip(results) {
                    let _ = task.answer.send(result);
                }
            }
            Err(why) => {
                if failed.is_none() {
                    tracing::error!(error = why, "the journal cannot be written");
                }
                for task in group.drain(..) {
                    let _ = task.answer.send(Err(JournalError::Write(why.clone())));
                }
                failed = Some(why);
            }
        }
        if ends.len() > MINDED_MAX {
            ends.clear();
        }
    }
}

/// Tells the witness where the sessions of a group end now.
fn note(witness: &Witness, group: &[ToWrite], ends: &Ends) {
    for task in group {
        let Change::Append(Append { session, .. }) = &task.change else { continue };
        if let Some(End { next, tag, seats, .. }) = ends.get(session) {
            witness.note(seats.number, *session, Seen { next: *next, tag: *tag });
        }
    }
    witness.sync_soon();
}

/// Each task in a transaction of its own: damaged pages in the way of writing one session are the end of that session,
/// and the others are as good as before. SQLite commits nothing of a transaction that has met them.
fn one_by_one(
    connection: &mut Connection,
    group: &[ToWrite],
    ends: &mut Ends,
    seen: &AllSeen,
) -> Result<Vec<Result<u64, JournalError>>, String> {
    let mut results = Vec::with_capacity(group.len());
    for task in group {
        match write_group(connection, std::slice::from_ref(task), ends, seen) {
            Ok(written) => results.extend(written),
            Err(error) if is_damage(&error) => {
                ends.clear();
                results.push(Err(JournalError::Unreadable(error.to_string())));
            }
            Err(error) if is_full(&error) => {
                ends.clear();
                results.push(Err(JournalError::Full(error.to_string())));
            }
            Err(error) => return Err(error.to_string()),
        }
    }
    Ok(results)
}

/// One transaction; durable when this returns. One result per task, in order.
fn write_group(
    connection: &mut Connection,
    group: &[ToWrite],
    ends: &mut Ends,
    seen: &AllSeen,
) -> Result<Vec<Result<u64, JournalError>>, rusqlite::Error> {
    let mut transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut results = Vec::with_capacity(group.len());
    for task in group {
        results.push(match &task.change {
            Change::Append(append) => write_alone(&mut transaction, append, ends, seen)?,
            Change::SetAside(session, position) => {
                let sql = "INSERT OR IGNORE INTO set_aside (session, position)
                           SELECT number, ? FROM session WHERE session = ?";
                transaction.execute(sql, params![whole(*position), session.0.as_bytes()])?;
                Ok(0)
            }
            Change::Take(session) => Ok(take(&transaction, *session, ends)?),
            Change::LetGo(what) => {
                ends.remove(&what.session);
                Ok(erasing::let_go(&transaction, what)?)
            }
            Change::Overwrite => Ok(u64::from(tables::has_traces(&transaction)?)),
            Change::FoldIn => Ok(0),
            Change::Keep(name, note) => {
                let sql = "INSERT OR REPLACE INTO meta (name, value) VALUES (?, ?)";
                transaction.execute(sql, params![name, note])?;
                Ok(0)
            }
            Change::Erase(session, athlete) => {
                ends.remove(session);
                erasing::person(&transaction, *session, *athlete)?;
                Ok(0)
            }
        });
    }
    transaction.commit()?;
    if group.iter().any(|task| matches!(task.change, Change::FoldIn)) {
        tables::fold_in(connection)?;
    }
    let is_overwritten =
        |task: &ToWrite| matches!(task.change, Change::Erase(..) | Change::Overwrite);
    let overwrites = group.iter().any(is_overwritten);
    if overwrites && let Err(error) = tables::overwrite(connection) {
        // The records are erased; what pages have kept of them is overwritten at the next start.
        tracing::warn!(%error, "somebody was erased, and not every trace could be overwritten yet");
        let told = || Err(JournalError::Read(format!("not every trace is overwritten: {error}")));
        for (task, result) in group.iter().zip(&mut results) {
            if is_overwritten(task) {
                *result = told();
            }
        }
    }
    Ok(results)
}

/// One tenure more; 0 for a session that nobody has made.
fn take(connection: &Connection, session: SessionId, ends: &mut Ends) -> rusqlite::Result<u64> {
    ends.remove(&session);
    let sql = "UPDATE session SET tenure = tenure + 1 WHERE session = ? RETURNING tenure";
    let mut update = connection.prepare_cached(sql)?;
    let mut rows = update.query([session.0.as_bytes()])?;
    let tenure = rows.next()?.map(|row| row.get::<_, i64>(0)).transpose()?;
    Ok(tenure.unwrap_or(0).cast_unsigned())
}

/// Whether there was no room, or no permission to write: SQLite has taken all of it back.
fn is_full(error: &rusqlite::Error) -> bool {
    let full = [rusqlite::ErrorCode::DiskFull, rusqlite::ErrorCode::ReadOnly];
    // The index beside the write-ahead file finds no room of its own.
    let no_index = error.sqlite_extended_error_code() == Some(ffi::SQLITE_IOERR_SHMSIZE);
    error.sqlite_error_code().is_some_and(|code| full.contains(&code)) || no_index
}

/// All of an append or nothing of it: one that contradicts what somebody else has written harms none of those
/// that share its commit.
fn write_alone(
    transaction: &mut Transaction<'_>,
    append: &Append,
    ends: &mut Ends,
    seen: &AllSeen,
) -> Result<Result<u64, JournalError>, rusqlite::Error> {
    let savepoint = transaction.savepoint()?;
    let end = match ends.remove(&append.session) {
        Some(end) => Some(end),
        None => end(&savepoint, append.session, seen.get(&append.session))?,
    };
    let end = match (end, &append.create) {
        (None, Some(row)) if append.first == 0 => Seats::create(&savepoint, row).map(End::new),
        (Some(end), None)
            if end.next == append.first && end.seats.tenure.cast_unsigned() == append.tenure =>
        {
            Ok(end)
        }
        _ => return Ok(Err(JournalError::Fenced)),
    };
    match end.and_then(|mut end| write_one(&savepoint, append, &mut end).map(|()| end)) {
        Ok(end) => {
            savepoint.commit()?;
            let next = end.next;
            ends.insert(append.session, end);
            Ok(Ok(next))
        }
        // Dropping the savepoint takes back what the append had written.
        Err(error) if is_taken(&error) => Ok(Err(JournalError::Fenced)),
        Err(error) => Err(error),
    }
}

/// Whether a key that had to be free is in use, or a session that had to exist does not.
fn is_taken(error: &rusqlite::Error) -> bool {
    error.sqlite_extended_error_code().is_some_and(|code| {
        [
            ffi::SQLITE_CONSTRAINT_PRIMARYKEY,
            ffi::SQLITE_CONSTRAINT_UNIQUE,
            ffi::SQLITE_CONSTRAINT_FOREIGNKEY,
        ]
        .contains(&code)
    })
}

/// Where the records of a session end; `None` when there is no such session.
/// Positions that the witness knows and the file has lost are not used again.
fn end(
    savepoint: &Savepoint<'_>,
    session: SessionId,
    seen: Option<&Seen>,
) -> Result<Option<End>, rusqlite::Error> {
    let Some(seats) = Seats::of(savepoint, session)? else { return Ok(None) };
    let sql = "SELECT COALESCE(MAX(position) + 1, 0) FROM record WHERE session = ?";
    let next: i64 = savepoint.prepare_cached(sql)?.query_row([seats.number], |row| row.get(0))?;
    let sql = "SELECT tag FROM record WHERE session = ? AND tag IS NOT NULL
               ORDER BY position DESC LIMIT 1";
    let mut select = savepoint.prepare_cached(sql)?;
    let mut rows = select.query([seats.number])?;
    let tag = rows.next()?.map_or(Ok(Tag::default()), |row| row.get(0))?;
    let next = next.cast_unsigned().max(seen.map_or(0, |seen| seen.next));
    Ok(Some(End { next, tag, seats, hearts: None }))
}

fn write_one(savepoint: &Savepoint<'_>, append: &Append, end: &mut End) -> rusqlite::Result<()> {
    let mut rows = Vec::with_capacity(append.records.len());
    let mut taken_back = Vec::new();
    for Record { at, input } in append.records.iter() {
        if let Input::Consent { athlete, heart_rate: false, .. } = input {
            taken_back.push((*athlete, end.next + rows.len() as u64));
        }
        for athlete in people(input) {
            end.seats.person(savepoint, athlete)?;
        }
        if let Some((athlete, run)) = recording(input) {
            end.seats.run(savepoint, athlete, run)?;
        }
        let split = split(at.0, input, &end.seats.keys.numbers).map_err(no_row)?;
        rows.extend(split.into_iter().map(|row| (at.0, row)));
    }
    put_rows(savepoint, end, rows)?;
    for (athlete, position) in taken_back {
        end.take_back(savepoint, athlete, position)?;
    }
    for holder in &append.revoke {
        revoke(savepoint, end, *holder)?;
    }
    for grant in &append.grant {
        put_grant(savepoint, end, grant)?;
    }
    if let Some(Reckoned { at, unix_ms, uptime }) = &append.reckoned {
        let sql = "INSERT OR REPLACE INTO reckoned (session, at_ms, unix_ms, boot, uptime_ns)
                   VALUES (?, ?, ?, ?, ?)";
        let (boot, ns) = uptime.as_ref().map(|up| (&up.boot, whole(up.ns))).unzip();
        let (at, unix) = (whole(at.0), whole(*unix_ms));
        savepoint.prepare_cached(sql)?.execute(params![end.seats.number, at, unix, boot, ns])?;
    }
    if let Some(closed) = append.closed_unix_ms {
        let sql = "UPDATE session SET closed_unix_ms = ? WHERE number = ?";
        savepoint.execute(sql, params![whole(closed), end.seats.number])?;
    }
    Ok(())
}

pub(super) fn no_row(what: String) -> rusqlite::Error {
    rusqlite::Error::ToSqlConversionFailure(what.into())
}

impl End {
    /// A session that has no records yet.
    pub(super) fn new(seats: Seats) -> End {
        End { next: 0, tag: Tag::default(), seats, hearts: Some(BTreeMap::new()) }
    }

    /// Somebody takes back their consent to heart rate: what was taken before that is erased with the record that says so.
    fn take_back(
        &mut self,
        connection: &Connection,
        athlete: AthleteId,
        position: u64,
    ) -> rusqlite::Result<()> {
        let Some(person) = self.seats.keys.numbers.persons.get(&athlete).copied() else {
            return Ok(());
        };
        let what = Passing::HeartRate;
        let hearts = match &mut self.hearts {
            Some(hearts) => hearts,
            none => none.insert(erasing::first_of(connection, self.seats.number, what)?),
        };
        // Nothing is looked through for somebody who has none, however often they change their mind.
        let Some(first) = hearts.get(&person).copied().filter(|first| *first < position) else {
            return Ok(());
        };
        let positions = (first, position);
        let meant = Meant { what, person: Some(person), positions, before: u64::MAX };
        erasing::records(connection, &mut self.seats, &meant)?;
        hearts.insert(person, position);
        Ok(())
    }

    pub(super) fn seats(&mut self) -> &mut Seats {
        &mut self.seats
    }

    /// Leaves positions out, as the file being converted does.
    pub(super) fn leave_out(&mut self, positions: u64) {
        self.next += positions;
    }

    pub(super) fn next(&self) -> u64 {
        self.next
    }
}

/// Rows of one commit, the tag on the last.
pub(super) fn put_rows(
    connection: &Connection,
    end: &mut End,
    rows: Vec<(u64, Row)>,
) -> rusqlite::Result<()> {
    let sql = "INSERT INTO record (session, position, at_ms, person, kind, payload, tag)
               VALUES (?, ?, ?, ?, ?, ?, ?)";
    let mut insert = connection.prepare_cached(sql)?;
    let stored = chained(&end.seats.keys, (end.next, end.tag), rows).map_err(no_row)?;
    for Stored { position, at, row, tag } in stored {
        let payload = ToSqlOutput::Borrowed(ValueRef::Blob(&row.payload));
        insert.execute(params![
            end.seats.number,
            whole(position),
            whole(at),
            row.person.map(whole),
            row.kind,
            payload,
            tag
        ])?;
        if let (Some(hearts), Some(person), HEART_RATE) = (&mut end.hearts, row.person, row.kind) {
            hearts.entry(person).or_insert(position);
        }
        end.next = position + 1;
        end.tag = tag.unwrap_or(end.tag);
    }
    Ok(())
}

fn revoke(connection: &Connection, end: &mut End, holder: Holder) -> rusqlite::Result<()> {
    let (role, athlete) = columns::of(holder);
    let person = athlete.map(|who| end.seats.person(connection, who)).transpose()?.map(whole);
    // An athlete's secrets are found by their index.
    let sql = match person {
        Some(_) => "SELECT hash FROM secret WHERE session = ? AND role = ? AND person = ?",
        None => "SELECT hash FROM secret WHERE session = ? AND role = ? AND person IS ?",
    };
    let session = end.seats.number;
    let mut select = connection.prepare_cached(sql)?;
    let hashes =
        select.query_map(params![session, role, person], |row| row.get::<_, Vec<u8>>(0))?;
    let hashes: Vec<Vec<u8>> = hashes.collect::<Result<_, _>>()?;
    let sql = "UPDATE secret SET revoked = 1, sum = ? WHERE hash = ?";
    let mut update = connection.prepare_cached(sql)?;
    for hash in hashes {
        update.execute(params![secret_sum(&hash, session, role, person, 1), hash])?;
    }
    Ok(())
}

/// Every link of every session opens nothing any more.
pub(super) fn revoke_all(connection: &Connection) -> rusqlite::Result<()> {
    let sql = "SELECT hash, session, role, person FROM secret WHERE revoked = 0";
    let mut select = connection.prepare(sql)?;
    let rows = select.query_map([], |row| {
        Ok((row.get(0)?, row.get(1)?, row.get::<_, String>(2)?, row.get(3)?))
    })?;
    let rows: Vec<(Vec<u8>, i64, String, Option<i64>)> = rows.collect::<Result<_, _>>()?;
    let mut update = connection.prepare("UPDATE secret SET revoked = 1, sum = ? WHERE hash = ?")?;
    for (hash, session, role, person) in rows {
        update.execute(params![secret_sum(&hash, session, &role, person, 1), hash])?;
    }
    Ok(())
}

fn put_grant(connection: &Connection, end: &mut End, grant: &Grant) -> rusqlite::Result<()> {
    let (role, athlete) = columns::of(grant.holder);
    let person = athlete.map(|who| end.seats.person(connection, who)).transpose()?.map(whole);
    put_secret(connection, end.seats.number, grant.hash.as_bytes(), role, person, 0)
}

pub(super) fn put_secret(
    connection: &Connection,
    session: i64,
    hash: &[u8],
    role: &str,
    person: Option<i64>,
    revoked: i64,
) -> rusqlite::Result<()> {
    let sql =
        "INSERT INTO secret (hash, session, role, person, revoked, sum) VALUES (?, ?, ?, ?, ?, ?)";
    let sum = secret_sum(hash, session, role, person, revoked);
    connection.prepare_cached(sql)?.execute(params![hash, session, role, person, revoked, sum])?;
    Ok(())
}
