//! A finish that was none: nonsense from a machine, seen through when the strokes around it arrive.

use thole_piece::{Input, Session, session::Viewer};
use thole_protocol::{
    ids::{AthleteId, CommandId, RunId},
    order::Order,
    sample::Sample,
    spec::{Extent, PieceSpec, Repeat, RosterEntry},
    standing::Phase,
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

fn ordered(session: &mut Session, at: u64, order: Order) {
    let command = CommandId(Uuid::from_u128(u128::from(at)));
    session.apply(At(at), &Input::Ordered { command, order });
}

fn phase(session: &Session) -> Phase {
    session.view(Viewer::Coach).pieces.first().expect("there is one piece").phase
}

#[test]
fn a_finish_that_turns_out_to_be_nonsense_does_not_leave_the_piece_closing() {
    let mut session = Session::new();
    let athlete = AthleteId(Uuid::from_u128(1));
    session.apply(At(0), &Input::Created { title: "Test".into(), settings: Default::default() });
    let mut entry = RosterEntry::default();
    entry.spec.name = "Ana".into();
    let command = CommandId(Uuid::from_u128(7));
    session.apply(At(1), &Input::AthletesAdded { command, athletes: vec![(athlete, entry)] });
    let work = Extent::Distance { distance_dm: Decimetres(7_000) };
    let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    ordered(&mut session, 2, Order::SetPieces { pieces: vec![piece] });
    ordered(&mut session, 3, Order::Arm);
    ordered(&mut session, 4, Order::Start);
    let go = 10_004;
    session.apply(At(go), &Input::Deadline);
    let stroke = |seq: u32, into_ms: i64, distance_dm: i64| Sample {
        seq,
        heard_ms: i64::try_from(go).unwrap() + into_ms,
        distance_dm,
        ..Sample::default()
    };
    let mut say = |at: u64, samples: Vec<Sample>| {
        let run = RunId(Uuid::from_u128(2));
        session.apply(At(at), &Input::Samples { athlete, run, samples });
        phase(&session)
    };
    say(go + 3_000, vec![stroke(1, -1_000, 0), stroke(2, 3_000, 130)]);
    // A minute and a half is still under way; 7,050 dm after it could have been rowed.
    let looked = say(go + 90_000, vec![stroke(32, 90_000, 7_050)]);
    assert!(matches!(looked, Phase::Closing { .. }), "{looked:?}");
    // Now it comes: Ana was at 390 m two seconds before.
    let strokes = (3..32).map(|no| stroke(no, i64::from(no - 1) * 2_900, i64::from(no - 1) * 130));
    let seen = say(go + 91_000, strokes.collect());
    assert!(matches!(seen, Phase::Rowing { .. }), "{seen:?}");
}
