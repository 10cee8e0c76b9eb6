//! What is not as it was written is named, the rest is kept; what is erased is gone; a stroke takes few
//! bytes.

use std::{fs, path::Path};

use rusqlite::Connection;
use thole_piece::Input;
use thole_server::journal::{Append, Journal, JournalError, sqlite::SqliteJournal};

use crate::journal::{athlete, heard, made, more, rowing, session, stroke};

/// A session with a roster (records 1 to 4) and nine strokes, each in its own commit.
pub(crate) async fn rowed(folder: &Path) -> SqliteJournal {
    let journal = SqliteJournal::open(folder).unwrap();
    journal.append(made(1)).await.unwrap();
    let mut next = journal.append(more(1, 1, rowing(0, 0))).await.unwrap();
    for no in 0..9 {
        let who = 1 + u128::from(no % 3);
        next = journal.append(more(1, next, vec![stroke(no, who)])).await.unwrap();
    }
    assert_eq!(next, 14);
    journal
}

/// What is said about a session after its tables were changed behind the server's back.
async fn after(change: &str) -> (Vec<u64>, Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    let journal = rowed(folder.path()).await;
    Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(change).unwrap();
    let found = journal.read(session(1), 0).await.unwrap();
    assert!(found.next >= 13, "positions are not used again");
    let positions = found.records.iter().map(|(position, _)| *position).collect();
    (positions, found.damage.iter().map(ToString::to_string).collect())
}

#[tokio::test]
async fn a_journal_that_is_whole_has_no_damage() {
    let (positions, damage) = after("SELECT 1").await;
    assert_eq!(positions, [0, 1, 5, 6, 7, 8, 9, 10, 11, 12, 13]);
    assert_eq!(damage, [""; 0]);
}

#[tokio::test]
async fn a_stroke_that_was_changed_is_named_and_not_given_and_the_others_are() {
    for change in [
        "UPDATE record SET payload = CAST(substr(payload, 1, 5) || x'05' || substr(payload, 7) AS BLOB) WHERE position = 8",
        "UPDATE record SET at_ms = at_ms + 1 WHERE position = 8",
        "UPDATE record SET person = 2 WHERE position = 8",
        "UPDATE record SET tag = x'0102030405060708' WHERE position = 8",
    ] {
        let (positions, damage) = after(change).await;
        assert!(!positions.contains(&8), "{change}");
        assert_eq!(damage[0], "record 8 is not as it was written", "{change}");
        assert!([6, 7, 10, 13].iter().all(|whole| positions.contains(whole)), "{change}");
    }
}

#[tokio::test]
async fn a_record_that_is_missing_doubled_or_in_anothers_place_is_named() {
    let (positions, damage) = after("DELETE FROM record WHERE position = 8").await;
    assert_eq!(damage[0], "record 8 is missing");
    assert_eq!(positions, [0, 1, 5, 6, 7, 9, 10, 11, 12, 13], "what stood beside it is given");
    let double = "INSERT INTO record SELECT session, 14, at_ms, person, kind, payload, tag FROM record WHERE position = 13";
    let (positions, damage) = after(double).await;
    assert_eq!(damage, ["record 14 is not as it was written"]);
    assert!(!positions.contains(&14));
    let swap = "UPDATE record SET position = 99 WHERE position = 8; UPDATE record SET position = 8 WHERE position = 9;
                UPDATE record SET position = 9 WHERE position = 99";
    let (positions, damage) = after(swap).await;
    assert!(!positions.contains(&8) && !positions.contains(&9), "{positions:?}");
    assert!(damage[0].starts_with("record 8") && damage[1].starts_with("record 9"), "{damage:?}");
}

#[tokio::test]
async fn a_person_a_recording_or_a_session_whose_row_was_changed_is_named() {
    for (change, what) in [
        ("UPDATE person SET athlete = randomblob(16) WHERE number = 2", "the row of person 2"),
        ("UPDATE run SET run = randomblob(16) WHERE number = 3", "the row of recording 3"),
        ("UPDATE session SET key = randomblob(32)", "its row in the list of sessions"),
    ] {
        let (_, damage) = after(change).await;
        assert!(damage.iter().any(|damage| damage.contains(what)), "{damage:?}");
    }
}

/// Whether bytes occur anywhere in the files of a journal.
fn stands(folder: &Path, what: &[u8]) -> bool {
    ["thole.db", "thole.db-wal"].iter().any(|name| {
        let bytes = fs::read(folder.join(name)).unwrap_or_default();
        bytes.windows(what.len()).any(|window| window == what)
    })
}

/// The payloads of a person's rows, and everything else of the session.
fn rows(folder: &Path, person: i64) -> (Vec<Vec<u8>>, Vec<Vec<u8>>) {
    let connection = Connection::open(folder.join("thole.db")).unwrap();
    let of = |sql: &str| {
        let mut select = connection.prepare(sql).unwrap();
        let rows = select.query_map([person], |row| row.get(0)).unwrap();
        rows.map(Result::unwrap).collect::<Vec<Vec<u8>>>()
    };
    (
        of("SELECT payload FROM record WHERE session = 1 AND person = ? AND kind > 0"),
        of("SELECT payload FROM record WHERE session = 1 AND person IS NOT ? ORDER BY position"),
    )
}

#[tokio::test]
async fn what_was_said_of_who_is_erased_stands_nowhere_in_the_files_and_the_others_are_the_same_bytes()
 {
    let folder = tempfile::tempdir().unwrap();
    let journal = SqliteJournal::open(folder.path()).unwrap();
    // Sessions side by side, so that pages are full of several and have been split again and again.
    for no in 1..=5 {
        journal.append(made(no)).await.unwrap();
        // The names occur only in the first, or they would rightly be found in the others.
        let first = if no == 1 { rowing(0, 0) } else { vec![heard(1, 1); 4] };
        journal.append(more(no, 1, first)).await.unwrap();
    }
    for stroke_no in 0..600 {
        for no in 1..=5 {
            let first = 5 + stroke_no;
            let who = 1 + u128::from(stroke_no % 3);
            let strokes = vec![stroke(stroke_no * 5 + u64::try_from(no).unwrap(), who)];
            journal.append(more(no, first, strokes)).await.unwrap();
        }
    }
    let (theirs, others) = rows(folder.path(), 1);
    assert_eq!(theirs.len(), 201);
    let theirs: Vec<Vec<u8>> = theirs.into_iter().filter(|payload| payload.len() > 10).collect();
    assert!(
        theirs.iter().all(|payload| stands(folder.path(), payload)),
        "the search finds them before"
    );
    journal.erase(session(1), athlete(1)).await.unwrap();
    let left = theirs.iter().filter(|payload| stands(folder.path(), payload)).count();
    assert_eq!(left, 0, "of {} records", theirs.len());
    assert!(!stands(folder.path(), b"Ana Olsen") && stands(folder.path(), b"Bo Lindqvist"));
    assert!(is_elsewhere(folder.path()));
    assert_eq!(rows(folder.path(), 1), (vec![], others), "not a byte of the others has changed");
    let found = journal.read(session(1), 0).await.unwrap();
    assert_eq!(found.damage, []);
    assert_eq!(found.erased, 201);
    let strokes =
        found.records.iter().filter(|(_, record)| matches!(record.input, Input::Samples { .. }));
    assert_eq!(strokes.count(), 400);
}

/// The same athlete rows in the other sessions of the test, under the same identity.
fn is_elsewhere(folder: &Path) -> bool {
    let connection = Connection::open(folder.join("thole.db")).unwrap();
    let sql = "SELECT count(*) FROM person WHERE athlete = ?";
    let here: i64 = connection.query_row(sql, [athlete(1).0.as_bytes()], |row| row.get(0)).unwrap();
    here == 4
}

#[tokio::test]
async fn a_stroke_takes_at_most_sixty_bytes_all_in() {
    // So many strokes of each session that its last page, never full, is not what is measured.
    for (sessions, strokes) in [(1_u128, 4_000_u64), (20, 1_000), (200, 400)] {
        let folder = tempfile::tempdir().unwrap();
        let journal = SqliteJournal::open(folder.path()).unwrap();
        for no in 1..=sessions {
            journal.append(made(no)).await.unwrap();
        }
        let empty = folded(folder.path());
        let appends = |stroke_no: u64| {
            let journal = &journal;
            (1..=sessions).map(move |no| {
                let who = 1 + u128::from(stroke_no % 20);
                journal.append(more(no, 1 + stroke_no, vec![stroke(stroke_no, who)]))
            })
        };
        for stroke_no in 0..strokes {
            for written in futures_util::future::join_all(appends(stroke_no)).await {
                written.unwrap();
            }
        }
        let bytes = (folded(folder.path()) - empty) as f64 / (strokes as f64 * sessions as f64);
        println!("{sessions} sessions: {bytes:.1} bytes a stroke");
        assert!(bytes <= 60.0, "{sessions} sessions: {bytes:.1} bytes a stroke");
    }
}

/// Bytes of the file when the write-ahead file is folded in.
fn folded(folder: &Path) -> u64 {
    let file = folder.join("thole.db");
    let connection = Connection::open(&file).unwrap();
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    fs::metadata(file).unwrap().len()
}

#[tokio::test]
async fn an_end_that_was_lost_is_known_by_the_witness_and_its_positions_are_not_used_again() {
    let folder = tempfile::tempdir().unwrap();
    drop(rowed(folder.path()).await);
    let cut = "DELETE FROM record WHERE position >= 11; DELETE FROM session WHERE number > 1";
    Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(cut).unwrap();
    for which in [SqliteJournal::open_read_only(folder.path()), SqliteJournal::open(folder.path())]
    {
        let found = which.unwrap().read(session(1), 0).await.unwrap();
        let says: Vec<String> = found.damage.iter().map(ToString::to_string).collect();
        assert_eq!(says, ["records 11 to 13: is missing: the end of the journal was lost"]);
        assert_eq!((found.records.len(), found.next), (8, 14), "the rest is kept");
    }
    let journal = SqliteJournal::open(folder.path()).unwrap();
    assert!(journal.append(more(1, 11, vec![stroke(20, 1)])).await.is_err(), "rowed over");
    assert_eq!(journal.append(more(1, 14, vec![stroke(20, 1)])).await.unwrap(), 15);
    let found = journal.read(session(1), 0).await.unwrap();
    assert_eq!(found.records.last().unwrap().0, 14);
    assert!(found.damage[0].to_string().contains("missing"), "{:?}", found.damage);
}

/// SQLite reads a write-ahead file up to the first page that is not as it was written, and says nothing.
#[tokio::test]
async fn a_flipped_bit_in_the_write_ahead_file_loses_nothing_in_silence() {
    let (folder, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let journal = rowed(folder.path()).await;
    for name in ["thole.db", "thole.db-wal", "witness"] {
        let mut bytes = fs::read(folder.path().join(name)).unwrap();
        if name == "thole.db-wal" {
            let at = bytes.len() * 8 / 10;
            bytes[at] ^= 4;
        }
        fs::write(other.path().join(name), bytes).unwrap();
    }
    let whole = journal.read(session(1), 0).await.unwrap();
    let damaged = SqliteJournal::open(other.path()).unwrap().read(session(1), 0).await.unwrap();
    assert!(damaged.records.len() < whole.records.len(), "the bit did no harm");
    assert_eq!(damaged.next, whole.next);
    assert!(damaged.damage[0].to_string().contains("the end of the journal was lost"));
    assert!(whole.records.starts_with(&damaged.records), "the rest is kept");
    let aside = other.path().join("thole.db-wal.damaged-1");
    let mut bytes = fs::read(&aside).unwrap();
    let at = bytes.len() * 8 / 10;
    bytes[at] ^= 4;
    assert_eq!(
        bytes,
        fs::read(folder.path().join("thole.db-wal")).unwrap(),
        "what was dropped is kept"
    );
    let mode =
        std::os::unix::fs::PermissionsExt::mode(&fs::metadata(&aside).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600);
}

#[tokio::test]
async fn of_a_write_ahead_file_that_is_whole_or_half_written_at_its_end_no_copy_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let journal = rowed(folder.path()).await;
    let bytes = fs::read(folder.path().join("thole.db-wal")).unwrap();
    for cut in [0, 1, 2_000, 4_119] {
        let other = tempfile::tempdir().unwrap();
        for name in ["thole.db", "witness"] {
            fs::copy(folder.path().join(name), other.path().join(name)).unwrap();
        }
        fs::write(other.path().join("thole.db-wal"), &bytes[..bytes.len() - cut]).unwrap();
        drop(SqliteJournal::open(other.path()).unwrap());
        assert!(!other.path().join("thole.db-wal.damaged-1").exists(), "{cut}");
    }
    drop(journal);
}

pub(crate) fn program(words: &[&str], folder: &Path) -> (bool, String) {
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_thole-server"));
    let output = command.env_clear().args(words).arg("--data").arg(folder).output().unwrap();
    (output.status.success(), String::from_utf8(output.stdout).unwrap())
}

#[tokio::test]
async fn the_program_says_what_is_damaged_and_saves_the_rest() {
    let folder = tempfile::tempdir().unwrap();
    drop(rowed(folder.path()).await);
    let (is_well, says) = program(&["check"], folder.path());
    assert!(is_well && says.contains("1 sessions, 11 records: all as they were written"), "{says}");
    let change = "UPDATE record SET at_ms = at_ms + 1 WHERE position = 8";
    Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(change).unwrap();
    let (is_well, says) = program(&["check"], folder.path());
    assert!(!is_well && says.contains("record 8 is not as it was written"), "{says}");
    let (_, says) = program(&["journal", "--json", "--session", &code()], folder.path());
    assert_eq!(says.lines().count(), 10, "{says}");
    let last: serde_json::Value = serde_json::from_str(says.lines().last().unwrap()).unwrap();
    assert_eq!(
        (last["position"].as_u64(), last["input"]["input"].as_str()),
        (Some(13), Some("samples"))
    );

    // The folder is created, for its owner only.
    let saved = folder.path().join("saved").join("here");
    let out = saved.join("thole.db");
    let (is_well, says) = program(&["salvage", "--out", out.to_str().unwrap()], folder.path());
    assert!(is_well && says.contains("what could be read"), "{says}");
    assert!(says.contains("record 8 is not as it was written"), "{says}");
    let before = SqliteJournal::open_read_only(folder.path()).unwrap().read(session(1), 0).await;
    let after = SqliteJournal::open(&saved).unwrap().read(session(1), 0).await;
    assert_eq!(before.unwrap(), after.unwrap(), "what is damaged is still named");
}

/// A disk has lost a stretch of the file: pages in the middle are nothing but zeroes.
#[tokio::test]
async fn of_a_file_with_damaged_pages_what_stands_before_and_behind_them_is_saved() {
    let folder = tempfile::tempdir().unwrap();
    let journal = SqliteJournal::open(folder.path()).unwrap();
    journal.append(made(1)).await.unwrap();
    journal.append(more(1, 1, rowing(0, 0))).await.unwrap();
    for no in 0..1_500 {
        journal.append(more(1, 5 + no, vec![stroke(no, 1 + u128::from(no % 3))])).await.unwrap();
    }
    journal.fold_in().await.unwrap();
    drop(journal);
    let file = folder.path().join("thole.db");
    let whole = fs::read(&file).unwrap();
    let pages = whole.len() / 4_096;
    let mut most = 0;
    for page in pages / 2..pages / 2 + 3 {
        let mut bytes = whole.clone();
        bytes[page * 4_096..(page + 1) * 4_096].fill(0);
        fs::write(&file, bytes).unwrap();
        let saved = tempfile::tempdir().unwrap();
        let out = saved.path().join("thole.db");
        let (is_well, says) = program(&["check"], folder.path());
        assert!(!is_well && says.contains("thole-server salvage"), "{says}");
        let (is_done, says) = program(&["salvage", "--out", out.to_str().unwrap()], folder.path());
        assert!(is_done && says.contains("what could be read"), "{says}");
        let journal = SqliteJournal::open(saved.path()).unwrap();
        let found = journal.read(session(1), 0).await.unwrap();
        let positions: Vec<u64> = found.records.iter().map(|(position, _)| *position).collect();
        assert!(positions.len() > 1_300, "{} of 1,502 are saved, page {page}", positions.len());
        assert!(positions[0] == 0 && *positions.last().unwrap() == 1_504, "before and behind");
        assert_eq!(found.next, 1_505);
        most = most.max(1_502 - positions.len());
        let lost: u64 = found.damage.iter().map(|damage| damage.to + 1 - damage.from).sum();
        assert!(lost >= 1_502 - positions.len() as u64, "what is missing is named");
        let (is_well, _) = program(&["check"], saved.path());
        assert_eq!(is_well, positions.len() == 1_502);
        // It goes on from there.
        journal.append(more(1, 1_505, vec![stroke(1_600, 1)])).await.unwrap();
    }
    assert!(most > 20, "no page that mattered was lost");
}

/// A sector of the disk has become zeroes: whichever it was, everybody else can still be written, and nobody's writing
/// ends for good.
#[tokio::test]
async fn a_damaged_sector_ends_the_writing_of_its_own_session_alone() {
    const SECTOR: usize = 512;
    let folder = tempfile::tempdir().unwrap();
    let journal = SqliteJournal::open(folder.path()).unwrap();
    for no in [1, 2] {
        journal.append(made(no)).await.unwrap();
        journal.append(more(no, 1, rowing(0, 0))).await.unwrap();
        for stroked in 0..400 {
            let append = more(no, 5 + stroked, vec![stroke(stroked, 1 + u128::from(stroked % 3))]);
            journal.append(append).await.unwrap();
        }
    }
    journal.fold_in().await.unwrap();
    drop(journal);
    let file = folder.path().join("thole.db");
    let whole = fs::read(&file).unwrap();
    let (mut refused, mut other_went_on) = (0, 0);
    for sector in (8..whole.len() / SECTOR).step_by(5) {
        let mut bytes = whole.clone();
        bytes[sector * SECTOR..(sector + 1) * SECTOR].fill(0);
        fs::write(&file, bytes).unwrap();
        // Damage found at the start is reported there.
        let Ok(journal) = SqliteJournal::open(folder.path()) else { continue };
        let mut written = Vec::new();
        for no in [1, 2, 1, 2] {
            let tenure = match journal.take(session(no)).await {
                Ok(tenure) => tenure,
                Err(error) => {
                    written.push(Err(error));
                    continue;
                }
            };
            let next = journal.read(session(no), 0).await.map_or(405, |found| found.next);
            let append = Append { tenure, ..more(no, next, vec![stroke(700, 1)]) };
            written.push(journal.append(append).await);
        }
        let stopped = |one: &&Result<u64, JournalError>| matches!(one, Err(JournalError::Write(_)));
        assert!(!written.iter().any(|one| stopped(&one)), "sector {sector}: {written:?}");
        refused += written.iter().filter(|one| one.is_err()).count();
        other_went_on += usize::from(written[0].is_ok() != written[1].is_ok());
    }
    assert!(refused > 0, "no sector that mattered was lost");
    assert!(other_went_on > 0, "where one session is damaged the other is written");
}

/// The head of the file: no server can go on with it, and each says what can be done.
#[tokio::test]
async fn a_file_whose_head_is_damaged_is_named_with_what_can_be_done() {
    let folder = tempfile::tempdir().unwrap();
    rowed(folder.path()).await.fold_in().await.unwrap();
    let file = folder.path().join("thole.db");
    let whole = fs::read(&file).unwrap();
    let saved = tempfile::tempdir().unwrap();
    let out = saved.path().join("thole.db");
    for sector in [0, 8] {
        let mut bytes = whole.clone();
        bytes[sector * 512..(sector + 1) * 512].fill(0);
        fs::write(&file, bytes).unwrap();
        let Err(error) = SqliteJournal::open(folder.path()) else { continue };
        let says = error.to_string();
        assert!(says.contains("damaged") && says.contains("thole-server salvage"), "{says}");
        let (is_done, says) = program(&["salvage", "--out", out.to_str().unwrap()], folder.path());
        assert_eq!(is_done, out.exists(), "{says}");
        drop(fs::remove_file(&out));
    }
    fs::write(&file, &whole[..4_000]).unwrap();
    let says = SqliteJournal::open(folder.path()).err().unwrap().to_string();
    assert!(says.contains("thole-server salvage"), "{says}");
}

/// Missing rows at the end break nothing when the rest is read; the witness beside the file notices them.
#[tokio::test]
async fn a_lost_end_is_not_called_everything_when_it_is_salvaged() {
    let folder = tempfile::tempdir().unwrap();
    let journal = SqliteJournal::open(folder.path()).unwrap();
    journal.append(made(1)).await.unwrap();
    journal.append(more(1, 1, rowing(0, 0))).await.unwrap();
    for no in 0..20 {
        journal.append(more(1, 5 + no, vec![stroke(no, 1)])).await.unwrap();
    }
    journal.fold_in().await.unwrap();
    drop(journal);
    let saved = folder.path().join("saved");
    let out = |name: &str| saved.join(name).join("thole.db").display().to_string();
    let (is_done, says) = program(&["salvage", "--out", &out("whole")], folder.path());
    assert!(is_done && says.contains("has everything: 1 sessions, 22 records"), "{says}");
    let lose = "DELETE FROM record WHERE position > 14";
    Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(lose).unwrap();
    let (_, told) = program(&["check"], folder.path());
    assert!(told.contains("records 15 to 24"), "{told}");
    let (is_done, says) = program(&["salvage", "--out", &out("rest")], folder.path());
    assert!(is_done && says.contains("records 15 to 24") && !says.contains("everything"), "{says}");
    let (is_well, says) = program(&["check"], &saved.join("rest"));
    assert!(!is_well && says.contains("records 15 to 24"), "{says}");
}

fn code() -> String {
    thole_protocol::ids::JoinCode::from_random(1).as_str().to_owned()
}

#[tokio::test]
async fn tables_that_are_not_as_they_were_made_are_named_before_anybody_writes_into_them() {
    let folder = tempfile::tempdir().unwrap();
    drop(rowed(folder.path()).await);
    let change = "ALTER TABLE record RENAME COLUMN payload TO paylaod";
    Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(change).unwrap();
    let says = SqliteJournal::open(folder.path()).err().unwrap().to_string();
    assert!(says.contains("not as it was made: record") && says.contains("salvage"), "{says}");
}

#[tokio::test]
async fn a_session_that_is_missing_whole_is_named_by_check() {
    let (folder, after) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let journal = SqliteJournal::open(folder.path()).unwrap();
    journal.fold_in().await.unwrap();
    fs::copy(folder.path().join("thole.db"), after.path().join("thole.db")).unwrap();
    journal.append(made(1)).await.unwrap();
    // The witness has seen it, and the file is as it was before.
    fs::copy(folder.path().join("witness"), after.path().join("witness")).unwrap();
    let missing = SqliteJournal::open_read_only(after.path()).unwrap().missing().await.unwrap();
    assert_eq!(missing, [session(1)]);
    assert_eq!(journal.missing().await.unwrap(), []);
}
