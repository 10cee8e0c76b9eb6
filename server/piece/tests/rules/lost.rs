//! What a loss of the journal can have affected, and what it cannot.

use thole_piece::{Input, input::Damaged};
use thole_protocol::{event::Happening, order::Order, standing::Mark, units::At};

use super::gym::{GO, Gym, finish, metres, piece};

/// One athlete from the go to home, 500 m in 125 s.
fn rowed() -> Gym {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    gym.joins("Ana", Some(finish(120)));
    gym.goes();
    gym.row(1..=130, &[80]);
    gym.until(GO + 131_000);
    gym
}

fn is_marked_after(since: u64, until: u64, only_strokes: bool) -> bool {
    let mut gym = rowed();
    let (since_ms, until_ms) = (At(since), At(until));
    let whose = vec![Gym::athlete(0)];
    let lost = Damaged { from: 40, to: 41, since_ms, until_ms, whose, only_strokes };
    gym.until(GO + 200_000);
    gym.say(0, &Input::Damaged(lost));
    gym.result(0).unwrap().marks.contains(&Mark::Damaged)
}

#[test]
fn orders_lost_before_the_start_touch_the_piece_and_lost_after_its_end_do_not() {
    assert!(is_marked_after(2_000, 3_000, false));
    assert!(is_marked_after(GO + 10_000, GO + 11_000, false));
    assert!(!is_marked_after(GO + 150_000, GO + 151_000, false));
}

#[test]
fn strokes_lost_long_before_the_go_or_after_the_end_touch_nothing() {
    let mut gym = rowed();
    // A gap that stays: what is lost may have been in it.
    gym.sample(0, GO + 140_000, 0);
    gym.stroke(0, GO + 141_000, 0);
    let touched = |since: u64, until: u64| {
        let mut gym = gym.clone();
        let (since_ms, until_ms) = (At(since), At(until));
        let whose = vec![Gym::athlete(0)];
        let lost = Damaged { from: 40, to: 41, since_ms, until_ms, whose, only_strokes: true };
        gym.say(GO + 200_000, &Input::Damaged(lost));
        gym.result(0).unwrap().marks.contains(&Mark::Damaged)
    };
    assert!(touched(GO + 50_000, GO + 51_000));
    assert!(touched(GO - 61_000, GO - 60_000), "it may have been the baseline");
    assert!(!touched(GO - 62_000, GO - 60_001), "nobody's baseline is older than a minute");
    assert!(!touched(GO + 150_000, GO + 151_000));
}

#[test]
fn a_piece_that_has_not_begun_is_touched_by_nothing() {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    gym.joins("Ana", Some(finish(120)));
    let whose = vec![Gym::athlete(0)];
    let (since_ms, until_ms) = (At(1), At(2));
    let lost = Damaged { from: 4, to: 4, since_ms, until_ms, whose, only_strokes: false };
    gym.say(5_000, &Input::Damaged(lost));
    gym.goes();
    gym.row(1..=20, &[80]);
    gym.order(Order::Stop).unwrap();
    assert_eq!(gym.result(0).unwrap().marks, []);
}

/// How often the coach is told of strokes that a device has and the journal has not, after this was named as
/// lost.
fn told_again(named: Option<Damaged>) -> [usize; 2] {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    for name in ["Ana", "Bo"] {
        gym.joins(name, None);
    }
    gym.goes();
    gym.row(1..=20, &[80, 80]);
    if let Some(named) = named {
        gym.say(0, &Input::Damaged(named));
    }
    [0, 1].map(|number| {
        gym.happened();
        let (athlete, run) = (Gym::athlete(number), Gym::run(number));
        gym.say(0, &Input::Acknowledged { athlete, run, through_seq: 90 });
        assert!(gym.session.may_miss(athlete));
        let told = gym.happened();
        told.iter().filter(|what| matches!(what, Happening::Damaged(_))).count()
    })
}

#[test]
fn what_the_journal_has_named_is_not_told_once_more_by_whoever_comes_back() {
    let named = |to, whose: &[usize]| {
        let whose = whose.iter().map(|number| Gym::athlete(*number)).collect();
        let (since_ms, until_ms) = (At(GO), At(GO + 20_000));
        Some(Damaged { from: 4, to, since_ms, until_ms, whose, only_strokes: true })
    };
    assert_eq!(told_again(None), [1, 1]);
    assert_eq!(told_again(named(9, &[0])), [0, 1]);
    assert_eq!(told_again(named(9, &[])), [0, 0]);
    assert_eq!(
        told_again(named(Damaged::WHOLE, &[0])),
        [1, 1],
        "the row of somebody is none of their strokes"
    );
}
