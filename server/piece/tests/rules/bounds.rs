//! What is just allowed and what is just too much, on both sides of each bound and beyond.

use thole_piece::limits::{
    Measure, check_athlete, check_audience, check_call_text, check_name, check_piece, check_span,
    check_title, clock, fastest, implausible_mean, metres as shown_metres, target_cost,
};
use thole_piece::plan::Course;
use thole_protocol::{
    order::Order,
    spec::{
        Aim, AthleteSpec, Audience, CallText, Extent, PastResult, PieceSpec, Point, Repeat,
        SheetCall, Span, Target,
    },
    units::{Bpm, Decimetres, Millis},
};

use super::gym::{Gym, metres, piece, seconds, text};

#[test]
fn so_many_pieces_and_prepared_calls_and_no_more() {
    for (count, fits) in [(50, true), (51, false), (52, false), (90, false)] {
        let mut gym = Gym::new(Vec::new());
        let calls = vec![text("Long and loose"); count];
        assert_eq!(gym.order(Order::PrepareCalls { calls }).is_ok(), fits, "{count} calls");
        let pieces = vec![piece(metres(500)); count];
        assert_eq!(gym.order(Order::SetPieces { pieces }).is_ok(), fits, "{count} pieces");
    }
}

fn call(shown: &str, spoken: &str) -> CallText {
    CallText { shown: shown.into(), spoken: spoken.into() }
}

#[test]
fn texts_are_as_long_as_they_may_be() {
    for (length, fits) in [(17, true), (18, true), (19, false), (20, false), (90, false)] {
        assert_eq!(check_call_text(&call(&"a".repeat(length), "")).is_ok(), fits, "{length}");
    }
    for (words, fits) in [(1, true), (3, true), (4, false), (5, false), (9, false)] {
        let shown = vec!["a"; words].join(" ");
        assert_eq!(check_call_text(&call(&shown, "")).is_ok(), fits, "{words} words");
    }
    for (length, fits) in [(119, true), (120, true), (121, false), (122, false), (900, false)] {
        assert_eq!(check_call_text(&call("a", &"a".repeat(length))).is_ok(), fits, "{length}");
    }
    for (length, fits) in [(1, true), (40, true), (41, false), (42, false), (90, false)] {
        assert_eq!(check_name(&"ö".repeat(length)).is_ok(), fits, "{length}");
    }
    for (length, fits) in [(0, true), (80, true), (81, false), (82, false), (900, false)] {
        assert_eq!(check_title(&"ö".repeat(length)).is_ok(), fits, "{length}");
    }
    for text in [call("a\n", ""), call("a", "b\n"), call("a\u{7}b", "")] {
        assert!(check_call_text(&text).is_err(), "{text:?}");
    }
    assert!(check_name("  ").is_err() && check_name("a\u{7}b").is_err());
    assert!(check_title("a\u{7}b").is_err());
}

#[test]
fn an_athlete_has_a_name_a_team_that_can_be_shown_and_a_limit_that_a_heart_can_have() {
    let athlete = |name: &str, team: Option<&str>, limit: Option<u16>| {
        let team = team.map(str::to_owned);
        let heart_limit_bpm = limit.map(Bpm);
        check_athlete(&AthleteSpec { name: name.into(), team, heart_limit_bpm }).is_ok()
    };
    assert!(athlete("Ana", None, None) && athlete("Ana", Some("Herons"), Some(180)));
    assert!(!athlete("", None, None) && !athlete("Ana", Some(""), None));
    for (limit, fits) in [(79, false), (80, true), (240, true), (241, false), (300, false)] {
        assert_eq!(athlete("Ana", None, Some(limit)), fits, "{limit}");
    }
    let team = |name: &str| check_audience(&Audience::Team { team: name.into() }).is_ok();
    assert!(team("Herons") && !team("") && check_audience(&Audience::Behind).is_ok());
}

#[test]
fn spans_of_calls_have_their_bounds() {
    for (strokes, fits) in [(0, false), (1, true), (200, true), (201, false), (500, false)] {
        assert_eq!(check_span(&Span::Strokes { strokes }).is_ok(), fits, "{strokes}");
    }
    for (ms, fits) in [(999, false), (1_000, true), (3_600_000, true), (3_600_001, false)] {
        assert_eq!(check_span(&Span::Time { time_ms: Millis(ms) }).is_ok(), fits, "{ms}");
    }
}

#[test]
fn a_piece_is_no_longer_than_anybody_rows() {
    let of = |count: usize, work: Extent| {
        let spec = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(60_000) }; count]);
        check_piece(&spec).is_ok()
    };
    assert!(of(5, metres(100_000)) && !of(6, metres(100_000)) && !of(7, metres(100_000)));
    assert!(of(8, seconds(10_800)) && !of(9, seconds(10_800)) && !of(10, seconds(10_800)));
    assert!(of(1, metres(100)) && !of(1, metres(99)) && !of(1, metres(100_001)));
    // Rest after the last repeat belongs to nobody.
    let last = |rest| {
        let work = metres(500);
        let repeats = [30_000, rest].map(|ms| Repeat { work, rest_ms: Millis(ms) });
        check_piece(&PieceSpec::of(repeats.into())).is_ok()
    };
    assert!(last(0) && last(9_000_000));
    for (calls, fits) in [(99, true), (100, true), (101, false), (102, false)] {
        let at = Point::Stroke { number: 9 };
        let call =
            SheetCall { at, text: text("Settle"), audience: Audience::All, span: Span::Next };
        let spec = PieceSpec { call_sheet: vec![call; calls], ..piece(metres(500)) };
        assert_eq!(check_piece(&spec).is_ok(), fits, "{calls} calls");
    }
    assert!(check_piece(&PieceSpec { title: "a".repeat(81), ..piece(metres(500)) }).is_err());
}

#[test]
fn points_of_a_sheet_lie_where_somebody_comes() {
    let at = |work: Extent, at: Point| {
        let call =
            SheetCall { at, text: text("Settle"), audience: Audience::All, span: Span::Next };
        check_piece(&PieceSpec { call_sheet: vec![call], ..piece(work) }).is_ok()
    };
    let done = |dm| Point::DistanceDone { distance_dm: Decimetres(dm) };
    let to_go = |dm| Point::DistanceToGo { distance_dm: Decimetres(dm) };
    let elapsed = |ms| Point::Elapsed { time_ms: Millis(ms) };
    for (dm, fits) in [(6_999, true), (7_000, false), (7_001, false), (90_000, false)] {
        assert_eq!(at(metres(700), done(dm)), fits, "{dm}");
        assert_eq!(at(metres(700), to_go(dm)), fits, "{dm} to go");
    }
    for (ms, fits) in [(59_999, true), (60_000, false), (60_001, false), (900_000, false)] {
        assert_eq!(at(seconds(60), elapsed(ms)), fits, "{ms}");
    }
    for (ms, fits) in [(86_400_000, true), (86_400_001, false), (90_000_000, false)] {
        assert_eq!(at(metres(700), elapsed(ms)), fits, "{ms}");
    }
    for (dm, fits) in [(5_000_000, true), (5_000_001, false), (6_000_000, false)] {
        assert_eq!(at(seconds(60), done(dm)), fits, "{dm}");
    }
    for (number, fits) in
        [(0, false), (1, true), (100_000, true), (100_001, false), (900_000, false)]
    {
        assert_eq!(at(metres(700), Point::Stroke { number }), fits, "stroke {number}");
        assert_eq!(at(seconds(60), Point::Stroke { number }), fits, "stroke {number}");
    }
}

/// The marks that the limits stay above: 500 m in 1:10.5, 2000 m in 5:35.8, 18,602 m in an hour (World Rowing).
#[test]
fn the_fastest_mean_falls_with_the_distance_and_the_time() {
    let by_distance = [(1_000, 9.0), (4_999, 9.0), (5_000, 7.5), (19_999, 7.5), (20_000, 6.3)];
    for (dm, speed) in by_distance.into_iter().chain([(197_999, 6.3), (198_000, 5.5)]) {
        assert_eq!(fastest(Measure::Distance(Decimetres(dm))), speed, "{dm} dm");
    }
    for (ms, speed) in [
        (10_000, 9.0),
        (55_000, 9.0),
        // The 500 m themselves are the limit.
        (62_500, 8.0),
        (66_667, 7.5),
        (200_000, 7.5),
        (266_000, 7.5),
        // And the 2000 m.
        (312_500, 6.4),
        (320_000, 6.3),
        (3_000_000, 6.3),
        // And the metres of an hour.
        (3_168_000, 6.25),
        (3_600_000, 5.5),
        (3_600_001, 5.5),
        (9_000_000, 5.5),
    ] {
        let found = fastest(Measure::Time(Millis(ms)));
        assert!((found - speed).abs() < 1e-4, "{ms} ms: {found} for {speed}");
    }
}

#[test]
fn a_mean_is_implausible_beyond_the_limit_and_not_at_it() {
    for (metres, seconds, is) in [
        (0.0, 0.0, false),
        (0.0, 10.0, false),
        (100.0, 0.0, true),
        (100.0, f64::NAN, true),
        (450.0, 50.0, false),
        (451.0, 50.0, true),
        (750.0, 100.0, false),
        (751.0, 100.0, true),
        (2_520.0, 400.0, false),
        (2_521.0, 400.0, true),
        (19_799.0, 3_600.0, false),
        (19_801.0, 3_600.0, true),
        (6_000.0, 3_600.0, false),
        (19_801.0, 3_599.0, true),
    ] {
        assert_eq!(implausible_mean(metres, seconds), is, "{metres} m in {seconds} s");
    }
}

#[test]
fn a_target_is_within_a_day_and_not_nothing() {
    let distance = Measure::Distance(Decimetres(17_000));
    let finish = |ms| target_cost(distance, &Target::Finish { finish_ms: Millis(ms) }).is_ok();
    assert!(finish(86_400_000) && !finish(86_400_001) && !finish(90_000_000) && !finish(0));
    let limit = 226_700;
    assert!(finish(limit) && !finish(limit - 100));
    let pace = |ms| Target::Pace { per_500m_ms: Millis(ms) };
    let cost = target_cost(Measure::Time(Millis(360_000)), &pace(120_000)).map(|c| c.amount());
    assert_eq!(cost, Ok(1_500.0));
    let time = Measure::Time(Millis(360_000));
    let covers = |dm| target_cost(time, &Target::Distance { distance_dm: Decimetres(dm) }).is_ok();
    assert!(covers(1) && !covers(0) && covers(22_680) && !covers(22_681));
}

#[test]
fn times_and_distances_are_shown_rounded_once() {
    for (ms, shown) in [
        (0, "0:00.0"),
        (49, "0:00.0"),
        (50, "0:00.1"),
        (59_949, "0:59.9"),
        (59_950, "1:00.0"),
        (605_400, "10:05.4"),
        (3_599_949, "59:59.9"),
        (3_599_950, "1:00:00.0"),
        (4_987_650, "1:23:07.7"),
        (7_325_000, "2:02:05.0"),
    ] {
        assert_eq!(clock(Millis(ms)), shown);
    }
    for (dm, shown) in [
        (0, "0 m"),
        (4, "0 m"),
        (5, "1 m"),
        (9_994, "999 m"),
        (9_995, "1,000 m"),
        (123_450, "12,345 m"),
        (1_234_560, "123,456 m"),
        (12_345_670, "1,234,567 m"),
    ] {
        assert_eq!(shown_metres(Decimetres(dm)), shown);
    }
}

#[test]
fn a_hundred_past_results_are_of_use_and_no_more() {
    let distance = Measure::Distance(Decimetres(17_000));
    let result = Target::Finish { finish_ms: Millis(400_000) };
    for (count, fits) in [(99, true), (100, true), (101, false), (102, false)] {
        let history = vec![PastResult { days_ago: 1, result }; count];
        let aim = Aim { history, ..Aim::default() };
        assert_eq!(Course::new(distance, 1, &aim).is_ok(), fits, "{count}");
    }
}
