//! What the outside world says, row by row: the id of each row, what it says and where it says so.
//!
//! P pace, S plans and their splits, L limits, K ranking. Where no source is known, the row says 'common
//! practice, no source'. Pace and power stand where they are used, in `client/src/rower.rs`.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use proptest::prelude::*;
use thole_piece::{
    limits::{self, Measure, clock, implausible_mean, target_cost},
    plan::{Course, pace_per_500m},
    projection::{Estimate, Forecast, Live},
    recording::Recording,
    standings::{RankedFinish, as_shown, final_places, places},
};
use thole_protocol::{
    ids::RunId,
    refusal::Why,
    sample::Sample,
    spec::{Aim, Extent, Leg, Plan, Ranking, Target},
    total::Total,
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

/// The shares of the work at which each quarter ends.
const QUARTERS: [f64; 4] = [0.25, 0.5, 0.75, 1.0];

/// Seconds that the plan has for each quarter.
fn quarters(course: &Course) -> [f64; 4] {
    QUARTERS.map(|x| course.planned(x).unwrap() - course.planned(x - 0.25).unwrap())
}

/// The finish of an athlete who rows on exactly as before, plan or no plan: what a plain projection shows.
fn even_pace(measure: Measure, seconds: f64, metres: f64) -> f64 {
    match measure {
        Measure::Distance(whole) => seconds * (f64::from(whole.0) / 1e1) / metres,
        Measure::Time(whole) => metres * (f64::from(whole.0) / 1e3) / seconds,
    }
}

#[test]
fn pace_of_parts_together() {
    // By arithmetic: 500 m in 1:40.0 and 1,000 m in 3:40.0.
    near("P12", f64::from(pace_per_500m(1_500.0, 320.0).unwrap().0) / 1e3, 106.67, 0.1);
}

#[test]
fn published_profiles() {
    // Garland SW (2005) Br J Sports Med 39:39-42, elite 2000 m on the ergometer and on the water.
    let ergometer = seven_minutes(Plan::FastStart);
    let water = seven_minutes(on_water());
    for (split, expected) in quarters(&ergometer).into_iter().zip([103.44, 105.20, 106.05, 105.31])
    {
        near("S1", split, expected, 0.01);
    }
    for (split, expected) in quarters(&water).into_iter().zip([101.68, 106.10, 106.86, 105.36]) {
        near("S2", split, expected, 0.01);
    }
    // Sample coefficient of variation; A-finals have 1.72 to 2.00 % (Mentzoni and Losnegard 2021).
    for (course, expected) in [(&ergometer, 1.05), (&water, 2.18)] {
        let splits = quarters(course);
        let squares: f64 = splits.iter().map(|split| (split - 105.0) * (split - 105.0)).sum();
        near("S7", (squares / 3.0).sqrt() / 105.0 * 100.0, expected, 0.02);
    }
    // Common practice, no source.
    let negative = seven_minutes(Plan::NegativeSplit);
    for (split, expected) in quarters(&negative).into_iter().zip([106.59, 105.51, 104.46, 103.44]) {
        near("S9", split, expected, 0.02);
    }
    // The published ergometer profile in a piece by time: 105 s of 7 minutes.
    let target = Target::Distance { distance_dm: Decimetres(20_000) };
    let aim = Aim { target: Some(target), plan: Plan::FastStart, ..Aim::default() };
    let measure = Measure::Time(Millis(420_000));
    let by_time = Course::new(measure, 1, &aim).unwrap();
    let covered = by_time.planned(0.25).unwrap();
    near("S8", covered, 507.4, 0.2);
    near("S8", even_pace(measure, 105.0, covered), 2_029.7, 0.2);
}

/// Follows a plan exactly and compares what a plain projection and the plan-aware one show.
fn bias(row: &str, plan: Plan, naive: [f64; 3], doubt: f64) {
    let course = seven_minutes(plan);
    let mut live = Live::new();
    let off = [2.7, 1.8, 1.2];
    for ((x, naive), off) in QUARTERS.into_iter().zip(naive).zip(off) {
        let (seconds, metres) = (course.planned(x).unwrap(), 2_000.0 * x);
        near(row, even_pace(course.measure(), seconds, metres), naive, 0.1);
        live.row(&course, millis(seconds * 1e3).0, decimetres(metres * 1e1).0);
        // The plan alone: exactly as planned, whatever the model believes about people.
        let asked = live.asked(&course);
        near("S6", asked.median, 0.0, 1e-3);
        near("S6", asked.need.unwrap(), 0.0, 1e-3);
        // With the model: people fade a little, and the projection says so; less and less of that is left.
        near(row, seen(&live, &course).finish, 420.0, off * doubt);
        near("S6", seconds / course.share(x), 420.0, 0.1);
    }
}

#[test]
fn an_even_pace_projection_is_biased_and_a_plan_aware_one_is_not() {
    // By arithmetic from Garland's profiles: table of the bias of a plain projection.
    bias("S4", Plan::FastStart, [413.8, 417.3, 419.6], 1.0);
    bias("S5", on_water(), [406.7, 415.6, 419.5], 1.0);
    // Few who begin slowly make all of it good, and the model has learnt that.
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
    let most = limits::SPEED_MAX;
    near("L1", 2.8 * most * most * most, 2_041.0, 1.0);
    let judged = |metres: f64, finish: f64| {
        let target = Target::Finish { finish_ms: millis(finish * 1e3) };
        let cost = target_cost(Measure::Distance(decimetres(metres * 1e1)), &target);
        (implausible_mean(metres, finish), cost.map_err(|refusal| refusal.why))
    };
    let good = |finish: f64| (false, Ok(Total::Time { finish_ms: millis(finish * 1e3) }));
    // World Rowing, 22 February 2023 and 12 March 2021; the slowest is a woman aged 96.
    assert_eq!(judged(2_000.0, 335.8), good(335.8), "L2");
    assert_eq!(judged(500.0, 70.5), good(70.5), "L3");
    assert_eq!(judged(2_000.0, 863.1), good(863.1), "L4");
    assert_eq!(judged(2_000.0, 310.0), (true, Err(Why::Unrowable)), "L5");
}

fn finishes(rows: &[(f64, f64)]) -> Vec<Option<RankedFinish>> {
    let total = |seconds: f64| Total::Time { finish_ms: millis(seconds * 1e3) };
    let finish = |(shown, own): &(f64, f64)| {
        Some(RankedFinish { shown: total(*shown), target: total(*own) })
    };
    rows.iter().map(finish).collect()
}

#[test]
fn ranking() {
    // World Rowing, 27 February 2021, men's lightweight 500 m: equal times share the place.
    let times =
        [77.4, 83.4, 83.4, 83.5, 83.6, 83.9].map(|time| Some(-i64::from(millis(time * 1e3).0)));
    assert_eq!(places(&times), [1, 2, 2, 4, 5, 6].map(Some), "K1");
    // By arithmetic: the order by share of their own target, and by seconds.
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
    let shown = as_shown(Total::Time { finish_ms: Millis(119_970) });
    assert_eq!(shown, Total::Time { finish_ms: Millis(120_000) }, "K6");
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
    /// S3: whatever the plan and the target, its curve only rises, and ends at the target.
    #[test]
    fn a_plan_rises_and_ends_at_the_target(
        (by_time, plan) in plans(170_000),
        pace in 80_000_u32..240_000,
        marks in prop::collection::vec(0.0..=1.0_f64, 0..12),
    ) {
        let measure = if by_time {
            Measure::Time(Millis(170_000))
        } else {
            Measure::Distance(Decimetres(170_000))
        };
        let target = Some(Target::Pace { per_500m_ms: Millis(pace) });
        let course = Course::new(measure, 1, &Aim { target, plan, ..Aim::default() }).unwrap();
        let mut marks = marks;
        marks.sort_by(f64::total_cmp);
        let spent: Vec<f64> =
            marks.into_iter().chain([1.0]).map(|x| course.planned(x).unwrap()).collect();
        prop_assert!(spent.windows(2).all(|pair| pair[0] <= pair[1]), "{spent:?}");
        prop_assert!(spent[0] >= 0.0);
        prop_assert_eq!(spent.last().copied(), course.target_amount());
    }
}
