//! What no compiler checks: how files are named and begin, where arrows point, what the core must not know,
//! and that everything documents name exists.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::Path,
    process::Command,
};

use serde_json::Value;

/// Names that say nothing about what is inside.
const SAYS_NOTHING: [&str; 10] =
    ["utils", "util", "helpers", "helper", "common", "types", "misc", "shared", "manager", "stuff"];

/// Longer files, each a question that has been answered: it is one noun, and a split would tear it apart. There is none.
const LONG_MAX: usize = 500;
const LONG: [(&str, &str); 0] = [];

/// Tests that wait for real processes, sockets or clocks, which have no time of their own to advance.
const WAITS: [&str; 3] = [
    "server/tests/shell/club/http/killed.rs",
    "tests/suite/process.rs",
    "tests/suite/process/aimed.rs",
];

/// What the core shares with the wire.
const SHARED: [&str; 12] = [
    "units", "ids", "limits", "spec", "sample", "order", "refusal", "question", "standing",
    "effect", "event", "total",
];

/// What the core must not know: clocks, sockets, files, threads, randomness, unordered maps.
const IMPURE: [&str; 14] = [
    "std::time",
    "std::net",
    "std::fs",
    "std::thread",
    "std::env",
    "std::process",
    "std::io",
    "SystemTime",
    "tokio",
    "async ",
    ".await",
    "rand::",
    "HashMap",
    "HashSet",
];

/// Which package may use which others of ours; `server` uses `client` only in `demo`.
const ARROWS: [(&str, &[&str]); 9] = [
    ("thole-protocol", &[]),
    ("thole-piece", &["thole-protocol"]),
    ("thole", &["thole-protocol"]),
    ("thole-study", &["thole-protocol", "thole-piece"]),
    ("thole-host", &["thole-protocol", "thole-piece"]),
    ("thole-club", &["thole-protocol", "thole-piece"]),
    (
        "thole-server",
        &["thole-protocol", "thole-piece", "thole-host", "thole-club", "thole-study", "thole"],
    ),
    ("thole-tests", &["thole-protocol", "thole-piece", "thole-host", "thole", "thole-server"]),
    ("load-tests", &["thole-protocol", "thole-piece", "thole", "thole-server"]),
];

#[test]
fn every_source_file_says_in_its_first_line_what_it_is() {
    let without: Vec<String> =
        sources().into_iter().filter(|file| !read(file).starts_with("//! ")).collect();
    assert!(without.is_empty(), "begin these with `//! ` and what they are: {without:?}");
}

#[test]
fn no_file_has_a_name_that_says_nothing() {
    let nothing = |file: &String| {
        let stem = Path::new(file).file_stem().and_then(|stem| stem.to_str()).unwrap_or("");
        SAYS_NOTHING.contains(&stem) || file.split('/').any(|part| SAYS_NOTHING.contains(&part))
    };
    let vague: Vec<String> = sources().into_iter().filter(nothing).collect();
    assert!(vague.is_empty(), "name these by a noun of the trade: {vague:?}");
}

#[test]
fn long_files_are_a_question_that_was_answered() {
    let mut answered: BTreeSet<&str> = LONG.iter().map(|(file, _)| *file).collect();
    for file in sources() {
        let lines = read(&file).lines().count();
        if lines > LONG_MAX {
            assert!(answered.remove(file.as_str()), "{file} has {lines} lines: split it at a noun");
        }
    }
    assert!(answered.is_empty(), "no longer long, take them off the list: {answered:?}");
}

/// Within a package, including its tests, a type name means one thing: nobody who reads it has to ask which.
#[test]
fn a_type_name_means_one_thing_in_a_package() {
    let mut named: BTreeMap<(String, String), String> = BTreeMap::new();
    for file in sources() {
        let Some((package, _)) = file.split_once("/src/") else { continue };
        for line in read(&file).lines() {
            let Some(name) = type_name(line) else { continue };
            let before = named.insert((package.to_owned(), name.to_owned()), file.clone());
            assert!(before.is_none(), "{name} is a type of {file} and of {}", before.unwrap());
        }
    }
    assert!(named.len() > 500, "types are not found any more");
}

/// The name that a line gives to a type; `None` for the types that a trait requires of its implementor.
fn type_name(line: &str) -> Option<&str> {
    let mut words =
        line.trim_start().trim_start_matches("pub").split([' ', '<', '(', '{', ';', ':']);
    let kind = words
        .by_ref()
        .find(|word| !matches!(*word, "" | "crate)" | "super)" | "crate" | "super" | ")"))?;
    let name = words.next().filter(|name| name.starts_with(char::is_uppercase))?;
    let wanted_by_a_trait =
        ["Answer", "Body", "Err", "Error", "Item", "Output", "Path", "Query", "Value"]
            .contains(&name);
    (matches!(kind, "struct" | "enum" | "trait" | "type") && !wanted_by_a_trait).then_some(name)
}

#[test]
fn every_source_file_is_in_a_module() {
    let all = sources();
    let mut seen = 0;
    for file in all.iter().filter(|file| file.contains("/src/") && !file.contains("/src/bin/")) {
        let path = Path::new(file);
        let stem = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or("");
        if matches!(stem, "lib" | "main") {
            continue;
        }
        let folder = path.parent().unwrap();
        let parents = [folder.with_extension("rs"), folder.join("lib.rs"), folder.join("main.rs")];
        let is_named = parents.iter().filter_map(|parent| parent.to_str()).any(|parent| {
            let declares = |line: &str| line.trim_end().ends_with(&format!("mod {stem};"));
            all.iter().any(|file| file == parent) && read(parent).lines().any(declares)
        });
        assert!(is_named, "{file} is in no module: nothing compiles it");
        seen += 1;
    }
    assert!(seen > 100, "only {seen} files looked at: the search does not see them");
}

#[test]
fn no_test_waits_for_real_time() {
    for file in sources() {
        let text = read(&file);
        let tests = if is_test(&file) {
            &text
        } else {
            text.split_once("#[cfg(test)]").map_or("", |t| t.1)
        };
        // A paused clock advances by itself: such a wait takes no time.
        let waits = tests.contains("thread::sleep")
            || (tests.contains("sleep(") && !tests.contains("start_paused"));
        // This file names what it looks for.
        let allowed = WAITS.contains(&file.as_str()) || file == "tests/suite/tidy.rs";
        assert!(!waits || allowed, "{file} waits for real time in a test");
    }
}

/// The simulator drives the host that people use, and the club's results are the same whenever they are made: randomness,
/// clocks and sockets come to both from outside.
#[test]
fn the_host_and_the_club_know_nothing_of_the_world() {
    for (package, least) in [("server/host/src/", 10), ("server/club/src/", 4)] {
        let files: Vec<String> =
            sources().into_iter().filter(|file| file.starts_with(package)).collect();
        assert!(files.len() > least, "{package} was not found: {files:?}");
        for file in files {
            // A length of time is not a clock.
            let text = code(&read(&file)).replace("time::Duration", "");
            for word in IMPURE.iter().filter(|word| **word != "std::time") {
                assert!(!text.contains(word), "{file} has {word}: no I/O, clock or chance here");
            }
            assert!(
                !text.contains("Instant")
                    && !text.contains("getrandom")
                    && !text.contains("::now()"),
                "{file} reads a clock or draws"
            );
        }
    }
}

#[test]
fn the_core_knows_nothing_of_the_world() {
    let core = sources().into_iter().filter(|file| file.starts_with("server/piece/src/"));
    let mut seen = 0;
    for file in core {
        let text = code(&read(&file));
        for word in IMPURE {
            assert!(
                !text.contains(word),
                "{file} has {word}: the core has no I/O, clock or chance"
            );
        }
        for used in text.split("thole_protocol::").skip(1) {
            let module: String =
                used.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            let modules = if module.is_empty() { listed(used) } else { vec![module] };
            for module in modules {
                assert!(SHARED.contains(&module.as_str()), "{file} uses thole_protocol::{module}");
                seen += 1;
            }
        }
    }
    assert!(seen > 40, "only {seen} uses of the protocol found: the search does not see them");
    let allowed = BTreeSet::from(
        [
            "data-encoding",
            "integer-encoding",
            "libm",
            "serde",
            "serde_json",
            "thole-protocol",
            "unicode-normalization",
            "unicode-script",
            "unicode-security",
        ]
        .map(str::to_owned),
    );
    assert_eq!(dependencies(&package("thole-piece"), "normal"), allowed);
}

/// The modules in `{ids::{…}, units::At}` after `thole_protocol::`.
fn listed(text: &str) -> Vec<String> {
    let (mut depth, mut word, mut words) = (0, String::new(), Vec::new());
    for c in text.chars() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' | ' ' | '\n' => {}
            ':' if depth == 1 && !word.is_empty() => words.push(std::mem::take(&mut word)),
            c if depth == 1 && (c.is_alphanumeric() || c == '_') => {
                word.push(c);
                continue;
            }
            _ => {}
        }
        word.clear();
        if depth == 0 {
            break;
        }
    }
    words
}

#[test]
fn arrows_only_point_down() {
    let packages = metadata()["packages"].as_array().unwrap().clone();
    let ours: BTreeSet<String> =
        packages.iter().map(|package| package["name"].as_str().unwrap().to_owned()).collect();
    for package in &packages {
        let name = package["name"].as_str().unwrap();
        let allowed = ARROWS.iter().find(|(of, _)| *of == name);
        let (_, allowed) = allowed.unwrap_or_else(|| panic!("say in tidy.rs what {name} may use"));
        for used in dependencies(package, "normal").intersection(&ours) {
            assert!(allowed.contains(&used.as_str()), "{name} uses {used}: arrows only point down");
        }
    }
}

/// One page says which work of others is used, and why: `[workspace.dependencies]`.
#[test]
fn every_dependency_has_its_reason_above_it() {
    let manifest = read("Cargo.toml");
    let (_, table) = manifest.split_once("[workspace.dependencies]\n").unwrap();
    let lines: Vec<&str> = table.lines().take_while(|line| !line.starts_with('[')).collect();
    let mut reasoned = BTreeSet::new();
    for (at, line) in lines.iter().enumerate() {
        let Some((name, what)) = line.split_once(" = ") else { continue };
        if line.starts_with('#') || what.contains("path = ") {
            continue;
        }
        let above = at.checked_sub(1).map_or("", |above| lines[above]);
        let reason = above.strip_prefix("# ").unwrap_or_default();
        assert!(reason.split(' ').count() > 2, "write above {name} what it is used for");
        reasoned.insert(name.to_owned());
    }
    let packages = metadata()["packages"].as_array().unwrap().clone();
    let ours = packages.iter().map(|package| package["name"].as_str().unwrap().to_owned());
    let ours: BTreeSet<String> = ours.collect();
    let used: BTreeSet<String> = packages
        .iter()
        .flat_map(|package| ["normal", "dev", "build"].map(|kind| dependencies(package, kind)))
        .flatten()
        .filter(|name| !ours.contains(name))
        .collect();
    assert_eq!(used, reasoned, "what is used, and what has a reason in Cargo.toml");
}

#[test]
fn the_server_uses_the_client_in_its_demo_alone() {
    let mut in_demo = 0;
    for file in sources().into_iter().filter(|file| file.starts_with("server/src/")) {
        let text = code(&read(&file));
        let uses = text.match_indices("thole::").any(|(at, _)| {
            !text[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == ':')
        });
        let demo = file == "server/src/demo.rs" || file.starts_with("server/src/demo/");
        assert!(!uses || demo, "{file} uses the client");
        in_demo += usize::from(uses);
    }
    assert!(in_demo > 0, "the demo rows with real clients, and this search does not see it");
}

#[test]
fn every_path_that_a_document_names_exists() {
    let mut found = 0;
    let decided = [
        "protocol",
        "server/piece",
        "server/study",
        "server",
        "client",
        "client/web",
        "load-tests",
        "tests",
    ]
    .map(|package| format!("{package}/DECISIONS.md"));
    let documents = ["README.md", "DEVELOPERS.md", "protocol/README.md"].map(str::to_owned);
    for document in documents.into_iter().chain(decided) {
        let folder = Path::new(&document).parent().unwrap();
        for path in named_paths(&read(&document)) {
            let exists = [folder.join(&path), Path::new("").join(&path)]
                .iter()
                .any(|path| Path::new(crate::ROOT).join(path).exists());
            assert!(exists, "{document} names {path}, which does not exist");
            found += 1;
        }
    }
    assert!(found > 20, "only {found} paths found: the search does not see them");
    // Nobody reads a longer map.
    assert!(read("DEVELOPERS.md").len() <= 9_000, "DEVELOPERS.md is longer than 9 kB");
}

/// The table of where a rule lives: each name is a file or a folder, within the folder that its row has named or from the
/// top.
#[test]
fn every_file_that_the_map_names_exists() {
    let map = read("DEVELOPERS.md");
    let map =
        map.split_once("Where a rule lives").unwrap().1.split_once("## Invariants").unwrap().0;
    let exists = |path: &str| {
        let all = ["", ".rs", ".ts"].map(|end| Path::new(crate::ROOT).join(format!("{path}{end}")));
        all.iter().any(|path| path.exists())
    };
    let mut found = 0;
    for row in map.lines().filter(|line| line.starts_with("| ")) {
        let Some(cell) = row.split('|').nth(2) else { continue };
        let mut folders: Vec<String> = Vec::new();
        for name in cell.split('`').skip(1).step_by(2) {
            let mut path = name.trim_end_matches('/').to_owned();
            for package in ["piece", "host"] {
                if let Some(rest) = name.strip_prefix(&format!("{package}/")) {
                    path = format!("server/{package}/src/{rest}");
                }
            }
            let beside = folders.iter().any(|folder| exists(&format!("{folder}/{path}")));
            assert!(beside || exists(&path), "the map has no {name}: {row}");
            if path.contains('/') {
                let above = Path::new(&path).parent().unwrap().to_str().unwrap().to_owned();
                folders.extend([path, above]);
            }
            found += 1;
        }
    }
    assert!(found > 60, "only {found} names found in the map");
}

/// What looks like a path of ours between back-quotes or in a link.
fn named_paths(text: &str) -> Vec<String> {
    let quoted = text.split('`').skip(1).step_by(2);
    let linked = text.split("](").skip(1).filter_map(|rest| Some(rest.split_once(')')?.0));
    let looks = |word: &&str| {
        let ending =
            [".rs", ".md", ".json", ".toml", ".jsonl"].iter().any(|end| word.ends_with(end));
        let plain = word.chars().all(|c| c.is_alphanumeric() || "/._-".contains(c));
        plain && (ending || (word.contains('/') && word.ends_with('/')))
    };
    quoted.chain(linked).filter(looks).map(str::to_owned).collect()
}

#[test]
fn nothing_names_a_machine_or_a_place_to_download_from() {
    // In parts, so that this file does not name them either.
    let places = [
        ["/wo", "rk/"],
        ["/ro", "ot/"],
        ["/ho", "me/"],
        ["/Us", "ers/"],
        ["/tm", "p/"],
        ["registry.", "npmjs"],
        ["static.", "crates.io"],
        ["index.", "crates.io"],
    ];
    for file in files() {
        // Lock files name the public registries; that is their use.
        if file.ends_with("Cargo.lock") || file.ends_with("package-lock.json") {
            continue;
        }
        let Ok(text) = fs::read_to_string(Path::new(crate::ROOT).join(&file)) else { continue };
        for place in &places {
            assert!(!text.contains(&place.concat()), "{file} names {}", place.concat());
        }
    }
}

/// All files that are, or may become, part of the repository.
fn files() -> Vec<String> {
    let list = Command::new("git")
        .args(["ls-files", "--cached", "--others", "--exclude-standard"])
        .current_dir(crate::ROOT)
        .output()
        .expect("git lists the files of the checkout");
    let list = String::from_utf8(list.stdout).unwrap();
    let files: Vec<String> = (list.lines())
        .filter(|file| Path::new(crate::ROOT).join(file).is_file())
        .map(str::to_owned)
        .collect();
    assert!(files.len() > 100, "{} files are too few: is this a checkout?", files.len());
    files
}

fn sources() -> Vec<String> {
    files().into_iter().filter(|file| file.ends_with(".rs")).collect()
}

fn read(file: &str) -> String {
    fs::read_to_string(Path::new(crate::ROOT).join(file))
        .unwrap_or_else(|why| panic!("{file}: {why}"))
}

/// A source without its comments and its unit tests.
fn code(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod tests").next().unwrap_or("");
    text.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

fn is_test(file: &str) -> bool {
    file.starts_with("tests/") || file.contains("/tests/")
}

fn metadata() -> Value {
    let metadata = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(crate::ROOT)
        .output()
        .expect("cargo tells about the packages");
    serde_json::from_slice(&metadata.stdout).expect("cargo speaks JSON")
}

fn package(name: &str) -> Value {
    let packages = metadata()["packages"].as_array().unwrap().clone();
    packages.into_iter().find(|package| package["name"] == name).unwrap()
}

/// Names of what a package needs, except for its tests.
fn dependencies(package: &Value, kind: &str) -> BTreeSet<String> {
    let of_kind = |dependency: &&Value| match dependency["kind"].as_str() {
        None => kind == "normal",
        Some(other) => other == kind,
    };
    let dependencies = package["dependencies"].as_array().unwrap().iter().filter(of_kind);
    dependencies.map(|dependency| dependency["name"].as_str().unwrap().to_owned()).collect()
}
