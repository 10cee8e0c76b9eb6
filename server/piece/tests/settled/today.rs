//! What a record says of those who took it easy, and of those who did not row.

use thole_piece::{session::Viewer, settled::SeatNo};
use thole_protocol::{
    spec::Today,
    standing::{Instead, Mark},
};

use super::{
    ruled::{aimed, correct, exclude, official, over},
    *,
};

impl Evening {
    pub(super) fn says_today(&mut self, at: u64, who: u128, today: Today) {
        let input = Input::Ready {
            athlete: athlete(who),
            cautions_read: true,
            machine: None,
            clock_bound_ms: None,
            on_board: None,
            today: Some(today),
        };
        self.say(at, input);
    }
}

/// Bo has said in the countdown that he takes it easy.
fn easy() -> Evening {
    let mut evening = started();
    evening.says_today(u64::from(GO) - 400, 2, Today::Easy);
    evening
}

#[test]
fn the_record_marks_who_took_it_easy_and_keeps_all_that_was_rowed() {
    let mut evening = rowed_from(easy());
    assert!(evening.settle().is_empty());
    let kept = evening.kept();
    let bo = kept.seats.get(1).unwrap();
    assert_eq!((bo.seat, bo.outcome, bo.time_ms), (SeatNo(2), Outcome::Finished, Millis(60_000)));
    assert_eq!((bo.place, bo.margin, bo.target), (None, None, None));
    assert_eq!(bo.marks, [Mark::Unranked]);
    assert_eq!(bo.aim, Some(Target::Finish { finish_ms: Millis(60_000) }), "it was not forgotten");
    assert_eq!(evening.places(), [1, 0, 0]);
    let line = &evening.session.standings().unwrap().lines[1];
    assert_eq!((line.athlete, line.instead), (athlete(2), Some(Instead::Unranked)));
    assert_eq!(kept.not_today, []);
    evening.replays();
}

#[test]
fn the_record_lists_who_sat_out_beside_the_seats_and_has_no_result_of_theirs() {
    let mut evening = easy();
    evening.says_today(u64::from(GO) - 300, 4, Today::Not);
    evening.say(u64::from(GO), Input::Deadline);
    evening.row(2, 1, 31, 50);
    evening.until(u64::from(GO) + 70_000);
    assert!(evening.settle().is_empty());
    let kept = evening.kept();
    assert_eq!(kept.not_today, [SeatNo(3)]);
    let seats: Vec<_> = kept.seats.iter().map(|seat| (seat.seat.0, seat.outcome)).collect();
    assert_eq!(seats, [(1, Outcome::DidNotStart), (2, Outcome::Finished)]);
    evening.replays();
    // Who has been here all along reads it as everybody else's: nothing is written of what nobody said.
    let text = serde_json::to_string(&rowed().session.to_settle().unwrap()).unwrap();
    assert!(!text.contains("not_today"), "{text}");
}

#[test]
fn no_correction_gives_a_place_to_who_took_it_easy() {
    let mut evening = rowed_from(easy());
    assert!(evening.settle().is_empty());
    evening.ruled(1, aimed(2, 90_000));
    evening.ruled(2, correct(2, 50_000));
    assert_eq!(evening.places(), [1, 0, 0]);
    let instead = |evening: &Evening| {
        let lines = &evening.session.standings().unwrap().lines;
        let line = lines.iter().find(|line| line.athlete == athlete(2)).unwrap();
        (line.place, line.instead)
    };
    assert_eq!(instead(&evening), (None, Some(Instead::Unranked)));
    evening.ruled(3, official());
    assert_eq!(evening.places(), [1, 0, 0]);
    evening.ruled(4, super::ruled::reopen());
    evening.ruled(5, exclude(2));
    assert_eq!(instead(&evening), (None, Some(Instead::Excluded)), "that says more");
    evening.replays();
}

#[test]
fn whether_projections_came_true_is_not_told_by_an_easy_row() {
    assert_eq!(rowed_from(easy()).session.calibration().finishes, 1);
    assert_eq!(rowed().session.calibration().finishes, 2);
}

#[test]
fn a_word_after_the_end_changes_no_record() {
    let mut evening = over();
    let before = evening.kept();
    for (who, today) in [(1, Today::Easy), (2, Today::Not), (4, Today::Not)] {
        evening.says_today(0, who, today);
    }
    evening.until(evening.session.now().0 + 900_000);
    assert_eq!((evening.session.to_settle(), evening.kept()), (None, before));
    evening.replays();
}

#[test]
fn the_coach_and_they_themselves_see_the_word_and_boards_do_not() {
    let evening = easy();
    let word = |viewer| {
        let view = evening.session.view(viewer);
        let bo = view.athletes.iter().find(|of| of.athlete == athlete(2)).unwrap();
        (bo.today, serde_json::to_string(bo).unwrap().contains("today"))
    };
    assert_eq!(word(Viewer::Coach), (Today::Easy, true));
    assert_eq!(word(Viewer::Athlete(athlete(2))), (Today::Easy, true));
    assert_eq!(word(Viewer::Board), (Today::AsUsual, false));
}
