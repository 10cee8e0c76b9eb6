//! The projection against numbers computed elsewhere: its inputs by numpy, the normal distribution by
//! scipy; and how it learns from finishes.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use serde::Deserialize;
use thole_piece::{
    Input, Session,
    limits::Measure,
    plan::Course,
    projection::{
        Count, Estimate, Forecast, INPUTS, Live, Marks, Model, ModelFile, Width, Z_90, bent, normal,
    },
};
use thole_protocol::{
    spec::{Aim, PastResult, Plan, Target},
    units::{At, Decimetres, Millis, decimetres, millis},
};

/// One invented athlete, and what numpy makes of the first rows.
#[derive(Deserialize)]
struct Case {
    by: String,
    whole: f64,
    repeats: usize,
    target: Option<f64>,
    history: Vec<f64>,
    plan: serde_json::Value,
    samples: Vec<(u32, u32)>,
    looks: Vec<Look>,
}

#[derive(Deserialize)]
struct Look {
    rows: usize,
    inputs: Vec<f32>,
}

#[derive(Deserialize)]
struct Normal {
    cdf: Vec<(f64, f64)>,
    z_90: f64,
}

fn course(case: &Case) -> Course {
    let by_distance = case.by == "distance";
    let amount = |amount: f64| match by_distance {
        true => Target::Finish { finish_ms: millis(amount * 1e3) },
        false => Target::Distance { distance_dm: decimetres(amount * 1e1) },
    };
    let measure = match by_distance {
        true => Measure::Distance(decimetres(case.whole * 1e1)),
        false => Measure::Time(millis(case.whole * 1e3)),
    };
    let plan = match case.plan.as_str() {
        Some("even") => Plan::Even,
        Some("fast_start") => Plan::FastStart,
        Some(_) => Plan::NegativeSplit,
        None => {
            let speeds: Vec<f64> = serde_json::from_value(case.plan.clone()).unwrap();
            let speeds_ppm = speeds.iter().map(|speed| millis(speed * 1e6).0).collect();
            Plan::Speeds { speeds_ppm }
        }
    };
    let past = (1..).zip(&case.history);
    let history =
        past.map(|(days_ago, past)| PastResult { days_ago, result: amount(*past) }).collect();
    let aim = Aim { target: case.target.map(amount), plan, history };
    Course::new(measure, case.repeats, &aim).unwrap()
}

/// Each of the 30 inputs, for pieces by distance and by time, with and without target and past results, early
/// and late: as numpy computes them from the description (fixtures/features.py).
#[test]
fn the_inputs_are_those_that_numpy_computes() {
    let cases: Vec<Case> = serde_json::from_str(include_str!("fixtures/features.json")).unwrap();
    let mut compared = 0;
    for (number, case) in cases.iter().enumerate() {
        let course = course(case);
        for look in &case.looks {
            let mut live = Live::new();
            for (ms, dm) in case.samples.iter().take(look.rows) {
                live.row(&course, *ms, *dm);
            }
            let found = live.asked(&course).inputs;
            assert_eq!(look.inputs.len(), INPUTS);
            for (at, (found, expected)) in found.iter().zip(&look.inputs).enumerate() {
                assert!(
                    (found - expected).abs() < 2e-5,
                    "case {number}, {} rows, input {at}: {found} is not {expected}",
                    look.rows
                );
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 8 * 7 * INPUTS);
}

/// `scipy.stats.norm` (fixtures/normal.json): `cdf` from -6 to 6, and `ppf(0.9)`.
#[test]
fn the_normal_distribution_is_that_of_scipy() {
    let told: Normal = serde_json::from_str(include_str!("fixtures/normal.json")).unwrap();
    assert_eq!(told.cdf.len(), 49);
    for (z, share) in told.cdf {
        assert!((normal(z) - share).abs() < 1e-12, "{z}: {} is not {share}", normal(z));
    }
    assert!((Z_90 - told.z_90).abs() < 1e-12, "{}", told.z_90);
}

/// The activation of the cells is the hyperbolic tangent, within 0.0002 (libm as the reference).
#[test]
fn cells_bend_as_they_say() {
    for step in -2_000..=2_000_i16 {
        let x = f32::from(step) / 200.0;
        assert!((bent(x) - libm::tanhf(x)).abs() < 2e-4, "{x}: {}", bent(x));
    }
}

#[test]
fn a_model_file_that_is_none_is_refused_with_what_to_do() {
    let good: ModelFile = serde_json::from_str(Model::shipped_text()).unwrap();
    assert!(Model::of(&good).is_ok());
    let wrong = |change: &dyn Fn(&mut ModelFile)| {
        let mut file = good.clone();
        change(&mut file);
        Model::of(&file).unwrap_err()
    };
    for (says, of) in [
        (wrong(&|file| file.format = 1), "format 1"),
        (wrong(&|file| file.name.clear()), "a name of 1 to 80"),
        (wrong(&|file| file.mean.truncate(29)), "mean holds 29 numbers, not 30"),
        (wrong(&|file| file.deviation[3] = 0), "not above 0"),
        (wrong(&|file| drop(file.layers.pop())), "number of layers"),
        (wrong(&|file| file.layers[0].weights.push(1)), "needs 1440 weights"),
        (wrong(&|file| file.layers[1].biases[0] = i32::MIN), "beyond 1,000"),
        (wrong(&|file| file.widening[6] = -1), "not above 0"),
    ] {
        assert!(says.contains(of), "{says} does not say {of}");
    }
}

/// Shown 300 s (290 to 310) at each mark.
fn marks() -> Marks {
    let mut marks = Marks::default();
    while marks.next().is_some() {
        let chance = Some(0.25);
        marks.pass(Some(Estimate { finish: 300.0, low: 290.0, high: 310.0, chance }));
    }
    marks
}

#[test]
fn finishes_are_held_against_what_was_shown() {
    let mut count = Count::default();
    let by_distance = Measure::Distance(Decimetres(20_000));
    assert_eq!(count.add(by_distance, &marks(), 305.0, true), Some(0.0));
    assert_eq!(count.add(by_distance, &marks(), 311.0, false), Some(1.0));
    // Where nothing was shown, nothing is counted.
    assert_eq!(count.add(by_distance, &Marks::default(), 305.0, true), None);
    let told = count.told(Width::default(), "own pieces");
    assert_eq!((told.finishes, told.intervals, told.held), (2, 6, 3));
    assert_eq!((told.chances, told.made, told.chance_permille), (6, 3, 1_500));
    assert_eq!(
        told.says,
        "Of 6 ranges projected for 2 finishes here, 3 held the result; 8 of 10 should."
    );
}

/// Sixty finishes of which seven in ten come out on one side of what was shown are more than chance; which side is
/// the slower one differs between metres and seconds.
#[test]
fn who_is_projected_wrong_on_one_side_for_long_is_told_to_fit_a_model() {
    let says = |measure, off: u32, finishes: u32| {
        let mut count = Count::default();
        for finish in 0..finishes {
            count.add(measure, &marks(), if finish < off { 304.0 } else { 296.0 }, true);
        }
        count.told(Width::default(), "own pieces").says
    };
    let by_distance = Measure::Distance(Decimetres(20_000));
    let by_time = Measure::Time(Millis(300_000));
    let told = "of 60 finishes were slower than projected: fit a model of your own, with `thole-server fit`.";
    let usual =
        "Of 180 ranges projected for 60 finishes here, 180 held the result; 8 of 10 should.";
    assert_eq!(says(by_distance, 42, 60), format!("{usual} 42 {told}"));
    assert_eq!(says(by_time, 18, 60), format!("{usual} 42 {told}"));
    assert_eq!(says(by_time, 60, 60), format!("{usual} 60 {}", told.replace("slower", "faster")));
    assert_eq!(says(by_distance, 41, 60), usual);
    assert_eq!(says(by_distance, 30, 60), usual);
    assert!(!says(by_distance, 59, 59).contains("fit"), "not for long yet");
    let before = Count { slower: 60, finishes: 60, intervals: 180, held: 180, ..Count::default() };
    assert_eq!(before.by_another_model().told(Width::default(), "").says, usual);
    // A note from before the sides were counted.
    let note =
        r#"{"finishes":1,"intervals":3,"held":2,"chances":3,"chance_permille":900,"made":0}"#;
    let note: Count = serde_json::from_str(note).unwrap();
    assert_eq!(note.and(before).slower, 60);
}

/// Adaptive conformal inference (Gibbs and Candès 2021): whatever people are like, the share of misses comes
/// close to the one aimed at. Here they are spread half as much again as the model believes.
#[test]
fn intervals_learn_how_unsure_people_really_are() {
    let mut width = Width::default();
    assert_eq!(width.factor(), 1.0);
    let (mut missed_late, mut late) = (0.0, 0.0);
    // Golden-ratio steps fill the unit interval evenly, so the finishes are normal without randomness.
    let mut at = 0.5;
    for finish in 0..6_000 {
        at = (at + 0.618_033_988_749_895) % 1.0;
        let (mut low, mut high) = (-8.0, 8.0);
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if normal(middle) < at { low = middle } else { high = middle }
        }
        let off: f64 = 1.5 * low;
        let missed = f64::from(u8::from(off.abs() > Z_90 * width.factor()));
        width = width.after(missed);
        if finish >= 2_000 {
            (missed_late, late) = (missed_late + missed, late + 1.0);
        }
    }
    assert!((missed_late / late - 0.2_f64).abs() < 0.02, "{}", missed_late / late);
    assert!((1.35..1.6).contains(&width.factor()), "{}", width.factor());
    // Somebody who is always right gets narrower ranges, but not without end.
    let sure = (0..5_000).fold(Width::default(), |width, _| width.after(0.0));
    assert!((0.6..0.7).contains(&sure.factor()), "{}", sure.factor());
    assert_eq!(Width::of(sure.aim_ppm()), sure, "kept and read again");
}

/// A mistyped target: the coach is warned, the range is wider, the pace is believed.
#[test]
fn a_nonsense_target_is_seen_for_what_it_is() {
    let rowed = |target: f64| {
        let case = Case {
            by: "distance".to_owned(),
            whole: 1_700.0,
            repeats: 1,
            target: Some(target),
            history: Vec::new(),
            plan: "even".into(),
            samples: Vec::new(),
            looks: Vec::new(),
        };
        let course = course(&case);
        let mut live = Live::new();
        for second in 1..=200_u32 {
            live.row(&course, second * 1_000, second * 43 + second % 3);
        }
        let estimate = Forecast::default().estimate(&course, &live).unwrap();
        (live.is_far_off(&course), estimate.finish, estimate.high - estimate.low)
    };
    let (sensible, mistyped) = (rowed(396.0), rowed(260.0));
    assert_eq!((sensible.0, mistyped.0), (false, true));
    assert!((mistyped.1 / 395.0 - 1.0).abs() < 0.03, "{mistyped:?}");
    assert!(mistyped.2 > sensible.2, "{mistyped:?} is no wider than {sensible:?}");
}

/// Somebody stops for 40 s in mid-piece and rows on as before: the time is lost but not the pace, and the
/// range says that less is known than about somebody who never stopped.
#[test]
fn a_stop_costs_its_time_and_makes_the_range_wider() {
    let case = Case {
        by: "distance".to_owned(),
        whole: 1_700.0,
        repeats: 1,
        target: Some(396.0),
        history: Vec::new(),
        plan: "even".into(),
        samples: Vec::new(),
        looks: Vec::new(),
    };
    let course = course(&case);
    let rowed = |stop_ms: u32, until: u32| {
        let mut live = Live::new();
        for second in 1..=until {
            let lost = if second > 198 { stop_ms } else { 0 };
            // A machine that reports each second reports the stop too.
            if second == 199 {
                (1..=stop_ms / 1_000).for_each(|s| live.row(&course, 198_000 + s * 1_000, 8_501));
            }
            live.row(&course, second * 1_000 + lost, second * 43 - second / 15 + second % 2);
        }
        Forecast::default().estimate(&course, &live).unwrap()
    };
    for until in [225, 260, 300, 350] {
        let (steady, stopped) = (rowed(0, until), rowed(40_000, until));
        let lost = stopped.finish - steady.finish;
        assert!((25.0..70.0).contains(&lost), "at {until} s: {steady:?}, {stopped:?}");
        let width = |estimate: Estimate| estimate.high - estimate.low;
        assert!(width(stopped) > width(steady), "at {until} s: {steady:?}, {stopped:?}");
    }
}

/// A journal holds the model of its day; one that this program can no longer use leaves the current one in
/// force.
#[test]
fn a_journal_with_an_older_model_is_replayed_by_the_model_that_is_there() {
    let mut older: ModelFile = serde_json::from_str(Model::shipped_text()).unwrap();
    older.format = 1;
    older.name = "of its day".to_owned();
    let so_far = Count { finishes: 3, intervals: 9, held: 7, ..Count::default() };
    let mut session = Session::new();
    session.apply(At(0), &Input::Projecting { model: Box::new(older), aim_ppm: 100_000, so_far });
    assert_eq!(session.model(), &*Model::shipped());
    assert_eq!(session.calibration().finishes, 3);
    assert_eq!(
        session.calibration().width_permille,
        1_000,
        "how wide the older one was drawn says nothing"
    );
}
