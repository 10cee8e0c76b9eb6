//! What the journal in a file promises on top of that: it survives, shares commits, fails loudly, and lets no
//! second server in.

use std::{fs, os::unix::fs::PermissionsExt, path::Path, sync::Arc};

use futures_util::future::join_all;
use rusqlite::Connection;
use thole_server::{
    journal::sqlite::SqliteJournal,
    journal::{Append, Grant, Holder, Journal, JournalError, memory::MemoryJournal},
    secret::new_secret,
};

use crate::journal::{heard, made, more, positions, session};

/// The file, as any other program could open it.
fn beside(folder: &Path) -> Connection {
    Connection::open(folder.join("thole.db")).unwrap()
}

#[tokio::test]
async fn what_was_acknowledged_is_there_after_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("club").join("evening");
    let hash = new_secret().hash();
    let journal = SqliteJournal::open(&data).unwrap();
    let epoch = journal.epoch();
    let grant = vec![Grant { hash, holder: Holder::Board }];
    journal.append(Append { grant, ..made(1) }).await.unwrap();
    journal.append(more(1, 1, vec![heard(51, 1), heard(52, 2)])).await.unwrap();
    journal.set_aside(session(1), 1).await.unwrap();
    drop(journal);
    let journal = SqliteJournal::open(&data).unwrap();
    assert_eq!(journal.epoch(), epoch, "the same journal");
    assert_eq!(positions(&journal, 1).await, [0, 2]);
    assert_eq!(journal.held(hash).await.unwrap().unwrap().holder, Holder::Board);
    journal.append(more(1, 3, vec![heard(60, 1)])).await.unwrap();
    // Heart rates are in it.
    let mode = fs::metadata(&data).unwrap().permissions().mode();
    assert_eq!(mode & 0o077, 0, "{mode:o}: others may read it");
    let other = SqliteJournal::open(&folder.path().join("other")).unwrap();
    assert_ne!(other.epoch(), epoch, "another journal");
}

/// How many commits the write-ahead log holds: its frames whose header says how large the file is after a
/// commit, with the current salt (sqlite.org/fileformat2.html, "WAL Frame Header", fields 4 and 8).
fn commits(folder: &Path) -> usize {
    let wal = fs::read(folder.join("thole.db-wal")).unwrap();
    let (header, frames) = wal.split_at(32);
    let word = |bytes: &[u8], at: usize| {
        u32::from_be_bytes(bytes.get(at..at + 4).unwrap().try_into().unwrap())
    };
    let page = word(header, 8) as usize;
    let valid = |frame: &&[u8]| frame.get(8..16) == header.get(16..24);
    frames.chunks_exact(24 + page).filter(valid).filter(|frame| word(frame, 4) != 0).count()
}

#[tokio::test]
async fn appends_that_come_together_share_a_commit_and_nobody_who_reads_waits_for_it() {
    let folder = tempfile::tempdir().unwrap();
    let journal = SqliteJournal::open(folder.path()).unwrap();
    join_all((1..=300).map(|no| journal.append(made(no)))).await;
    let before = commits(folder.path());
    // Another program holds the file, so all of them have come in before the first is written.
    let other = beside(folder.path());
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let appends = join_all((1..=300).map(|no| journal.append(more(no, 1, vec![heard(7, no)]))));
    let (answers, read) = tokio::join!(biased; appends, async {
        let read = positions(&journal, 1).await;
        other.execute_batch("COMMIT").unwrap();
        read
    });
    assert_eq!(read, [0], "read while the writer waits, and nothing that is not durable");
    assert!(answers.iter().all(Result::is_ok));
    // The writer may have taken the first few alone, before the others were there.
    let made = commits(folder.path()) - before;
    assert!((1..=5).contains(&made), "{made} commits for 300 appends");
    assert_eq!(positions(&journal, 300).await, [0, 1]);
}

/// After the first append that fails: nothing of it is there, and nothing is tried again.
async fn fails_for_good(journal: &dyn Journal, why: &str) {
    journal.append(made(1)).await.unwrap();
    journal.append(more(1, 1, vec![heard(20, 1)])).await.unwrap();
    let says = journal.append(more(1, 2, vec![heard(21, 1)])).await.unwrap_err().to_string();
    assert!(says.contains(why), "the reason reaches the person: {says}");
    for append in [more(1, 2, vec![heard(22, 1)]), made(2)] {
        let again = journal.append(append).await;
        assert!(matches!(again, Err(JournalError::Write(_))), "{again:?}");
    }
    assert_eq!(positions(journal, 1).await, [0, 1]);
    assert_eq!(journal.session(session(2)).await.unwrap(), None);
}

/// Makes the file refuse records at this position, as a full disk would.
fn refuse_position(folder: &Path, position: u64) {
    let sql = format!(
        "CREATE TRIGGER full BEFORE INSERT ON record WHEN NEW.position = {position}
         BEGIN SELECT RAISE(ABORT, 'no more room'); END"
    );
    beside(folder).execute_batch(&sql).unwrap();
}

#[tokio::test]
async fn after_a_failed_write_nothing_is_written_any_more() {
    let memory = MemoryJournal::default();
    memory.fail_at(3);
    fails_for_good(&memory, "a test has asked for").await;
    let folder = tempfile::tempdir().unwrap();
    let journal = SqliteJournal::open(folder.path()).unwrap();
    refuse_position(folder.path(), 2);
    fails_for_good(&journal, "no more room").await;
}

#[tokio::test]
async fn whoever_shares_a_failed_commit_is_told_so_and_only_what_was_acknowledged_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let journal = Arc::new(SqliteJournal::open(folder.path()).unwrap());
    join_all((1..=60).map(|no| journal.append(made(no)))).await;
    journal.append(more(60, 1, vec![heard(1, 1)])).await.unwrap();
    refuse_position(folder.path(), 2);
    let appends = (1..=60).map(|no| {
        let first = if no == 60 { 2 } else { 1 };
        journal.append(more(no, first, vec![heard(9, no)]))
    });
    let answers = join_all(appends).await;
    assert!(answers.last().unwrap().is_err());
    drop(journal);
    let journal = SqliteJournal::open(folder.path()).unwrap();
    for (no, answer) in (1..60).zip(&answers) {
        let there = positions(&journal, no).await == [0, 1];
        assert_eq!(there, answer.is_ok(), "session {no} was told {answer:?}");
    }
}

#[test]
fn a_second_server_is_refused_as_long_as_the_first_one_has_the_folder() {
    let folder = tempfile::tempdir().unwrap();
    let first = SqliteJournal::open(folder.path()).unwrap();
    let says = SqliteJournal::open(folder.path()).err().unwrap().to_string();
    assert!(says.contains("another server is using this folder"), "{says}");
    drop(first);
    assert!(SqliteJournal::open(folder.path()).is_ok());
}

#[test]
fn a_file_of_a_newer_program_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    drop(SqliteJournal::open(folder.path()).unwrap());
    let other = beside(folder.path());
    other.pragma_update(None, "user_version", 99).unwrap();
    for opened in [SqliteJournal::open(folder.path()), SqliteJournal::open_read_only(folder.path())]
    {
        let says = opened.err().unwrap().to_string();
        assert!(says.contains("version is 99") && says.contains("newer"), "{says}");
    }
    let version: i64 = other.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
    assert_eq!(version, 99);
}

#[tokio::test]
async fn who_only_reads_needs_no_lock_and_can_write_nothing() {
    let folder = tempfile::tempdir().unwrap();
    assert!(SqliteJournal::open_read_only(folder.path()).is_err(), "nothing is made by reading");
    assert!(!folder.path().join("thole.db").exists());
    let journal = SqliteJournal::open(folder.path()).unwrap();
    journal.append(made(1)).await.unwrap();
    let reader = SqliteJournal::open_read_only(folder.path()).unwrap();
    assert_eq!(positions(&reader, 1).await, [0]);
    let written = reader.append(more(1, 1, vec![heard(3, 1)])).await;
    assert!(matches!(written, Err(JournalError::Write(_))), "{written:?}");
    journal.append(more(1, 1, vec![heard(3, 1)])).await.unwrap();
    assert_eq!(positions(&reader, 1).await, [0, 1]);
}

#[tokio::test]
async fn the_records_of_one_person_can_be_found_without_reading_other_sessions() {
    let folder = tempfile::tempdir().unwrap();
    let journal = SqliteJournal::open(folder.path()).unwrap();
    journal.append(made(1)).await.unwrap();
    journal.append(more(1, 1, vec![heard(3, 1), heard(4, 2), heard(5, 1)])).await.unwrap();
    let other = beside(folder.path());
    let sql = "SELECT position FROM record WHERE session = 1 AND person = 1 ORDER BY position";
    let mut select = other.prepare(sql).unwrap();
    let rows = select.query_map([], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(rows.map(Result::unwrap).collect::<Vec<_>>(), [1, 3]);
    let plan: String =
        other.query_row(&format!("EXPLAIN QUERY PLAN {sql}"), [], |row| row.get(3)).unwrap();
    assert_eq!(plan, "SEARCH record USING PRIMARY KEY (session=?)");
}
