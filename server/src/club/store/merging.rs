//! Two entries of one person made one: whatever was of the one is of the other, and the one points to the other.

use rusqlite::Connection;
use serde_json::Value;
use thole_club::{DeedKind, Doer, Done, Person};

use super::{
    ClubError, Store,
    deeds::{About, Recorder, follow},
    kept_rows::{
        ATTENDANCE, CARD, CONSENT, GIVEN_PIECE, Image, KEY, LOOKED, MEMBERSHIP, NOTE, PERSON,
        RESULT, RowsOf, SEAT,
    },
    seats::is_here,
    writing,
};

/// Rows that say whose they are and are told apart by something else.
const MOVED: [RowsOf; 8] = [SEAT, GIVEN_PIECE, RESULT, KEY, CARD, CONSENT, NOTE, LOOKED];
/// Rows that are told apart by whose they are: of two that say the same one stays.
const UNITED: [RowsOf; 2] = [MEMBERSHIP, ATTENDANCE];
/// What is taken of the entry that goes where the other says nothing.
const FILLED: [&str; 6] = ["born_year", "spoken", "adaptations", "language", "units", "hall_name"];

impl Store {
    /// Makes two entries of one person one: results, seats, keys, consents, groups, attendance and notes of `gone` are of `kept`,
    /// who keeps their own name and what else they have said, and takes over what they have not. Of two heart limits the lower one
    /// stands, of two days until which easy is rowed the later one.
    ///
    /// Undone, each has again what was theirs. What has come since to the one that was left stays with it, for nobody knows whose
    /// it is; only what was rowed since in a seat that goes back goes back with it.
    ///
    /// # Errors
    /// They are one entry, one was merged already, or it cannot be written.
    pub fn merge(&mut self, gone: &Person, kept: &Person, doer: &Doer) -> Result<Done, ClubError> {
        if gone.person == kept.person {
            return Err(ClubError::Refused("These are one entry already.".to_owned()));
        }
        let (from, to) = (gone.person.to_string(), kept.person.to_string());
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        is_here(&transaction, &club, &from)?;
        is_here(&transaction, &club, &to)?;
        let mut recorder = Recorder::new(&transaction, &club);
        let mut results = 0;
        for of in MOVED {
            results += move_rows(&mut recorder, of, &from, &to)?;
        }
        for of in UNITED {
            unite(&mut recorder, of, &from, &to)?;
        }
        fill(&mut recorder, &from, &to)?;
        // Who was merged into the one that goes is now whom that one is.
        let mut pointing = PERSON.keys(&transaction, &club, "merged_into", &from)?;
        pointing.push(vec![Value::from(from.as_str())]);
        let points = Image::from_iter([("merged_into".to_owned(), Value::from(to.as_str()))]);
        for key in pointing {
            recorder.remember(PERSON, &key)?;
            PERSON.set(&transaction, &club, &key, &points)?;
        }
        let about = About {
            kind: DeedKind::Merged,
            doer,
            people: vec![from, to],
            result: None,
            reason: None,
        };
        let deed = recorder.close(&about)?;
        transaction.commit()?;
        Ok(Done { deed, results })
    }
}

/// How many results have moved.
fn move_rows(
    recorder: &mut Recorder<'_>,
    of: RowsOf,
    from: &str,
    to: &str,
) -> Result<usize, ClubError> {
    let (connection, club) = (recorder.connection, recorder.club);
    let person = Image::from_iter([("person".to_owned(), Value::from(to))]);
    let mut results = 0;
    for key in of.keys(connection, club, "person", from)? {
        // Results of a piece follow their seat.
        if of == RESULT && is_of_a_piece(connection, club, &key)? {
            continue;
        }
        recorder.remember(of, &key)?;
        of.set(connection, club, &key, &person)?;
        results += usize::from(of == RESULT);
        if let (true, [Value::String(session), seat, ..]) =
            (of == SEAT || of == GIVEN_PIECE, key.as_slice())
        {
            results += follow(connection, club, session, seat.as_i64())?;
        }
    }
    Ok(results)
}

fn is_of_a_piece(connection: &Connection, club: &str, key: &[Value]) -> Result<bool, ClubError> {
    let row = RESULT.read(connection, club, key)?;
    Ok(row.is_some_and(|row| row.get("source") == Some(&Value::from("piece"))))
}

fn unite(recorder: &mut Recorder<'_>, of: RowsOf, from: &str, to: &str) -> Result<(), ClubError> {
    let (connection, club) = (recorder.connection, recorder.club);
    for key in of.keys(connection, club, "person", from)? {
        recorder.remember(of, &key)?;
        let Some(mut row) = of.read(connection, club, &key)? else { continue };
        of.remove(connection, club, &key)?;
        row.insert("person".to_owned(), Value::from(to));
        let theirs: Vec<Value> =
            of.key.iter().map(|column| row.get(*column).cloned().unwrap_or_default()).collect();
        recorder.remember(of, &theirs)?;
        if of.read(connection, club, &theirs)?.is_none() {
            of.put(connection, club, &row)?;
        }
    }
    Ok(())
}

fn fill(recorder: &mut Recorder<'_>, from: &str, to: &str) -> Result<(), ClubError> {
    let (connection, club) = (recorder.connection, recorder.club);
    let key = |person: &str| [Value::from(person)];
    let there = |row: Option<Image>| {
        row.ok_or_else(|| ClubError::Refused("This person is not in the club any more.".to_owned()))
    };
    let gone = there(PERSON.read(connection, club, &key(from))?)?;
    let kept = there(PERSON.read(connection, club, &key(to))?)?;
    let cell = |row: &Image, column: &str| row.get(column).cloned().unwrap_or_default();
    let mut filled = Image::new();
    for column in FILLED {
        if cell(&kept, column).is_null() && !cell(&gone, column).is_null() {
            filled.insert(column.to_owned(), cell(&gone, column));
        }
    }
    if cell(&kept, "machines").as_str() == Some("[]") {
        filled.insert("machines".to_owned(), cell(&gone, "machines"));
    }
    let limits = [&kept, &gone].map(|row| cell(row, "heart_limit_bpm").as_i64());
    if let Some(lower) = limits.into_iter().flatten().min() {
        filled.insert("heart_limit_bpm".to_owned(), Value::from(lower));
    }
    let easy = [&kept, &gone].map(|row| cell(row, "easy_until_day").as_str().map(str::to_owned));
    if let Some(later) = easy.into_iter().flatten().max() {
        filled.insert("easy_until_day".to_owned(), Value::from(later));
    }
    recorder.remember(PERSON, &key(to))?;
    if filled.is_empty() { Ok(()) } else { PERSON.set(connection, club, &key(to), &filled) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tables that name a person for another reason than to say whose a row is.
    const NOT_MERGED: [&str; 1] = ["deed_person"];

    #[test]
    fn every_table_that_says_whose_a_row_is_is_merged() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let sql = "SELECT m.name FROM sqlite_master AS m JOIN pragma_table_info(m.name) AS c
                   WHERE m.type = 'table' AND c.name = 'person' AND m.name <> 'person' ORDER BY m.name";
        let mut select = store.connection.prepare(sql).unwrap();
        let there = select.query_map([], |row| row.get::<_, String>(0)).unwrap();
        let there: Vec<String> = there.map(Result::unwrap).collect();
        let mut told: Vec<&str> = MOVED.iter().chain(&UNITED).map(|of| of.table).collect();
        told.extend(NOT_MERGED);
        told.sort_unstable();
        assert_eq!(there, told, "say in merging.rs what becomes of it when two entries are merged");
    }
}
