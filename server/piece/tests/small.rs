//! Small rules that nothing else would miss: bounds, quarters of a piece by time, samples that are given up.

use thole_piece::{
    Input, Output, Session,
    aim::check_length,
    fine_at::FineAt,
    plan::Course,
    projection::{KNOTS, Marks, widened},
    recording::Recording,
    track::{Rule, Track},
};
use thole_protocol::{
    ids::{AthleteId, CommandId, RunId},
    refusal::Why,
    sample::{Durable, Sample},
    spec::{
        Aim, Extent, Leg, PastResult, PieceSpec, Plan, Repeat, RepeatStart, RosterEntry,
        StartClock, Target,
    },
    total::Gap,
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const ANA: AthleteId = AthleteId(Uuid::from_u128(1));
const RUN: RunId = RunId(Uuid::from_u128(2));
const COMMAND: CommandId = CommandId(Uuid::from_u128(3));

fn with_ana() -> Session {
    let mut session = Session::new();
    session.apply(
        At(0),
        &Input::Created { title: String::new(), settings: Default::default(), by: None },
    );
    let mut entry = RosterEntry::default();
    entry.spec.name = "Ana".into();
    session.apply(At(1), &Input::AthletesAdded { command: COMMAND, athletes: vec![(ANA, entry)] });
    session
}

#[test]
fn a_plan_or_a_history_that_nobody_needs_is_refused_however_long_it_is() {
    let length = Extent::Distance { distance_dm: Decimetres(1_000) };
    let leg = Leg { length, per_500m_ms: Millis(120_000) };
    let result = Target::Finish { finish_ms: Millis(400_000) };
    let of = |legs: usize, history: usize| Aim {
        plan: Plan::Legs { legs: vec![leg; legs] },
        history: vec![PastResult { days_ago: 1, result }; history],
        ..Aim::default()
    };
    check_length(&of(100, 100)).unwrap();
    for (legs, history) in [(101, 0), (102, 0), (900, 0), (1, 101), (1, 102), (1, 9_000)] {
        assert_eq!(check_length(&of(legs, history)).unwrap_err().why, Why::OutOfRange);
    }
}

#[test]
fn a_piece_by_time_is_told_in_quarters_of_its_time() {
    let repeats = by_time(40_000);
    let rule = rule(&repeats, &[At(10_000)]);
    // 4 m/s for twenty seconds, then 5 m/s.
    let sample = |nth: u32| Sample {
        seq: nth + 1,
        heard_ms: i64::from(10_000 + 1_000 * nth),
        distance_dm: i64::from(40 * nth + 10 * nth.saturating_sub(20)),
        ..Sample::default()
    };
    let mut recording = Recording::default();
    recording.add(At(90_000), RUN, &(0..=40).map(sample).collect::<Vec<_>>());
    let mut track = Track::default();
    track.advance(0, &recording.points(), rule, |_, _| {});
    let splits = track.splits(track.finish(rule, At(90_000)));
    let told: Vec<_> = splits.iter().map(|split| (split.time_ms.0, split.distance_dm.0)).collect();
    assert_eq!(told, [(10_000, 400), (10_000, 400), (10_000, 500), (10_000, 500)]);
}

#[test]
fn what_is_at_hand_is_never_less_than_what_is_asked_for() {
    let mut recording = Recording::default();
    for nth in 0..200_u32 {
        // Ten seconds apart: a minute and a half holds nine of them, and 32 are kept.
        let sample = Sample {
            seq: nth + 1,
            heard_ms: i64::from(10_000 * nth),
            distance_dm: i64::from(400 * nth),
            ..Sample::default()
        };
        recording.add(At(9_000_000), RUN, &[sample]);
        let (at_hand, heard) = (recording.recent().len(), nth as usize + 1);
        assert!(at_hand >= heard.min(32), "{at_hand} of {heard}");
        assert!(at_hand <= 64, "{at_hand}: what is old is let go of");
    }
}

#[test]
fn samples_that_are_given_up_are_durable_and_named_by_their_numbers() {
    let mut session = with_ana();
    let skip = |from_seq, to_seq| Input::Skipped { athlete: ANA, run: RUN, from_seq, to_seq };
    let durable = |through_seq| Durable { run: RUN, through_seq, beyond: vec![] };
    let ack = |through| Output::Ack { athlete: ANA, durable: durable(through), refused: vec![] };
    assert!(session.apply(At(2), &skip(1, 7)).contains(&ack(7)));
    for (from, to) in [(0, 7), (9, 8)] {
        let out = session.apply(At(3), &skip(from, to));
        assert!(out.contains(&ack(7)), "{out:?}");
        let refused = |output: &Output| matches!(output, Output::Refused { refusal, .. } if refusal.why == Why::OutOfRange);
        assert!(out.iter().any(refused), "{from} to {to}: {out:?}");
    }
    assert!(session.apply(At(4), &skip(8, 8)).contains(&ack(8)));
}

#[test]
fn whom_an_order_has_added_is_known_when_its_answer_was_lost() {
    let session = with_ana();
    assert_eq!(session.added_by(COMMAND), [ANA]);
    assert_eq!(session.added_by(CommandId(Uuid::from_u128(9))), []);
}

#[test]
fn a_margin_is_plus_when_ahead_by_time_and_by_distance() {
    let of = |work: Extent, target: Target| {
        let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
        Course::of(&piece, &Aim { target: Some(target), ..Aim::default() }).unwrap()
    };
    let (metres, time) = (Decimetres(17_000), Millis(360_000));
    let finish = Target::Finish { finish_ms: Millis(400_000) };
    let by_distance = of(Extent::Distance { distance_dm: metres }, finish);
    let margin = by_distance.margin(402.5).unwrap();
    assert_eq!((margin.margin_ppm.0, margin.gap), (-6_250, Gap::Time(-2_500)));
    let distance = Target::Distance { distance_dm: Decimetres(16_000) };
    let by_time = of(Extent::Time { time_ms: time }, distance);
    let margin = by_time.margin(1_612.0).unwrap();
    assert_eq!((margin.margin_ppm.0, margin.gap), (7_500, Gap::Distance(120)));
}

#[test]
fn ranges_widen_straight_between_the_knots() {
    let at_knots = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
    for (knot, factor) in KNOTS.into_iter().zip(at_knots) {
        assert!((widened(&at_knots, knot) - factor).abs() < 1e-12, "{knot}");
    }
    assert!((widened(&at_knots, 0.0) - 1.0).abs() < 1e-12);
    assert!((widened(&at_knots, 1.0) - 7.0).abs() < 1e-12);
    assert!((widened(&at_knots, 0.375) - 3.5).abs() < 1e-12, "half-way from 0.25 to 0.5");
}

#[test]
fn what_was_shown_is_noted_at_a_quarter_half_and_three_quarters() {
    let mut marks = Marks::default();
    for share in [0.25, 0.5, 0.75] {
        assert_eq!(marks.next(), Some(share));
        marks.pass(None);
    }
    assert_eq!(marks.next(), None);
}

/// One stretch of this many milliseconds.
fn by_time(ms: u32) -> [Repeat; 1] {
    [Repeat { work: Extent::Time { time_ms: Millis(ms) }, rest_ms: Millis(0) }]
}

fn rule<'a>(repeats: &'a [Repeat], starts: &'a [At]) -> Rule<'a> {
    let (clock, repeat_start) = (StartClock::CommonGo, RepeatStart::CommonSignal);
    Rule { repeats, clock, repeat_start, starts, until: None }
}

/// A sample of a machine without a clock.
fn shown(seq: u32, heard_ms: i64, distance_dm: i64) -> Sample {
    Sample { seq, heard_ms, distance_dm, ..Sample::default() }
}

#[test]
fn two_machines_that_stand_still_row_nothing_by_taking_turns() {
    let mut recording = Recording::default();
    let (one, other) = (RUN, RunId(Uuid::from_u128(9)));
    for (seq, at) in (1..=30).zip((0..).step_by(2_000)) {
        let sample = |at, dm, strokes| Sample { strokes: Some(strokes), ..shown(seq, at, dm) };
        recording.add(At(100_000), one, &[sample(at, 1_000, 10)]);
        recording.add(At(100_000), other, &[sample(at + 1_000, 1_085, 190)]);
    }
    let points = recording.points();
    let (first, last) = (points[0], points[points.len() - 1]);
    assert!(last.dm - first.dm <= 85, "{} dm of machines 8.5 m apart", last.dm - first.dm);
    let strokes = last.strokes_milli - first.strokes_milli;
    assert!(strokes <= 180_000, "{strokes} thousandths of a stroke");
}

#[test]
fn two_devices_at_one_machine_count_what_it_counts() {
    let mut recording = Recording::default();
    let (one, other) = (RUN, RunId(Uuid::from_u128(9)));
    for (seq, at) in (1..=30).zip((0..).step_by(4_000)) {
        recording.add(At(200_000), one, &[shown(seq, at, at / 25)]);
        recording.add(At(200_000), other, &[shown(seq, at + 2_000, at / 25 + 80)]);
    }
    let points = recording.points();
    assert_eq!(points[59].dm - points[0].dm, 4_720);
}

#[test]
fn a_counter_that_trembles_is_not_rowed_on() {
    let mut samples = vec![shown(1, 9_000, 0)];
    samples.extend((2..).zip(1..=12).map(|(seq, nth)| shown(seq, 10_000 + nth * 2_400, nth * 96)));
    samples
        .extend((14..).zip(1..=7).map(|(seq, nth)| shown(seq, 40_000 + nth * 4_000, 1_152 + nth)));
    let mut recording = Recording::default();
    recording.add(At(100_000), RUN, &samples);
    let repeats = by_time(60_000);
    let rule = rule(&repeats, &[At(10_000)]);
    let mut track = Track::default();
    track.advance(0, &recording.points(), rule, |_, _| {});
    assert_eq!(track.rowed_at(), Some(FineAt::of(38_800)));
    let shown = track.progress().map(|row| row.dm);
    assert_eq!(shown, Some(1_159.0), "and yet every decimetre is shown");
}

/// Somebody who has stopped does not finish because of packets that were held up on their way.
#[test]
fn packets_that_come_late_row_nothing() {
    let mut samples = vec![shown(1, 9_000, 1_000)];
    samples.extend(
        (2..).zip(1..=40).map(|(seq, nth)| shown(seq, 10_000 + nth * 1_000, 1_000 + nth * 40)),
    );
    // Every fifth shows what the machine showed three seconds before.
    for sample in samples.iter_mut().skip(5).step_by(5) {
        sample.distance_dm -= 120;
    }
    // Then the machine stands, and two more come late.
    samples.extend((42..).zip(41..=60).map(|(seq, nth)| {
        let late = nth == 52 || nth == 55;
        shown(seq, 10_000 + nth * 1_000, 2_600 - if late { 30 } else { 0 })
    }));
    let mut recording = Recording::default();
    recording.add(At(100_000), RUN, &samples);
    let points = recording.points();
    assert_eq!(points.last().map(|point| point.dm), Some(2_600));
    let repeats = by_time(60_000);
    let rule = rule(&repeats, &[At(10_000)]);
    let mut track = Track::default();
    track.advance(0, &points, rule, |_, _| {});
    assert!(track.rowed_at().is_some_and(|at| at.ms() <= 51_000.0), "{:?}", track.rowed_at());
    assert_eq!(track.finish(rule, At(100_000)).map(|finish| finish.dm), Some(1_600.0));
}

/// A second device that says the same does not make a moving machine stand: the start lies between two samples as before.
#[test]
fn the_same_reports_by_two_devices_give_the_same_result() {
    let strokes: Vec<Sample> = (1..=30)
        .map(|nth| {
            let at = i64::from(nth);
            shown(nth, 4_600 + at * 2_000, 100 + at * 80)
        })
        .collect();
    let finish = |devices: &[RunId]| {
        let mut recording = Recording::default();
        for run in devices {
            recording.add(At(200_000), *run, &strokes);
        }
        let repeats = by_time(30_000);
        let rule = rule(&repeats, &[At(15_000)]);
        let mut track = Track::default();
        track.advance(0, &recording.points(), rule, |_, _| {});
        track.finish(rule, At(200_000)).unwrap().dm.round()
    };
    assert_eq!(finish(&[RUN]), finish(&[RUN, RunId(Uuid::from_u128(9))]));
}
