//! Copies include the club, and a server goes on from them.

use std::{fs, os::unix::fs::PermissionsExt, path::Path, process::Command};

use thole_club::{Doer, Reach};
use thole_server::club::{Store, file};

use super::{added, comes, evening::evenings, export, results};
use crate::program::{Started, signal};

/// What the program says, and whether it has done it.
fn program(words: &[&str]) -> (bool, String) {
    let done =
        Command::new(env!("CARGO_BIN_EXE_thole-server")).env_clear().args(words).output().unwrap();
    let says = if done.status.success() { done.stdout } else { done.stderr };
    (done.status.success(), String::from_utf8(says).unwrap())
}

#[tokio::test]
async fn a_copy_made_while_a_server_runs_has_the_club_and_it_goes_on_from_there() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (data, copy, again) = (path("data"), path("copy"), path("again"));
    evenings(Path::new(&data), 2, &["Ana", "Bo"]).await;
    let server = Started::new(Path::new(&data), &[]);
    comes("all results", || results(Path::new(&data)).len() == 8).await;
    let mut store = Store::open(Path::new(&data)).unwrap();
    let ana = added(&mut store, "Ana Lima", None);
    let hers = results(Path::new(&data)).into_iter().find(|of| of.called.as_deref() == Some("Ana"));
    let doer = Doer::at_the_command_line(2);
    store.give(&hers.unwrap(), &ana, None, Reach::Seat, &doer).unwrap();

    let (done, says) = program(&["backup", &copy, "--data", &data]);
    let beside = format!("{copy}.club");
    assert!(
        done && says.contains(&format!("{beside} has the club, 1 person and 8 results")),
        "{says}"
    );
    assert_eq!(fs::metadata(&beside).unwrap().permissions().mode() & 0o777, 0o600);
    let before = export(Path::new(&data));
    drop((store, server));
    let (done, says) = program(&["backup", &copy, "--data", &data]);
    assert!(!done && says.contains(&format!("{copy} is there already")), "{says}");
    let (done, says) = program(&["backup", &path("nowhere/copy"), "--data", &data]);
    assert!(!done && says.contains("make its folder first"), "{says}");
    fs::rename(&copy, path("away")).unwrap();
    let (done, says) = program(&["backup", &copy, "--data", &data]);
    assert!(!done && says.contains(&format!("{beside} is there already")), "{says}");
    fs::rename(path("away"), &copy).unwrap();
    let (done, says) = program(&["check", "--data", &data]);
    assert!(done && says.ends_with("Club: 1 person, nothing is wrong.\n"), "{says}");

    let (done, says) = program(&["restore", &copy, "--data", &again]);
    assert!(done && says.contains("its club has 1 person and 8 results."), "{says}");
    assert_eq!(export(Path::new(&again)), before);
    // The journal begins a new life, so all of it is taken once more, and changes nothing.
    let server = Started::new(Path::new(&again), &[]);
    let taken = || Store::open(Path::new(&again)).unwrap().positions(&epoch(&again)).unwrap();
    comes("all once more", || taken().len() == 2).await;
    assert_eq!(export(Path::new(&again)), before);
    drop(server);

    // If one of the two copies is damaged, neither is restored.
    fs::write(&beside, "a piece of 1,700 m, long and loose").unwrap();
    let other = path("other");
    let (done, says) = program(&["restore", &copy, "--data", &other]);
    assert!(!done && says.contains(&format!("{beside} is not a whole club")), "{says}");
    assert!(!Path::new(&other).exists());
    // One from before there was a club.
    fs::remove_file(&beside).unwrap();
    let (done, says) = program(&["restore", &copy, "--data", &other]);
    assert!(done && says.contains("no club was beside it"), "{says}");
    assert!(!file(Path::new(&other)).exists());
}

fn epoch(data: &str) -> String {
    let journal = rusqlite::Connection::open(Path::new(data).join("thole.db")).unwrap();
    let sql = "SELECT value FROM meta WHERE name = 'epoch'";
    journal.query_row(sql, [], |row| row.get(0)).unwrap()
}

#[tokio::test]
async fn nothing_is_left_ahead_of_the_file_when_a_server_has_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 1, &["Ana"]).await;
    let server = Started::new(data, &[]);
    comes("all results", || results(data).len() == 2).await;
    for name in ["club.sqlite", "club.sqlite-wal", "club.sqlite-shm"] {
        let mode = fs::metadata(data.join(name)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{name}");
    }
    signal(server.id(), "-TERM");
    assert!(server.ended().status.success());
    assert!(!data.join("club.sqlite-wal").exists(), "who copies the file has all of it");
}

#[tokio::test]
async fn a_club_that_says_two_things_of_a_seat_is_not_well() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let words = data.to_str().unwrap().to_owned();
    evenings(&data, 1, &["Ana"]).await;
    assert!(program(&["club", "rebuild", "--data", &words]).0);
    let mut store = Store::open(&data).unwrap();
    let ana = added(&mut store, "Ana Lima", None);
    let file = rusqlite::Connection::open(file(&data)).unwrap();
    let sql = "UPDATE result SET person = ? WHERE piece = 1";
    assert_eq!(file.execute(sql, [ana.person.to_string()]).unwrap(), 1);
    for command in [&["check", "--data", &words][..], &["club", "check", "--data", &words][..]] {
        let done = Command::new(env!("CARGO_BIN_EXE_thole-server")).args(command).output().unwrap();
        let says = String::from_utf8(done.stdout).unwrap();
        assert!(
            !done.status.success() && says.contains("is not of the person whose seat"),
            "{says}"
        );
    }
    assert!(program(&["club", "rebuild", "--data", &words]).0);
    assert_eq!(store.check().unwrap(), Vec::<String>::new());
}

#[tokio::test]
async fn what_is_saved_of_a_damaged_journal_has_the_club_or_says_that_it_has_not() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let data = path("data");
    evenings(Path::new(&data), 1, &["Ana", "Bo"]).await;
    let (done, says) = program(&["salvage", "--data", &data, "--out", &path("without")]);
    assert!(done && !says.contains("club"), "there is none: {says}");
    added(&mut Store::open(Path::new(&data)).unwrap(), "Ana Lima", None);

    let (done, says) = program(&["salvage", "--data", &data, "--out", &path("saved")]);
    let beside = format!("{}.club", path("saved"));
    assert!(done && says.contains(&format!("{beside} has the club, 1 person")), "{says}");
    let (done, says) = program(&["restore", &path("saved"), "--data", &path("again")]);
    assert!(done && says.contains("its club has 1 person"), "{says}");
    // Where a server can be started on it, the club has its own name.
    let (done, says) = program(&["salvage", "--data", &data, "--out", &path("new/thole.db")]);
    assert!(done && says.contains("club.sqlite has the club"), "{says}");
    assert_eq!(export(Path::new(&path("new"))), export(Path::new(&data)));
    assert!(Path::new(&path("new/gone")).exists() && Path::new(&path("saved.gone")).exists());

    fs::write(file(Path::new(&data)), "long and loose").unwrap();
    let (done, says) = program(&["salvage", "--data", &data, "--out", &path("rest")]);
    assert!(done && says.contains("is not saved with it"), "{says}");
    assert!(says.contains("Take the club of a backup"), "{says}");
    assert!(!Path::new(&format!("{}.club", path("rest"))).exists(), "no half club");
    let (done, says) = program(&["salvage", "--data", &data, "--out", &path("rest")]);
    assert!(!done && says.contains("rest is there already"), "{says}");
}
