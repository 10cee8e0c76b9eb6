//! Simulated rowers against their own profiles.

use super::*;
use crate::wording;

fn piece(words: &str) -> PieceSpec {
    PieceSpec::of(wording::repeats(words).unwrap())
}

fn whole(rows: &[Row]) -> (u32, u32) {
    rows.iter().filter(|r| r.ends).fold((0, 0), |(t, d), r| (t + r.t_ms, d + r.d_dm))
}

/// Power 2.80 v^3: common practice on air-braked machines; P1 to P4, P6 to P8. P5: an article
/// of the sport's governing body gives 570 W for 1:25.0.
#[test]
fn power_of_a_pace() {
    for (pace_ms, watts, within) in [
        (100_000, 350.0, 0.1),
        (105_000, 302.3, 0.1),
        (120_000, 202.5, 0.1),
        (135_000, 142.2, 0.1),
        (85_000, 569.9, 0.5),
    ] {
        let power = power_of_speed(speed_of_pace(Millis(pace_ms)));
        assert!((power - watts).abs() < within, "{pace_ms}: {power}");
    }
    for (watts, seconds) in [(100.0, 151.8), (200.0, 120.5), (300.0, 105.3)] {
        let power = power_of_speed(500.0 / seconds);
        assert!((power / watts - 1.0).abs() < 0.002, "{seconds} s: {power} W");
    }
    // World Rowing, 26 February 2021: 19 %, 89 % and 181 % more for 5:40 than for 6:00, 7:00 and 8:00 of 2000 m.
    for (slower, ratio) in [(90.0, 1.187), (105.0, 1.885), (120.0, 2.814)] {
        let more = power_of_speed(500.0 / 85.0) / power_of_speed(500.0 / slower);
        assert!((more - ratio).abs() < 0.005, "{slower}: {more}");
    }
}

/// M4, by arithmetic: ten strokes at 24 and 30/min take 25.0 and 20.0 s.
#[test]
fn strokes_come_at_their_rate() {
    for (spm, seconds) in [(24.0, 25.0), (30.0, 20.0)] {
        let mut build = Build::steady(1, Millis(125_000));
        (build.rate_spm, build.uneven_by) = (spm, 0.0);
        let rows: Vec<Row> = build.row(&piece("3500m")).collect();
        let ten: Vec<f64> =
            rows.windows(11).skip(5).map(|w| f64::from(w[10].t_ms - w[0].t_ms)).collect();
        let mean = ten.iter().sum::<f64>() / ten.len() as f64 / 1_000.0;
        assert!((mean - seconds).abs() < 0.3, "{spm}: {mean}");
    }
}

#[test]
fn every_stroke_obeys_the_physics_and_the_range_of_rates() {
    for seed in 0..40 {
        let mut build = Build::steady(seed, Millis(102_000 + 2_000 * u32::try_from(seed).unwrap()));
        build.rate_spm = 17.0 + 0.6 * seed as f64;
        let mut before = Row::default();
        for row in build.row(&piece("1700m")).filter(|row| !row.ends) {
            let takes = f64::from(row.t_ms - before.t_ms) / 1_000.0;
            let rate = f64::from(row.rate_half_spm.unwrap()) / 2.0;
            assert!((18.0..=40.0).contains(&rate), "{rate}");
            assert!((60.0 / takes - rate).abs() < 0.6, "{takes} s at {rate}");
            let speed = f64::from(row.d_dm - before.d_dm) / 10.0 / takes;
            let power = f64::from(row.power_w.unwrap());
            assert!((power - power_of_speed(speed)).abs() < 1.0, "{power} W at {speed} m/s");
            before = row;
        }
    }
}

#[test]
fn the_work_comes_out_at_the_pace_whatever_the_profile_and_the_piece() {
    for profile in [Profile::Even, Profile::FastStart, Profile::NegativeSplit] {
        for words in ["1700m", "9min", "5x450m/1:10", "4x3min/1:00"] {
            let build = Build { profile, ..Build::steady(3, Millis(118_000)) };
            let rows: Vec<Row> = build.row(&piece(words)).collect();
            let (t, d) = whole(&rows);
            let pace = f64::from(t) * 5_000.0 / f64::from(d);
            assert!((pace - 118_000.0).abs() < 250.0, "{words} {profile:?}: {pace}");
        }
    }
}

#[test]
fn the_same_seed_rows_the_same_strokes_and_another_seed_others() {
    let rows = |seed| Build::steady(seed, Millis(126_000)).row(&piece("1700m")).collect::<Vec<_>>();
    assert_eq!(rows(4), rows(4));
    assert_ne!(rows(4), rows(5));
}

/// Garland SW (2005) Br J Sports Med 39:39-42: speed of each 500 m of 2000 m on the ergometer
/// 101.5, 99.8, 99.0, 99.7 % of the mean.
#[test]
fn a_fast_start_has_the_published_quarters() {
    let mut build = Build::steady(2, Millis(121_000));
    (build.profile, build.uneven_by) = (Profile::FastStart, 0.0);
    let rows: Vec<Row> = build.row(&piece("10km")).collect();
    let mean = 500.0 / 121.0;
    for (quarter, percent) in [101.5, 99.8, 99.0, 99.7].into_iter().enumerate() {
        let inside: Vec<&Row> = rows
            .iter()
            .filter(|r| usize::try_from(r.d_dm / 25_000).unwrap() == quarter)
            .skip(5)
            .collect();
        let (first, last) = (inside[0], inside[inside.len() - 1]);
        let speed = f64::from(last.d_dm - first.d_dm) * 100.0 / f64::from(last.t_ms - first.t_ms);
        assert!((speed / mean * 100.0 - percent).abs() < 0.15, "{quarter}: {speed}");
    }
}

#[test]
fn a_machine_of_one_a_second_tells_whole_seconds_and_whole_metres_but_for_the_end() {
    let build = Build { machine: Machine::Second, ..Build::steady(6, Millis(131_000)) };
    let rows: Vec<Row> = build.row(&piece("3x350m/1:15")).collect();
    for row in &rows {
        assert!(row.ends || row.t_ms % 1_000 == 0 && row.d_dm % 10 == 0, "{row:?}");
    }
    assert_eq!(rows.iter().filter(|r| r.ends && r.d_dm == 3_500).count(), 3);
    for pair in rows.windows(2).filter(|p| p[0].repeat == p[1].repeat) {
        assert!(pair[1].t_ms > pair[0].t_ms && pair[1].t_ms - pair[0].t_ms <= 1_000);
        assert!(pair[1].d_dm >= pair[0].d_dm);
    }
}

#[test]
fn fading_pausing_stopping_and_a_reset_show() {
    let calm = Build::steady(9, Millis(120_000));
    let finish = |build: &Build| whole(&build.row(&piece("1700m")).collect::<Vec<_>>()).0;
    let steady = finish(&calm);
    assert!(finish(&Build { fades_by: 0.1, ..calm.clone() }) > steady + 8_000);
    let pause = Some(Pause { at_share: 0.3, lasts_ms: 12_000 });
    let paused = finish(&Build { pause, ..calm.clone() });
    assert!(paused.abs_diff(steady + 12_000) < 100, "{paused} {steady}");
    let stops = Build { stops_at: Some(0.5), ..calm.clone() };
    let rows: Vec<Row> = stops.row(&piece("1700m")).collect();
    assert!(rows.iter().all(|r| !r.ends && r.d_dm < 8_700));
    let reset = Build { reset_at: Some(0.4), ..calm };
    let rows: Vec<Row> = reset.row(&piece("1700m")).collect();
    assert_eq!(rows.iter().filter(|r| r.reset).count(), 1);
    assert_eq!(whole(&rows), (steady, 17_000));
}
