//! Bytes that a fuzzer makes up, sent down every path by which anything comes in from outside.

use std::path::Path;

use super::{Outcome, cargo, indented, outcome};

/// What is fuzzed; each is a file in `tests/fuzz/targets` and has a folder in `tests/fuzz/corpus`.
const TARGETS: [&str; 7] =
    ["message", "typed", "recorded", "bluetooth", "session", "frames", "journal"];
/// Seconds for each, unless SECONDS says otherwise.
const SECONDS: &str = "60";

/// All targets, one after another. What is found stays in `tests/fuzz/artifacts`; what a long run adds to the
/// corpus stays in `target`, so that only what is worth keeping is added by hand.
pub(super) fn all(root: &Path) -> Outcome {
    if cargo(root, &["fuzz", "--version"]).is_err() {
        cargo(root, &["install", "--locked", "cargo-fuzz"]).map_err(|why| {
            format!("cargo-fuzz is missing and could not be installed: cargo install --locked cargo-fuzz\n{why}")
        })?;
    }
    let seconds = std::env::var("SECONDS").unwrap_or_else(|_| SECONDS.to_owned());
    let tests = root.join("tests");
    let mut said = String::new();
    for target in TARGETS {
        let found = super::target(root)?.join("fuzz-corpus").join(target);
        std::fs::create_dir_all(&found).map_err(|why| why.to_string())?;
        let (found, kept) = (found.display().to_string(), format!("fuzz/corpus/{target}"));
        let bounded = format!("-max_total_time={seconds}");
        // Without sanitizers, which only a nightly compiler has: there is no unsafe code here to watch.
        let run =
            ["fuzz", "run", "-s", "none", target, &found, &kept, "--", &bounded, "-timeout=20"];
        let log = outcome(&tests, "cargo", &run, &[])?;
        let last = log.lines().rev().find(|line| line.starts_with("Done")).unwrap_or("no summary");
        said += &indented(&format!("{target}: {last}"));
    }
    Ok(said)
}
