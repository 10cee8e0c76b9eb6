//! What is made of recordings as odd as they come, line by line: whoever changes a line has to say why that is
//! right.

use std::fmt::Write;

use expect_test::expect_file;
use thole_piece::{
    recording::Recording,
    track::{Rule, Track},
};
use thole_protocol::{
    ids::RunId,
    sample::Sample,
    spec::{Extent, Repeat, RepeatStart, StartClock},
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const GO: u64 = 100_000;
const NOW: At = At(10_000_000);

/// Numbers that look random and are the same each time (Steele, Lea and Flood 2014: splitmix).
struct Dice(u64);

impl Dice {
    fn below(&mut self, most: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % most
    }

    fn one_in(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }
}

/// What one athlete's machines reported, and in which recording.
fn heard(seed: u64) -> Vec<(RunId, Sample)> {
    let mut dice = Dice(seed);
    let every = [250, 700, 1_000, 1_900, 2_400, 3_100][usize::try_from(dice.below(6)).unwrap()];
    let (whole, clocked, counts, rated) =
        (dice.one_in(3), dice.below(4), dice.one_in(2), dice.one_in(2));
    let silent = (dice.below(300_000), dice.below(40_000));
    let (resets_at, changes_at) = (60_000 + dice.below(300_000), 80_000 + dice.below(300_000));
    let (resets, changes, spikes) = (dice.one_in(2), dice.one_in(4), dice.one_in(3));
    let mut samples: Vec<(RunId, Sample)> = Vec::new();
    let (mut speed, mut until, mut metres, mut strokes, mut began) = (0, 0, 0.0, 0, None);
    let (mut seqs, mut run, mut at) = ([0_u32; 2], 0, 40_000_u64);
    let mut was_reset = false;
    while at < 480_000 {
        if at >= until {
            let rests = dice.one_in(5) || at < 90_000;
            speed = if rests { 0 } else { 250 + dice.below(250) };
            until = at + 5_000 + dice.below(50_000);
        }
        let step = every + if dice.one_in(9) { dice.below(400) } else { 0 };
        at += step;
        metres += speed as f64 / 1e2 * step as f64 / 1e3;
        strokes += i64::from(speed > 0 && dice.one_in(2));
        if speed > 0 && began.is_none() {
            began = Some(at - step);
        }
        if resets && !was_reset && at > resets_at {
            (was_reset, metres, strokes, began) = (true, 0.0, 0, Some(at));
        }
        if changes && at > changes_at {
            run = 1;
        }
        seqs[run] += 1;
        if silent.0 + 50_000 < at && at < silent.0 + 50_000 + silent.1 {
            // Given up: its number is missing, too.
            continue;
        }
        let shown = if spikes && dice.one_in(60) { metres + 900.0 } else { metres };
        let since = at - began.unwrap_or(at);
        let elapsed = [None, Some(at - 30_000), Some(since), Some(since / 1_000 * 1_000)];
        let elapsed = elapsed[usize::try_from(clocked).unwrap()];
        let whole_or_not = if whole { shown.floor() * 1e1 } else { (shown * 1e1).round() };
        let sample = Sample {
            seq: seqs[run],
            heard_ms: at.cast_signed(),
            distance_dm: format!("{whole_or_not:.0}").parse().unwrap(),
            elapsed_ms: elapsed.map(|ms| ms.cast_signed()),
            strokes: counts.then_some(strokes),
            rate_half_spm: rated.then_some(if speed > 0 { 48 } else { 0 }),
            power_w: None,
        };
        samples.push((RunId(Uuid::from_u128(7 + run as u128)), sample));
    }
    samples
}

fn distance(metres: u32, rest_s: u32) -> Repeat {
    let work = Extent::Distance { distance_dm: Decimetres(10 * metres) };
    Repeat { work, rest_ms: Millis(1_000 * rest_s) }
}

fn time(seconds: u32, rest_s: u32) -> Repeat {
    let work = Extent::Time { time_ms: Millis(1_000 * seconds) };
    Repeat { work, rest_ms: Millis(1_000 * rest_s) }
}

fn line(track: &Track, rule: Rule<'_>) -> String {
    let mut line = String::new();
    let finish = track.finish(rule, NOW);
    match finish {
        Some(f) => write!(
            line,
            "{:.1} ± {:.1} ms, {:.1} ± {:.1} dm at {:.1}",
            f.ms,
            f.sure_ms,
            f.dm,
            f.sure_dm,
            f.at.ms()
        ),
        None => write!(line, "in repeat {}", track.repeat() + 1),
    }
    .unwrap();
    if let Some(row) = track.progress() {
        write!(line, "; rowed {:.1} ms, {:.1} dm, heard {:.1}", row.ms, row.dm, row.heard.ms())
            .unwrap();
    }
    write!(line, "; last {:?}", track.rowed_at().map(|at| at.ms())).unwrap();
    write!(line, "; home {:?}", track.home_at(rule).map(|at| at.0)).unwrap();
    let splits = track.splits(finish);
    let splits: Vec<_> = splits.iter().map(|s| (s.distance_dm.0, s.time_ms.0)).collect();
    write!(line, "; {splits:?}; {} strokes", track.strokes_milli()).unwrap();
    if let Some(apart) = track.clocks_apart_ms() {
        write!(line, "; {apart} ms apart").unwrap();
    }
    let marks: Vec<_> = track.marks().collect();
    write!(line, "; {marks:?}").unwrap();
    line
}

#[test]
fn what_is_made_of_an_odd_recording_does_not_change_by_itself() {
    let mut told = String::new();
    for seed in 0..24 {
        let samples = heard(seed);
        let mut recording = Recording::default();
        let mut refused = 0;
        for (run, sample) in &samples {
            refused += recording.add(NOW, *run, &[*sample]).refused.len();
        }
        let points = recording.points();
        let last = points.last().unwrap();
        writeln!(
            told,
            "{seed}: {} samples, {refused} refused, {} dm, {} strokes",
            samples.len(),
            last.dm,
            last.strokes_milli
        )
        .unwrap();
        let starts = [At(GO), At(GO + 150_000)];
        let until = (seed % 3 == 0).then_some(At(GO + 200_000));
        for (name, repeats, clock, repeat_start) in [
            ("500 m", vec![distance(500, 0)], StartClock::CommonGo, RepeatStart::CommonSignal),
            ("2:00", vec![time(120, 0)], StartClock::CommonGo, RepeatStart::CommonSignal),
            ("own 400 m", vec![distance(400, 0)], StartClock::OwnFirstStroke, RepeatStart::OwnRest),
            ("own 1:30", vec![time(90, 0)], StartClock::OwnFirstStroke, RepeatStart::OwnRest),
            (
                "2 x 200 m",
                vec![distance(200, 30), distance(200, 0)],
                StartClock::CommonGo,
                RepeatStart::OwnRest,
            ),
            (
                "2 x 1:00",
                vec![time(60, 90), time(60, 0)],
                StartClock::CommonGo,
                RepeatStart::CommonSignal,
            ),
        ] {
            let rule = Rule { repeats: &repeats, clock, repeat_start, starts: &starts, until };
            let mut track = Track::default();
            track.advance(0, &points, rule, |_, _| {});
            writeln!(told, "  {name}: {}", line(&track, rule)).unwrap();
        }
    }
    expect_file!["../fixtures/odd_rows.txt"].assert_eq(&told);
}
