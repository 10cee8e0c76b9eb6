//! Pieces as they are recorded in a file: one JSON object per athlete and piece, plain or gzip.

use std::io::{BufRead, BufReader, Cursor, Read};

use flate2::read::MultiGzDecoder;
use serde::Deserialize;
use thole_piece::limits;
use thole_protocol::{
    spec::{Aim, Extent, PastResult, PieceSpec, Plan, Repeat, RepeatStart, Target},
    units::{Millis, decimetres, millis},
};

/// One line of a file: four reports a second for three hours are about 2 MB.
const LINE_MAX: u64 = 64 << 20;

/// One athlete in one piece, as recorded.
#[derive(Debug, Deserialize)]
pub(crate) struct Recorded {
    pub(crate) id: String,
    pub(crate) group: String,
    #[serde(default)]
    pub(crate) piece: String,
    pub(crate) kind: Kind,
    #[serde(default = "one")]
    pub(crate) reps: u32,
    pub(crate) rep_size: f64,
    #[serde(default)]
    target: Option<f64>,
    #[serde(default)]
    plan: Option<String>,
    #[serde(default)]
    plan_speed: Option<Vec<f64>>,
    #[serde(default)]
    history: Vec<(f64, f64)>,
    /// Rows in order of arrival; where there are none, `splits` take their place.
    #[serde(default)]
    samples: Vec<Vec<Option<f64>>>,
    #[serde(default)]
    splits: Vec<f64>,
    #[serde(default)]
    pub(crate) cuts: Vec<(f64, f64, usize)>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Kind {
    Distance,
    Time,
}

fn one() -> u32 {
    1
}

/// One row of work: seconds and metres from the start, rests cut out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Row {
    pub(crate) seconds: f64,
    pub(crate) metres: f64,
    pub(crate) half_spm: Option<i64>,
    pub(crate) watts: Option<i64>,
    /// Number in the order in which the rows were rowed; `None` for one that a later row of the same instant
    /// replaces.
    pub(crate) seq: Option<u32>,
}

/// Hands over every line of a file.
///
/// # Errors
/// One sentence that names the line.
pub(crate) fn each_line(
    file: impl Read + 'static,
    mut take: impl FnMut(Recorded) -> Result<(), String>,
) -> Result<(), String> {
    let mut reader = opened(file).map_err(|error| format!("it cannot be read: {error}."))?;
    let mut text = Vec::new();
    for number in 1_u64.. {
        text.clear();
        let wrong = |what: String| format!("line {number} {what}");
        let read = reader.by_ref().take(LINE_MAX + 1).read_until(b'\n', &mut text);
        if read.map_err(|error| wrong(format!("cannot be read: {error}.")))? == 0 {
            break;
        }
        if text.len() as u64 > LINE_MAX {
            return Err(wrong("is longer than 64 MiB: record fewer samples.".to_owned()));
        }
        if text.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        let recorded: Recorded = serde_json::from_slice(&text)
            .map_err(|error| wrong(format!("is not a recorded piece: {}.", misread(&error))))?;
        take(recorded).map_err(|what| wrong(format!("cannot be used: {what}")))?;
    }
    Ok(())
}

/// What is wrong and where; the line has been named already.
fn misread(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let what = text.split(" at line ").next().unwrap_or(&text);
    format!("{what}, at character {}", error.column())
}

/// Plain or gzip, told apart by the first two bytes.
fn opened(mut file: impl Read + 'static) -> std::io::Result<Box<dyn BufRead>> {
    let mut first = Vec::new();
    file.by_ref().take(2).read_to_end(&mut first)?;
    let gzip = first == [0x1f, 0x8b];
    let whole = Cursor::new(first).chain(file);
    Ok(if gzip {
        Box::new(BufReader::new(MultiGzDecoder::new(whole)))
    } else {
        Box::new(BufReader::new(whole))
    })
}

/// The piece; the recording's clock stands still in the rests, so each repeat follows at once.
pub(crate) fn spec(recorded: &Recorded) -> Result<PieceSpec, String> {
    if !(recorded.rep_size.is_finite() && recorded.rep_size > 0.0) {
        return Err("rep_size must be more than zero.".to_owned());
    }
    let reps = usize::try_from(recorded.reps).ok().filter(|reps| limits::REPEATS.contains(reps));
    let reps = reps.ok_or("reps must be 1 to 60.")?;
    let work = match recorded.kind {
        Kind::Distance => Extent::Distance { distance_dm: decimetres(recorded.rep_size * 1e1) },
        Kind::Time => Extent::Time { time_ms: millis(recorded.rep_size * 1e3) },
    };
    let mut spec = PieceSpec {
        repeat_start: RepeatStart::OwnRest,
        ..PieceSpec::of(vec![Repeat { work, rest_ms: *limits::REST.start() }; reps])
    };
    limits::check_piece(&spec).map_err(|refusal| refusal.says)?;
    for repeat in &mut spec.repeats {
        repeat.rest_ms = Millis(0);
    }
    Ok(spec)
}

pub(crate) fn aim(recorded: &Recorded) -> Result<Aim, String> {
    let amount = |amount: f64| match recorded.kind {
        Kind::Distance => Target::Finish { finish_ms: millis(amount * 1e3) },
        Kind::Time => Target::Distance { distance_dm: decimetres(amount * 1e1) },
    };
    let history = recorded
        .history
        .iter()
        .map(|&(days, result)| PastResult { days_ago: millis(days).0, result: amount(result) });
    Ok(Aim {
        target: recorded.target.map(amount),
        plan: plan(recorded)?,
        history: history.collect(),
    })
}

/// A declared plan by its speeds, otherwise by its name: the same athlete has the same plan either way.
fn plan(recorded: &Recorded) -> Result<Plan, String> {
    if let Some(speeds) = &recorded.plan_speed {
        let speeds_ppm = speeds.iter().map(|speed| millis(speed * 1e6).0).collect();
        return Ok(Plan::Speeds { speeds_ppm });
    }
    match recorded.plan.as_deref() {
        None | Some("even") => Ok(Plan::Even),
        Some("fast_start") => Ok(Plan::FastStart),
        Some("negative_split") => Ok(Plan::NegativeSplit),
        Some("start-settle-lift") => Ok(Plan::Speeds { speeds_ppm: START_SETTLE_LIFT.to_vec() }),
        Some("negative") => Ok(Plan::Speeds { speeds_ppm: (0..20).map(negative).collect() }),
        Some(other) => {
            let known = "even, fast_start or negative_split";
            Err(format!("the plan {other} is unknown: give {known}, or 20 relative speeds."))
        }
    }
}

/// What the rehearsal pieces mean by `start-settle-lift`.
const START_SETTLE_LIFT: [u32; 20] = [
    1_030_000, 1_014_000, 1_008_000, 1_004_000, 1_001_000, 999_000, 997_000, 996_000, 995_000,
    994_000, 993_000, 992_000, 991_000, 991_000, 992_000, 994_000, 997_000, 1_000_000, 1_004_000,
    1_012_000,
];

/// What they mean by `negative`: 3 % from the slowest to the fastest, in equal steps.
fn negative(twentieth: u32) -> u32 {
    985_000 + 30_000 * (2 * twentieth + 1) / 40
}

/// The rows of one line, in order of arrival.
pub(crate) fn rows(recorded: &Recorded) -> Result<Vec<Row>, String> {
    let mut rows = match recorded.samples.as_slice() {
        [] => of_splits(recorded)?,
        samples => of_samples(samples)?,
    };
    number(&mut rows);
    Ok(rows)
}

/// The ends of equal stretches of the work.
fn of_splits(recorded: &Recorded) -> Result<Vec<Row>, String> {
    let stretches = recorded.splits.len();
    if stretches == 0 {
        return Err("it has neither samples nor splits.".to_owned());
    }
    let stretch = f64::from(recorded.reps) * recorded.rep_size / stretches as f64;
    let (mut work, mut cost) = (0.0, 0.0);
    let mut rows = Vec::with_capacity(stretches);
    for (number, &split) in (1..).zip(&recorded.splits) {
        if !(split.is_finite() && (0.0..=1e6).contains(&split)) {
            return Err(format!("split {number} needs seconds or metres from 0 to 1,000,000."));
        }
        work += stretch;
        cost += split;
        let (seconds, metres) = match recorded.kind {
            Kind::Distance => (cost, work),
            Kind::Time => (work, cost),
        };
        rows.push(Row { seconds, metres, half_spm: None, watts: None, seq: None });
    }
    Ok(rows)
}

fn of_samples(samples: &[Vec<Option<f64>>]) -> Result<Vec<Row>, String> {
    let mut rows = Vec::with_capacity(samples.len());
    for (number, sample) in (1..).zip(samples) {
        let value = |at: usize| sample.get(at).copied().flatten().filter(|value| value.is_finite());
        let counted = |at: usize| value(at).filter(|value| (0.0..=1e6).contains(value));
        let (Some(seconds), Some(metres)) = (counted(0), counted(1)) else {
            return Err(format!("sample {number} needs seconds and metres from 0 to 1,000,000."));
        };
        let whole = |amount: f64| i64::from(millis(amount).0);
        rows.push(Row {
            seconds,
            metres,
            half_spm: value(2).map(|rate| whole(rate * 2.0)),
            watts: value(3).map(whole),
            seq: None,
        });
    }
    Ok(rows)
}

/// Numbers the rows in the order in which they were rowed; 1 is the machine standing ready.
fn number(rows: &mut [Row]) {
    let mut rowed: Vec<&mut Row> = rows.iter_mut().collect();
    rowed.sort_by(|one, other| {
        one.seconds.total_cmp(&other.seconds).then(other.metres.total_cmp(&one.metres))
    });
    let (mut seq, mut last) = (1, None);
    for row in rowed {
        // The furthest row of an instant comes first and stands for the others of that instant.
        if last != Some(row.seconds) {
            seq += 1;
            row.seq = Some(seq);
            last = Some(row.seconds);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What pages and `thole` save when a server has lost it; `client/src/saved.rs` says by which rule.
    const SAVED: &str = include_str!("../../../protocol/cases/saved.json");

    #[test]
    fn what_clients_save_is_read_like_any_recorded_piece() {
        let cases: Vec<serde_json::Value> = serde_json::from_str(SAVED).unwrap();
        let lines: Vec<String> = cases.iter().map(|case| case["recorded"].to_string()).collect();
        let mut last = Vec::new();
        each_line(Cursor::new(lines.join("\n").into_bytes()), |recorded| {
            spec(&recorded)?;
            aim(&recorded)?;
            let rows = rows(&recorded)?;
            last.extend(rows.last().map(|row| (row.seconds, row.metres)));
            Ok(())
        })
        .unwrap();
        assert_eq!(last, [(4.5, 18.5), (16.0, 51.0), (162.0, 371.3), (2.5, 9.0)]);
    }
}
