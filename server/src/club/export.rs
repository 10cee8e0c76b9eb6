//! All that a club keeps, a JSON object a line, in an order of its own: two that are equal are the same club, byte for byte.

use std::io::Write;

use rusqlite::{params, types::ValueRef};
use serde_json::{Map, Value};

use super::store::{ClubError, Store};

/// The tables in the order in which they are written, and what each is ordered by. Keys and cards are not in it: who reads a copy is not to
/// come in by it; nor who looked, what it takes to undo what was done, what was answered, nor how far each session was taken or what of
/// it was let go.
const TABLES: [(&str, &str); 17] = [
    ("club", "club"),
    ("coach", "coach"),
    ("person", "person"),
    ("hall_device", "device"),
    ("consent", "consent"),
    ("group", "\"group\""),
    ("membership", "\"group\", person, from_day"),
    ("class", "class"),
    ("session", "session"),
    ("seat", "session, seat"),
    ("given_piece", "session, seat, piece"),
    ("result", "result"),
    ("split", "result, nth"),
    ("effort", "result"),
    ("attendance", "person, day, session"),
    ("note", "note"),
    ("tombstone", "tombstone"),
];

/// Columns that say how far the store is, and nothing of people.
const LEFT_OUT: [&str; 4] = ["folded", "has_traces", "journal_epoch", "retention_ran_unix_ms"];

impl Store {
    /// Writes all of it, as it is at one instant.
    ///
    /// # Errors
    /// It cannot be read, or not be written there.
    pub fn export(&self, out: &mut dyn Write) -> Result<(), ClubError> {
        let failed = |error: std::io::Error| ClubError::Store(error.to_string());
        let club = self.club().club.to_string();
        let reading = self.connection().unchecked_transaction()?;
        for (table, order) in TABLES {
            let sql = format!("SELECT * FROM \"{table}\" WHERE club = $1 ORDER BY {order}");
            let mut select = reading.prepare(&sql)?;
            let names: Vec<String> = select.column_names().map(str::to_owned).collect();
            let mut rows = select.query(params![club])?;
            while let Some(row) = rows.next()? {
                let mut line = Map::from_iter([("table".to_owned(), Value::from(table))]);
                for (at, name) in names.iter().enumerate() {
                    if LEFT_OUT.contains(&name.as_str()) {
                        continue;
                    }
                    line.insert(name.clone(), value(row.get_ref(at)?)?);
                }
                writeln!(out, "{}", Value::Object(line)).map_err(failed)?;
            }
        }
        Ok(())
    }
}

fn value(of: ValueRef<'_>) -> Result<Value, ClubError> {
    match of {
        ValueRef::Null => Ok(Value::Null),
        ValueRef::Integer(number) => Ok(Value::from(number)),
        ValueRef::Text(text) => match std::str::from_utf8(text) {
            Ok(text) => Ok(Value::from(text)),
            Err(error) => Err(ClubError::Store(error.to_string())),
        },
        // No column of a strict table of ours is either.
        ValueRef::Real(_) | ValueRef::Blob(_) => {
            Err(ClubError::Store("a column is of a kind that none here has".to_owned()))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_table_is_in_it_or_is_left_out_for_a_reason() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let mut select = store
            .connection()
            .prepare("SELECT name FROM sqlite_master WHERE type = 'table'")
            .unwrap();
        let there = select.query_map([], |row| row.get::<_, String>(0)).unwrap();
        let mut there: Vec<String> = there.map(Result::unwrap).collect();
        let left_out =
            "key card looked taken deed changed_row deed_person kept_answer horizon let_go"
                .split(' ')
                .collect::<Vec<_>>();
        there.retain(|name| !left_out.contains(&name.as_str()));
        there.sort_unstable();
        let mut told = TABLES.map(|(name, _)| name.to_owned());
        told.sort_unstable();
        assert_eq!(there, told);
    }
}
