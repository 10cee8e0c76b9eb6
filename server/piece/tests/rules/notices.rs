//! When the coach is told about an athlete, and when not yet or no longer: just on either side of each bound.

use thole_piece::Input;
use thole_protocol::{
    order::Order,
    sample::{Reading, Sample},
    spec::{AthleteSpec, Audience, CallSpec, Extent, Span, Target},
    standing::About,
    units::{Bpm, Decimetres, HalfSpm, Millis},
};

use super::gym::{GO, Gym, covers, finish, metres, piece, seconds, text};

/// 1,000 m to be rowed in 250 s: 8 m a stroke of two seconds, 2:05.0.
fn ready(work: Extent, target: Target) -> Gym {
    let mut gym = Gym::new(vec![piece(work)]);
    gym.joins("Ana", Some(target));
    gym.goes();
    gym
}

fn thousand() -> Gym {
    ready(metres(1_000), finish(250))
}

/// The seconds after the go at which something of a kind is shown, until the piece has been rowed for this long, and
/// the last one shown. What is heard at a second is seen at the next look.
fn shown(
    gym: &mut Gym,
    until: u64,
    is: impl Fn(&About) -> bool,
    dm: impl Fn(u64) -> i64,
) -> (Vec<u64>, Option<About>) {
    let (mut seconds, mut about) = (Vec::new(), None);
    for second in 1..=until {
        if second % 2 == 0 {
            gym.stroke(0, GO + 1_000 * second, dm(second));
        } else {
            gym.until(GO + 1_000 * second);
        }
        if let Some(notice) = gym.notices().iter().find(|notice| is(&notice.about)) {
            seconds.push(second);
            about = Some(notice.about);
        }
    }
    (seconds, about)
}

#[test]
fn too_fast_is_three_per_cent_faster_than_planned_between_three_and_forty_per_cent_of_the_piece() {
    for (work, target) in [(metres(1_000), finish(250)), (seconds(250), covers(1_000))] {
        let is = |about: &About| matches!(about, About::TooFast { .. });
        let steady = |dm| shown(&mut ready(work, target), 120, is, move |_| dm);
        assert_eq!(steady(80), (vec![], None));
        assert_eq!(steady(82), (vec![], None), "2.4 % faster is a good day");
        let (seconds, about) = steady(83);
        // 3 % are done at 8 s, and it is shown once it has lasted for ten seconds; 40 % are done at 98 s, or 100 s.
        let last = if work == metres(1_000) { 98 } else { 102 };
        assert_eq!((seconds[0], seconds[seconds.len() - 1]), (19, last), "{seconds:?}");
        let now_per_500m_ms = Millis(120_482);
        let plan_per_500m_ms = Millis(125_000);
        assert_eq!(about, Some(About::TooFast { now_per_500m_ms, plan_per_500m_ms }));
    }
}

#[test]
fn fading_is_two_per_cent_slower_than_before_and_one_per_cent_slower_than_is_enough() {
    let fades = |target, to: i64| {
        let mut gym = ready(metres(1_000), finish(target));
        let is = |about: &About| matches!(about, About::Fading { .. });
        shown(&mut gym, 200, is, move |second| if second <= 120 { 80 } else { to })
    };
    let (seconds, about) = fades(250, 77);
    assert_eq!(seconds[0], 151, "{seconds:?}");
    let Some(About::Fading { now_per_500m_ms, before_per_500m_ms, enough_per_500m_ms }) = about
    else {
        panic!("{about:?}")
    };
    assert_eq!((before_per_500m_ms, now_per_500m_ms), (Millis(125_000), Millis(129_870)));
    assert!(enough_per_500m_ms < Millis(125_000), "{enough_per_500m_ms:?}");
    assert_eq!(fades(250, 79).0, [0; 0], "1.3 % slower is no fading");
    // Two thirds of a per cent slower than is enough, and more and more as less is left.
    assert_eq!(fades(254, 77).0[0], 163);
    assert_eq!(fades(300, 77).0, [0; 0], "it is enough all the same");
}

#[test]
fn the_standing_start_of_the_piece_is_no_fading() {
    // A short piece: its last tenth is rowed within the first 45 s.
    let fades = |metres_of_it: u32, target: u32| {
        let mut gym = ready(metres(metres_of_it), finish(target));
        let is = |about: &About| matches!(about, About::Fading { .. });
        shown(&mut gym, 44, is, |second| if second <= 16 { 90 } else { 75 }).1
    };
    assert_eq!(fades(200, 45), None);
}

#[test]
fn a_rate_two_strokes_higher_without_more_speed_is_told() {
    let with_rates = |rate: i64, dm: i64| {
        let mut gym = thousand();
        let mut about = None;
        for nth in 1..=60 {
            let before = nth <= 30;
            let mut sample = gym.sample(0, GO + 2_000 * nth, if before { 80 } else { dm });
            sample.rate_half_spm = Some(if before { 52 } else { rate });
            gym.send(0, GO + 2_000 * nth, vec![sample]);
            about = gym.notices().first().map(|notice| notice.about).or(about);
        }
        about
    };
    let told = with_rates(57, 80);
    let Some(About::RateNoFaster { rate_half_spm, before_half_spm, .. }) = told else {
        panic!("{told:?}")
    };
    assert_eq!((rate_half_spm, before_half_spm), (HalfSpm(57), HalfSpm(53)));
    assert_eq!(with_rates(55, 80), None, "a stroke and a half more");
    assert_eq!(with_rates(57, 81), None, "more than half a per cent faster");
    assert_eq!(with_rates(52, 80), None);
}

#[test]
fn after_a_call_a_pace_is_not_judged_for_a_minute() {
    let mut gym = thousand();
    let call = CallSpec {
        call: thole_protocol::ids::CallId(uuid::Uuid::from_u128(7)),
        text: text("Long and loose"),
        audience: Audience::All,
        span: Span::Next,
        grace_ms: Some(Millis(0)),
    };
    gym.row(1..=20, &[83]);
    assert_eq!(gym.notices().len(), 1);
    gym.order(Order::Call { call }).unwrap();
    let mut seconds = Vec::new();
    for second in 21..=95 {
        if second % 2 == 0 {
            gym.stroke(0, GO + 1_000 * second, 83);
        }
        gym.until(GO + 1_000 * second);
        seconds.extend((!gym.notices().is_empty()).then_some(second));
    }
    // Judged again a minute after 20 s, and shown once it has lasted.
    assert_eq!((seconds[0], seconds[seconds.len() - 1]), (90, 95));
}

#[test]
fn a_target_that_somebody_is_far_from_is_told_once_an_eighth_is_rowed() {
    let is = |about: &About| matches!(about, About::TargetFarOff { .. });
    let heading = |dm: i64| shown(&mut thousand(), 60, is, move |_| dm);
    assert_eq!(heading(75).1, None, "6.5 % slower");
    let (seconds, about) = heading(73);
    assert!(matches!(about, Some(About::TargetFarOff { .. })), "{about:?}");
    // 125 m at 3.65 m/s are rowed in 34.2 s: known with the next stroke, shown ten seconds later.
    assert_eq!(seconds[0], 47);
    assert_eq!(heading(80).1, None);
}

#[test]
fn a_machine_that_was_reset_is_told_at_once_and_for_a_minute() {
    let mut gym = thousand();
    gym.row(1..=40, &[80]);
    let again = Sample { distance_dm: 0, strokes: Some(0), ..gym.sample(0, GO + 42_000, 0) };
    gym.send(0, GO + 42_000, vec![again]);
    let mut seconds = Vec::new();
    for second in 42..=120 {
        gym.until(GO + 1_000 * second);
        let told = |about: &About| matches!(about, About::MachineReset { .. });
        seconds.extend(gym.notices().iter().any(|n| told(&n.about)).then_some(second));
    }
    assert_eq!((seconds[0], seconds[seconds.len() - 1]), (43, 101), "{seconds:?}");
    assert_eq!(gym.result(0), None);
}

#[test]
fn a_heart_is_over_its_limit_above_it_and_a_reading_is_of_now_for_ten_seconds() {
    for (bpm, told) in [(172, false), (173, true)] {
        let mut gym = thousand();
        let athlete = Gym::athlete(0);
        let spec = AthleteSpec { name: "Ana".into(), team: None, heart_limit_bpm: Some(Bpm(172)) };
        gym.order(Order::ChangeAthlete { athlete, spec }).unwrap();
        gym.say(0, &Input::Consent { athlete, heart_rate: true, wording: 1 });
        for second in [10, 15, 20] {
            gym.until(GO + 1_000 * second);
            let heard_ms = i64::try_from(GO + 1_000 * second).unwrap();
            let readings = vec![Reading { heard_ms, heart_bpm: bpm }];
            gym.say(0, &Input::HeartRate { athlete, readings });
        }
        gym.until(GO + 22_000);
        let heart = |gym: &Gym| {
            let detail = gym.session.overview().details.pop().unwrap();
            let notice = gym.notices().iter().any(|n| matches!(n.about, About::HeartRate { .. }));
            (detail.heart_bpm.map(|Bpm(bpm)| i64::from(bpm)), notice)
        };
        assert_eq!(heart(&gym), (Some(bpm), told));
        gym.until(GO + 30_000);
        assert_eq!(heart(&gym), (Some(bpm), told));
        gym.until(GO + 31_000);
        assert_eq!(heart(&gym), (None, false));
    }
}

#[test]
fn who_is_not_heard_is_told_after_ten_seconds_and_out_of_the_ranking_after_fifteen() {
    let mut gym = thousand();
    gym.row(1..=40, &[80]);
    let athlete = Gym::athlete(0);
    gym.say(
        GO + 40_000,
        &Input::NotHeard { athlete, since: thole_protocol::units::At(GO + 40_000) },
    );
    let seen = |gym: &mut Gym, second: u64| {
        gym.until(GO + 1_000 * second);
        let line = gym.line(0);
        (line.not_heard, !gym.notices().is_empty(), line.place)
    };
    assert_eq!(seen(&mut gym, 45), (false, false, Some(1)));
    assert_eq!(seen(&mut gym, 46), (true, false, Some(1)));
    assert_eq!(seen(&mut gym, 49), (true, false, Some(1)));
    assert_eq!(seen(&mut gym, 50), (true, true, Some(1)));
    assert_eq!(seen(&mut gym, 54), (true, true, Some(1)));
    assert_eq!(seen(&mut gym, 55), (true, true, None));
    assert_eq!(gym.line(0).done_dm, Decimetres(1_600));
}
