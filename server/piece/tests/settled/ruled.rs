//! What a coach rules about results of a piece that is over.

use thole_piece::settled::Cause;
use thole_protocol::{
    ids::CoachId,
    order::GivenBy,
    refusal::Refusal,
    spec::Ranking,
    standing::{AthleteResult, Corrected, Instead, PieceView, Unplaced},
};

use super::*;

pub(super) const FIRST: PieceNo = PieceNo(0);
pub(super) const WHY: &str = "the screen said so, asked Zelda";

fn finish(ms: u32) -> Total {
    Total::Time { finish_ms: Millis(ms) }
}

pub(super) fn correct(who: u128, ms: u32) -> Order {
    let (finish, reason) = (finish(ms), WHY.to_owned());
    Order::CorrectResult { piece: FIRST, athlete: athlete(who), finish, reason }
}

pub(super) fn aimed(who: u128, ms: u32) -> Order {
    let target = Some(Target::Finish { finish_ms: Millis(ms) });
    Order::CorrectTarget { piece: FIRST, athlete: athlete(who), target, reason: WHY.to_owned() }
}

pub(super) fn exclude(who: u128) -> Order {
    Order::Exclude { piece: FIRST, athlete: athlete(who), reason: WHY.to_owned() }
}

pub(super) fn unrank(who: u128) -> Order {
    Order::Unrank { piece: FIRST, athlete: athlete(who), reason: WHY.to_owned() }
}

pub(super) fn official() -> Order {
    Order::MakeOfficial { piece: FIRST }
}

pub(super) fn reopen() -> Order {
    Order::Reopen { piece: FIRST, reason: WHY.to_owned() }
}

pub(super) fn number(no: u128) -> CommandId {
    CommandId(Uuid::from_u128(0x0f00 + no))
}

impl Evening {
    /// Rosa gives an order under a number, a second after whatever was last.
    pub(super) fn rules(&mut self, no: u128, order: Order) -> Result<(), Refusal> {
        let by = GivenBy { coach: CoachId(Uuid::from_u128(70)), name: "Rosa".to_owned() };
        let at = self.session.now().0 + 1_000;
        self.until(at);
        let command = number(no);
        let out = self.say(at, Input::Ordered { command, order, by: Some(by) });
        let refused = out.into_iter().find_map(|output| {
            let Output::OrderRefused { refusal, .. } = output else { return None };
            Some(refusal)
        });
        refused.map_or(Ok(()), Err)
    }

    /// The same, and its record is kept.
    pub(super) fn ruled(&mut self, no: u128, order: Order) -> Settled {
        self.rules(no, order).unwrap();
        assert!(self.settle().is_empty(), "the record is what this build makes");
        self.kept()
    }

    pub(super) fn undone(&mut self, no: u128, ruling: u128) -> Settled {
        self.ruled(no, Order::Undo { ruling: number(ruling) })
    }

    pub(super) fn kept(&self) -> Settled {
        self.session.settled(FIRST).unwrap().clone()
    }

    pub(super) fn piece(&self) -> PieceView {
        let view = self.session.view(thole_piece::session::Viewer::Coach);
        view.pieces.first().unwrap().clone()
    }

    pub(super) fn result(&self, who: u128) -> AthleteResult {
        let results = self.piece().results;
        results.into_iter().find(|result| result.athlete == athlete(who)).unwrap()
    }

    /// Places of Ana, Bo and Di; 0 for none.
    pub(super) fn places(&self) -> [u32; 3] {
        [1, 2, 4].map(|who| self.result(who).place.unwrap_or(0))
    }

    fn teams(&self) -> Vec<(String, Option<u32>, Option<i64>)> {
        let teams = self.piece().teams.into_iter();
        teams.map(|line| (line.team, line.place, line.mean_margin)).collect()
    }

    /// What Di rowed before the close and her phone had kept: she was home after 78 s, against 90 s.
    fn strokes_of_di_come(&mut self) {
        let sample = |seq: u32| Sample {
            seq: seq + 1,
            heard_ms: i64::from(GO + 2_000 * seq),
            distance_dm: i64::from(600 + 84 * (seq - 10)),
            ..Sample::default()
        };
        let at = self.session.now().0 + 1_000;
        let (run, samples) = (RunId(Uuid::from_u128(4)), (11..=39).map(sample).collect());
        self.say(at, Input::Samples { athlete: athlete(4), run, samples });
        while self.session.is_settling() {
            let due = self.session.deadline().unwrap();
            self.say(due.0, Input::Deadline);
            if self.session.to_settle().is_some() {
                assert!(self.settle().is_empty());
            }
        }
    }

    /// The journal gives the same session, and no record differs.
    pub(super) fn replays(&self) {
        let (session, differs) = self.replayed();
        assert_eq!(differs, []);
        assert_eq!(session, self.session);
    }
}

/// Settled: Ana first (75 s for 80 s), Bo second (60 s for 60 s), Di cut off.
pub(super) fn over() -> Evening {
    let mut evening = rowed();
    evening.settle();
    assert_eq!(evening.places(), [1, 2, 0]);
    evening
}

#[test]
fn nothing_moves_once_it_is_official_and_what_would_be_is_told() {
    let mut evening = over();
    let first = evening.ruled(1, official());
    assert_eq!((first.revision, first.cause), (2, Cause::Official));
    let said = first.official.unwrap();
    assert_eq!((said.command, said.by), (number(1), Some(CoachId(Uuid::from_u128(70)))));
    let (before, teams) = (evening.piece(), evening.teams());
    let lines = evening.session.standings().unwrap().lines.clone();
    evening.strokes_of_di_come();
    assert_eq!(evening.places(), [1, 2, 0]);
    assert_eq!((evening.teams(), evening.piece().rulings), (teams, before.rulings));
    assert_eq!(evening.session.standings().unwrap().lines, lines, "boards stand still, too");
    let di = evening.result(4);
    assert_eq!((di.outcome, di.shown, di.margin), (Outcome::Stopped, None, None));
    let would = di.ruling.would_be.unwrap();
    let Some(Total::Time { finish_ms }) = would.shown else { panic!("{would:?}") };
    assert_eq!((would.outcome, would.place), (Outcome::Finished, Some(1)));
    assert!((77_000..79_000).contains(&finish_ms.0) && would.margin.is_some());
    assert_eq!(evening.result(1), before.results[0], "nobody else is told anything");
    let newest = evening.kept();
    assert!(newest.revision > 2 && newest.cause == Cause::ResultsChanged);
    assert_eq!(newest.official, first.official);
    let seat = newest.seats.last().unwrap();
    assert_eq!((seat.place, seat.ruling.clone(), seat.home_at_ms), (None, di.ruling, None));
    evening.replays();
    // Her own screens say the same.
    let own = evening.session.own(athlete(4)).unwrap();
    assert_eq!((own.place, own.margin), (None, None));

    let reopened = evening.ruled(2, reopen());
    assert_eq!((reopened.cause, reopened.official), (Cause::Reopened, None));
    assert_eq!(evening.places(), [2, 3, 1]);
    assert!(evening.result(4).ruling.is_none());
    let told = evening.piece().rulings.reopened.unwrap();
    assert_eq!((told.reason.as_str(), told.by.unwrap().name.as_str()), (WHY, "Rosa"));
    evening.replays();
}

#[test]
fn neither_settings_nor_a_change_of_team_move_an_official_place() {
    let mut evening = over();
    let before = (evening.ruled(1, official()), evening.piece().results, evening.teams());
    let settings = SessionSettings { ranking: Ranking::Amount, ..SessionSettings::default() };
    let at = evening.session.now().0;
    evening.order(at + 1, Order::Settings { settings });
    let spec = AthleteSpec { name: "Ana".into(), team: Some("blue".into()), ..Default::default() };
    evening.order(at + 2, Order::ChangeAthlete { athlete: athlete(1), spec });
    evening.until(at + 3_600_000);
    assert!(evening.session.to_settle().is_none());
    assert_eq!((evening.kept(), evening.piece().results, evening.teams()), before);
    let reopened = evening.ruled(2, reopen());
    assert_eq!(reopened.settings, settings);
    assert_ne!(evening.teams(), before.2, "Ana is blue now");
    evening.replays();
}

#[test]
fn a_corrected_finish_moves_places_margin_and_teams_and_keeps_what_was_measured() {
    let mut evening = over();
    let (before, teams) = (evening.result(2), evening.teams());
    let settled = evening.ruled(1, correct(2, 54_950));
    let bo = evening.result(2);
    assert_eq!((bo.shown, bo.time_ms), (Some(finish(55_000)), Millis(54_950)));
    assert_eq!((evening.places(), bo.outcome), ([2, 1, 0], Outcome::Finished));
    assert_eq!(bo.margin.unwrap().gap.ms(), Some(5_000));
    assert_eq!((bo.splits.clone(), bo.sure.ms()), (before.splits.clone(), None));
    let measured = bo.ruling.measured.unwrap();
    assert_eq!((measured.shown, measured.time_ms), (before.shown, before.time_ms));
    assert_eq!((measured.outcome, measured.sure), (before.outcome, before.sure));
    assert_ne!(evening.teams(), teams);
    let line = evening.session.standings().unwrap().lines.first().unwrap().clone();
    assert_eq!((line.athlete, line.place, line.margin), (athlete(2), Some(1), bo.margin));
    assert_eq!(line.projected.unwrap().finish, finish(55_000));
    let own = evening.session.own(athlete(2)).unwrap();
    assert_eq!((own.place, own.margin), (Some(1), bo.margin));

    let seat = settled.seats.get(1).unwrap();
    assert_eq!((seat.place, seat.shown, &seat.ruling), (Some(1), bo.shown, &bo.ruling));
    let correction = seat.corrections.first().unwrap();
    assert_eq!(correction.what, Corrected::Finish { finish: finish(54_950) });
    assert_eq!(correction.ruling.command, number(1));
    // Words of the coach, and who that is by name, stand in the order alone: it is Bo's, and goes with him.
    let text = serde_json::to_string(&settled).unwrap();
    assert!(!text.contains("Rosa") && !text.contains("Zelda"), "{text}");
    let reasons: Vec<_> = evening.session.reasons().collect();
    assert_eq!(reasons.len(), 1);
    assert_eq!(
        (reasons[0].0, reasons[0].1, reasons[0].2.unwrap().name.as_str()),
        (number(1), WHY, "Rosa")
    );
    evening.replays();

    // A second one takes its place; taken back, the first stands again; taken back too, what was measured.
    evening.ruled(2, correct(2, 59_000));
    assert_eq!(evening.result(2).shown, Some(finish(59_000)));
    evening.undone(3, 2);
    assert_eq!(evening.result(2), bo);
    let measured = evening.undone(4, 1);
    assert_eq!((evening.result(2), evening.teams()), (before, teams));
    assert_eq!((measured.revision, measured.cause), (5, Cause::Corrected));
    assert!(measured.seats.iter().all(|seat| seat.corrections.is_empty()));
    evening.replays();
}

#[test]
fn a_target_that_was_loaded_for_another_piece_wins_nothing_once_it_is_corrected() {
    let mut evening = started();
    evening.say(u64::from(GO), Input::Deadline);
    for seq in 1..=38 {
        for (who, speed) in [(1, 40), (2, 50)] {
            evening.row(who, seq, seq, speed);
        }
        evening.until(u64::from(GO + 2_000 * (seq + 1)));
    }
    evening.until(u64::from(GO) + 100_000);
    evening.settle();
    // Ana was down for 80 s and meant 70 s.
    let before = evening.result(1);
    let settled = evening.ruled(1, aimed(1, 70_000));
    let ana = evening.result(1);
    assert_eq!((ana.target, ana.shown), (Some(finish(70_000)), before.shown));
    assert_eq!(ana.margin.unwrap().gap.ms(), Some(-5_000));
    assert_eq!(ana.ruling.target_before.unwrap().target, Some(finish(80_000)));
    assert_eq!((evening.places(), ana.ruling.measured), ([2, 1, 0], None));
    let seat = settled.seats.first().unwrap();
    assert_eq!((seat.target, seat.margin), (ana.target, ana.margin));
    assert_eq!(seat.aim, Some(Target::Finish { finish_ms: Millis(70_000) }));
    // By nobody knows what: no target, no place.
    let none = Order::CorrectTarget {
        piece: FIRST,
        athlete: athlete(1),
        target: None,
        reason: WHY.to_owned(),
    };
    evening.ruled(2, none);
    assert_eq!((evening.places(), evening.result(1).margin), ([0, 1, 0], None));
    let line = evening.session.standings().unwrap().lines[1].clone();
    assert_eq!((line.athlete, line.instead), (athlete(1), Some(Instead::Untargeted)));
    evening.undone(3, 2);
    evening.undone(4, 1);
    assert_eq!(evening.result(1), before);
    evening.replays();
}

#[test]
fn who_is_excluded_or_out_of_competition_keeps_the_result_and_has_no_place() {
    let mut evening = over();
    let before = evening.result(1);
    let blame = [(exclude(1), Unplaced::Excluded), (unrank(1), Unplaced::Unranked)];
    for (no, (order, unplaced)) in (1..).zip(blame) {
        evening.ruled(no, order);
        let ana = evening.result(1);
        assert_eq!((ana.ruling.unplaced, evening.places()), (Some(unplaced), [0, 1, 0]));
        assert_eq!((ana.shown, ana.margin), (before.shown, before.margin));
        let lines = evening.session.standings().unwrap().lines.clone();
        let instead = lines.iter().find(|line| line.athlete == athlete(1)).unwrap().instead;
        assert!(matches!(instead, Some(Instead::Excluded | Instead::Unranked)), "{instead:?}");
        if unplaced == Unplaced::Excluded {
            let last = lines.last().unwrap();
            assert_eq!((last.athlete, last.instead), (athlete(1), Some(Instead::Excluded)));
            let number = (last.place, last.margin, last.against_target, last.projected);
            assert_eq!(number, (None, None, None, None), "no screen of the class has its number");
        }
        assert_eq!(evening.teams().first().unwrap().0, "blue", "red has nobody who is ranked");
    }
    evening.undone(3, 2);
    assert_eq!(evening.result(1).ruling.unplaced, Some(Unplaced::Excluded), "the older stands");
    evening.undone(4, 1);
    assert_eq!(evening.result(1), before);
    evening.replays();
}

#[test]
fn rulings_come_after_later_pieces_and_when_the_session_is_closed() {
    let mut evening = over();
    let at = evening.session.now().0;
    let work = Extent::Distance { distance_dm: Decimetres(3_000) };
    let next = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    evening.order(at + 1, Order::SetPieces { pieces: vec![next] });
    evening.order(at + 2, Order::NextPiece);
    evening.ruled(1, correct(2, 55_000));
    assert_eq!(evening.places(), [2, 1, 0]);
    evening.order(at + 60_000, Order::CloseSession);
    assert!(evening.session.is_settled());
    evening.rules(2, exclude(1)).unwrap();
    assert!(!evening.session.is_settled(), "its record is not kept yet");
    evening.settle();
    evening.ruled(3, official());
    evening.ruled(4, reopen());
    evening.undone(5, 2);
    assert_eq!(evening.places(), [2, 1, 0]);
    let refused = evening.rules(6, Order::Arm).unwrap_err();
    assert!(refused.says.contains("closed"), "{refused:?}");
    evening.replays();
}

#[test]
fn late_strokes_change_what_was_measured_and_not_what_a_coach_has_put_there() {
    let mut evening = over();
    evening.ruled(1, correct(4, 60_000));
    assert_eq!(evening.places(), [2, 3, 1]);
    let measured = |evening: &Evening| evening.result(4).ruling.measured.unwrap();
    assert_eq!(measured(&evening).outcome, Outcome::Stopped);
    evening.strokes_of_di_come();
    assert_eq!((evening.places(), evening.result(4).shown), ([2, 3, 1], Some(finish(60_000))));
    assert_eq!(measured(&evening).outcome, Outcome::Finished);
    let seat = evening.kept().seats.pop().unwrap();
    assert_eq!(seat.ruling.measured, Some(measured(&evening)));
    evening.undone(2, 1);
    assert_eq!((evening.places(), evening.result(4).ruling.is_none()), ([2, 3, 1], true));
    evening.replays();
}

#[test]
fn who_undoes_a_reopening_has_what_was_official() {
    let mut evening = over();
    evening.ruled(1, exclude(1));
    evening.ruled(2, official());
    evening.ruled(3, reopen());
    evening.strokes_of_di_come();
    assert_eq!(evening.places(), [0, 2, 1]);
    let again = evening.undone(4, 3);
    assert_eq!((again.cause, evening.places()), (Cause::Official, [0, 1, 0]));
    assert_eq!(evening.result(4).ruling.would_be.unwrap().place, Some(1));
    // Taken back that it is official, it is as if it had never been.
    evening.undone(5, 2);
    assert_eq!(evening.places(), [0, 2, 1]);
    // What was corrected since stands in the way, and is not lost.
    evening.ruled(6, official());
    evening.ruled(7, reopen());
    evening.ruled(8, unrank(2));
    let refused = evening.rules(9, Order::Undo { ruling: number(7) }).unwrap_err();
    assert!(refused.says.contains("corrected"), "{refused:?}");
    evening.undone(10, 8);
    evening.undone(11, 1);
    assert!(evening.rules(12, Order::Undo { ruling: number(7) }).is_err(), "Ana is back");
    evening.replays();
}

#[test]
fn what_is_ruled_and_undone_in_one_breath_leaves_no_record_behind() {
    let mut evening = over();
    evening.rules(1, exclude(1)).unwrap();
    evening.rules(2, Order::Undo { ruling: number(1) }).unwrap();
    assert!(evening.session.to_settle().is_none());
    evening.rules(3, exclude(1)).unwrap();
    evening.rules(4, official()).unwrap();
    let settled = evening.session.to_settle().unwrap();
    assert_eq!((settled.revision, settled.cause), (2, Cause::Official));
    evening.settle();
    evening.replays();
}

#[test]
fn a_crash_between_an_order_and_its_record_loses_neither() {
    let mut evening = over();
    evening.rules(1, correct(2, 55_000)).unwrap();
    let asked = evening.session.to_settle().unwrap().clone();
    let (session, _) = evening.replayed();
    evening.session = session;
    evening.say(0, Input::Reopened);
    assert_eq!(evening.session.to_settle(), Some(&asked));
    evening.settle();
    evening.replays();
}

#[test]
fn only_coaches_are_told_why_and_by_whom() {
    let mut evening = over();
    evening.ruled(1, correct(2, 55_000));
    evening.ruled(2, official());
    let seen_by = |viewer| {
        let view = evening.session.view(viewer);
        let told = evening.session.events_after(thole_protocol::ids::EventNo(1), viewer);
        serde_json::to_string(&(view.pieces, told)).unwrap()
    };
    use thole_piece::session::Viewer;
    assert!(seen_by(Viewer::Coach).contains("Zelda") && seen_by(Viewer::Coach).contains("Rosa"));
    for viewer in [Viewer::Board, Viewer::Athlete(athlete(2)), Viewer::Athlete(athlete(1))] {
        let seen = seen_by(viewer);
        assert!(!seen.contains("Zelda") && !seen.contains("Rosa"), "{viewer:?}: {seen}");
        assert!(seen.contains("official"), "{viewer:?}");
    }
    assert!(seen_by(Viewer::Athlete(athlete(2))).contains("measured"), "Bo sees that it was");
}
