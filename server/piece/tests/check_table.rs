//! What the outside world says, row by row: the id of each row, what it says and where that stands.
//!
//! P pace and power, S plans and their splits, L limits, K ranking, M the single stroke. Where no source
//! is known, the row says 'common practice, no source'.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use proptest::prelude::*;
use thole_piece::{
    limits::{self, Cost, Measure, clock, implausible_mean, target_cost},
    plan::{
        Course, joules_per_stroke, metres_per_stroke, pace_per_500m, speed_from_watts,
        watts_from_speed,
    },
    projection::{Estimate, Forecast, Live, naive_even_pace},
    recording::Recording,
    standings::{Finish, as_shown, final_places, places},
};
use thole_protocol::{
    ids::RunId,
    refusal::Why,
    sample::Sample,
    spec::{Aim, Extent, Leg, Plan, Ranking, Target},
    standing::Split,
    units::{At, Decimetres, Millis, decimetres, millis},
};
use uuid::Uuid;

/// Equal within a tolerance, with the row's id in the message.
fn near(row: &str, found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{row}: {found} is not {expected} ± {tolerance}"
    );
}

fn watts_at(pace_s: f64) -> f64 {
    watts_from_speed(500.0 / pace_s)
}

fn pace_at(watts: f64) -> f64 {
    500.0 / speed_from_watts(watts)
}

/// Where the shipped model sees this heading.
fn seen(live: &Live, course: &Course) -> Estimate {
    Forecast::default().estimate(course, live).unwrap()
}

/// The fixed-distance piece of the published profiles: 2000 m in 7:00.0.
fn seven_minutes(plan: Plan) -> Course {
    let aim =
        Aim { target: Some(Target::Finish { finish_ms: Millis(420_000) }), plan, ..Aim::default() };
    Course::new(Measure::Distance(Decimetres(20_000)), 1, &aim).unwrap()
}

/// On-water profile of Garland (2005): 103.3 / 99.0 / 98.3 / 99.7 % of the mean speed by quarters.
fn on_water() -> Plan {
    let quarters = [1_033_000, 990_000, 983_000, 997_000];
    Plan::Speeds { speeds_ppm: quarters.iter().flat_map(|speed| [*speed; 5]).collect() }
}

fn quarters(course: &Course) -> Vec<Split> {
    course.splits(&[5_000, 10_000, 15_000, 20_000])
}

fn seconds(splits: &[Split]) -> Vec<f64> {
    splits.iter().map(|split| f64::from(split.time_ms.0) / 1e3).collect()
}

/// Time gone at the end of each quarter.
fn passed(course: &Course) -> Vec<Millis> {
    let mut sum = Millis(0);
    let add = |split: Split| {
        sum = sum + split.time_ms;
        sum
    };
    quarters(course).into_iter().map(add).collect()
}

#[test]
fn pace_and_power() {
    // Cubic law with 2.80: common practice, no source.
    for (row, pace, watts) in
        [("P1", 100.0, 350.0), ("P2", 105.0, 302.3), ("P3", 120.0, 202.5), ("P4", 135.0, 142.2)]
    {
        near(row, watts_at(pace), watts, 0.1);
    }
    // World Rowing, 26 February 2021, on 2000 m under 5:40: 570 W.
    near("P5", watts_at(85.0), 569.9, 0.5);
    // Common practice, no source.
    for (row, watts, pace) in [("P6", 100.0, 151.8), ("P7", 200.0, 120.5), ("P8", 300.0, 105.3)] {
        near(row, pace_at(watts), pace, 0.05);
    }
    // The same article: 19 %, 89 % and 181 % more than for 6:00, 7:00 and 8:00.
    for (slower, ratio) in [(90.0, 1.187), (105.0, 1.885), (120.0, 2.814)] {
        near("P9", watts_at(85.0) / watts_at(slower), ratio, 0.005);
    }
    for tenths in 700..=3_000 {
        let pace = f64::from(tenths) / 1e1;
        near("P10", pace_at(watts_at(pace)) / pace, 1.0, 1e-9);
    }
    // The cube, by arithmetic.
    near("P11", (pace_at(202.0) / pace_at(200.0) - 1.0) * 100.0, -0.331, 0.001);
    let mean = (100.0 * watts_from_speed(5.0) + 220.0 * watts_from_speed(1_000.0 / 220.0)) / 320.0;
    near("P12", f64::from(pace_per_500m(1_500.0, 320.0).unwrap().0) / 1e3, 106.67, 0.1);
    near("P12", mean, 290.2, 0.1);
    near("P12", watts_at(320.0 / 3.0), 288.4, 0.1);
    // Schabort et al. (1999) J Sports Sci 17:627-632: variability in time is a third of that in power.
    let spread = (pace_at(98.0) - pace_at(102.0)) / 2.0 / pace_at(100.0);
    near("P13", spread * 100.0, 0.67, 0.01);
}

#[test]
fn published_profiles() {
    // Garland SW (2005) Br J Sports Med 39:39-42, elite 2000 m on the ergometer and on the water.
    let ergometer = seven_minutes(Plan::FastStart);
    let water = seven_minutes(on_water());
    for (split, expected) in
        seconds(&quarters(&ergometer)).iter().zip([103.44, 105.20, 106.05, 105.31])
    {
        near("S1", *split, expected, 0.01);
    }
    for (split, expected) in seconds(&quarters(&water)).iter().zip([101.68, 106.10, 106.86, 105.36])
    {
        near("S2", *split, expected, 0.01);
    }
    // Sample coefficient of variation; A-finals have 1.72 to 2.00 % (Mentzoni and Losnegard 2021).
    for (course, expected) in [(&ergometer, 1.05), (&water, 2.18)] {
        let splits = seconds(&quarters(course));
        let squares: f64 = splits.iter().map(|split| (split - 105.0) * (split - 105.0)).sum();
        near("S7", (squares / 3.0).sqrt() / 105.0 * 100.0, expected, 0.02);
    }
    // Common practice, no source.
    let negative = seven_minutes(Plan::NegativeSplit);
    for (split, expected) in
        seconds(&quarters(&negative)).iter().zip([106.59, 105.51, 104.46, 103.44])
    {
        near("S9", *split, expected, 0.02);
    }
    // The published ergometer profile in a piece by time: 105 s of 7 minutes.
    let target = Target::Distance { distance_dm: Decimetres(20_000) };
    let aim = Aim { target: Some(target), plan: Plan::FastStart, ..Aim::default() };
    let measure = Measure::Time(Millis(420_000));
    let by_time = Course::new(measure, 1, &aim).unwrap();
    let covered = by_time.planned(0.25).unwrap();
    near("S8", covered, 507.4, 0.2);
    let naive = naive_even_pace(measure, Millis(105_000), decimetres(covered * 1e1)).unwrap();
    near("S8", naive, 2_029.7, 0.2);
}

/// Follows a plan exactly and compares what a plain projection and the plan-aware one show.
fn bias(row: &str, plan: Plan, naive: [f64; 3], doubt: f64) {
    let course = seven_minutes(plan);
    let mut live = Live::new();
    let marks = [Decimetres(5_000), Decimetres(10_000), Decimetres(15_000)];
    let off = [2.7, 1.8, 1.2];
    for (((time, done), naive), off) in passed(&course).into_iter().zip(marks).zip(naive).zip(off) {
        let shown = naive_even_pace(course.measure(), time, done).unwrap();
        near(row, shown, naive, 0.1);
        live.row(&course, time.0, done.0);
        // The plan's block alone: exactly as planned, whatever the model believes of people.
        let asked = live.asked(&course);
        near("S6", asked.median, 0.0, 1e-3);
        near("S6", asked.need.unwrap(), 0.0, 1e-3);
        // With it: people fade a little, and the projection says so; less and less of it is left.
        near(row, seen(&live, &course).finish, 420.0, off * doubt);
        let x = f64::from(done.0) / 20_000.0;
        near("S6", f64::from(time.0) / 1e3 / course.share(x), 420.0, 0.1);
    }
}

#[test]
fn an_even_pace_projection_is_biased_and_a_plan_aware_one_is_not() {
    // By arithmetic from Garland's profiles: table of the bias of a plain projection.
    bias("S4", Plan::FastStart, [413.8, 417.3, 419.6], 1.0);
    bias("S5", on_water(), [406.7, 415.6, 419.5], 1.0);
    // Few who begin slowly make it all good again, and the model has learnt that.
    bias("S9", Plan::NegativeSplit, [426.3, 424.2, 422.1], 1.5);
    bias("even", Plan::Even, [420.0, 420.0, 420.0], 1.0);
}

#[test]
fn without_a_target_the_pace_counts() {
    let course = Course::new(Measure::Time(Millis(1_800_000)), 1, &Aim::default()).unwrap();
    let mut live = Live::new();
    for second in 1..=600 {
        live.row(&course, second * 1_000, second * 45);
    }
    let estimate = seen(&live, &course);
    near("S10", estimate.finish, 8_100.0, 60.0);
    assert_eq!(estimate.chance, None, "S10: no target, no chance");
}

#[test]
fn limits_stand_above_the_marks() {
    // L1: nobody rows 9.1 m/s over a stroke: 9.0 m/s is 2,041 W, twice the 500 m mark.
    let refused = |dm: i64| {
        let mut recording = Recording::default();
        let sample =
            |seq, heard_ms, distance_dm| Sample { seq, heard_ms, distance_dm, ..Sample::default() };
        let heard = [sample(1, 10_000, 0), sample(2, 12_000, dm)];
        recording.add(At(12_000), RunId(Uuid::nil()), &heard).refused.len()
    };
    assert_eq!((refused(182), refused(178)), (1, 0), "L1");
    near("L1", watts_from_speed(limits::SPEED_MAX), 2_041.0, 1.0);
    let judged = |metres: f64, finish: f64| {
        let target = Target::Finish { finish_ms: millis(finish * 1e3) };
        let cost = target_cost(Measure::Distance(decimetres(metres * 1e1)), &target);
        (implausible_mean(metres, finish), cost.map_err(|refusal| refusal.why))
    };
    let good = |finish: f64| (false, Ok(Cost::Time(millis(finish * 1e3))));
    // World Rowing, 22 February 2023 and 12 March 2021; the slowest is a woman aged 96.
    assert_eq!(judged(2_000.0, 335.8), good(335.8), "L2");
    assert_eq!(judged(500.0, 70.5), good(70.5), "L3");
    assert_eq!(judged(2_000.0, 863.1), good(863.1), "L4");
    assert_eq!(judged(2_000.0, 310.0), (true, Err(Why::Unrowable)), "L5");
}

fn finishes(rows: &[(f64, f64)]) -> Vec<Option<Finish>> {
    let target = |seconds: f64| Target::Finish { finish_ms: millis(seconds * 1e3) };
    let finish =
        |(shown, own): &(f64, f64)| Some(Finish { shown: target(*shown), target: target(*own) });
    rows.iter().map(finish).collect()
}

#[test]
fn ranking() {
    // World Rowing, 27 February 2021, men's lightweight 500 m: equal times share the place.
    let times =
        [77.4, 83.4, 83.4, 83.5, 83.6, 83.9].map(|time| Some(-i64::from(millis(time * 1e3).0)));
    assert_eq!(places(&times), [1, 2, 2, 4, 5, 6].map(Some), "K1");
    // By arithmetic: the order by share of the own target, and by seconds.
    let k2 = [(356.0, 360.0), (535.5, 540.0), (417.9, 420.0), (481.2, 480.0)];
    assert_eq!(final_places(Ranking::Share, &finishes(&k2)), [1, 2, 3, 4].map(Some), "K2");
    for ((finish, target), expected) in k2.into_iter().zip([1.11, 0.83, 0.50, -0.25]) {
        let target = Some(Target::Finish { finish_ms: millis(target * 1e3) });
        let aim = Aim { target, ..Aim::default() };
        let course = Course::new(Measure::Distance(Decimetres(17_000)), 1, &aim).unwrap();
        let margin = course.margin(finish).unwrap();
        near("K2", f64::from(margin.margin_ppm.0) / 1e4, expected, 0.01);
    }
    let mut k3 = k2;
    k3[1].0 = 533.0;
    assert_eq!(final_places(Ranking::Share, &finishes(&k3)), [2, 1, 3, 4].map(Some), "K3");
    assert_eq!(final_places(Ranking::Amount, &finishes(&k2)), [2, 1, 3, 4].map(Some), "K4");
    let power = k2.map(|(finish, target)| {
        let ratio: f64 = target / finish;
        Some(i64::from(millis(ratio * ratio * ratio * 1e6).0))
    });
    assert_eq!(places(&power), [1, 2, 3, 4].map(Some), "K5");
    // Shown to 0.1 s, rounded once.
    assert_eq!(
        (clock(Millis(119_970)), clock(Millis(59_960))),
        ("2:00.0".into(), "1:00.0".into()),
        "K6"
    );
    let shown = as_shown(Target::Finish { finish_ms: Millis(119_970) });
    assert_eq!(shown, Target::Finish { finish_ms: Millis(120_000) }, "K6");
}

#[test]
fn single_strokes() {
    // By arithmetic: work 60 P / R, way 60 v / R.
    near("M1", joules_per_stroke(350.0, 36.0).unwrap(), 583.3, 0.1);
    near("M1", metres_per_stroke(speed_from_watts(350.0), 36.0).unwrap(), 8.33, 0.01);
    near("M2", joules_per_stroke(200.0, 24.0).unwrap(), 500.0, 0.1);
    near("M2", metres_per_stroke(speed_from_watts(200.0), 24.0).unwrap(), 10.37, 0.01);
    assert_eq!(joules_per_stroke(0.0, 0.0), None, "who pauses has no stroke");
}

fn plans(work: u32) -> impl Strategy<Value = (bool, Plan)> {
    let legs = prop::collection::vec((1_u32..1_000, 70_000_u32..240_000), 1..9);
    let legs = (any::<bool>(), legs).prop_map(move |(by_time, legs)| {
        let whole: u64 = legs.iter().map(|(part, _)| u64::from(*part)).sum();
        let (mut sum, mut end) = (0, 0);
        let legs = legs.into_iter().map(|(part, pace)| {
            sum += u64::from(part);
            let here = u32::try_from(u64::from(work) * sum / whole).unwrap();
            let length = if by_time {
                Extent::Time { time_ms: Millis(here - end) }
            } else {
                Extent::Distance { distance_dm: Decimetres(here - end) }
            };
            end = here;
            Leg { length, per_500m_ms: Millis(pace) }
        });
        (by_time, Plan::Legs { legs: legs.collect() })
    });
    let speeds = prop::collection::vec(800_000_u32..1_200_000, 20);
    let speeds = speeds.prop_map(|speeds_ppm| Plan::Speeds { speeds_ppm });
    let named =
        prop_oneof![Just(Plan::Even), Just(Plan::FastStart), Just(Plan::NegativeSplit), speeds];
    prop_oneof![legs, (any::<bool>(), named)]
}

proptest! {
    /// S3: whatever the plan and the target, the splits add up to it to the millisecond.
    #[test]
    fn splits_add_up_to_the_target(
        (by_time, plan) in plans(170_000),
        pace in 80_000_u32..240_000,
        marks in prop::collection::btree_set(1_u32..170_000, 0..12),
    ) {
        let measure = if by_time {
            Measure::Time(Millis(170_000))
        } else {
            Measure::Distance(Decimetres(170_000))
        };
        let target = Some(Target::Pace { per_500m_ms: Millis(pace) });
        let course = Course::new(measure, 1, &Aim { target, plan, ..Aim::default() }).unwrap();
        let ends: Vec<u32> = marks.into_iter().chain([170_000]).collect();
        let splits = course.splits(&ends);
        let time: u64 = splits.iter().map(|split| u64::from(split.time_ms.0)).sum();
        let distance: u64 = splits.iter().map(|split| u64::from(split.distance_dm.0)).sum();
        let (work, cost) = if by_time { (time, distance) } else { (distance, time) };
        prop_assert_eq!(work, 170_000);
        prop_assert_eq!(cost, match course.target().unwrap() {
            Cost::Time(time) => u64::from(time.0),
            Cost::Distance(distance) => u64::from(distance.0),
        });
    }

    /// The plan's curve and its inverse are one curve.
    #[test]
    fn the_plan_can_be_read_both_ways((by_time, plan) in plans(60_000), x in 0.0..=1.0_f64) {
        let measure = if by_time {
            Measure::Time(Millis(60_000))
        } else {
            Measure::Distance(Decimetres(60_000))
        };
        let course = Course::new(measure, 1, &Aim { plan, ..Aim::default() }).unwrap();
        prop_assert!((course.inverse(course.share(x)) - x).abs() < 1e-9);
        prop_assert!((0.0..=1.0).contains(&course.share(x)));
    }
}
