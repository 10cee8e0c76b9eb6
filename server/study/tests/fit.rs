//! The fit of the projection, as a club's volunteer runs it.

use std::{fs, path::PathBuf};

use thole_piece::projection::Model;
use thole_study::{
    fit::{self, Effort, FitArgs, SHARES, divided, figures, fitted, read, tau_b},
    model::{self, written},
};

const SPLITS: &str =
    concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/journals/rehearsal/splits.jsonl.gz");

fn args(files: &[&str], out: PathBuf) -> FitArgs {
    FitArgs {
        files: files.iter().map(PathBuf::from).collect(),
        data: None,
        out,
        name: "a test".to_owned(),
        seed: 7,
        rounds: 1,
        even_if_worse: false,
    }
}

/// Same pieces, same seed: the same file to the byte; another seed, another file. And even a model that has
/// seen little beats the pace so far.
#[test]
fn a_model_is_made_again_from_the_same_pieces() {
    let mut pieces = read(&[SPLITS]).unwrap();
    assert_eq!(pieces.len(), 6_017);
    pieces.truncate(1_500);
    let little = Effort { rounds: 4, moments: 8 };
    let made = |seed| {
        let divided = divided(pieces.clone(), seed).unwrap();
        let file = fitted(&divided, "a test", seed, little, |_, _| ());
        (written(&file).unwrap(), divided)
    };
    let ((one, divided), (again, _), (other, _)) = (made(7), made(7), made(8));
    assert_eq!(one, again);
    assert_ne!(one, other);
    let groups = |pieces: &[fit::Past]| {
        let mut groups: Vec<String> = pieces.iter().map(|past| past.group.clone()).collect();
        groups.sort();
        groups.dedup();
        groups
    };
    let judged = groups(&divided.judge);
    assert!(judged.len() > 5);
    for group in groups(&divided.fit).iter().chain(&groups(&divided.widen)) {
        assert!(!judged.contains(group), "{group} is judged by what was learnt from it");
    }
    let (_, model) = model::read(&one, "this").unwrap();
    let figures = figures(&divided.judge, &model);
    for (at, x) in figures.at.iter().zip(SHARES) {
        let plain = |past: &fit::Past| {
            (fit::Rival::AveragePace.finish(past, x) - past.result()).abs() / past.result()
        };
        let plain = divided.judge.iter().map(plain).sum::<f64>() / divided.judge.len() as f64;
        assert!(at.error < plain * 100.0, "at {x}: {} is not below {}", at.error, plain * 100.0);
        assert!((60.0..97.0).contains(&at.holds), "at {x}: holds {}", at.holds);
    }
}

/// The shipped model is what `thole-server fit` makes of the rehearsal pieces (README there).
#[test]
fn the_shipped_model_says_what_it_is_made_of() {
    assert_eq!(Model::shipped().name(), "rehearsal pieces, seed 1");
    let (file, _) = model::read(Model::shipped_text(), "the shipped model").unwrap();
    assert_eq!(written(&file).unwrap(), Model::shipped_text(), "as `fit` writes it");
}

#[test]
fn a_worse_model_replaces_nothing_unless_it_is_told_to() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("projection.json");
    fs::write(&out, Model::shipped_text()).unwrap();
    let mut said = Vec::new();
    let refused = fit::run(&args(&[SPLITS], out.clone()), Vec::new(), &mut said).unwrap_err();
    assert!(refused.contains("worse") && refused.contains("--even-if-worse"), "{refused}");
    assert_eq!(fs::read_to_string(&out).unwrap(), Model::shipped_text(), "nothing was written");
    let table = String::from_utf8(said).unwrap();
    for row in [
        "mean error, % of the result (new)",
        "mean error, % of the result (old)",
        "the 80 % interval holds, % (new)",
        "Kendall's tau-b in groups (new)",
        "Brier score of the chance (new)",
        "calibration error of the chance (new)",
        "average pace so far",
        "exponentially weighted pace, 30 s",
    ] {
        assert!(table.contains(row), "{table} has no row {row}");
    }
    let told = FitArgs { even_if_worse: true, ..args(&[SPLITS], out.clone()) };
    fit::run(&told, Vec::new(), &mut Vec::new()).unwrap();
    let (_, model) = model::read(&fs::read_to_string(&out).unwrap(), "this").unwrap();
    assert_eq!(model.name(), "a test");
}

#[test]
fn too_little_and_nonsense_are_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("projection.json");
    let few = folder.path().join("few.jsonl");
    let line = r#"{"id":"ana","group":"club","kind":"distance","rep_size":1700,"target":306,"splits":[150,156]}"#;
    fs::write(&few, format!("{line}\n")).unwrap();
    let says = |file: PathBuf| {
        let args = args(&[file.to_str().unwrap()], out.clone());
        fit::run(&args, Vec::new(), &mut Vec::new()).unwrap_err()
    };
    let told = says(few);
    assert!(told.starts_with("1 finished pieces of 1 groups are too few"), "{told}");
    let told = says(folder.path().join("none.jsonl"));
    assert!(told.contains("none.jsonl cannot be opened"), "{told}");
    let bare = folder.path().join("bare.jsonl");
    fs::write(&bare, line.replace(r#","splits":[150,156]"#, "")).unwrap();
    let told = says(bare);
    assert!(told.ends_with("line 1 cannot be used: it has neither samples nor splits."), "{told}");
    fs::write(&out, "no model").unwrap();
    let old = says(PathBuf::from(SPLITS));
    assert!(old.contains("is not a projection model"), "{old}");
}

/// Kendall's tau-b worked out by hand where pairs are tied: 4 agree, 1 disagrees; 1 tied on one side, none on
/// the other. (The formula: Kendall 1945, Biometrika 33:239-251.)
#[test]
fn tau_counts_ties_on_both_sides() {
    let pairs = [(1.0, 1.0), (1.0, 2.0), (2.0, 4.0), (3.0, 3.0)];
    let tau = tau_b(&pairs).unwrap();
    assert!((tau - 3.0 / (5.0_f64 * 6.0).sqrt()).abs() < 1e-12, "{tau}");
    assert_eq!(tau_b(&[(1.0, 1.0), (1.0, 2.0)]), None);
}
