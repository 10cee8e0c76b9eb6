//! What is refused, in which words, and what is not: every sentence says what to do.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use expect_test::{Expect, expect};
use proptest::prelude::*;
use thole_piece::{
    limits::{
        Measure, check_audience, check_call_text, check_name, check_piece, check_span, fastest,
        implausible_mean, target_cost,
    },
    plan::Course,
};
use thole_protocol::{
    refusal::{Refusal, Why},
    spec::{
        Aim, Audience, CallText, Extent, Leg, PastResult, PieceSpec, Plan, Point, Repeat,
        SheetCall, Span, Target,
    },
    units::{Decimetres, Millis},
};

const SEVENTEEN_HUNDRED: Measure = Measure::Distance(Decimetres(17_000));

fn said<T: std::fmt::Debug>(judged: Result<T, Refusal>, expected: Expect) {
    let refusal = judged.unwrap_err();
    assert!(refusal.says.ends_with('.'), "one sentence: {}", refusal.says);
    expected.assert_eq(&format!("{:?}: {}", refusal.why, refusal.says));
}

fn metres(metres: u32) -> Extent {
    Extent::Distance { distance_dm: Decimetres(metres * 10) }
}

fn seconds(seconds: u32) -> Extent {
    Extent::Time { time_ms: Millis(seconds * 1_000) }
}

fn piece(works: &[Extent], rest_s: u32) -> PieceSpec {
    let rest_ms = Millis(rest_s * 1_000);
    PieceSpec::of(works.iter().map(|work| Repeat { work: *work, rest_ms }).collect())
}

fn finish(seconds: u32) -> Target {
    Target::Finish { finish_ms: Millis(seconds * 1_000) }
}

#[test]
fn a_target_that_nobody_can_row_is_refused_by_name() {
    let judged = target_cost(SEVENTEEN_HUNDRED, &finish(200));
    said(
        judged,
        expect!["Unrowable: Nobody rows 1,700 m in 3:20.0: set a target of 3:46.7 or slower."],
    );
    let judged = target_cost(
        Measure::Time(Millis(306_000)),
        &Target::Distance { distance_dm: Decimetres(23_000) },
    );
    said(
        judged,
        expect!["Unrowable: Nobody rows 2,300 m in 5:06.0: set a target of 2,000 m or less."],
    );
    let pace = Target::Pace { per_500m_ms: Millis(50_000) };
    let judged = target_cost(Measure::Distance(Decimetres(4_000)), &pace);
    said(
        judged,
        expect!["Unrowable: Nobody rows 400 m in 0:40.0: set a target of 0:44.5 or slower."],
    );
    let judged = target_cost(SEVENTEEN_HUNDRED, &Target::Pace { per_500m_ms: Millis(0) });
    said(
        judged,
        expect!["OutOfRange: The target for 1,700 m must be more than zero and at most 24 hours."],
    );
    let judged = target_cost(SEVENTEEN_HUNDRED, &Target::Distance { distance_dm: Decimetres(9) });
    said(
        judged,
        expect![
            "OutOfRange: This piece is by distance: give a finish time or a pace as the target."
        ],
    );
    let judged = target_cost(Measure::Time(Millis(306_000)), &finish(306));
    said(
        judged,
        expect!["OutOfRange: This piece is by time: give a distance or a pace as the target."],
    );
    let judged =
        target_cost(Measure::Time(Millis(306_000)), &Target::Pace { per_500m_ms: Millis(0) });
    said(judged, expect!["OutOfRange: The target for 5:06.0 of rowing must be more than zero."]);
}

#[test]
fn nobody_is_refused_for_slowness() {
    assert!(target_cost(SEVENTEEN_HUNDRED, &finish(86_400)).is_ok());
    let crawl = Target::Distance { distance_dm: Decimetres(1) };
    assert!(target_cost(Measure::Time(Millis(1_800_000)), &crawl).is_ok());
    assert!(target_cost(SEVENTEEN_HUNDRED, &finish(86_401)).is_err(), "but a day is enough");
}

#[test]
fn pieces_are_judged_at_their_bounds() {
    for (good, bad) in [
        (piece(&[metres(100)], 0), piece(&[metres(99)], 0)),
        (piece(&[metres(100_000)], 0), piece(&[metres(100_001)], 0)),
        (piece(&[seconds(10)], 0), piece(&[seconds(9)], 0)),
        (piece(&[seconds(10_800)], 0), piece(&[seconds(10_801)], 0)),
        (piece(&[metres(350); 60], 5), piece(&[metres(350); 61], 5)),
        (piece(&[metres(350); 3], 5), piece(&[metres(350); 3], 4)),
        (piece(&[metres(350); 3], 3_600), piece(&[metres(350); 3], 3_601)),
        (piece(&[metres(350), metres(700)], 30), piece(&[metres(350), seconds(70)], 30)),
        (piece(&[seconds(10_800); 8], 30), piece(&[seconds(10_800); 9], 30)),
        (piece(&[metres(350)], 0), piece(&[], 0)),
    ] {
        assert_eq!(check_piece(&good), Ok(()), "{good:?}");
        assert_eq!(check_piece(&bad).unwrap_err().why, Why::OutOfRange, "{bad:?}");
    }
    let counted = |count_ms| PieceSpec { count_ms: Millis(count_ms), ..piece(&[metres(1_700)], 0) };
    assert!(check_piece(&counted(5_000)).is_ok() && check_piece(&counted(60_000)).is_ok());
    said(
        check_piece(&counted(4_999)),
        expect!["OutOfRange: The countdown must be 5 to 60 seconds."],
    );
    said(
        check_piece(&piece(&[metres(70)], 0)),
        expect!["OutOfRange: The distance must be 100 m to 100 km, not 70 m."],
    );
    said(
        check_piece(&piece(&[metres(350); 3], 2)),
        expect!["OutOfRange: The rest after repeat 1 must be 5 seconds to 60 minutes."],
    );
}

#[test]
fn calls_are_short_enough_to_be_seen_and_said() {
    let call = |shown: &str, spoken: &str| CallText { shown: shown.into(), spoken: spoken.into() };
    assert!(check_call_text(&call("Long and loose", "Reach out before the next one.")).is_ok());
    assert!(check_call_text(&call("Ünä über Öl8901234", "")).is_ok(), "18 letters, not bytes");
    said(
        check_call_text(&call("Sit up and breathe", "")),
        expect!["OutOfRange: A call is at most 3 words: put the rest into what is spoken."],
    );
    said(
        check_call_text(&call("Shoulders down now!", "")),
        expect!["OutOfRange: A call is 1 to 18 characters: put the rest into what is spoken."],
    );
    said(
        check_call_text(&call("  ", "")),
        expect!["OutOfRange: A call is 1 to 18 characters: put the rest into what is spoken."],
    );
    said(
        check_call_text(&call("Breathe", &"a".repeat(121))),
        expect!["OutOfRange: What is spoken with a call is at most 120 characters: shorten it."],
    );
    said(
        check_call_text(&call("Now\u{7}", "")),
        expect!["OutOfRange: A call is one line of plain text."],
    );
    assert!(check_span(&Span::Strokes { strokes: 200 }).is_ok() && check_span(&Span::Next).is_ok());
    said(
        check_span(&Span::Strokes { strokes: 0 }),
        expect!["OutOfRange: A call stands for 1 to 200 strokes, not 0."],
    );
    said(
        check_span(&Span::Time { time_ms: Millis(3_600_001) }),
        expect!["OutOfRange: A call stands for 1 second to 60 minutes."],
    );
    said(
        check_audience(&Audience::Picked { athletes: vec![] }),
        expect!["OutOfRange: The call is for nobody: pick at least one athlete."],
    );
    said(check_name(""), expect!["OutOfRange: A name is 1 to 40 characters."]);
    assert!(check_name(&"ö".repeat(40)).is_ok());
}

#[test]
fn a_call_sheet_is_tied_to_points_that_the_piece_has() {
    let judged = |work: Extent, at: Point| {
        let text = CallText { shown: "Long and loose".into(), spoken: String::new() };
        let call = SheetCall { at, text, audience: Audience::All, span: Span::Next };
        check_piece(&PieceSpec { call_sheet: vec![call], ..piece(&[work], 0) })
    };
    let (by_distance, by_time) = (metres(1_700), seconds(306));
    let to_go = Point::DistanceToGo { distance_dm: Decimetres(2_500) };
    assert!(judged(by_distance, to_go).is_ok());
    said(
        judged(by_time, to_go),
        expect![
            "OutOfRange: The call \"Long and loose\" is tied to metres to go, which a piece by time does not have: move it."
        ],
    );
    let done = Point::DistanceDone { distance_dm: Decimetres(17_000) };
    assert!(judged(by_time, done).is_ok());
    said(
        judged(by_distance, done),
        expect![
            "OutOfRange: The call \"Long and loose\" is at 1,700 m, but the piece is only 1,700 m long: move it."
        ],
    );
    let gone = Point::Elapsed { time_ms: Millis(306_000) };
    assert!(judged(by_distance, gone).is_ok());
    said(
        judged(by_time, gone),
        expect![
            "OutOfRange: The call \"Long and loose\" is at 5:06.0, but the piece is only 5:06.0 long: move it."
        ],
    );
    said(
        judged(by_distance, Point::Stroke { number: 0 }),
        expect![
            "OutOfRange: The call \"Long and loose\" is at stroke 0, but strokes are counted from 1 to 100000: move it."
        ],
    );
}

fn aimed(plan: Plan, history: &[u32]) -> Result<Course, Refusal> {
    let past = |(days_ago, seconds): (u32, &u32)| PastResult { days_ago, result: finish(*seconds) };
    let history = (7..).zip(history).map(past).collect();
    Course::new(SEVENTEEN_HUNDRED, 1, &Aim { target: Some(finish(306)), plan, history })
}

#[test]
fn plans_and_past_results_fit_the_piece() {
    let legs = |parts: &[(Extent, u32)]| Plan::Legs {
        legs: parts
            .iter()
            .map(|(length, pace)| Leg { length: *length, per_500m_ms: Millis(*pace) })
            .collect(),
    };
    assert!(aimed(legs(&[(metres(700), 88_000), (metres(1_000), 91_000)]), &[311, 309]).is_ok());
    said(
        aimed(legs(&[(metres(700), 88_000), (metres(900), 91_000)]), &[]),
        expect![
            "OutOfRange: The legs add up to 1,600 m, but the piece is 1,700 m: change a leg so that they match."
        ],
    );
    let odd = Extent::Distance { distance_dm: Decimetres(10_001) };
    said(
        aimed(legs(&[(metres(700), 88_000), (odd, 91_000)]), &[]),
        expect![
            "OutOfRange: The legs add up to 1,700.1 m, but the piece is 1,700 m: change a leg so that they match."
        ],
    );
    said(
        aimed(legs(&[(metres(700), 88_000), (seconds(180), 91_000)]), &[]),
        expect!["OutOfRange: This piece is by distance: give leg 2 a distance."],
    );
    said(
        aimed(legs(&[(metres(1_700), 40_000)]), &[]),
        expect!["Unrowable: Nobody rows leg 1 at 0:40.0 for 500 m: set 0:55.6 or slower."],
    );
    said(aimed(legs(&[]), &[]), expect!["OutOfRange: A plan has 1 to 100 legs."]);
    let speeds = |speeds: &[u32]| Plan::Speeds { speeds_ppm: speeds.to_vec() };
    assert!(aimed(speeds(&[1; 20]), &[]).is_ok(), "any scale");
    said(
        aimed(speeds(&[1; 19]), &[]),
        expect![
            "OutOfRange: A plan by speeds has 20 of them, one for each 5 % of the work, not 19."
        ],
    );
    said(
        aimed(speeds(&[0; 20]), &[]),
        expect![
            "OutOfRange: The speeds of a plan must be above zero and within a factor of 5: level them."
        ],
    );
    said(
        aimed(Plan::Even, &[310, 150]),
        expect![
            "Unrowable: A past result does not fit this piece: Nobody rows 1,700 m in 2:30.0: set a target of 3:46.7 or slower."
        ],
    );
    let past = aimed(Plan::Even, &[311, 307, 312]).unwrap().past().unwrap();
    assert_eq!((past.best, past.newest, past.results), (307.0, 311.0, 3));
    // The geometric mean, as with all slack.
    assert!((past.mean - libm::cbrt(311.0 * 307.0 * 312.0)).abs() < 1e-6, "{past:?}");
}

proptest! {
    /// The limit that a refusal names is accepted, what is beyond it refused, by distance and by time.
    #[test]
    fn the_limit_is_one_limit(work in 1_000_u32..1_000_000, beyond in 0.001..0.2_f64) {
        let distance = Measure::Distance(Decimetres(work));
        let metres = f64::from(work) / 10.0;
        let judged = |speed: f64| {
            let finish_ms = thole_protocol::units::millis(metres / speed * 1e3);
            target_cost(distance, &Target::Finish { finish_ms }).is_ok()
        };
        let limit = fastest(distance);
        prop_assert!(judged(limit * 0.9999));
        prop_assert!(!judged(limit * (1.0 + beyond)));
        prop_assert!(!implausible_mean(metres, metres / (limit * 0.9999)));
        // By time: what is covered at the limit is itself not implausible.
        let time = Measure::Time(Millis(work * 10));
        let seconds = f64::from(work) / 100.0;
        prop_assert!(!implausible_mean(fastest(time) * seconds * 0.9999, seconds));
        prop_assert!(implausible_mean(fastest(time) * seconds * (1.0 + beyond), seconds));
    }
}
