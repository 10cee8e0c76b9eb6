//! Who shares a place, and whose line is whose.

use thole_piece::standings::{RankedFinish, final_places};
use thole_protocol::{
    ids::AthleteId,
    order::Order,
    spec::{Ranking, Target},
    standing::Outcome,
    units::Decimetres,
};

use super::gym::{GO, Gym, finish, metres, piece};

#[test]
fn a_detail_stands_beside_its_own_line_also_when_somebody_has_just_come() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    // The one who comes late has an id before those of the others.
    for name in ["Late", "Bo", "Cy"] {
        gym.lists(name, Some(finish(250))).unwrap();
    }
    let late = Gym::athlete(0);
    gym.order(thole_protocol::order::Order::RemoveAthlete { athlete: late }).unwrap();
    for number in [1, 2] {
        gym.say(0, &thole_piece::Input::Heard { athlete: Gym::athlete(number) });
    }
    gym.goes();
    gym.row(1..=60, &[0, 80, 70]);
    gym.until(GO + 60_000);
    let seen = |gym: &Gym| -> Vec<(AthleteId, AthleteId, Option<u32>)> {
        let overview = gym.session.overview();
        let pairs = overview.standings.lines.iter().zip(&overview.details);
        pairs.map(|(l, d)| (l.athlete, d.athlete, d.pace_per_500m_ms.map(|p| p.0))).collect()
    };
    let before = seen(&gym);
    assert_eq!(before.len(), 2);
    assert!(before.iter().all(|(line, detail, _)| line == detail), "{before:?}");
    assert_eq!(before[0].2, Some(125_000));
    gym.say(0, &thole_piece::Input::Joined { athlete: late, name: "Late".into(), join: None });
    assert_eq!(seen(&gym), before);
}

#[test]
fn results_by_time_are_placed_by_the_metres_beyond_the_own_target() {
    let of = |dm| Target::Distance { distance_dm: Decimetres(dm) };
    let result = |shown, target| Some(RankedFinish { shown: of(shown), target: of(target) });
    let results = [result(10_000, 10_100), result(9_000, 8_500), result(2_000, 1_900)];
    assert_eq!(final_places(Ranking::Amount, &results), [Some(3), Some(1), Some(2)]);
    assert_eq!(final_places(Ranking::Share, &results), [Some(3), Some(1), Some(2)]);
    let results = [result(10_000, 9_500), result(2_000, 1_800)];
    assert_eq!(final_places(Ranking::Share, &results), [Some(2), Some(1)]);
}

#[test]
fn whom_the_end_cut_off_keeps_what_they_rowed_and_where_they_were_heading() {
    let mut gym = Gym::new(vec![piece(metres(400))]);
    for name in ["Ana", "Bo", "Cy"] {
        gym.joins(name, Some(finish(110)));
    }
    gym.goes();
    // Cy has only just begun when all is over.
    gym.row(1..=100, &[80, 60, 0]);
    gym.row(101..=102, &[0, 60, 40]);
    gym.until(GO + 103_000);
    assert_eq!(gym.result(1), None, "the piece waits for Bo");
    gym.order(Order::Close).unwrap();
    let [ana, bo, cy] = [0, 1, 2].map(|number| gym.result(number).unwrap());
    assert_eq!((ana.outcome, ana.estimate), (Outcome::Finished, None));
    assert_eq!((bo.outcome, bo.shown, bo.place), (Outcome::Unfinished, None, None));
    assert_eq!((bo.distance_dm.0, bo.time_ms.0), (3_060, 102_000));
    let Some(Target::Finish { finish_ms }) = bo.estimate else { panic!("{bo:?}") };
    assert!((130_000..=137_000).contains(&finish_ms.0), "3 m/s: {finish_ms:?}");
    assert!(finish_ms.0.is_multiple_of(100), "as all results are shown");
    assert_eq!((cy.outcome, cy.estimate), (Outcome::Unfinished, None));
    // What comes later of what was rowed later changes nothing.
    gym.row(104..=110, &[0, 60, 40]);
    assert_eq!(gym.result(1), Some(bo));
}
