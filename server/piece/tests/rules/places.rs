//! Who shares a place, who waits for one, and whose line is whose.

use thole_piece::standings::{Board, Entry};
use thole_protocol::{
    ids::AthleteId,
    spec::Ranking,
    standing::Margin,
    units::{At, Ppm},
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
