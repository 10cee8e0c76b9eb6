//! The range that is drawn around a projection, its chance, and what the coach is told of both.

use thole_piece::{
    limits::Measure,
    plan::Course,
    projection::{Count, Estimate, Forecast, Live, Model, ModelFile, Width, Z_90, normal},
};
use thole_protocol::{
    spec::{Aim, PastResult, Plan, Target},
    units::{Decimetres, Millis, decimetres, millis},
};

const SEVENTEEN_HUNDRED: Measure = Measure::Distance(Decimetres(17_000));
const SIX_MINUTES: Measure = Measure::Time(Millis(360_000));

fn target(measure: Measure, amount: f64) -> Target {
    match measure {
        Measure::Distance(_) => Target::Finish { finish_ms: millis(amount * 1e3) },
        Measure::Time(_) => Target::Distance { distance_dm: decimetres(amount * 1e1) },
    }
}

fn course(measure: Measure, aims: Option<f64>, past: &[f64]) -> Course {
    let history =
        past.iter().map(|past| PastResult { days_ago: 9, result: target(measure, *past) });
    let history = history.collect();
    let target = aims.map(|amount| target(measure, amount));
    Course::new(measure, 1, &Aim { target, plan: Plan::Even, history }).unwrap()
}

/// This much work done, metres or seconds, with a row a second or every five metres, at this many m/s.
fn rowed(course: &Course, work: u32, speed: f64) -> Live {
    let mut live = Live::new();
    for row in 1..=work {
        let row = f64::from(row);
        match course.measure() {
            Measure::Distance(_) => {
                live.row(course, millis(row / speed * 1e3).0, decimetres(row * 1e1).0);
            }
            Measure::Time(_) => {
                live.row(course, millis(row * 1e3).0, decimetres(row * speed * 1e1).0);
            }
        }
    }
    live
}

/// The odds that go with a range: at its ends a finish is missed one time in ten, and in the middle every other
/// time. Given on the scale of what is left to row, as a ratio.
fn odds(measure: Measure, seen: Estimate, own: f64, spent: f64) -> f64 {
    let left = |finish: f64| libm::log(finish - spent);
    let (own, middle) = (left(own), left(seen.finish));
    let (slower_end, faster_end, room) = match measure {
        Measure::Distance(_) => (left(seen.high), left(seen.low), own - middle),
        Measure::Time(_) => (left(seen.low), left(seen.high), middle - own),
    };
    let half = if room > 0.0 { (slower_end - middle).abs() } else { (middle - faster_end).abs() };
    normal(Z_90 * room / half)
}

#[test]
fn the_chance_of_a_target_is_the_one_that_its_place_in_the_range_tells() {
    let mut seen_on_both_sides = [0, 0];
    for (measure, own, speed) in [
        (SEVENTEEN_HUNDRED, 400.0, 4.25),
        (SEVENTEEN_HUNDRED, 400.0, 4.21),
        (SEVENTEEN_HUNDRED, 400.0, 4.31),
        (SIX_MINUTES, 1_500.0, 4.2),
        (SIX_MINUTES, 1_500.0, 4.13),
        (SIX_MINUTES, 1_500.0, 4.16),
    ] {
        for past in [&[][..], &[own * 1.01][..], &[own * 0.985][..]] {
            let course = course(measure, Some(own), past);
            for share in [0, 2, 10, 33, 50, 71, 90] {
                let work = course.work() * f64::from(share) / 100.0;
                let live = rowed(&course, millis(work).0, speed);
                let seen = Forecast::default().estimate(&course, &live).unwrap();
                assert!(seen.low < seen.finish && seen.finish < seen.high, "{seen:?}");
                let spent = live.newest(&course).cost;
                let (told, odds) = (seen.chance.unwrap(), odds(measure, seen, own, spent));
                assert!((told - odds).abs() < 1e-6, "{share} %: {told} for {odds} in {seen:?}");
                seen_on_both_sides[usize::from(told > 0.5)] += 1;
            }
        }
    }
    assert!(seen_on_both_sides.iter().all(|times| *times > 20), "{seen_on_both_sides:?}");
}

#[test]
fn ranges_that_missed_too_often_are_drawn_wider_by_the_same_factor_on_both_sides() {
    for (measure, own, speed) in [(SEVENTEEN_HUNDRED, 400.0, 4.25), (SIX_MINUTES, 1_500.0, 4.2)] {
        let course = course(measure, Some(own), &[]);
        let live = rowed(&course, 180, speed);
        let width = Width::of(100_000);
        // 1.645 is the 95 % point of the normal distribution, 1.282 the 90 % point.
        assert!((width.factor() - 1.644_853_6 / 1.281_551_6).abs() < 1e-6, "{width:?}");
        let usual = live.projected(&course, &Model::shipped(), Width::default()).unwrap();
        let wider = live.projected(&course, &Model::shipped(), width).unwrap();
        let spent = live.newest(&course).cost;
        let left = |finish: f64| libm::log(finish - spent);
        assert_eq!(usual.finish, wider.finish);
        for (usual_end, wider_end) in [(usual.low, wider.low), (usual.high, wider.high)] {
            let by =
                (left(wider_end) - left(wider.finish)) / (left(usual_end) - left(usual.finish));
            assert!((by - width.factor()).abs() < 1e-6, "{by}");
        }
    }
}

#[test]
fn a_finish_on_the_target_has_made_it() {
    for (own, chance) in [(400.0, 1.0), (399.9, 0.0), (400.1, 1.0)] {
        let course = course(SEVENTEEN_HUNDRED, Some(own), &[]);
        let live = rowed(&course, 1_700, 4.25);
        let seen = Forecast::default().estimate(&course, &live).unwrap();
        assert_eq!((seen.finish, seen.chance), (400.0, Some(chance)));
    }
    for (own, chance) in [(1_450.8, 1.0), (1_450.9, 0.0), (1_450.7, 1.0)] {
        let course = course(SIX_MINUTES, Some(own), &[]);
        let live = rowed(&course, 360, 4.03);
        let seen = Forecast::default().estimate(&course, &live).unwrap();
        assert_eq!((seen.finish, seen.chance), (1_450.8, Some(chance)));
    }
}

/// Nothing is known, and nothing is rowed: there is no pace of their own to measure anything against.
#[test]
fn before_the_first_metre_nobody_has_a_pace_of_their_own() {
    for (measure, ms, dm) in [(SEVENTEEN_HUNDRED, 4_000, 0), (SIX_MINUTES, 4_000, 0)] {
        let course = course(measure, None, &[]);
        let mut live = Live::new();
        live.row(&course, ms, dm);
        let asked = live.asked(&course);
        assert_eq!(asked.reference, course.known().reference, "{measure:?}");
        assert!(asked.inputs.iter().all(|input| input.is_finite()), "{:?}", asked.inputs);
    }
}

#[test]
fn a_model_has_a_name_of_eighty_characters_at_most() {
    let file: ModelFile = serde_json::from_str(Model::shipped_text()).unwrap();
    let named = |length: usize| Model::of(&ModelFile { name: "ö".repeat(length), ..file.clone() });
    assert!(named(1).is_ok() && named(80).is_ok());
    assert!(named(0).is_err() && named(81).is_err() && named(82).is_err());
}

#[test]
fn a_number_of_a_model_is_a_thousand_at_most() {
    let file: ModelFile = serde_json::from_str(Model::shipped_text()).unwrap();
    for (number, fits) in [(100_000_000, true), (100_000_001, false), (200_000_000, false)] {
        for number in [number, -number] {
            let mut other = file.clone();
            other.mean[3] = number;
            assert_eq!(Model::of(&other).is_ok(), fits, "{number}");
        }
    }
}

#[test]
fn the_coach_is_told_how_often_ranges_held_and_how_wide_they_are_drawn() {
    let count = Count { finishes: 1, intervals: 3, held: 2, ..Count::default() };
    let told = |aim_ppm| count.told(Width::of(aim_ppm), "own pieces");
    assert_eq!(told(200_000).width_permille, 1_000);
    assert_eq!(told(100_000).width_permille, 1_283);
    assert_eq!(
        told(200_000).says,
        "Of 3 ranges projected for one finish here, 2 held the result; 8 of 10 should."
    );
    assert_eq!(
        told(100_000).says,
        "Of 3 ranges projected for one finish here, 2 held the result (8 of 10 should), so they are drawn 1.3 times as wide now."
    );
    assert_eq!(
        told(300_000).says,
        "Of 3 ranges projected for one finish here, 2 held the result (8 of 10 should), so they are drawn narrower now, 0.8 times as wide."
    );
    let none = Count::default().told(Width::default(), "own pieces").says;
    assert!(none.contains("none has been checked"), "{none}");
    // A finish moves the aim by a hundredth of what it missed beyond one in five, and it stays within its bounds.
    assert_eq!(Width::default().after(1.0).aim_ppm(), 192_000);
    assert_eq!(Width::default().after(0.0).aim_ppm(), 202_000);
    assert_eq!((Width::of(0).aim_ppm(), Width::of(900_000).aim_ppm()), (20_000, 400_000));
    let both = count.and(Count {
        finishes: 2,
        intervals: 4,
        held: 1,
        chances: 5,
        chance_permille: 70,
        made: 6,
        slower: 2,
        faster: 1,
    });
    assert_eq!(
        both,
        Count {
            finishes: 3,
            intervals: 7,
            held: 3,
            chances: 5,
            chance_permille: 70,
            made: 6,
            slower: 2,
            faster: 1,
        }
    );
}
