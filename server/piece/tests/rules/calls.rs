//! A call on its way: how long it waits, for whom it stands, and when it is over.

use thole_piece::{Input, calls::Calls};
use thole_protocol::{
    event::Happening,
    ids::CallId,
    order::Order,
    spec::{Audience, CallSpec, Point, SheetCall, Span},
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

use super::gym::{GO, Gym, metres, piece, text};

fn id(number: u128) -> CallId {
    CallId(Uuid::from_u128(number))
}

fn call(number: u128, span: Span, grace_ms: Option<Millis>) -> CallSpec {
    CallSpec { call: id(number), text: text("Sit tall"), audience: Audience::All, span, grace_ms }
}

const TEN: Span = Span::Time { time_ms: Millis(10_000) };

#[test]
fn a_call_is_known_from_when_it_was_said_and_however_it_ended() {
    let mut calls = Calls::default();
    assert!(!calls.knows(id(1)));
    calls.arm(At(0), Millis(2_000), call(1, TEN, None));
    calls.arm(At(0), Millis(3_000), call(2, TEN, None));
    assert!(calls.knows(id(1)) && calls.knows(id(2)) && !calls.knows(id(3)));
    assert_eq!(calls.deadline(), Some(At(2_000)));
    assert_eq!(calls.due(At(1_999)), None);
    assert_eq!(calls.due(At(2_000)).map(|spec| spec.call), Some(id(1)));
    calls.sent(At(2_000), id(1), TEN, 3);
    assert!(calls.knows(id(1)));
    assert_eq!(calls.deadline(), Some(At(3_000)));
    assert_eq!(calls.disarm(), [id(2)]);
    assert!(calls.knows(id(2)) && calls.due(At(9_000)).is_none());
    // Ten seconds from when it went out.
    assert_eq!(calls.deadline(), Some(At(12_000)));
    assert_eq!(calls.timed_out(At(11_999)), None);
    assert_eq!(calls.timed_out(At(12_000)), Some(id(1)));
    assert_eq!((calls.timed_out(At(12_000)), calls.deadline()), (None, None));
}

#[test]
fn a_call_that_reached_nobody_ends_for_nobody() {
    let mut calls = Calls::default();
    calls.sent(At(0), id(1), TEN, 0);
    assert_eq!((calls.deadline(), calls.timed_out(At(20_000))), (None, None));
    calls.sent(At(0), id(2), Span::Next, 2);
    calls.sent(At(0), id(3), Span::Next, 1);
    assert!(!calls.over_for_one(id(2)) && calls.over_for_one(id(2)) && !calls.over_for_one(id(2)));
    assert_eq!(calls.end_all(), [id(3)]);
    assert_eq!(calls.end_all(), []);
}

fn rowing() -> Gym {
    let mut gym = Gym::new(vec![piece(metres(700))]);
    for name in ["Ana", "Bo"] {
        gym.joins(name, None);
    }
    gym.goes();
    gym.row(1..=20, &[80, 80]);
    gym.happened();
    gym
}

fn heard(gym: &mut Gym) -> usize {
    gym.happened().iter().filter(|what| matches!(what, Happening::Call { .. })).count()
}

#[test]
fn a_call_that_is_said_twice_is_heard_once() {
    let mut gym = rowing();
    for grace in [Some(Millis(2_000)), None, Some(Millis(0))] {
        gym.order(Order::Call { call: call(1, Span::Next, grace) }).unwrap();
    }
    gym.until(GO + 25_000);
    assert_eq!(heard(&mut gym), 1);
    gym.order(Order::Call { call: call(1, Span::Next, None) }).unwrap();
    gym.until(GO + 30_000);
    assert_eq!(heard(&mut gym), 0);
}

#[test]
fn only_a_call_that_waits_is_told_to_wait() {
    for (grace, waits) in [(0, false), (1, true), (2_000, true)] {
        let mut gym = rowing();
        gym.order(Order::Call { call: call(1, Span::Next, Some(Millis(grace))) }).unwrap();
        let told = gym.happened();
        let armed = told.iter().any(|what| matches!(what, Happening::CallArmed { .. }));
        let out = told.iter().any(|what| matches!(what, Happening::Call { .. }));
        assert_eq!((armed, out), (waits, !waits), "{grace} ms");
    }
}

#[test]
fn a_point_of_the_sheet_is_told_late_when_it_was_passed_more_than_six_seconds_ago() {
    for (ago, late) in [(5_900, false), (6_000, false), (6_001, true)] {
        let mut spec = piece(metres(700));
        spec.call_sheet = vec![SheetCall {
            at: Point::DistanceDone { distance_dm: Decimetres(1_600) },
            text: text("Settle"),
            audience: Audience::All,
            span: Span::Next,
        }];
        let mut gym = Gym::new(vec![spec]);
        gym.joins("Ana", None);
        gym.goes();
        gym.row(1..=38, &[80]);
        let athlete = Gym::athlete(0);
        let there = gym.sample(0, GO + 40_000, 80);
        gym.until(GO + 40_000 + ago);
        let samples = vec![there];
        gym.told.clear();
        gym.say(0, &Input::Samples { athlete, run: Gym::run(0), samples });
        let told: Vec<bool> = gym
            .told
            .iter()
            .filter_map(|output| match output {
                thole_piece::Output::Event { event, .. } => {
                    matches!(event.what, Happening::Call { .. }).then_some(event.late)
                }
                _ => None,
            })
            .collect();
        assert_eq!(told, [late], "{ago} ms ago");
    }
}

#[test]
fn whoever_has_not_begun_is_called_in_the_first_five_seconds_alone() {
    for (ms, called) in [(4_999, 1), (5_000, 0), (6_000, 0)] {
        let mut gym = Gym::new(vec![piece(metres(700))]);
        gym.joins("Ana", None);
        gym.goes();
        gym.happened();
        gym.until(GO + ms);
        gym.order(Order::Call { call: call(1, Span::Next, Some(Millis(0))) }).unwrap();
        assert_eq!(heard(&mut gym), called, "{ms} ms after the go");
    }
}
