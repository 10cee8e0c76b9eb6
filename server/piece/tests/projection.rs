//! The projected finish with rows as they really come and as they never should.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use proptest::prelude::*;
use thole_piece::{
    limits::Measure,
    plan::Course,
    projection::{Estimate, Forecast, Live},
};
use thole_protocol::{
    spec::{Aim, PastResult, Plan, Target},
    units::{Decimetres, Millis, decimetres, millis},
};

/// By the shipped model.
trait Seen {
    fn seen(&self, course: &Course) -> Option<Estimate>;
}

impl Seen for Live {
    fn seen(&self, course: &Course) -> Option<Estimate> {
        Forecast::default().estimate(course, self)
    }
}

const SEVENTEEN_HUNDRED: Measure = Measure::Distance(Decimetres(17_000));

fn course(measure: Measure, target: Option<Target>, plan: Plan, past: &[Target]) -> Course {
    let history = past.iter().map(|result| PastResult { days_ago: 9, result: *result }).collect();
    Course::new(measure, 1, &Aim { target, plan, history }).unwrap()
}

fn finish(seconds: f64) -> Target {
    Target::Finish { finish_ms: millis(seconds * 1e3) }
}

/// A live projection after this share of the piece, rowed as `cost` says (share of the work to share of the
/// target), with 400 rows for the whole.
fn rowed(course: &Course, until: f64, cost: impl Fn(f64) -> f64) -> Live {
    let mut live = Live::new();
    let target = course.target_amount().unwrap_or(306.0);
    let steps = (1..=400).map(|step| f64::from(step) / 400.0);
    for x in steps.take_while(|x| *x <= until + 1e-9) {
        let (work, spent) = (x * course.work(), target * cost(x));
        match course.measure() {
            Measure::Distance(_) => {
                live.row(course, millis(spent * 1e3).0, decimetres(work * 1e1).0);
            }
            Measure::Time(_) => live.row(course, millis(work * 1e3).0, decimetres(spent * 1e1).0),
        }
    }
    live
}

/// Somebody who rows exactly to plan is shown the target, at every mark, in both kinds of pieces (science: a
/// plan-aware projection has no bias, whatever Garland's profiles do to a plain one).
#[test]
fn a_plan_follower_is_shown_the_target() {
    let by_time = Measure::Time(Millis(306_000));
    let far = Target::Distance { distance_dm: Decimetres(14_730) };
    let odd = Plan::Speeds { speeds_ppm: (0..20).map(|at| 970_000 + at * at * 120).collect() };
    for plan in [Plan::Even, Plan::FastStart, Plan::NegativeSplit, odd] {
        for (measure, target) in [(SEVENTEEN_HUNDRED, finish(306.0)), (by_time, far)] {
            let course = course(measure, Some(target), plan.clone(), &[]);
            let own = course.target_amount().unwrap();
            for share in 1..=20 {
                let live = rowed(&course, f64::from(share) / 20.0, |x| course.share(x));
                let asked = live.asked(&course);
                if share < 20 {
                    // Half a decimetre of a counter makes up part of the slack, early in the piece.
                    let (median, need) = (asked.median.abs(), asked.need.unwrap().abs());
                    assert!(median < 2e-3 && need < 2e-3, "{plan:?} at {share}/20: {asked:?}");
                }
                let Estimate { finish, low, high, .. } = live.seen(&course).unwrap();
                // With a fast start the model holds back part of what the published profile lifts at the end: from 70 % on
                // it is off by 1.49 to 1.79 % of the rest (0.27 % of the whole at 90 %), with every other plan by 1.25 % at
                // most. Only a fit could win that back: the pace of the last 2.5 %, used from 85 % on, makes 2000 m at 90 %
                // worse (0.99 s instead of 0.98 s).
                let part = match share {
                    ..3 => 0.02,
                    14.. if plan == Plan::FastStart => 0.018,
                    _ => 0.015,
                };
                let tolerance = own * part * (1.05 - f64::from(share) / 20.0);
                assert!(
                    (finish - own).abs() < tolerance,
                    "{plan:?} at {share}/20: {finish} not {own}"
                );
                assert!(low <= own + tolerance && own - tolerance <= high, "{low} to {high}");
            }
        }
    }
}

#[test]
fn before_a_twenty_fifth_only_what_was_known_counts() {
    // A crazy first minute changes nothing yet.
    let known = course(SEVENTEEN_HUNDRED, Some(finish(306.0)), Plan::Even, &[]);
    let prior = rowed(&known, 0.035, |x| x * 0.8).seen(&known).unwrap();
    assert_eq!(prior, Live::new().seen(&known).unwrap());
    assert!((prior.finish - 306.0).abs() < 1.0, "{prior:?}");
    // The best past result counts, mostly.
    let past = course(SEVENTEEN_HUNDRED, Some(finish(306.0)), Plan::Even, &[finish(315.0)]);
    let prior = Live::new().seen(&past).unwrap();
    assert!(
        prior.finish > 312.0 && prior.finish < 315.0 && prior.chance.unwrap() < 0.1,
        "{prior:?}"
    );
    // Without a target only the best past result; without both, nothing before and the pace after.
    let best = course(SEVENTEEN_HUNDRED, None, Plan::Even, &[finish(315.0), finish(311.0)]);
    let prior = Live::new().seen(&best).unwrap();
    assert!((prior.finish - 311.0).abs() < 1e-9 && prior.chance.is_none(), "{prior:?}");
    let nothing = course(SEVENTEEN_HUNDRED, None, Plan::Even, &[]);
    assert_eq!(rowed(&nothing, 0.04, |x| x).seen(&nothing), None);
    let pace = rowed(&nothing, 0.30, |x| x).seen(&nothing).unwrap();
    assert!((pace.finish - 306.0).abs() < 3.0, "{pace:?}");
}

#[test]
fn who_is_far_off_is_believed_in_the_end() {
    // Half an hour of hope does not turn somebody at half speed into a six-minute rower.
    let hopeful = course(SEVENTEEN_HUNDRED, Some(finish(306.0)), Plan::Even, &[finish(307.0)]);
    let seen = rowed(&hopeful, 0.6, |x| x * 1.6).seen(&hopeful).unwrap();
    assert!((seen.finish / (306.0 * 1.6) - 1.0).abs() < 0.01, "{seen:?}");
    assert!(seen.chance.unwrap() < 0.001);
    // Nor does a target make the slowest look absurd: they are shown as they row.
    let slow = rowed(&hopeful, 0.6, |x| x * 4.0).seen(&hopeful).unwrap();
    assert!((slow.finish / (306.0 * 4.0) - 1.0).abs() < 0.03, "{slow:?}");
    // But a machine that runs away is not shown at all: 10 m/s.
    let absurd = rowed(&hopeful, 0.6, |x| x * 0.55).seen(&hopeful);
    assert_eq!(absurd, None);
}

#[test]
fn a_finish_is_certain() {
    let known = course(SEVENTEEN_HUNDRED, Some(finish(306.0)), Plan::Even, &[]);
    let mut live = rowed(&known, 0.995, |x| x);
    // Past the line at 305.4 + 3 s, a quarter of the way behind it.
    live.row(&known, 308_000, 17_100);
    let end = live.seen(&known).unwrap();
    assert_eq!((end.low, end.high), (end.finish, end.finish));
    assert!(
        end.finish > 305.0
            && end.finish < 308.0
            && end.chance == Some(f64::from(u8::from(end.finish <= 306.0)))
    );
}

#[test]
fn a_target_that_is_gone_has_no_chance_and_one_that_is_reached_is_sure() {
    let slow = course(SEVENTEEN_HUNDRED, Some(finish(306.0)), Plan::Even, &[]);
    let seen = rowed(&slow, 0.95, |x| x * 1.1).seen(&slow).unwrap();
    assert_eq!(seen.chance, Some(0.0), "307.8 s are gone and 85 m are left");
    let far = Target::Distance { distance_dm: Decimetres(14_730) };
    let strong = course(Measure::Time(Millis(306_000)), Some(far), Plan::Even, &[]);
    let seen = rowed(&strong, 0.95, |x| x * 1.1).seen(&strong).unwrap();
    assert_eq!(seen.chance, Some(1.0), "the metres are there with 15 s left");
}

#[test]
fn what_is_enough_from_here_on() {
    let known = course(SEVENTEEN_HUNDRED, Some(finish(306.0)), Plan::Even, &[]);
    let enough = |ms, dm| {
        let mut live = Live::new();
        live.row(&known, ms, dm);
        live.enough_per_500m(&known)
    };
    // 850 m in 150 s leaves 156 s for 850 m: 1:31.765 for 500 m.
    assert_eq!(enough(150_000, 8_500), Some(Millis(91_765)));
    assert_eq!(enough(306_000, 8_500), None, "the target is missed");
    assert_eq!(enough(280_000, 8_500), None, "nobody rows 850 m in 26 s");
    assert_eq!(enough(300_000, 17_000), None, "the target is reached");
    let free = course(SEVENTEEN_HUNDRED, None, Plan::Even, &[]);
    assert_eq!(Live::new().enough_per_500m(&free), None, "there is no target");
    let far = Target::Distance { distance_dm: Decimetres(17_000) };
    let by_time = course(Measure::Time(Millis(306_000)), Some(far), Plan::Even, &[]);
    let mut live = Live::new();
    live.row(&by_time, 150_000, 8_500);
    assert_eq!(live.enough_per_500m(&by_time), Some(Millis(91_765)));
}

#[test]
fn one_athlete_takes_little_room() {
    assert!(size_of::<Live>() <= 1_024, "{} bytes", size_of::<Live>());
}

/// A machine that cuts its metres off is not shown half a metre slow for that.
#[test]
fn whole_metres_are_no_handicap() {
    let mut sum = 0.0;
    for seconds in 0..40 {
        let own = 306.0 + 1.7 * f64::from(seconds);
        let known = course(SEVENTEEN_HUNDRED, Some(finish(own)), Plan::Even, &[]);
        let (mut cut, mut exact) = (Live::new(), Live::new());
        for second in 1..=100 {
            let metres = f64::from(second) * 1_700.0 / own;
            cut.row(&known, second * 1_000, decimetres(metres.floor() * 1e1).0);
            exact.row(&known, second * 1_000, decimetres(metres * 1e1).0 | 1);
        }
        let shown = |live: &Live| live.seen(&known).unwrap().finish;
        sum += shown(&cut) / shown(&exact) - 1.0;
    }
    // Its rows are less even, and the model takes that for an uneven rower: 0.31 % of that is left, and it was under 0.3 %
    // with the fit before. The half metre itself is added exactly; the unevenness is an input of the fit.
    assert!((sum / 40.0).abs() < 0.0033, "{}", sum / 40.0);
}

/// Of two athletes alike except for a faster last tenth, the faster one is projected faster: always from a fifth of the
/// piece on. At 15 % that fails in 21 of 84, most of them in a piece by time with a past result like the target.
/// (It does not hold for somebody who is far ahead of the target early and goes faster still: that ends badly for most.)
#[test]
fn who_goes_faster_is_projected_faster() {
    let (mut cases, mut wrong) = (0, 0);
    for (measure, target) in [
        (SEVENTEEN_HUNDRED, finish(306.0)),
        (Measure::Time(Millis(306_000)), Target::Distance { distance_dm: Decimetres(14_730) }),
    ] {
        for past in [&[][..], &[target][..]] {
            let course = course(measure, Some(target), Plan::Even, past);
            let sign = if measure == SEVENTEEN_HUNDRED { 1.0 } else { -1.0 };
            for share in 3..=19 {
                for level in -3..=3 {
                    for faster in [0.005, 0.01, 0.02] {
                        let (x, level) = (f64::from(share) / 20.0, 1.0 + f64::from(level) * 0.01);
                        let bend = |by: f64| {
                            move |at: f64| at * level - sign * by * (at - (x - 0.1)).max(0.0)
                        };
                        let one = rowed(&course, x, bend(0.0)).seen(&course).unwrap().finish;
                        let other = rowed(&course, x, bend(faster)).seen(&course).unwrap().finish;
                        cases += usize::from(share == 3);
                        let is_wrong = (one - other) * sign <= 0.0;
                        assert!(share == 3 || !is_wrong, "{measure:?} {x} {level} {faster}");
                        wrong += usize::from(is_wrong);
                    }
                }
            }
        }
    }
    assert!(wrong * 4 <= cases, "{wrong} of {cases} go the wrong way");
}

fn odd_courses() -> impl Strategy<Value = Course> {
    let plan = prop_oneof![Just(Plan::Even), Just(Plan::FastStart), Just(Plan::NegativeSplit)];
    let past = prop::collection::vec(80_000_u32..400_000, 0..3);
    let parts =
        (any::<bool>(), 10_000_u32..500_000, any::<bool>(), 100_000_u32..400_000, plan, past);
    parts.prop_map(|(by_time, work, aims, pace, plan, past)| {
        let measure =
            if by_time { Measure::Time(Millis(work)) } else { Measure::Distance(Decimetres(work)) };
        let target = |per_500m_ms| Target::Pace { per_500m_ms: Millis(per_500m_ms) };
        let history = past
            .into_iter()
            .map(|past| PastResult { days_ago: 3, result: target(past.max(100_000)) });
        let aim = Aim { target: aims.then(|| target(pace)), plan, history: history.collect() };
        Course::new(measure, 2, &aim).unwrap()
    })
}

proptest! {
    /// Whatever rows come: always a number, the interval around the guess, a chance that is one, and the same
    /// again for the same rows.
    #[test]
    fn odd_rows_never_make_odd_numbers(
        course in odd_courses(),
        rows in prop::collection::vec((0_u32..600_000, 0_u32..600_000), 0..80),
        sorted in any::<bool>(),
    ) {
        let mut rows = rows;
        if sorted {
            rows.sort_unstable();
        }
        let (mut live, mut again) = (Live::new(), Live::new());
        for (ms, dm) in rows {
            live.row(&course, ms, dm);
            again.row(&course, ms, dm);
            prop_assert_eq!(live, again);
            let enough = live.enough_per_500m(&course);
            prop_assert!(enough.is_none_or(|pace| pace.0 > 0));
            let Some(Estimate { finish, low, high, chance }) = live.seen(&course) else { continue };
            prop_assert!(finish.is_finite() && low.is_finite() && high.is_finite());
            prop_assert!(low <= finish && finish <= high, "{} {} {}", low, finish, high);
            prop_assert!(low >= 0.0);
            prop_assert_eq!(chance.is_some(), course.target().is_some());
            prop_assert!(chance.is_none_or(|chance| (0.0..=1.0).contains(&chance)));
        }
    }
}
