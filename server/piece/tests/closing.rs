//! When a piece closes: not because of nonsense that looks like a finish, and without waiting for people who
//! went home.

use thole_piece::{Input, Session, session::Viewer};
use thole_protocol::{
    ids::{AthleteId, CommandId, RunId},
    order::Order,
    sample::Sample,
    spec::{Extent, PieceSpec, Repeat, RosterEntry},
    standing::{Outcome, Phase},
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

fn ordered(session: &mut Session, at: u64, order: Order) {
    let command = CommandId(Uuid::from_u128(u128::from(at)));
    session.apply(At(at), &Input::Ordered { command, order, by: None });
}

fn phase(session: &Session) -> Phase {
    session.view(Viewer::Coach).pieces.first().expect("there is one piece").phase
}

/// One athlete in a piece of this length, at the go.
fn begun(distance_dm: Decimetres) -> (Session, AthleteId, u64) {
    let mut session = Session::new();
    let athlete = AthleteId(Uuid::from_u128(1));
    session.apply(
        At(0),
        &Input::Created { title: "Test".into(), settings: Default::default(), by: None },
    );
    let mut entry = RosterEntry::default();
    entry.spec.name = "Ana".into();
    let command = CommandId(Uuid::from_u128(7));
    session.apply(At(1), &Input::AthletesAdded { command, athletes: vec![(athlete, entry)] });
    let work = Extent::Distance { distance_dm };
    let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    ordered(&mut session, 2, Order::SetPieces { pieces: vec![piece] });
    ordered(&mut session, 3, Order::Arm);
    ordered(&mut session, 4, Order::Start);
    let go = 10_004;
    session.apply(At(go), &Input::Deadline);
    (session, athlete, go)
}

/// 500 m at 8 m/s, reported two seconds after the go: nobody's piece ends by something that has not happened
/// yet.
#[test]
fn a_finish_that_is_yet_to_come_ends_no_piece() {
    let (mut session, athlete, go) = begun(Decimetres(5_000));
    let sample = |second: u32| Sample {
        seq: second + 1,
        heard_ms: i64::try_from(go).unwrap() + 1_000 * i64::from(second),
        distance_dm: 80 * i64::from(second),
        ..Sample::default()
    };
    let samples = (0..=70).map(sample).collect();
    let run = RunId(Uuid::from_u128(2));
    session.apply(At(go + 2_000), &Input::Samples { athlete, run, samples });
    let results =
        |session: &Session| session.view(Viewer::Coach).pieces.first().unwrap().results.clone();
    assert!(matches!(phase(&session), Phase::Rowing { .. }), "{:?}", phase(&session));
    assert_eq!(results(&session), []);
    // Once its time has come it is one.
    while let Some(at) = session.deadline().filter(|at| *at <= At(go + 64_000)) {
        session.apply(at, &Input::Deadline);
    }
    assert!(!matches!(phase(&session), Phase::Rowing { .. }), "{:?}", phase(&session));
    assert_eq!(results(&session).first().map(|result| result.time_ms), Some(Millis(62_500)));
}

#[test]
fn a_finish_that_turns_out_to_be_nonsense_does_not_leave_the_piece_closing() {
    let (mut session, athlete, go) = begun(Decimetres(7_000));
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
    // Now it arrives: Ana was at 390 m two seconds before.
    let strokes = (3..32).map(|no| stroke(no, i64::from(no - 1) * 2_900, i64::from(no - 1) * 130));
    let seen = say(go + 91_000, strokes.collect());
    assert!(matches!(seen, Phase::Rowing { .. }), "{seen:?}");
}

#[test]
fn who_left_before_the_count_down_does_not_hold_the_piece_open() {
    let (ana, zed) = (AthleteId(Uuid::from_u128(1)), AthleteId(Uuid::from_u128(2)));
    // Gone before the countdown, and gone in the middle of it.
    for (gone_at, over) in [(9, true), (5_000, false)] {
        let mut session = Session::new();
        session.apply(
            At(0),
            &Input::Created { title: "Test".into(), settings: Default::default(), by: None },
        );
        for (athlete, name) in [(ana, "Ana"), (zed, "Zed")] {
            session.apply(At(1), &Input::Joined { athlete, name: name.into(), join: None });
            session.apply(At(1), &Input::Heard { athlete });
        }
        let work = Extent::Distance { distance_dm: Decimetres(1_000) };
        let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
        ordered(&mut session, 2, Order::SetPieces { pieces: vec![piece] });
        ordered(&mut session, 3, Order::Arm);
        let left = Input::NotHeard { athlete: zed, since: At(gone_at) };
        if gone_at < 10 {
            session.apply(At(gone_at), &left);
        }
        ordered(&mut session, 10, Order::Start);
        if gone_at > 10 {
            session.apply(At(gone_at), &left);
        }
        let go = 10_010;
        session.apply(At(go), &Input::Deadline);
        let strokes = (0..16).map(|no: u32| Sample {
            seq: no + 1,
            heard_ms: i64::try_from(go).unwrap() + i64::from(no) * 2_000,
            distance_dm: i64::from(no) * 80,
            ..Sample::default()
        });
        let run = RunId(Uuid::from_u128(3));
        let samples = Input::Samples { athlete: ana, run, samples: strokes.collect() };
        session.apply(At(go + 31_000), &samples);
        let finished = |session: &Session| matches!(phase(session), Phase::Finished { .. });
        // The first input brings it to closing; the next tick looks at who is still out.
        session.apply(At(go + 32_000), &Input::Deadline);
        assert_eq!(finished(&session), over, "left at {gone_at}: {:?}", phase(&session));
    }
}

/// Zed's phone is lost during the countdown and comes back when Ana is home; what Zed has rowed comes with the next
/// message.
#[test]
fn who_has_rowed_unheard_is_waited_for_until_it_can_have_come() {
    let (ana, zed) = (AthleteId(Uuid::from_u128(1)), AthleteId(Uuid::from_u128(2)));
    for rowed in [true, false] {
        let mut session = Session::new();
        session.apply(
            At(0),
            &Input::Created { title: "Test".into(), settings: Default::default(), by: None },
        );
        for (athlete, name) in [(ana, "Ana"), (zed, "Zed")] {
            session.apply(At(1), &Input::Joined { athlete, name: name.into(), join: None });
            session.apply(At(1), &Input::Heard { athlete });
        }
        let work = Extent::Distance { distance_dm: Decimetres(1_000) };
        let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
        ordered(&mut session, 2, Order::SetPieces { pieces: vec![piece] });
        ordered(&mut session, 3, Order::Arm);
        ordered(&mut session, 10, Order::Start);
        session.apply(At(5_000), &Input::NotHeard { athlete: zed, since: At(5_000) });
        let go = 10_010;
        let samples = |athlete: AthleteId, dm: i64, strokes: std::ops::Range<u32>| {
            let sample = |no: u32| Sample {
                seq: no + 1,
                heard_ms: i64::try_from(go).unwrap() + i64::from(no) * 2_000,
                distance_dm: i64::from(no) * dm,
                ..Sample::default()
            };
            let (run, samples) = (RunId(athlete.0), strokes.map(sample).collect());
            Input::Samples { athlete, run, samples }
        };
        let until = |session: &mut Session, at: u64| {
            while let Some(due) = session.deadline().filter(|due| *due <= At(at)) {
                session.apply(due, &Input::Deadline);
            }
        };
        let finished = |session: &Session| matches!(phase(session), Phase::Finished { .. });
        session.apply(At(go + 31_000), &samples(ana, 80, 0..16));
        until(&mut session, go + 40_000);
        session.apply(At(go + 40_000), &Input::Heard { athlete: zed });
        until(&mut session, go + 40_900);
        assert!(!finished(&session), "Zed's strokes are on their way");
        if rowed {
            session.apply(At(go + 41_000), &samples(zed, 40, 0..21));
            until(&mut session, go + 51_000);
            session.apply(At(go + 51_000), &samples(zed, 40, 21..26));
        }
        until(&mut session, go + 51_900);
        assert_eq!(finished(&session), rowed, "{:?}", phase(&session));
        until(&mut session, go + 60_000);
        assert!(finished(&session), "nobody waits any longer for who has rowed nothing");
        let results = session.view(Viewer::Coach).pieces.first().unwrap().results.clone();
        let outcomes: Vec<Outcome> = results.iter().map(|result| result.outcome).collect();
        let of_zed = if rowed { Outcome::Finished } else { Outcome::DidNotStart };
        assert_eq!(outcomes, [Outcome::Finished, of_zed]);
    }
}

/// Zed's phone keeps coming back every ten seconds when Ana is home, and nothing was rowed on it.
#[test]
fn a_device_that_comes_anew_all_the_time_holds_the_piece_open_for_a_minute() {
    let (mut session, ana, go) = begun(Decimetres(1_000));
    let zed = AthleteId(Uuid::from_u128(2));
    session.apply(At(go), &Input::Joined { athlete: zed, name: "Zed".into(), join: None });
    let sample = |no: u32| Sample {
        seq: no + 1,
        heard_ms: i64::try_from(go).unwrap() + i64::from(no) * 2_000,
        distance_dm: i64::from(no) * 80,
        ..Sample::default()
    };
    let (run, samples) = (RunId(Uuid::from_u128(3)), (0..16).map(sample).collect());
    let rowed = Input::Samples { athlete: ana, run, samples };
    let mut over = None;
    for at in (go + 500..go + 200_000).step_by(500) {
        if (at - go) % 10_000 == 0 {
            session.apply(At(at), &Input::NotHeard { athlete: zed, since: At(at) });
            session.apply(At(at), &Input::Heard { athlete: zed });
        }
        let input = if at == go + 31_000 { &rowed } else { &Input::Deadline };
        session.apply(At(at), input);
        over = over.or(matches!(phase(&session), Phase::Finished { .. }).then_some(at - go));
    }
    // The first time was ten seconds after the go.
    assert_eq!(over, Some(70_000));
}
