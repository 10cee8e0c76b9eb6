//! The machine's counters: what its records say, as samples of one recording.
//!
//! The link may come and go in between; the machine counts on, and so does this. Nothing is reset to zero
//! here: the server finds the baseline and joins the parts when a machine was reset.

use thole_protocol::{
    limits,
    sample::Sample,
    units::{At, Millis},
};

use super::{Field, Rowed};

/// Nobody rows more strokes a minute; a counter that seems to have run faster was reset to zero.
const STROKES_A_MINUTE_MAX: i64 = 70;
/// A machine's clock against ours, per cent, at most.
const CLOCK_PERCENT_MAX: i64 = 102;
/// Allows for reports that came late or in whole numbers.
const SLACK: i64 = 5;
/// Where a 16-bit counter wraps.
const ROUND: i64 = 65_536;
/// Above these the server refuses a sample, distance and all; some machines say "unknown" with all ones.
const RATE_MAX_HALF_SPM: i32 = limits::RATE_MAX_HALF_SPM as i32;
const POWER_MAX_W: i32 = limits::POWER_MAX_W as i32;
/// A machine counts as silent after this.
const SILENT: Millis = Millis(900);
/// No radio stalls for this long without losing its link: a machine still silent then is standing still.
const SURELY_SILENT: Millis = Millis(8_000);

/// A 16-bit counter and how often it has wrapped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Wheel {
    shows: i64,
    rounds: i64,
}

impl Wheel {
    /// A counter that shows less than before has wrapped, if that takes it no further than could be rowed.
    fn turned(before: Option<Wheel>, shows: i64, most: i64) -> Wheel {
        match before {
            Some(before) if shows >= before.shows => Wheel { shows, ..before },
            Some(before) if shows + ROUND - before.shows <= most => {
                Wheel { shows, rounds: before.rounds + 1 }
            }
            Some(_) | None => Wheel { shows, rounds: 0 },
        }
    }

    fn total(self) -> i64 {
        self.rounds * ROUND + self.shows
    }
}

/// What a machine has said so far: the newest value of each field.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    distance_m: Option<i32>,
    elapsed: Option<Wheel>,
    strokes: Option<Wheel>,
    rate_half_spm: Option<i32>,
    power_w: Option<i32>,
    heard: At,
    /// The distance changed between the last two records.
    moves: bool,
    /// Something has been said since the link was made.
    fresh: bool,
}

impl Counters {
    /// Takes in one record. Each one with a distance gives a sample; machines that send their fields in turns
    /// lose nothing, since the newest value of every other field goes with it. The machine's own clock goes
    /// along only when it is from the same record.
    pub fn take(&mut self, record: &Rowed, at: At) -> Option<Sample> {
        let number = |field: Field| record.get(&field).copied();
        let distance = number(Field::DistanceM);
        if let (Some(now), Some(before)) = (distance, self.distance_m)
            && now < before
        {
            // Reset to zero.
            (self.elapsed, self.strokes) = (None, None);
        }
        let passed = i64::from(at.since(self.heard).0);
        if let Some(elapsed) = number(Field::ElapsedS) {
            let most = passed * CLOCK_PERCENT_MAX / 100_000 + SLACK;
            self.elapsed = Some(Wheel::turned(self.elapsed, elapsed.into(), most));
        }
        if let Some(strokes) = number(Field::Strokes) {
            let most = passed * STROKES_A_MINUTE_MAX / 60_000 + SLACK;
            self.strokes = Some(Wheel::turned(self.strokes, strokes.into(), most));
        }
        for (field, kept, most) in [
            (Field::RateHalfSpm, &mut self.rate_half_spm, RATE_MAX_HALF_SPM),
            (Field::PowerW, &mut self.power_w, POWER_MAX_W),
        ] {
            if let Some(now) = number(field) {
                *kept = (0..=most).contains(&now).then_some(now);
            }
        }
        (self.heard, self.fresh) = (at, true);
        let now = distance?;
        self.moves = self.distance_m.is_some_and(|before| before != now);
        self.distance_m = Some(now);
        let elapsed = number(Field::ElapsedS).and(self.elapsed);
        Some(Sample {
            elapsed_ms: elapsed.map(|wheel| wheel.total() * 1_000),
            rate_half_spm: self.rate_half_spm.map(i64::from),
            power_w: self.power_w.map(i64::from),
            ..self.shown(at)?
        })
    }

    /// The link is lost: what the machine shows is unknown until it reports again.
    pub fn lost(&mut self) {
        self.fresh = false;
    }

    /// What a machine that has fallen silent still shows, as a sample of now: the server wants to hear it in
    /// the last second before the go, and some machines say nothing while nobody rows. `None` while somebody
    /// does, or before the first report.
    #[must_use]
    pub fn standing(&self, at: At) -> Option<Sample> {
        let silent = at.since(self.heard);
        let rests = silent >= if self.moves { SURELY_SILENT } else { SILENT };
        (self.fresh && rests).then(|| self.shown(at)).flatten()
    }

    fn shown(&self, at: At) -> Option<Sample> {
        Some(Sample {
            seq: 0,
            heard_ms: i64::try_from(at.0).unwrap_or(i64::MAX),
            distance_dm: i64::from(self.distance_m?) * 10,
            strokes: self.strokes.map(Wheel::total),
            ..Sample::default()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Takes records in, each with its instant in milliseconds.
    fn heard(records: &[(u64, &[(Field, i32)])]) -> (Counters, Vec<Option<Sample>>) {
        let mut counters = Counters::default();
        let take = |(at, record): &(u64, &[(Field, i32)])| {
            counters.take(&record.iter().copied().collect(), At(*at))
        };
        let samples = records.iter().map(take).collect();
        (counters, samples)
    }

    use Field::{DistanceM, ElapsedS, PowerW, RateHalfSpm, Strokes};

    #[test]
    fn counters_of_sixteen_bits_go_round_and_count_on() {
        let (_, samples) = heard(&[
            (0, &[(DistanceM, 9_000), (ElapsedS, 65_535), (Strokes, 65_534)]),
            (2_000, &[(DistanceM, 9_009), (ElapsedS, 1), (Strokes, 0)]),
        ]);
        let after = samples[1].unwrap();
        assert_eq!((after.distance_dm, after.heard_ms), (90_090, 2_000));
        assert_eq!((after.elapsed_ms, after.strokes), (Some(65_537_000), Some(65_536)));
    }

    #[test]
    fn a_machine_that_was_set_to_zero_is_not_taken_for_one_that_went_round() {
        let (_, samples) = heard(&[
            (0, &[(DistanceM, 1_400), (ElapsedS, 306), (Strokes, 131)]),
            (2_000, &[(DistanceM, 0), (ElapsedS, 0), (Strokes, 0)]),
        ]);
        assert_eq!(samples[1].map(|s| (s.elapsed_ms, s.strokes)), Some((Some(0), Some(0))));
        // Reset to zero while out of reach, and rowed further than before: the clock shows it.
        let (_, samples) = heard(&[
            (0, &[(DistanceM, 30), (ElapsedS, 40_000), (Strokes, 40_000)]),
            (20_000, &[(DistanceM, 61), (ElapsedS, 15), (Strokes, 7)]),
        ]);
        assert_eq!(samples[1].map(|s| (s.elapsed_ms, s.strokes)), Some((Some(15_000), Some(7))));
    }

    #[test]
    fn fields_sent_in_turns_come_together_and_unknown_ones_cost_nothing() {
        let (_, samples) = heard(&[
            (0, &[(Strokes, 5), (RateHalfSpm, 52), (PowerW, 144), (ElapsedS, 8)]),
            (500, &[(DistanceM, 31)]),
            (900, &[(DistanceM, 33), (RateHalfSpm, 255), (PowerW, -3)]),
        ]);
        assert_eq!(samples[0], None);
        let both = samples[1].unwrap();
        assert_eq!(
            (both.strokes, both.rate_half_spm, both.power_w),
            (Some(5), Some(52), Some(144))
        );
        assert_eq!(both.elapsed_ms, None);
        let odd = samples[2].unwrap();
        assert_eq!((odd.distance_dm, odd.rate_half_spm, odd.power_w), (330, None, None));
    }

    #[test]
    fn only_a_machine_at_rest_is_taken_to_show_what_it_said_last() {
        let shows = |counters: &Counters, at| counters.standing(At(at)).map(|s| s.distance_dm);
        assert_eq!(shows(&Counters::default(), 99_000), None);
        let (mut rests, _) = heard(&[(0, &[(DistanceM, 8)]), (1_000, &[(DistanceM, 8)])]);
        assert_eq!([1_500, 1_900, 2_900].map(|at| shows(&rests, at)), [None, Some(80), Some(80)]);
        let (moves, _) = heard(&[(0, &[(DistanceM, 4)]), (1_000, &[(DistanceM, 8)])]);
        assert_eq!([4_000, 9_000].map(|at| shows(&moves, at)), [None, Some(80)]);
        rests.lost();
        assert_eq!(shows(&rests, 30_000), None);
    }
}
