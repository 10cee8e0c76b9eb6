//! What the projection makes of rows of every kind, number by number: whoever changes one has to say why that is
//! right.

use std::fmt::Write;

use expect_test::expect_file;
use thole_piece::{
    limits::Measure,
    plan::Course,
    projection::{Asked, Forecast, Live},
};
use thole_protocol::{
    spec::{Aim, Extent, Leg, PastResult, Plan, Target},
    units::{Decimetres, Millis, decimetres, millis},
};

struct Athlete {
    name: &'static str,
    measure: Measure,
    repeats: usize,
    aims: Option<f64>,
    plan: Plan,
    past: &'static [f64],
}

fn course(athlete: &Athlete) -> Course {
    let target = |amount: f64| match athlete.measure {
        Measure::Distance(_) => Target::Finish { finish_ms: millis(amount * 1e3) },
        Measure::Time(_) => Target::Distance { distance_dm: decimetres(amount * 1e1) },
    };
    let past = (3..).step_by(4).zip(athlete.past);
    let history = past.map(|(days_ago, past)| PastResult { days_ago, result: target(*past) });
    let aim = Aim {
        target: athlete.aims.map(target),
        plan: athlete.plan.clone(),
        history: history.collect(),
    };
    Course::new(athlete.measure, athlete.repeats, &aim).unwrap()
}

/// A row every two and a half seconds up to a share of the work: fast at first, slower from the middle on, with a bad
/// patch, and as even as a machine in whole metres reports it, or not.
fn rowed(course: &Course, share: f64, speed: f64, whole: bool) -> Live {
    let mut live = Live::new();
    let (mut seconds, mut metres) = (0.0, 0.0);
    loop {
        let x = match course.measure() {
            Measure::Distance(_) => metres / course.work(),
            Measure::Time(_) => seconds / course.work(),
        };
        if x >= share {
            return live;
        }
        let pace = if x < 0.1 {
            1.05
        } else if x < 0.5 {
            1.0
        } else {
            0.97
        };
        let patch = if (0.31..0.36).contains(&x) { 0.8 } else { 1.0 };
        seconds += 2.5;
        metres += 2.5 * speed * pace * patch;
        let shown: f64 = if whole { metres.floor() } else { metres };
        live.row(course, millis(seconds * 1e3).0, decimetres(shown * 1e1).0);
    }
}

#[test]
fn what_the_projection_makes_of_a_row_does_not_change_by_itself() {
    let leg = |metres: u32, pace: u32| Leg {
        length: Extent::Distance { distance_dm: Decimetres(10 * metres) },
        per_500m_ms: Millis(pace),
    };
    let legs = Plan::Legs { legs: vec![leg(300, 115_000), leg(600, 119_000), leg(800, 117_000)] };
    let (d, t) = (
        |metres: u32| Measure::Distance(Decimetres(10 * metres)),
        |seconds: u32| Measure::Time(Millis(1_000 * seconds)),
    );
    let athletes = [
        Athlete {
            name: "target",
            measure: d(1_700),
            repeats: 1,
            aims: Some(400.0),
            plan: legs,
            past: &[],
        },
        Athlete {
            name: "target and past",
            measure: d(1_700),
            repeats: 1,
            aims: Some(400.0),
            plan: Plan::FastStart,
            past: &[408.0, 403.0, 411.0],
        },
        Athlete {
            name: "past",
            measure: d(1_700),
            repeats: 1,
            aims: None,
            plan: Plan::Even,
            past: &[405.0],
        },
        Athlete {
            name: "nothing",
            measure: d(1_700),
            repeats: 1,
            aims: None,
            plan: Plan::NegativeSplit,
            past: &[],
        },
        Athlete {
            name: "far off",
            measure: d(1_700),
            repeats: 1,
            aims: Some(330.0),
            plan: Plan::Even,
            past: &[],
        },
        Athlete {
            name: "short",
            measure: d(400),
            repeats: 1,
            aims: Some(95.0),
            plan: Plan::Even,
            past: &[96.0],
        },
        Athlete {
            name: "long",
            measure: t(1_800),
            repeats: 1,
            aims: Some(7_500.0),
            plan: Plan::NegativeSplit,
            past: &[7_450.0, 7_200.0],
        },
        Athlete {
            name: "time",
            measure: t(300),
            repeats: 1,
            aims: Some(1_240.0),
            plan: Plan::FastStart,
            past: &[],
        },
        Athlete {
            name: "time, nothing",
            measure: t(300),
            repeats: 1,
            aims: None,
            plan: Plan::Even,
            past: &[],
        },
        Athlete {
            name: "time, past",
            measure: t(300),
            repeats: 3,
            aims: None,
            plan: Plan::Even,
            past: &[1_260.0],
        },
        Athlete {
            name: "repeats",
            measure: d(1_200),
            repeats: 3,
            aims: Some(280.0),
            plan: Plan::Even,
            past: &[],
        },
    ];
    let mut told = String::new();
    for athlete in &athletes {
        let course = course(athlete);
        for (share, whole) in [
            (0.0, false),
            (0.003, false),
            (0.02, true),
            (0.06, false),
            (0.13, true),
            (0.26, false),
            (0.33, false),
            (0.5, true),
            (0.74, false),
            (0.97, false),
            (0.998, true),
            (1.0, false),
        ] {
            let live = rowed(&course, share, 4.2, whole);
            let asked = live.asked(&course);
            write!(told, "{} {share}: {:?}", athlete.name, live.newest(&course)).unwrap();
            write!(told, " far {}", live.is_far_off(&course)).unwrap();
            write!(told, " enough {:?}", live.enough_per_500m(&course).map(|pace| pace.0)).unwrap();
            write!(told, " planned {:?}", course.planned_pace(share).map(|pace| pace.0)).unwrap();
            if let Some(seen) = Forecast::default().estimate(&course, &live) {
                let chance = seen.chance.map(|chance| format!("{chance:.5}"));
                write!(told, " seen {:.4} ", seen.finish).unwrap();
                write!(told, "({:.4} to {:.4}) {chance:?}", seen.low, seen.high).unwrap();
            }
            writeln!(told, "\n  {:.6} {:.6}", asked.x, asked.share).unwrap();
            let need = asked.need.map(|need| format!("{need:.5}"));
            write!(told, "  {:.4} {:.5} {:.5} {need:?}", asked.reference, asked.base, asked.median)
                .unwrap();
            for input in asked.inputs {
                write!(told, " {input:.4}").unwrap();
            }
            told.push('\n');
        }
    }
    expect_file!["../fixtures/model_rows.txt"].assert_eq(&told);
}

#[test]
fn a_recorded_piece_is_taken_for_what_it_was_when_it_was_rowed() {
    for (measure, aims) in
        [(Measure::Distance(Decimetres(17_000)), 400.0), (Measure::Time(Millis(300_000)), 1_240.0)]
    {
        let athlete = Athlete {
            name: "",
            measure,
            repeats: 1,
            aims: Some(aims),
            plan: Plan::FastStart,
            past: &[],
        };
        let course = course(&athlete);
        for share in [0.01, 0.2, 0.55, 1.0] {
            let live = rowed(&course, share, 4.2, false);
            let edges: Vec<f64> =
                live.edges().iter().copied().skip(1).take_while(|edge| *edge > 0.0).collect();
            let again = Live::recorded(&course, &edges, live.newest(&course));
            assert_eq!(again.edges(), live.edges());
            assert_eq!(again.newest(&course), live.newest(&course));
            // Edges do not tell how often a machine was heard.
            let wider = again.asked(&course).wider;
            assert!(wider <= live.asked(&course).wider);
            assert_eq!(again.asked(&course), Asked { wider, ..live.asked(&course) }, "{share}");
            assert_eq!(again.finished(&course), live.finished(&course));
        }
    }
}
