//! Who is taken off the roster, who is not, and calls to somebody who is not there.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use thole_piece::{
    Input, Session,
    output::Output,
    session::{Viewer, Way},
};
use thole_protocol::{
    event::{Event, Happening},
    ids::{AthleteId, CallId, CommandId, PieceNo, RunId},
    order::Order,
    refusal::{Refusal, Why},
    sample::Sample,
    spec::{
        Aim, Audience, CallSpec, CallText, Extent, PastResult, PieceSpec, Plan, Point, Repeat,
        RosterEntry, SheetCall, Span, Target,
    },
    standing::AthleteView,
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const ANA: AthleteId = AthleteId(Uuid::from_u128(1));
const BO: AthleteId = AthleteId(Uuid::from_u128(2));

struct Hall {
    session: Session,
    at: u64,
}

impl Hall {
    /// Ana, of the Herons, and Bo, and two pieces.
    fn new() -> Hall {
        let mut hall = Hall { session: Session::new(), at: 0 };
        hall.says(&Input::Created { title: "Test".into(), settings: Default::default(), by: None });
        let entry = |name: &str, team: Option<&str>| {
            let mut entry = RosterEntry::default();
            entry.spec.name = name.into();
            entry.spec.team = team.map(str::to_owned);
            entry
        };
        let command = CommandId(Uuid::from_u128(7));
        let athletes = vec![(ANA, entry("Ana", Some("Herons"))), (BO, entry("Bo", None))];
        hall.says(&Input::AthletesAdded { command, athletes });
        let work = Extent::Distance { distance_dm: Decimetres(7_000) };
        let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
        hall.orders(Order::SetPieces { pieces: vec![piece.clone(), piece] }).unwrap();
        hall
    }

    fn says(&mut self, input: &Input) -> Vec<Output> {
        self.at += 1;
        self.session.apply(At(self.at), input)
    }

    fn orders(&mut self, order: Order) -> Result<Vec<Output>, Refusal> {
        let command = CommandId(Uuid::from_u128(100 + u128::from(self.at)));
        let mut outputs = self.says(&Input::Ordered { command, order, by: None });
        let refused =
            outputs.iter().position(|output| matches!(output, Output::OrderRefused { .. }));
        match refused.map(|at| outputs.remove(at)) {
            Some(Output::OrderRefused { refusal, .. }) => Err(refusal),
            _ => Ok(outputs),
        }
    }

    fn removes(&mut self, athlete: AthleteId) -> Result<Vec<Output>, Refusal> {
        self.orders(Order::RemoveAthlete { athlete })
    }

    fn goes(&mut self) {
        self.orders(Order::Arm).unwrap();
        self.orders(Order::Start).unwrap();
        self.at += 11_000;
        self.says(&Input::Deadline);
    }

    fn rows(&mut self, athlete: AthleteId) {
        self.says(&Input::Heard { athlete });
        let stroke = |seq: u32| Sample {
            seq,
            heard_ms: i64::try_from(self.at).unwrap() + i64::from(seq) * 2_500,
            distance_dm: i64::from(seq) * 100,
            ..Sample::default()
        };
        let (run, samples) = (RunId(Uuid::from_u128(3)), (1..5).map(stroke).collect());
        self.at += 13_000;
        self.says(&Input::Samples { athlete, run, samples });
    }

    fn calls(&mut self, audience: Audience) -> Result<Vec<Output>, Refusal> {
        let call = CallSpec {
            call: CallId(Uuid::from_u128(500 + u128::from(self.at))),
            text: CallText { shown: "Sit tall".into(), spoken: String::new() },
            audience,
            span: Span::Next,
            grace_ms: Some(Millis(0)),
        };
        self.orders(Order::Call { call })
    }

    fn names(&self, viewer: Viewer) -> Vec<String> {
        let name = |view: AthleteView| view.spec.name;
        self.session.view(viewer).athletes.into_iter().map(name).collect()
    }
}

#[test]
fn who_has_not_rowed_is_taken_off_and_the_name_is_free_again() {
    let mut hall = Hall::new();
    let outputs = hall.removes(ANA).unwrap();
    let told = outputs.iter().find(|output| matches!(output, Output::Event { .. }));
    let Some(Output::Event { to, event: Event { what, .. } }) = told else { panic!("{outputs:?}") };
    assert!(to.coach && to.board && !to.includes(BO), "{to:?}");
    assert_eq!(*what, Happening::AthletesRemoved { athletes: vec![ANA] });
    assert_eq!(
        (hall.names(Viewer::Coach), hall.names(Viewer::Board)),
        (vec!["Bo".into()], vec!["Bo".into()])
    );
    assert!(!hall.session.knows(ANA));
    assert_eq!(hall.session.way_in("ana"), Ok(Way::New), "somebody new may have it");
    assert_eq!(hall.removes(ANA).unwrap_err().why, Why::Unknown);
    let mut entry = RosterEntry::default();
    entry.spec.name = "Ana".into();
    let command = CommandId(Uuid::from_u128(8));
    let athletes = vec![(AthleteId(Uuid::from_u128(3)), entry)];
    let added = hall.says(&Input::AthletesAdded { command, athletes });
    assert!(added.contains(&Output::Done { command }), "{added:?}");
    hall.removes(AthleteId(Uuid::from_u128(3))).unwrap();
    // News held back for the quarter of a second says nothing about anybody who is gone.
    hall.at += 300;
    for output in hall.says(&Input::Deadline) {
        let Output::Event { event, .. } = output else { continue };
        let Happening::AthletesChanged { athletes } = event.what else { continue };
        assert!(athletes.iter().all(|view| view.athlete != ANA));
    }
}

#[test]
fn in_a_piece_nobody_is_taken_off_and_who_has_rowed_stays() {
    let mut hall = Hall::new();
    hall.goes();
    let refusal = hall.removes(BO).unwrap_err();
    assert_eq!(
        (refusal.why, &*refusal.says),
        (Why::NotNow, "A piece is under way: take Bo off the roster when it is over.")
    );
    hall.rows(ANA);
    hall.orders(Order::Stop).unwrap();
    let refusal = hall.removes(ANA).unwrap_err();
    assert_eq!(refusal.why, Why::NotNow);
    assert!(refusal.says.starts_with("Ana has rowed in this session"), "{}", refusal.says);
    // Bo was not there: no result says that Bo did not start any more, and no line of the standings is Bo's.
    let whose = |hall: &Hall| -> (Vec<AthleteId>, Vec<AthleteId>) {
        let results = hall.session.view(Viewer::Coach).pieces.remove(0).results;
        let lines = hall.session.overview().standings.lines.clone();
        (
            results.iter().map(|result| result.athlete).collect(),
            lines.iter().map(|line| line.athlete).collect(),
        )
    };
    assert_eq!(whose(&hall), (vec![ANA, BO], vec![ANA, BO]));
    hall.removes(BO).unwrap();
    assert_eq!(whose(&hall), (vec![ANA], vec![ANA]));
    hall.orders(Order::NextPiece).unwrap();
    hall.goes();
    hall.rows(ANA);
}

#[test]
fn a_call_for_somebody_who_is_not_there_is_refused_with_who_is() {
    let mut hall = Hall::new();
    hall.goes();
    hall.rows(ANA);
    let team = |name: &str| Audience::Team { team: name.into() };
    hall.calls(team("Herons")).unwrap();
    let refusal = hall.calls(team("herons")).unwrap_err();
    assert_eq!(
        (refusal.why, &*refusal.says),
        (Why::Unknown, "No team is called herons; there are: Herons.")
    );
    let gone = AthleteId(Uuid::from_u128(9));
    let refusal = hall.calls(Audience::Picked { athletes: vec![gone] }).unwrap_err();
    assert_eq!(refusal.why, Why::Unknown);
    hall.calls(Audience::Picked { athletes: vec![gone, ANA] }).unwrap();
}

/// What the athletes are to row the current piece by, as the coach sees it.
fn targets(hall: &Hall) -> Vec<Option<Target>> {
    let target = |view: AthleteView| view.aim.target;
    hall.session.view(Viewer::Coach).athletes.into_iter().map(target).collect()
}

fn over(metres: u32) -> PieceSpec {
    let work = Extent::Distance { distance_dm: Decimetres(metres * 10) };
    PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }])
}

#[test]
fn a_pace_goes_along_to_the_next_piece_and_a_finish_does_not() {
    let mut hall = Hall::new();
    let pace = Some(Target::Pace { per_500m_ms: Millis(123_000) });
    let finish = Some(Target::Finish { finish_ms: Millis(171_000) });
    let aims = |hall: &mut Hall, athlete, target: &Option<Target>, plan: Plan| {
        let aim = Aim { target: *target, plan, history: Vec::new() };
        hall.orders(Order::Aim { athlete, piece: PieceNo(0), aim }).unwrap();
    };
    aims(&mut hall, ANA, &pace, Plan::FastStart);
    aims(&mut hall, BO, &finish, Plan::Even);
    hall.goes();
    hall.rows(ANA);
    hall.orders(Order::Stop).unwrap();
    // Decided on only now.
    hall.orders(Order::SetPieces { pieces: vec![over(900)] }).unwrap();
    hall.orders(Order::NextPiece).unwrap();
    assert_eq!(targets(&hall), [pace, None]);
    let plan = hall.session.view(Viewer::Athlete(ANA)).athletes[0].aim.plan.clone();
    assert_eq!(plan, Plan::FastStart);
    // What was said about this piece stands, whatever the one before was rowed by.
    let other = Some(Target::Finish { finish_ms: Millis(222_000) });
    let aim = Aim { target: other, ..Aim::default() };
    hall.orders(Order::Aim { athlete: ANA, piece: PieceNo(1), aim }).unwrap();
    hall.orders(Order::SetPieces { pieces: vec![over(900), over(900)] }).unwrap();
    assert_eq!(targets(&hall), [other, None]);
    // The same piece over a different distance: the finish was for the old one, a pace is for any.
    hall.orders(Order::SetPieces { pieces: vec![over(800)] }).unwrap();
    assert_eq!(targets(&hall), [pace, None]);
}

#[test]
fn a_piece_that_is_changed_keeps_what_still_fits_it() {
    let mut hall = Hall::new();
    let past = PastResult { days_ago: 9, result: Target::Finish { finish_ms: Millis(175_000) } };
    let pace = Some(Target::Pace { per_500m_ms: Millis(123_000) });
    let aim = Aim { target: pace, plan: Plan::NegativeSplit, history: vec![past] };
    let order = Order::Aim { athlete: ANA, piece: PieceNo(0), aim: aim.clone() };
    hall.orders(order).unwrap();
    let mut with_sheet = over(700);
    with_sheet.call_sheet = vec![SheetCall {
        at: Point::DistanceDone { distance_dm: Decimetres(1_000) },
        text: CallText { shown: "Settle".into(), spoken: String::new() },
        audience: Audience::All,
        span: Span::Next,
    }];
    let of_ana = |hall: &Hall| hall.session.view(Viewer::Athlete(ANA)).athletes[0].aim.clone();
    hall.orders(Order::SetPieces { pieces: vec![with_sheet] }).unwrap();
    assert_eq!(of_ana(&hall), aim);
    hall.orders(Order::SetPieces { pieces: vec![over(1_200)] }).unwrap();
    assert_eq!(of_ana(&hall), Aim { history: Vec::new(), ..aim });
}

/// A deadline that stays due makes a record in the journal each time it fires: the disk would be full in
/// minutes.
#[test]
fn settings_that_are_changed_before_there_is_a_piece_leave_nothing_due() {
    let mut session = Session::new();
    let settings = thole_protocol::spec::SessionSettings::default();
    session.apply(At(0), &Input::Created { title: "A test".into(), settings, by: None });
    let command = CommandId(Uuid::from_u128(1));
    session
        .apply(At(5), &Input::Ordered { command, order: Order::Settings { settings }, by: None });
    assert_eq!(session.deadline(), None);
}

#[test]
fn names_that_look_the_same_are_one_or_told_to_the_coach() {
    let mut session = Session::new();
    let settings = thole_protocol::spec::SessionSettings::default();
    session.apply(At(0), &Input::Created { title: "A test".into(), settings, by: None });
    session.apply(At(0), &Input::NamesBySight);
    let add = |session: &mut Session, number: u128, name: &str| {
        let spec = thole_protocol::spec::AthleteSpec { name: name.into(), ..Default::default() };
        let athletes =
            vec![(AthleteId(Uuid::from_u128(number)), RosterEntry { spec, aims: vec![] })];
        let command = CommandId(Uuid::from_u128(number));
        session.apply(At(1), &Input::AthletesAdded { command, athletes })
    };
    let refused = |out: &[Output]| out.iter().any(|o| matches!(o, Output::OrderRefused { .. }));
    let alike = |out: &[Output]| {
        out.iter().find_map(|o| {
            let Output::Event { event, .. } = o else { return None };
            let Happening::LooksLike { like, .. } = event.what else { return None };
            Some(like)
        })
    };
    let out = add(&mut session, 1, "Ana Lima");
    assert!(!refused(&out) && alike(&out).is_none());
    for (no, same) in (2..).zip(["ana  lima ", "ＡＮＡ LIMA", "\u{200b}", "Ana\u{202e}"]) {
        assert!(refused(&add(&mut session, no, same)), "{same:?}");
    }
    let out = add(&mut session, 9, "Аnа Limа");
    assert!(!refused(&out), "two people may be called so");
    assert_eq!(alike(&out), Some(Some(AthleteId(Uuid::from_u128(1)))));
    assert_eq!(session.way_in("ANA LIMA"), Ok(Way::Ask(Some(AthleteId(Uuid::from_u128(1))))));
    let order = Order::PrepareCalls {
        calls: vec![CallText { shown: "Sit\u{202e}tall".into(), spoken: String::new() }],
    };
    let command = CommandId(Uuid::from_u128(20));
    assert!(refused(&session.apply(At(2), &Input::Ordered { command, order, by: None })));
}
