//! What only the coach sees, whose name is whose, and how long a call can wait.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use thole_piece::{
    Input, Output, Session, output::To, piece::Piece, projection::Forecast, session::Viewer,
};
use thole_protocol::{
    event::{Event, Happening},
    ids::{AthleteId, CallId, CommandId, EventNo, PieceNo},
    order::Order,
    refusal::{Refusal, Why},
    spec::{
        AthleteSpec, Audience, CallSpec, CallText, Extent, PieceSpec, Point, Repeat, RosterEntry,
        SessionSettings, SheetCall, Span,
    },
    standing::Phase,
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const ANA: AthleteId = AthleteId(Uuid::from_u128(1));
const BO: AthleteId = AthleteId(Uuid::from_u128(2));
const OTHERS: [Viewer; 2] = [Viewer::Athlete(ANA), Viewer::Board];

/// A session that Ana has joined, and everything that was said in it.
struct Hall {
    session: Session,
    at: u64,
    said: Vec<(To, Event)>,
}

impl Hall {
    fn new() -> Hall {
        let mut hall = Hall { session: Session::new(), at: 0, said: Vec::new() };
        hall.says(&Input::Created { title: "Weir".into(), settings: Default::default(), by: None });
        hall.says(&Input::Joined { athlete: ANA, name: "Ana ".into(), join: None });
        hall.says(&Input::Heard { athlete: ANA });
        hall
    }

    fn says(&mut self, input: &Input) -> Vec<Output> {
        self.at += 10;
        let outputs = self.session.apply(At(self.at), input);
        for output in &outputs {
            if let Output::Event { to, event } = output {
                self.said.push((to.clone(), event.clone()));
            }
        }
        outputs
    }

    fn orders(&mut self, order: Order) -> Result<(), Refusal> {
        let command = CommandId(Uuid::from_u128(100 + u128::from(self.at)));
        let refused = self.says(&Input::Ordered { command, order, by: None }).into_iter().find_map(
            |output| {
                if let Output::OrderRefused { refusal, .. } = output { Some(refusal) } else { None }
            },
        );
        refused.map_or(Ok(()), Err)
    }

    /// On into the first second of a piece.
    fn goes(&mut self) {
        self.orders(Order::SetPieces { pieces: vec![piece()] }).unwrap();
        self.orders(Order::Arm).unwrap();
        self.orders(Order::Start).unwrap();
        self.at += 10_500;
        self.says(&Input::Deadline);
    }

    fn calls(&mut self, grace_ms: u32) -> Result<(), Refusal> {
        let call = CallSpec {
            call: CallId(Uuid::from_u128(500 + u128::from(self.at))),
            text: text("Sit tall"),
            audience: Audience::All,
            span: Span::Next,
            grace_ms: Some(Millis(grace_ms)),
        };
        self.orders(Order::Call { call })
    }

    /// What this viewer was told live, and what somebody who comes back is told.
    fn told(&self, viewer: Viewer) -> Vec<Happening> {
        let concerns = |to: &To| match viewer {
            Viewer::Coach => to.coach,
            Viewer::Board => to.board,
            Viewer::Athlete(athlete) => to.includes(athlete),
        };
        let live = self.said.iter().filter(|(to, _)| concerns(to)).map(|(_, event)| event.clone());
        let again = self.session.events_after(EventNo(0), viewer);
        live.chain(again).map(|event| event.what).collect()
    }
}

fn text(shown: &str) -> CallText {
    CallText { shown: shown.into(), spoken: String::new() }
}

fn piece() -> PieceSpec {
    let work = Extent::Distance { distance_dm: Decimetres(17_000) };
    let mut piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    piece.call_sheet = vec![SheetCall {
        at: Point::DistanceDone { distance_dm: Decimetres(4_000) },
        text: text("Settle"),
        audience: Audience::All,
        span: Span::Next,
    }];
    piece
}

#[test]
fn the_call_sheet_is_the_coachs_alone_so_that_a_call_is_new_when_it_comes() {
    let mut hall = Hall::new();
    hall.orders(Order::SetPieces { pieces: vec![piece()] }).unwrap();
    let sheets = |hall: &Hall, viewer| -> Vec<usize> {
        let pieces = hall.told(viewer).into_iter().filter_map(|what| {
            if let Happening::PiecesSet { pieces, .. } = what { Some(pieces) } else { None }
        });
        let told = pieces.flatten();
        let seen = hall.session.view(viewer).pieces.into_iter().map(|piece| piece.spec);
        told.chain(seen).map(|spec| spec.call_sheet.len()).collect()
    };
    // As it is told, to somebody who comes back, and in the welcome.
    assert_eq!(sheets(&hall, Viewer::Coach), [1, 1, 1]);
    for viewer in OTHERS {
        assert_eq!(sheets(&hall, viewer), [0, 0, 0], "{viewer:?}");
    }
}

#[test]
fn calls_that_are_prepared_are_the_coachs_alone() {
    let mut hall = Hall::new();
    let calls = vec![text("Long and loose")];
    hall.orders(Order::PrepareCalls { calls: calls.clone() }).unwrap();
    let prepared = |hall: &Hall, viewer| {
        let told = hall.told(viewer);
        let told = told.iter().filter(|what| matches!(what, Happening::CallsPrepared { .. }));
        (told.count(), hall.session.view(viewer).prepared)
    };
    assert_eq!(prepared(&hall, Viewer::Coach), (2, calls));
    for viewer in OTHERS {
        assert_eq!(prepared(&hall, viewer), (0, Vec::new()), "{viewer:?}");
    }
}

#[test]
fn ana_is_one_person_however_her_name_is_typed() {
    let mut hall = Hall::new();
    assert_eq!(hall.session.name(ANA), Some("Ana"));
    for typed in ["ana", "Ana ", " ANA"] {
        assert_eq!(hall.session.way_in(typed).unwrap_err().why, Why::NameTaken, "{typed:?}");
        let spec = AthleteSpec { name: typed.into(), ..AthleteSpec::default() };
        let athletes = vec![(BO, RosterEntry { spec, aims: Vec::new() })];
        let command = CommandId(Uuid::from_u128(9));
        let added = hall.says(&Input::AthletesAdded { command, athletes });
        assert!(matches!(&*added, [Output::OrderRefused { .. }]), "{typed:?}: {added:?}");
    }
    hall.says(&Input::Joined { athlete: BO, name: "Bo".into(), join: None });
    let renamed = |athlete, name: &str| {
        let spec = AthleteSpec { name: name.into(), ..AthleteSpec::default() };
        Order::ChangeAthlete { athlete, spec }
    };
    assert_eq!(hall.orders(renamed(BO, "aNA")).unwrap_err().why, Why::NameTaken);
    // Her own name in different letters is hers.
    assert_eq!(hall.orders(renamed(ANA, "ana")), Ok(()));
    assert_eq!(hall.session.way_in("Ana").unwrap_err().why, Why::NameTaken);
}

#[test]
fn a_call_waits_five_seconds_at_the_most() {
    let mut hall = Hall::new();
    hall.goes();
    assert_eq!(hall.calls(5_000), Ok(()));
    assert_eq!(hall.calls(5_001).unwrap_err().why, Why::OutOfRange);
    let settings = |grace_ms| {
        let settings = SessionSettings { grace_ms: Millis(grace_ms), ..Default::default() };
        Order::Settings { settings }
    };
    assert_eq!(hall.orders(settings(5_000)), Ok(()));
    assert_eq!(hall.orders(settings(5_001)).unwrap_err().why, Why::OutOfRange);
    assert_eq!(hall.session.view(Viewer::Coach).settings.grace_ms, Millis(5_000));
}

#[test]
fn a_start_that_was_called_back_leaves_nothing_to_be_told() {
    let roster = std::iter::once((ANA, thole_piece::roster::Athlete::default())).collect();
    let mut piece = Piece::new(PieceNo(0), piece());
    piece.arm().unwrap();
    piece.start(At(0), &roster, &Forecast::default()).unwrap();
    piece.pass_time(At(10_000));
    piece.fresh_results.insert(ANA);
    piece.fresh_sheet.insert(0, vec![ANA]);
    piece.publish(At(11_000), &SessionSettings::default(), &roster);
    assert_eq!(piece.standings.lines.len(), 1);
    piece.false_start(At(12_000)).unwrap();
    assert_eq!(piece.phase(), Phase::Armed);
    assert!(piece.fresh_results.is_empty() && piece.fresh_sheet.is_empty());
    assert!(piece.standings.lines.is_empty() && piece.rowers.is_empty());
}

#[test]
fn a_session_without_a_piece_is_asleep_once_it_has_told_what_is_new() {
    let mut hall = Hall::new();
    hall.at += 1_000;
    hall.says(&Input::Deadline);
    assert_eq!(hall.session.deadline(), None);
    hall.orders(Order::Settings { settings: SessionSettings::default() }).unwrap();
    assert_eq!(hall.session.deadline(), None, "after a change of settings");
    hall.orders(Order::RemoveAthlete { athlete: ANA }).unwrap();
    assert_eq!(hall.session.deadline(), None, "after somebody was taken off the roster");
}
