//! The tables of the journal, and which version of them a file has.

use rusqlite::Connection;

use crate::{journal::JournalError, secret::random_epoch};

/// Version of the tables below; a file of a newer version is not opened.
pub(super) const SCHEMA: i64 = 3;
/// The same tables: people of a session had one key for everything that was said of them, and have three since.
pub(super) const ONE_KEY: i64 = 2;
/// The first version, which is converted (`convert.rs`).
pub(super) const FIRST: i64 = 1;

/// A `record.kind` below 0 is an erased record with a hash for its payload; `record.tag` is on the last record
/// of a commit; `sum` lets a flipped bit in its row be found.
const TABLES: &str = "
    CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
    CREATE TABLE session (
        number INTEGER PRIMARY KEY, session BLOB NOT NULL UNIQUE, code TEXT NOT NULL,
        created_unix_ms INTEGER NOT NULL, closed_unix_ms INTEGER,
        tenure INTEGER NOT NULL DEFAULT 0, format INTEGER NOT NULL DEFAULT 2,
        key BLOB NOT NULL, sum BLOB NOT NULL
    ) STRICT;
    CREATE INDEX session_by_code ON session (code, created_unix_ms);
    CREATE TABLE person (
        session INTEGER NOT NULL REFERENCES session, number INTEGER NOT NULL,
        athlete BLOB, key BLOB, sum BLOB, PRIMARY KEY (session, number)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE run (
        session INTEGER NOT NULL REFERENCES session, number INTEGER NOT NULL,
        person INTEGER NOT NULL, run BLOB NOT NULL, sum BLOB NOT NULL, PRIMARY KEY (session, number)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE record (
        session INTEGER NOT NULL, position INTEGER NOT NULL, at_ms INTEGER NOT NULL,
        person INTEGER, kind INTEGER NOT NULL, payload BLOB NOT NULL, tag BLOB,
        PRIMARY KEY (session, position)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE set_aside (
        session INTEGER NOT NULL, position INTEGER NOT NULL, PRIMARY KEY (session, position)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE secret (
        hash BLOB PRIMARY KEY, session INTEGER NOT NULL REFERENCES session, role TEXT NOT NULL,
        person INTEGER, revoked INTEGER NOT NULL DEFAULT 0, sum BLOB NOT NULL
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE reckoned (
        session INTEGER PRIMARY KEY REFERENCES session, at_ms INTEGER NOT NULL,
        unix_ms INTEGER NOT NULL, boot TEXT, uptime_ns INTEGER
    ) STRICT;
    CREATE INDEX secret_by_person ON secret (session, person) WHERE person IS NOT NULL;
";

/// Creates the tables of a new journal; for an old one that is converted, under its own epoch.
pub(super) fn make(connection: &mut Connection, epoch: Option<String>) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(TABLES)?;
    let sql = "INSERT INTO meta (name, value) VALUES ('epoch', ?)";
    transaction.execute(sql, [epoch.unwrap_or_else(random_epoch)])?;
    transaction.pragma_update(None, "user_version", SCHEMA)?;
    transaction.commit()
}

/// A journal of the version before is of this one as soon as somebody writes in it.
pub(super) fn keys_apart(connection: &Connection) -> rusqlite::Result<()> {
    if connection.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))? == ONE_KEY {
        connection.pragma_update(None, "user_version", SCHEMA)?;
    }
    Ok(())
}

/// Which tables are not as `make` creates them; `None` when they all are.
pub(super) fn altered(connection: &Connection) -> rusqlite::Result<Option<String>> {
    let mut fresh = Connection::open_in_memory()?;
    make(&mut fresh, None)?;
    let (wanted, there) = (described(&fresh)?, described(connection)?);
    let names = wanted.iter().filter(|table| !there.contains(table)).map(|(name, _)| name.as_str());
    let names: Vec<&str> = names.collect();
    Ok((!names.is_empty()).then(|| format!("not as it was made: {}", names.join(", "))))
}

/// Names of tables and indexes, and the statements that created them.
fn described(connection: &Connection) -> rusqlite::Result<Vec<(String, Option<String>)>> {
    let mut select = connection.prepare("SELECT name, sql FROM sqlite_master")?;
    let rows = select.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    rows.collect()
}

/// Notes, together with what erases somebody, that traces have to be overwritten: a process may end in
/// between.
pub(super) fn note_traces(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute("INSERT OR REPLACE INTO meta (name, value) VALUES ('traces', '')", [])?;
    Ok(())
}

/// Whether there may be traces.
pub(super) fn has_traces(connection: &Connection) -> rusqlite::Result<bool> {
    let noted = "SELECT EXISTS (SELECT 1 FROM meta WHERE name = 'traces')";
    connection.query_row(noted, [], |row| row.get(0))
}

/// Overwrites what pages and the write-ahead file may have kept of those who were erased. `secure_delete` overwrites
/// what is deleted, but promises nothing about a row that moved between pages: only rewriting the whole file is
/// certain. Appends wait in the meantime.
pub(super) fn overwrite(connection: &Connection) -> rusqlite::Result<()> {
    if !has_traces(connection)? {
        return Ok(());
    }
    connection.execute_batch("VACUUM")?;
    let fold = "PRAGMA wal_checkpoint(TRUNCATE)";
    if connection.query_row(fold, [], |row| row.get::<_, i64>(0))? != 0 {
        let why = "somebody is reading".to_owned();
        return Err(rusqlite::Error::ToSqlConversionFailure(why.into()));
    }
    connection.execute("DELETE FROM meta WHERE name = 'traces'", [])?;
    Ok(())
}

/// Puts what was written ahead into the file itself and leaves nothing beside it. If somebody is just reading, a part
/// stays ahead, which loses nothing.
pub(super) fn fold_in(connection: &Connection) -> rusqlite::Result<()> {
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
}

pub(super) fn version(connection: &Connection) -> Result<i64, JournalError> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0)).map_err(super::read)
}

pub(super) fn check_version(version: i64) -> Result<(), JournalError> {
    if [ONE_KEY, SCHEMA].contains(&version) {
        return Ok(());
    }
    Err(JournalError::Read(format!(
        "its version is {version} and this program reads version {SCHEMA}: use the program that wrote it, or a newer one"
    )))
}

pub(super) fn epoch(connection: &Connection) -> Result<String, JournalError> {
    let sql = "SELECT value FROM meta WHERE name = 'epoch'";
    connection.query_row(sql, [], |row| row.get(0)).map_err(super::read)
}
