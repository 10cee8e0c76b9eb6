//! Results that somebody has typed, put right and removed: what no journal has. Those of a piece are put right in its session.

use rusqlite::{Connection, OptionalExtension, params};
use serde::Serialize;
use serde_json::Value;
use thole_club::{
    AllOut, ClubDay, DeedKind, DeedNo, Doer, Done, Person, ResultId, Rowed,
    deed::checked_reason,
    rowed::total_words,
    table::{ResultRow, Source},
};
use thole_protocol::{
    ids::{PieceNo, SessionId},
    shown::repeats_text,
    spec::{Extent, Repeat},
    standing::Outcome,
    total::{Certainty, Total},
    units::{Decimetres, HalfSpm, Millis},
};

use super::{
    ClubError, Store,
    deeds::{About, Recorder},
    kept_rows::{EFFORT, RESULT, SPLIT},
    lists::{Listed, json},
    queries,
    seats::is_here,
    tables::insert_result,
    writing,
};
use crate::secret::random_uuid;

/// A result that was typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct TypedResult {
    /// Which.
    pub result: ResultId,
    /// By which it is undone.
    pub deed: DeedNo,
}

const NOT_SAID: &str = "It was rowed in a session, or stopped before its end: put it right there, or remove it and type what was rowed.";

impl Store {
    /// Keeps a result that somebody types, for a day or for a piece of a session; it has no place until the coach ranks it.
    ///
    /// # Errors
    /// Nobody can have rowed that, it is there already, or it cannot be written.
    pub fn type_result(
        &mut self,
        person: &Person,
        rowed: &Rowed,
        of: Option<(SessionId, PieceNo)>,
        doer: &Doer,
    ) -> Result<TypedResult, ClubError> {
        let today = self.club.zone.day(doer.at_unix_ms);
        let (time_ms, distance_dm) = rowed.work(&today).map_err(ClubError::Refused)?;
        let (club, who) = (self.club.club.to_string(), person.person.to_string());
        let work = repeats_text(&rowed.repeats);
        let transaction = writing(&mut self.connection)?;
        is_here(&transaction, &club, &who)?;
        let same = params![club, who, rowed.day.as_str(), work, time_ms.0, distance_dm.0];
        let same: Option<String> =
            transaction.query_row(queries::SAME_RESULT, same, |row| row.get(0)).optional()?;
        if same.is_some() {
            return Err(ClubError::Refused(format!(
                "{} has this result on {} already.",
                person.called, rowed.day
            )));
        }
        let result = ResultId(random_uuid());
        let row = ResultRow {
            result: Some(result),
            person: Some(person.person),
            name: Some(person.called.clone()),
            called: Some(person.called.clone()),
            day: rowed.day.clone(),
            at_unix_ms: None,
            repeats: rowed.repeats.clone(),
            outcome: Outcome::Finished,
            time_ms,
            distance_dm,
            sure: Certainty::Unsaid,
            place: None,
            team: None,
            target: None,
            machine: rowed.machine.clone(),
            title: rowed.title.clone(),
            rate_half_spm: rowed.rate_half_spm,
            strokes: None,
            splits: Vec::new(),
            all_out: AllOut::Unknown,
            is_ranked: false,
            marks: Vec::new(),
            source: Source::Typed,
            corrected_from: None,
            reason: None,
            is_official: false,
            unplaced: None,
        };
        let of = of.map_or((None, None), |(session, PieceNo(piece))| {
            (Some(session.to_string()), Some(piece))
        });
        insert_result(&transaction, &club, &result.to_string(), &row, ("typed", None), of)?;
        let mut recorder = Recorder::new(&transaction, &club);
        let key = result.to_string();
        recorder.has_put(RESULT, vec![Value::from(key.as_str())]);
        let about = About {
            kind: DeedKind::Typed,
            doer,
            people: vec![who],
            result: Some(&key),
            reason: None,
        };
        let deed = recorder.close(&about)?;
        transaction.commit()?;
        Ok(TypedResult { result, deed })
    }

    /// What was said of a result that was typed or imported, to be put right.
    ///
    /// # Errors
    /// It was rowed in a session, is not there, was not rowed to its end, or it cannot be read.
    pub fn said(&self, result: &Listed) -> Result<Rowed, ClubError> {
        let club = self.club.club.to_string();
        said(&self.connection, &club, &result.result).map(|(_, rowed)| rowed)
    }

    /// Puts a typed or imported result right; it shows as corrected, with its reason, and keeps what it was first.
    ///
    /// # Errors
    /// It was rowed in a session, nobody can have rowed that, nothing is another now, or it cannot be written.
    pub fn correct_said(
        &mut self,
        result: &Listed,
        to: &Rowed,
        reason: &str,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        let reason = checked_reason(reason).map_err(ClubError::Refused)?;
        let today = self.club.zone.day(doer.at_unix_ms);
        let (time_ms, distance_dm) = to.work(&today).map_err(ClubError::Refused)?;
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let (person, was) = said(&transaction, &club, &result.result)?;
        if was == *to {
            return Err(ClubError::Refused("That is what it says already.".to_owned()));
        }
        // As it is shown to people.
        let was_text = format!(
            "{} for {} on {}",
            total_words(was.shown()),
            repeats_text(&was.repeats),
            was.day
        );
        let mut recorder = Recorder::new(&transaction, &club);
        recorder.remember(RESULT, &[Value::from(result.result.as_str())])?;
        transaction.execute(
            queries::CORRECT_RESULT,
            params![
                to.day.as_str(),
                to.machine,
                to.title.trim(),
                repeats_text(&to.repeats),
                text(&to.repeats)?,
                time_ms.0,
                distance_dm.0,
                text(&to.shown())?,
                to.rate_half_spm.map(|rate| rate.0),
                was_text,
                reason,
                club,
                result.result,
            ],
        )?;
        let about = About {
            kind: DeedKind::Corrected,
            doer,
            people: person.into_iter().collect(),
            result: Some(&result.result),
            reason: Some(&reason),
        };
        let deed = recorder.close(&about)?;
        transaction.commit()?;
        Ok(Done { deed, results: 1 })
    }

    /// Removes a typed or imported result, with what was said of it.
    ///
    /// # Errors
    /// It was rowed in a session, is not there, or it cannot be written.
    pub fn remove_said(
        &mut self,
        result: &Listed,
        reason: &str,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        let reason = checked_reason(reason).map_err(ClubError::Refused)?;
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let person = owner(&transaction, &club, &result.result)?;
        let mut recorder = Recorder::new(&transaction, &club);
        let id = Value::from(result.result.as_str());
        for nth in splits(&transaction, &club, &result.result)? {
            let key = [id.clone(), Value::from(nth)];
            recorder.remember(SPLIT, &key)?;
        }
        // Undone in the other order: the result is there before what belongs to it.
        recorder.remember(EFFORT, std::slice::from_ref(&id))?;
        recorder.remember(RESULT, std::slice::from_ref(&id))?;
        RESULT.remove(&transaction, &club, &[id])?;
        let about = About {
            kind: DeedKind::Removed,
            doer,
            people: person.into_iter().collect(),
            result: Some(&result.result),
            reason: Some(&reason),
        };
        let deed = recorder.close(&about)?;
        transaction.commit()?;
        Ok(Done { deed, results: 1 })
    }

    /// Says whether a typed or imported result is ranked.
    ///
    /// # Errors
    /// It was rowed in a session, is so already, or it cannot be written.
    pub fn rank_said(
        &mut self,
        result: &Listed,
        is_ranked: bool,
        doer: &Doer,
    ) -> Result<Done, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let person = owner(&transaction, &club, &result.result)?;
        let key = [Value::from(result.result.as_str())];
        let now = RESULT.read(&transaction, &club, &key)?.unwrap_or_default();
        if now.get("ranked") == Some(&Value::from(u8::from(is_ranked))) {
            let says = if is_ranked { "It is ranked already." } else { "It is not ranked anyway." };
            return Err(ClubError::Refused(says.to_owned()));
        }
        let mut recorder = Recorder::new(&transaction, &club);
        recorder.remember(RESULT, &key)?;
        transaction.execute(queries::RANK_RESULT, params![is_ranked, club, result.result])?;
        let about = About {
            kind: DeedKind::Ranked,
            doer,
            people: person.into_iter().collect(),
            result: Some(&result.result),
            reason: None,
        };
        let deed = recorder.close(&about)?;
        transaction.commit()?;
        Ok(Done { deed, results: 1 })
    }
}

/// Whose a typed or imported result is.
fn owner(connection: &Connection, club: &str, result: &str) -> Result<Option<String>, ClubError> {
    let owner =
        connection.query_row(queries::RESULT_OWNER, params![club, result], |row| row.get(0));
    owner.optional()?.ok_or_else(|| ClubError::Refused(NOT_SAID.to_owned()))
}

fn said(
    connection: &Connection,
    club: &str,
    result: &str,
) -> Result<(Option<String>, Rowed), ClubError> {
    let mut select = connection.prepare_cached(queries::SAID_RESULT)?;
    let mut rows = select.query(params![club, result])?;
    let row = rows.next()?.ok_or_else(|| ClubError::Refused(NOT_SAID.to_owned()))?;
    let day: ClubDay = row.get::<_, String>(1)?.parse().map_err(ClubError::Store)?;
    let repeats: Vec<Repeat> = json(&row.get::<_, String>(2)?)?;
    let is_by_time = matches!(repeats.first(), Some(Repeat { work: Extent::Time { .. }, .. }));
    let total = if is_by_time {
        Total::Distance { distance_dm: Decimetres(row.get(4)?) }
    } else {
        Total::Time { finish_ms: Millis(row.get(3)?) }
    };
    let rate_half_spm = row.get::<_, Option<u16>>(5)?.map(HalfSpm);
    let (machine, title) = (row.get(6)?, row.get(7)?);
    Ok((row.get(0)?, Rowed { day, repeats, total, rate_half_spm, machine, title }))
}

fn splits(connection: &Connection, club: &str, result: &str) -> Result<Vec<u32>, ClubError> {
    let mut select = connection.prepare_cached(queries::SPLITS_OF)?;
    let rows = select.query_map(params![club, result], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

pub(super) fn text(value: &impl Serialize) -> Result<String, ClubError> {
    serde_json::to_string(value).map_err(|error| ClubError::Store(error.to_string()))
}
