//! Targets that nobody can row are refused, with the reason; any other odd one is asked about, and never
//! refused.

use expect_test::expect;
use thole_piece::{
    Input, Output, Session,
    question::{Middle, question},
    session::Viewer,
};
use thole_protocol::{
    ids::{AthleteId, CommandId, PieceNo},
    order::Order,
    spec::{
        Aim, AthleteSpec, Extent, Leg, PastResult, PieceSpec, Plan, Repeat, RosterEntry,
        SessionSettings, Target,
    },
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

fn metres(metres: u32) -> PieceSpec {
    let work = Extent::Distance { distance_dm: Decimetres(10 * metres) };
    PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }])
}

fn minutes(minutes: u32) -> PieceSpec {
    let work = Extent::Time { time_ms: Millis(60_000 * minutes) };
    PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }])
}

fn finish(seconds: u32) -> Target {
    Target::Finish { finish_ms: Millis(1_000 * seconds) }
}

fn pace(seconds: u32) -> Target {
    Target::Pace { per_500m_ms: Millis(1_000 * seconds) }
}

fn covers(metres: u32) -> Target {
    Target::Distance { distance_dm: Decimetres(10 * metres) }
}

fn aim(target: Target) -> Aim {
    Aim { target: Some(target), ..Aim::default() }
}

fn asked(piece: &PieceSpec, aim: &Aim, others: &[&PieceSpec], middle: Middle) -> String {
    question(piece, aim, middle, others).map_or("nothing".to_owned(), |question| question.says)
}

#[test]
fn an_odd_target_is_asked_about_with_its_likely_cause() {
    let none = Middle::default();
    let cases = [
        asked(&metres(500), &aim(finish(460)), &[], none),
        asked(&metres(500), &aim(finish(460)), &[&metres(1_700)], none),
        asked(&metres(2_000), &aim(finish(27_600)), &[], none),
        asked(&metres(2_000), &aim(pace(460)), &[], none),
        asked(&metres(100), &aim(finish(120)), &[], none),
        asked(&minutes(20), &aim(covers(480)), &[], none),
        asked(&minutes(20), &aim(covers(1_200)), &[&minutes(5)], none),
        // Slow but sound: somebody who needs a quarter of an hour for 2000 m, and somebody who aims at their
        // own past.
        asked(&metres(2_000), &aim(finish(863)), &[], none),
        asked(&metres(2_000), &aim(finish(450)), &[&metres(500)], none),
    ];
    expect![[r#"
        7:40.0 for 500 m is slower than anybody is known to row. 7:40.0 fits 2,000 m. Is it right?
        7:40.0 for 500 m is slower than anybody is known to row. 7:40.0 fits 1,700 m. Is it right?
        7:40:00.0 for 2,000 m is slower than anybody is known to row. 7:40.0 fits: minutes may stand for hours. Is it right?
        A pace of 7:40.0 is slower than anybody is known to row. 7:40.0 fits 2,000 m. Is it right?
        2:00.0 for 100 m is slower than anybody is known to row. 2:00.0 fits as a pace for 500 m. Is it right?
        480 m in 20:00.0 is slower than anybody is known to row. 4,800 m fits: a zero may be missing. Is it right?
        1,200 m in 20:00.0 is slower than anybody is known to row. 1,200 m fits 5:00.0. Is it right?
        nothing
        nothing"#]].assert_eq(&cases.join("\n"));
}

#[test]
fn what_somebody_rowed_before_tells_better_than_what_others_aim_at() {
    let piece = metres(2_000);
    let class: Vec<Aim> = [391, 420, 445, 470, 532].map(|seconds| aim(finish(seconds))).into();
    let middle = Middle::of(&piece, class.iter());
    let with_past = |seconds, past| {
        let history = vec![PastResult { days_ago: 9, result: finish(past) }];
        Aim { history, ..aim(finish(seconds)) }
    };
    let cases = [
        asked(&piece, &aim(finish(391)), &[], middle),
        asked(&piece, &aim(finish(532)), &[], middle),
        asked(&piece, &aim(finish(900)), &[], middle),
        asked(&piece, &with_past(900, 880), &[], middle),
        asked(&piece, &with_past(1_040, 1_000), &[], middle),
        asked(&piece, &with_past(420, 520), &[], middle),
        asked(&piece, &with_past(105, 420), &[], middle),
    ];
    expect![[r#"
        nothing
        nothing
        15:00.0 for 2,000 m is 102 % slower than most others here. 15:00.0 fits 5,000 m. Is it right?
        nothing
        nothing
        7:00.0 for 2,000 m is 19 % faster than their past results. 7:00.0 fits 1,500 m. Is it right?
        nothing"#]].assert_eq(&cases.join("\n"));
}

fn legs(paces: [u32; 2], target: Option<Target>) -> Aim {
    let leg = |pace_ms: u32| Leg {
        length: Extent::Distance { distance_dm: Decimetres(10_000) },
        per_500m_ms: Millis(pace_ms),
    };
    Aim { target, plan: Plan::Legs { legs: paces.map(leg).into() }, ..Aim::default() }
}

#[test]
fn legs_that_do_not_come_to_the_target_are_asked_about() {
    let none = Middle::default();
    let piece = metres(2_000);
    let finish_ms = |ms: u32| Some(Target::Finish { finish_ms: Millis(ms) });
    let cases = [
        asked(&piece, &legs([115_000, 113_000], Some(finish(440))), &[], none),
        asked(&piece, &legs([115_000, 113_000], finish_ms(455_000)), &[], none),
        asked(&piece, &legs([115_000, 113_000], Some(pace(110))), &[], none),
        asked(&piece, &legs([115_000, 113_000], Some(finish(1_200))), &[], none),
        // 7:36.0, and paces as they are typed.
        asked(&piece, &legs([115_000, 113_000], finish_ms(456_300)), &[], none),
        asked(&piece, &legs([115_000, 113_000], Some(finish(456))), &[], none),
        asked(&piece, &legs([115_000, 113_000], None), &[], none),
    ];
    expect![[r#"
        The legs come to 7:36.0, and the target is 7:20.0: all of them are planned 4 % faster than they say. Is it right?
        The legs come to 7:36.0, and the target is 7:35.0: all of them are planned 0.2 % faster than they say. Is it right?
        The legs come to 7:36.0, and the target is 7:20.0: all of them are planned 4 % faster than they say. Is it right?
        20:00.0 for 2,000 m is slower than anybody is known to row. The legs come to 7:36.0. Is it right?
        nothing
        nothing
        nothing"#]]
    .assert_eq(&cases.join("\n"));
}

#[test]
fn legs_without_a_target_make_one_that_everybody_sees() {
    let mut gym = Gym::new(vec![metres(2_000)]);
    let (ana, _) = gym.add("Ana", vec![legs([115_000, 113_000], None)]);
    assert_eq!(gym.target(ana), Some(finish(456)));
    let (bo, _) = gym.add("Bo", Vec::new());
    let aim = legs([100_000, 102_000], None);
    gym.apply(&Input::Aimed { athlete: bo, piece: PieceNo(0), aim });
    assert_eq!(gym.target(bo), Some(finish(404)));
    // Said before there was a piece.
    let mut gym = Gym::new(Vec::new());
    let (ana, _) = gym.add("Ana", vec![legs([115_000, 113_000], None)]);
    assert_eq!(gym.target(ana), None);
    gym.order(Order::SetPieces { pieces: vec![metres(2_000)] });
    assert_eq!(gym.target(ana), Some(finish(456)));
}

struct Gym {
    session: Session,
    commands: u128,
}

impl Gym {
    fn new(pieces: Vec<PieceSpec>) -> Gym {
        let mut gym = Gym { session: Session::new(), commands: 0 };
        let settings = SessionSettings::default();
        gym.session.apply(At(0), &Input::Created { title: String::new(), settings, by: None });
        gym.order(Order::SetPieces { pieces });
        gym
    }

    fn order(&mut self, order: Order) -> String {
        self.commands += 1;
        let command = CommandId(Uuid::from_u128(self.commands));
        self.apply(&Input::Ordered { command, order, by: None })
    }

    fn apply(&mut self, input: &Input) -> String {
        let said = |output: Output| {
            let (Output::OrderRefused { refusal, .. } | Output::Refused { refusal, .. }) = output
            else {
                return None;
            };
            Some(refusal.says)
        };
        let now = self.session.now();
        self.session.apply(now, input).into_iter().find_map(said).unwrap_or("done".to_owned())
    }

    fn add(&mut self, name: &str, aims: Vec<Aim>) -> (AthleteId, String) {
        self.commands += 1;
        let command = CommandId(Uuid::from_u128(self.commands));
        let athlete = AthleteId(Uuid::from_u128(self.commands));
        let spec = AthleteSpec { name: name.to_owned(), ..AthleteSpec::default() };
        let athletes = vec![(athlete, RosterEntry { spec, aims })];
        (athlete, self.apply(&Input::AthletesAdded { command, athletes }))
    }

    fn asked(&mut self, athlete: AthleteId) -> String {
        let later = At(self.session.now().0 + 1_000);
        self.session.apply(later, &Input::Deadline);
        let seen = |viewer| {
            let view = self.session.view(viewer);
            let found = view.athletes.into_iter().find(|view| view.athlete == athlete);
            found.and_then(|view| Some(view.question?.says))
        };
        assert_eq!(seen(Viewer::Board), None, "what is asked is for the coach alone");
        assert_eq!(seen(Viewer::Athlete(athlete)), None);
        seen(Viewer::Coach).unwrap_or("nothing".to_owned())
    }

    fn target(&self, athlete: AthleteId) -> Option<Target> {
        let view = self.session.view(Viewer::Coach);
        view.athletes.into_iter().find(|view| view.athlete == athlete)?.aim.target
    }
}

#[test]
fn a_target_that_nobody_rows_is_refused_by_name_whoever_says_it() {
    let mut gym = Gym::new(vec![metres(2_000), metres(500)]);
    let (ana, _) = gym.add("Ana", Vec::new());
    let piece = PieceNo(0);
    let cases = [
        gym.add("Bo", vec![aim(finish(300))]).1,
        gym.add("Cy", vec![aim(finish(420)), aim(finish(60))]).1,
        gym.order(Order::Aim { athlete: ana, piece, aim: aim(finish(300)) }),
        gym.apply(&Input::Aimed { athlete: ana, piece, aim: aim(pace(70)) }),
        gym.apply(&Input::Aimed { athlete: ana, piece, aim: aim(finish(7_200)) }),
    ];
    expect![[r#"
        Bo, piece 1: Nobody rows 2,000 m in 5:00.0: set a target of 5:17.5 or slower.
        Cy, piece 2: Nobody rows 500 m in 1:00.0: set a target of 1:06.7 or slower.
        Ana: Nobody rows 2,000 m in 5:00.0: set a target of 5:17.5 or slower.
        Ana: Nobody rows 2,000 m in 4:40.0: set a target of 5:17.5 or slower.
        done"#]]
    .assert_eq(&cases.join("\n"));
}

#[test]
fn a_target_that_nobody_rows_in_another_piece_is_not_taken_along_and_the_coach_is_told() {
    // The pace of 500 m, when the piece becomes 2000 m.
    let mut gym = Gym::new(vec![metres(500), metres(1_000)]);
    let (ana, _) = gym.add("Ana", vec![aim(pace(72))]);
    gym.order(Order::SetPieces { pieces: vec![metres(2_000), metres(1_000)] });
    assert_eq!(gym.target(ana), None);
    let changed = gym.asked(ana);
    gym.order(Order::Aim { athlete: ana, piece: PieceNo(0), aim: aim(pace(100)) });
    assert_eq!(gym.asked(ana), "nothing");
    // The pace of the piece before.
    let mut gym = Gym::new(vec![metres(500), metres(2_000)]);
    let (ana, _) = gym.add("Ana", vec![aim(pace(72))]);
    for order in [Order::Arm, Order::Start, Order::Stop, Order::NextPiece] {
        assert_eq!(gym.order(order), "done");
    }
    assert_eq!(gym.target(ana), None);
    let carried = gym.asked(ana);
    // What the roster said of a piece before there was one.
    let mut gym = Gym::new(Vec::new());
    let (ana, _) = gym.add("Ana", vec![aim(finish(60))]);
    gym.order(Order::SetPieces { pieces: vec![metres(500)] });
    assert_eq!(gym.target(ana), None);
    let loaded = gym.asked(ana);
    expect![[r#"
        The previous target was not carried over. Nobody rows 2,000 m in 4:48.0: set a target of 5:17.5 or slower.
        The previous target was not carried over. Nobody rows 2,000 m in 4:48.0: set a target of 5:17.5 or slower.
        The previous target was not carried over. Nobody rows 500 m in 1:00.0: set a target of 1:06.7 or slower."#]].assert_eq(&[changed, carried, loaded].join("\n"));
}

#[test]
fn what_is_asked_follows_the_pieces_and_ends_with_the_start() {
    let mut gym = Gym::new(vec![metres(500)]);
    let (ana, done) = gym.add("Ana", vec![aim(finish(460))]);
    assert_eq!(done, "done", "asked about, and never refused");
    let alone = gym.asked(ana);
    gym.order(Order::SetPieces { pieces: vec![metres(500), metres(1_700)] });
    let beside = gym.asked(ana);
    assert_ne!(alone, beside);
    assert_eq!(gym.order(Order::Arm), "done");
    assert_eq!(gym.order(Order::Start), "done", "nothing waits for an answer");
    assert_eq!(gym.asked(ana), "nothing");
}
