//! What nobody can rule about results, and what is said instead.

use thole_protocol::refusal::Why;

use super::{
    ruled::{FIRST, WHY, aimed, correct, exclude, number, official, over, reopen, unrank},
    *,
};

#[test]
fn an_order_that_makes_no_sense_is_refused_with_what_to_do_and_changes_nothing() {
    let mut evening = over();
    let before = evening.piece();
    let with = |reason: &str| Order::Exclude {
        piece: FIRST,
        athlete: athlete(1),
        reason: reason.to_owned(),
    };
    let metres = |dm| Order::CorrectResult {
        piece: FIRST,
        athlete: athlete(1),
        finish: Total::Distance { distance_dm: Decimetres(dm) },
        reason: WHY.to_owned(),
    };
    let of = |piece| Order::MakeOfficial { piece: PieceNo(piece) };
    let undo = |ruling| Order::Undo { ruling: number(ruling) };
    let cases = [
        (of(1), Why::Unknown),
        (exclude(9), Why::Unknown),
        // Cy had a seat once.
        (exclude(3), Why::Unknown),
        (with(""), Why::OutOfRange),
        (with(" \t "), Why::OutOfRange),
        (with(&"x".repeat(201)), Why::OutOfRange),
        (correct(1, 0), Why::OutOfRange),
        (correct(1, 86_400_001), Why::OutOfRange),
        (correct(1, 20_000), Why::Unrowable),
        (metres(3_000), Why::OutOfRange),
        (aimed(1, 20_000), Why::Unrowable),
        (reopen(), Why::NotNow),
        (undo(77), Why::Unknown),
    ];
    for (no, (order, why)) in (100..).zip(cases) {
        let refused = evening.rules(no, order.clone()).unwrap_err();
        assert_eq!(refused.why, why, "{order:?}: {refused:?}");
        assert!(refused.says.ends_with('.'), "{refused:?}");
    }
    let is_kept = |evening: &Evening| evening.session.to_settle().is_none();
    assert!(is_kept(&evening) && evening.piece() == before);
    assert!(evening.rules(200, with(&"x".repeat(200))).is_ok());
    evening.settle();
    evening.undone(201, 200);
    for again in [200, 201] {
        assert!(
            evening.rules(202, undo(again)).is_err(),
            "undone already, and an undo is not undone"
        );
    }
    evening.ruled(203, official());
    for order in [official(), correct(1, 70_000), exclude(1), undo(200)] {
        assert_eq!(evening.rules(204, order).unwrap_err().why, Why::NotNow);
    }
    assert_eq!(evening.piece().results, before.results);
    evening.replays();
}

#[test]
fn a_piece_that_is_rowed_or_has_not_begun_has_no_results_to_rule_about() {
    let mut evening = started();
    let refused = |evening: &mut Evening, no| evening.rules(no, exclude(1)).unwrap_err();
    assert_eq!(refused(&mut evening, 1).why, Why::NotNow);
    evening.until(u64::from(GO) + 5_000);
    let says = refused(&mut evening, 2).says;
    assert!(says.contains("not over"), "{says}");
    let mut stopped = started();
    stopped.order(u64::from(GO) - 100, Order::Stop);
    let says = refused(&mut stopped, 3).says;
    assert!(says.contains("before its go"), "{says}");
}

#[test]
fn two_coaches_at_once_and_an_order_said_twice_are_one_after_the_other() {
    let mut evening = over();
    evening.rules(1, exclude(1)).unwrap();
    let first = evening.session.to_settle().unwrap().clone();
    // Said again before its record is kept, and after it.
    evening.rules(1, exclude(1)).unwrap();
    assert_eq!(evening.session.to_settle(), Some(&first));
    evening.settle();
    evening.rules(1, exclude(1)).unwrap();
    assert!(evening.session.to_settle().is_none());
    // Both make it official with one press each.
    evening.rules(2, official()).unwrap();
    assert!(evening.rules(3, official()).unwrap_err().says.contains("already"));
    evening.settle();
    assert_eq!(evening.kept().official.unwrap().command, number(2));
    evening.replays();
}

#[test]
fn whoever_has_a_corrected_result_is_not_taken_off_the_roster() {
    let mut evening = started();
    evening.say(u64::from(GO), Input::Deadline);
    for seq in 1..=38 {
        evening.row(1, seq, seq, 40);
        evening.until(u64::from(GO + 2_000 * (seq + 1)));
    }
    evening.until(u64::from(GO) + 100_000);
    evening.settle();
    // Nothing came of Bo's machine; the coach has read the screen.
    assert_eq!(evening.result(2).outcome, Outcome::DidNotStart);
    evening.ruled(1, correct(2, 61_000));
    assert_eq!((evening.places(), evening.result(2).outcome), ([1, 2, 0], Outcome::Finished));
    let remove = Order::RemoveAthlete { athlete: athlete(2) };
    assert!(evening.rules(2, remove.clone()).unwrap_err().says.contains("corrected"));
    evening.undone(3, 1);
    evening.ruled(4, official());
    evening.rules(5, remove).unwrap();
    evening.until(evening.session.now().0 + 60_000);
    evening.settle();
    assert_eq!(evening.kept().seats.len(), 2, "who rowed nothing and is gone is in no result");
    evening.replays();
}

#[test]
fn of_rulings_there_are_as_many_as_one_message_holds() {
    let mut evening = over();
    for no in 0..300 {
        evening.ruled(no, if no % 2 == 0 { exclude(1) } else { unrank(1) });
    }
    assert_eq!(evening.rules(300, exclude(1)).unwrap_err().why, Why::Limit);
    evening.undone(301, 299);
    evening.replays();
}
