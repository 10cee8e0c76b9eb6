//! Repeats and the rests between them: when they begin, what is shown in the meantime, and who is waited for.

use thole_piece::{Input, piece::Piece, projection::Forecast, session::Viewer};
use thole_protocol::{
    ids::PieceNo,
    order::Order,
    spec::{PieceSpec, Repeat, SessionSettings},
    standing::{About, Doing, Mark, Phase},
    units::{At, Millis},
};

use super::gym::{GO, Gym, finish, metres, piece, seconds};

fn two(work: thole_protocol::spec::Extent, rest_s: u32) -> Gym {
    let repeat = Repeat { work, rest_ms: Millis(1_000 * rest_s) };
    Gym::new(vec![PieceSpec::of(vec![repeat; 2])])
}

fn phase(gym: &Gym) -> Phase {
    gym.session.view(Viewer::Coach).pieces[0].phase
}

#[test]
fn the_next_repeat_is_signalled_while_there_is_one_and_the_clock_does_not_do_it() {
    let mut gym = two(metres(200), 60);
    gym.joins("Ana", None);
    assert!(gym.order(Order::NextRepeat).is_err(), "nothing is rowed yet");
    gym.goes();
    gym.row(1..=20, &[80]);
    gym.order(Order::NextRepeat).unwrap();
    assert_eq!(
        phase(&gym),
        Phase::Resting { go_at_ms: At(GO), next_repeat: 1, next_at_ms: At(GO + 25_000) }
    );
    // Once more, before it is due: that does not make it any later.
    gym.until(GO + 23_000);
    gym.order(Order::NextRepeat).unwrap();
    gym.until(GO + 25_000);
    assert!(matches!(phase(&gym), Phase::Rowing { repeat: 1, .. }));
    let says = gym.order(Order::NextRepeat).unwrap_err().says;
    assert_eq!(says, "There is no next repeat to start.");
    let mut by_time = two(seconds(30), 10);
    by_time.joins("Ana", None);
    by_time.goes();
    let says = by_time.order(Order::NextRepeat).unwrap_err().says;
    assert_eq!(says, "The repeats of this piece begin by the clock, not on a signal.");
}

#[test]
fn the_first_half_minute_of_a_later_repeat_moves_no_projection() {
    let mut gym = two(metres(400), 20);
    gym.joins("Ana", Some(finish(200)));
    gym.goes();
    gym.row(1..=100, &[80]);
    let rested = gym.own(0).projected;
    let Phase::Resting { next_at_ms: At(next), .. } = phase(&gym) else { panic!("no rest") };
    gym.until(next);
    let into = |gym: &mut Gym, from: u64, to: u64| {
        let first = (next - GO) / 1_000;
        gym.row(first + from..=first + to, &[60]);
        gym.own(0).projected
    };
    assert_eq!(into(&mut gym, 1, 10), rested);
    assert_eq!(into(&mut gym, 11, 28), rested);
    assert_ne!(
        into(&mut gym, 29, 31),
        rested,
        "two thirds of the way at three quarters of the pace"
    );
}

#[test]
fn a_rest_begins_when_the_last_who_is_heard_is_done() {
    let mut gym = two(metres(200), 60);
    for name in ["Ana", "Bo"] {
        gym.joins(name, None);
    }
    gym.goes();
    gym.row(1..=40, &[80, 80]);
    let bo = Gym::athlete(1);
    gym.say(0, &Input::NotHeard { athlete: bo, since: At(GO + 40_000) });
    gym.row(41..=50, &[80, 0]);
    assert!(matches!(phase(&gym), Phase::Rowing { repeat: 0, .. }), "Bo may be rowing");
    gym.until(GO + 54_900);
    assert!(matches!(phase(&gym), Phase::Rowing { repeat: 0, .. }));
    gym.until(GO + 55_000);
    let Phase::Resting { next_at_ms, .. } = phase(&gym) else { panic!("{:?}", phase(&gym)) };
    assert_eq!(next_at_ms, At(GO + 110_000), "a minute after Ana was done");
}

#[test]
fn a_rate_is_compared_with_that_of_the_same_repeat() {
    let mut gym = two(seconds(60), 20);
    gym.joins("Ana", None);
    gym.goes();
    let mut told = Vec::new();
    for nth in 1..=70_u64 {
        let at = 2 * nth;
        if at > 60 && at < 80 {
            continue;
        }
        let mut sample = gym.sample(0, GO + 1_000 * at, 80);
        sample.rate_half_spm = Some(if at <= 60 { 52 } else { 64 });
        gym.send(0, GO + 1_000 * at, vec![sample]);
        let notices = gym.notices();
        told.extend(
            notices.iter().any(|n| matches!(n.about, About::RateNoFaster { .. })).then_some(at),
        );
    }
    assert_eq!(told, [0; 0]);
}

#[test]
fn who_rows_on_after_having_stopped_rows() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=20, &[80]);
    gym.say(0, &Input::StopRowing { athlete });
    assert_eq!(gym.own(0).doing, Doing::Stopped);
    gym.say(0, &Input::RowOn { athlete });
    assert_eq!(gym.own(0).doing, Doing::Rowing);
    gym.row(21..=40, &[80]);
    assert_eq!((gym.own(0).doing, gym.result(0)), (Doing::Rowing, None));
}

#[test]
fn who_says_to_have_stopped_is_told_at_once_and_a_heart_after_ten_seconds_all_the_same() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    let athlete = gym.joins("Ana", Some(finish(250)));
    let spec = thole_protocol::spec::AthleteSpec {
        name: "Ana".into(),
        team: None,
        heart_limit_bpm: Some(thole_protocol::units::Bpm(150)),
    };
    gym.order(Order::ChangeAthlete { athlete, spec }).unwrap();
    gym.say(0, &Input::Consent { athlete, heart_rate: true, wording: 1 });
    gym.goes();
    gym.row(1..=20, &[80]);
    gym.say(0, &Input::StopRowing { athlete });
    let kinds = |gym: &Gym| {
        let notices = gym.notices();
        (
            notices.iter().any(|n| matches!(n.about, About::Stopped { .. })),
            notices.iter().any(|n| matches!(n.about, About::HeartRate { .. })),
        )
    };
    assert_eq!(kinds(&gym), (true, false));
    for second in 21..=35 {
        let heard_ms = (GO + 1_000 * second).cast_signed();
        gym.until(GO + 1_000 * second);
        let readings = vec![thole_protocol::sample::Reading { heard_ms, heart_bpm: 160 }];
        gym.say(0, &Input::HeartRate { athlete, readings });
        gym.until(GO + 1_000 * second + 500);
        assert_eq!(kinds(&gym), (true, second > 31), "{second} s");
    }
}

#[test]
fn clocks_that_come_apart_are_told_at_once_and_for_a_minute_and_marked() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    gym.joins("Ana", Some(finish(250)));
    gym.goes();
    let mut seconds = Vec::new();
    for nth in 1..=60_u64 {
        // The session's clock has fallen back by three seconds against the machine's.
        let machine = 2_000 * nth + if nth > 15 { 3_000 } else { 0 };
        let mut sample = gym.sample(0, GO + 2_000 * nth, 80);
        sample.elapsed_ms = Some(machine.cast_signed());
        gym.send(0, GO + 2_000 * nth, vec![sample]);
        gym.until(GO + 2_000 * nth + 1_000);
        let told = gym.notices().iter().any(|n| matches!(n.about, About::ClocksApart { .. }));
        seconds.extend(told.then_some(2 * nth + 1));
    }
    assert_eq!((seconds.first(), seconds.last()), (Some(&33), Some(&91)), "{seconds:?}");
    gym.order(Order::Stop).unwrap();
    assert!(gym.result(0).unwrap().marks.contains(&Mark::ClocksApart));
}

#[test]
fn standings_are_those_of_the_piece_that_they_are_of() {
    let mut gym = Gym::new(vec![piece(metres(500)), piece(metres(700))]);
    gym.joins("Ana", None);
    assert!(!gym.session.is_under_way() && !gym.session.is_closed());
    gym.order(Order::Arm).unwrap();
    assert!(!gym.session.is_under_way());
    gym.order(Order::Disarm).unwrap();
    assert!(gym.order(Order::Disarm).is_err());
    gym.goes();
    assert!(gym.session.is_under_way());
    assert!(gym.order(Order::CloseSession).is_err());
    gym.order(Order::Stop).unwrap();
    assert!(!gym.session.is_under_way());
    gym.order(Order::NextPiece).unwrap();
    // Another distance after all: nothing of it is published yet.
    gym.order(Order::SetPieces { pieces: vec![piece(metres(900))] }).unwrap();
    assert_eq!(gym.session.overview().standings.piece, PieceNo(1));
    assert!(gym.order(Order::NextPiece).is_err());
    gym.order(Order::Arm).unwrap();
    gym.order(Order::Start).unwrap();
    gym.order(Order::Stop).unwrap();
    let says = gym.order(Order::NextPiece).unwrap_err().says;
    assert_eq!(says, "There is no further piece: set one first.");
    gym.order(Order::CloseSession).unwrap();
    assert!(gym.session.is_closed());
}

#[test]
fn whoever_is_taken_off_the_roster_is_in_no_line_and_a_false_start_leaves_the_piece_its_number() {
    let roster = [Gym::athlete(0), Gym::athlete(1)];
    let roster =
        roster.into_iter().map(|id| (id, thole_piece::roster::Athlete::default())).collect();
    let mut of = Piece::new(PieceNo(3), piece(metres(500)));
    of.arm().unwrap();
    of.start(At(0), &roster, &Forecast::default()).unwrap();
    of.pass_time(At(10_000));
    of.publish(At(11_000), &SessionSettings::default(), &roster);
    assert_eq!((of.standings.lines.len(), of.rowers.len()), (2, 2));
    of.forget(Gym::athlete(0));
    let left: Vec<_> = of.standings.lines.iter().map(|line| line.athlete).collect();
    assert_eq!((left, of.rowers.len()), (vec![Gym::athlete(1)], 1));
    of.false_start(At(12_000)).unwrap();
    assert_eq!((of.standings.piece, of.standings.at_ms), (PieceNo(3), At(12_000)));
}
