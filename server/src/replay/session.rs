//! A session of a journal, input by input.

use std::collections::BTreeMap;

use serde::Serialize;
use thole_piece::{
    Output, Session,
    input::Input,
    limits::Measure,
    session::{View, Viewer},
};
use thole_protocol::{
    ids::{AthleteId, JoinCode, PieceNo},
    spec::{Extent, PieceSpec, Ranking},
    standing::{AthleteResult, Margin, Outcome, Own},
};

use super::{Line, Seen, Share, heading, rank, tidy};
use crate::{
    fit::Past,
    journal::{Journal, Record},
};

/// Replays a session: by piece and athlete, then by share, each with the number of the piece counted
/// from 0 as on the wire. Who is not ranked by then, and pieces that nobody rowed, have no lines.
///
/// # Errors
/// One sentence: there is no such session, or its journal cannot be read.
pub async fn replay(
    journal: &dyn Journal,
    code: &str,
    shares: &[Share],
) -> Result<(Vec<Line>, Vec<Differs>), String> {
    let unknown = || format!("There is no session {code} in this journal: check the join code.");
    let code = JoinCode::read(code).ok_or_else(unknown)?;
    let row = journal.session_of(&code).await.map_err(|error| format!("{error}."))?;
    let row = row.ok_or_else(unknown)?;
    let records = journal.read(row.session, 0).await.map_err(|error| format!("{error}."))?;
    let records = records.records.into_iter().map(|(_, record)| record);
    Ok(told(code.as_str(), records, shares))
}

/// A record of a piece is not what its strokes give by this program; the record stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Differs {
    group: String,
    /// Counted from 0.
    piece: u16,
    /// Which record of the piece.
    revision: u32,
    /// What is another, by seats.
    differs: String,
}

/// What one athlete was seen to be heading for, and how far the piece was done then.
#[derive(Clone, Copy)]
struct Sighting {
    done: f64,
    own: Own,
}

/// The lines of a session that these records make.
#[must_use]
pub fn lines(
    group: &str,
    records: impl IntoIterator<Item = Record>,
    shares: &[Share],
) -> Vec<Line> {
    told(group, records, shares).0
}

fn told(
    group: &str,
    records: impl IntoIterator<Item = Record>,
    shares: &[Share],
) -> (Vec<Line>, Vec<Differs>) {
    let mut session = Session::new();
    let mut differences = Vec::new();
    let mut pieces: BTreeMap<PieceNo, Option<Measure>> = BTreeMap::new();
    // By piece, athlete and number of the share.
    let mut seen: BTreeMap<(PieceNo, AthleteId, usize), Sighting> = BTreeMap::new();
    for Record { at, input } in records {
        for output in session.apply(at, &input) {
            if let Output::SettledDiffers { piece, revision, what } = output {
                let (group, piece) = (group.to_owned(), piece.0);
                differences.push(Differs { group, piece, revision, differs: what });
            }
        }
        if matches!(input, Input::Ordered { .. }) {
            pieces.clear();
        }
        let Input::Samples { athlete, .. } = input else { continue };
        let Some(own) = session.own(athlete) else { continue };
        if pieces.is_empty() {
            pieces = measures(&session.view(Viewer::Coach));
        }
        let Some(measure) = pieces.get(&own.piece).copied().flatten() else { continue };
        let done = done(measure, &own);
        // After a false start the piece begins again.
        seen.retain(|(piece, who, _), was| {
            (*piece, *who) != (own.piece, athlete) || was.done <= done
        });
        for (number, share) in shares.iter().enumerate() {
            if done >= share.value() {
                let sighting = Sighting { done, own };
                seen.entry((own.piece, athlete, number)).or_insert(sighting);
            }
        }
    }
    (listed(group, &session, shares, &seen), differences)
}

/// All finished pieces of a journal, to learn from.
///
/// # Errors
/// One sentence: the journal cannot be read.
pub(crate) async fn past(journal: &dyn Journal) -> Result<Vec<Past>, String> {
    let mut all = Vec::new();
    for row in journal.sessions().await.map_err(|error| format!("{error}."))? {
        let records = journal.read(row.session, 0).await.map_err(|error| format!("{error}."))?;
        let mut session = Session::new();
        for (_, Record { at, input }) in &records.records {
            session.apply(*at, input);
        }
        all.extend(session.finishes().filter_map(|(piece, rower)| {
            let group = format!("{} {}", row.session, piece.no.0);
            Past::of(
                group,
                named(&piece.spec),
                piece.spec.clone(),
                rower.aim().clone(),
                *rower.live().edges(),
            )
        }));
    }
    Ok(all)
}

/// A piece by its work: `4 x 425 m`, `1200 s`.
fn named(spec: &PieceSpec) -> String {
    let each = match spec.repeats.first().map(|repeat| repeat.work) {
        Some(Extent::Distance { distance_dm }) => format!("{} m", distance_dm.0 / 10),
        Some(Extent::Time { time_ms }) => format!("{} s", time_ms.0 / 1_000),
        None => String::new(),
    };
    match spec.repeats.len() {
        0 | 1 => each,
        many => format!("{many} x {each}"),
    }
}

fn measures(view: &View) -> BTreeMap<PieceNo, Option<Measure>> {
    view.pieces.iter().map(|piece| (piece.piece, Measure::of(&piece.spec))).collect()
}

fn done(measure: Measure, own: &Own) -> f64 {
    match measure {
        Measure::Distance(whole) => f64::from(own.done_dm.0) / f64::from(whole.0),
        Measure::Time(whole) => f64::from(own.elapsed_ms.0) / f64::from(whole.0),
    }
}

fn listed(
    group: &str,
    session: &Session,
    shares: &[Share],
    seen: &BTreeMap<(PieceNo, AthleteId, usize), Sighting>,
) -> Vec<Line> {
    let view = session.view(Viewer::Coach);
    let mut all = Vec::new();
    for piece in &view.pieces {
        let line = |athlete: AthleteId, share: Share, seen: Seen, rank: Option<u32>| Line {
            group: group.to_owned(),
            athlete: session.name(athlete).map_or_else(|| athlete.to_string(), str::to_owned),
            piece: piece.piece.0.to_string(),
            share,
            seen,
            rank,
        };
        let mut lines = Vec::new();
        for result in piece.results.iter().filter(|r| r.outcome != Outcome::DidNotStart) {
            let athlete = result.athlete;
            for (number, share) in shares.iter().enumerate() {
                let Some(sighting) = seen.get(&(piece.piece, athlete, number)) else { continue };
                let score =
                    sighting.own.margin.and_then(|margin| score(margin, view.settings.ranking));
                let heading = heading(sighting.own.projected);
                lines.push((line(athlete, share.clone(), heading, None), score));
            }
            let ended = Seen::Ended { result: amount(Measure::of(&piece.spec), result) };
            lines.push((line(athlete, Share::whole(), ended, result.place), None));
        }
        rank(&mut lines);
        all.extend(lines.into_iter().map(|(line, _)| line));
    }
    all
}

fn score(margin: Margin, ranking: Ranking) -> Option<i64> {
    match ranking {
        Ranking::Share => Some(i64::from(margin.margin_ppm.0)),
        Ranking::Amount => margin.margin_ms.or(margin.margin_dm),
    }
}

/// The result in seconds or metres; none for who did not finish.
fn amount(measure: Option<Measure>, result: &AthleteResult) -> Option<f64> {
    if result.outcome != Outcome::Finished {
        return None;
    }
    Some(match measure? {
        Measure::Distance(_) => tidy(f64::from(result.time_ms.0) / 1e3),
        Measure::Time(_) => tidy(f64::from(result.distance_dm.0) / 1e1),
    })
}
