//! Machines of all kinds give the same result for the same rowing: those that count tenths, those that cut their metres
//! off, and those that say nothing about a stroke until it is done.

use super::gym::{GO, Gym, metres, piece, seconds};

/// What a counter shows for this much.
#[expect(clippy::cast_possible_truncation, reason = "that is what a counter does")]
fn cut(much: f64) -> i64 {
    much as i64
}

/// Rows steadily at `metres_a_second`, reported at these milliseconds after the go, in tenths or cut to whole metres.
fn steady(gym: &mut Gym, metres_a_second: f64, at: impl Iterator<Item = u64>, whole: bool) {
    let mut shown = 0;
    for ms in at {
        let dm = cut(metres_a_second * ms as f64 / 100.0);
        let dm = if whole { dm / 10 * 10 } else { dm };
        gym.stroke(0, GO + ms, dm - shown);
        shown = dm;
    }
}

/// One report a second, at different moments of each second, so that no rounding is favoured.
fn each_second(until_s: u64, nth: u64) -> impl Iterator<Item = u64> {
    (1..=until_s).map(move |second| 1_000 * second + 97 * nth % 1_000)
}

fn mean(of: impl Iterator<Item = f64>) -> f64 {
    let all: Vec<f64> = of.collect();
    all.iter().sum::<f64>() / all.len() as f64
}

#[test]
fn a_machine_of_whole_metres_is_on_average_no_later_than_one_of_tenths() {
    let off = |nth: u64| {
        // 4 m/s and a little more, a different little each time.
        let speed = 4.0 + 0.037 * nth as f64;
        let mut gym = Gym::new(vec![piece(metres(500))]);
        gym.joins("Ana", None);
        gym.goes();
        steady(&mut gym, speed, each_second(140, nth), true);
        gym.until(GO + 160_000);
        let result = gym.result(0).unwrap();
        let off_ms = f64::from(result.time_ms.0) - 500_000.0 / speed;
        assert!(
            off_ms.abs() <= f64::from(result.sure.ms().unwrap().0) + 1.0,
            "{off_ms} {result:?}"
        );
        off_ms
    };
    let off_ms = mean((0..20).map(off));
    // Half a metre at these speeds is 115 ms.
    assert!(off_ms.abs() < 20.0, "{off_ms} ms");
}

#[test]
fn a_machine_that_is_set_to_the_distance_tells_the_finish_itself() {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    gym.joins("Ana", None);
    gym.goes();
    steady(&mut gym, 4.15, each_second(120, 3), true);
    // 4.15 m/s for 120.291 s, cut off.
    let shown = 4_990;
    gym.stroke(0, GO + 120_482, 5_000 - shown);
    gym.until(GO + 140_000);
    assert_eq!(gym.result(0).unwrap().time_ms.0, 120_482);
    // It says the same once more, and nothing that comes then belongs to the piece.
    gym.stroke(0, GO + 141_000, 0);
    gym.stroke(0, GO + 170_000, 400);
    assert_eq!(gym.result(0).unwrap().time_ms.0, 120_482);
}

/// Whoever is home last ends the piece: what their machine says a moment later still tells whether it was set to the
/// distance.
#[test]
fn a_machine_that_comes_by_the_metre_of_the_finish_and_goes_on_was_not_set_to_it() {
    let rows = |goes_on: bool| {
        let mut gym = Gym::new(vec![piece(metres(500))]);
        gym.joins("Ana", None);
        gym.goes();
        // 499 m at 120.291 s, and 500 m shown half a second later: half a metre was cut off at both.
        steady(&mut gym, 4.15, each_second(120, 3), true);
        gym.stroke(0, GO + 120_782, 10);
        gym.until(GO + 121_200);
        let at_once = gym.result(0).unwrap().time_ms.0;
        if goes_on {
            gym.stroke(0, GO + 121_300, 20);
        }
        gym.until(GO + 140_000);
        (at_once, gym.result(0).unwrap().time_ms.0)
    };
    assert_eq!(rows(false), (120_782, 120_782));
    let (at_once, known) = rows(true);
    assert_eq!((at_once, known), (120_782, 120_537));
}

#[test]
fn a_machine_of_whole_metres_has_on_average_gone_as_far_as_one_of_tenths() {
    let off = |nth: u64| {
        let speed = 4.0 + 0.037 * nth as f64;
        let mut gym = Gym::new(vec![piece(seconds(90))]);
        gym.joins("Ana", None);
        gym.goes();
        steady(&mut gym, speed, each_second(95, nth), true);
        gym.until(GO + 110_000);
        let result = gym.result(0).unwrap();
        let off_dm = f64::from(result.distance_dm.0) - 900.0 * speed;
        assert!(
            off_dm.abs() <= f64::from(result.sure.dm().unwrap().0) + 1.0,
            "{off_dm} {result:?}"
        );
        off_dm
    };
    let off_dm = mean((0..20).map(off));
    assert!(off_dm.abs() < 1.0, "{off_dm} dm");
}

#[test]
fn a_machine_that_stood_in_mid_metre_is_given_nothing_for_it() {
    // It shows 312 m at the go, and what it cuts off there and at the end is the same on average.
    let off = |nth: u64| {
        let speed = 4.0 + 0.037 * nth as f64;
        let begun = 3_120.0 + 0.5 * nth as f64;
        let mut gym = Gym::new(vec![piece(metres(500))]);
        gym.joins("Ana", None);
        gym.stroke(0, 1_000, 3_120);
        gym.goes();
        let mut shown = 3_120;
        for ms in each_second(140, nth) {
            let dm = cut((begun + speed * ms as f64 / 100.0) / 10.0) * 10;
            gym.stroke(0, GO + ms, dm - shown);
            shown = dm;
        }
        gym.until(GO + 160_000);
        f64::from(gym.result(0).unwrap().time_ms.0) - 500_000.0 / speed
    };
    let off_ms = mean((0..20).map(off));
    assert!(off_ms.abs() < 20.0, "{off_ms} ms");
}

#[test]
fn a_stroke_that_the_end_of_the_time_cuts_short_counts_up_to_it() {
    // 8 m a stroke, one every two seconds, the last one half done when the time is over; the device says nothing after
    // it.
    let rows = |until: u64| {
        let mut gym = Gym::new(vec![piece(seconds(61))]);
        gym.joins("Ana", None);
        gym.goes();
        gym.row(1..=until, &[80]);
        gym.until(GO + 90_000);
        gym.result(0).unwrap()
    };
    let whole = rows(60);
    assert_eq!(whole.distance_dm.0, 2_440, "4 m in the last second");
    assert!(whole.sure.dm().unwrap().0 >= 40, "she may have stopped: {whole:?}");
    // Somebody who missed a stroke is not given one for it.
    assert_eq!(rows(58).distance_dm.0, 2_320);
}

#[test]
fn an_unusual_last_stroke_is_not_carried_on() {
    let mut gym = Gym::new(vec![piece(seconds(61))]);
    gym.joins("Ana", None);
    gym.goes();
    gym.row(1..=58, &[80]);
    gym.row(59..=60, &[20]);
    gym.until(GO + 90_000);
    assert_eq!(gym.result(0).unwrap().distance_dm.0, 2_340);
}
