//! The table of results for a spreadsheet (RFC 4180): one writer for the page, the command and the server.

use std::{
    borrow::Cow,
    collections::{BTreeMap, BTreeSet},
};

use csv::{Terminator, Writer, WriterBuilder};
use serde::Serialize;

use crate::{
    ids::AthleteId,
    shown::{Tenths, distance_text, repeats_text, target_text, time_text, total_text},
    standing::{
        AthleteResult, AthleteView, Mark, Outcome, Phase, PieceView, Ruling, Split, Unplaced,
    },
    units::{Decimetres, Millis},
};

/// Without it spreadsheets take the names for something other than UTF-8.
const MARK_OF_UTF8: &str = "\u{feff}";

/// One row. The fields are the columns, in this order; a split leaves those empty that are about the whole result.
#[derive(Clone, Debug, Default, Serialize)]
struct Row<'a> {
    /// What it is about: `athlete` or `split`.
    row: &'static str,
    /// Counted from 1.
    piece: u32,
    title: Cow<'a, str>,
    /// As pieces are written: `6x350m/1:15`.
    work: &'a str,
    /// How far the piece is: while it is under way, what the table says may change.
    state: &'static str,
    name: Cow<'a, str>,
    team: Cow<'a, str>,
    /// Counted from 1.
    split: Option<usize>,
    place: Option<u32>,
    outcome: &'static str,
    /// As it is shown and ranked; for athletes who did not finish, what they rowed.
    result: Option<String>,
    target: Option<String>,
    /// Plus is ahead of their own target.
    margin_seconds: Option<f64>,
    margin_metres: Option<f64>,
    margin_percent: Option<f64>,
    /// An estimate, for athletes whom the end of the piece cut off.
    heading_for: Option<String>,
    metres: Option<f64>,
    seconds: Option<f64>,
    /// The rest that was planned between this split and the next; how long it really was is in no result.
    planned_rest_seconds: Option<f64>,
    strokes: Option<u32>,
    /// The truth is no further than this from `seconds` …
    within_seconds: Option<f64>,
    /// … or from `metres`.
    within_metres: Option<f64>,
    /// What the reader should know.
    remarks: String,
}

/// All results of these pieces, by piece and place, each athlete followed by their splits; for a piece that is under
/// way, also those who have none yet. Heart rates and identities are left out.
///
/// # Panics
/// Never: writing into memory does not fail, and every row has the same columns.
#[must_use]
pub fn results_table(pieces: &[PieceView], athletes: &[AthleteView]) -> String {
    let views: BTreeMap<AthleteId, &AthleteView> =
        athletes.iter().map(|view| (view.athlete, view)).collect();
    let mut table = begun();
    let mut add = |row: Row<'_>| table.serialize(row).expect("rows are alike and go into memory");
    for piece in pieces {
        let work = repeats_text(&piece.spec.repeats);
        let mut results: Vec<&AthleteResult> = piece.results.iter().collect();
        results.sort_by_key(|result| order(result));
        for result in results {
            let row = row(piece, &work, views.get(&result.athlete).copied());
            add(of_result(row.clone(), piece, result));
            for (nth, split) in result.splits.iter().enumerate() {
                add(of_split(row.clone(), piece, result, (nth, *split)));
            }
        }
        if state(piece.phase) == UNDER_WAY {
            let known: BTreeSet<AthleteId> = piece.results.iter().map(|r| r.athlete).collect();
            for view in athletes.iter().filter(|view| !known.contains(&view.athlete)) {
                let target = view.aim.target.map(target_text);
                add(Row {
                    row: ATHLETE,
                    outcome: UNDER_WAY,
                    target,
                    ..row(piece, &work, Some(view))
                });
            }
        }
    }
    let rows = text(table);
    // Without any rows the heading is all there is; otherwise it is written with the first row.
    let table = if rows.is_empty() { heading() } else { rows };
    format!("{MARK_OF_UTF8}{table}")
}

/// The words for what the reader of a result should know.
#[must_use]
pub fn mark_text(mark: Mark) -> &'static str {
    match mark {
        Mark::Implausible => "faster than anyone is known to row: check it",
        Mark::Joined => "machine was reset; the parts are joined",
        Mark::Gaps => "some samples are missing; the totals are right",
        Mark::NoBaseline => {
            "the machine\u{2019}s reading at the start is not known: counted from what came in"
        }
        Mark::HeardLate => "first strokes came in late; counted by the machine\u{2019}s own clock",
        Mark::RepeatsMissed => "not all repeats rowed",
        Mark::ClocksApart => {
            "the machine\u{2019}s clock and the session\u{2019}s ran apart: times may be wrong"
        }
        Mark::Damaged => "the server\u{2019}s journal was damaged here: check it",
        Mark::LateStart => "the first stroke came late",
        Mark::Unranked => OUT,
    }
}

/// The words for what a coach has ruled about a result, and for what late strokes would make of it.
#[must_use]
pub fn ruling_texts(ruling: &Ruling) -> Vec<Cow<'static, str>> {
    let Ruling { measured, target_before, unplaced, would_be } = ruling;
    let mut words = Vec::new();
    words.extend(unplaced.map(|unplaced| {
        Cow::Borrowed(match unplaced {
            Unplaced::Excluded => "excluded",
            Unplaced::Unranked => OUT,
        })
    }));
    let part = |dm, ms| format!("{} in {}", distance_text(dm), time_text(ms, Tenths::Always));
    words.extend(measured.map(|of| {
        let rowed = of.shown.map_or_else(|| part(of.distance_dm, of.time_ms), total_text);
        Cow::Owned(format!("corrected, measured {rowed}"))
    }));
    words.extend(target_before.map(|before| {
        let target = before.target.map_or_else(|| "none".to_owned(), total_text);
        Cow::Owned(format!("target corrected, was {target}"))
    }));
    words.extend(would_be.map(|would| {
        let rowed = would.shown.map_or_else(|| part(would.distance_dm, would.time_ms), total_text);
        let place = would.place.map(|place| format!(", place {place}")).unwrap_or_default();
        Cow::Owned(format!("strokes came after it was official: would be {rowed}{place}"))
    }));
    words
}

/// How a result came about, in a word; for athletes whom the end of the piece cut off it says why: they had
/// missed repeats, the coach stopped everybody, or closed the piece while they were still rowing.
#[must_use]
pub fn outcome_text(result: &AthleteResult, phase: Phase) -> &'static str {
    match result.outcome {
        Outcome::Finished => "finished",
        Outcome::Stopped => "stopped",
        Outcome::Unheard => "signal lost",
        Outcome::DidNotStart => "did not start",
        Outcome::Unfinished if result.marks.contains(&Mark::RepeatsMissed) => MISSED,
        Outcome::Unfinished if matches!(phase, Phase::Stopped { .. }) => "stopped",
        Outcome::Unfinished => "unfinished",
    }
}

const ATHLETE: &str = "athlete";
const SPLIT: &str = "split";
const OFFICIAL: &str = "official";
const UNDER_WAY: &str = "under way";
const MISSED: &str = "missed repeats";
const OUT: &str = "out of competition";

fn begun() -> Writer<Vec<u8>> {
    WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new())
}

fn text(table: Writer<Vec<u8>>) -> String {
    let bytes = table.into_inner().expect("nothing fails in memory");
    String::from_utf8(bytes).expect("cells are text")
}

fn heading() -> String {
    let mut table = begun();
    table.serialize(Row::default()).expect("nothing fails in memory");
    let mut rows = text(table);
    rows.truncate(rows.find('\n').map_or(0, |end| end + 1));
    rows
}

/// What every row of an athlete says.
fn row<'a>(piece: &'a PieceView, work: &'a str, athlete: Option<&'a AthleteView>) -> Row<'a> {
    Row {
        piece: u32::from(piece.piece.0) + 1,
        title: no_formula(&piece.spec.title),
        work,
        state: if piece.rulings.official.is_some() { OFFICIAL } else { state(piece.phase) },
        name: athlete.map_or(Cow::Borrowed("?"), |view| no_formula(&view.spec.name)),
        team: no_formula(athlete.and_then(|view| view.spec.team.as_deref()).unwrap_or_default()),
        ..Row::default()
    }
}

fn of_result<'a>(row: Row<'a>, piece: &PieceView, result: &AthleteResult) -> Row<'a> {
    let outcome = outcome_text(result, piece.phase);
    // Why there is no finish, or no place, is said only once.
    let is_said = |mark: &&Mark| match mark {
        Mark::RepeatsMissed => outcome == MISSED,
        Mark::Unranked => result.ruling.unplaced.is_some(),
        Mark::Implausible
        | Mark::Joined
        | Mark::Gaps
        | Mark::NoBaseline
        | Mark::HeardLate
        | Mark::LateStart
        | Mark::ClocksApart
        | Mark::Damaged => false,
    };
    let mut remarks: Vec<Cow<'static, str>> = ruling_texts(&result.ruling);
    let marks = result.marks.iter().filter(|mark| !is_said(mark));
    remarks.extend(marks.map(|mark| Cow::Borrowed(mark_text(*mark))));
    let rowed = || {
        let whole = Decimetres(result.distance_dm.0 / 10 * 10);
        format!("{} in {}", distance_text(whole), time_text(result.time_ms, Tenths::Always))
    };
    let started = result.outcome != Outcome::DidNotStart;
    Row {
        row: ATHLETE,
        place: result.place,
        outcome,
        result: result.shown.map(total_text).or_else(|| started.then(rowed)),
        target: result.target.map(total_text),
        margin_seconds: result.margin.and_then(|margin| margin.gap.ms()).map(thousandths),
        margin_metres: result.margin.and_then(|margin| margin.gap.dm()).map(tenths),
        margin_percent: result.margin.map(|margin| f64::from(margin.margin_ppm.0) / 1e4),
        heading_for: result.estimate.map(total_text),
        metres: started.then(|| metres(result.distance_dm)),
        seconds: started.then(|| seconds(result.time_ms)),
        strokes: result.strokes,
        within_seconds: result.sure.ms().map(seconds),
        within_metres: result.sure.dm().map(metres),
        remarks: remarks.join("; "),
        ..row
    }
}

fn of_split<'a>(
    row: Row<'a>,
    piece: &PieceView,
    result: &AthleteResult,
    (nth, split): (usize, Split),
) -> Row<'a> {
    let repeats = &piece.spec.repeats;
    // Quarters of a single stretch have no rest between them, and there is none after the last.
    let is_followed = repeats.len() > 1 && nth + 1 < result.splits.len();
    let rest = repeats.get(nth).filter(|_| is_followed).map(|repeat| seconds(repeat.rest_ms));
    let rowed = split.distance_dm.0 > 0 || split.time_ms.0 > 0;
    Row {
        row: SPLIT,
        split: Some(nth + 1),
        outcome: if rowed { "" } else { "not rowed" },
        metres: rowed.then(|| metres(split.distance_dm)),
        seconds: rowed.then(|| seconds(split.time_ms)),
        planned_rest_seconds: rest,
        ..row
    }
}

/// Those with a place first, in order; then the others as they come, and last those who did not start.
fn order(result: &AthleteResult) -> (bool, Option<u32>, bool) {
    (result.place.is_none(), result.place, result.outcome == Outcome::DidNotStart)
}

fn state(phase: Phase) -> &'static str {
    match phase {
        Phase::Gathering | Phase::Armed => "not begun",
        Phase::Counting { .. }
        | Phase::Rowing { .. }
        | Phase::Resting { .. }
        | Phase::Closing { .. } => UNDER_WAY,
        Phase::Finished { .. } => "finished",
        Phase::Stopped { .. } => "stopped",
    }
}

/// What people have typed, as text: a cell that begins like a formula would be one (OWASP, CSV injection).
fn no_formula(typed: &str) -> Cow<'_, str> {
    const BEGINS: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];
    // Some programs strip leading spaces before they look.
    if typed.starts_with(BEGINS) || typed.trim_start().starts_with(BEGINS) {
        Cow::Owned(format!("'{typed}"))
    } else {
        Cow::Borrowed(typed)
    }
}

fn metres(distance: Decimetres) -> f64 {
    f64::from(distance.0) / 1e1
}

fn seconds(time: Millis) -> f64 {
    f64::from(time.0) / 1e3
}

fn tenths(amount: i64) -> f64 {
    amount as f64 / 1e1
}

fn thousandths(amount: i64) -> f64 {
    amount as f64 / 1e3
}

#[cfg(test)]
mod tests;
