//! What screens are told of calls of the sheet, which each athlete gets and finishes at a moment of their
//! own.
#![expect(
    clippy::unwrap_used,
    clippy::wildcard_enum_match_arm,
    reason = "in a test, a panic is the answer, and what is not looked for is left out"
)]

use thole_piece::{Input, Output, Session, session::Viewer};
use thole_protocol::{
    event::{Event, Happening},
    ids::{AthleteId, CallId, CommandId, PieceNo, RunId},
    order::Order,
    sample::Sample,
    spec::{
        AthleteSpec, Audience, CallText, Extent, PieceSpec, Point, Repeat, RosterEntry,
        SessionSettings, SheetCall, Span,
    },
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

/// The go, milliseconds of the session.
const GO: u64 = 20_000;

fn athlete(number: u32) -> AthleteId {
    AthleteId(Uuid::from_u128(0x51 + u128::from(number)))
}

/// A session of this many athletes in a piece of 1,700 m with one entry on its sheet, up to the go.
fn session(athletes: u32, span: Span) -> Session {
    let work = Extent::Distance { distance_dm: Decimetres(17_000) };
    let mut piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    piece.call_sheet = vec![SheetCall {
        at: Point::DistanceDone { distance_dm: Decimetres(1_000) },
        text: CallText { shown: "Settle".into(), spoken: String::new() },
        audience: Audience::All,
        span,
    }];
    let mut session = Session::new();
    let mut number = 0;
    let mut order = |session: &mut Session, at, order| {
        number += 1;
        let command = CommandId(Uuid::from_u128(number));
        session.apply(At(at), &Input::Ordered { command, order, by: None });
    };
    let (title, settings) = ("Weir".to_owned(), SessionSettings::default());
    session.apply(At(0), &Input::Created { title, settings, by: None });
    order(&mut session, 1, Order::SetPieces { pieces: vec![piece] });
    let entry = |number: u32| {
        let name = format!("Rower {number}");
        let spec = AthleteSpec { name, ..AthleteSpec::default() };
        (athlete(number), RosterEntry { spec, aims: Vec::new() })
    };
    let command = CommandId(Uuid::from_u128(99));
    let roster = (0..athletes).map(entry).collect();
    session.apply(At(2), &Input::AthletesAdded { command, athletes: roster });
    for number in 0..athletes {
        session.apply(At(3), &Input::Heard { athlete: athlete(number) });
    }
    order(&mut session, 4, Order::Arm);
    order(&mut session, GO - 10_000, Order::Start);
    for number in 0..athletes {
        session.apply(At(GO - 500), &stroke(number, 0));
    }
    session.apply(At(GO), &Input::Deadline);
    session
}

/// Stroke 1, 2, 3 … of 10 m in 2.3 s; each higher number rows 7 s later.
fn stroke(number: u32, count: u32) -> Input {
    let heard = if count == 0 { GO - 500 } else { heard(number, count) };
    let sample = Sample {
        seq: count + 1,
        heard_ms: i64::try_from(heard).unwrap(),
        distance_dm: i64::from(count) * 100,
        elapsed_ms: None,
        strokes: Some(i64::from(count)),
        rate_half_spm: Some(52),
        power_w: None,
    };
    let run = RunId(Uuid::from_u128(0x900 + u128::from(number)));
    Input::Samples { athlete: athlete(number), run, samples: vec![sample] }
}

fn heard(number: u32, count: u32) -> u64 {
    GO + u64::from(count) * 2_300 + u64::from(number) * 7_000
}

/// Rows this many strokes for everybody; returns what screens were told of calls, in seconds from the go.
fn told(session: &mut Session, athletes: u32, strokes: u32) -> Vec<(u64, &'static str, usize)> {
    let mut inputs: Vec<(At, Input)> = (0..athletes)
        .flat_map(|number| {
            (1..=strokes).map(move |count| (At(heard(number, count)), stroke(number, count)))
        })
        .collect();
    inputs.extend((1..120).map(|second| (At(GO + second * 1_000), Input::Deadline)));
    inputs.sort_by_key(|(at, _)| *at);
    let outputs = inputs.iter().flat_map(|(at, input)| session.apply(*at, input));
    let events = outputs.filter_map(|output| match output {
        Output::Event { to, event } if to.coach && to.board => Some(event),
        _ => None,
    });
    events.filter_map(|event| seen(&event)).collect()
}

fn seen(event: &Event) -> Option<(u64, &'static str, usize)> {
    let second = event.at_ms.0.saturating_sub(GO) / 1_000;
    match &event.what {
        Happening::CallSent(sent) => Some((second, "sent", sent.athletes.len())),
        Happening::CallEnded { call } => {
            assert_eq!(*call, CallId::of_sheet(PieceNo(0), 0));
            Some((second, "over", 0))
        }
        _ => None,
    }
}

/// Both have it at once for a while: 100 m is stroke 10, at 23 s and 30 s; ten strokes take 23 s. Screens are
/// told within the second.
#[test]
fn screens_are_told_when_a_call_of_the_sheet_stands_for_nobody_any_more() {
    let mut session = session(2, Span::Strokes { strokes: 10 });
    assert_eq!(told(&mut session, 2, 40), [(24, "sent", 1), (31, "sent", 1), (54, "over", 0)]);
    let late = session.view(Viewer::Coach).calls;
    let late: Vec<_> = late.iter().filter_map(seen).collect();
    assert_eq!(late, [(24, "sent", 1), (31, "sent", 1), (54, "over", 0)]);
    assert!(session.view(Viewer::Athlete(athlete(0))).calls.is_empty());
}

/// Three strokes take 7 s: it is over for the first before the second gets it, and stands again.
#[test]
fn a_call_of_the_sheet_can_stand_again() {
    let mut session = session(2, Span::Strokes { strokes: 2 });
    let expected = [(24, "sent", 1), (28, "over", 0), (31, "sent", 1), (35, "over", 0)];
    assert_eq!(told(&mut session, 2, 40), expected);
}

#[test]
fn a_call_of_the_sheet_that_stands_when_the_piece_is_stopped_is_over() {
    let mut session = session(1, Span::Strokes { strokes: 60 });
    assert_eq!(told(&mut session, 1, 52), [(24, "sent", 1)]);
    let command = CommandId(Uuid::from_u128(77));
    let stopped =
        session.apply(session.now(), &Input::Ordered { command, order: Order::Stop, by: None });
    let over = stopped.iter().any(|output| {
        matches!(output, Output::Event { to, event }
        if to.board && matches!(event.what, Happening::CallEnded { .. }))
    });
    assert!(over);
}
