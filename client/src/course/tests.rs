//! Courses through pieces, in examples.

use super::*;
use crate::wording;

const PIECE: PieceNo = PieceNo(0);
const GO: At = At(60_000);

fn spec(words: &str) -> PieceSpec {
    PieceSpec::of(wording::repeats(words).unwrap())
}

fn simulated() -> Course {
    let build = Box::new(Build::steady(8, Millis(124_000)));
    Course::new(Source::Simulated { build, own_pace: true })
}

fn recorded(id: &str) -> Course {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/recorded.jsonl");
    let recording = Recording::load(std::path::Path::new(path), Some(id)).unwrap();
    Course::new(Source::Recorded(Box::new(recording)))
}

fn see(course: &mut Course, spec: &PieceSpec, phase: Phase, at: u64) {
    course.see(PIECE, spec, phase, At(at), (None, &Plan::Even));
}

fn counting() -> Phase {
    Phase::Counting { go_at_ms: GO }
}

fn rowing(repeat: u16, at: u64) -> Phase {
    Phase::Rowing { go_at_ms: GO, repeat, repeat_at_ms: At(at) }
}

fn all(course: &mut Course) -> Vec<DueSample> {
    std::iter::from_fn(|| course.take()).collect()
}

/// (heard, the machine's clock, the machine's distance)
fn told(dues: &[DueSample]) -> Vec<(i64, i64, i64)> {
    dues.iter()
        .map(|d| (d.sample.heard_ms, d.sample.elapsed_ms.unwrap(), d.sample.distance_dm))
        .collect()
}

#[test]
fn a_recording_is_heard_at_the_go_plus_the_time_rowed_exactly() {
    let (mut course, spec) = (recorded("late"), spec("40m"));
    assert_eq!(course.take(), None);
    see(&mut course, &spec, counting(), 50_000);
    see(&mut course, &spec, rowing(0, GO.0), GO.0);
    assert_eq!(
        told(&all(&mut course)),
        [
            (59_000, 0, 0),
            (62_000, 2_000, 60),
            (64_000, 4_000, 150),
            (66_000, 6_000, 240),
            (68_000, 8_000, 330),
            (69_500, 9_500, 400),
        ]
    );
}

#[test]
fn the_next_repeat_waits_for_its_signal_and_the_machine_counts_work_only() {
    let (mut course, spec) = (recorded("late"), spec("2x15m/0:20"));
    see(&mut course, &spec, counting(), 50_000);
    let first = all(&mut course);
    assert_eq!(told(&first)[2..], [(64_000, 4_000, 150)]);
    assert_eq!(course.due(), None, "waits");
    see(&mut course, &spec, rowing(1, 88_000), 88_010);
    assert_eq!(
        told(&all(&mut course)),
        [(88_000, 4_000, 150), (90_000, 6_000, 240), (91_333, 7_333, 300)]
    );
}

#[test]
fn with_their_own_rest_nobody_waits_for_a_signal() {
    let mut spec = spec("2x15m/0:20");
    spec.repeat_start = RepeatStart::OwnRest;
    let mut course = recorded("late");
    see(&mut course, &spec, counting(), 50_000);
    let heard: Vec<i64> = told(&all(&mut course)).iter().map(|row| row.0).collect();
    assert_eq!(heard, [59_000, 62_000, 64_000, 84_000, 86_000, 87_333]);
}

#[test]
fn a_simulated_machine_counts_on_through_the_rest() {
    let (mut course, spec) = (simulated(), spec("3x350m/1:15"));
    see(&mut course, &spec, counting(), 50_000);
    let first = all(&mut course);
    let ended = first.iter().position(|d| d.sample.distance_dm == 3_500).unwrap();
    let rest = &first[ended..];
    assert!(rest.len() > 5 && rest.last().unwrap().sample.distance_dm > 3_600);
    let last = rest.last().unwrap().sample;
    assert_eq!(last.elapsed_ms.unwrap(), last.heard_ms - 59_000, "its clock runs on");
    see(&mut course, &spec, rowing(1, 300_000), 300_000);
    let second = all(&mut course);
    assert_eq!(second[0].at, At(300_000));
    assert_eq!(second[0].sample.distance_dm, last.distance_dm);
    let end = second.iter().find(|d| d.sample.distance_dm == last.distance_dm + 3_500);
    assert!(end.is_some(), "the second repeat is whole");
    for pair in first.iter().chain(&second).collect::<Vec<_>>().windows(2) {
        assert!(pair[0].at < pair[1].at && pair[0].sample.elapsed_ms < pair[1].sample.elapsed_ms);
        assert!(pair[0].sample.strokes <= pair[1].sample.strokes);
    }
}

#[test]
fn a_signal_in_the_middle_of_a_repeat_cuts_off_the_rest_and_not_the_repeat() {
    for (words, signals) in
        [("2x350m/1:15", &[(1, 100_000)][..]), ("3x350m/1:15", &[(1, 90_000), (2, 190_000)])]
    {
        let (mut course, spec) = (simulated(), spec(words));
        see(&mut course, &spec, counting(), 50_000);
        let mut rowed = Vec::new();
        for (repeat, at) in signals {
            while course.due().is_some_and(|due| due < At(*at)) {
                rowed.extend(course.take());
            }
            see(&mut course, &spec, rowing(*repeat, *at), *at);
        }
        rowed.extend(all(&mut course));
        let whole = 3_500 * i64::try_from(spec.repeats.len()).unwrap();
        assert_eq!(rowed.last().unwrap().sample.distance_dm, whole, "{words}");
        for pair in rowed.windows(2) {
            assert!(pair[0].at < pair[1].at, "{words}: one report at a time, in order");
            let step = pair[1].sample.distance_dm - pair[0].sample.distance_dm;
            assert!(pair[1].at.since(pair[0].at).0 < 5_000 && step < 150, "{words}: no rest");
        }
    }
    // Two signals in one repeat: the class is in the third, and so is whoever comes to it.
    let (mut course, spec) = (simulated(), spec("3x350m/1:15"));
    see(&mut course, &spec, counting(), 50_000);
    see(&mut course, &spec, rowing(1, 80_000), 80_000);
    see(&mut course, &spec, rowing(2, 90_000), 90_000);
    assert_eq!(all(&mut course).last().unwrap().sample.distance_dm, 7_000);
}

#[test]
fn a_false_start_is_rowed_no_further_and_the_restart_begins_anew() {
    let (mut course, spec) = (simulated(), spec("1700m"));
    see(&mut course, &spec, counting(), 50_000);
    for _ in 0..5 {
        course.take();
    }
    let at = course.machine;
    see(&mut course, &spec, Phase::Armed, 70_000);
    assert_eq!(course.take(), None);
    see(&mut course, &spec, Phase::Counting { go_at_ms: At(120_000) }, 110_000);
    let again = all(&mut course);
    assert_eq!((again[0].at, again[0].sample.distance_dm), (At(119_000), at.distance_dm));
    assert_eq!(again.last().unwrap().sample.distance_dm, at.distance_dm + 17_000);
}

#[test]
fn a_piece_that_is_stopped_or_closed_is_rowed_to_that_instant() {
    let (mut course, spec) = (simulated(), spec("1700m"));
    see(&mut course, &spec, counting(), 50_000);
    let stopped = Phase::Stopped { go_at_ms: Some(GO), stopped_at_ms: At(90_000) };
    see(&mut course, &spec, stopped, 90_000);
    let rowed = all(&mut course);
    assert!(rowed.len() > 5 && rowed.iter().all(|d| d.at <= At(90_000)));
    assert_eq!(course.due(), None);
}

#[test]
fn who_comes_late_rows_from_the_repeat_that_has_been_signalled() {
    let (mut course, spec) = (simulated(), spec("3x350m/1:15"));
    see(&mut course, &spec, rowing(2, 500_000), 502_000);
    let rowed = all(&mut course);
    assert_eq!(rowed[0].at, At(500_000));
    assert_eq!(rowed.last().unwrap().sample.distance_dm, 3_500);
}

#[test]
fn who_comes_late_begins_when_they_come_and_does_not_row_what_is_past_at_once() {
    let of = |words: &str, phase: Phase| {
        let mut course = simulated().begins_late();
        see(&mut course, &spec(words), phase, 200_000);
        let rowed = all(&mut course);
        (rowed[0].at, rowed.last().unwrap().sample.distance_dm)
    };
    assert_eq!(of("1700m", rowing(0, GO.0)), (At(199_000), 17_000));
    assert_eq!(of("1700m", Phase::Closing { go_at_ms: GO }), (At(199_000), 17_000));
    assert_eq!(of("3x350m/1:15", rowing(1, 150_000)).0, At(200_000));
    let mut course = recorded("late").begins_late();
    see(&mut course, &spec("40m"), rowing(0, GO.0), 200_000);
    assert_eq!(course.take().unwrap().at, At(59_000), "a recording is rowed as it was");
}

#[test]
fn a_reset_sets_the_counters_to_zero_and_loses_nothing() {
    let mut build = Build::steady(8, Millis(124_000));
    build.reset_at = Some(0.5);
    let build = Box::new(build);
    let mut course = Course::new(Source::Simulated { build, own_pace: true });
    see(&mut course, &spec("1700m"), counting(), 50_000);
    let rowed = all(&mut course);
    let fell = rowed
        .windows(2)
        .find(|w| w[1].sample.distance_dm < w[0].sample.distance_dm)
        .map(|w| w[0].sample.distance_dm)
        .unwrap();
    assert_eq!(fell + rowed.last().unwrap().sample.distance_dm, 17_000);
}

#[test]
fn targets_of_every_kind_are_a_pace() {
    let finish = Target::Finish { finish_ms: Millis(391_000) };
    assert_eq!(pace_of(finish, &spec("1700m")), Some(Millis(115_000)));
    let distance = Target::Distance { distance_dm: Decimetres(30_000) };
    assert_eq!(pace_of(distance, &spec("4x3min/1:00")), Some(Millis(120_000)));
    assert_eq!(pace_of(finish, &spec("12min")), None);
}

use thole_protocol::units::Decimetres;
