//! Nothing was lost: what was acknowledged is in the journal, and every result is the one that follows from
//! what was sent, whatever connections and servers did in between.

use std::{
    collections::{BTreeMap, BTreeSet},
    path::Path,
};

use thole_piece::{Input, Session, session::Viewer};
use thole_protocol::{
    ServerMsg,
    event::Happening,
    ids::{AthleteId, RunId, SessionId},
    sample::Sample,
    standing::AthleteResult,
    units::At,
};
use thole_server::journal::{Journal, Record, sqlite::SqliteJournal};

use crate::{athlete::Athlete, crowd::Crowd, figures::Lost};

type Results = BTreeMap<AthleteId, AthleteResult>;

/// Compares the journal of a run with what the crowd has sent and been told.
///
/// # Errors
/// The journal cannot be read.
pub(crate) fn check(crowd: &Crowd, journal: &Path, lost: &mut Lost) -> Result<(), String> {
    let records = read(&crowd.session, journal)?;
    lost.acknowledged_not_in_journal = not_in_journal(&records, &crowd.athletes);
    let kept = results(records.iter().map(|record| (record.at, &record.input)));
    let sent = merged(&records, &crowd.athletes);
    let computed = results(sent.iter().map(|(at, input)| (*at, input)));
    lost.results_unlike_sent = unlike(&computed, &kept);
    let told = told(crowd);
    lost.results_unlike_told = unlike(&told, &kept);
    lost.calls_missing = missing_calls(crowd);
    Ok(())
}

fn read(session: &str, journal: &Path) -> Result<Vec<Record>, String> {
    let session = session.parse().map(SessionId).map_err(|error| format!("{session}: {error}"))?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|error| error.to_string())?;
    let journal = SqliteJournal::open_read_only(journal).map_err(|error| error.to_string())?;
    let records = runtime.block_on(journal.read(session, 0)).map_err(|error| error.to_string())?;
    Ok(records.records.into_iter().map(|(_, record)| record).collect())
}

/// Acknowledged samples that the journal does not have exactly as they were sent.
fn not_in_journal(records: &[Record], athletes: &[Athlete]) -> u64 {
    let mut kept: BTreeMap<(RunId, u32), &Sample> = BTreeMap::new();
    for record in records {
        if let Input::Samples { run, samples, .. } = &record.input {
            kept.extend(samples.iter().map(|sample| ((*run, sample.seq), sample)));
        }
    }
    let missing = athletes.iter().flat_map(|athlete| {
        let acknowledged = athlete.strokes.iter().take(athlete.acknowledged);
        acknowledged.filter(|stroke| {
            let sample = &stroke.sample;
            kept.get(&(athlete.run, sample.seq)).is_none_or(|kept| *kept != sample)
        })
    });
    missing.count() as u64
}

/// The session as it would have been with perfect connections: each sample heard when it was rowed.
fn merged(records: &[Record], athletes: &[Athlete]) -> Vec<(At, Input)> {
    let mut inputs: Vec<(At, Input)> = records
        .iter()
        .filter(|record| !matches!(record.input, Input::Samples { .. }))
        .map(|record| (record.at, record.input.clone()))
        .collect();
    for athlete in athletes {
        let Some(id) = athlete.id else { continue };
        inputs.extend(athlete.strokes.iter().map(|stroke| {
            let at = At(u64::try_from(stroke.sample.heard_ms).unwrap_or(0));
            (at, Input::Samples { athlete: id, run: athlete.run, samples: vec![stroke.sample] })
        }));
    }
    // Stable, so that what the session did itself stays in order.
    inputs.sort_by_key(|(at, _)| *at);
    inputs
}

fn results<'a>(inputs: impl Iterator<Item = (At, &'a Input)>) -> Results {
    let mut session = Session::new();
    for (at, input) in inputs {
        session.apply(at, input);
    }
    let pieces = session.view(Viewer::Coach).pieces.into_iter();
    pieces.flat_map(|piece| piece.results).map(|result| (result.athlete, result)).collect()
}

/// What the coach was told of results: the last word on each athlete.
fn told(crowd: &Crowd) -> Results {
    let mut told = Results::new();
    if let Ok(ServerMsg::Welcome(welcome)) = serde_json::from_str(&crowd.coach_welcome) {
        let results = welcome.pieces.into_iter().flat_map(|piece| piece.results);
        told.extend(results.map(|result| (result.athlete, result)));
    }
    for_events(crowd, |what| {
        if let Happening::Results { results, .. } = what {
            told.extend(results.into_iter().map(|result| (result.athlete, result)));
        }
    });
    told
}

/// Athletes who were counted among those a call went out to, and never got it.
fn missing_calls(crowd: &Crowd) -> u64 {
    let places: BTreeMap<AthleteId, usize> = crowd
        .athletes
        .iter()
        .enumerate()
        .filter_map(|(place, athlete)| Some((athlete.id?, place)))
        .collect();
    let mut seen = BTreeSet::new();
    let mut missing = 0;
    for_events(crowd, |what| {
        let Happening::CallSent(sent) = what else { return };
        if !seen.insert(sent.call) {
            return;
        }
        let id = sent.call.to_string();
        let call = crowd.calls.iter().find(|call| call.id == id);
        missing += sent.athletes.iter().fold(0, |missing, athlete| {
            let has = places.get(athlete).zip(call).and_then(|(place, call)| call.has.get(*place));
            missing + u64::from(has != Some(&true))
        });
    });
    // A call that was neither refused nor heard of did not even get that far.
    let sent = crowd.calls.iter().filter(|call| !call.is_refused).count();
    missing + (sent - seen.len().min(sent)) as u64
}

fn for_events(crowd: &Crowd, mut each: impl FnMut(Happening)) {
    for text in &crowd.coach_events {
        if let Ok(ServerMsg::Events { events }) = serde_json::from_str(text) {
            events.into_iter().for_each(|event| each(event.what));
        }
    }
}

/// How many have a result in the first that is not the same in the second.
fn unlike(one: &Results, other: &Results) -> u64 {
    let athletes: BTreeSet<&AthleteId> = one.keys().chain(other.keys()).collect();
    athletes.into_iter().filter(|athlete| one.get(athlete) != other.get(athlete)).count() as u64
}

#[cfg(test)]
mod tests {
    use thole_protocol::spec::PieceSpec;

    use super::*;

    /// An athlete who has rowed 170 m, all of it acknowledged, and the journal of it.
    fn rowed() -> (Athlete, Vec<Record>) {
        let mut athlete = Athlete::invented(1, 1);
        athlete.id = Some(AthleteId(athlete.run.0));
        athlete.sit_down(&PieceSpec::of(thole::wording::repeats("170m").unwrap()));
        while athlete.due(&[Some(20_000)]).is_some() {
            athlete.make(0, false).unwrap();
        }
        athlete.acknowledge(u32::MAX);
        let record = |stroke: &crate::athlete::Stroke| Record {
            at: At(u64::try_from(stroke.sample.heard_ms).unwrap()),
            input: Input::Samples {
                athlete: athlete.id.unwrap(),
                run: athlete.run,
                samples: vec![stroke.sample],
            },
        };
        let records = athlete.strokes.iter().map(record).collect();
        (athlete, records)
    }

    #[test]
    fn a_sample_that_the_journal_lacks_or_has_otherwise_is_found() {
        let (athlete, mut records) = rowed();
        assert_eq!(not_in_journal(&records, std::slice::from_ref(&athlete)), 0);
        if let Input::Samples { samples, .. } = &mut records[3].input {
            samples[0].distance_dm += 1;
        }
        records.remove(1);
        assert_eq!(not_in_journal(&records, &[athlete]), 2);
    }

    #[test]
    fn the_perfect_session_has_every_sample_when_it_was_rowed() {
        let (athlete, records) = rowed();
        let at: Vec<At> = records.iter().map(|record| record.at).collect();
        let merged = merged(&[], &[athlete]);
        assert_eq!(merged.iter().map(|(at, _)| *at).collect::<Vec<_>>(), at);
    }
}
