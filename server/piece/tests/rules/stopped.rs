//! Who is said to have stopped: athletes who should be rowing, and whose machine shows that they are not.

use thole_piece::Input;
use thole_protocol::{
    order::Order,
    spec::{Extent, PieceSpec, Repeat, RepeatStart},
    standing::{About, Doing},
    units::{At, Millis},
};

use super::gym::{GO, Gym, finish, metres, piece, seconds};

fn repeats(work: Extent, rest_s: u32) -> PieceSpec {
    let repeat = Repeat { work, rest_ms: Millis(1_000 * rest_s) };
    PieceSpec::of(vec![repeat; 3])
}

/// What is said about the first athlete: on the coach's list, and whether a card reports a stop.
fn said(gym: &Gym) -> (Doing, bool) {
    let stopped =
        |about: &About| matches!(about, About::Stopped { .. } | About::StoppedUnheard { .. });
    (gym.line(0).doing, gym.notices().iter().any(|notice| stopped(&notice.about)))
}

/// Looks at every second up to a last one; returns the first at which a stop is said, seconds after the go.
fn stop_is_said(gym: &mut Gym, seconds: std::ops::RangeInclusive<u64>) -> Option<u64> {
    seconds.into_iter().find(|second| {
        gym.until(GO + 1_000 * second);
        said(gym) != (Doing::Rowing, false)
    })
}

#[test]
fn who_rests_between_repeats_by_time_has_not_stopped() {
    let mut gym = Gym::new(vec![repeats(seconds(60), 40)]);
    gym.joins("Ana", None);
    gym.goes();
    // The machine tells strokes alone, and the last one begins before the end of the repeat.
    gym.row(1..=56, &[80]);
    assert_eq!(stop_is_said(&mut gym, 57..=111), None);
    assert_eq!(stop_is_said(&mut gym, 112..=140), Some(112), "the next began at 100 s");
}

#[test]
fn who_stops_before_the_end_of_a_repeat_has_stopped_until_the_rest_begins() {
    let mut gym = Gym::new(vec![repeats(seconds(60), 40)]);
    gym.joins("Ana", None);
    gym.goes();
    gym.row(1..=30, &[80]);
    assert_eq!(stop_is_said(&mut gym, 31..=59), Some(42));
    gym.until(GO + 61_000);
    assert_eq!(said(&gym), (Doing::Rowing, false), "everybody rests now");
}

#[test]
fn who_rests_on_an_own_clock_has_not_stopped() {
    let mut spec = repeats(metres(200), 40);
    spec.repeat_start = RepeatStart::OwnRest;
    let mut gym = Gym::new(vec![spec]);
    gym.joins("Ana", None);
    gym.goes();
    gym.row(1..=50, &[80]);
    // Her rest ends at 90 s.
    assert_eq!(stop_is_said(&mut gym, 51..=101), None);
    assert_eq!(stop_is_said(&mut gym, 102..=120), Some(102));
}

#[test]
fn whose_device_was_changed_has_not_stopped_while_the_machine_is_being_linked() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=40, &[80]);
    gym.until(GO + 45_000);
    gym.say(0, &Input::SecondDevice { athlete });
    gym.say(0, &Input::Heard { athlete });
    assert_eq!(stop_is_said(&mut gym, 46..=75), None);
    // The machine is linked, and shows that nobody rows.
    gym.stroke(0, GO + 76_000, 0);
    gym.until(GO + 77_000);
    assert_eq!(said(&gym).0, Doing::Stopped);
    gym.stroke(0, GO + 78_000, 80);
    gym.until(GO + 79_000);
    assert_eq!(said(&gym), (Doing::Rowing, false));
}

#[test]
fn after_an_outage_nobody_has_stopped_until_a_machine_shows_it_or_a_minute_is_over() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=40, &[80]);
    gym.until(GO + 100_000);
    gym.say(0, &Input::Reopened);
    gym.say(0, &Input::Heard { athlete });
    assert_eq!(stop_is_said(&mut gym, 101..=159), None);
    assert_eq!(stop_is_said(&mut gym, 160..=180), Some(160));
}

#[test]
fn who_comes_back_has_stopped_as_soon_as_the_machine_shows_it() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=40, &[80]);
    gym.say(0, &Input::NotHeard { athlete, since: At(GO + 41_000) });
    gym.until(GO + 60_000);
    gym.say(0, &Input::Heard { athlete });
    gym.stroke(0, GO + 61_000, 0);
    // Its counter stands where it stood 21 seconds ago: nothing was rowed unheard.
    assert_eq!(stop_is_said(&mut gym, 61..=90), Some(62));
}

#[test]
fn who_stopped_and_is_then_not_heard_for_a_minute_is_the_most_urgent() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=40, &[80]);
    gym.until(GO + 60_000);
    assert_eq!(said(&gym), (Doing::Stopped, true));
    gym.say(0, &Input::NotHeard { athlete, since: At(GO + 60_000) });
    let alone = |gym: &Gym| gym.notices().first().map(|notice| notice.about);
    gym.until(GO + 119_000);
    assert!(matches!(alone(&gym), Some(About::Stopped { .. })), "{:?}", alone(&gym));
    gym.until(GO + 121_000);
    let told = alone(&gym);
    assert!(
        matches!(told, Some(About::StoppedUnheard { silent_since_ms: At(at), .. }) if at == GO + 60_000),
        "{told:?}"
    );
    gym.say(0, &Input::Heard { athlete });
    gym.until(GO + 123_000);
    assert!(!matches!(alone(&gym), Some(About::StoppedUnheard { .. })));
}

#[test]
fn who_was_not_heard_while_rowing_is_not_said_to_have_stopped() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=40, &[80]);
    gym.say(0, &Input::NotHeard { athlete, since: At(GO + 41_000) });
    gym.until(GO + 200_000);
    assert_eq!(said(&gym), (Doing::Rowing, false));
    // A short link in between, during which nothing came, shows nothing.
    gym.say(0, &Input::Heard { athlete });
    gym.until(GO + 230_000);
    gym.say(0, &Input::NotHeard { athlete, since: At(GO + 230_000) });
    gym.until(GO + 300_000);
    assert_eq!(said(&gym), (Doing::Rowing, false));
}

#[test]
fn who_said_to_have_stopped_and_is_gone_is_urgent_until_the_piece_is_over() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=40, &[80]);
    gym.say(0, &Input::StopRowing { athlete });
    gym.say(0, &Input::NotHeard { athlete, since: At(GO + 40_000) });
    gym.until(GO + 102_000);
    let told = |gym: &Gym| {
        gym.notices().iter().any(|notice| matches!(notice.about, About::StoppedUnheard { .. }))
    };
    assert!(told(&gym));
    gym.order(Order::Stop).unwrap();
    gym.until(GO + 110_000);
    assert!(!told(&gym));
}

#[test]
fn who_stopped_has_stopped_however_often_the_device_comes_anew() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=40, &[80]);
    // Its connection breaks every ten seconds; the machine shows all along that nobody rows.
    for second in 41..=160 {
        if second % 10 == 0 {
            gym.say(GO + 1_000 * second, &Input::Heard { athlete });
        }
        gym.stroke(0, GO + 1_000 * second, 0);
    }
    gym.until(GO + 161_000);
    assert_eq!(said(&gym), (Doing::Stopped, true));
}

/// On a bad connection each hello would restart the minute in which a machine may be linked.
#[test]
fn a_device_that_comes_anew_all_the_time_and_sends_nothing_rows_no_more() {
    let mut gym = Gym::new(vec![piece(metres(2_000))]);
    gym.joins("Ana", Some(finish(400)));
    gym.goes();
    gym.row(1..=20, &[80]);
    let mut stopped = None;
    for second in (30..=200).step_by(10) {
        let athlete = Gym::athlete(0);
        gym.say(GO + 1_000 * second, &Input::NotHeard { athlete, since: At(GO + 1_000 * second) });
        gym.say(GO + 1_000 * second + 500, &Input::Heard { athlete });
        gym.until(GO + 1_000 * (second + 9));
        stopped = stopped.or((gym.line(0).doing == Doing::Stopped).then_some(second));
    }
    assert_eq!(stopped, Some(90), "a minute after it came first, at 30 s");
}

#[test]
fn a_device_that_comes_anew_and_says_the_same_again_rows_no_more() {
    let mut gym = Gym::new(vec![piece(metres(2_000))]);
    let athlete = gym.joins("Ana", Some(finish(400)));
    gym.goes();
    gym.row(1..=18, &[80]);
    let last = gym.sample(0, GO + 20_000, 80);
    gym.send(0, GO + 20_000, vec![last]);
    let mut stopped = None;
    for second in (30..=200).step_by(10) {
        gym.say(GO + 1_000 * second, &Input::NotHeard { athlete, since: At(GO + 1_000 * second) });
        gym.say(GO + 1_000 * second + 500, &Input::Heard { athlete });
        gym.send(0, GO + 1_000 * second + 600, vec![last]);
        gym.until(GO + 1_000 * (second + 9));
        stopped = stopped.or((gym.line(0).doing == Doing::Stopped).then_some(second));
    }
    assert_eq!(stopped, Some(90), "what is doubled tells nothing of the machine");
}
