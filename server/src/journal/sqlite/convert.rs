//! A journal of the first version becomes one of this version: in a new file that takes the old one's place once all
//! of it is written. The old one is kept beside it as `thole.db.v1`. Whenever the process ends, the conversion is
//! either done or not done.

use std::{
    fs::{self, File, OpenOptions},
    io,
    os::unix::fs::OpenOptionsExt,
    path::Path,
};

use rusqlite::{Connection, OptionalExtension, params};
use thole_host::stored::{
    Row,
    packing::{UNREAD, people, recording, split},
};
use thole_piece::Input;
use thole_protocol::ids::{AthleteId, JoinCode, SessionId};
use uuid::Uuid;

use super::{
    columns::whole,
    seats::Seats,
    tables,
    writing::{End, no_row, put_rows, put_secret},
};
use crate::journal::SessionRow;

/// How many rows of a converted session share a tag: later damage takes as few others along as in a new one.
const COMMIT: usize = 1;

/// Converts the file in its place.
pub(super) fn in_place(folder: &Path, old: Connection) -> Result<(), String> {
    let file = folder.join("thole.db");
    let told = |error: &dyn std::fmt::Display| format!("{}: {error}", file.display());
    // What is kept and what is read is a single file with nothing beside it.
    old.pragma_update(None, "journal_mode", "DELETE").map_err(|error| told(&error))?;
    let fresh = folder.join("thole.db.new");
    for beside in ["thole.db.new", "thole.db.new-journal", "thole.db.new-wal", "thole.db.new-shm"] {
        match fs::remove_file(folder.join(beside)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(told(&error)),
            _ => {}
        }
    }
    let made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&fresh);
    made.map_err(|error| told(&error))?;
    let mut new = Connection::open(&fresh).map_err(|error| told(&error))?;
    whole_journal(&old, &mut new).map_err(|error| told(&error))?;
    drop(new);
    drop(old);
    let kept = folder.join("thole.db.v1");
    // A conversion that was interrupted has already left it.
    if !kept.exists() {
        let part = folder.join("thole.db.v1.part");
        fs::copy(&file, &part).map_err(|error| told(&error))?;
        let only_owner = <fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(0o600);
        fs::set_permissions(&part, only_owner).map_err(|error| told(&error))?;
        sync(&part).map_err(|error| told(&error))?;
        fs::rename(&part, &kept).map_err(|error| told(&error))?;
    }
    sync(&fresh).map_err(|error| told(&error))?;
    fs::rename(&fresh, &file).map_err(|error| told(&error))?;
    sync(folder).map_err(|error| told(&error))?;
    tracing::info!(kept = %kept.display(), "the journal was converted; the old one is kept");
    Ok(())
}

fn sync(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}

/// Everything that an old journal has, into an empty file.
pub(super) fn whole_journal(old: &Connection, new: &mut Connection) -> rusqlite::Result<()> {
    let epoch =
        old.query_row("SELECT value FROM meta WHERE name = 'epoch'", [], |row| row.get(0))?;
    tables::make(new, Some(epoch))?;
    let transaction = new.transaction()?;
    let mut select = old.prepare("SELECT name, value FROM meta WHERE name <> 'epoch'")?;
    let notes =
        select.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))?;
    for note in notes {
        let (name, value) = note?;
        transaction.execute("INSERT INTO meta (name, value) VALUES (?, ?)", [name, value])?;
    }
    let sql = "SELECT session, code, created_unix_ms, closed_unix_ms FROM session ORDER BY created_unix_ms, session";
    let mut select = old.prepare(sql)?;
    let sessions = select.query_map([], |row| {
        let (session, code) = (row.get::<_, String>(0)?, row.get::<_, String>(1)?);
        Ok((session, code, row.get::<_, i64>(2)?, row.get::<_, Option<i64>>(3)?))
    })?;
    for session in sessions {
        let (name, code, created, closed) = session?;
        let no = || no_row(format!("session {name} with the code {code:?} is not one"));
        let row = SessionRow {
            session: SessionId(Uuid::parse_str(&name).map_err(|_| no())?),
            code: JoinCode::read(&code).ok_or_else(no)?,
            created_unix_ms: created.cast_unsigned(),
            closed_unix_ms: closed.map(i64::cast_unsigned),
        };
        let mut end = End::new(Seats::create(&transaction, &row)?);
        records(old, &transaction, &name, &mut end)?;
        secrets(old, &transaction, &name, &mut end)?;
    }
    transaction.commit()
}

fn records(old: &Connection, new: &Connection, name: &str, end: &mut End) -> rusqlite::Result<()> {
    let sql = "SELECT position, at_ms, payload FROM record WHERE session = ? ORDER BY position";
    let mut select = old.prepare_cached(sql)?;
    let mut rows = select.query([name])?;
    let mut was = 0;
    let mut open = Vec::new();
    while let Some(row) = rows.next()? {
        let position: i64 = row.get(0)?;
        let (at, payload) = (row.get::<_, i64>(1)?.cast_unsigned(), row.get::<_, String>(2)?);
        if position > was {
            // What was missing is still missing, and will be named.
            put_rows(new, end, std::mem::take(&mut open))?;
            end.leave_out((position - was).cast_unsigned());
        }
        was = position + 1;
        let first = end.next() + open.len() as u64;
        match serde_json::from_str::<Input>(&payload) {
            Ok(input) => {
                for athlete in people(&input) {
                    end.seats().person(new, athlete)?;
                }
                if let Some((athlete, run)) = recording(&input) {
                    end.seats().run(new, athlete, run)?;
                }
                let split = split(at, &input, &end.seats().keys.numbers).map_err(no_row)?;
                open.extend(split.into_iter().map(|row| (at, row)));
            }
            Err(_) => {
                open.push((at, Row { person: None, kind: UNREAD, payload: payload.into_bytes() }));
            }
        }
        let sql = "SELECT 1 FROM set_aside WHERE session = ? AND position = ?";
        let aside =
            old.prepare_cached(sql)?.query_row(params![name, position], |_| Ok(())).optional()?;
        if aside.is_some() {
            let sql = "INSERT INTO set_aside (session, position) VALUES (?, ?)";
            new.execute(sql, params![end.seats().number, whole(first)])?;
        }
        if open.len() >= COMMIT {
            put_rows(new, end, std::mem::take(&mut open))?;
        }
    }
    put_rows(new, end, open)
}

fn secrets(old: &Connection, new: &Connection, name: &str, end: &mut End) -> rusqlite::Result<()> {
    let sql = "SELECT hash, role, athlete, revoked FROM secret WHERE session = ?";
    let mut select = old.prepare_cached(sql)?;
    let mut rows = select.query([name])?;
    while let Some(row) = rows.next()? {
        let (hash, role) = (row.get::<_, Vec<u8>>(0)?, row.get::<_, String>(1)?);
        let athlete = row.get::<_, Option<String>>(2)?.map(|athlete| Uuid::parse_str(&athlete));
        let athlete = athlete.transpose().map_err(|error| no_row(error.to_string()))?;
        let person =
            athlete.map(|athlete| end.seats().person(new, AthleteId(athlete))).transpose()?;
        put_secret(new, end.seats().number, &hash, &role, person.map(whole), row.get(3)?)?;
    }
    Ok(())
}
