//! Rows as they were before something was done, so that it can be undone.

use rusqlite::{Connection, Row, ToSql, params_from_iter, types::ToSqlOutput, types::ValueRef};
use serde_json::{Map, Value};

use super::ClubError;

/// The columns of a row by their names, but for the club.
pub(super) type Image = Map<String, Value>;

/// Rows of one table, and what tells them apart within a club.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::club) struct RowsOf {
    pub(in crate::club) table: &'static str,
    pub(in crate::club) key: &'static [&'static str],
}

pub(super) const SEAT: RowsOf = RowsOf { table: "seat", key: &["session", "seat"] };
pub(super) const GIVEN_PIECE: RowsOf =
    RowsOf { table: "given_piece", key: &["session", "seat", "piece"] };
pub(super) const RESULT: RowsOf = RowsOf { table: "result", key: &["result"] };
pub(super) const SPLIT: RowsOf = RowsOf { table: "split", key: &["result", "nth"] };
pub(super) const EFFORT: RowsOf = RowsOf { table: "effort", key: &["result"] };
pub(super) const PERSON: RowsOf = RowsOf { table: "person", key: &["person"] };
pub(super) const KEY: RowsOf = RowsOf { table: "key", key: &["key"] };
pub(super) const CARD: RowsOf = RowsOf { table: "card", key: &["card"] };
pub(super) const CONSENT: RowsOf = RowsOf { table: "consent", key: &["consent"] };
pub(super) const MEMBERSHIP: RowsOf =
    RowsOf { table: "membership", key: &["group", "person", "from_day"] };
pub(super) const ATTENDANCE: RowsOf =
    RowsOf { table: "attendance", key: &["person", "day", "session"] };
pub(super) const GROUP: RowsOf = RowsOf { table: "group", key: &["group"] };
pub(super) const NOTE: RowsOf = RowsOf { table: "note", key: &["note"] };
pub(super) const LOOKED: RowsOf = RowsOf { table: "looked", key: &["looked"] };

/// All whose rows a deed may change.
pub(in crate::club) const ALL: [RowsOf; 14] = [
    SEAT,
    GIVEN_PIECE,
    RESULT,
    SPLIT,
    EFFORT,
    PERSON,
    KEY,
    CARD,
    CONSENT,
    GROUP,
    MEMBERSHIP,
    ATTENDANCE,
    NOTE,
    LOOKED,
];

impl RowsOf {
    /// That of this name.
    pub(super) fn named(table: &str) -> Result<RowsOf, ClubError> {
        let found = ALL.iter().find(|rows| rows.table == table);
        found.copied().ok_or_else(|| ClubError::Store(format!("no deed changes rows of {table}")))
    }

    /// ` WHERE club = $1 AND "session" = $2 …`, with the first parameter of this number.
    fn which(self, first: usize) -> String {
        let mut which = format!(" WHERE club = ${first}");
        for (nth, column) in (first + 1..).zip(self.key) {
            which.push_str(&format!(" AND \"{column}\" = ${nth}"));
        }
        which
    }

    pub(in crate::club) fn select(self) -> String {
        format!("SELECT * FROM \"{}\"{}", self.table, self.which(1))
    }

    pub(in crate::club) fn delete(self) -> String {
        format!("DELETE FROM \"{}\"{}", self.table, self.which(1))
    }

    pub(in crate::club) fn update(self, columns: &[&String]) -> String {
        let set = (1..).zip(columns).map(|(nth, column)| format!("\"{column}\" = ${nth}"));
        let set = set.collect::<Vec<_>>().join(", ");
        format!("UPDATE \"{}\" SET {set}{}", self.table, self.which(columns.len() + 1))
    }

    pub(in crate::club) fn select_keys(self, by: &str) -> String {
        let columns: Vec<String> = self.key.iter().map(|key| format!("\"{key}\"")).collect();
        let columns = columns.join(", ");
        let table = self.table;
        format!(
            "SELECT {columns} FROM \"{table}\" WHERE club = $1 AND \"{by}\" = $2 ORDER BY {columns}"
        )
    }

    fn insert(self, columns: &[&String]) -> String {
        let names: Vec<String> = columns.iter().map(|column| format!("\"{column}\"")).collect();
        let values: Vec<String> = (2..2 + columns.len()).map(|nth| format!("${nth}")).collect();
        let (names, values) = (names.join(", "), values.join(", "));
        format!("INSERT INTO \"{}\" (club, {names}) VALUES ($1, {values})", self.table)
    }

    /// A row as it is now; `None` when there is none.
    pub(super) fn read(
        self,
        connection: &Connection,
        club: &str,
        key: &[Value],
    ) -> Result<Option<Image>, ClubError> {
        let mut select = connection.prepare_cached(&self.select())?;
        let mut rows = select.query(params_from_iter(bound(club, key)))?;
        rows.next()?.map(image).transpose()
    }

    /// The keys of all rows with this in a column.
    pub(super) fn keys(
        self,
        connection: &Connection,
        club: &str,
        by: &str,
        is: &str,
    ) -> Result<Vec<Vec<Value>>, ClubError> {
        let mut select = connection.prepare_cached(&self.select_keys(by))?;
        let mut rows = select.query([club, is])?;
        let mut keys = Vec::new();
        while let Some(row) = rows.next()? {
            let key = (0..self.key.len()).map(|at| value(row.get_ref(at)?));
            keys.push(key.collect::<Result<Vec<Value>, ClubError>>()?);
        }
        Ok(keys)
    }

    /// Takes a row away; nothing when there is none.
    pub(super) fn remove(
        self,
        connection: &Connection,
        club: &str,
        key: &[Value],
    ) -> rusqlite::Result<()> {
        let mut delete = connection.prepare_cached(&self.delete())?;
        delete.execute(params_from_iter(bound(club, key)))?;
        Ok(())
    }

    /// Puts a row that is not there.
    pub(super) fn put(
        self,
        connection: &Connection,
        club: &str,
        row: &Image,
    ) -> Result<(), ClubError> {
        let columns: Vec<&String> = row.keys().collect();
        let mut insert = connection.prepare_cached(&self.insert(&columns))?;
        let cells: Vec<Value> = row.values().cloned().collect();
        insert.execute(params_from_iter(bound(club, &cells)))?;
        Ok(())
    }

    /// Sets columns of a row.
    pub(super) fn set(
        self,
        connection: &Connection,
        club: &str,
        key: &[Value],
        to: &Image,
    ) -> Result<(), ClubError> {
        let columns: Vec<&String> = to.keys().collect();
        let mut update = connection.prepare_cached(&self.update(&columns))?;
        let mut cells: Vec<Bound> = to.values().cloned().map(Bound).collect();
        cells.extend(bound(club, key));
        update.execute(params_from_iter(cells))?;
        Ok(())
    }
}

fn bound(club: &str, cells: &[Value]) -> Vec<Bound> {
    std::iter::once(Value::from(club)).chain(cells.iter().cloned()).map(Bound).collect()
}

fn image(row: &Row<'_>) -> Result<Image, ClubError> {
    let names: Vec<String> = row.as_ref().column_names().map(str::to_owned).collect();
    let mut image = Image::new();
    for (at, name) in names.into_iter().enumerate().filter(|(_, name)| name != "club") {
        image.insert(name, value(row.get_ref(at)?)?);
    }
    Ok(image)
}

fn value(of: ValueRef<'_>) -> Result<Value, ClubError> {
    match of {
        ValueRef::Null => Ok(Value::Null),
        ValueRef::Integer(number) => Ok(Value::from(number)),
        ValueRef::Text(text) => std::str::from_utf8(text)
            .map(Value::from)
            .map_err(|error| ClubError::Store(error.to_string())),
        ValueRef::Real(_) | ValueRef::Blob(_) => {
            Err(ClubError::Store("a column is of a kind that none here has".to_owned()))
        }
    }
}

/// A cell of JSON as SQL takes it.
struct Bound(Value);

impl ToSql for Bound {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        match &self.0 {
            Value::Null => Ok(ToSqlOutput::Borrowed(ValueRef::Null)),
            Value::String(text) => text.to_sql(),
            Value::Number(number) => match number.as_i64() {
                Some(whole) => Ok(ToSqlOutput::from(whole)),
                None => Err(rusqlite::Error::IntegralValueOutOfRange(0, i64::MAX)),
            },
            Value::Bool(_) | Value::Array(_) | Value::Object(_) => {
                Err(rusqlite::Error::ToSqlConversionFailure("no cell of a row".into()))
            }
        }
    }
}
