//! Do the core's tests bite? Each mutant is the core with one thing wrong; a test has to find it.

use std::{fs, path::Path};

use super::{Outcome, cargo, indented, output, target};

/// Out of this many mutants of the core one is drawn: about 120 of 2,800.
const ONE_IN: u64 = 24;
/// Out of a hundred that are drawn, this many may go unnoticed.
const MISSED_MAX_PERCENT: usize = 5;
/// Shards of a draw, so that one takes at most half an hour on two cores, and what has been found so far is
/// kept.
const SHARDS: u64 = 3;

/// Mutants of what a change touches in the core, compared with the commit that it builds on. A change that leaves
/// the core alone has none, and nothing is installed for it.
pub(super) fn of_change(root: &Path) -> Outcome {
    let Ok(base) = output(root, "git", &["merge-base", "HEAD", "main"]) else {
        return Ok(indented("left out: there is no branch main to compare with"));
    };
    let diff = output(root, "git", &["diff", base.trim(), "--", "server/piece/src"])?;
    if diff.trim().is_empty() {
        return Ok(indented("the core is as on main"));
    }
    install(root)?;
    let folder = target(root)?.join("mutants-change");
    fs::create_dir_all(&folder).map_err(|why| why.to_string())?;
    let patch = folder.join("core.diff");
    fs::write(&patch, diff).map_err(|why| why.to_string())?;
    let (patch, folder) = (patch.display().to_string(), folder.display().to_string());
    run(root, &folder, &["--in-diff", &patch])
}

/// About 120 mutants of the whole core, drawn by SEED: the same seed draws the same.
pub(super) fn drawn(root: &Path) -> Outcome {
    install(root)?;
    let seed = std::env::var("SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(1_u64);
    let (mut said, mut missed, mut all) = (String::new(), 0, 0);
    for shard in 0..SHARDS {
        // Every `ONE_IN`th mutant from the seed on; the shards take turns.
        let nth = (seed % ONE_IN) + ONE_IN * shard;
        let folder = target(root)?.join(format!("mutants-{}-{shard}", seed % ONE_IN));
        let part = format!("{nth}/{}", ONE_IN * SHARDS);
        let folder = folder.display().to_string();
        // A shard in which a mutant survives has also run to its end.
        let shard = run(root, &folder, &["--shard", &part, "--sharding", "round-robin"]);
        let outcomes = Path::new(&folder).join("mutants.out");
        let count = |name: &str| -> Result<usize, String> {
            let file = outcomes.join(name);
            let text = fs::read_to_string(&file).map_err(|why| format!("{why}: {shard:?}"))?;
            Ok(text.lines().count())
        };
        missed += count("missed.txt")?;
        all += count("missed.txt")? + count("caught.txt")? + count("timeout.txt")?;
        said += &fs::read_to_string(outcomes.join("missed.txt")).unwrap_or_default();
    }
    let says = format!("seed {seed}: nothing found {missed} of {all}\n{said}");
    if missed * 100 <= all * MISSED_MAX_PERCENT { Ok(indented(&says)) } else { Err(says) }
}

/// The core's own tests on each mutant; at most two at once, for each builds the core again.
fn run(root: &Path, folder: &str, which: &[&str]) -> Outcome {
    let tests = ["--cargo-test-arg=--tests", "--minimum-test-timeout", "120", "--no-times"];
    let mutants = ["mutants", "-p", "thole-piece", "-j", "2", "-o", folder];
    cargo(root, &[&mutants[..], &tests, which].concat())
}

/// Installs the tool, once; about three minutes on two cores.
fn install(root: &Path) -> Outcome {
    if cargo(root, &["mutants", "--version"]).is_ok() {
        return Ok(String::new());
    }
    cargo(root, &["install", "--locked", "cargo-mutants"]).map_err(|why| {
        format!("cargo-mutants is missing and could not be installed: cargo install --locked cargo-mutants\n{why}")
    })
}
