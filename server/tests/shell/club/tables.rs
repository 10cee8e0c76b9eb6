//! Tables that come and go: by the store, by the program, and what an end of the process leaves of them.

use std::{fs, path::Path, process::Output};

use thole_club::{
    Doer, Reach,
    table::{Choice, TableKind},
};
use thole_protocol::units::HalfSpm;
use thole_server::club::{Store, file, rebuild::rebuild};

use super::{
    added,
    deeds::{begun, doer, of, rowed},
    evening::evenings,
    export,
    killed::{killed_when, run},
};

#[tokio::test]
async fn what_is_exported_goes_into_an_empty_club_without_loss_once() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let (mut store, ana, bo) = begun(data).await;
    added(&mut store, "=1+1, \"Ox\"", None);
    added(&mut store, "'=Ed", Some(1990));
    store.give(&of(data, "Ana", 0), &ana, None, Reach::Seat, &doer(0)).unwrap();
    let mut typed = rowed("2026-11-02", "6x350m/1:15", "7:42.36");
    typed.rate_half_spm = Some(HalfSpm(49));
    typed.title = "=SUM(A1)".to_owned();
    store.type_result(&bo, &typed, None, &doer(0)).unwrap();
    let tables = |store: &Store| {
        [TableKind::People, TableKind::Results].map(|kind| store.table(kind).unwrap())
    };
    let [people, results] = tables(&store);
    assert!(people.contains("\"'=1+1, \"\"Ox\"\"\"") && people.contains("''=Ed"), "{people}");

    let other = tempfile::tempdir().unwrap();
    let mut empty = Store::open(other.path()).unwrap();
    let nothing = export(other.path());
    let none = Choice::default();
    for (table, kind) in [(&people, TableKind::People), (&results, TableKind::Results)] {
        let stored = empty.import(table.as_bytes(), kind, &none, &doer(0)).unwrap();
        assert_eq!(stored.stored, table.lines().count() - 1, "{:?}", stored.looked);
    }
    assert_eq!(tables(&empty), [people.clone(), results.clone()]);
    let once = export(other.path());
    for (table, kind) in [(&people, TableKind::People), (&results, TableKind::Results)] {
        let stored = empty.import(table.as_bytes(), kind, &none, &doer(0)).unwrap();
        assert_eq!((stored.stored, stored.deed), (0, None));
        let here = store.import(table.as_bytes(), kind, &none, &doer(0)).unwrap();
        assert_eq!((here.stored, here.deed), (0, None), "the club that it is from");
    }
    assert_eq!(export(other.path()), once);
    // Made again from a journal that has none of it, what was imported stays.
    evenings(other.path(), 0, &[]).await;
    rebuild(other.path()).await.unwrap();
    assert_eq!(export(other.path()), once);
    // People first would leave results of nobody.
    let says = empty.undo(thole_club::DeedNo(1), &doer(0)).unwrap_err().to_string();
    assert!(says.contains("have more by now"), "{says}");
    empty.undo(thole_club::DeedNo(2), &doer(0)).unwrap();
    empty.undo(thole_club::DeedNo(1), &doer(0)).unwrap();
    assert_eq!(export(other.path()), nothing);
}

fn told(done: &Output) -> (Option<i32>, String) {
    let text = if done.stdout.is_empty() { &done.stderr } else { &done.stdout };
    (done.status.code(), String::from_utf8(text.clone()).unwrap())
}

fn ask(data: &Path, words: &[&str]) -> (Option<i32>, String) {
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_thole-server"));
    told(&command.env_clear().arg("club").args(words).arg("--data").arg(data).output().unwrap())
}

#[tokio::test]
async fn a_file_is_shown_first_and_only_what_is_said_is_stored() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let file = folder.path().join("new.csv");
    let name = file.to_str().unwrap();
    let (_, _, _) = begun(&data).await;
    fs::write(&file, b"name;born\nJ\xfcrg Roe;2001\nAna Lma;2009\n;2001\n").unwrap();
    let before = export(&data);
    let (code, says) = ask(&data, &["import", name]);
    assert_eq!(code, Some(1), "{says}");
    assert!(
        says.contains("Ana Lma is nearly Ana Lima") && says.contains("Nothing is stored"),
        "{says}"
    );
    assert!(says.contains("1 new, 0 known, 1 doubtful, 1 wrong."), "{says}");
    assert_eq!(export(&data), before);
    let (code, says) = ask(&data, &["import", name, "--store", "--also", "4"]);
    assert!(code != Some(0) && says.contains("Line 4 is wrong"), "{says}");
    assert_eq!(export(&data), before);
    let (code, says) = ask(&data, &["import", name, "--store", "--meant", "3"]);
    assert!(code == Some(1) && says.contains("Stored: 1 line. `club undo 3` undoes it."), "{says}");
    assert!(export(&data).contains("J\u{fc}rg Roe"));

    fs::write(&file, "name,day,piece,result\nAna Lima,2024-11-02,2000m,\"7:42,3\"\n").unwrap();
    let (code, says) = ask(&data, &["import", name, "--store"]);
    assert!(code == Some(0) && says.contains("Stored: 1 line."), "{says}");
    let (code, says) = ask(&data, &["import", name, "--store"]);
    assert!(
        code == Some(0) && says.contains("1 known") && says.contains("Nothing was to be stored"),
        "{says}"
    );
    let (code, table) = ask(&data, &["export", "--csv", "results"]);
    assert!(code == Some(0) && table.contains("Ana Lima,2024-11-02,2000m,7:42.3"), "{table}");
    fs::write(&file, b"name\0").unwrap();
    let (code, says) = ask(&data, &["import", name]);
    assert!(code != Some(0) && says.contains("save it as CSV in UTF-8"), "{says}");
    let (code, says) = ask(&data, &["import", "/nowhere.csv"]);
    assert!(code != Some(0) && says.contains("cannot be read"), "{says}");
}

/// Undoes the newest thing that was done.
fn undo_newest(data: &Path) {
    let mut store = Store::open(data).unwrap();
    let newest = store.deeds(None, 1, 0).unwrap().remove(0);
    let doer = Doer { who: "coach-7".to_owned(), at_unix_ms: newest.at_unix_ms };
    store.undo(newest.deed, &doer).unwrap();
}

const AHEAD: [u64; 6] = [0, 1, 40_000, 120_000, 300_000, 700_000];

/// Kills it at several moments of its writing; each time all of it is there or nothing.
fn is_whole_or_not_there(data: &Path, words: &[&str]) {
    let before = export(data);
    assert!(run(data, words).status().unwrap().success(), "{words:?}");
    let after = export(data);
    assert_ne!(before, after, "{words:?}");
    undo_newest(data);
    assert_eq!(export(data), before);
    let mut killed = 0;
    for ahead in AHEAD {
        killed += u32::from(killed_when(&mut run(data, words), data, ahead));
        let now = export(data);
        assert!(now == before || now == after, "{words:?} is half done, killed at {ahead}");
        assert!(run(data, &["club", "check"]).status().unwrap().success());
        if now == after {
            undo_newest(data);
        }
    }
    assert!(killed > 0, "{words:?} was always over before it was killed");
}

#[tokio::test]
async fn an_import_a_merge_and_an_undo_that_are_killed_have_changed_all_or_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 4, &["Ana", "Bo"]).await;
    rebuild(data).await.unwrap();
    let mut store = Store::open(data).unwrap();
    added(&mut store, "Ana Lima", None);
    let bo = added(&mut store, "Bo Quist", None);
    for of in super::results(data)
        .iter()
        .filter(|of| of.called.as_deref() == Some("Bo") && of.piece == Some(0))
    {
        store.give(of, &bo, None, Reach::Seat, &doer(0)).unwrap();
    }
    drop(store);
    let table = data.join("season.csv");
    let mut text = String::from("name,day,piece,result\n");
    for nth in 0..1_500 {
        let (day, month) = (nth % 28 + 1, nth / 28 % 10 + 1);
        text.push_str(&format!(
            "Bo Quist,20{:02}-{month:02}-{day:02},2000m,7:{:02}.{}\n",
            15 + nth / 280,
            30 + nth % 30,
            nth % 10
        ));
    }
    fs::write(&table, text).unwrap();
    let import = ["club", "import", table.to_str().unwrap(), "--store"];
    is_whole_or_not_there(data, &import);
    assert!(run(data, &import).status().unwrap().success());
    is_whole_or_not_there(data, &["club", "merge", "Bo Quist", "Ana Lima"]);

    // Undoing the merge, killed.
    let before = export(data);
    let mut killed = 0;
    for ahead in AHEAD {
        assert!(run(data, &["club", "merge", "Bo Quist", "Ana Lima"]).status().unwrap().success());
        let merged = export(data);
        let newest = Store::open(data).unwrap().deeds(None, 1, 0).unwrap().remove(0);
        let undo = ["club", "undo", &newest.deed.to_string()];
        killed += u32::from(killed_when(&mut run(data, &undo), data, ahead));
        let now = export(data);
        assert!(now == before || now == merged, "it is half undone, killed at {ahead}");
        if now == merged {
            undo_newest(data);
        }
        assert_eq!(export(data), before);
    }
    assert!(killed > 0, "it was always over before it was killed");
    assert!(file(data).exists());
}
