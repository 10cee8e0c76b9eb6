//! Everything a change must pass, one step after another: `cargo gate`.

mod fuzz;
mod mutants;

use std::{
    ffi::OsStr,
    fs,
    io::{self, IsTerminal, Write},
    path::{Path, PathBuf},
    process::{Command, ExitCode, Stdio},
    time::{Duration, Instant},
};

const HELP: &str = "\
cargo gate            everything a change must pass; all that CI runs
cargo gate NAME …     only the steps whose name holds one of these words
cargo gate --long     what takes too long for every change: fuzzing, mutants of the change, and mutants drawn by SEED (1 if not said)

Beside it
  cargo lint                            clippy over everything, warnings denied
  cargo sim                             the simulator alone, 100 random lives; SEED=7 cargo sim for one
  UPDATE=1 cargo test -p thole-tests    rewrites generated files (protocol/asyncapi.json)
  UPDATE_EXPECT=1 cargo test            rewrites what scenes expect; then read the diff
";

/// Files made from other files. A gate that changes one of them has found it out of date.
const GENERATED: [&str; 2] = ["Cargo.lock", "protocol/asyncapi.json"];

/// One thing that must hold.
struct Step {
    name: &'static str,
    run: fn(&Path) -> Outcome,
}

/// How a step went: what to show people either way.
type Outcome = Result<String, String>;

const STEPS: [Step; 8] = [
    Step { name: "tools", run: tools },
    Step { name: "format", run: |root| quietly(cargo(root, &["fmt", "--all", "--check"])) },
    Step {
        name: "lint",
        run: |root| {
            quietly(cargo(
                root,
                &["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"],
            ))
        },
    },
    Step { name: "bluetooth", run: bluetooth },
    Step {
        name: "programs",
        run: |root| {
            quietly(cargo(root, &["build", "--release", "-p", "thole-server", "-p", "thole"]))
        },
    },
    Step {
        name: "tests",
        run: |root| {
            cargo(root, &["test", "--workspace", "--no-fail-fast"]).map(|out| results(&out))
        },
    },
    Step { name: "pages", run: pages },
    Step { name: "licences", run: licences },
];

/// What `--long` runs instead: each takes its time, and keeps what it has found.
const LONG: [Step; 3] = [
    Step { name: "fuzz", run: fuzz::all },
    // For a change to the core of a few hundred lines this takes hours: each mutant builds the core and its
    // tests again.
    Step { name: "mutants of change", run: mutants::of_change },
    Step { name: "mutants drawn", run: mutants::drawn },
];

fn main() -> ExitCode {
    let mut asked: Vec<String> = std::env::args().skip(1).collect();
    if asked.iter().any(|word| word == "--help" || word == "-h") {
        print!("{HELP}");
        return ExitCode::SUCCESS;
    }
    let root = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/.."));
    let all = asked.len();
    asked.retain(|word| word != "--long");
    let steps: &[Step] = if asked.len() < all { &LONG } else { &STEPS };
    let chosen: Vec<&Step> = (steps.iter())
        .filter(|step| asked.is_empty() || asked.iter().any(|word| step.name.contains(word)))
        .collect();
    if chosen.is_empty() {
        let names: Vec<&str> = steps.iter().map(|step| step.name).collect();
        eprintln!("no step is called {}; there are: {}", asked.join(" "), names.join(", "));
        return ExitCode::FAILURE;
    }
    let before = generated(&root);
    let mut failed = 0;
    for step in &chosen {
        failed += u32::from(!passes(step.name, || (step.run)(&root)));
    }
    let unchanged = || match stale(&before, &generated(&root)) {
        files if files.is_empty() => Ok(String::new()),
        files => {
            Err(format!("the steps above have rewritten {}: commit that too", files.join(", ")))
        }
    };
    failed += u32::from(!passes("generated files", unchanged));
    let all = u32::try_from(chosen.len()).unwrap_or(u32::MAX).saturating_add(1);
    println!("\n{} passed, {failed} failed", all - failed);
    if failed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Runs one step, says how it went and how long it took; prints all its output if it failed.
fn passes(name: &str, run: impl FnOnce() -> Outcome) -> bool {
    if io::stdout().is_terminal() {
        print!("  …  {name}\r");
        // A terminal that cannot show progress is no reason to stop.
        drop(io::stdout().flush());
    }
    let began = now();
    let outcome = run();
    let took = began.elapsed();
    let (word, output) = match &outcome {
        Ok(output) => ("ok", output),
        Err(output) => ("FAILED", output),
    };
    println!("{word:>6}  {name:<16} {}", seconds(took));
    print!("{output}");
    outcome.is_ok()
}

#[expect(clippy::disallowed_methods, reason = "how long a step takes is for people, not for rules")]
fn now() -> Instant {
    Instant::now()
}

fn seconds(took: Duration) -> String {
    format!("{:>6.1} s", took.as_secs_f64())
}

/// What the other steps need apart from cargo itself; added where possible.
fn tools(root: &Path) -> Outcome {
    let mut said = String::new();
    for (component, asks) in
        [("rustfmt", ["fmt", "--version"]), ("clippy", ["clippy", "--version"])]
    {
        if cargo(root, &asks).is_ok() {
            continue;
        }
        said += &output(root, "rustup", &["component", "add", component]).map_err(|why| {
            format!("{component} is missing and could not be added; install it: rustup component add {component}\n{why}")
        })?;
    }
    Ok(said)
}

/// The pages: types, unit tests, build, how heavy their first load is, and all of them in a browser against
/// the program that the step before has built.
fn pages(root: &Path) -> Outcome {
    let web = root.join("client/web");
    output(&web, "npm", &["--version"]).map_err(|why| {
        format!("npm is missing; install Node.js 20.19 or newer, which brings it\n{why}")
    })?;
    install(&web)?;
    let weight = output(&web, "npm", &["run", "--silent", "gate"])?;
    let kilobytes: String =
        weight.lines().filter(|line| line.contains(" kB in ")).map(indented).collect();
    browser(root)?;
    let program = target(root)?.join("release/thole-server");
    let told = [("THOLE_SERVER_PROGRAM", program.as_os_str())];
    let said = outcome(&web, "npm", &["run", "--silent", "e2e"], &told)?;
    let second = said.lines().filter(|line| line.contains("(retry x")).map(|line| {
        indented(&format!("only at the second try: {}", line.trim_start_matches([' ', '✓'])))
    });
    Ok([kilobytes].into_iter().chain(second).collect())
}

/// The notices that go with a copy, and the rules of `.cargo/deny.toml`; advisories where their database is within
/// reach.
fn licences(root: &Path) -> Outcome {
    install(&root.join("client/web"))?;
    let notices = output(root, "node", &["server/dist/notices.js"])?;
    fs::write(target(root)?.join("NOTICES.txt"), notices).map_err(|why| why.to_string())?;
    let is_there = || cargo(root, &["deny", "--version"]).is_ok();
    if !is_there() && cargo(root, &["install", "--locked", "cargo-deny"]).is_err() {
        // The tests read licences, sources and bans off cargo's own metadata.
        return Ok(indented("cargo-deny left out: it could not be installed"));
    }
    quietly(cargo(root, &["deny", "--all-features", "check", "bans", "licenses", "sources"]))?;
    match cargo(root, &["deny", "--all-features", "check", "advisories"]) {
        Err(why) if why.contains("failed to fetch advisory database") => {
            Ok(indented("advisories left out: their database could not be reached"))
        }
        outcome => quietly(outcome),
    }
}

/// The packages of the lock file. The server's build script goes by the same stamp, and takes turns with
/// this.
fn install(web: &Path) -> Outcome {
    let trouble = |why: io::Error| format!("{}: {why}", web.display());
    let turn = fs::File::create(web.join(".build-lock")).map_err(trouble)?;
    turn.lock().map_err(trouble)?;
    let wanted = fs::read(web.join("package-lock.json")).map_err(trouble)?;
    let stamp = web.join("node_modules/.installed-lock");
    if fs::read(&stamp).is_ok_and(|installed| installed == wanted) {
        return Ok(String::new());
    }
    let said = output(web, "npm", &["ci", "--no-audit", "--no-fund"])?;
    fs::write(stamp, wanted).map_err(trouble)?;
    Ok(said)
}

/// Chromium; installed when it is missing and can be installed.
fn browser(root: &Path) -> Outcome {
    if std::env::var_os("CHROMIUM").is_some() || output(root, "chromium", &["--version"]).is_ok() {
        return Ok(String::new());
    }
    let missing = |why: String| {
        format!(
            "chromium is missing and could not be installed; install it, or name one in CHROMIUM\n{why}"
        )
    };
    output(root, "apt-get", &["update", "-q"]).map_err(missing)?;
    output(root, "apt-get", &["install", "-q", "-y", "--no-install-recommends", "chromium"])
        .map_err(missing)
}

/// The native bridge, which needs more of the system than anything else; skipped where that is not available.
fn bluetooth(root: &Path) -> Outcome {
    let is_there = || output(root, "pkg-config", &["--exists", "dbus-1"]).is_ok();
    if cfg!(target_os = "linux") && !is_there() {
        let install =
            ["install", "-q", "-y", "--no-install-recommends", "libdbus-1-dev", "pkg-config"];
        let installed = output(root, "apt-get", &["update", "-q"])
            .and_then(|_| output(root, "apt-get", &install));
        if installed.is_err() || !is_there() {
            return Ok(indented(
                "left out: install libdbus-1-dev and pkg-config to have it checked, too",
            ));
        }
    }
    let lint = ["-p", "thole", "--all-targets", "--features", "bluetooth", "--", "-D", "warnings"];
    quietly(cargo(root, &[&["clippy"][..], &lint].concat()))
}

/// Where cargo puts what it builds.
fn target(root: &Path) -> Result<PathBuf, String> {
    let said = cargo(root, &["metadata", "--format-version", "1", "--no-deps"])?;
    let known: serde_json::Value =
        serde_json::from_str(said.trim()).map_err(|why| why.to_string())?;
    let folder = known.get("target_directory").and_then(serde_json::Value::as_str);
    folder.map(PathBuf::from).ok_or_else(|| "cargo names no target directory".to_owned())
}

fn indented(line: &str) -> String {
    format!("        {line}\n")
}

fn cargo(root: &Path, args: &[&str]) -> Outcome {
    // Set for whatever cargo runs; a bare `cargo` would do as well.
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    output(root, &cargo, args)
}

/// Runs a program to its end: everything it said, as success or as failure.
fn output(folder: &Path, program: &str, args: &[&str]) -> Outcome {
    outcome(folder, program, args, &[])
}

/// The same, with something more in its environment.
fn outcome(folder: &Path, program: &str, args: &[&str], told: &[(&str, &OsStr)]) -> Outcome {
    let ended = Command::new(program)
        .envs(told.iter().copied())
        // A gate without pages would not be one.
        .env("THOLE_WEB", "require")
        .args(args)
        .current_dir(folder)
        .env("CARGO_TERM_COLOR", "never")
        .env("NO_COLOR", "1")
        .stdin(Stdio::null())
        .output()
        .map_err(|why| format!("{program} could not be run: {why}"))?;
    // What is being built is of no interest; what went wrong belongs at the end, where a truncated log still has it.
    let progress = ["Compiling ", "Downloaded ", "Downloading ", "Checking ", "Updating "];
    let said = String::from_utf8_lossy(&ended.stdout);
    let complaints = String::from_utf8_lossy(&ended.stderr);
    let said: String = (said.lines().chain(complaints.lines()))
        .filter(|line| !progress.iter().any(|word| line.trim_start().starts_with(word)))
        .map(|line| format!("{line}\n"))
        .collect();
    if ended.status.success() {
        Ok(said)
    } else {
        Err(format!("$ {program} {}\n{said}", args.join(" ")))
    }
}

/// What a step that passed had to say is of no interest.
fn quietly(outcome: Outcome) -> Outcome {
    outcome.map(|_| String::new())
}

/// Cargo's own summary of each test binary; empty ones are left out.
fn results(said: &str) -> String {
    said.lines()
        .filter(|line| line.starts_with("test result:") && !line.contains(" 0 passed; 0 failed"))
        .map(|line| format!("{line}\n"))
        .collect()
}

/// What is in the generated files; a missing one counts as empty.
fn generated(root: &Path) -> Vec<Vec<u8>> {
    GENERATED.iter().map(|file| fs::read(root.join(file)).unwrap_or_default()).collect()
}

fn stale(before: &[Vec<u8>], after: &[Vec<u8>]) -> Vec<&'static str> {
    let pairs = before.iter().zip(after);
    GENERATED.iter().zip(pairs).filter(|(_, (b, a))| b != a).map(|(file, _)| *file).collect()
}
