//! Recorded pieces from a file: one JSON object per athlete and piece, samples in order of arrival.

use std::io::Read;

use thole_piece::{
    plan::Course,
    projection::Forecast,
    recording::{Changed, Recording},
    rower::Rower,
    standings::{self, RankedFinish},
    track::Rule,
};
use thole_protocol::{
    ids::RunId,
    sample::Sample,
    spec::{Aim, PieceSpec, Ranking},
    total::Total,
    units::{At, Millis, decimetres, millis},
};
use uuid::Uuid;

use super::{Line, Seen, Share, heading, rank, tidy};
use crate::recorded::{self, Kind, Recorded, Row, each_line};

/// The go, on the clock of the replayed session: a moment after it was created.
const GO: At = At(10_000);
/// After the last row: everything that could still be awaited has come.
const AFTERWARDS: Millis = Millis(60_000);
/// Fractions this close count as the same.
const SAME: f64 = 1e-9;

/// Everything that is needed to replay one line.
struct Athlete {
    recorded: Recorded,
    spec: PieceSpec,
    aim: Aim,
    /// Metres or seconds of work.
    whole: f64,
    /// In order of arrival.
    rows: Vec<Row>,
    /// What projects the finish.
    forecast: Forecast,
}

/// What one athlete contributes: lines with the score that each is ranked by, and the finish.
struct Replayed {
    lines: Vec<(Line, Option<i64>)>,
    ended: Line,
    finish: Option<RankedFinish>,
}

/// Replays every line of a file: by group (and piece) and athlete in the order they first appear, then by
/// share.
///
/// # Errors
/// One sentence that names the line.
pub fn replay(file: impl Read + 'static, shares: &[Share]) -> Result<Vec<Line>, String> {
    replay_by(file, shares, &Forecast::default())
}

/// The same with a model other than the one that ships.
///
/// # Errors
/// One sentence that names the line.
pub fn replay_by(
    file: impl Read + 'static,
    shares: &[Share],
    forecast: &Forecast,
) -> Result<Vec<Line>, String> {
    let mut groups: Vec<((String, String), Vec<Replayed>)> = Vec::new();
    each_line(file, |recorded| {
        let group = (recorded.group.clone(), recorded.piece.clone());
        let replayed = Athlete::of(recorded, forecast)?.replay(shares)?;
        match groups.iter_mut().find(|(name, _)| *name == group) {
            Some((_, members)) => members.push(replayed),
            None => groups.push((group, vec![replayed])),
        }
        Ok(())
    })?;
    Ok(groups.into_iter().flat_map(|(_, members)| listed(members)).collect())
}

/// The lines of those who rowed a piece together, ranked.
fn listed(members: Vec<Replayed>) -> Vec<Line> {
    let finishes: Vec<Option<RankedFinish>> = members.iter().map(|member| member.finish).collect();
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
    fn of(recorded: Recorded, forecast: &Forecast) -> Result<Athlete, String> {
        let spec = recorded::spec(&recorded)?;
        let aim = recorded::aim(&recorded)?;
        Course::of(&spec, &aim).map_err(|refusal| refusal.says)?;
        let rows = recorded::rows(&recorded)?;
        let whole = f64::from(recorded.reps) * recorded.rep_size;
        Ok(Athlete { recorded, spec, aim, whole, rows, forecast: forecast.clone() })
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
        // A recording does not say who had stopped: what is in it was rowed, to the end of the piece.
        let end = rower.over(self.rule(), now);
        let result = end.map(|end| match self.recorded.kind {
            Kind::Distance => tidy(end.ms / 1e3),
            Kind::Time => tidy(end.dm / 1e1),
        });
        let shown = end.map(|end| {
            standings::as_shown(match self.recorded.kind {
                Kind::Distance => Total::Time { finish_ms: millis(end.ms) },
                Kind::Time => Total::Distance { distance_dm: decimetres(end.dm) },
            })
        });
        let finish =
            shown.zip(rower.target()).map(|(shown, target)| RankedFinish { shown, target });
        Ok(Replayed { lines, ended: self.line(Share::whole(), Seen::Ended { result }), finish })
    }

    fn line(&self, share: Share, seen: Seen) -> Line {
        let Recorded { group, id, piece, .. } = &self.recorded;
        let (group, athlete, piece) = (group.clone(), id.clone(), piece.clone());
        Line { group, athlete, piece, share, seen, rank: None }
    }

    /// The rows that had arrived when this share was passed, and when that was; `None` for athletes who never
    /// got that far.
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
        // The machine is standing ready at the go.
        let ready = Sample { seq: 1, heard_ms: ms(GO), elapsed_ms: Some(0), ..Sample::default() };
        let mut samples = vec![ready];
        samples.extend(rows.iter().filter_map(|row| row.sample()));
        recording.add(now, run, &samples);
        let mut rower = Rower::new(&self.spec, self.aim.clone(), self.forecast.clone())
            .ok_or_else(|| "the piece has no work.".to_owned())?;
        rower.advance(now, &recording, Changed::Rebuilt, self.rule(), &[]);
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
