//! Who shares a place, and whose line is whose.

use thole_piece::{
    session::Viewer,
    standings::{RankedFinish, final_places},
};
use thole_protocol::{
    event::Happening,
    ids::{AthleteId, PieceNo},
    order::Order,
    spec::{AthleteSpec, Ranking, SessionSettings},
    standing::Outcome,
    total::Total,
    units::Decimetres,
};

use super::gym::{GO, Gym, finish, metres, piece};

#[test]
fn a_detail_stands_beside_its_own_line_also_when_somebody_has_just_come() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    // The one who comes late has an id before the others'.
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
    let of = |dm| Total::Distance { distance_dm: Decimetres(dm) };
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
    let Some(Total::Time { finish_ms }) = bo.estimate else { panic!("{bo:?}") };
    assert!((130_000..=137_000).contains(&finish_ms.0), "3 m/s: {finish_ms:?}");
    assert!(finish_ms.0.is_multiple_of(100), "as all results are shown");
    assert_eq!((cy.outcome, cy.estimate), (Outcome::Unfinished, None));
    // What comes later, and was rowed later, changes nothing.
    gym.row(104..=110, &[0, 60, 40]);
    assert_eq!(gym.result(1), Some(bo));
}

/// Ana is ahead by more seconds, Bo by a larger share of a shorter target.
#[test]
fn another_ranking_places_all_that_is_over_again_and_everybody_is_told() {
    let mut gym = Gym::new(vec![piece(metres(400)), piece(metres(400))]);
    for (name, team, target) in [("Ana", "Herons", 200), ("Bo", "Otters", 116)] {
        let athlete = gym.joins(name, Some(finish(target)));
        let spec =
            AthleteSpec { name: name.into(), team: Some(team.into()), ..AthleteSpec::default() };
        gym.order(Order::ChangeAthlete { athlete, spec }).unwrap();
    }
    gym.goes();
    gym.row(1..=180, &[44, 80]);
    gym.row(181..=190, &[44, 0]);
    let rank = |gym: &mut Gym, ranking| {
        gym.happened();
        let settings = SessionSettings { ranking, ..SessionSettings::default() };
        gym.order(Order::Settings { settings }).unwrap();
        let mut told = (0, Vec::new());
        for what in gym.happened() {
            if let Happening::Results { piece: PieceNo(0), results, teams } = what {
                told.0 += results.len();
                told.1.extend(teams);
            }
        }
        let view = gym.session.view(Viewer::Coach).pieces.remove(0);
        if told.0 > 0 {
            assert_eq!(view.teams, told.1, "who comes now sees what all were told");
        }
        (view.results.iter().map(|result| result.place).collect::<Vec<_>>(), told)
    };
    for between in [false, true] {
        if between {
            gym.order(Order::NextPiece).unwrap();
        }
        let (places, told) = rank(&mut gym, Ranking::Amount);
        assert_eq!(places, [Some(1), Some(2)]);
        assert!(told.0 > 0 && !told.1.is_empty(), "{told:?}");
        let (places, told) = rank(&mut gym, Ranking::Share);
        assert_eq!(places, [Some(2), Some(1)]);
        assert!(told.0 > 0 && !told.1.is_empty(), "{told:?}");
        // The same again tells nothing new.
        assert_eq!(rank(&mut gym, Ranking::Share).1, (0, Vec::new()));
    }
}
