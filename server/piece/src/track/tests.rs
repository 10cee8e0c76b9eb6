//! The way through a piece, from recordings of a few rows.

use proptest::prelude::*;
use thole_protocol::{ids::RunId, sample::Sample, units::Millis};
use uuid::Uuid;

use super::*;
use crate::recording::{Changed, Recording};

fn distance(dm: u32, rest: u32) -> Repeat {
    let work = Extent::Distance { distance_dm: thole_protocol::units::Decimetres(dm) };
    Repeat { work, rest_ms: Millis(rest) }
}

fn time(ms: u32, rest: u32) -> Repeat {
    Repeat { work: Extent::Time { time_ms: Millis(ms) }, rest_ms: Millis(rest) }
}

fn rule<'a>(repeats: &'a [Repeat], starts: &'a [At]) -> Rule<'a> {
    let (clock, repeat_start) = (StartClock::CommonGo, RepeatStart::CommonSignal);
    Rule { repeats, clock, repeat_start, starts, until: None }
}

/// (heard, distance) from a machine that does not report its own clock.
fn recording(samples: &[(i64, i64)]) -> Recording {
    let mut recording = Recording::default();
    for (seq, (heard_ms, distance_dm)) in (1..).zip(samples) {
        let (heard_ms, distance_dm) = (*heard_ms, *distance_dm);
        let sample = Sample { seq, heard_ms, distance_dm, ..Sample::default() };
        recording.add(At(1_000_000), RunId(Uuid::nil()), &[sample]);
    }
    recording
}

fn track(recording: &Recording, rule: Rule<'_>) -> (Track, Vec<Row>) {
    let (mut track, mut rows) = (Track::default(), Vec::new());
    track.advance(0, &recording.points(), rule, |row, _| rows.push(row));
    (track, rows)
}

const LATER: At = At(10_000_000);

#[test]
fn the_crossing_lies_between_two_strokes_and_says_how_sure_it_is() {
    let repeats = [distance(1_700, 0)];
    let starts = [At(10_000)];
    // 8 m a stroke from the machine's own 3,000 dm; the 170 m mark lies a quarter into the last stroke.
    let mut samples = vec![(9_000, 3_000)];
    samples.extend((1..=22).map(|stroke| (10_000 + stroke * 2_000, 3_000 + stroke * 80)));
    let recording = recording(&samples);
    let (track, _) = track(&recording, rule(&repeats, &starts));
    let finish = track.finish(rule(&repeats, &starts), LATER).unwrap();
    assert_eq!((finish.ms, finish.dm, finish.sure_ms), (42_500.0, 1_700.0, 1_000.0));
    let splits = track.splits(Some(finish));
    assert_eq!(splits.iter().map(|split| split.time_ms.0).sum::<u32>(), 42_500);
    assert_eq!(splits.iter().map(|split| split.distance_dm.0).sum::<u32>(), 1_700);
    assert_eq!(splits.len(), 4);
}

#[test]
fn metres_before_the_go_count_for_nothing() {
    let repeats = [distance(1_000, 0)];
    let starts = [At(10_000)];
    // Paddling at 4 m/s across the go: half of the stroke from 9 s to 11 s comes after it.
    let samples: Vec<_> = (0..30).map(|stroke| (5_000 + stroke * 2_000, stroke * 80)).collect();
    let (track, rows) = track(&recording(&samples), rule(&repeats, &starts));
    assert_eq!(rows.first().map(|row| (row.ms, row.dm)), Some((1_000.0, 40.0)));
    let finish = track.finish(rule(&repeats, &starts), LATER).unwrap();
    assert_eq!(finish.ms, 25_000.0);
}

#[test]
fn rests_are_cut_out_whatever_the_machine_counts_in_them() {
    let repeats = [distance(400, 30_000), distance(400, 0)];
    let starts = [At(0), At(40_000)];
    let mut samples = vec![(0, 0)];
    samples.extend((1..=5).map(|stroke| (stroke * 2_000, stroke * 80)));
    // The rest: 10 m of paddling, then the second repeat from a standstill.
    samples.extend([(20_000, 450), (30_000, 500), (39_500, 500)]);
    samples.extend((1..=5).map(|stroke| (40_000 + stroke * 2_000, 500 + stroke * 80)));
    let (track, _) = track(&recording(&samples), rule(&repeats, &starts));
    let finish = track.finish(rule(&repeats, &starts), LATER).unwrap();
    assert_eq!((finish.ms, finish.dm), (20_000.0, 800.0));
}

#[test]
fn a_time_piece_ends_between_two_strokes() {
    let repeats = [time(15_000, 0)];
    let starts = [At(1_000)];
    let mut samples = vec![(500, 0)];
    samples.extend((1..=9).map(|stroke| (1_000 + stroke * 2_000, stroke * 90)));
    let (track, _) = track(&recording(&samples), rule(&repeats, &starts));
    let finish = track.finish(rule(&repeats, &starts), LATER).unwrap();
    assert_eq!((finish.ms, finish.dm, finish.sure_dm), (15_000.0, 675.0, 45.0));
}

#[test]
fn who_makes_no_stroke_after_the_end_of_a_time_piece_has_finished_all_the_same() {
    let repeats = [time(15_000, 0)];
    let starts = [At(1_000)];
    let mut samples = vec![(500, 0)];
    samples.extend((1..=7).map(|stroke| (1_000 + stroke * 2_000, stroke * 90)));
    let (track, _) = track(&recording(&samples), rule(&repeats, &starts));
    assert_eq!(track.finish(rule(&repeats, &starts), At(17_000)), None);
    let finish = track.finish(rule(&repeats, &starts), At(21_000)).unwrap();
    // Half of the stroke that the end cuts short, which nobody reports.
    assert_eq!(finish.dm, 675.0);
}

#[test]
fn the_own_clock_begins_with_the_own_first_stroke() {
    let repeats = [distance(800, 0)];
    let starts = [At(10_000)];
    let mut samples = vec![(9_000, 0), (17_000, 0)];
    samples.extend((1..=10).map(|stroke| (17_000 + stroke * 2_000, stroke * 80)));
    let own = Rule { clock: StartClock::OwnFirstStroke, ..rule(&repeats, &starts) };
    let recording = recording(&samples);
    let (mine, _) = track(&recording, own);
    assert_eq!(mine.finish(own, LATER).unwrap().ms, 20_000.0);
    let (common, _) = track(&recording, rule(&repeats, &starts));
    assert_eq!(common.finish(rule(&repeats, &starts), LATER).unwrap().ms, 27_000.0);
}

proptest! {
    /// However the samples are cut into batches, and whatever the recording drops in between.
    #[test]
    fn what_comes_bit_by_bit_is_what_comes_at_once(
        steps in prop::collection::vec((200i64..4_000, 0i64..130), 30..300),
        cuts in prop::collection::vec(1usize..90, 30),
        until in prop::option::of(0u64..400_000),
    ) {
        let repeats = [distance(2_000, 30_000), distance(2_000, 0)];
        let starts = [At(20_000), At(120_000)];
        let rule = Rule { until: until.map(At), ..rule(&repeats, &starts) };
        let (mut heard, mut dm, mut samples) = (1_000, 0, Vec::new());
        for (seq, (gap, gain)) in (1..).zip(steps) {
            (heard, dm) = (heard + gap, dm + gain);
            samples.push(Sample { seq, heard_ms: heard, distance_dm: dm, ..Sample::default() });
        }
        let mut recording = Recording::default();
        let (mut bit_by_bit, mut rows) = (Track::default(), Vec::new());
        let mut left = &samples[..];
        for cut in cuts {
            let (some, rest) = left.split_at(cut.min(left.len()));
            left = rest;
            if recording.add(At(10_000_000), RunId(Uuid::nil()), some).points == Changed::Rebuilt {
                (bit_by_bit, rows) = (Track::default(), Vec::new());
            }
            let (first, points) = recording.points_from(bit_by_bit.needs(rule));
            bit_by_bit.advance(first, &points, rule, |row, _| rows.push(row));
        }
        let (mut at_once, mut all_rows) = (Track::default(), Vec::new());
        at_once.advance(0, &recording.points(), rule, |row, _| all_rows.push(row));
        prop_assert_eq!(rows, all_rows);
        prop_assert_eq!(bit_by_bit, at_once);
    }
}
