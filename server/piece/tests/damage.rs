//! What the journal has lost: whose results are marked, for how long, and that the coach is told once.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

use thole_piece::{Input, Output, Session, input::Damaged, session::Viewer};
use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CommandId, EventNo, PieceNo, RunId},
    order::Order,
    sample::Sample,
    spec::{AthleteSpec, Extent, PieceSpec, Repeat, RosterEntry, SessionSettings},
    standing::{AthleteResult, Mark},
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const GO: u64 = 20_000;

fn athlete(who: u128) -> AthleteId {
    AthleteId(Uuid::from_u128(who))
}

fn say(session: &mut Session, at: u64, input: &Input) -> Vec<Output> {
    session.apply(At(at).max(session.now()), input)
}

/// 9 m every 2 s from the go on.
fn stroke(session: &mut Session, who: u128, seq: u32) {
    let heard = GO + 2_000 * u64::from(seq - 1);
    let sample = Sample {
        seq,
        heard_ms: i64::try_from(heard).unwrap() - 300,
        distance_dm: 90 * i64::from(seq - 1),
        ..Sample::default()
    };
    let (athlete, run) = (athlete(who), RunId(Uuid::from_u128(who)));
    say(session, heard, &Input::Samples { athlete, run, samples: vec![sample] });
}

/// Ana and Bo in the middle of 500 m; Ana's twelfth stroke is not there.
fn rowing() -> Session {
    rowing_of(&[5_000])
}

/// The same in the first of these repeats, lengths in decimetres.
fn rowing_of(repeats: &[u32]) -> Session {
    let mut session = Session::new();
    let settings = SessionSettings::default();
    say(&mut session, 0, &Input::Created { title: String::new(), settings, by: None });
    let entry = |name: &str| RosterEntry {
        spec: AthleteSpec { name: name.to_owned(), ..AthleteSpec::default() },
        aims: Vec::new(),
    };
    let athletes = vec![(athlete(1), entry("Ana")), (athlete(2), entry("Bo"))];
    let command = |no| CommandId(Uuid::from_u128(no));
    say(&mut session, 0, &Input::AthletesAdded { command: command(1), athletes });
    let repeat = |dm: &u32| {
        let work = Extent::Distance { distance_dm: Decimetres(*dm) };
        Repeat { work, rest_ms: Millis(10_000) }
    };
    let mut repeats: Vec<Repeat> = repeats.iter().map(repeat).collect();
    repeats.last_mut().unwrap().rest_ms = Millis(0);
    let pieces = vec![PieceSpec::of(repeats)];
    for (no, order) in (2..).zip([Order::SetPieces { pieces }, Order::Arm, Order::Start]) {
        say(&mut session, GO - 10_000, &Input::Ordered { command: command(no), order, by: None });
    }
    for seq in 1..=20 {
        for who in [1, 2] {
            if (seq, who) != (12, 1) {
                stroke(&mut session, who, seq);
            }
        }
    }
    session
}

fn lost(whose: &[u128], only_strokes: bool) -> Input {
    let (since_ms, until_ms) = (At(GO + 21_000), At(GO + 23_000));
    let whose = whose.iter().map(|who| athlete(*who)).collect();
    Input::Damaged(Damaged { from: 40, to: 41, since_ms, until_ms, whose, only_strokes })
}

fn told(out: &[Output]) -> Vec<String> {
    let says = out.iter().filter_map(|output| {
        let Output::Event { to, event } = output else { return None };
        let Happening::Damaged(damage) = &event.what else { return None };
        assert!(to.coach && !to.board, "it is the coach's");
        Some(damage.says.clone())
    });
    says.collect()
}

/// Whose results are marked when the piece is stopped now.
fn marked(session: &Session) -> Vec<bool> {
    let mut session = session.clone();
    let command = CommandId(Uuid::from_u128(9));
    say(&mut session, 90_000, &Input::Ordered { command, order: Order::Stop, by: None });
    let view = session.view(Viewer::Coach);
    let mut results = view.pieces.first().unwrap().results.clone();
    results.sort_by_key(|result| result.athlete);
    results.iter().map(|result| result.marks.contains(&Mark::Damaged)).collect()
}

#[test]
fn who_lacks_a_stroke_is_marked_until_it_is_here() {
    let mut session = rowing();
    assert_eq!(marked(&session), [false, false]);
    // The record was about both; Bo has every number up to a later one, so nothing of his was in it.
    let out = say(&mut session, 70_000, &lost(&[1, 2], true));
    let says = told(&out);
    assert_eq!(says.len(), 1);
    assert!(says.concat().contains("strokes of Ana and Bo from 0:00:41 to 0:00:43"), "{says:?}");
    assert_eq!(marked(&session), [true, false]);
    stroke(&mut session, 1, 12);
    assert_eq!(marked(&session), [false, false]);
    assert_eq!(session.damage().len(), 1, "the coach is told of it on coming, too");
}

/// The rest begins when the last athlete is done: without a stroke of Ana's the next signal may have been
/// different.
#[test]
fn a_signal_that_waited_for_lost_strokes_marks_everybody() {
    let mut session = rowing_of(&[2_500, 2_500]);
    say(&mut session, 70_000, &lost(&[1], true));
    assert_eq!(marked(&session), [true, true]);
    stroke(&mut session, 1, 12);
    assert_eq!(marked(&session), [true, true], "the signal is what it was without the stroke");
    // All signals were given before the damage.
    let mut session = rowing_of(&[1_000, 4_000]);
    let Input::Damaged(damaged) = lost(&[1], true) else { panic!("damage") };
    let (since_ms, until_ms) = (At(GO + 36_000), At(GO + 38_000));
    say(&mut session, 70_000, &Input::Damaged(Damaged { since_ms, until_ms, ..damaged }));
    assert_eq!(marked(&session), [true, false]);
}

#[test]
fn the_same_damage_is_told_once_and_more_of_it_again() {
    let mut session = rowing();
    assert_eq!(told(&say(&mut session, 70_000, &lost(&[1], true))).len(), 1);
    assert_eq!(told(&say(&mut session, 70_000, &lost(&[1], true))).len(), 0);
    assert_eq!(told(&say(&mut session, 70_000, &lost(&[1, 2], true))).len(), 1);
    let whole = Damaged {
        from: 0,
        to: Damaged::WHOLE,
        since_ms: At(0),
        until_ms: At(70_000),
        whose: vec![athlete(1)],
        only_strokes: false,
    };
    assert_eq!(told(&say(&mut session, 70_000, &Input::Damaged(whole.clone()))).len(), 1);
    assert!(session.knows_damage(&whole));
    let later = Damaged { from: 60, to: 60, whose: vec![athlete(1)], ..whole };
    assert!(!session.knows_damage(&later), "the row of somebody is none of their records");
}

#[test]
fn what_may_have_been_an_order_marks_everybody_for_good() {
    let mut session = rowing();
    let says = told(&say(&mut session, 70_000, &lost(&[], false)));
    assert!(says.concat().contains("orders may be among it"), "{says:?}");
    stroke(&mut session, 1, 12);
    stroke(&mut session, 2, 21);
    assert_eq!(marked(&session), [true, true]);
}

#[test]
fn a_device_says_up_to_where_and_is_believed() {
    let mut session = rowing();
    let run = RunId(Uuid::from_u128(2));
    let acknowledged = |through_seq| Input::Acknowledged { athlete: athlete(2), run, through_seq };
    let says = told(&say(&mut session, 70_000, &acknowledged(22)));
    assert!(says.concat().contains("lost strokes of Bo"), "{says:?}");
    assert!(session.may_miss(athlete(2)));
    stroke(&mut session, 2, 21);
    assert_eq!(marked(&session), [false, true]);
    stroke(&mut session, 2, 22);
    assert_eq!(marked(&session), [false, false]);
    // As much as is here: nothing is missing, whatever was feared.
    say(&mut session, 90_000, &lost(&[1, 2], true));
    let run = RunId(Uuid::from_u128(1));
    let all = Input::Acknowledged { athlete: athlete(1), run, through_seq: 11 };
    assert_eq!(told(&say(&mut session, 90_000, &all)), [""; 0]);
    assert!(!session.may_miss(athlete(1)));
}

/// A phone that was away has heard more than the session can tell since strokes of it are lost.
#[test]
fn whoever_comes_back_hears_all_that_was_told_since_the_damage() {
    let mut session = rowing();
    let all = |session: &Session, from| session.events_after(EventNo(from), Viewer::Coach);
    let before = session.view(Viewer::Coach).last_event.0;
    assert_eq!(all(&session, before), []);
    let mut told = 0;
    for (round, from) in [(1, before + 5), (2, before + 9)] {
        let damage = Damaged {
            from: 40 * round,
            to: 40 * round,
            since_ms: At(GO),
            until_ms: At(GO),
            whose: vec![athlete(1)],
            only_strokes: true,
        };
        let out = say(&mut session, 70_000, &Input::Damaged(damage));
        let is_news = |output: &&Output| matches!(output, Output::Event { to, .. } if to.coach);
        told += out.iter().filter(is_news).count();
        let since = all(&session, from);
        assert_eq!(since.len(), told, "{since:?}");
        assert!(since.is_sorted_by_key(|event| event.event), "{since:?}");
        assert_eq!(
            since.last().map(|event| event.event),
            Some(session.view(Viewer::Coach).last_event)
        );
        let last = session.view(Viewer::Coach).last_event.0;
        assert_eq!(all(&session, last), []);
        assert_eq!(all(&session, last - 1).len(), 1);
    }
    let everything = all(&session, 0);
    assert!(everything.is_sorted_by_key(|event| event.event));
    let (first, last) = (everything.first().unwrap(), everything.last().unwrap());
    assert!(last.event.0 > first.event.0 + 1_000_000);
}

/// The piece was stopped after a minute; what Bo had rowed until then came later, and that record is lost.
#[test]
fn strokes_of_a_piece_that_came_when_it_was_over_are_missed_in_it() {
    let mut session = rowing();
    stroke(&mut session, 1, 12);
    for seq in 21..=30 {
        stroke(&mut session, 1, seq);
    }
    let command = CommandId(Uuid::from_u128(9));
    say(&mut session, GO + 60_000, &Input::Ordered { command, order: Order::Stop, by: None });
    let lost = |whose: &[u128], at| {
        let (since_ms, until_ms) = (At(at), At(at + 1_000));
        let whose = whose.iter().map(|who| athlete(*who)).collect();
        Input::Damaged(Damaged { from: 90, to: 90, since_ms, until_ms, whose, only_strokes: true })
    };
    // Ana has strokes from after the end, and no number is missing: what is lost of hers was rowed later.
    stroke(&mut session, 1, 31);
    stroke(&mut session, 1, 32);
    say(&mut session, GO + 90_000, &lost(&[1, 2], GO + 70_000));
    assert_eq!(marked(&session), [false, true]);
    for seq in 21..=32 {
        stroke(&mut session, 2, seq);
    }
    let acknowledged =
        Input::Acknowledged { athlete: athlete(2), run: RunId(athlete(2).0), through_seq: 32 };
    say(&mut session, GO + 92_000, &acknowledged);
    assert_eq!(marked(&session), [false, false]);
}

/// Everything that was said to a session, with the records that it made.
#[derive(Default)]
struct Journal {
    session: Session,
    records: Vec<(At, Input)>,
}

impl Journal {
    fn say(&mut self, at: u64, input: Input) {
        let mut next = Some(input);
        while let Some(input) = next {
            let at = At(at).max(self.session.now());
            self.session.apply(at, &input);
            self.records.push((at, input));
            let made = self.session.to_settle().cloned();
            next = made.map(|settled| Input::Settled { settled: Box::new(settled) });
        }
    }

    fn until(&mut self, at: u64) {
        while let Some(due) = self.session.deadline().filter(|due| due.0 <= at) {
            self.say(due.0, Input::Deadline);
        }
    }

    /// The session as it is recomputed without some of them.
    fn without(&self, is_lost: impl Fn(&Input) -> bool) -> Session {
        let mut session = Session::new();
        for (at, input) in self.records.iter().filter(|(_, input)| !is_lost(input)) {
            session.apply(*at, input);
        }
        session
    }
}

fn results(session: &Session) -> Vec<AthleteResult> {
    session.view(Viewer::Coach).pieces.first().unwrap().results.clone()
}

/// Ana and Bo row 100 m of a piece that ends by itself, and the coach goes on to the next. What is lost is the stroke that
/// ended it.
#[test]
fn a_piece_that_has_a_record_is_over_though_the_stroke_that_ended_it_is_lost() {
    let mut journal = Journal::default();
    let settings = SessionSettings::default();
    journal.say(0, Input::Created { title: String::new(), settings, by: None });
    for (who, name) in [(1, "Ana"), (2, "Bo"), (3, "Cy")] {
        let athlete = athlete(who);
        journal.say(0, Input::Joined { athlete, name: name.to_owned(), join: None });
    }
    let work = Extent::Distance { distance_dm: Decimetres(1_000) };
    let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    let command = |no| CommandId(Uuid::from_u128(no));
    let pieces = vec![piece.clone(), piece];
    for (no, order) in (2..).zip([Order::SetPieces { pieces }, Order::Arm, Order::Start]) {
        journal.say(GO - 10_000, Input::Ordered { command: command(no), order, by: None });
    }
    journal.until(GO);
    let stroke = |who: u128, seq: u32| {
        let heard = GO + 2_000 * u64::from(seq - 1);
        let sample = Sample {
            seq,
            heard_ms: i64::try_from(heard).unwrap() - 300,
            distance_dm: 90 * i64::from(seq - 1),
            ..Sample::default()
        };
        let (athlete, run) = (athlete(who), RunId(Uuid::from_u128(who)));
        (heard, Input::Samples { athlete, run, samples: vec![sample] })
    };
    for seq in 1..=13 {
        for who in [1, 2] {
            let (at, input) = stroke(who, seq);
            journal.say(at, input);
        }
    }
    journal.until(GO + 40_000);
    let order = Order::RemoveAthlete { athlete: athlete(3) };
    journal.say(GO + 41_000, Input::Ordered { command: command(10), order, by: None });
    journal.say(
        GO + 42_000,
        Input::Ordered { command: command(11), order: Order::NextPiece, by: None },
    );
    journal.until(GO + 60_000);
    let was = &journal.session;
    assert_eq!(was.view(Viewer::Coach).current, PieceNo(1), "it has ended by itself");
    assert_eq!(
        was.settled(PieceNo(0)).map(|record| (record.revision, record.seats.len())),
        Some((2, 2))
    );

    let last = stroke(2, 13).1;
    let mut session = journal.without(|input| *input == last);
    let damage = Damaged {
        from: 30,
        to: 30,
        since_ms: At(GO + 23_000),
        until_ms: At(GO + 25_000),
        whose: vec![athlete(2)],
        only_strokes: true,
    };
    say(&mut session, GO + 70_000, &Input::Damaged(damage));
    let view = session.view(Viewer::Coach);
    assert_eq!(view.current, PieceNo(1), "what was ordered since is done");
    assert!(!session.knows(athlete(3)));
    assert_eq!(
        view.pieces.first().map(|piece| piece.phase),
        was.view(Viewer::Coach).pieces.first().map(|piece| piece.phase)
    );
    let marked = |session: &Session| {
        let results = results(session);
        results.iter().map(|result| result.marks.contains(&Mark::Damaged)).collect::<Vec<_>>()
    };
    assert_eq!(marked(&session), [false, true]);
    say(&mut session, GO + 71_000, &last);
    let run = RunId(Uuid::from_u128(2));
    let acknowledged = Input::Acknowledged { athlete: athlete(2), run, through_seq: 13 };
    say(&mut session, GO + 71_000, &acknowledged);
    assert_eq!(results(&session), results(was));
}

/// A record that differs because strokes are missing stands, and is followed by others once they are back.
#[test]
fn a_piece_is_settled_again_when_what_was_lost_of_it_is_here() {
    let mut journal = Journal::default();
    let settings = SessionSettings::default();
    journal.say(0, Input::Created { title: String::new(), settings, by: None });
    for (who, name) in [(1, "Ana"), (3, "Cy")] {
        let athlete = athlete(who);
        journal.say(0, Input::Joined { athlete, name: name.to_owned(), join: None });
    }
    let work = Extent::Time { time_ms: Millis(20_000) };
    let pieces = vec![PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }])];
    let command = |no| CommandId(Uuid::from_u128(no));
    for (no, order) in (2..).zip([Order::SetPieces { pieces }, Order::Arm, Order::Start]) {
        journal.say(GO - 10_000, Input::Ordered { command: command(no), order, by: None });
    }
    journal.until(GO);
    let stroke = |seq: u32| {
        let heard = GO + 2_000 * u64::from(seq - 1);
        let heard_ms = i64::try_from(heard).unwrap() - 300;
        let distance_dm = 90 * i64::from(seq - 1);
        let sample = Sample { seq, heard_ms, distance_dm, ..Sample::default() };
        let (athlete, run) = (athlete(1), RunId(Uuid::from_u128(1)));
        (heard, Input::Samples { athlete, run, samples: vec![sample] })
    };
    for (at, input) in (1..=13).map(stroke) {
        journal.say(at, input);
    }
    journal.until(GO + 60_000);
    assert_eq!(journal.session.settled(PieceNo(0)).map(|record| record.revision), Some(1));

    let lost = stroke(6).1;
    let session = journal.without(|input| *input == lost);
    let mut again = Journal { session, records: Vec::new() };
    let damage = Damaged {
        from: 20,
        to: 20,
        since_ms: At(GO + 9_000),
        until_ms: At(GO + 11_000),
        whose: vec![athlete(1)],
        only_strokes: true,
    };
    again.say(GO + 70_000, Input::Damaged(damage));
    let order = Order::RemoveAthlete { athlete: athlete(3) };
    again.say(GO + 71_000, Input::Ordered { command: command(10), order, by: None });
    again.until(GO + 100_000);
    let record = |journal: &Journal| {
        let record = journal.session.settled(PieceNo(0)).unwrap();
        (record.revision, record.seats.len())
    };
    assert_eq!(record(&again), (1, 2), "nothing is put beside it that lacks a stroke");
    again.say(GO + 101_000, lost);
    again.until(GO + 130_000);
    assert_eq!(record(&again), (2, 1));
    let marks = results(&again.session).into_iter().flat_map(|result| result.marks);
    assert_eq!(marks.collect::<Vec<_>>(), []);
}
