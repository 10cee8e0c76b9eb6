//! What a journal has lost, as far as its file and its witness show it at the start. It is noted in the journal: links
//! that it does not know may have been valid ones, and whoever holds one is not sent away for good.

use std::{path::Path, sync::Arc, thread, time::Duration};

use rusqlite::{Connection, OptionalExtension, params};
use thole_host::stored::chain::Tag;
use thole_protocol::ids::SessionId;
use uuid::Uuid;

use super::{
    READ_ONLY, is_damage, read, reading, seats, tables,
    witness::{AllSeen, Seen},
};
use crate::{
    journal::{JournalError, LOST, is_noted},
    secret::SecretHash,
};

/// What can be done about a file that no server can go on with.
pub(super) const GO_ON: &str = "keep a copy of the folder; go on with a backup, or with what `thole-server salvage` saves of it";

/// Whether the file is no longer a journal, or not as it was made.
pub(super) fn is_file_damaged(file: &Path) -> bool {
    let read = || {
        let connection = Connection::open_with_flags(file, READ_ONLY)?;
        let says: String = connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        Ok(says != "ok" || tables::altered(&connection)?.is_some())
    };
    read().unwrap_or_else(|error| is_damage(&error))
}

/// Whether the end of any session, or a whole session, is missing. Only the last row of each is read: damage before
/// it takes no link along.
pub(super) fn is_end_missing(connection: &Connection, seen: &AllSeen) -> rusqlite::Result<bool> {
    let mut select = connection.prepare("SELECT number, session FROM session")?;
    let there = select.query_map([], |row| {
        Ok((row.get::<_, i64>(0)?, SessionId(Uuid::from_bytes(row.get(1)?))))
    })?;
    let there: Vec<(i64, SessionId)> = there.collect::<Result<_, _>>()?;
    if seen.keys().any(|session| !there.iter().any(|(_, other)| other == session)) {
        return Ok(true);
    }
    for (number, session) in there {
        if !is_end_there(connection, number, seen.get(&session))? {
            return Ok(true);
        }
    }
    Ok(false)
}

/// The sessions that are there.
pub(super) fn there(connection: &Connection) -> Result<Vec<SessionId>, JournalError> {
    let mut select = connection.prepare("SELECT session FROM session").map_err(read)?;
    let ids = select.query_map([], |row| row.get::<_, [u8; 16]>(0)).map_err(read)?;
    let ids: Vec<[u8; 16]> = ids.collect::<Result<_, _>>().map_err(read)?;
    Ok(ids.into_iter().map(|id| SessionId(Uuid::from_bytes(id))).collect())
}

/// Sessions that the witness has seen and of which nothing is left.
pub(super) fn sessions(
    connection: &Connection,
    seen: &AllSeen,
) -> Result<Vec<SessionId>, JournalError> {
    let there = there(connection)?;
    Ok(seen.keys().filter(|session| !there.contains(session)).copied().collect())
}

/// How many links have a row that is not as it was written: whoever holds one is no longer recognised by it.
pub(super) fn damaged_links(connection: &Connection) -> rusqlite::Result<usize> {
    let mut damaged = 0;
    let mut select =
        connection.prepare("SELECT hash, session, role, person, revoked, sum FROM secret")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (hash, role): (Vec<u8>, String) = (row.get(0)?, row.get(2)?);
        let sum = seats::secret_sum(&hash, row.get(1)?, &role, row.get(3)?, row.get(4)?);
        damaged += usize::from(row.get::<_, Vec<u8>>(5)? != sum);
    }
    Ok(damaged)
}

fn is_end_there(
    connection: &Connection,
    number: i64,
    seen: Option<&Seen>,
) -> rusqlite::Result<bool> {
    let sql = "SELECT position, tag FROM record WHERE session = ? ORDER BY position DESC LIMIT 1";
    let mut select = connection.prepare_cached(sql)?;
    let last = select.query_row([number], |row| {
        Ok((row.get::<_, i64>(0)?.cast_unsigned(), row.get::<_, Option<Tag>>(1)?))
    });
    let Some((last, tag)) = last.optional()? else { return Ok(false) };
    Ok(match seen {
        Some(seen) if seen.next > last + 1 => false,
        Some(seen) if seen.next == last + 1 => tag == Some(seen.tag),
        // A commit ends with its tag.
        Some(_) | None => tag.is_some(),
    })
}

/// Notes that something is missing.
pub(crate) fn note(connection: &Connection, unix_ms: u64) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO meta (name, value) VALUES (?, ?)";
    connection.execute(sql, params![LOST, unix_ms.to_string()])?;
    Ok(())
}

/// Whether a link that opens nothing may have been a valid one.
pub(super) fn may_have_been_good(
    connection: &Connection,
    hash: SecretHash,
    since_unix_ms: u64,
) -> rusqlite::Result<bool> {
    let sql = "SELECT session, role, person, revoked, sum FROM secret WHERE hash = ?";
    let mut select = connection.prepare_cached(sql)?;
    let is_revoked = select.query_row([hash.as_bytes()], |row| {
        let (role, revoked): (String, i64) = (row.get(1)?, row.get(3)?);
        let sum = seats::secret_sum(hash.as_bytes(), row.get(0)?, &role, row.get(2)?, revoked);
        Ok(row.get::<_, Vec<u8>>(4)? == sum && revoked == 1)
    });
    // One that is as it was written was revoked, or what it opened is missing.
    if let Some(is_revoked) = is_revoked.optional()? {
        return Ok(!is_revoked);
    }
    let mut select = connection.prepare_cached("SELECT value FROM meta WHERE name = ?")?;
    let noted: Option<String> = select.query_row([LOST], |row| row.get(0)).optional()?;
    Ok(is_noted(noted.as_deref(), since_unix_ms))
}

/// Rest between two sessions that are checked at the start: nobody who is there should notice.
const PROVING_REST: Duration = Duration::from_millis(5);

/// Checks every session against its tags, one after the other, on a thread and a connection of its own, and
/// names damage in the log: otherwise damage that nobody opens would be found only when it is needed.
pub(super) fn prove(file: &Path, seen: Arc<AllSeen>) -> Result<(), String> {
    let connection =
        Connection::open_with_flags(file, READ_ONLY).map_err(|error| error.to_string())?;
    let proving = move || {
        for (session, error) in damaged(&connection, &seen).unwrap_or_else(|error| {
            tracing::error!(%error, "the list of sessions cannot be read");
            Vec::new()
        }) {
            tracing::error!(%session, "the journal is damaged: {error}; see `thole-server check`");
        }
    };
    let spawned = thread::Builder::new().name("proving".to_owned()).spawn(proving);
    spawned.map(|_| ()).map_err(|error| error.to_string())
}

/// Every session that is not as it was written, and how.
fn damaged(
    connection: &Connection,
    seen: &AllSeen,
) -> Result<Vec<(SessionId, String)>, JournalError> {
    let gone = sessions(connection, seen)?.into_iter();
    let mut all: Vec<(SessionId, String)> =
        gone.map(|session| (session, "the whole session is missing".to_owned())).collect();
    for session in there(connection)? {
        let found = reading::records(connection, session, 0, seen.get(&session).copied())?;
        all.extend(found.damage.into_iter().map(|damage| (session, damage.to_string())));
        thread::sleep(PROVING_REST);
    }
    Ok(all)
}
