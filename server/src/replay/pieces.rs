//! Recorded pieces from a file: one JSON object an athlete and piece, samples in their order of arrival.

use std::io::{BufRead, BufReader, Cursor, Read};

use flate2::read::MultiGzDecoder;
use serde::Deserialize;
use thole_piece::{
    limits,
    plan::Course,
    recording::{Changed, Recording},
    rower::Rower,
    standings::{self, Finish},
    track::Rule,
};
use thole_protocol::{
    ids::RunId,
    sample::Sample,
    spec::{Aim, Extent, PastResult, PieceSpec, Plan, Ranking, Repeat, RepeatStart, Target},
    units::{At, Millis, decimetres, millis},
};
use uuid::Uuid;

use super::{Line, Seen, Share, heading, rank, tidy};

/// One line of a file: four reports a second for three hours are some 2 MB.
const LINE_MAX: u64 = 64 << 20;
/// The go, on the clock of the replayed session: a moment after it was made.
const GO: At = At(10_000);
/// After the last row: everything that could still be waited for has come.
const AFTERWARDS: Millis = Millis(60_000);
/// Fractions this close are the same.
const SAME: f64 = 1e-9;

/// One athlete in one piece, as recorded.
#[derive(Debug, Deserialize)]
struct Recorded {
    id: String,
    group: String,
    #[serde(default)]
    piece: String,
    kind: Kind,
    #[serde(default = "one")]
    reps: u32,
    rep_size: f64,
    #[serde(default)]
    target: Option<f64>,
    #[serde(default)]
    plan: Option<String>,
    #[serde(default)]
    plan_speed: Option<Vec<f64>>,
    #[serde(default)]
    history: Vec<(f64, f64)>,
    samples: Vec<Vec<Option<f64>>>,
    #[serde(default)]
    cuts: Vec<(f64, f64, usize)>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Kind {
    Distance,
    Time,
}

fn one() -> u32 {
    1
}

/// One row of work: seconds and metres from the start, rests cut out.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Row {
    seconds: f64,
    metres: f64,
    half_spm: Option<i64>,
    watts: Option<i64>,
    /// Number in the order in which the rows were rowed; none for one that a later row of the same
    /// instant stands for.
    seq: Option<u32>,
}

/// All that one line is replayed by.
struct Athlete {
    recorded: Recorded,
    spec: PieceSpec,
    aim: Aim,
    /// Metres or seconds of work.
    whole: f64,
    /// In their order of arrival.
    rows: Vec<Row>,
}

/// What one athlete contributes: lines with the score that each is ranked by, and the finish.
struct Replayed {
    lines: Vec<(Line, Option<i64>)>,
    ended: Line,
    finish: Option<Finish>,
}

/// Replays every line of a file: by group (and piece) and athlete as they first stand there, then by
/// share.
///
/// # Errors
/// One sentence that names the line.
pub fn replay(file: impl Read + 'static, shares: &[Share]) -> Result<Vec<Line>, String> {
    let mut reader = opened(file).map_err(|error| format!("it cannot be read: {error}."))?;
    let mut groups: Vec<((String, String), Vec<Replayed>)> = Vec::new();
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
            .map_err(|error| wrong(format!("is no recorded piece: {}.", misread(&error))))?;
        let group = (recorded.group.clone(), recorded.piece.clone());
        let replayed = Athlete::of(recorded)
            .and_then(|athlete| athlete.replay(shares))
            .map_err(|what| wrong(format!("cannot be used: {what}")))?;
        match groups.iter_mut().find(|(name, _)| *name == group) {
            Some((_, members)) => members.push(replayed),
            None => groups.push((group, vec![replayed])),
        }
    }
    Ok(groups.into_iter().flat_map(|(_, members)| listed(members)).collect())
}

/// What is wrong and where; the line is named already.
fn misread(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let what = text.split(" at line ").next().unwrap_or(&text);
    format!("{what}, at character {}", error.column())
}

/// Plain or gzip, told by the first two bytes.
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

/// The lines of those who rowed a piece together, ranked.
fn listed(members: Vec<Replayed>) -> Vec<Line> {
    let finishes: Vec<Option<Finish>> = members.iter().map(|member| member.finish).collect();
    let places = standings::final_places(Ranking::Share, &finishes);
    let mut lines = Vec::new();
    let mut ends = Vec::with_capacity(members.len());
    for (member, place) in members.into_iter().zip(places) {
        ends.push((member.lines.len(), Line { rank: place, ..member.ended }));
        lines.extend(member.lines);
    }
    rank(&mut lines);
    let mut lines = lines.into_iter().map(|(line, _)| line);
    let mut all = Vec::new();
    for (count, end) in ends {
        all.extend(lines.by_ref().take(count));
        all.push(end);
    }
    all
}

impl Athlete {
    fn of(recorded: Recorded) -> Result<Athlete, String> {
        let spec = spec(&recorded)?;
        let aim = aim(&recorded)?;
        Course::of(&spec, &aim).map_err(|refusal| refusal.says)?;
        let rows = rows(&recorded.samples)?;
        let whole = f64::from(recorded.reps) * recorded.rep_size;
        Ok(Athlete { recorded, spec, aim, whole, rows })
    }

    fn replay(self, shares: &[Share]) -> Result<Replayed, String> {
        let mut lines = Vec::with_capacity(shares.len());
        for share in shares {
            let Some((arrived, moment)) = self.moment(share.value()) else { continue };
            let now = GO + millis(moment * 1e3);
            let rower = self.rowed(&arrived, now)?;
            let margin = rower.margin(self.rule(), now);
            let heading = heading(rower.projected(self.rule(), now));
            let score = margin.map(|margin| i64::from(margin.margin_ppm.0));
            lines.push((self.line(share.clone(), heading), score));
        }
        let last = self.rows.iter().map(|row| row.seconds).fold(0.0, f64::max);
        let now = GO + millis(last * 1e3) + AFTERWARDS;
        let all: Vec<&Row> = self.rows.iter().collect();
        let rower = self.rowed(&all, now)?;
        let end = rower.finish(self.rule(), now);
        let result = end.map(|end| match self.recorded.kind {
            Kind::Distance => tidy(end.ms / 1e3),
            Kind::Time => tidy(end.dm / 1e1),
        });
        let shown = end.map(|end| {
            standings::as_shown(match self.recorded.kind {
                Kind::Distance => Target::Finish { finish_ms: millis(end.ms) },
                Kind::Time => Target::Distance { distance_dm: decimetres(end.dm) },
            })
        });
        let finish = shown.zip(rower.target()).map(|(shown, target)| Finish { shown, target });
        Ok(Replayed { lines, ended: self.line(Share::whole(), Seen::Ended { result }), finish })
    }

    fn line(&self, share: Share, seen: Seen) -> Line {
        let Recorded { group, id, piece, .. } = &self.recorded;
        let (group, athlete, piece) = (group.clone(), id.clone(), piece.clone());
        Line { group, athlete, piece, share, seen, rank: None }
    }

    /// The rows that had arrived when this share was passed, and when that was; none for who never
    /// came so far.
    fn moment(&self, share: f64) -> Option<(Vec<&Row>, f64)> {
        let cut = self.recorded.cuts.iter().find(|(fraction, ..)| (fraction - share).abs() < SAME);
        if let Some(&(_, moment, arrived)) = cut {
            return Some((self.rows.iter().take(arrived).collect(), moment));
        }
        let moment = self.passed(share)?;
        Some((self.rows.iter().filter(|row| row.seconds <= moment).collect(), moment))
    }

    /// When a share was passed, between the rows around it.
    fn passed(&self, share: f64) -> Option<f64> {
        let wanted = share * self.whole;
        let mut rows: Vec<&Row> = self.rows.iter().filter(|row| row.seq.is_some()).collect();
        rows.sort_by_key(|row| row.seq);
        let mut before = (0.0, 0.0);
        for row in rows {
            let here = (row.seconds, row.metres);
            let work = |at: (f64, f64)| match self.recorded.kind {
                Kind::Distance => at.1,
                Kind::Time => at.0,
            };
            if work(here) >= wanted {
                let part = (wanted - work(before)) / (work(here) - work(before));
                return Some(before.0 + part * (here.0 - before.0));
            }
            before = here;
        }
        None
    }

    /// The athlete after these rows, in the core.
    fn rowed(&self, rows: &[&Row], now: At) -> Result<Rower, String> {
        let run = RunId(Uuid::nil());
        let mut recording = Recording::default();
        // The machine stands ready at the go.
        let ready = Sample { seq: 1, heard_ms: ms(GO), elapsed_ms: Some(0), ..Sample::default() };
        let mut samples = vec![ready];
        samples.extend(rows.iter().filter_map(|row| row.sample()));
        recording.add(now, run, &samples);
        let mut rower = Rower::new(&self.spec, self.aim.clone())
            .ok_or_else(|| "the piece has no work.".to_owned())?;
        rower.advance(now, recording.points(), Changed::Rebuilt, self.rule(), &[]);
        Ok(rower)
    }

    fn rule(&self) -> Rule<'_> {
        Rule {
            repeats: &self.spec.repeats,
            clock: self.spec.clock,
            repeat_start: self.spec.repeat_start,
            starts: &[GO],
            until: None,
        }
    }
}

impl Row {
    fn sample(&self) -> Option<Sample> {
        let elapsed = i64::from(millis(self.seconds * 1e3).0);
        Some(Sample {
            seq: self.seq?,
            heard_ms: ms(GO) + elapsed,
            distance_dm: i64::from(decimetres(self.metres * 1e1).0),
            elapsed_ms: Some(elapsed),
            strokes: None,
            rate_half_spm: self.half_spm,
            power_w: self.watts,
        })
    }
}

fn ms(at: At) -> i64 {
    i64::try_from(at.0).unwrap_or(i64::MAX)
}

/// The piece; the recording's clock stands still in the rests, so each repeat follows at once.
fn spec(recorded: &Recorded) -> Result<PieceSpec, String> {
    if !(recorded.rep_size.is_finite() && recorded.rep_size > 0.0) {
        return Err("rep_size must be more than nothing.".to_owned());
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

fn aim(recorded: &Recorded) -> Result<Aim, String> {
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

/// A declared plan by its speeds, else by its name.
fn plan(recorded: &Recorded) -> Result<Plan, String> {
    if let Some(speeds) = &recorded.plan_speed {
        let speeds_ppm = speeds.iter().map(|speed| millis(speed * 1e6).0).collect();
        return Ok(Plan::Speeds { speeds_ppm });
    }
    match recorded.plan.as_deref() {
        None | Some("even") => Ok(Plan::Even),
        Some("fast_start" | "start-settle-lift") => Ok(Plan::FastStart),
        Some("negative_split" | "negative") => Ok(Plan::NegativeSplit),
        Some(other) => {
            let known = "even, fast_start or negative_split";
            Err(format!("the plan {other} is unknown: give {known}, or 20 relative speeds."))
        }
    }
}

fn rows(samples: &[Vec<Option<f64>>]) -> Result<Vec<Row>, String> {
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
    number(&mut rows);
    Ok(rows)
}

/// Numbers the rows in the order in which they were rowed; 1 is the machine that stands ready.
fn number(rows: &mut [Row]) {
    let mut rowed: Vec<&mut Row> = rows.iter_mut().collect();
    rowed.sort_by(|one, other| {
        one.seconds.total_cmp(&other.seconds).then(other.metres.total_cmp(&one.metres))
    });
    let (mut seq, mut last) = (1, None);
    for row in rowed {
        // The furthest row of an instant comes first and stands for the others of it.
        if last != Some(row.seconds) {
            seq += 1;
            row.seq = Some(seq);
            last = Some(row.seconds);
        }
    }
}
