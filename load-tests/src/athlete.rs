//! One invented athlete of the crowd: strokes that come when they are due, kept until they are durable.

use thole::{
    chance::Chance,
    rower::{Build, Profile, Row, Rowing},
};
use thole_protocol::{
    ClientMsg,
    client_msg::Samples,
    ids::{AthleteId, RunId},
    sample::Sample,
    spec::{Aim, AthleteSpec, PieceSpec, Plan, RosterEntry, Target},
};
use uuid::Uuid;

use crate::settings::TEAMS;

/// Samples in one message of back-fill, as the protocol allows.
const BACK_FILL: usize = 100;
/// Nobody takes the handle later than this after the go.
const DELAY_MAX_MS: u64 = 800;

/// One sample that was made.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stroke {
    /// As it is sent.
    pub(crate) sample: Sample,
    /// When it was due, on the run's clock.
    pub(crate) due_us: u64,
    /// A lost connection delayed it.
    pub(crate) delayed: bool,
    /// A stroke, and not the counters at rest before a start.
    pub(crate) rowed: bool,
}

/// What is due next.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Next {
    /// On the session's clock.
    pub(crate) at_ms: u64,
    /// What the machine will show; `None` for the counters at rest, before a start.
    row: Option<Row>,
}

/// One athlete.
#[derive(Debug)]
pub(crate) struct Athlete {
    /// As in the roster.
    pub(crate) name: String,
    /// As the server knows them; known when they have joined.
    pub(crate) id: Option<AthleteId>,
    /// The recording.
    pub(crate) run: RunId,
    build: Build,
    team: &'static str,
    target: Target,
    rows: Option<Rowing>,
    row: Option<Row>,
    next: Option<Next>,
    delay_ms: u64,
    /// The machine's counters when the repeat began.
    base: (i64, i64, i64),
    /// The repeat that `base` belongs to; the counters at rest before it have been sent.
    repeat: Option<usize>,
    /// Every sample made, by its number.
    pub(crate) strokes: Vec<Stroke>,
    /// Everything up to this number is durable.
    pub(crate) acknowledged: usize,
    /// Strokes that a board has shown, by their count.
    pub(crate) shown: usize,
}

impl Athlete {
    /// An invented athlete, with a rate of 18 to 40 and a pace of 1:38 to 2:55.
    pub(crate) fn invented(number: u32, seed: u64) -> Athlete {
        let mut chance = Chance::seeded(seed.wrapping_mul(1_000_003) ^ u64::from(number));
        let pace = 98_000.0 + 77_000.0 * chance.unit();
        let pace_ms = thole_protocol::units::millis(pace);
        let mut build = Build::steady(chance.bits(), pace_ms);
        build.rate_spm = 18.0 + 22.0 * chance.unit();
        build.profile = match chance.below(3) {
            0 => Profile::Even,
            1 => Profile::FastStart,
            _ => Profile::NegativeSplit,
        };
        let hoped = thole_protocol::units::millis(pace * (0.97 + 0.06 * chance.unit()));
        let team = usize::try_from(number).unwrap_or(0) % TEAMS.len();
        Athlete {
            name: format!("Rower {number:05}"),
            id: None,
            run: RunId(Uuid::from_u64_pair(chance.bits(), chance.bits())),
            build,
            team: TEAMS.get(team).copied().unwrap_or(""),
            target: Target::Pace { per_500m_ms: hoped },
            rows: None,
            row: None,
            next: None,
            delay_ms: chance.below(DELAY_MAX_MS),
            base: (0, 0, 0),
            repeat: None,
            strokes: Vec::new(),
            acknowledged: 0,
            shown: 0,
        }
    }

    /// As the coach enters them.
    pub(crate) fn entry(&self) -> RosterEntry {
        let spec = AthleteSpec {
            name: self.name.clone(),
            team: Some(self.team.to_owned()),
            heart_limit_bpm: None,
        };
        let aim = Aim { target: Some(self.target), plan: Plan::Even, history: Vec::new() };
        RosterEntry { spec, aims: vec![aim] }
    }

    /// Takes the handle.
    pub(crate) fn sit_down(&mut self, piece: &PieceSpec) {
        let mut rows = self.build.row(piece);
        self.row = rows.next();
        self.rows = Some(rows);
    }

    /// Which repeat has to be signalled before anything more is due; `None` when something is due already, or
    /// nothing ever will be.
    pub(crate) fn waits_for(&self) -> Option<usize> {
        if self.next.is_some() { None } else { self.row.map(|row| usize::from(row.repeat)) }
    }

    /// When the next sample is due, now that the starts of these repeats are known.
    pub(crate) fn due(&mut self, starts: &[Option<u64>]) -> Option<u64> {
        if self.next.is_none() {
            let row = self.row?;
            let repeat = usize::from(row.repeat);
            let start = starts.get(repeat).copied().flatten()?;
            self.next = Some(if self.repeat == Some(repeat) {
                Next { at_ms: start + self.delay_ms + u64::from(row.t_ms), row: Some(row) }
            } else {
                // The counters at rest are sent once in the last second before the start.
                Next { at_ms: start.saturating_sub(100 + self.delay_ms), row: None }
            });
        }
        self.next.map(|next| next.at_ms)
    }

    /// Makes the sample that is due.
    pub(crate) fn make(&mut self, due_us: u64, delayed: bool) -> Option<Stroke> {
        let Next { at_ms, row } = self.next.take()?;
        let (elapsed, distance, strokes) = self.base;
        let seq = u32::try_from(self.strokes.len() + 1).unwrap_or(u32::MAX);
        let heard_ms = i64::try_from(at_ms).unwrap_or(i64::MAX);
        let mut sample = Sample {
            seq,
            heard_ms,
            distance_dm: distance,
            elapsed_ms: Some(elapsed),
            strokes: Some(strokes),
            rate_half_spm: None,
            power_w: None,
        };
        match row {
            None => self.repeat = self.row.map(|row| usize::from(row.repeat)),
            Some(row) => {
                sample.distance_dm += i64::from(row.d_dm);
                sample.elapsed_ms = Some(elapsed + i64::from(row.t_ms));
                sample.strokes = Some(strokes + i64::from(row.strokes.unwrap_or(0)));
                sample.rate_half_spm = row.rate_half_spm.map(i64::from);
                sample.power_w = row.power_w.map(i64::from);
                if row.ends {
                    self.base = (
                        elapsed + i64::from(row.t_ms),
                        sample.distance_dm,
                        strokes + i64::from(row.strokes.unwrap_or(0)),
                    );
                }
                self.row = self.rows.as_mut().and_then(Iterator::next);
            }
        }
        let stroke = Stroke { sample, due_us, delayed, rowed: row.is_some() };
        self.strokes.push(stroke);
        Some(stroke)
    }

    /// The connection was lost: what is not durable now will come late, and that is not the server's fault.
    pub(crate) fn lose(&mut self) {
        for stroke in self.strokes.iter_mut().skip(self.acknowledged) {
            stroke.delayed = true;
        }
    }

    /// What is not durable, as messages.
    pub(crate) fn back_fill(&self) -> impl Iterator<Item = ClientMsg> {
        let left = self.strokes.get(self.acknowledged..).unwrap_or(&[]);
        left.chunks(BACK_FILL).map(|some| self.message(some))
    }

    /// These samples as a message.
    pub(crate) fn message(&self, strokes: &[Stroke]) -> ClientMsg {
        let samples = strokes.iter().map(|stroke| stroke.sample).collect();
        ClientMsg::Samples(Samples { run: self.run, samples })
    }

    /// Everything up to this number is durable; returns those that were not before.
    pub(crate) fn acknowledge(&mut self, through: u32) -> &[Stroke] {
        let from = self.acknowledged;
        let through = usize::try_from(through).unwrap_or(usize::MAX).min(self.strokes.len());
        self.acknowledged = from.max(through);
        self.strokes.get(from..self.acknowledged).unwrap_or(&[])
    }

    /// A board has shown this distance; returns the strokes that it includes and no earlier one did.
    pub(crate) fn show(&mut self, done_dm: i64) -> &[Stroke] {
        let from = self.shown;
        let more = self.strokes.get(from..).unwrap_or(&[]);
        let shown = more.iter().take_while(|stroke| stroke.sample.distance_dm <= done_dm).count();
        self.shown = from + shown;
        more.get(..shown).unwrap_or(&[])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_athlete_tells_the_counters_at_rest_before_each_start_and_every_metre_once() {
        let repeats = thole::wording::repeats("3x170m/0:30").unwrap();
        let mut athlete = Athlete::invented(3, 1);
        athlete.sit_down(&PieceSpec::of(repeats));
        let mut starts = vec![Some(10_000), None, None];
        let (mut at_rest, mut last) = (Vec::new(), 0);
        loop {
            if let Some(waits) = athlete.waits_for()
                && starts[waits].is_none()
            {
                starts[waits] = Some(last + 30_000);
            }
            let Some(due) = athlete.due(&starts) else { break };
            assert!(due >= last, "{due} comes after {last}");
            last = due;
            let stroke = athlete.make(0, false).unwrap();
            if !stroke.rowed {
                at_rest.push(stroke.sample.distance_dm);
            }
        }
        assert_eq!(at_rest, [0, 1_700, 3_400]);
        assert_eq!(athlete.strokes.last().unwrap().sample.distance_dm, 5_100);
        assert_eq!(athlete.acknowledge(u32::MAX).len(), athlete.strokes.len());
        assert_eq!(athlete.back_fill().count(), 0);
    }
}
