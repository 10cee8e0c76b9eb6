//! Plans in legs and in repeats, and what they come to on the way.

use thole_piece::{
    limits::Measure,
    plan::{Course, check_plan, pace_per_500m},
    projection::{Class, Forecast, Live},
};
use thole_protocol::{
    spec::{Aim, Extent, Leg, Plan, Target},
    total::Total,
    units::{Decimetres, Millis},
};

fn leg(length: Extent, pace_ms: u32) -> Leg {
    Leg { length, per_500m_ms: Millis(pace_ms) }
}

fn seconds(ms: u32) -> Extent {
    Extent::Time { time_ms: Millis(ms) }
}

const MINUTE_AND_A_HALF: Measure = Measure::Time(Millis(90_000));

fn covers(dm: u32) -> Option<Target> {
    Some(Target::Distance { distance_dm: Decimetres(dm) })
}

#[test]
fn legs_by_time_are_rowed_at_their_own_paces() {
    // A minute at 2:05.0 is 240 m, half a minute at 1:40.0 is 150 m.
    let legs = vec![leg(seconds(60_000), 125_000), leg(seconds(30_000), 100_000)];
    let aim = Aim { target: covers(3_900), plan: Plan::Legs { legs }, ..Aim::default() };
    let course = Course::new(MINUTE_AND_A_HALF, 3, &aim).unwrap();
    assert_eq!(course.repeats(), 3);
    let told = [30.0, 60.0, 75.0, 90.0].map(|second| course.planned(second / 90.0).unwrap());
    for (found, metres) in told.into_iter().zip([120.0, 240.0, 315.0, 390.0]) {
        assert!((found - metres).abs() < 1e-9, "{found} for {metres} m");
    }
    assert_eq!(course.planned_pace(0.3), Some(Millis(125_000)));
    assert_eq!(course.planned_pace(0.8), Some(Millis(100_000)));
    assert_eq!(course.planned_pace(1.0), Some(Millis(100_000)));
    assert_eq!(course.planned_pace(0.0), Some(Millis(125_000)));
}

/// 800 m at 2:00.0 and 900 m at 1:55.0 are 6:39.0; a minute at 2:05.0 and half of one at 1:40.0 are 390 m.
#[test]
fn legs_without_a_target_make_it() {
    let metres = |metres: u32| Extent::Distance { distance_dm: Decimetres(10 * metres) };
    let seventeen_hundred = Measure::Distance(Decimetres(17_000));
    let by_distance = vec![leg(metres(800), 120_000), leg(metres(900), 115_000)];
    let by_time = vec![leg(seconds(60_000), 125_000), leg(seconds(30_000), 100_000)];
    for (measure, legs, target, share) in [
        (seventeen_hundred, by_distance, Total::Time { finish_ms: Millis(399_000) }, 192.0 / 399.0),
        (
            MINUTE_AND_A_HALF,
            by_time,
            Total::Distance { distance_dm: Decimetres(3_900) },
            240.0 / 390.0,
        ),
    ] {
        let aim = Aim { plan: Plan::Legs { legs }, ..Aim::default() };
        let course = Course::new(measure, 1, &aim).unwrap();
        assert_eq!(course.target(), Some(target));
        let first = if measure == seventeen_hundred { 800.0 / 1_700.0 } else { 60.0 / 90.0 };
        assert!((course.share(first) - share).abs() < 1e-9);
        let aim = Aim { target: Some(Target::Pace { per_500m_ms: Millis(123_000) }), ..aim };
        let course = Course::new(measure, 1, &aim).unwrap();
        assert_ne!(course.target(), Some(target), "a target that was typed stands");
    }
    let even = Course::new(seventeen_hundred, 1, &Aim::default()).unwrap();
    assert_eq!(even.target(), None);
    // Each leg could be rowed, but nobody can row all of them together.
    let legs = vec![leg(metres(1_700), 60_000)];
    let aim = Aim { plan: Plan::Legs { legs }, ..Aim::default() };
    let says = Course::new(seventeen_hundred, 1, &aim).unwrap_err().says;
    assert!(says.starts_with("Nobody rows 1,700 m in 3:24.0"), "{says}");
}

#[test]
fn legs_that_do_not_add_up_are_told_to_the_millisecond_where_it_matters() {
    let says = |ms: u32| {
        let legs = vec![leg(seconds(60_000), 125_000), leg(seconds(ms), 125_000)];
        check_plan(MINUTE_AND_A_HALF, &Plan::Legs { legs }).map_err(|refusal| refusal.says)
    };
    assert_eq!(says(30_000), Ok(()));
    for (ms, sum) in [(30_004, "1:30.004"), (30_100, "1:30.1"), (29_960, "1:29.960")] {
        let says = says(ms).unwrap_err();
        assert_eq!(
            says,
            format!(
                "The legs add up to {sum}, but the piece is 1:30.0: change a leg so that they match."
            )
        );
    }
}

#[test]
fn a_leg_is_neither_faster_than_anybody_nor_slower_than_an_hour_and_has_a_length() {
    let fits = |length, pace| {
        check_plan(MINUTE_AND_A_HALF, &Plan::Legs { legs: vec![leg(length, pace)] }).is_ok()
    };
    for (pace, is) in [
        (55_555, false),
        (55_556, true),
        (3_600_000, true),
        (3_600_001, false),
        (4_000_000, false),
        (0, false),
    ] {
        assert_eq!(fits(seconds(90_000), pace), is, "{pace} ms");
    }
    let nothing = vec![leg(seconds(0), 120_000), leg(seconds(90_000), 120_000)];
    assert!(check_plan(MINUTE_AND_A_HALF, &Plan::Legs { legs: nothing }).is_err());
    let speeds = |fastest: u32| {
        let mut speeds_ppm = vec![1_000; 20];
        speeds_ppm[7] = fastest;
        check_plan(MINUTE_AND_A_HALF, &Plan::Speeds { speeds_ppm }).is_ok()
    };
    assert!(speeds(4_999) && !speeds(5_000) && !speeds(6_000));
}

#[test]
fn pieces_are_short_up_to_a_kilometre_and_long_from_twelve_minutes_and_forty_seconds_on() {
    let of = |metres: u32, reference: f64| {
        let measure = Measure::Distance(Decimetres(10 * metres));
        Class::of(measure, 1, f64::from(metres), reference)
    };
    assert_eq!((of(1_000, 329.9), of(1_000, 330.0)), (Class::Short, Class::Middle));
    assert_eq!(of(1_001, 200.0), Class::Middle);
    assert_eq!((of(3_000, 759.9), of(3_000, 760.0)), (Class::Middle, Class::Long));
    let by_time =
        |seconds: f64, repeats| Class::of(Measure::Time(Millis(1)), repeats, seconds, 9.0);
    assert_eq!((by_time(329.0, 1), by_time(330.0, 1)), (Class::Short, Class::Middle));
    assert_eq!((by_time(760.0, 1), by_time(100.0, 2)), (Class::Long, Class::Repeats));
}

#[test]
fn nothing_rowed_has_no_pace() {
    assert_eq!(pace_per_500m(0.0, 10.0), None);
    assert_eq!(pace_per_500m(10.0, 0.0), None);
    assert_eq!(pace_per_500m(500.0, 3_600.0), Some(Millis(3_600_000)));
    assert_eq!(pace_per_500m(500.0, 3_600.1), None);
}

/// A tenth of a piece by time gone by without a metre.
#[test]
fn without_a_metre_a_target_still_tells_something_and_nothing_tells_nothing() {
    let seen = |target| {
        let course = Course::new(MINUTE_AND_A_HALF, 1, &Aim { target, ..Aim::default() }).unwrap();
        let mut live = Live::new();
        live.row(&course, 9_000, 0);
        Forecast::default().estimate(&course, &live)
    };
    assert!(seen(covers(3_600)).is_some_and(|seen| seen.chance.is_some()));
    assert_eq!(seen(None), None);
}
