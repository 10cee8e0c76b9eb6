//! Whoever makes no stroke for a while loses what is shown, neither more nor less.

use thole_protocol::{
    standing::{About, Doing, Projected},
    total::Total,
    units::{Decimetres, Millis},
};

use super::gym::{GO, Gym, covers, finish, metres, piece, seconds};

/// Finish, lower and upper end of the range: tenths of a second, or decimetres.
fn ends(projected: Projected) -> [i64; 3] {
    [projected.finish, projected.low, projected.high].map(|end| match end {
        Total::Time { finish_ms: Millis(ms) } => i64::from(ms),
        Total::Distance { distance_dm: Decimetres(dm) } => i64::from(dm),
    })
}

#[test]
fn in_a_piece_by_time_the_lower_end_falls_by_the_metres_that_are_being_lost() {
    let mut gym = Gym::new(vec![piece(seconds(240))]);
    gym.joins("Ana", Some(covers(1_000)));
    gym.goes();
    gym.row(1..=80, &[80]);
    let [end, low, high] = ends(gym.own(0).projected.unwrap());
    assert!((9_000..11_000).contains(&end) && low < end && end < high, "{low} to {high} dm");
    gym.until(GO + 85_900);
    assert_eq!(ends(gym.own(0).projected.unwrap()), [end, low, high], "a slow stroke is no pause");
    // Six seconds and ten at 4 m/s.
    for (pause, lost) in [(6, 240), (10, 400)] {
        gym.until(GO + 80_000 + 1_000 * pause);
        assert_eq!(ends(gym.own(0).projected.unwrap()), [end, low - lost, high], "{pause} s");
        assert_eq!(ends(gym.line(0).projected.unwrap()), [end, low - lost, high], "{pause} s");
    }
    gym.until(GO + 93_000);
    assert_eq!((gym.line(0).projected, gym.own(0).doing), (None, Doing::Stopped));
}

#[test]
fn in_a_piece_by_distance_the_higher_end_grows_by_the_time_that_is_being_lost() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=80, &[80]);
    let [end, low, high] = ends(gym.own(0).projected.unwrap());
    assert!((230_000..270_000).contains(&end) && low < end && end < high, "{low} to {high} ms");
    gym.until(GO + 85_900);
    assert_eq!(ends(gym.own(0).projected.unwrap()), [end, low, high]);
    gym.until(GO + 89_000);
    assert_eq!(ends(gym.own(0).projected.unwrap()), [end, low, high + 9_000]);
}

#[test]
fn who_is_home_loses_nothing_by_sitting_still() {
    let mut gym = Gym::new(vec![piece(metres(200))]);
    gym.joins("Ana", Some(finish(50)));
    gym.joins("Bo", Some(finish(80)));
    gym.goes();
    gym.row(1..=52, &[80, 50]);
    let home = ends(gym.own(0).projected.unwrap());
    assert_eq!(home, [50_000; 3]);
    gym.until(GO + 62_000);
    assert_eq!(ends(gym.own(0).projected.unwrap()), home);
    assert_eq!(gym.own(0).doing, Doing::Finished);
}

#[test]
fn a_stop_is_told_with_where_and_since_when() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=80, &[80]);
    gym.until(GO + 91_000);
    assert_eq!(gym.notices(), []);
    gym.until(GO + 92_000);
    let told = gym.notices();
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].about, About::Stopped { done_dm: Decimetres(3_200) });
    assert_eq!(told[0].since_ms.0, GO + 80_000);
    assert_eq!((gym.line(0).done_dm.0, gym.line(0).elapsed_ms.0), (3_200, 80_000));
}
