//! The real programs as real processes: a server that is killed in mid-piece, thirty clients that row on, and
//! the two commands of the README.

mod aimed;
mod volunteer;

use std::{
    collections::BTreeMap,
    fs::{self, File},
    io::{BufRead, BufReader, Read, Write},
    net::{TcpListener, TcpStream},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    sync::{
        OnceLock,
        atomic::{AtomicU32, Ordering},
    },
    thread::sleep,
    time::Duration,
};

use rustix::thread::{CpuSet, sched_getaffinity, sched_setaffinity};
use serde_json::Value;
use thole::chance::Chance;

use aimed::{Kill, Watch};

/// Ten times faster than real time: a piece of three minutes takes about twenty seconds.
const SPEED: &str = "10";
const ROWERS: usize = 30;
const KILLS: usize = 5;
/// Nothing here takes longer than this.
const PATIENCE: Duration = Duration::from_secs(90);
const LOOK_EVERY: Duration = Duration::from_millis(50);

#[test]
fn a_server_killed_in_mid_piece_gives_the_results_of_one_that_was_not() {
    let mut chance = Chance::seeded(u64::from(std::process::id()));
    let kills: Vec<Kill> = (0..KILLS).map(|_| Kill::After(500 + chance.below(3_500))).collect();
    let aimed = aimed::at_the_worst_moments(&mut chance);
    Class::invented("700m").is_the_same_after(&[&kills, &aimed]);
}

#[test]
fn a_server_killed_in_the_rest_gives_the_results_of_one_that_was_not() {
    let kills = [Kill::Go(2), Kill::Rest, Kill::Finish];
    Class::invented("2x50s/0:30").is_the_same_after(&[&kills]);
}

#[test]
fn the_demo_answers_at_its_addresses_and_leaves_nothing_behind() {
    let temporary = tempfile::tempdir().unwrap();
    let mut demo = Process::start(
        Command::new(program("thole-server"))
            .args(["demo", "--speed", "50", "--listen", "127.0.0.1:0"])
            .env("TMPDIR", temporary.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped()),
    );
    let mut said = BufReader::new(demo.0.stdout.take().unwrap()).lines();
    let mut warned = demo.0.stderr.take().unwrap();
    let mut link = |role: &str| {
        let line =
            said.by_ref().map(Result::unwrap).find(|line| line.contains(&format!("/{role}/")));
        let line = line.unwrap_or_else(|| panic!("the demo never printed a link for /{role}/"));
        let link = line.split_whitespace().find(|word| word.starts_with("http://")).unwrap();
        assert!(link.contains('#') || role == "row", "{link} opens nothing");
        link.to_owned()
    };
    let (coach, athlete, board) = (link("coach"), link("row"), link("board"));
    for page in [&coach, &athlete, &board] {
        let (host, path) = page.strip_prefix("http://").unwrap().split_once('/').unwrap();
        let path = path.split('#').next().unwrap();
        assert!(get(host, &format!("/{path}")).starts_with("HTTP/1.1 200"), "{host}/{path}");
    }
    let host = coach.strip_prefix("http://").unwrap().split('/').next().unwrap();
    assert!(get(host, "/healthz").starts_with("HTTP/1.1 200"), "the server is not well");
    // The class rows: somebody is ranked before long.
    let status = thole(&["coach", "status", "--link", &coach, "--json"]);
    assert!(status["athletes"].as_array().unwrap().len() >= 12, "{status}");
    said.by_ref().map(Result::unwrap).find(|line| line.contains("rowing")).expect("nobody rows");
    let left = || fs::read_dir(temporary.path()).unwrap().count();
    assert_eq!(left(), 1, "the demo keeps its journal in the folder for temporary files");
    let pid = demo.0.id().to_string();
    assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
    demo.ends_well("the demo");
    let mut warnings = String::new();
    warned.read_to_string(&mut warnings).unwrap();
    assert_eq!(warnings, "", "it has nothing to warn of");
    assert_eq!(left(), 0, "the demo promises to leave nothing behind");
}

#[test]
fn the_readme_begins_with_the_two_commands_and_ci_runs_the_second() {
    let read = |path: &str| fs::read_to_string(Path::new(crate::ROOT).join(path)).unwrap();
    let readme = read("README.md");
    let demo =
        readme.find("cargo run --release -p thole-server -- demo").expect("the first command");
    let gate = readme.find("cargo gate").expect("the second command");
    assert!(demo < gate);
    let ci = read(".ci/run");
    assert!(ci.trim_end().lines().next_back().unwrap().contains("cargo gate"), "{ci}");
}

/// Thirty invented athletes, each with an invented recording.
struct Class {
    folder: tempfile::TempDir,
    piece: &'static str,
}

impl Class {
    /// For 700 m, or for repeats by time.
    fn invented(piece: &'static str) -> Class {
        let folder = tempfile::tempdir().unwrap();
        let mut chance = Chance::seeded(1_700);
        let mut roster = "name,team,target,plan,heart_limit\n".to_owned();
        let mut recordings = String::new();
        for no in 0..ROWERS {
            // 3.2 to 4.7 m/s: two and a half to four minutes for 700 m.
            let (speed, team) = (3.2 + 1.5 * chance.unit(), ["Herons", "Otters"][no % 2]);
            let aims = Duration::from_secs_f64(700.0 / speed).as_secs();
            let target = match piece {
                "700m" => format!("{}:{:02}.0,even", aims / 60, aims % 60),
                _ => ",".to_owned(),
            };
            roster += &format!("{},{team},{target},\n", name(no));
            recordings += &format!("{}\n", recording(no, piece, speed, &mut chance));
        }
        fs::write(folder.path().join("roster.csv"), roster).unwrap();
        fs::write(folder.path().join("pieces.jsonl"), recordings).unwrap();
        Class { folder, piece }
    }

    /// Rows the piece in peace and with each of these series of kills, all at once: rowing takes its time.
    fn is_the_same_after(&self, all: &[&[Kill]]) {
        let (calm, killed) = std::thread::scope(|together| {
            // The peaceful one has one core: a server goes about its work differently then, to the same end.
            let calm = together.spawn(|| self.row(true, &[]));
            let killed: Vec<_> =
                all.iter().map(|kills| together.spawn(|| self.row(false, kills))).collect();
            let killed: Vec<_> = killed.into_iter().map(|rows| rows.join().unwrap()).collect();
            (calm.join().unwrap(), killed)
        });
        assert_eq!(calm.len(), ROWERS, "everybody has a result");
        for (kills, killed) in all.iter().zip(&killed) {
            for (name, result) in &calm {
                assert_eq!(result["outcome"], "finished", "{name}: {result}");
                assert_eq!(killed.get(name), Some(result), "{name}, after {kills:?}");
            }
        }
    }

    /// Rows the piece, with the server on one core or on all; it is killed and started again at each of these
    /// moments.
    fn row(&self, on_one_core: bool, kills: &[Kill]) -> BTreeMap<String, Value> {
        let path = |file: &str| self.folder.path().join(file).display().to_string();
        let data = tempfile::tempdir_in(self.folder.path()).unwrap();
        let address = format!("127.0.0.1:{}", free_port());
        let mut server = serve(&address, data.path(), on_one_core);
        let server_at = format!("ws://{address}");
        let created = thole(&[
            "coach",
            "create",
            "--server",
            &server_at,
            "--data",
            &data.path().join("journal").display().to_string(),
            "--title",
            "Evening at the weir",
            "--piece",
            self.piece,
            "--roster",
            &path("roster.csv"),
            "--json",
        ]);
        let coach = created["coach_link"].as_str().unwrap();
        let rowers: Vec<Process> = (created["athletes"].as_array().unwrap().iter().enumerate())
            .map(|(no, athlete)| {
                let (link, id) = (athlete["link"].as_str().unwrap(), format!("r{no}"));
                Process::start(
                    Command::new(program("thole"))
                        .args(["row", "--link", link, "--from", &path("pieces.jsonl")])
                        .args(["--athlete", &id, "--speed", SPEED, "--cautions-read"])
                        .args(["--pieces", "1", "--json"])
                        .stdout(File::create(data.path().join(id)).unwrap()),
                )
            })
            .collect();
        wait_until("everybody is here", || here(coach) == ROWERS);
        thole(&["coach", "arm", "--link", coach, "--json"]);
        let watch = Watch::of(&address, created["board_link"].as_str().unwrap());
        thole(&["coach", "start", "--link", coach, "--json"]);
        for kill in kills {
            watch.waits_for(*kill);
            server.kill();
            for after in kill.starts() {
                // Before it listens, or while it recomputes the session for those who come back.
                let mut starting = started(&address, data.path(), on_one_core);
                sleep(Duration::from_millis(*after));
                starting.kill();
            }
            server = serve(&address, data.path(), on_one_core);
        }
        for rower in rowers {
            rower.ends_well("a rower");
        }
        for no in 0..ROWERS {
            nothing_was_lost(
                &fs::read_to_string(data.path().join(format!("r{no}"))).unwrap(),
                kills,
            );
        }
        results(&thole(&["coach", "status", "--link", coach, "--json"]))
    }
}

/// What a rower was told: they came back after kills, and what was acknowledged was on the disk.
fn nothing_was_lost(told: &str, kills: &[Kill]) {
    let told: Vec<Value> = told.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let back: Vec<&Value> = told.iter().filter(|line| line["event"] == "back").collect();
    for line in &back {
        assert_eq!((&line["server_lost"], &line["new_journal"]), (&0.into(), &false.into()));
    }
    assert_eq!(back.is_empty(), kills.is_empty(), "{} times back, kills {kills:?}", back.len());
}

fn name(no: usize) -> String {
    format!("Rower {no:02}")
}

/// One invented piece: one row per stroke, in steps of 0.01 s and 0.1 m.
fn recording(no: usize, piece: &str, speed: f64, chance: &mut Chance) -> Value {
    let (mut seconds, mut metres, mut samples) = (0.0, 0.0, Vec::new());
    let by_distance = piece == "700m";
    while if by_distance { metres < 700.0 } else { seconds < 100.0 } {
        let takes = 2.0 + 0.6 * chance.unit();
        seconds += takes;
        metres += takes * speed * (1.0 + 0.03 * chance.around_zero());
        let rounded = |number: f64, steps: f64| (number * steps).round() / steps;
        let shown = if by_distance { f64::min(metres, 700.0) } else { metres };
        let row = (rounded(seconds, 100.0), rounded(shown, 10.0));
        samples.push(serde_json::json!([row.0, row.1, 26, 150, null]));
    }
    let (kind, reps, size, rest_s) =
        if by_distance { ("distance", 1, 700, 0) } else { ("time", 2, 50, 30) };
    serde_json::json!({
        "id": format!("r{no}"), "group": "weir", "piece": piece, "kind": kind, "reps": reps,
        "rep_size": size, "rest_s": rest_s, "plan": "even", "plan_speed": vec![1.0; 20],
        "history": [], "device": "stroke", "samples": samples, "cuts": [],
        "result": by_distance.then_some(seconds),
    })
}

/// How many of the class are connected and ready.
fn here(coach: &str) -> usize {
    let status = thole(&["coach", "status", "--link", coach, "--json"]);
    status["athletes"].as_array().unwrap().iter().filter(|a| a["doing"] == "here").count()
}

/// The results by name, without the identities, which differ from run to run.
fn results(status: &Value) -> BTreeMap<String, Value> {
    let names: BTreeMap<&str, &str> = (status["athletes"].as_array().unwrap().iter())
        .map(|a| (a["athlete"].as_str().unwrap(), a["spec"]["name"].as_str().unwrap()))
        .collect();
    let results = status["pieces"][0]["results"].as_array().unwrap();
    let named = |result: &Value| {
        let mut result = result.clone();
        let athlete = result.as_object_mut().unwrap().remove("athlete").unwrap();
        (names[athlete.as_str().unwrap()].to_owned(), result)
    };
    results.iter().map(named).collect()
}

/// A child that does not outlive its test.
struct Process(Child);

impl Process {
    fn start(command: &mut Command) -> Process {
        Process(command.stdin(Stdio::null()).spawn().unwrap())
    }

    /// As `kill -9` does: no last word, no flush.
    fn kill(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }

    fn ends_well(mut self, who: &str) {
        let mut ended = None;
        wait_until(&format!("{who} has ended"), || {
            ended = self.0.try_wait().unwrap();
            ended.is_some()
        });
        assert!(ended.unwrap().success(), "{who} has failed: {ended:?}");
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended already; then there is nothing to do.
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

fn serve(address: &str, data: &Path, on_one_core: bool) -> Process {
    let server = started(address, data, on_one_core);
    // It starts listening a moment before it has left the key by which sessions are made.
    let key = data.join("journal").join("machine-key");
    let ready = || TcpStream::connect(address).is_ok() && key.exists();
    wait_until("the server answers", ready);
    server
}

/// A server that is not listening yet.
fn started(address: &str, data: &Path, on_one_core: bool) -> Process {
    let mut command = Command::new(program("thole-server"));
    let all = sched_getaffinity(None).unwrap();
    if on_one_core {
        // A child starts on the cores of the thread that starts it.
        let mut one = CpuSet::new();
        one.set((0..CpuSet::MAX_CPU).find(|core| all.is_set(*core)).unwrap());
        sched_setaffinity(None, &one).unwrap();
    }
    command
        .args(["serve", "--speed", SPEED, "--listen", address, "--data"])
        .arg(data.join("journal"))
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    // It refuses settings that it does not know, and whoever runs the tests may have set some for the browser
    // tests.
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("THOLE_") {
            command.env_remove(name);
        }
    }
    let server = Process::start(&mut command);
    sched_setaffinity(None, &all).unwrap();
    server
}

/// Runs `thole` to its end; returns the one JSON line that it prints.
fn thole(args: &[&str]) -> Value {
    let ended = Command::new(program("thole")).args(args).stdin(Stdio::null()).output().unwrap();
    let said = String::from_utf8_lossy(&ended.stdout);
    let complaint = String::from_utf8_lossy(&ended.stderr);
    assert!(ended.status.success(), "thole {}: {said}{complaint}", args[..2].join(" "));
    serde_json::from_str(said.lines().next().unwrap()).unwrap()
}

/// A page over HTTP/1.1, head and all.
fn get(host: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(host).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").unwrap();
    let mut page = String::new();
    stream.read_to_string(&mut page).unwrap();
    page
}

/// A port for a server that is started again at the same address: below those that the system gives to
/// clients, since one of these may be taken between two starts.
fn free_port() -> u16 {
    static TRIED: AtomicU32 = AtomicU32::new(0);
    let free = (0..1_000).find_map(|_| {
        let nth = std::process::id().wrapping_mul(61) + TRIED.fetch_add(1, Ordering::Relaxed);
        let port = u16::try_from(20_000 + nth % 10_000).ok()?;
        TcpListener::bind(("127.0.0.1", port)).is_ok().then_some(port)
    });
    free.expect("a port from 20,000 on is free")
}

fn wait_until(what: &str, mut is_so: impl FnMut() -> bool) {
    let looks = PATIENCE.as_millis() / LOOK_EVERY.as_millis();
    assert!(
        (0..looks).any(|_| is_so() || {
            sleep(LOOK_EVERY);
            false
        }),
        "waited in vain until {what}"
    );
}

/// A program of this workspace, built as people run it.
fn program(name: &str) -> PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    let folder = FOLDER.get_or_init(|| {
        let built = Command::new(env!("CARGO"))
            .args(["build", "--quiet", "--release", "-p", "thole-server", "-p", "thole"])
            .current_dir(crate::ROOT)
            .status();
        assert!(built.unwrap().success(), "the programs cannot be built");
        // This test runs as target/debug/deps/suite-…
        let suite = std::env::current_exe().unwrap();
        suite.ancestors().nth(3).unwrap().join("release")
    });
    folder.join(format!("{name}{}", std::env::consts::EXE_SUFFIX))
}
