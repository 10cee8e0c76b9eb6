//! What can be read of a damaged file, row by row into a new one: as it is, with tags and hashes, so that what is
//! missing is named there, too.

use rusqlite::{Connection, params_from_iter, types::Value};

use super::tables;

/// The tables beside the records, in the order in which they refer to each other.
const SMALL: [(&str, &str, &str); 7] = [
    ("meta", "name, value", "name"),
    (
        "session",
        "number, session, code, created_unix_ms, closed_unix_ms, tenure, format, key, sum",
        "number",
    ),
    ("person", "session, number, athlete, key, sum", "session, number"),
    ("run", "session, number, person, run, sum", "session, number"),
    ("set_aside", "session, position", "session, position"),
    ("reckoned", "session, at_ms, unix_ms, boot, uptime_ns", "session"),
    ("secret", "hash, session, role, person, revoked, sum", "hash"),
];

/// Copies what can be read; returns one sentence for each place where something could not be.
pub(super) fn copy(old: &Connection, new: &mut Connection) -> rusqlite::Result<Vec<String>> {
    let epoch = old.query_row("SELECT value FROM meta WHERE name = 'epoch'", [], |row| row.get(0));
    tables::make(new, epoch.ok())?;
    new.pragma_update(None, "foreign_keys", false)?;
    let transaction = new.transaction()?;
    let mut lost = Vec::new();
    for (table, columns, key) in SMALL {
        if let Some(why) = both_ways(old, &transaction, table, columns, key, "")? {
            lost.push(format!("Some rows of the table {table} cannot be read: {why}."));
        }
    }
    let mut select = transaction.prepare("SELECT number, code FROM session ORDER BY number")?;
    let sessions =
        select.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?)))?;
    for session in sessions {
        let (number, code) = session?;
        let columns = "session, position, at_ms, person, kind, payload, tag";
        let only = format!("WHERE session = {number}");
        if let Some(why) = both_ways(old, &transaction, "record", columns, "position", &only)? {
            lost.push(format!("Some records of session {code} cannot be read: {why}."));
        }
    }
    drop(select);
    transaction.commit()?;
    Ok(lost)
}

/// From the first row to the first that cannot be read, and then from the last one back; returns why, if there
/// was one.
fn both_ways(
    old: &Connection,
    new: &Connection,
    table: &str,
    columns: &str,
    key: &str,
    only: &str,
) -> rusqlite::Result<Option<String>> {
    let select = format!("SELECT {columns} FROM {table} {only} ORDER BY {key}");
    let why = match one_way(old, new, table, columns, &select)? {
        Way::Through { left: 0 } => return Ok(None),
        // The table of settings already has its first rows.
        Way::Through { .. } if table == "meta" => return Ok(None),
        Way::Through { left } => {
            return Ok(Some(format!("{left} of them break the rules of the table")));
        }
        Way::Ended(why) => why,
    };
    let back = key.replace(',', " DESC,");
    let select = format!("SELECT {columns} FROM {table} {only} ORDER BY {back} DESC");
    one_way(old, new, table, columns, &select)?;
    Ok(Some(why))
}

/// How far a table could be read.
enum Way {
    /// To its end; this many rows break the table's own rules and stay where they are.
    Through { left: u64 },
    /// Not to its end, and why.
    Ended(String),
}

/// Fails only because of the new file.
fn one_way(
    old: &Connection,
    new: &Connection,
    table: &str,
    columns: &str,
    select: &str,
) -> rusqlite::Result<Way> {
    let count = columns.split(',').count();
    let places = vec!["?"; count].join(", ");
    let mut insert = new
        .prepare_cached(&format!("INSERT OR IGNORE INTO {table} ({columns}) VALUES ({places})"))?;
    let mut select = match old.prepare(select) {
        Ok(select) => select,
        Err(error) => return Ok(Way::Ended(error.to_string())),
    };
    let mut rows = match select.query([]) {
        Ok(rows) => rows,
        Err(error) => return Ok(Way::Ended(error.to_string())),
    };
    let mut left = 0;
    loop {
        match rows.next() {
            Ok(None) => return Ok(Way::Through { left }),
            Err(error) => return Ok(Way::Ended(error.to_string())),
            Ok(Some(row)) => {
                let values: Result<Vec<Value>, _> =
                    (0..count).map(|column| row.get(column)).collect();
                let copied = values.and_then(|values| insert.execute(params_from_iter(values)));
                left += u64::from(!matches!(copied, Ok(1)));
            }
        }
    }
}
