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
    effect::CallEffect,
    event::{Event, Happening},
    ids::{AthleteId, CallId, PieceNo},
    results_table::results_table,
    spec::Ranking,
    standing::{AthleteResult, Outcome, Own},
    total::Margin,
};

use super::{Line, Seen, Share, heading, rank, tidy};
use crate::Logged;

/// A record of a piece is not what this program makes of its strokes; the record stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Differs {
    group: String,
    /// Counted from 1.
    piece: u32,
    /// Which record of the piece.
    revision: u32,
    /// What differs, by seats.
    differs: String,
}

/// What changed after a call, as its session measures it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct EffectLine {
    group: String,
    /// The words of the call.
    text: String,
    /// As screens are told it.
    effect: CallEffect,
}

/// What a session gives when it is replayed.
#[derive(Debug, Default)]
pub struct SessionReplay {
    /// Where everybody was heading, and how it ended.
    pub lines: Vec<Line>,
    /// The newest effect of each call.
    pub effects: Vec<EffectLine>,
    /// Records that differ from what the strokes give.
    pub differs: Vec<Differs>,
}

/// What one athlete was seen to be heading for, and how much of the piece was done then.
#[derive(Clone, Copy)]
struct Sighting {
    done: f64,
    own: Own,
}

/// Replays a session: by piece and athlete, then by share, each with the number of the piece counted from 1
/// as everywhere that people read it. Athletes who are not ranked by then, and pieces that nobody rowed, have no lines.
#[must_use]
pub fn replay(logged: Logged, shares: &[Share]) -> SessionReplay {
    let Logged { name: group, records } = logged;
    let mut session = Session::new();
    let mut replayed = SessionReplay::default();
    let mut texts: BTreeMap<CallId, String> = BTreeMap::new();
    let mut pieces: BTreeMap<PieceNo, Option<Measure>> = BTreeMap::new();
    // By piece, athlete and number of the share.
    let mut seen: BTreeMap<(PieceNo, AthleteId, usize), Sighting> = BTreeMap::new();
    for (at, input) in records {
        for output in session.apply(at, &input) {
            let group = group.clone();
            if let Output::SettledDiffers { piece, revision, what } = output {
                let piece = counted(piece);
                replayed.differs.push(Differs { group, piece, revision, differs: what });
            } else if let Output::Event { event: Event { what, .. }, .. } = output {
                if let Happening::CallSent(sent) = &what {
                    texts.insert(sent.call, sent.text.shown.clone());
                }
                if let Happening::CallEffect(effect) = what {
                    let text = texts.get(&effect.call).cloned().unwrap_or_default();
                    replayed.effects.retain(|known| known.effect.call != effect.call);
                    replayed.effects.push(EffectLine { group, text, effect });
                }
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
    replayed.lines = listed(&group, &session, shares, &seen);
    replayed
}

/// The table of a session's results, as its coach gets it.
#[must_use]
pub fn table(logged: &Logged) -> String {
    let mut session = Session::new();
    for (at, input) in &logged.records {
        session.apply(*at, input);
    }
    let view = session.view(Viewer::Coach);
    results_table(&view.pieces, &view.athletes)
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
            piece: counted(piece.piece).to_string(),
            share,
            seen,
            rank,
        };
        let mut lines = Vec::new();
        for result in piece.results.iter().filter(|r| r.outcome != Outcome::DidNotStart) {
            let athlete = result.athlete;
            for (number, share) in shares.iter().enumerate() {
                let Some(sighting) = seen.get(&(piece.piece, athlete, number)) else { continue };
                let score = sighting.own.margin.map(|margin| score(margin, view.settings.ranking));
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

/// As people count pieces.
fn counted(PieceNo(piece): PieceNo) -> u32 {
    u32::from(piece) + 1
}

fn score(margin: Margin, ranking: Ranking) -> i64 {
    match ranking {
        Ranking::Share => i64::from(margin.margin_ppm.0),
        Ranking::Amount => margin.gap.amount(),
    }
}

/// The result in seconds or metres; `None` for athletes who did not finish.
fn amount(measure: Option<Measure>, result: &AthleteResult) -> Option<f64> {
    if result.outcome != Outcome::Finished {
        return None;
    }
    Some(match measure? {
        Measure::Distance(_) => tidy(f64::from(result.time_ms.0) / 1e3),
        Measure::Time(_) => tidy(f64::from(result.distance_dm.0) / 1e1),
    })
}
