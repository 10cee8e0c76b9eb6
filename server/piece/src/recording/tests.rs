//! Samples in any order, and what is kept at hand of them.

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

/// As in a fold over all samples with everything at hand, whatever is dropped on the way.
fn all(recording: &Recording) -> Vec<Point> {
    let points = recording.points().into_owned();
    assert!(points.ends_with(recording.recent()), "what is at hand is the end of all");
    points
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

/// The first phone's battery is low: another one is linked to the same machine for a while.
#[test]
fn who_changes_the_phone_and_comes_back_to_the_first_rows_on() {
    let strokes = |seqs: std::ops::RangeInclusive<u32>, before: i64| {
        let stroke = move |seq| {
            let nth = i64::from(seq) + before;
            stroke(seq, 2_000 * nth, 80 * nth)
        };
        seqs.map(stroke).collect::<Vec<_>>()
    };
    let mut recording = Recording::default();
    recording.add(NOW, run(7), &strokes(1..=10, 0));
    recording.add(NOW, run(2), &strokes(1..=10, 10));
    recording.add(NOW, run(7), &strokes(11..=20, 10));
    let expected: Vec<u32> = (1..=30).map(|nth| 80 * nth).collect();
    assert_eq!(joined(&recording), expected);
    // What the second had not sent yet comes last.
    let mut later = Recording::default();
    later.add(NOW, run(7), &strokes(1..=10, 0));
    later.add(NOW, run(2), &strokes(1..=4, 10));
    later.add(NOW, run(7), &strokes(11..=20, 10));
    later.add(NOW, run(2), &strokes(5..=10, 10));
    assert_eq!(joined(&later), expected);
}

/// Reports of one machine every two seconds from `from` on: what it shows after this many of them.
fn reports(
    seqs: std::ops::RangeInclusive<u32>,
    from: i64,
    shows: impl Fn(i64) -> i64,
) -> Vec<Sample> {
    let report = |seq| {
        let nth = i64::from(seq);
        let heard_ms = from + 2_000 * nth;
        Sample { seq, heard_ms, distance_dm: shows(nth), ..Sample::default() }
    };
    seqs.map(report).collect()
}

fn with_clock(samples: &[Sample]) -> Vec<Sample> {
    samples.iter().map(|s| Sample { elapsed_ms: Some(s.heard_ms), ..*s }).collect()
}

/// A second phone is linked to the machine next to it, where nobody rows, or a bridge hears them both.
#[test]
fn an_idle_machine_beside_takes_nothing_away() {
    let rowing = reports(1..=100, 0, |nth| 80 * nth);
    for shows in [0, 3, 900, 4_000, 50_000] {
        for (from, count) in [(-1_000, 100), (101_000, 50), (101_000, 1), (101_000, 2)] {
            let idle = reports(1..=count, from, |_| shows);
            for clocks in [false, true] {
                let both = [&rowing, &idle].map(|s| if clocks { with_clock(s) } else { s.clone() });
                let mut recording = Recording::default();
                recording.add(NOW, run(1), &both[0]);
                recording.add(NOW, run(2), &both[1]);
                // The odometer begins at what was shown first.
                let first = if from < 0 { shows } else { 0 };
                let most = u32::try_from(8_000 + first).unwrap();
                let rowed = joined(&recording).last().copied().unwrap();
                assert!(
                    (most - 320..=most).contains(&rowed),
                    "{rowed} dm beside {shows} from {from}, {count} reports, clocks: {clocks}"
                );
            }
        }
    }
}

/// Somebody switches machines twice, and both are heard all the time.
#[test]
fn who_rows_at_two_machines_in_turns_rows_what_both_have_counted() {
    let turns = |first: bool| {
        // Ten seconds of changing from one to the other.
        move |nth: i64| {
            (1..=nth).filter(|nth| (nth / 25 % 2 == 0) == first && nth % 25 >= 5).map(|_| 80).sum()
        }
    };
    let mut recording = Recording::default();
    recording.add(NOW, run(1), &reports(1..=150, 0, turns(true)));
    recording.add(NOW, run(2), &reports(1..=150, 700, turns(false)));
    assert_eq!(joined(&recording).last(), Some(&(80 * 20 * 6)));
}

/// A friend rows at the machine next to it, for the same athlete.
#[test]
fn two_machines_rowed_at_once_count_once() {
    for from in [700, 1_000, 1_990] {
        let mut recording = Recording::default();
        recording.add(NOW, run(1), &reports(1..=100, 0, |nth| 80 * nth));
        recording.add(NOW, run(2), &reports(1..=100, from, |nth| 70 * nth));
        let rowed = joined(&recording).last().copied().unwrap();
        assert!((7_900..=8_100).contains(&rowed), "{rowed} dm");
    }
}

/// Reports of the machine being rowed that are seconds apart, with an idle one heard in between, are not too fast; nor
/// does anything missing between them get lost.
#[test]
fn a_machine_that_reports_seldom_is_not_judged_by_the_one_beside() {
    for (every, idle_every) in [(4_000, 250), (3_500, 1_000), (1_400, 3_000), (2_200, 800)] {
        let told = |seqs: std::ops::RangeInclusive<i64>, every: i64, speed: i64| -> Vec<Sample> {
            seqs.map(|nth| Sample {
                seq: u32::try_from(nth).unwrap(),
                heard_ms: every * nth,
                distance_dm: every * nth * speed / 1_000,
                ..Sample::default()
            })
            .collect()
        };
        let mut rowing = told(0..=60, every, 50);
        rowing.drain(30..34);
        rowing.iter_mut().for_each(|sample| sample.seq += 1);
        let mut idle = told(1..=60 * every / idle_every, idle_every, 0);
        idle.iter_mut().for_each(|sample| sample.heard_ms -= 90);
        let mut alone = Recording::default();
        alone.add(NOW, run(1), &rowing);
        let mut both = Recording::default();
        both.add(NOW, run(1), &rowing);
        both.add(NOW, run(2), &idle);
        let rowed = |recording: &Recording| {
            recording
                .points()
                .iter()
                .map(|p| (p.heard, p.dm))
                .filter(|p| p.1 > 50)
                .collect::<Vec<_>>()
        };
        // No point of the idle machine stands between two of the rowed one, which would make a finish seem
        // sure.
        assert_eq!(rowed(&both), rowed(&alone), "every {every} ms beside {idle_every} ms");
    }
}

/// One display in whole metres and one in tenths at the same machine.
#[test]
fn what_is_rounded_by_one_of_two_devices_is_not_added_up() {
    let mut recording = Recording::default();
    recording.add(NOW, run(1), &reports(1..=900, 0, |nth| 83 * nth));
    recording.add(NOW, run(2), &reports(1..=900, 900, |nth| (83 * nth + 37) / 10 * 10));
    recording.add(NOW, run(3), &reports(1..=900, 1_300, |nth| (83 * nth + 54) / 10 * 10));
    let rowed = joined(&recording).last().copied().unwrap();
    assert!((74_700..=74_760).contains(&rowed), "{rowed} dm");
}

/// A device sends one report from the future, by whatever mistake.
#[test]
fn one_wrong_instant_does_not_take_the_rest_along() {
    let right = reports(1..=60, 0, |nth| 80 * nth);
    for (at, by_ms) in [(20, 250_000), (20, 3_000_000), (0, 100_000), (58, 90_000)] {
        let mut wrong = right.clone();
        wrong[at].heard_ms += by_ms;
        let mut one_by_one = Recording::default();
        for sample in &wrong {
            one_by_one.add(NOW, run(1), &[*sample]);
        }
        let mut at_once = Recording::default();
        at_once.add(NOW, run(1), &wrong);
        assert_eq!(all(&one_by_one), all(&at_once));
        let heard: Vec<u64> = at_once.points().iter().map(|p| p.heard).collect();
        assert_eq!(joined(&at_once).len(), 60);
        let late = heard
            .iter()
            .zip(&right)
            .filter(|(heard, said)| **heard > 2_000 + said.heard_ms.unsigned_abs());
        // The last but one cannot be told from a clock that was set.
        assert_eq!(late.count(), if at == 58 { 2 } else { 0 }, "sample {at} by {by_ms} ms");
    }
}

/// Otherwise a piece of an hour would be recomputed with every stroke, and everybody else rowing in it would
/// wait.
#[test]
fn two_devices_at_one_machine_that_take_turns_only_add() {
    let mut recording = Recording::default();
    for (nth, device) in (0..40).zip([7, 2].into_iter().cycle()) {
        let seq = u32::try_from(nth / 2 + 1).unwrap();
        let sample = stroke(seq, 2_000 + 1_000 * nth, 40 * nth);
        let changed = recording.add(NOW, run(device), &[sample]).points;
        assert!(matches!(changed, Changed::Grown(_)), "{nth}: {changed:?}");
    }
    // What was heard between two that are here belongs between them.
    let between = recording.add(NOW, run(5), &[stroke(1, 9_500, 300)]).points;
    assert_eq!(between, Changed::Rebuilt);
}

#[test]
fn an_impossible_stroke_is_refused_and_the_next_one_counts() {
    let mut recording = Recording::default();
    recording.add(NOW, run(1), &[stroke(1, 2_000, 80), stroke(2, 4_000, 160)]);
    let change = recording.add(NOW, run(1), &[stroke(3, 6_000, 9_000), stroke(4, 8_000, 320)]);
    let refused: Vec<u32> = change.refused.iter().map(|refused| refused.seq).collect();
    assert_eq!(refused, [3]);
    assert_eq!(joined(&recording), [80, 160, 320]);
    assert_eq!(recording.durable(run(1)).through_seq, 4, "refused is acknowledged all the same");
}

#[test]
fn a_jump_among_many_reports_a_second_is_impossible_too() {
    let mut recording = Recording::default();
    let strokes = (1..=400).map(|seq| stroke(seq, 2_000 * i64::from(seq), 80 * i64::from(seq)));
    recording.add(NOW, run(1), &strokes.collect::<Vec<_>>());
    let burst = (1..=20).map(|nth| stroke(400 + nth, 800_000 + 50 * i64::from(nth), 32_000));
    recording.add(NOW, run(1), &burst.collect::<Vec<_>>());
    let change = recording.add(NOW, run(1), &[stroke(421, 801_050, 35_000)]);
    assert_eq!(change.refused.len(), 1, "three hundred metres within a second");
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

/// Two devices at one machine, each with a jump: going back for the one passes the first odd sample of the other.
#[test]
fn counters_that_jump_in_turns_are_joined_both() {
    let told = [
        (0, 17, 25_720, 1_053, 2_989),
        (0, 18, 29_528, 140, 6_797),
        (1, 21, 137_274, 3_927, 114_543),
        (1, 22, 138_414, 11_056, 115_683),
        (1, 23, 140_124, 4_099, 117_393),
        (1, 24, 140_251, 4_156, 117_520),
        (0, 46, 162_696, 5_168, 139_965),
        (0, 47, 162_782, 12_262, 140_051),
        (1, 25, 166_054, 5_301, 143_323),
        (0, 48, 307_661, 20_773, 79_626),
        (0, 49, 310_837, 20_853, 82_802),
    ];
    let mut recording = Recording::default();
    for (device, seq, heard_ms, distance_dm, elapsed_ms) in told {
        let sample = Sample {
            seq,
            heard_ms,
            distance_dm,
            elapsed_ms: Some(elapsed_ms),
            ..Sample::default()
        };
        recording.add(NOW, run(device), &[sample]);
    }
    let found = recording.odometer.jumps.clone();
    assert_eq!(found, BTreeSet::from([(run(0), 47), (run(1), 23)]));
    let refused = recording.odometer.refused.clone();
    assert!(!refused.contains(&(run(1), 23)), "joined, once it is known to be a jump: {refused:?}");
    let mut odometer = recording.odometer.clone();
    odometer.start_over();
    let mut known = Vec::new();
    fold(&recording.runs, &recording.order, &mut odometer, &mut known);
    assert_eq!(
        known,
        recording.points().into_owned(),
        "as if the jumps had been known from the start"
    );
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

/// Samples of one machine, with resets, pauses, glitches, and changes of device.
fn machine() -> impl Strategy<Value = Vec<(RunId, Sample)>> {
    let step = (0i64..4_000, 0i64..150, 0u8..40);
    prop::collection::vec(step, 1..260).prop_map(|steps| {
        let (mut heard, mut distance, mut elapsed) = (1_000, 0, 0);
        let mut samples = Vec::new();
        // The numbers of up to four devices, each of which continues when it is used again.
        let (mut id, mut seqs) = (0_usize, [0; 4]);
        for (gap, gain, oddity) in steps {
            heard += gap;
            elapsed += gap;
            distance += gain;
            let mut told = distance;
            match oddity {
                0 => (distance, elapsed) = (gain, gap),
                1 => told += 7_000,
                2 => distance += 9_000,
                3 => id = (id + 1) % seqs.len(),
                _ => {}
            }
            seqs[id] += 1;
            let mut sample = stroke(seqs[id], heard, told.max(0));
            sample.elapsed_ms = Some(elapsed);
            samples.push((run(id as u128), sample));
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
        prop_assert_eq!(all(&straight), all(&shuffled));
        prop_assert_eq!(straight.has_gaps(), shuffled.has_gaps());
        let falls = straight.points().windows(2).any(|pair| pair[1].dm < pair[0].dm);
        prop_assert!(!falls, "the odometer never runs back");
    }

    #[test]
    fn what_is_let_go_of_can_be_asked_for(samples in machine(), since in 0u64..900_000) {
        let mut recording = Recording::default();
        // Every point as it came, with nothing dropped.
        let mut seen: Vec<Point> = Vec::new();
        for (run, sample) in &samples {
            match recording.add(NOW, *run, &[*sample]).points {
                Changed::Nothing => {}
                Changed::Rebuilt => seen = all(&recording),
                Changed::Grown(from) => {
                    prop_assert_eq!(from, seen.len());
                    let behind = recording.older + recording.recent().len() - seen.len();
                    let at = recording.recent().len() - behind;
                    seen.extend_from_slice(&recording.recent()[at..]);
                }
            }
        }
        prop_assert_eq!(&all(&recording), &seen);
        // What is told about now looks back a minute, and a little further.
        let newest = seen.last().map_or(0, |point| point.heard);
        prop_assert!(seen[..recording.older].iter().all(|point| point.heard + 90_000 < newest));
        prop_assert!(recording.recent().len() >= seen.len().min(32));
        let strokes = |points: &[Point]| points.last().map_or(0, |point| point.strokes_milli);
        let until = &seen[..seen.partition_point(|point| point.heard <= since)];
        let before = if until.is_empty() { strokes(&seen[..seen.len().min(1)]) } else { strokes(until) };
        prop_assert_eq!(recording.strokes_since(since), strokes(&seen) - before);
        let from = usize::try_from(since).unwrap() % (seen.len() + 2);
        let (first, points) = recording.points_from(from);
        prop_assert!(first <= from);
        prop_assert_eq!(&points[..], &seen[first..]);
    }
}
