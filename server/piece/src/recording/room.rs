//! How much a device may have recorded: no more than somebody can row, however late it comes.

use thole_protocol::{
    ids::RunId,
    sample::{Durable, Sample},
    units::At,
};

use super::{Recording, stretches::Stretches};
use crate::limits::SAMPLES_A_SECOND;

/// Samples for each second of a recording's own time: machines send one a stroke, or one to four a second.
const A_SECOND: u64 = SAMPLES_A_SECOND as u64;
/// On top of that, for a machine that reports a lot at the beginning (our choice: two minutes of a slow one).
const SPARE: u64 = 400;
/// Recordings of one athlete: each time a device has lost what it had, a new one begins (our choice).
const RECORDINGS_MAX: u64 = 64;
/// Devices that record one athlete at the same time: one is being swapped for another.
const DEVICES: u64 = 2;
/// Nobody rows longer in one session, milliseconds.
const ROWED_MAX_MS: u64 = 24 * 3_600_000;
/// Holes between the numbers of a recording; each is stored separately (our choice: one a minute in a day's
/// rowing).
const HOLES_MAX: usize = 1_440;

/// What is to become of a batch, before it is written.
#[derive(Clone, Debug, PartialEq)]
pub enum Weighed {
    /// These are new.
    New(Vec<Sample>),
    /// All of it is here already, as durable as this says.
    Known(Durable),
    /// Nobody can have rowed that much.
    TooMuch,
}

impl Recording {
    /// What of a batch is new, and whether a device can have recorded it by `now`.
    #[must_use]
    pub fn weigh(&self, now: At, run: RunId, mut samples: Vec<Sample>) -> Weighed {
        let known = self.runs.get(&run);
        if let Some(known) = known {
            samples.retain(|sample| !known.received.contains(sample.seq));
        }
        // A number that occurs twice is written once.
        let mut seen = Stretches::default();
        samples.retain(|sample| {
            let is_new = sample.seq == 0 || !seen.contains(sample.seq);
            seen.insert(sample.seq, sample.seq);
            is_new
        });
        let Some(first) = samples.first() else { return Weighed::Known(self.durable(run)) };
        let heard = |sample: &Sample| u64::try_from(sample.heard_ms).unwrap_or(0).min(now.0);
        let (mut from, mut to) = (heard(first), heard(first));
        for at in samples.iter().map(heard) {
            (from, to) = (from.min(at), to.max(at));
        }
        if let Some(known) = known {
            from = known.samples.iter().next().map_or(from, |raw| raw.heard.min(from));
            to = known.samples.last().map_or(to, |raw| raw.heard.max(to));
        }
        let new = samples.len() as u64;
        let of_run = known.map_or(0, |known| known.taken) + new;
        let of_all = self.runs.values().map(|run| run.taken).sum::<u64>() + new;
        let runs = self.runs.len() as u64 + u64::from(known.is_none());
        let at_most = |ms: u64| (ms * A_SECOND).div_ceil(1_000);
        let fits = runs <= RECORDINGS_MAX
            && of_run <= SPARE + at_most(to - from)
            && of_all <= SPARE * runs + DEVICES * at_most(now.0.min(ROWED_MAX_MS));
        if fits { Weighed::New(samples) } else { Weighed::TooMuch }
    }

    /// The same for samples that a device has given up.
    #[must_use]
    pub fn weigh_skip(&self, run: RunId, (from_seq, to_seq): (u32, u32)) -> Weighed {
        match self.runs.get(&run) {
            Some(known) if known.received.covers(from_seq, to_seq) => {
                Weighed::Known(self.durable(run))
            }
            Some(known) if known.received.0.len() > HOLES_MAX => Weighed::TooMuch,
            None if self.runs.len() as u64 >= RECORDINGS_MAX => Weighed::TooMuch,
            Some(_) | None => Weighed::New(Vec::new()),
        }
    }
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;

    const HOUR: u32 = 3_600;

    fn run(number: u32) -> RunId {
        RunId(Uuid::from_u128(u128::from(number)))
    }

    fn sample(seq: u32, heard_ms: u32) -> Sample {
        Sample {
            seq,
            heard_ms: i64::from(heard_ms),
            distance_dm: i64::from(heard_ms / 25),
            ..Sample::default()
        }
    }

    /// Takes what fits; returns how many were taken and how many refused.
    fn takes(recording: &mut Recording, now: At, id: RunId, samples: &[Sample]) -> (usize, usize) {
        let (mut taken, mut refused) = (0, 0);
        for batch in samples.chunks(100) {
            match recording.weigh(now, id, batch.to_vec()) {
                Weighed::New(new) => {
                    taken += new.len();
                    recording.add(now, id, &new);
                }
                Weighed::Known(_) => {}
                Weighed::TooMuch => refused += batch.len(),
            }
        }
        (taken, refused)
    }

    #[test]
    fn an_hour_of_four_a_second_comes_late_and_all_at_once() {
        let mut recording = Recording::default();
        let hour: Vec<Sample> = (1..=4 * HOUR).map(|seq| sample(seq, 250 * seq)).collect();
        let now = At(u64::from(HOUR + 7) * 1_000);
        assert_eq!(takes(&mut recording, now, run(1), &hour), (hour.len(), 0));
        // And once more, as when its answers were lost: nothing of it is new.
        assert_eq!(takes(&mut recording, now, run(1), &hour), (0, 0));
        // Ten phones one after the other, and a page that was reopened ten times.
        for number in 2..=21 {
            let from = 1_000 * (HOUR + 180 * number);
            let three_minutes: Vec<Sample> =
                (1..=720).map(|seq| sample(seq, from + 250 * seq)).collect();
            let now = At(u64::from(from + 180_000));
            assert_eq!(takes(&mut recording, now, run(number), &three_minutes), (720, 0));
        }
    }

    #[test]
    fn a_stretch_of_the_machines_last_hour_alone_is_as_good() {
        let mut recording = Recording::default();
        assert_eq!(recording.weigh_skip(run(1), (1, 9_000)), Weighed::New(Vec::new()));
        recording.skip(run(1), 1, 9_000);
        let samples: Vec<Sample> =
            (1..=1_000).map(|nth| sample(9_000 + nth, 1_000 * HOUR + 250 * nth)).collect();
        let now = At(u64::from(HOUR + 300) * 1_000);
        assert_eq!(takes(&mut recording, now, run(1), &samples), (1_000, 0));
        assert_eq!(
            recording.weigh_skip(run(1), (1, 9_000)),
            Weighed::Known(recording.durable(run(1))),
            "said again"
        );
    }

    #[test]
    fn who_sends_full_batches_for_ever_is_given_four_a_second() {
        let now = At(60_000);
        // As if all in one instant, or spread over the whole minute, or with impossible values.
        for (every_ms, distance_dm) in [(0, 1), (1, 1), (1, -1)] {
            let mut recording = Recording::default();
            let flood: Vec<Sample> = (1..=20_000)
                .map(|seq| Sample { distance_dm, ..sample(seq, (every_ms * seq).min(60_000)) })
                .collect();
            let (taken, refused) = takes(&mut recording, now, run(1), &flood);
            assert!(taken <= 400 + 4 * 60 && refused > 19_000, "{taken} of {}", flood.len());
        }
    }

    #[test]
    fn who_begins_anew_for_ever_is_given_so_many_recordings() {
        let mut recording = Recording::default();
        let one = [sample(1, 5)];
        let taken: usize = (0..500).map(|no| takes(&mut recording, At(9), run(no), &one).0).sum();
        assert_eq!(taken, 64);
        assert_eq!(recording.weigh_skip(run(500), (1, 2)), Weighed::TooMuch);
    }

    #[test]
    fn many_recordings_of_one_hour_are_those_of_two_devices() {
        let mut recording = Recording::default();
        let hour: Vec<Sample> = (1..=4 * HOUR).map(|seq| sample(seq, 250 * seq)).collect();
        let now = At(u64::from(HOUR) * 1_000);
        let taken: usize = (1..=6).map(|no| takes(&mut recording, now, run(no), &hour).0).sum();
        assert!(taken <= 6 * 400 + 8 * 3_600, "{taken}");
    }

    #[test]
    fn numbers_that_are_none_are_counted_too() {
        let mut recording = Recording::default();
        let nought = vec![sample(0, 5); 2_000];
        let (taken, _) = takes(&mut recording, At(9), run(1), &nought);
        assert!(taken <= 500, "{taken}");
    }

    #[test]
    fn holes_come_to_an_end() {
        let mut recording = Recording::default();
        let skipped = (1..9_000).filter(|nth| {
            let stretch = (2 * nth, 2 * nth);
            let fits = recording.weigh_skip(run(1), stretch) != Weighed::TooMuch;
            if fits {
                recording.skip(run(1), stretch.0, stretch.1);
            }
            fits
        });
        assert_eq!(skipped.count(), HOLES_MAX + 1);
    }
}
