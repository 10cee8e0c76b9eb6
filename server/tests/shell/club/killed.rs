//! The power is lost, or the process is killed, while results are taken or made again: it is done or not done, never half.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs::{self, OpenOptions},
    io::Write,
    path::Path,
    process::{Command, Stdio},
};

use rusqlite::Connection;
use thole::chance::Chance;
use thole_server::{
    club::{Store, file, reading, store::Positions},
    journal::{Journal, sqlite::SqliteJournal},
};

use super::{comes, evening::evenings, export, results};
use crate::{
    power::{CLUB_FILES, Disk, all_of, cuts, noted, seed},
    program::Started,
};

const EVENINGS: u128 = 4;
const NAMES: [&str; 5] = ["Ana", "Bo", "Cy", "Di", "Ed"];
/// What nobody rowed, so that it can be seen whether results were made again.
const SPOIL: &str = "UPDATE result SET time_ms = 1";

#[tokio::test]
#[ignore = "the child of the test below"]
async fn takes_spoils_and_makes_again() {
    let folder = std::env::var("POWER_FOLDER").unwrap();
    let folder = Path::new(&folder);
    let journal = tempfile::tempdir().unwrap();
    evenings(journal.path(), EVENINGS, &NAMES).await;
    let journal = SqliteJournal::open_read_only(journal.path()).unwrap();
    let told = OpenOptions::new().create(true).append(true).open(folder.join("told"));
    let mut told = told.unwrap();
    let mut store = Store::open(folder).unwrap();
    let mut all = Vec::new();
    for row in journal.sessions().await.unwrap() {
        let read = reading::read(&journal, &row).await.unwrap();
        for (handed, at) in read.pieces.iter().zip([100, 200]) {
            store.take(handed, Positions { before: at - 100, at }).unwrap();
            told.write_all(b"taken\n").unwrap();
        }
        all.push((row.session, read));
    }
    Connection::open(file(folder)).unwrap().execute(SPOIL, []).unwrap();
    told.write_all(b"spoilt\n").unwrap();
    store.replace_all(all, |_| Err("nothing was taken meanwhile".to_owned())).unwrap();
    told.write_all(b"made again\n").unwrap();
}

#[test]
fn wherever_the_power_is_lost_a_piece_is_taken_or_not_and_all_are_made_again_or_none() {
    let folder = tempfile::tempdir().unwrap();
    let notes = noted(folder.path(), "club::killed::takes_spoils_and_makes_again");
    let syncs = notes.iter().filter(|note| note.is_sync_of("club.sqlite-wal")).count();
    assert!(syncs >= 2 * usize::try_from(EVENINGS).unwrap(), "{syncs} syncs are noted");
    let seed = seed();
    let mut chance = Chance::seeded(seed);
    let (mut disks, mut done) = (BTreeMap::<&str, Disk<'_>>::new(), 0);
    let mut seen = BTreeSet::new();
    for cut in cuts(notes.len(), &mut chance) {
        for note in &notes[done..cut] {
            disks.entry(&note.file).or_default().takes(note);
        }
        done = cut;
        let where_to = tempfile::tempdir_in(folder.path()).unwrap();
        for file in CLUB_FILES {
            let Some(disk) = disks.get(file) else { continue };
            fs::write(where_to.path().join(file), disk.after_a_loss(&mut chance)).unwrap();
        }
        let told = disks.get("told").map_or_else(String::new, all_of);
        seen.insert(is_whole(where_to.path(), &told, &format!("seed {seed}, cut {cut}")));
    }
    assert!(seen.len() > 3, "the cuts are at different states: {seen:?}");
}

/// Nothing is half, and what was told is there; how many pieces, and whether they are as they were rowed.
fn is_whole(data: &Path, told: &str, which: &str) -> (usize, bool) {
    let store = Store::open(data).unwrap_or_else(|error| panic!("{which}: {error}"));
    assert_eq!(store.check().unwrap(), Vec::<String>::new(), "{which}");
    let mut pieces: BTreeMap<(String, u16), usize> = BTreeMap::new();
    let results = results(data);
    for of in &results {
        *pieces.entry((of.session.clone().unwrap(), of.piece.unwrap())).or_default() += 1;
    }
    assert!(pieces.values().all(|seats| *seats == NAMES.len()), "{which}: {pieces:?}");
    let taken = told.lines().filter(|line| *line == "taken").count();
    assert!(pieces.len() >= taken, "{which}: {} of {taken}", pieces.len());
    let spoilt = results.iter().filter(|of| of.time_ms.0 == 1).count();
    assert!(spoilt == 0 || spoilt == results.len(), "{which}: {spoilt} of {}", results.len());
    assert!(spoilt == 0 || !told.contains("made again"), "{which}: they were made again");
    (pieces.len(), spoilt == 0)
}

pub(crate) fn run(data: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    command.env_clear().args(words).arg("--data").arg(data);
    command.stdout(Stdio::null()).stderr(Stdio::null());
    command
}

/// Kills it as soon as so much is written ahead; true when that was before its end.
pub(crate) fn killed_when(command: &mut Command, data: &Path, ahead: u64) -> bool {
    let mut child = command.spawn().unwrap();
    let wal = data.join("club.sqlite-wal");
    let is_ahead = || fs::metadata(&wal).is_ok_and(|file| file.len() > ahead);
    loop {
        if child.try_wait().unwrap().is_some() {
            return false;
        }
        if is_ahead() {
            child.kill().unwrap();
            child.wait().unwrap();
            return true;
        }
    }
}

#[tokio::test]
async fn a_rebuild_that_is_killed_has_changed_all_or_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 2 * EVENINGS, &NAMES).await;
    assert!(run(data, &["club", "rebuild"]).status().unwrap().success());
    let whole = export(data);
    assert_eq!(results(data).len(), 2 * 2 * 4 * NAMES.len());
    let mut killed = 0;
    for ahead in [0, 1, 20_000, 60_000, 120_000, 200_000] {
        Connection::open(file(data)).unwrap().execute(SPOIL, []).unwrap();
        let spoilt = export(data);
        killed += u32::from(killed_when(&mut run(data, &["club", "rebuild"]), data, ahead));
        let now = export(data);
        assert!(now == whole || now == spoilt, "it is half done, killed at {ahead}");
        assert!(run(data, &["club", "check"]).status().unwrap().success());
        assert!(run(data, &["club", "rebuild"]).status().unwrap().success());
        assert_eq!(export(data), whole);
    }
    assert!(killed > 0, "it was always over before it was killed");
}

#[tokio::test]
async fn a_server_that_is_killed_while_it_takes_goes_on_where_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 3 * EVENINGS, &NAMES).await;
    let all = 3 * 2 * 4 * NAMES.len();
    let mut before = 0;
    for _ in 0..3 {
        // Killed as soon as it has taken something.
        let server = Started::new(data, &[]);
        comes("more of them", || results(data).len() > before || before == all).await;
        drop(server);
        let now = results(data);
        let mut pieces: BTreeMap<_, usize> = BTreeMap::new();
        for of in &now {
            *pieces.entry(of.session.clone()).or_default() += 1;
        }
        // A session that is read from the journal is taken as a whole.
        assert!(pieces.values().all(|seats| *seats == 2 * NAMES.len()), "{pieces:?}");
        before = now.len();
    }
    let server = Started::new(data, &[]);
    comes("all of them", || results(data).len() == all).await;
    drop(server);
    let taken = export(data);
    assert!(run(data, &["club", "rebuild"]).status().unwrap().success());
    assert_eq!(export(data), taken);
}
