//! Instructions that the hot paths of the core take, counted by callgrind: a regression check that no other
//! work on the machine can disturb. `UPDATE=1` rewrites the numbers.
//!
//! Each path is run under callgrind (Valgrind) twice, the second time more often; the difference is what it
//! costs.
#![expect(
    clippy::indexing_slicing,
    clippy::unwrap_used,
    reason = "in a check, a panic is the answer"
)]

mod invented;

use std::{collections::BTreeMap, fs, path::Path, process::Command};

use thole_piece::{
    Session,
    session::Viewer,
    standings::{Digits, listed},
};
use thole_protocol::{spec::Ranking, units::At};

use invented::{athlete, entries, row, rowing, start, stroke};

/// More than this share above the stored number is a regression, as much below it means the number has to be
/// renewed.
const TOLERANCE: f64 = 0.05;
const STORED: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/instructions.txt");
/// How often a path is run, the first time and the second.
const TIMES: [u32; 2] = [10, 30];
/// A path: its name, what runs it this many times, and how many parts one run has.
type HotPath = (&'static str, fn(u32), u32);
const PATHS: [HotPath; 7] = [
    ("a stroke of 40 athletes, early", early, 40),
    ("a stroke of 40 athletes, late", late, 40),
    ("standings of 1,000, an athlete", standings, 1_000),
    ("a stroke of 1,000 and what is published", published, 1_000),
    ("a call to 1,000, an athlete", call, 1_000),
    ("one of 1,000 comes back", comes_back, 1),
    ("replay, a sample", replay, 30),
];

fn early(times: u32) {
    let mut session = rowing(40, 23_000, 20);
    (0..times).for_each(|time| row(&mut session, 40, 21 + time));
}

fn late(times: u32) {
    let mut session = rowing(40, 23_000, 800);
    (0..times).for_each(|time| row(&mut session, 40, 801 + time));
}

fn standings(times: u32) {
    let rounds = [entries(1_000, 0), entries(1_000, 1)];
    for time in 0..times {
        let round = &rounds[usize::from(time % 2 == 0)];
        std::hint::black_box(listed(Ranking::Share, 0, Digits::Shown, round));
    }
}

fn published(times: u32) {
    let mut session = rowing(1_000, 23_000, 20);
    for time in 0..times {
        row(&mut session, 1_000, 21 + time);
        std::hint::black_box(session.overview());
    }
}

fn call(times: u32) {
    let mut session = rowing(1_000, 23_000, 20);
    for time in 0..times {
        let at = session.now();
        std::hint::black_box(session.apply(at, &invented::call(u128::from(time))));
    }
}

fn comes_back(times: u32) {
    let session = rowing(1_000, 23_000, 20);
    let last = session.view(Viewer::Board).last_event;
    for time in 0..times {
        let viewer = Viewer::Athlete(athlete(time));
        std::hint::black_box((session.view(viewer), session.events_after(last, viewer)));
    }
}

fn replay(times: u32) {
    let mut session = Session::new();
    for (at, input) in start(30, 2_300) {
        session.apply(at, &input);
    }
    for count in 1..=times {
        for number in 0..30 {
            let at = At(invented::heard(number, count)).max(session.now());
            session.apply(at, &stroke(number, count));
        }
    }
}

fn main() {
    let mut said = std::env::args().skip(1).filter(|word| !word.starts_with("--"));
    if let (Some(path), Some(times)) = (said.next(), said.next()) {
        let (_, run, _) = PATHS.iter().find(|(name, _, _)| *name == path).unwrap();
        return run(times.parse().unwrap());
    }
    if Command::new("valgrind").arg("--version").output().is_err() {
        println!("instructions: not counted, Valgrind is not installed (package valgrind)");
        return;
    }
    let counted: BTreeMap<&str, f64> =
        PATHS.iter().map(|(name, _, by)| (*name, count(name, *by))).collect();
    if std::env::var_os("UPDATE").is_some() || !Path::new(STORED).exists() {
        let text: String =
            counted.iter().map(|(name, count)| format!("{count:.0}\t{name}\n")).collect();
        fs::write(STORED, text).unwrap();
    }
    let stored = fs::read_to_string(STORED).unwrap();
    let stored: BTreeMap<&str, f64> = stored
        .lines()
        .filter_map(|line| line.split_once('\t'))
        .map(|(count, name)| (name, count.parse().unwrap()))
        .collect();
    let mut changed = 0;
    for (name, count) in counted {
        let before = stored.get(name).copied().unwrap_or(f64::NAN);
        let ratio = count / before;
        let fits = (ratio - 1.0).abs() <= TOLERANCE;
        changed += u32::from(!fits);
        println!(
            "{name:34} {count:9.0} instructions, {ratio:.3} x{}",
            if fits { "" } else { "  CHANGED" }
        );
    }
    assert_eq!(changed, 0, "say why in the commit, and write the numbers anew with UPDATE=1");
}

/// Instructions of one of `by` parts of one run of a path.
fn count(path: &str, by: u32) -> f64 {
    let [few, many] = TIMES.map(|times| collected(path, times));
    (many - few) / f64::from((TIMES[1] - TIMES[0]) * by)
}

fn collected(path: &str, times: u32) -> f64 {
    let own = std::env::current_exe().unwrap();
    let counted = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(own)
        .args([path, &times.to_string()])
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&counted.stderr).into_owned();
    assert!(counted.status.success(), "{told}");
    let line = told.lines().find_map(|line| line.split_once("Collected : ")).unwrap();
    line.1.trim().parse().unwrap()
}
