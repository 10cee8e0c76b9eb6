//! Who shares a place, who waits for one, and whose line is whose.

use thole_piece::standings::{Board, Entry, RankedFinish, final_places};
use thole_protocol::{
    ids::AthleteId,
    order::Order,
    spec::{Ranking, Target},
    standing::{Margin, Outcome},
    units::{At, Decimetres, Ppm},
};

use super::gym::{GO, Gym, finish, metres, piece};

/// Athletes 0, 1, 2 … with these margins in millionths, half-way through the piece.
fn entries(margins: &[i32]) -> Vec<Entry<'static>> {
    let entry = |(number, ppm): (usize, &i32)| Entry {
        athlete: Gym::athlete(number),
        name: "",
        team: None,
        margin: Some(Margin { margin_ppm: Ppm(*ppm), margin_ms: None, margin_dm: None }),
        rankable: true,
        share: 0.5,
        finished: false,
    };
    margins.iter().enumerate().map(entry).collect()
}

fn listed(board: &mut Board, at: u64, margins: &[i32]) -> Vec<(AthleteId, u32)> {
    let listing = board.publish(At(at), Ranking::Share, 0, &entries(margins));
    listing.athletes.iter().map(|placed| (placed.athlete, placed.place.unwrap())).collect()
}

#[test]
fn who_were_clearly_apart_and_come_to_be_equal_as_shown_share_the_place() {
    let (ana, bo) = (Gym::athlete(0), Gym::athlete(1));
    let mut board = Board::new();
    assert_eq!(listed(&mut board, 0, &[20_000, 0]), [(ana, 1), (bo, 2)]);
    assert_eq!(listed(&mut board, 4_000, &[10_400, 10_000]), [(ana, 1), (bo, 1)]);
    // And go on sharing it until a difference means something.
    assert_eq!(listed(&mut board, 8_000, &[12_000, 10_000]), [(ana, 1), (bo, 1)]);
    assert_eq!(listed(&mut board, 12_000, &[14_000, 10_000]), [(ana, 1), (bo, 2)]);
}

#[test]
fn who_were_never_clearly_apart_do_not_come_to_share_a_place_by_noise() {
    let (ana, bo) = (Gym::athlete(0), Gym::athlete(1));
    let mut board = Board::new();
    assert_eq!(listed(&mut board, 0, &[12_000, 10_000]), [(ana, 1), (bo, 2)]);
    assert_eq!(listed(&mut board, 4_000, &[10_400, 10_000]), [(ana, 1), (bo, 2)]);
}

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
fn who_were_close_and_then_clearly_apart_share_the_place_once_they_are_equal_as_shown() {
    let (ana, bo) = (Gym::athlete(0), Gym::athlete(1));
    let mut board = Board::new();
    assert_eq!(listed(&mut board, 0, &[12_000, 10_000]), [(ana, 1), (bo, 2)]);
    assert_eq!(listed(&mut board, 4_000, &[30_000, 10_000]), [(ana, 1), (bo, 2)]);
    assert_eq!(listed(&mut board, 8_000, &[10_400, 10_000]), [(ana, 1), (bo, 1)]);
}

#[test]
fn who_come_in_together_and_equal_as_shown_are_listed_by_their_ids() {
    let ids = [0, 1, 2, 3].map(Gym::athlete);
    let mut board = Board::new();
    let first = [(ids[3], 1), (ids[0], 2), (ids[1], 2), (ids[2], 4)];
    assert_eq!(listed(&mut board, 0, &[7_960, 8_040, -5_000, 20_000]), first);
}

/// By seconds, of targets of 300 s: a margin of less than a tenth of a second does not tell how much a second is.
#[test]
fn by_amount_nobody_changes_place_by_hundredths_of_a_second() {
    let mut board = Board::new();
    let mut order = |at: u64, ms: [i64; 3]| -> Vec<AthleteId> {
        let mut seen = entries(&[0, 0, 0]);
        for (entry, ms) in seen.iter_mut().zip(ms) {
            let margin_ppm = Ppm(i32::try_from(ms * 1_000 / 300).unwrap());
            entry.margin = Some(Margin { margin_ppm, margin_ms: Some(ms), margin_dm: None });
        }
        let listing = board.publish(At(at), Ranking::Amount, 0, &seen);
        listing.athletes.iter().map(|placed| placed.athlete).collect()
    };
    let first = order(0, [29, -29, -5_000]);
    assert_eq!(order(4_000, [-29, 29, -5_000]), first);
    assert_eq!(order(8_000, [-20, 20, -5_000]), first);
    assert_ne!(order(12_000, [-29, 2_000, -5_000]), first);
}

#[test]
fn teams_that_are_equal_as_shown_share_the_place() {
    for (margins, places) in [([10_040, 9_960], [1, 1]), ([10_600, 9_400], [1, 2])] {
        let mut seen = entries(&margins);
        seen[0].team = Some("Herons");
        seen[1].team = Some("Otters");
        let listing = Board::new().publish(At(0), Ranking::Share, 0, &seen);
        let told: Vec<u32> = listing.teams.iter().filter_map(|team| team.place).collect();
        assert_eq!(told, places, "{margins:?}");
    }
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
