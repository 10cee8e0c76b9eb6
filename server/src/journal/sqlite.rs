//! The journal in one SQLite file: a writer thread, one transaction for everything that has come in.

mod columns;
mod reader;

use std::{
    collections::BTreeMap,
    fs::{DirBuilder, File, TryLockError},
    os::unix::fs::DirBuilderExt,
    path::Path,
    thread,
};

use rusqlite::{
    Connection, OpenFlags, OptionalExtension, Savepoint, Transaction, TransactionBehavior, ffi,
    params,
    types::{ToSqlOutput, ValueRef},
};
use thole_piece::Input;
use thole_protocol::{
    ids::{JoinCode, SessionId},
    units::At,
};
use tokio::sync::{mpsc, oneshot};
use uuid::Uuid;

use super::{Answer, Append, Held, Journal, JournalError, Record, SessionRow};
use crate::secret::{SecretHash, random_epoch};
use columns::{uuid, whole};
use reader::Reader;

/// Version of the tables below; a file of a newer one is not opened.
const SCHEMA: i64 = 1;
/// Appends that may wait for the writer; sessions wait beyond that, and their connections with them.
const QUEUE_MAX: usize = 1_024;
/// Appends in one transaction: what came in while the last one was made durable.
const GROUP_MAX: usize = 1_024;

const TABLES: &str = "
    CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
    CREATE TABLE session (
        session TEXT PRIMARY KEY, code TEXT NOT NULL,
        created_unix_ms INTEGER NOT NULL, closed_unix_ms INTEGER
    ) WITHOUT ROWID;
    CREATE INDEX session_by_code ON session (code, created_unix_ms);
    CREATE TABLE record (
        session TEXT NOT NULL REFERENCES session, position INTEGER NOT NULL, at_ms INTEGER NOT NULL,
        athlete TEXT, kind TEXT NOT NULL, payload TEXT NOT NULL,
        PRIMARY KEY (session, position)
    ) WITHOUT ROWID;
    CREATE TABLE set_aside (
        session TEXT NOT NULL, position INTEGER NOT NULL, PRIMARY KEY (session, position)
    ) WITHOUT ROWID;
    CREATE TABLE secret (
        hash BLOB PRIMARY KEY, session TEXT NOT NULL REFERENCES session, role TEXT NOT NULL,
        athlete TEXT, revoked INTEGER NOT NULL DEFAULT 0
    ) WITHOUT ROWID;
    CREATE INDEX secret_by_athlete ON secret (athlete) WHERE athlete IS NOT NULL;
";

/// What the writer is asked, and where the answer goes.
struct Task {
    change: Change,
    answer: oneshot::Sender<Result<(), JournalError>>,
}

enum Change {
    Append(Append),
    SetAside(SessionId, u64),
    Keep(&'static str, String),
}

/// The journal in one file of a data folder.
pub struct SqliteJournal {
    writer: mpsc::Sender<Task>,
    reader: Reader,
    epoch: String,
    /// Held as long as the journal is open: there is one writer.
    _lock: Option<File>,
}

impl SqliteJournal {
    /// Opens the journal of a data folder, and makes both if they are not there.
    ///
    /// # Errors
    /// The folder cannot be written, another server has it, or the file is of a newer version.
    pub fn open(data: &Path) -> Result<SqliteJournal, JournalError> {
        let write = |error: &dyn std::fmt::Display| {
            JournalError::Write(format!("{}: {error}", data.display()))
        };
        // Heart rates are in it: a folder made here is for this user alone.
        let folder = DirBuilder::new().recursive(true).mode(0o700).create(data);
        folder.map_err(|error| write(&error))?;
        let lock = File::create(data.join("lock")).map_err(|error| write(&error))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(write(&"another server is using this folder; stop it or name another"));
            }
            Err(TryLockError::Error(error)) => return Err(write(&error)),
        }
        let file = data.join("thole.db");
        let mut connection = Connection::open(&file).map_err(|error| write(&error))?;
        prepare(&mut connection)?;
        let epoch = epoch(&connection)?;
        let reader =
            Connection::open_with_flags(&file, READ_ONLY).map_err(|error| write(&error))?;
        let (writer, tasks) = mpsc::channel(QUEUE_MAX);
        thread::Builder::new()
            .name("journal".to_owned())
            .spawn(move || write_all(connection, tasks))
            .map_err(|error| write(&error))?;
        let reader = Reader::new(reader).map_err(|error| write(&error))?;
        Ok(SqliteJournal { writer, reader, epoch, _lock: Some(lock) })
    }

    /// Opens the journal of a data folder to read it, also while a server is using it.
    ///
    /// # Errors
    /// There is no journal, or it is of a newer version.
    pub fn open_read_only(data: &Path) -> Result<SqliteJournal, JournalError> {
        let file = data.join("thole.db");
        let read =
            |error: rusqlite::Error| JournalError::Read(format!("{}: {error}", file.display()));
        let reader = Connection::open_with_flags(&file, READ_ONLY).map_err(read)?;
        check_version(version(&reader)?)?;
        let epoch = epoch(&reader)?;
        // Nobody receives: whoever appends all the same is told that it cannot be written.
        let (writer, _) = mpsc::channel(1);
        let reader = Reader::new(reader)
            .map_err(|error| JournalError::Read(format!("{}: {error}", file.display())))?;
        Ok(SqliteJournal { writer, reader, epoch, _lock: None })
    }

    fn write(&self, change: Change) -> Answer<()> {
        let writer = self.writer.clone();
        Box::pin(async move {
            let gone = || JournalError::Write("the writer has stopped".to_owned());
            let (answer, answered) = oneshot::channel();
            writer.send(Task { change, answer }).await.map_err(|_| gone())?;
            answered.await.map_err(|_| gone())?
        })
    }
}

const READ_ONLY: OpenFlags =
    OpenFlags::SQLITE_OPEN_READ_ONLY.union(OpenFlags::SQLITE_OPEN_NO_MUTEX);

impl Journal for SqliteJournal {
    fn append(&self, append: Append) -> Answer<()> {
        self.write(Change::Append(append))
    }

    fn set_aside(&self, session: SessionId, position: u64) -> Answer<()> {
        self.write(Change::SetAside(session, position))
    }

    fn read(&self, session: SessionId, from: u64) -> Answer<Vec<(u64, Record)>> {
        self.reader.ask(move |connection| records(connection, session, from))
    }

    fn session(&self, session: SessionId) -> Answer<Option<SessionRow>> {
        self.reader.ask(move |connection| {
            let sql = "SELECT session, code, created_unix_ms, closed_unix_ms FROM session WHERE session = ?";
            one(connection, sql, &session.to_string())
        })
    }

    fn session_of(&self, code: &JoinCode) -> Answer<Option<SessionRow>> {
        let code = code.as_str().to_owned();
        self.reader.ask(move |connection| {
            let sql = "SELECT session, code, created_unix_ms, closed_unix_ms FROM session
                       WHERE code = ? ORDER BY created_unix_ms DESC, session DESC LIMIT 1";
            one(connection, sql, &code)
        })
    }

    fn sessions(&self) -> Answer<Vec<SessionRow>> {
        self.reader.ask(|connection| {
            let sql = "SELECT session FROM session ORDER BY created_unix_ms, session";
            let mut select = connection.prepare(sql).map_err(read)?;
            let names = select.query_map([], |row| row.get::<_, String>(0)).map_err(read)?;
            let sql = "SELECT session, code, created_unix_ms, closed_unix_ms FROM session WHERE session = ?";
            let mut rows = Vec::new();
            for name in names {
                rows.extend(one(connection, sql, &name.map_err(read)?)?);
            }
            Ok(rows)
        })
    }

    fn keep(&self, name: &'static str, note: String) -> Answer<()> {
        self.write(Change::Keep(name, note))
    }

    fn kept(&self, name: &'static str) -> Answer<Option<String>> {
        self.reader.ask(move |connection| {
            let mut select =
                connection.prepare_cached("SELECT value FROM meta WHERE name = ?").map_err(read)?;
            select.query_row([name], |row| row.get(0)).optional().map_err(read)
        })
    }

    fn held(&self, hash: SecretHash) -> Answer<Option<Held>> {
        self.reader.ask(move |connection| {
            let sql = "SELECT session, role, athlete FROM secret WHERE hash = ? AND revoked = 0";
            let mut held = connection.prepare_cached(sql).map_err(read)?;
            let held = held.query_row([hash.as_bytes()], |row| {
                let (session, role) = (row.get::<_, String>(0)?, row.get::<_, String>(1)?);
                Ok((session, role, row.get::<_, Option<String>>(2)?))
            });
            let Some((session, role, athlete)) = held.optional().map_err(read)? else {
                return Ok(None);
            };
            let holder = columns::holder(&role, athlete)?;
            Ok(Some(Held { session: SessionId(uuid(&session)?), holder }))
        })
    }

    fn epoch(&self) -> String {
        self.epoch.clone()
    }
}

/// The writer: takes everything that waits, makes it durable in one transaction, answers. After a
/// failure everybody is told of that failure and nothing is tried again: what is durable is not known
/// until the next start.
fn write_all(mut connection: Connection, mut tasks: mpsc::Receiver<Task>) {
    let mut failed: Option<String> = None;
    let mut group = Vec::new();
    let mut ends = Ends::new();
    while tasks.blocking_recv_many(&mut group, GROUP_MAX) > 0 {
        let written = match &failed {
            Some(why) => Err(why.clone()),
            None => {
                write_group(&mut connection, &group, &mut ends).map_err(|error| error.to_string())
            }
        };
        // Who asked may be gone; what was asked is durable, or not, all the same.
        match written {
            Ok(results) => {
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
    }
}

/// Where each session's records end, as far as this process has written them: nobody else writes.
type Ends = BTreeMap<SessionId, u64>;

/// One transaction; durable when this returns. One result a task, in their order.
fn write_group(
    connection: &mut Connection,
    group: &[Task],
    ends: &mut Ends,
) -> Result<Vec<Result<(), JournalError>>, rusqlite::Error> {
    let mut transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut results = Vec::with_capacity(group.len());
    for task in group {
        results.push(match &task.change {
            Change::Append(append) => write_alone(&mut transaction, append, ends)?,
            Change::SetAside(session, position) => {
                let sql = "INSERT OR IGNORE INTO set_aside (session, position) VALUES (?, ?)";
                transaction.execute(sql, params![session.to_string(), whole(*position)])?;
                Ok(())
            }
            Change::Keep(name, note) => {
                let sql = "INSERT OR REPLACE INTO meta (name, value) VALUES (?, ?)";
                transaction.execute(sql, params![name, note])?;
                Ok(())
            }
        });
    }
    transaction.commit()?;
    Ok(results)
}

/// All of an append or nothing of it: one that somebody else's writing contradicts harms none of those
/// that share its commit.
fn write_alone(
    transaction: &mut Transaction<'_>,
    append: &Append,
    ends: &mut Ends,
) -> Result<Result<(), JournalError>, rusqlite::Error> {
    let savepoint = transaction.savepoint()?;
    let known = ends.remove(&append.session);
    let end = known.map_or_else(|| end(&savepoint, append.session), Ok)?;
    if end != append.first {
        return Ok(Err(JournalError::Fenced));
    }
    match write_one(&savepoint, append) {
        Ok(()) => {
            savepoint.commit()?;
            ends.insert(append.session, append.first + append.records.len() as u64);
            Ok(Ok(()))
        }
        // Dropping the savepoint takes back what the append had written.
        Err(error) if is_taken(&error) => Ok(Err(JournalError::Fenced)),
        Err(error) => Err(error),
    }
}

/// Whether a key that had to be free is in use, or a session that had to be there is not.
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

/// Where the records of a session end: the position of its next one.
fn end(savepoint: &Savepoint<'_>, session: SessionId) -> Result<u64, rusqlite::Error> {
    let sql = "SELECT COALESCE(MAX(position) + 1, 0) FROM record WHERE session = ?";
    let next: i64 =
        savepoint.prepare_cached(sql)?.query_row([session.to_string()], |row| row.get(0))?;
    Ok(next.cast_unsigned())
}

fn write_one(savepoint: &Savepoint<'_>, append: &Append) -> Result<(), rusqlite::Error> {
    let session = append.session.to_string();
    if let Some(SessionRow { code, created_unix_ms, closed_unix_ms, .. }) = &append.create {
        let sql = "INSERT INTO session (session, code, created_unix_ms, closed_unix_ms) VALUES (?, ?, ?, ?)";
        let closed = closed_unix_ms.map(whole);
        savepoint.execute(sql, params![session, code.as_str(), whole(*created_unix_ms), closed])?;
    }
    let sql = "INSERT INTO record (session, position, at_ms, athlete, kind, payload) VALUES (?, ?, ?, ?, ?, ?)";
    let mut insert = savepoint.prepare_cached(sql)?;
    // Two places for the texts of thousands of rows.
    let (mut payload, mut name) = (Vec::new(), Uuid::encode_buffer());
    for (position, Record { at, input }) in (append.first..).zip(append.records.iter()) {
        let athlete =
            input.athlete().map(|athlete| &*athlete.0.hyphenated().encode_lower(&mut name));
        payload.clear();
        serde_json::to_writer(&mut payload, input)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        let payload = ToSqlOutput::Borrowed(ValueRef::Text(&payload));
        insert.execute(params![
            session,
            whole(position),
            whole(at.0),
            athlete,
            input.kind(),
            payload
        ])?;
    }
    for holder in &append.revoke {
        let (role, athlete) = columns::of(*holder);
        // An athlete's secrets are found by their index.
        let sql = match athlete {
            Some(_) => {
                "UPDATE secret SET revoked = 1 WHERE session = ? AND role = ? AND athlete = ?"
            }
            None => "UPDATE secret SET revoked = 1 WHERE session = ? AND role = ? AND athlete IS ?",
        };
        savepoint.prepare_cached(sql)?.execute(params![session, role, athlete])?;
    }
    let sql = "INSERT INTO secret (hash, session, role, athlete) VALUES (?, ?, ?, ?)";
    for grant in &append.grant {
        let (role, athlete) = columns::of(grant.holder);
        let hash = grant.hash.as_bytes();
        savepoint.prepare_cached(sql)?.execute(params![hash, session, role, athlete])?;
    }
    if let Some(closed) = append.closed_unix_ms {
        let sql = "UPDATE session SET closed_unix_ms = ? WHERE session = ?";
        savepoint.execute(sql, params![whole(closed), session])?;
    }
    Ok(())
}

fn records(
    connection: &Connection,
    session: SessionId,
    from: u64,
) -> Result<Vec<(u64, Record)>, JournalError> {
    let sql = "SELECT position, at_ms, payload FROM record
               WHERE session = ?1 AND position >= ?2 AND NOT EXISTS (
                   SELECT 1 FROM set_aside AS s
                   WHERE s.session = record.session AND s.position = record.position)
               ORDER BY position";
    let mut select = connection.prepare_cached(sql).map_err(read)?;
    let rows = select.query_map(params![session.to_string(), whole(from)], |row| {
        Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, String>(2)?))
    });
    let mut records = Vec::new();
    for row in rows.map_err(read)? {
        let (position, at, payload) = row.map_err(read)?;
        let (position, at) = (position.cast_unsigned(), At(at.cast_unsigned()));
        let input: Input = serde_json::from_str(&payload).map_err(|error| {
            JournalError::Corrupt { session, position, what: error.to_string() }
        })?;
        records.push((position, Record { at, input }));
    }
    Ok(records)
}

fn one(connection: &Connection, sql: &str, key: &str) -> Result<Option<SessionRow>, JournalError> {
    let mut select = connection.prepare_cached(sql).map_err(read)?;
    let row = select.query_row([key], |row| {
        let (session, code) = (row.get::<_, String>(0)?, row.get::<_, String>(1)?);
        Ok((session, code, row.get::<_, i64>(2)?, row.get::<_, Option<i64>>(3)?))
    });
    let Some((session, code, created, closed)) = row.optional().map_err(read)? else {
        return Ok(None);
    };
    let code = JoinCode::read(&code)
        .ok_or_else(|| JournalError::Read(format!("{code:?} is no join code")))?;
    Ok(Some(SessionRow {
        session: SessionId(uuid(&session)?),
        code,
        created_unix_ms: created.cast_unsigned(),
        closed_unix_ms: closed.map(i64::cast_unsigned),
    }))
}

fn prepare(connection: &mut Connection) -> Result<(), JournalError> {
    let write = |error: rusqlite::Error| JournalError::Write(error.to_string());
    connection.pragma_update(None, "journal_mode", "WAL").map_err(write)?;
    // FULL: a commit is on the disk when it returns, also against a loss of power.
    connection.pragma_update(None, "synchronous", "FULL").map_err(write)?;
    connection.pragma_update(None, "foreign_keys", true).map_err(write)?;
    connection.busy_timeout(std::time::Duration::from_secs(5)).map_err(write)?;
    let version = version(connection)?;
    if version == 0 {
        let transaction = connection.transaction().map_err(write)?;
        transaction.execute_batch(TABLES).map_err(write)?;
        let sql = "INSERT INTO meta (name, value) VALUES ('epoch', ?)";
        transaction.execute(sql, [random_epoch()]).map_err(write)?;
        transaction.pragma_update(None, "user_version", SCHEMA).map_err(write)?;
        return transaction.commit().map_err(write);
    }
    check_version(version)?;
    // Journals of before had it. Every stroke wrote a page of its own for it, and what one person said
    // stands in one session, which is read quickly.
    connection.execute("DROP INDEX IF EXISTS record_by_athlete", []).map_err(write)?;
    Ok(())
}

fn version(connection: &Connection) -> Result<i64, JournalError> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0)).map_err(read)
}

fn check_version(version: i64) -> Result<(), JournalError> {
    if version == SCHEMA {
        return Ok(());
    }
    Err(JournalError::Read(format!(
        "its version is {version} and this program reads version {SCHEMA}: use the program that wrote it, or a newer one"
    )))
}

fn epoch(connection: &Connection) -> Result<String, JournalError> {
    let sql = "SELECT value FROM meta WHERE name = 'epoch'";
    connection.query_row(sql, [], |row| row.get(0)).map_err(read)
}

fn read(error: rusqlite::Error) -> JournalError {
    JournalError::Read(error.to_string())
}
