//! The machine's own clock against the session's: they run alike while somebody rows, or the result says so.

use proptest::prelude::*;
use thole_piece::{
    recording::Recording,
    track::{Rule, Track},
};
use thole_protocol::{
    ids::RunId,
    sample::Sample,
    spec::{Extent, Repeat, RepeatStart, StartClock},
    standing::Mark,
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const GO: At = At(4_000_000);

/// What is heard of 200 m: milliseconds from the go on the session's clock, decimetres, the machine's clock.
fn apart(heard: impl IntoIterator<Item = (i64, i64, i64)>) -> Option<i64> {
    let sample = |(seq, (at, distance_dm, elapsed_ms)): (u32, (i64, i64, i64))| Sample {
        seq,
        heard_ms: GO.0.cast_signed() + at,
        distance_dm,
        elapsed_ms: Some(elapsed_ms),
        ..Sample::default()
    };
    let samples: Vec<Sample> = (1..).zip(heard).map(sample).collect();
    let mut recording = Recording::default();
    recording.add(At(10_000_000), RunId(Uuid::nil()), &samples);
    let work = Extent::Distance { distance_dm: Decimetres(2_000) };
    let repeats = [Repeat { work, rest_ms: Millis(0) }];
    let (clock, repeat_start) = (StartClock::CommonGo, RepeatStart::CommonSignal);
    let rule = Rule { repeats: &repeats, clock, repeat_start, starts: &[GO], until: None };
    let mut track = Track::default();
    track.advance(0, &recording.points(), rule, |_, _| {});
    let marked = track.marks().any(|mark| mark == Mark::ClocksApart);
    assert_eq!(marked, track.clocks_apart_ms().is_some());
    track.clocks_apart_ms()
}

/// A stroke of 9.6 m every 2.4 s, as the machine tells it.
fn strokes() -> impl Iterator<Item = (i64, i64, i64)> {
    (0..30).map(|nth| (2_400 * nth, 96 * nth, 2_400 * nth))
}

#[test]
fn a_session_s_clock_that_falls_back_or_leaps_marks_what_it_bends() {
    let shifted = |shift: i64| {
        strokes().map(move |(at, dm, ms)| (if at > 20_000 { at + shift } else { at }, dm, ms))
    };
    assert_eq!(apart(strokes()), None);
    assert_eq!(apart(shifted(-900)), None);
    assert!(apart(shifted(-7_400)).is_some_and(|apart| apart < -1_000));
    assert!(apart(shifted(-3_600_000)).is_some_and(|apart| apart < -1_000));
    assert!(apart(shifted(1_500)).is_some_and(|apart| apart == 1_500));
}

#[test]
fn a_session_s_clock_that_runs_faster_marks_what_it_bends() {
    assert!(apart(strokes().map(|(at, dm, ms)| (at * 21 / 20, dm, ms))).is_some_and(|a| a > 1_000));
}

#[test]
fn a_machine_s_clock_that_stands_still_while_nobody_rows_is_none_the_worse() {
    // Twice half a minute of rest in mid-piece, once reported every second, and once not at all.
    let rests = |at: i64| 30_000 * i64::from(at > 12_000) + 30_000 * i64::from(at > 36_000);
    let silent: Vec<_> = strokes().map(|(at, dm, ms)| (at + rests(at), dm, ms)).collect();
    assert_eq!(apart(silent.clone()), None);
    let still = (1..29).map(|second| (12_000 + 1_000 * second, 480, 12_000 + 300.min(second)));
    let mut told: Vec<_> = silent.into_iter().chain(still).collect();
    told.sort_unstable();
    assert_eq!(apart(told), None);
}

proptest! {
    #[test]
    fn reports_that_are_late_and_clocks_of_whole_seconds_are_no_clocks_that_differ(
        late in prop::collection::vec(prop_oneof![4 => 0i64..150, 1 => 0i64..900], 30),
        spacing in 1_000i64..3_900,
        whole in any::<bool>(),
    ) {
        let told = (0..30).zip(late).map(|(nth, late)| {
            let at = spacing * nth;
            (at + late, spacing * nth / 250, if whole { at / 1_000 * 1_000 } else { at })
        });
        prop_assert_eq!(apart(told), None);
    }
}
