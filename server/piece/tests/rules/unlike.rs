//! Athletes who row unlike their own target or past results, how a piece begins and ends, and pieces unlike those of
//! the fit.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use thole_piece::{
    limits::Measure,
    plan::Course,
    projection::{Estimate, Forecast, Live},
};
use thole_protocol::{
    spec::{Aim, PastResult, Plan, Target},
    units::{Decimetres, Millis, decimetres, millis},
};

const SEVENTEEN_HUNDRED: Measure = Measure::Distance(Decimetres(17_000));
const FIVE_MINUTES: Measure = Measure::Time(Millis(300_000));

fn amount(measure: Measure, amount: f64) -> Target {
    match measure {
        Measure::Distance(_) => Target::Finish { finish_ms: millis(amount * 1e3) },
        Measure::Time(_) => Target::Distance { distance_dm: decimetres(amount * 1e1) },
    }
}

fn course(measure: Measure, target: Option<f64>, past: &[f64]) -> Course {
    let history = (1..).zip(past);
    let history = history
        .map(|(days_ago, past)| PastResult { days_ago, result: amount(measure, *past) })
        .collect();
    let target = target.map(|target| amount(measure, target));
    Course::new(measure, 1, &Aim { target, plan: Plan::Even, history }).unwrap()
}

/// A row every this many seconds up to a share of the work, at a pace that `speed` gives for the share.
fn rowed(course: &Course, until: f64, every: f64, speed: impl Fn(f64) -> f64) -> Live {
    let mut live = Live::new();
    let (mut seconds, mut metres) = (0.0, 0.0);
    loop {
        let x = match course.measure() {
            Measure::Distance(_) => metres / course.work(),
            Measure::Time(_) => seconds / course.work(),
        };
        if x >= until {
            return live;
        }
        seconds += every;
        metres += every * speed(x);
        live.row(course, millis(seconds * 1e3).0, decimetres(metres * 1e1).0);
    }
}

fn even(course: &Course, until: f64, speed: f64) -> Live {
    rowed(course, until, 2.5, |_| speed)
}

fn seen(course: &Course, live: &Live) -> Estimate {
    Forecast::default().estimate(course, live).unwrap()
}

/// An even 4.2 m/s is 404.8 s for 1,700 m, and 1,260 m in five minutes. A target or a past result that is far from
/// that, whichever way and however far, has no effect.
#[test]
fn a_target_or_a_past_result_far_off_does_not_bend_the_finish() {
    for (measure, result, far, near) in [
        (SEVENTEEN_HUNDRED, 404.8, [295.0, 560.0, 800.0, 1_200.0, 9_000.0], [335.0, 480.0]),
        (FIVE_MINUTES, 1_260.0, [300.0, 100.0, 900.0, 1_720.0, 1_750.0], [1_070.0, 1_500.0]),
    ] {
        let none = course(measure, None, &[]);
        for share in [0.08, 0.12, 0.25, 0.5, 0.75, 0.95] {
            let of = |course: &Course| seen(course, &even(course, share, 4.2));
            let nothing = of(&none);
            // Many begin so far from their target and come back to it, if it is by less than a third.
            let near = near.into_iter().filter(|_| share > 0.4);
            for odd in far.into_iter().chain(near) {
                for (target, past) in [(Some(odd), &[][..]), (None, &[odd][..])] {
                    let bent = of(&course(measure, target, past));
                    for (bent, nothing) in [
                        (bent.finish, nothing.finish),
                        (bent.low, nothing.low),
                        (bent.high, nothing.high),
                    ] {
                        let off = (bent / nothing - 1.0).abs();
                        assert!(off < 1e-6, "{measure:?} {share}: {odd} makes {bent} of {nothing}");
                    }
                }
                // What fits is believed beside what does not.
                let fits = of(&course(measure, Some(result * 1.01), &[]));
                let beside = of(&course(measure, Some(result * 1.01), &[odd]));
                assert!((beside.finish / fits.finish - 1.0).abs() < 1e-6, "{share}: past {odd}");
                let fits = of(&course(measure, None, &[result * 0.99]));
                let beside = of(&course(measure, Some(odd), &[result * 0.99]));
                assert!((beside.finish / fits.finish - 1.0).abs() < 1e-6, "{share}: target {odd}");
            }
        }
    }
}

/// Six who row 2000 m in 7:10 and aim at 20:00.
#[test]
fn a_target_of_twenty_minutes_makes_nobody_slower() {
    let measure = Measure::Distance(Decimetres(20_000));
    let course = course(measure, Some(1_200.0), &[]);
    for (share, most) in [(0.06, 15.0), (0.1, 13.0), (0.25, 12.0), (0.5, 7.0), (0.75, 4.0)] {
        let told = seen(&course, &even(&course, share, 2_000.0 / 430.0));
        assert!((told.finish - 430.0).abs() < most, "at {share}: {told:?}");
        assert!(told.low < 430.0 && told.high > 430.0 && told.high < 480.0, "at {share}: {told:?}");
        assert!(told.chance.unwrap() > 0.999);
    }
}

/// Between what was known before and what is rowed there is no jump, and none where a target is doubted.
#[test]
fn what_was_known_gives_way_little_by_little() {
    for measure in [SEVENTEEN_HUNDRED, FIVE_MINUTES] {
        for off in [-0.15, -0.13, -0.1, -0.05, 0.0, 0.05, 0.1, 0.13, 0.15] {
            let own = match measure {
                Measure::Distance(_) => 1_700.0 / 4.2,
                Measure::Time(_) => 300.0 * 4.2,
            };
            let course = course(measure, Some(own * (1.0 + off)), &[own * (1.01 + off)]);
            let mut before: Option<f64> = None;
            for thousandth in (10..130).step_by(5) {
                let live = rowed(&course, f64::from(thousandth) / 1e3, 0.5, |_| 4.2);
                let told = seen(&course, &live).finish;
                let step = before.map_or(0.0, |before| (told / before - 1.0).abs());
                // When a bin is passed, more is known than a moment before.
                assert!(step < 0.022, "{measure:?}, {off} off: {step} at {thousandth}");
                before = Some(told);
            }
        }
    }
}

/// The rest at the pace of the last 2.5 %: somebody who fades or lifts at the end is believed more and more.
#[test]
fn in_the_end_the_pace_of_the_last_strokes_decides() {
    for (measure, past) in [(SEVENTEEN_HUNDRED, 404.8), (FIVE_MINUTES, 1_260.0)] {
        let course = course(measure, Some(past), &[past]);
        for faded in [0.75, 0.85, 1.1] {
            // The change comes where three hundredths of the piece are left before each look.
            for (share, part) in [(0.97, 0.4), (0.98, 0.45), (0.99, 0.5)] {
                let live =
                    rowed(
                        &course,
                        share,
                        0.25,
                        |x| if x < share - 0.03 { 4.2 } else { 4.2 * faded },
                    );
                let now = live.newest(&course);
                let rest = course.work() - now.work;
                let at = |speed: f64| match measure {
                    Measure::Distance(_) => now.cost + rest / speed,
                    Measure::Time(_) => now.cost + rest * speed,
                };
                let (as_before, physics) = (at(4.2), at(4.2 * faded));
                let told = seen(&course, &live).finish;
                let share_of_physics = (told - as_before) / (physics - as_before);
                assert!(
                    (part..1.4).contains(&share_of_physics),
                    "{measure:?} {faded} at {share}: {told} between {as_before} and {physics}"
                );
            }
        }
    }
}

/// How far a range reaches half-way through, as a share of what is left.
fn width(course: &Course, every: f64) -> f64 {
    let live = rowed(course, 0.5, every, |_| 4.2);
    let told = seen(course, &live);
    (told.high - told.low) / (told.finish - live.newest(course).cost)
}

#[test]
fn ranges_are_wider_the_further_a_piece_is_from_those_of_the_fit() {
    let by_time = |seconds: u32| {
        let measure = Measure::Time(Millis(1_000 * seconds));
        width(&course(measure, Some(4.2 * f64::from(seconds)), &[]), f64::from(seconds) / 300.0)
    };
    for pair in [[110, 60], [60, 30], [30, 15], [2_000, 3_600], [3_600, 10_800]] {
        let [near, far] = pair.map(by_time);
        assert!(far > near * 1.05, "{pair:?}: {near} and {far}");
    }
}

/// Half as short again is equally far from what was learnt wherever one starts: the distance counts in the logarithm of
/// the time.
#[test]
fn each_halving_or_doubling_of_a_piece_widens_the_range_by_as_much() {
    let wider = |seconds: u32| {
        let measure = Measure::Time(Millis(1_000 * seconds));
        let course = course(measure, Some(4.2 * f64::from(seconds)), &[]);
        rowed(&course, 0.5, f64::from(seconds) / 300.0, |_| 4.2).asked(&course).wider
    };
    for [learnt, once, twice] in [[120, 60, 30], [1_800, 3_600, 7_200]] {
        let (first, second) = (wider(once) - wider(learnt), wider(twice) - wider(once));
        assert!(first > 0.3 && (second - first).abs() < 0.01, "{once} s: {first} and {second}");
    }
    let within = wider(120) - wider(600);
    assert!(within.abs() < 0.01, "{within}: nothing is wider within what was learnt");
}

#[test]
fn ranges_are_wider_when_a_machine_is_heard_seldom() {
    let course = course(SEVENTEEN_HUNDRED, Some(404.8), &[]);
    let (often, seldom, hardly) = (width(&course, 2.0), width(&course, 30.0), width(&course, 60.0));
    assert!(seldom > often * 1.05 && hardly > seldom * 1.1, "{often} {seldom} {hardly}");
}

#[test]
fn who_has_stopped_once_has_a_wider_range() {
    let course = course(SEVENTEEN_HUNDRED, Some(430.0), &[]);
    let of =
        |stops: bool| {
            // Some twenty seconds without a stroke.
            let live = rowed(&course, 0.6, 2.0, |x| {
                if stops && (0.4..0.405).contains(&x) { 0.4 } else { 4.2 }
            });
            let told = seen(&course, &live);
            (told.high - told.low) / (told.finish - live.newest(&course).cost)
        };
    let (steady, stopped) = (of(false), of(true));
    assert!(stopped > steady * 1.25, "{steady} and {stopped}");
}
