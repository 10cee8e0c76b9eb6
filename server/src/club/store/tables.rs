//! People and results as tables: written out, looked at, and stored, all that was chosen of a file or nothing of it.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Params, params};
use serde::Serialize;
use serde_json::Value;
use thole_club::{
    DeedKind, DeedNo, Doer, PersonId, ResultId, Zone,
    person::folded,
    table::{
        Choice, ClubNow, KnownPerson, KnownResult, Looked, PersonRow, ResultRow, Source, TableKind,
        judge_people, judge_results, people_table, results_csv,
    },
};
use thole_protocol::{
    spec::Plan,
    standing::{Ruling, Split},
    total::Certainty,
    units::{Decimetres, HalfSpm, Millis},
};

use super::{
    ClubError, Store,
    deeds::{About, Recorder},
    gone::gone_of,
    kept_rows::{PERSON, RESULT, SPLIT},
    lists::{json, ruling},
    queries,
    said::text,
    seats::does_not_go,
    writing,
};
use crate::{
    club::gone::{Gone, GoneId},
    secret::random_uuid,
};

/// What came of a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Stored {
    /// Its lines as they were just before.
    pub looked: Looked,
    /// Lines that were stored.
    pub stored: usize,
    /// By which all of it is undone; `None` when nothing was stored.
    pub deed: Option<DeedNo>,
}

impl Store {
    /// Everybody, or all results, as a file that spreadsheets read and that goes in again without loss.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn table(&self, kind: TableKind) -> Result<String, ClubError> {
        let club = self.club.club.to_string();
        let reading = self.connection.unchecked_transaction()?;
        Ok(match kind {
            TableKind::People => {
                let people = people(&reading, &club)?;
                let here = people.iter().filter(|known| known.merged_into.is_none());
                people_table(here.map(|known| &known.row))
            }
            TableKind::Results => {
                let splits = splits(&reading, queries::TABLE_OF_SPLITS, [&club])?;
                let results = results(&reading, queries::TABLE_OF_RESULTS, [&club], splits)?;
                results_csv(results.iter().map(|known| &known.row))
            }
        })
    }

    /// The results of a person as such a file.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn table_of(&self, person: PersonId) -> Result<String, ClubError> {
        let (club, person) = (self.club.club.to_string(), person.to_string());
        let reading = self.connection.unchecked_transaction()?;
        let theirs = [&club, &person];
        let splits = splits(&reading, queries::TABLE_OF_OWN_SPLITS, theirs)?;
        let results = results(&reading, queries::TABLE_OF_OWN_RESULTS, theirs, splits)?;
        Ok(results_csv(results.iter().map(|known| &known.row)))
    }

    /// Looks at a file: what each line would come to. Nothing is stored.
    ///
    /// # Errors
    /// Nothing of the file can be read, or the club cannot.
    pub fn look(
        &self,
        bytes: &[u8],
        kind: TableKind,
        now_unix_ms: u64,
    ) -> Result<Looked, ClubError> {
        let club = self.club.club.to_string();
        let reading = self.connection.unchecked_transaction()?;
        let now = club_now(&reading, &club, &self.club.zone, kind, now_unix_ms)?;
        let looked = match kind {
            TableKind::People => judge_people(bytes, &now).map(|(looked, _)| looked),
            TableKind::Results => judge_results(bytes, &now).map(|(looked, _)| looked),
        };
        looked.map_err(ClubError::Refused)
    }

    /// Stores the new lines of a file and the doubtful ones that were chosen, all of them or none. The same file once more changes
    /// nothing.
    ///
    /// # Errors
    /// Nothing of the file can be read, a line was chosen that cannot be stored, or it cannot be written; then nothing was stored.
    pub fn import(
        &mut self,
        bytes: &[u8],
        kind: TableKind,
        choice: &Choice,
        doer: &Doer,
    ) -> Result<Stored, ClubError> {
        let club = self.club.club.to_string();
        let zone = self.club.zone.clone();
        let transaction = writing(&mut self.connection)?;
        let gone = gone_of(&transaction)?;
        let now = club_now(&transaction, &club, &zone, kind, doer.at_unix_ms)?;
        let mut recorder = Recorder::new(&transaction, &club);
        let mut changed = Vec::new();
        let (looked, stored) = match kind {
            TableKind::People => {
                let (looked, lines) = judge_people(bytes, &now).map_err(ClubError::Refused)?;
                let chosen = choice.of(lines).map_err(ClubError::Refused)?;
                for row in &chosen {
                    is_not_gone(row.person.map(GoneId::Person), &row.called, &gone)?;
                    changed.extend(put_person(&mut recorder, row, doer.at_unix_ms)?);
                }
                (looked, chosen.len())
            }
            TableKind::Results => {
                let (looked, lines) = judge_results(bytes, &now).map_err(ClubError::Refused)?;
                let chosen = choice.of(lines).map_err(ClubError::Refused)?;
                let mut stored = 0;
                for row in &chosen {
                    let name = row.name.as_deref().unwrap_or("Somebody");
                    is_not_gone(row.result.map(GoneId::Result), name, &gone)?;
                    stored += usize::from(put_result(&mut recorder, row)?);
                }
                (looked, stored)
            }
        };
        if stored == 0 {
            return Ok(Stored { looked, stored, deed: None });
        }
        let about =
            About { kind: DeedKind::Imported, doer, people: changed, result: None, reason: None };
        let deed = recorder.close(&about)?;
        transaction.commit()?;
        Ok(Stored { looked, stored, deed: Some(deed) })
    }
}

/// Refuses what is gone for good: an older export brings back nobody who was deleted.
fn is_not_gone(what: Option<GoneId>, name: &str, gone: &Gone) -> Result<(), ClubError> {
    if what.is_some_and(|what| gone.has(what)) {
        return Err(ClubError::Refused(format!(
            "{name} was deleted since this file was made: take the line out, or its identities, if it is to be there anew."
        )));
    }
    Ok(())
}

fn club_now(
    connection: &Connection,
    club: &str,
    zone: &Zone,
    kind: TableKind,
    now_unix_ms: u64,
) -> Result<ClubNow, ClubError> {
    let results = match kind {
        TableKind::People => Vec::new(),
        // Splits tell no result from another.
        TableKind::Results => {
            results(connection, queries::TABLE_OF_RESULTS, [club], BTreeMap::new())?
        }
    };
    Ok(ClubNow { today: zone.day(now_unix_ms), people: people(connection, club)?, results })
}

fn people(connection: &Connection, club: &str) -> Result<Vec<KnownPerson>, ClubError> {
    let mut select = connection.prepare_cached(queries::TABLE_OF_PEOPLE)?;
    let mut rows = select.query([club])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let person: PersonId = id(&row.get::<_, String>(0)?)?;
        let merged: Option<String> = row.get(7)?;
        let known = PersonRow {
            person: Some(person),
            called: row.get(1)?,
            born_year: row.get(2)?,
            spoken: row.get(3)?,
            language: row.get(4)?,
            units: row.get(5)?,
            hall_name: row.get(6)?,
        };
        let merged_into = merged.as_deref().map(id).transpose()?;
        all.push(KnownPerson { person, row: known, merged_into });
    }
    Ok(all)
}

fn splits(
    connection: &Connection,
    sql: &str,
    named: impl Params,
) -> Result<BTreeMap<String, Vec<Split>>, ClubError> {
    let mut select = connection.prepare_cached(sql)?;
    let mut rows = select.query(named)?;
    let mut all: BTreeMap<String, Vec<Split>> = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let split = Split { distance_dm: Decimetres(row.get(1)?), time_ms: Millis(row.get(2)?) };
        all.entry(row.get(0)?).or_default().push(split);
    }
    Ok(all)
}

fn results(
    connection: &Connection,
    sql: &str,
    named: impl Params,
    mut splits: BTreeMap<String, Vec<Split>>,
) -> Result<Vec<KnownResult>, ClubError> {
    let mut select = connection.prepare_cached(sql)?;
    let mut rows = select.query(named)?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let result: String = row.get(0)?;
        let person: Option<String> = row.get(1)?;
        let (known, called): (Option<String>, Option<String>) = (row.get(2)?, row.get(3)?);
        let source: String = row.get(4)?;
        let first: Option<String> = row.get(25)?;
        let sure = match (row.get(15)?, row.get(16)?) {
            (Some(ms), _) => Certainty::Time(Millis(ms)),
            (None, Some(dm)) => Certainty::Distance(Decimetres(dm)),
            (None, None) => Certainty::Unsaid,
        };
        let word = |text: String| json(&format!("{text:?}"));
        let all_out: String = row.get(20)?;
        let read = ResultRow {
            result: Some(id(&result)?),
            person: person.as_deref().map(id).transpose()?,
            name: known.or_else(|| called.clone()),
            called,
            day: row.get::<_, String>(5)?.parse().map_err(ClubError::Store)?,
            at_unix_ms: row.get::<_, Option<i64>>(6)?.map(i64::cast_unsigned),
            machine: row.get(7)?,
            title: row.get(8)?,
            repeats: json(&row.get::<_, String>(9)?)?,
            outcome: json(&format!("{:?}", row.get::<_, String>(10)?))?,
            place: row.get(11)?,
            team: row.get(12)?,
            time_ms: Millis(row.get(13)?),
            distance_dm: Decimetres(row.get(14)?),
            sure,
            target: row.get::<_, Option<String>>(17)?.map(|text| json(&text)).transpose()?,
            strokes: row.get(18)?,
            marks: json(&row.get::<_, String>(19)?)?,
            all_out: word(all_out)?,
            rate_half_spm: row.get::<_, Option<u16>>(21)?.map(HalfSpm),
            is_ranked: row.get(22)?,
            corrected_from: row.get(23)?,
            reason: row.get(24)?,
            is_official: row.get(26)?,
            unplaced: ruling(row.get(27)?)?.unplaced,
            source: Source::of(first.as_deref().unwrap_or(&source)).unwrap_or(Source::Imported),
            splits: splits.remove(&result).unwrap_or_default(),
        };
        all.push(KnownResult { is_of_a_piece: source == "piece", row: read });
    }
    Ok(all)
}

fn id<T: std::str::FromStr<Err: std::fmt::Display>>(text: &str) -> Result<T, ClubError> {
    text.parse().map_err(|error| ClubError::Store(format!("an identity: {error}")))
}

/// Puts somebody, or what is said anew of somebody who is there; who that was.
fn put_person(
    recorder: &mut Recorder<'_>,
    row: &PersonRow,
    now_unix_ms: u64,
) -> Result<Option<String>, ClubError> {
    let (connection, club) = (recorder.connection, recorder.club);
    let PersonRow { called, born_year, spoken, language, units, hall_name, .. } = row;
    let person = row.person.unwrap_or_else(|| PersonId(random_uuid())).to_string();
    let key = vec![Value::from(person.as_str())];
    let name = folded(called);
    if PERSON.read(connection, club, &key)?.is_some() {
        does_not_go(connection, club, &person)?;
        recorder.remember(PERSON, &key)?;
        connection.prepare_cached(queries::CHANGE_PERSON)?.execute(params![
            called, name, born_year, spoken, language, units, hall_name, club, person
        ])?;
        return Ok(Some(person));
    }
    connection.prepare_cached(queries::IMPORT_PERSON)?.execute(params![
        club,
        person,
        called,
        name,
        born_year,
        spoken,
        language,
        units,
        hall_name,
        now_unix_ms.cast_signed()
    ])?;
    recorder.has_put(PERSON, key);
    Ok(None)
}

/// Puts a result of a file; false when one of its identity is there.
fn put_result(recorder: &mut Recorder<'_>, row: &ResultRow) -> Result<bool, ClubError> {
    let (connection, club) = (recorder.connection, recorder.club);
    let result = row.result.unwrap_or_else(|| ResultId(random_uuid())).to_string();
    let there: Option<Option<String>> = connection
        .prepare_cached(queries::IS_RESULT)?
        .query_row(params![club, result], |row| row.get(0))
        .optional()?;
    if there.is_some() {
        return Ok(false);
    }
    let first = (row.source != Source::Imported).then(|| row.source.word());
    insert_result(connection, club, &result, row, ("imported", first), (None, None))?;
    let mut put = connection.prepare_cached(queries::PUT_SPLIT)?;
    recorder.has_put(RESULT, vec![Value::from(result.as_str())]);
    for (nth, split) in (1_u32..).zip(&row.splits) {
        put.execute(params![club, result, nth, split.distance_dm.0, split.time_ms.0])?;
        recorder.has_put(SPLIT, vec![Value::from(result.as_str()), Value::from(nth)]);
    }
    Ok(true)
}

/// Puts a result that no journal has, but for its splits.
pub(super) fn insert_result(
    connection: &Connection,
    club: &str,
    result: &str,
    row: &ResultRow,
    (source, first): (&str, Option<&str>),
    (session, piece): (Option<String>, Option<u16>),
) -> Result<(), ClubError> {
    let word = |text: String| text.trim_matches('"').to_owned();
    let mut insert = connection.prepare_cached(queries::NEW_RESULT)?;
    insert.execute(params![
        club,
        result,
        row.person.map(|person| person.to_string()),
        row.called,
        row.called.as_deref().map(folded).unwrap_or_default(),
        source,
        session,
        piece,
        row.day.as_str(),
        row.at_unix_ms.map(u64::cast_signed),
        row.machine,
        row.title.trim(),
        row.work(),
        text(&row.repeats)?,
        word(text(&row.outcome)?),
        row.place,
        row.team,
        row.time_ms.0,
        row.distance_dm.0,
        row.sure.ms().map(|sure| sure.0),
        row.sure.dm().map(|sure| sure.0),
        row.shown().as_ref().map(text).transpose()?,
        text(&Plan::Even)?,
        row.target.as_ref().map(text).transpose()?,
        row.margin().as_ref().map(text).transpose()?,
        row.strokes,
        text(&row.marks)?,
        word(text(&row.all_out)?),
        row.rate_half_spm.map(|rate| rate.0),
        row.is_ranked,
        row.corrected_from,
        row.reason,
        first,
        row.is_official,
        row.unplaced
            .map(|_| text(&Ruling { unplaced: row.unplaced, ..Ruling::default() }))
            .transpose()?,
    ])?;
    Ok(())
}
