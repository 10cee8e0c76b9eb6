//! Numbers that are given up or make no sense, machines that are reset, and where a start is found.

use thole_piece::{
    recording::{Recording, Weighed},
    roster::Athlete,
    track::{Finish, Rule, Track},
};
use thole_protocol::{
    ids::RunId,
    sample::{Reading, Sample},
    spec::{Extent, Repeat, RepeatStart, StartClock},
    standing::Mark,
    units::{At, Bpm, Decimetres, Millis},
};

use super::gym::{GO, Gym, finish, metres, piece};

const NOW: At = At(10_000_000);

fn run() -> RunId {
    Gym::run(0)
}

fn sample(seq: u32, heard_ms: i64, distance_dm: i64) -> Sample {
    Sample { seq, heard_ms, distance_dm, ..Sample::default() }
}

#[test]
fn a_number_of_a_value_that_is_none_is_durable_and_no_number_is_not() {
    let mut recording = Recording::default();
    let refused = recording.add(NOW, run(), &[sample(0, 1_000, -1), sample(3, 1_000, -1)]).refused;
    assert_eq!(refused.len(), 2);
    let durable = recording.durable(run());
    assert_eq!((durable.through_seq, durable.beyond), (0, vec![(3, 3)]));
}

#[test]
fn numbers_are_given_up_from_the_first_to_the_last_and_the_gap_stays_told() {
    let mut recording = Recording::default();
    for (from, to) in [(0, 4), (5, 3), (0, 0)] {
        recording.skip(run(), from, to);
        assert_eq!(recording.durable(run()).beyond, [], "{from} to {to}");
        assert_eq!(recording.durable(run()).through_seq, 0, "{from} to {to}");
    }
    recording.skip(run(), 1, 3);
    assert!(recording.has_gaps());
    recording.skip(run(), 4, 4);
    assert!(recording.has_gaps() && !recording.has_holes());
    // What is here already is no gap.
    let mut whole = Recording::default();
    whole.add(NOW, run(), &[sample(1, 1_000, 0), sample(2, 2_000, 40)]);
    whole.skip(run(), 1, 2);
    assert!(!whole.has_gaps());
}

#[test]
fn strokes_that_were_told_once_are_counted_by_the_machine() {
    let mut recording = Recording::default();
    assert!(!recording.counts_strokes());
    for (seq, strokes, counts) in
        [(1, None, false), (2, Some(3), true), (3, None, true), (4, Some(5), true)]
    {
        recording.add(
            NOW,
            run(),
            &[Sample { strokes, ..sample(seq, 2_000 * i64::from(seq), 80 * i64::from(seq)) }],
        );
        assert_eq!(recording.counts_strokes(), counts, "{seq}");
    }
}

#[test]
fn each_recording_may_say_much_at_once_and_all_of_one_instant_are_no_more_than_that() {
    let burst =
        |from: u32, at: i64| (from..from + 400).map(|seq| sample(seq, at, 40)).collect::<Vec<_>>();
    let mut recording = Recording::default();
    for number in 0..3 {
        let weighed = recording.weigh(At(60_000), Gym::run(number), burst(1, 60_000));
        let Weighed::New(new) = weighed else { panic!("{weighed:?}") };
        assert_eq!(new.len(), 400);
        recording.add(At(60_000), Gym::run(number), &new);
    }
    let more = recording.weigh(At(60_000), Gym::run(0), burst(401, 60_000));
    assert_eq!(more, Weighed::TooMuch);
    // At the very beginning there is no time yet that they could be from.
    let mut early = Recording::default();
    for number in 0..3 {
        let weighed = early.weigh(At(9), Gym::run(number), burst(1, 5));
        let Weighed::New(new) = weighed else { panic!("{weighed:?}") };
        early.add(At(9), Gym::run(number), &new);
    }
}

#[test]
fn a_machine_that_is_reset_twice_loses_nothing() {
    let mut recording = Recording::default();
    let clocked =
        |seq, heard_ms, dm, clock| Sample { elapsed_ms: Some(clock), ..sample(seq, heard_ms, dm) };
    recording.add(
        NOW,
        run(),
        &[
            clocked(1, 1_000, 0, 0),
            clocked(2, 11_000, 400, 10_000),
            clocked(3, 23_000, 400, 10_000),
            clocked(4, 35_000, 400, 10_000),
            clocked(5, 37_000, 480, 12_000),
            clocked(6, 49_000, 120, 3_000),
            clocked(7, 61_000, 80, 2_000),
        ],
    );
    let joined: Vec<u32> = recording.points().iter().map(|point| point.dm).collect();
    assert_eq!(joined, [0, 400, 400, 400, 480, 600, 680]);
    let resets: Vec<bool> = recording.points().iter().map(|point| point.joined).collect();
    assert_eq!(resets, [false, false, false, false, false, true, true]);
}

#[test]
fn a_heart_is_the_newest_that_was_read_and_nobodys_without_consent() {
    let mut athlete = Athlete::default();
    let read = |heard_ms, heart_bpm| Reading { heard_ms, heart_bpm };
    assert_eq!(athlete.feel(&[read(1_000, 120), read(1_000, 24), read(-1, 120)]), 2);
    assert_eq!(athlete.heart(At(1_000)), None);
    athlete.consent(true);
    assert_eq!(athlete.heart(At(1_000)), None);
    athlete.feel(&[read(5_000, 140), read(4_000, 120)]);
    assert_eq!(athlete.heart(At(15_000)), Some(Bpm(140)));
    assert_eq!(athlete.heart(At(15_001)), None);
    for (bpm, believed) in [(24, false), (25, true), (240, true), (241, false)] {
        assert_eq!(athlete.feel(&[read(6_000, bpm)]) == 0, believed, "{bpm}");
    }
    athlete.consent(false);
    assert_eq!(athlete.heart(At(6_000)), None);
    athlete.consent(true);
    assert_eq!(athlete.heart(At(6_000)), None, "taken back is forgotten");
}

#[test]
fn the_rate_is_shown_while_the_machine_tells_one() {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    gym.joins("Ana", Some(finish(125)));
    gym.goes();
    for (second, told, shown) in [(2, Some(56), Some(56)), (4, Some(0), None), (6, None, None)] {
        let mut next = gym.sample(0, GO + 1_000 * second, 80);
        next.rate_half_spm = told;
        gym.send(0, GO + 1_000 * second, vec![next]);
        let details = gym.session.overview().details;
        assert_eq!(details[0].rate_half_spm.map(|rate| rate.0), shown, "{told:?}");
    }
}

fn distance(metres: u32, rest_s: u32) -> Repeat {
    let work = Extent::Distance { distance_dm: Decimetres(10 * metres) };
    Repeat { work, rest_ms: Millis(1_000 * rest_s) }
}

/// Milliseconds from the go, decimetres on the machine, its own clock.
type Heard = (i64, i64, Option<i64>);

fn rowed(heard: &[Heard], repeats: &[Repeat], own: bool, starts: &[At]) -> (Finish, Vec<Mark>) {
    let of = |(seq, (at, dm, clock)): (u32, &Heard)| Sample {
        elapsed_ms: *clock,
        ..sample(seq, GO.cast_signed() + at, *dm)
    };
    let samples: Vec<Sample> = (1..).zip(heard).map(of).collect();
    let mut recording = Recording::default();
    recording.add(NOW, run(), &samples);
    let clock = if own { StartClock::OwnFirstStroke } else { StartClock::CommonGo };
    let repeat_start = RepeatStart::CommonSignal;
    let rule = Rule { repeats, clock, repeat_start, starts, until: None };
    let mut track = Track::default();
    track.advance(0, &recording.points(), rule, |_, _| {});
    (track.finish(rule, NOW).unwrap(), track.marks().collect())
}

#[test]
fn a_clock_of_whole_seconds_may_be_a_second_further_apart() {
    // The session's clock jumps ahead by this much after 40 s of rowing.
    let apart = |leap: i64, whole: bool| {
        let shown = |ms: i64| if whole { ms / 1_000 * 1_000 } else { ms };
        let at = |nth: i64| 1_100 * nth + if nth > 36 { leap } else { 0 };
        let heard: Vec<Heard> =
            (0..80).map(|nth| (at(nth), 44 * nth, Some(shown(1_100 * nth)))).collect();
        let (_, marks) = rowed(&heard, &[distance(300, 0)], false, &[At(GO)]);
        marks.contains(&Mark::ClocksApart)
    };
    for (leap, fractions, whole) in
        [(0, false, false), (900, false, false), (1_500, true, false), (2_800, true, true)]
    {
        assert_eq!((apart(leap, false), apart(leap, true)), (fractions, whole), "{leap} ms");
    }
}

/// 8 m every two seconds.
fn on(from_ms: i64, dm: i64, clock: Option<i64>) -> impl Iterator<Item = Heard> {
    (1..200)
        .map(move |nth| (from_ms + 2_000 * nth, dm + 80 * nth, clock.map(|ms| ms + 2_000 * nth)))
}

#[test]
fn a_clock_of_its_own_may_be_a_second_behind_the_metres_that_it_stands_beside() {
    for (dm, is_known) in [(269, true), (271, false)] {
        let mut heard = vec![(3_000, dm, Some(2_000))];
        heard.extend(on(3_000, dm, Some(2_000)));
        let (_, marks) = rowed(&heard, &[distance(400, 0)], false, &[At(GO)]);
        assert_eq!(marks.contains(&Mark::NoBaseline), !is_known, "{dm} dm in two seconds");
    }
}

#[test]
fn metres_without_a_baseline_are_marked_however_many_repeats_they_are_of() {
    // Heard for the first time in each repeat when much of it has been rowed, after a reset in between.
    let mut heard: Vec<Heard> = on(30_000, 1_000, None).take(40).collect();
    heard.extend(on(230_000, 1_000, None).take(60));
    let starts = [At(GO), At(GO + 200_000)];
    let (_, marks) = rowed(&heard, &[distance(200, 60), distance(200, 0)], false, &starts);
    assert!(marks.contains(&Mark::NoBaseline), "{marks:?}");
    // And by a clock that shows each time that the machine began after the start.
    let mut heard: Vec<Heard> = on(40_000, 1_600, Some(40_000)).take(20).collect();
    heard.extend(on(240_000, 1_600, Some(40_000)).take(60));
    let (_, marks) = rowed(&heard, &[distance(200, 60), distance(200, 0)], false, &starts);
    assert!(marks.contains(&Mark::HeardLate) && !marks.contains(&Mark::NoBaseline), "{marks:?}");
}

#[test]
fn on_the_own_clock_a_reset_after_the_go_without_a_clock_tells_no_start() {
    let mut heard = vec![(-1_000, 900, None), (2_000, 900, None), (5_000, 300, None)];
    heard.extend(on(5_000, 300, None));
    let (_, marks) = rowed(&heard, &[distance(400, 0)], true, &[At(GO)]);
    assert!(marks.contains(&Mark::NoBaseline), "{marks:?}");
}

/// Heard at rest ten seconds after the go, and again 2.4 s later, 4 m further: going by the usual first stroke it was
/// begun a second before that.
#[test]
fn a_clock_that_stood_still_tells_the_own_start_in_as_far_as_it_surely_did() {
    let began_from = |stood_at: i64, gained: i64| {
        let clock = Some(stood_at + gained);
        let mut heard =
            vec![(-1_000, 0, Some(0)), (10_000, 0, Some(stood_at)), (12_400, 40, clock)];
        heard.extend(on(12_400, 40, clock));
        let (finish, _) = rowed(&heard, &[distance(400, 0)], true, &[At(GO)]);
        // 396 m at 4 m/s are 99 s.
        (12_400.0 + 99_000.0 - finish.ms, finish.sure_ms)
    };
    let began = |gained: i64| began_from(5_000, gained);
    // Ran for 1.6 s and may have stood for 0.8 s: that may be a clock of whole seconds. The usual stroke counts.
    assert_eq!(began(1_600).0, 11_400.0);
    // Stood for 1.5 s: half of each.
    assert_eq!(began(900).0, 11_450.0);
    // Stood for two seconds: it tells the start, to within a second.
    let (start, sure_ms) = began(400);
    assert!((start - 11_955.0).abs() < 50.0, "{start}");
    let (_, unsure_ms) = began(1_600);
    assert!(sure_ms < unsure_ms, "{sure_ms} ms, and {unsure_ms} ms by the stroke alone");
    // Stood at zero for eleven seconds before: it ran for 1.6 s, plus half a tenth that it does not show.
    assert_eq!(began_from(0, 1_600).0, 10_750.0);
}

/// A machine that is reset while nobody rows, and whose clock runs from then on, tells of no stroke.
#[test]
fn a_clock_that_runs_while_nobody_rows_tells_no_start() {
    let began = |ran: i64| {
        let rest = |nth: i64| (1_000 * nth, 0, Some(1_000 * (nth - 9 + ran).max(0)));
        let mut heard: Vec<Heard> = (-2..10).map(rest).collect();
        let clock = Some(1_000 * (ran + 1));
        heard.push((10_000, 20, clock));
        heard.extend(on(10_000, 20, clock));
        let (finish, _) = rowed(&heard, &[distance(400, 0)], true, &[At(GO)]);
        10_000.0 + 99_500.0 - finish.ms
    };
    // Begun with the stroke, which shows no metre in the first report: half a second before what the clock shows.
    assert_eq!((began(0), began(1)), (8_500.0, 7_500.0));
    // Begun seconds before: going by the usual stroke.
    assert_eq!((began(3), began(6)), (9_500.0, 9_500.0));
}
