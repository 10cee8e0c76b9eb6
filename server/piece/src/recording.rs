//! One athlete's samples of a session, in the order they were rowed, whatever the order they arrived
//! in; and the machine's counters joined to one odometer that never runs back.

mod odometer;

use std::collections::BTreeMap;

use thole_protocol::{
    ids::RunId,
    refusal::{Refusal, Why},
    sample::{Durable, RefusedSample, Sample},
    units::At,
};

use crate::limits;
use odometer::{Odometer, Step};

/// A sample may say that it was heard this much later than now: after a restart of the server a
/// client's idea of the session's clock can be off, and a stroke is worth more than an error message.
const AHEAD_MAX_MS: u64 = 3_600_000;

/// One instant on the joined odometer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When it was heard, milliseconds of the session.
    pub heard: u64,
    /// Joined distance in decimetres; never falls.
    pub dm: u32,
    /// Joined strokes in thousandths; counted by the machine, else estimated from its rate.
    pub strokes_milli: u32,
    /// Half strokes a minute; 0 = not told.
    pub rate: u16,
    /// Whether the machine was moving when it was heard.
    pub moving: bool,
    /// Whether the parts were joined here: the machine had been reset.
    pub joined: bool,
    /// The machine's own distance, to judge where it began.
    pub machine_dm: u32,
    /// The machine's own clock in milliseconds, if it has one.
    pub machine_ms: Option<u32>,
}

/// A sample whose values can be believed one by one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Raw {
    seq: u32,
    heard: u64,
    /// The machine's own distance.
    dm: u32,
    /// The machine's own clock.
    elapsed: Option<u32>,
    strokes: Option<u32>,
    rate: u16,
}

/// How one batch changed a recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Change {
    /// Samples of the batch that were refused, with reasons.
    pub refused: Vec<RefusedSample>,
    /// What the points are now against what they were.
    pub points: Changed,
}

/// How the points of a recording have changed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Changed {
    /// Not at all.
    #[default]
    Nothing,
    /// Points were added behind the others, from this index on.
    Grown(usize),
    /// Samples came in between: everything computed from the points is to be computed again.
    Rebuilt,
}

/// One athlete's samples of a session.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recording {
    runs: BTreeMap<RunId, Run>,
    /// Runs in the order they were rowed.
    order: Vec<RunId>,
    odometer: Odometer,
    points: Vec<Point>,
    /// Whether any sample told a stroke count of the machine's own.
    counts_strokes: bool,
}

impl Recording {
    /// Takes a batch; what it already has, it ignores.
    pub fn add(&mut self, now: At, run: RunId, samples: &[Sample]) -> Change {
        let mut change = Change::default();
        let mut fresh: Vec<Raw> = Vec::with_capacity(samples.len());
        let known = self.runs.entry(run).or_default();
        for sample in samples {
            if known.received.contains(sample.seq) || fresh.iter().any(|raw| raw.seq == sample.seq)
            {
                continue;
            }
            let (raw, refusals) = believed(now, sample);
            let seq = sample.seq;
            change
                .refused
                .extend(refusals.into_iter().map(|refusal| RefusedSample { seq, refusal }));
            match raw {
                Some(raw) => fresh.push(raw),
                None if seq > 0 => known.received.insert(seq, seq),
                None => {}
            }
        }
        if fresh.is_empty() {
            return change;
        }
        for raw in &fresh {
            known.received.insert(raw.seq, raw.seq);
        }
        fresh.sort_unstable_by_key(|raw| raw.seq);
        self.counts_strokes |= fresh.iter().any(|raw| raw.strokes.is_some());
        change.points = self.insert(run, &fresh);
        let refused = &self.odometer.refused;
        let refused = fresh.iter().filter(|raw| refused.contains(&(run, raw.seq)));
        change
            .refused
            .extend(refused.map(|raw| RefusedSample { seq: raw.seq, refusal: impossible_speed() }));
        change
    }

    /// The client no longer has these samples.
    pub fn skip(&mut self, run: RunId, from_seq: u32, to_seq: u32) {
        if from_seq >= 1 && from_seq <= to_seq {
            let run = self.runs.entry(run).or_default();
            run.skipped |= !run.received.covers(from_seq, to_seq);
            run.received.insert(from_seq, to_seq);
        }
    }

    /// How far a run is durable.
    #[must_use]
    pub fn durable(&self, run: RunId) -> Durable {
        /// Stretches named beyond the first; a client that has more holes sends a little twice.
        const BEYOND_MAX: usize = 8;
        let stretches: &[(u32, u32)] = self.runs.get(&run).map_or(&[], |run| &run.received.0);
        let (through_seq, rest) = match stretches.split_first() {
            Some((&(1, last), rest)) => (last, rest),
            _ => (0, stretches),
        };
        Durable { run, through_seq, beyond: rest.iter().copied().take(BEYOND_MAX).collect() }
    }

    /// All points, in the order they were rowed.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// Whether samples are missing: given up by the client, or not arrived yet.
    #[must_use]
    pub fn has_gaps(&self) -> bool {
        self.runs.values().any(|run| run.skipped || run.received.0.len() > 1)
    }

    /// Whether the machine tells its stroke count.
    #[must_use]
    pub fn counts_strokes(&self) -> bool {
        self.counts_strokes
    }

    fn insert(&mut self, id: RunId, fresh: &[Raw]) -> Changed {
        let at_end = self.order.last().is_none_or(|last| *last == id)
            && self
                .runs
                .get(&id)
                .and_then(|run| run.samples.last())
                .is_none_or(|last| fresh.first().is_some_and(|first| first.seq > last.seq));
        let new_run = !self.order.contains(&id);
        let run = self.runs.entry(id).or_default();
        run.samples.extend_from_slice(fresh);
        if at_end && (!new_run || self.order.is_empty()) {
            if new_run {
                self.order.push(id);
            }
            let grown_from = self.points.len();
            for raw in fresh {
                if self.odometer.step(id, raw, &mut self.points) == Step::Again {
                    self.rebuild();
                    return Changed::Rebuilt;
                }
            }
            return Changed::Grown(grown_from);
        }
        run.samples.sort_unstable_by_key(|raw| raw.seq);
        self.rebuild();
        Changed::Rebuilt
    }

    fn rebuild(&mut self) {
        // Runs stand in the order in which their first samples were heard.
        let mut order: Vec<(u64, RunId)> = self
            .runs
            .iter()
            .filter_map(|(id, run)| run.samples.first().map(|first| (first.heard, *id)))
            .collect();
        order.sort_unstable();
        self.order = order.into_iter().map(|(_, id)| id).collect();
        // A jump is known only some samples after it; all are found again from the start each time, so
        // that what is known depends on the samples alone.
        self.odometer.jumps.clear();
        loop {
            self.points.clear();
            self.odometer.start_over();
            if self.fold() {
                return;
            }
        }
    }

    /// Folds all samples; false when a jump was found and all is to be folded again.
    fn fold(&mut self) -> bool {
        for id in &self.order {
            let samples = self.runs.get(id).map_or(&[][..], |run| &run.samples);
            for raw in samples {
                if self.odometer.step(*id, raw, &mut self.points) == Step::Again {
                    return false;
                }
            }
        }
        true
    }
}

/// One recording by one device.
#[derive(Clone, Debug, Default, PartialEq)]
struct Run {
    received: Stretches,
    /// Sorted by number; values believed one by one, speeds not yet judged.
    samples: Vec<Raw>,
    skipped: bool,
}

/// Numbers that are there, as sorted stretches that do not touch.
#[derive(Clone, Debug, Default, PartialEq)]
struct Stretches(Vec<(u32, u32)>);

impl Stretches {
    fn contains(&self, number: u32) -> bool {
        self.covers(number, number)
    }

    fn covers(&self, from: u32, to: u32) -> bool {
        let after = self.0.partition_point(|(first, _)| *first <= from);
        after.checked_sub(1).and_then(|at| self.0.get(at)).is_some_and(|(_, last)| *last >= to)
    }

    fn insert(&mut self, from: u32, to: u32) {
        // The usual case: one more behind the last.
        if let Some((first, last)) = self.0.last_mut()
            && *first <= from
            && from <= last.saturating_add(1)
        {
            *last = (*last).max(to);
            return;
        }
        let begin = self.0.partition_point(|(_, last)| last.saturating_add(1) < from);
        let end = self.0.partition_point(|(first, _)| *first <= to.saturating_add(1));
        let touched = self.0.get(begin..end).unwrap_or(&[]);
        let first = touched.first().map_or(from, |(first, _)| *first.min(&from));
        let last = touched.last().map_or(to, |(_, last)| *last.max(&to));
        self.0.splice(begin..end.max(begin), [(first, last)]);
    }
}

/// Judges each value of a sample by itself. A sample without a believable number, time or distance is
/// refused whole; of another impossible value only the value.
fn believed(now: At, sample: &Sample) -> (Option<Raw>, Vec<Refusal>) {
    let mut refusals = Vec::new();
    let mut refuse = |why, says: String| refusals.push(Refusal { why, says });
    if sample.seq == 0 {
        refuse(Why::OutOfRange, "Samples are numbered from 1.".into());
        return (None, refusals);
    }
    let latest = now.0.saturating_add(AHEAD_MAX_MS);
    let heard = match u64::try_from(sample.heard_ms) {
        Ok(heard) if heard <= latest => heard,
        Ok(_) | Err(_) => {
            refuse(
                Why::WrongTime,
                "heard_ms is far from the session's clock; ask for the clock again.".into(),
            );
            return (None, refusals);
        }
    };
    let Ok(dm) = u32::try_from(sample.distance_dm) else {
        refuse(Why::Impossible, "distance_dm must be a counter from 0 up to 4294967295.".into());
        return (None, refusals);
    };
    let mut within = |value: Option<i64>, most: i64, says: &str| {
        let value = value?;
        let fits = u32::try_from(value).ok().filter(|_| value <= most);
        if fits.is_none() {
            refuse(Why::Impossible, says.to_owned());
        }
        fits
    };
    let elapsed = within(
        sample.elapsed_ms,
        i64::from(u32::MAX),
        "elapsed_ms must be a counter from 0 up to 4294967295.",
    );
    let strokes = within(sample.strokes, 4_000_000, "strokes must be a counter from 0 up.");
    let rate = within(
        sample.rate_half_spm,
        i64::from(limits::RATE_MAX_HALF_SPM),
        "Nobody rows more than 70 strokes a minute; the rate was left out.",
    );
    let _ = within(
        sample.power_w,
        i64::from(limits::POWER_MAX_W),
        "Nobody holds more than 2,050 W over a stroke; the power was left out.",
    );
    let rate = rate.and_then(|rate| u16::try_from(rate).ok()).unwrap_or(0);
    (Some(Raw { seq: sample.seq, heard, dm, elapsed, strokes, rate }), refusals)
}

fn impossible_speed() -> Refusal {
    Refusal {
        why: Why::Impossible,
        says: "Nobody rows faster than 9 m/s over a stroke; this distance was left out.".into(),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use uuid::Uuid;

    use super::*;

    const NOW: At = At(10_000_000);

    fn run(number: u128) -> RunId {
        RunId(Uuid::from_u128(number))
    }

    /// One stroke every two seconds.
    fn stroke(seq: u32, heard_ms: i64, distance_dm: i64) -> Sample {
        Sample { seq, heard_ms, distance_dm, elapsed_ms: Some(heard_ms), ..Sample::default() }
    }

    fn joined(recording: &Recording) -> Vec<u32> {
        recording.points().iter().map(|point| point.dm).collect()
    }

    #[test]
    fn a_machine_that_was_reset_is_joined_up() {
        let mut recording = Recording::default();
        let strokes = [stroke(1, 2_000, 80), stroke(2, 4_000, 160), stroke(3, 6_000, 240)];
        recording.add(NOW, run(1), &strokes);
        let mut again = stroke(4, 9_000, 70);
        again.elapsed_ms = Some(2_000);
        recording.add(NOW, run(1), &[again]);
        assert_eq!(joined(&recording), [80, 160, 240, 310]);
        assert!(recording.points()[3].joined);
    }

    #[test]
    fn a_page_that_lost_its_samples_goes_on_under_a_new_run() {
        let mut recording = Recording::default();
        recording.add(NOW, run(9), &[stroke(1, 2_000, 80), stroke(2, 4_000, 160)]);
        recording.add(NOW, run(3), &[stroke(1, 8_000, 320)]);
        assert_eq!(joined(&recording), [80, 160, 320]);
    }

    #[test]
    fn an_impossible_stroke_is_refused_and_the_next_one_counts() {
        let mut recording = Recording::default();
        recording.add(NOW, run(1), &[stroke(1, 2_000, 80), stroke(2, 4_000, 160)]);
        let change = recording.add(NOW, run(1), &[stroke(3, 6_000, 9_000), stroke(4, 8_000, 320)]);
        let refused: Vec<u32> = change.refused.iter().map(|refused| refused.seq).collect();
        assert_eq!(refused, [3]);
        assert_eq!(joined(&recording), [80, 160, 320]);
        assert_eq!(
            recording.durable(run(1)).through_seq,
            4,
            "refused is acknowledged all the same"
        );
    }

    #[test]
    fn a_counter_that_jumped_for_good_is_joined_up_after_three_strokes() {
        let mut recording = Recording::default();
        recording.add(NOW, run(1), &[stroke(1, 2_000, 80), stroke(2, 4_000, 160)]);
        let jumped = [stroke(3, 6_000, 9_000), stroke(4, 8_000, 9_080), stroke(5, 10_000, 9_160)];
        for sample in jumped {
            recording.add(NOW, run(1), &[sample]);
        }
        assert_eq!(joined(&recording), [80, 160, 160, 240, 320]);
    }

    #[test]
    fn numbers_are_durable_through_the_first_hole_and_beyond_it() {
        let mut recording = Recording::default();
        recording.add(NOW, run(1), &[stroke(1, 2_000, 80), stroke(4, 8_000, 320)]);
        let durable = recording.durable(run(1));
        assert_eq!((durable.through_seq, durable.beyond), (1, vec![(4, 4)]));
        recording.skip(run(1), 2, 3);
        assert_eq!(recording.durable(run(1)).through_seq, 4);
        assert!(recording.has_gaps(), "given up is not the same as heard");
    }

    #[test]
    fn values_are_refused_one_by_one() {
        let mut recording = Recording::default();
        let odd = Sample { rate_half_spm: Some(150), power_w: Some(2_051), ..stroke(1, 2_000, 80) };
        let change = recording.add(NOW, run(1), &[odd]);
        assert_eq!(change.refused.len(), 2, "rate above 70 and power above 2,050 W");
        assert_eq!(joined(&recording), [80], "the distance stands");
        let change = recording.add(NOW, run(1), &[stroke(2, -5, 90), stroke(3, 4_000, -1)]);
        assert_eq!(change.refused.len(), 2);
        assert_eq!(joined(&recording), [80]);
    }

    /// Samples of one machine, with resets, pauses, glitches and a reload in the middle.
    fn machine() -> impl Strategy<Value = Vec<(RunId, Sample)>> {
        let step = (0i64..4_000, 0i64..150, 0u8..40);
        prop::collection::vec(step, 1..60).prop_map(|steps| {
            let (mut heard, mut distance, mut elapsed) = (1_000, 0, 0);
            let mut samples = Vec::new();
            let (mut id, mut seq) = (1, 0);
            for (gap, gain, oddity) in steps {
                heard += gap;
                elapsed += gap;
                distance += gain;
                let mut told = distance;
                match oddity {
                    0 => (distance, elapsed) = (gain, gap),
                    1 => told += 7_000,
                    2 => distance += 9_000,
                    3 => (id, seq) = (id + 1, 0),
                    _ => {}
                }
                seq += 1;
                let mut sample = stroke(seq, heard, told.max(0));
                sample.elapsed_ms = Some(elapsed);
                samples.push((run(id), sample));
            }
            samples
        })
    }

    proptest! {
        #[test]
        fn the_order_of_arrival_changes_nothing(
            samples in machine(),
            order in prop::collection::vec(any::<prop::sample::Index>(), 1..120),
        ) {
            let mut straight = Recording::default();
            for (run, sample) in &samples {
                straight.add(NOW, *run, &[*sample]);
            }
            // Some first, in any order and some of them twice, then all.
            let mut shuffled = Recording::default();
            for at in order {
                let (run, sample) = at.get(&samples);
                shuffled.add(NOW, *run, &[*sample]);
            }
            for (run, sample) in &samples {
                shuffled.add(NOW, *run, &[*sample]);
            }
            prop_assert_eq!(&straight, &shuffled);
            let falls = straight.points().windows(2).any(|pair| pair[1].dm < pair[0].dm);
            prop_assert!(!falls, "the odometer never runs back");
        }
    }
}
