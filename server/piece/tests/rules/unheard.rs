//! Pieces by time that go by for somebody of whom nothing is heard, or who stands still while nothing is heard.

use thole_piece::Input;
use thole_protocol::{
    event::Happening,
    order::Order,
    spec::{PieceSpec, Repeat},
    standing::{Mark, Outcome},
    units::{At, Millis},
};

use super::gym::{GO, Gym, piece, seconds};

fn two_minutes(names: &[&str]) -> Gym {
    let mut gym = Gym::new(vec![piece(seconds(120))]);
    for name in names {
        gym.joins(name, None);
    }
    gym.goes();
    gym
}

fn lose(gym: &mut Gym, number: usize, second: u64) {
    let at = GO + 1_000 * second;
    gym.say(at, &Input::NotHeard { athlete: Gym::athlete(number), since: At(at) });
}

fn outcome(gym: &Gym, number: usize) -> Option<Outcome> {
    gym.result(number).map(|result| result.outcome)
}

#[test]
fn who_comes_back_with_nothing_more_has_stopped_twelve_seconds_later() {
    for count in [1, 2] {
        let mut gym = two_minutes(&["Ana", "Bo"][..count]);
        gym.row(1..=40, &[80, 80][..count]);
        for number in 0..count {
            lose(&mut gym, number, 41);
        }
        gym.until(GO + 130_000);
        for number in 0..count {
            assert_eq!(outcome(&gym, number), Some(Outcome::Unheard));
        }
        gym.until(GO + 150_000);
        for number in 0..count {
            gym.say(0, &Input::Heard { athlete: Gym::athlete(number) });
        }
        gym.until(GO + 161_900);
        for number in 0..count {
            assert_eq!(outcome(&gym, number), Some(Outcome::Unheard), "it may be on its way");
        }
        gym.until(GO + 163_000);
        for number in 0..count {
            assert_eq!(outcome(&gym, number), Some(Outcome::Stopped), "{number} of {count}");
        }
    }
}

/// Every hello restarts the twelve seconds: for a minute, and no longer.
#[test]
fn a_device_that_comes_anew_all_the_time_puts_the_result_off_for_a_minute() {
    let mut gym = two_minutes(&["Ana"]);
    gym.row(1..=40, &[80]);
    lose(&mut gym, 0, 41);
    let mut told = None;
    for second in (130..300).step_by(10) {
        gym.say(GO + 1_000 * second, &Input::Heard { athlete: Gym::athlete(0) });
        lose(&mut gym, 0, second + 8);
        gym.until(GO + 1_000 * (second + 9));
        let is_told = outcome(&gym, 0) == Some(Outcome::Stopped);
        told = told.or(is_told.then_some(second));
    }
    assert_eq!(told, Some(190));
    // What comes later counts all the same.
    let kept = (42..=122).step_by(2).map(|second| gym.sample(0, GO + 1_000 * second, 80));
    let kept = kept.collect();
    gym.send(0, GO + 310_000, kept);
    assert_eq!(outcome(&gym, 0), Some(Outcome::Finished));
}

#[test]
fn a_connection_that_was_lost_for_a_moment_on_the_way_tells_nothing_of_the_end() {
    let mut gym = two_minutes(&["Ana"]);
    gym.row(1..=20, &[80]);
    lose(&mut gym, 0, 21);
    gym.say(GO + 25_000, &Input::Heard { athlete: Gym::athlete(0) });
    gym.row(26..=60, &[80]);
    lose(&mut gym, 0, 61);
    gym.until(GO + 140_000);
    assert_eq!(outcome(&gym, 0), Some(Outcome::Unheard));
}

/// 4 m/s for forty seconds; heard again after the end, with this many decimetres more.
fn heard_again_with(dm: i64, at: u64) -> Option<Outcome> {
    let mut gym = two_minutes(&["Ana"]);
    gym.row(1..=40, &[80]);
    lose(&mut gym, 0, 41);
    gym.stroke(0, GO + 1_000 * at, dm);
    gym.until(GO + 1_000 * at + 20_000);
    if gym.result(0).is_none() {
        gym.order(Order::Stop).unwrap();
    }
    outcome(&gym, 0)
}

#[test]
fn who_is_heard_again_at_less_than_half_the_speed_of_before_has_stood_still_in_the_gap() {
    // Eighty-four seconds at 2 m/s are 168 m.
    assert_eq!(heard_again_with(3_360, 124), Some(Outcome::Finished));
    assert_eq!(heard_again_with(1_690, 124), Some(Outcome::Finished));
    assert_ne!(heard_again_with(1_670, 124), Some(Outcome::Finished));
    assert_ne!(heard_again_with(90, 124), Some(Outcome::Finished));
}

#[test]
fn who_rows_on_to_the_end_after_having_said_to_stop_has_finished() {
    let mut gym = two_minutes(&["Ana"]);
    gym.row(1..=20, &[80]);
    gym.say(0, &Input::StopRowing { athlete: Gym::athlete(0) });
    gym.row(21..=124, &[80]);
    gym.until(GO + 130_000);
    assert_eq!(outcome(&gym, 0), Some(Outcome::Finished));
    // A machine that runs on for ten seconds has not rowed on.
    let mut gym = two_minutes(&["Ana"]);
    gym.row(1..=110, &[80]);
    gym.say(0, &Input::StopRowing { athlete: Gym::athlete(0) });
    gym.row(111..=119, &[80]);
    gym.until(GO + 130_000);
    assert_eq!(outcome(&gym, 0), Some(Outcome::Stopped));
}

#[test]
fn a_clock_that_was_set_marks_whoever_is_rowing_and_the_coach_is_told_either_way() {
    for (by_ms, marked) in [(Some(2_000), true), (None, false)] {
        let mut gym = two_minutes(&["Ana"]);
        gym.row(1..=20, &[80]);
        gym.happened();
        gym.say(0, &Input::ClockSet { by_ms, devices: 3 });
        let told = gym.happened();
        assert!(matches!(told[..], [Happening::ClockSet { devices: 3, .. }]), "{told:?}");
        gym.order(Order::Stop).unwrap();
        assert_eq!(gym.result(0).unwrap().marks.contains(&Mark::ClocksApart), marked);
        gym.say(0, &Input::ClockSet { by_ms: Some(9_000), devices: 3 });
        assert_eq!(
            gym.result(0).unwrap().marks.contains(&Mark::ClocksApart),
            marked,
            "it was over"
        );
    }
}

#[test]
fn who_still_rows_when_a_piece_by_time_is_stopped_has_not_stopped_however_late_it_is() {
    let mut gym = two_minutes(&["Ana"]);
    gym.row(1..=30, &[80]);
    gym.order(Order::Stop).unwrap();
    assert_eq!(outcome(&gym, 0), Some(Outcome::Unfinished));
    let before = gym.result(0);
    // Strokes go on, and so does the time that the piece would have taken.
    gym.row(31..=140, &[80]);
    gym.until(GO + 200_000);
    assert_eq!(gym.result(0), before);
}

fn intervals() -> Gym {
    let repeat = Repeat { work: seconds(20), rest_ms: Millis(20_000) };
    let mut gym = Gym::new(vec![PieceSpec::of(vec![repeat; 3])]);
    for name in ["Ana", "Bo"] {
        gym.joins(name, None);
    }
    gym.goes();
    gym.row(1..=16, &[80, 80]);
    lose(&mut gym, 1, 17);
    gym
}

/// 20 s of work three times and 20 s of rest between: over at 100 s.
#[test]
fn intervals_by_time_go_by_for_somebody_of_whom_nothing_is_heard_and_end_by_themselves() {
    let mut gym = intervals();
    gym.row(17..=20, &[80, 0]);
    gym.row(40..=60, &[80, 0]);
    gym.row(80..=100, &[80, 0]);
    gym.until(GO + 104_000);
    assert_eq!(outcome(&gym, 1), None, "it may be on its way");
    gym.row(105..=108, &[80, 0]);
    assert_eq!(outcome(&gym, 0), Some(Outcome::Finished));
    assert_eq!(outcome(&gym, 1), Some(Outcome::Unheard));
    // What was rowed unheard comes, and counts.
    let kept = [18..=20, 40..=60, 80..=102].into_iter().flatten().step_by(2);
    let kept = kept.map(|second| gym.sample(1, GO + 1_000 * second, 80)).collect();
    gym.send(1, GO + 120_000, kept);
    assert_eq!(outcome(&gym, 1), Some(Outcome::Finished));
}

#[test]
fn closed_before_their_time_was_over_intervals_are_unfinished_for_whoever_was_not_heard() {
    let mut gym = intervals();
    gym.until(GO + 60_000);
    gym.order(Order::Stop).unwrap();
    gym.until(GO + 300_000);
    assert_eq!(outcome(&gym, 1), Some(Outcome::Unfinished));
}
