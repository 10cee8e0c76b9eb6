//! What is said about links and rows that cannot be saved as they were.

use rusqlite::Connection;
use thole_server::{
    journal::{Append, Grant, Holder, Journal},
    secret::new_secret,
};

use crate::{
    damage::{program, rowed},
    journal::more,
};

/// A link whose row is damaged opens nothing, wherever it was copied to.
#[tokio::test]
async fn damaged_links_are_told_and_not_called_everything() {
    let folder = tempfile::tempdir().unwrap();
    let journal = rowed(folder.path()).await;
    let grant = [Holder::Coach, Holder::Board];
    let grant = grant.map(|holder| Grant { hash: new_secret().hash(), holder }).into();
    journal.append(Append { grant, ..more(1, 14, Vec::new()) }).await.unwrap();
    drop(journal);
    let file = folder.path().join("thole.db");
    for (change, says) in [
        (
            "UPDATE secret SET revoked = 1 WHERE hash = (SELECT min(hash) FROM secret)",
            "1 link is damaged",
        ),
        ("UPDATE secret SET sum = x'00'", "2 links are damaged and open nothing"),
    ] {
        Connection::open(&file).unwrap().execute_batch(change).unwrap();
        let (is_well, told) = program(&["check"], folder.path());
        assert!(!is_well && told.contains(says), "{told}");
        let saved = tempfile::tempdir().unwrap();
        let out = saved.path().join("thole.db").display().to_string();
        let (is_done, told) = program(&["salvage", "--out", &out], folder.path());
        assert!(is_done && told.contains(says) && !told.contains("everything"), "{told}");
    }
}

/// A row that no server would have written cannot be copied; that is reported.
#[tokio::test]
async fn rows_that_break_the_tables_rules_are_told_when_they_stay_behind() {
    let folder = tempfile::tempdir().unwrap();
    drop(rowed(folder.path()).await);
    let odd = "CREATE TABLE odd AS SELECT * FROM person; DROP TABLE person; \
               ALTER TABLE odd RENAME TO person; UPDATE person SET number = NULL WHERE number = 1;";
    Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(odd).unwrap();
    let out = folder.path().join("saved").join("thole.db").display().to_string();
    let (_, told) = program(&["salvage", "--out", &out], folder.path());
    assert!(told.contains("1 of them break the rules of the table"), "{told}");
}

/// A copy of a damaged journal is damaged, and no script mistakes it for a good one.
#[tokio::test]
async fn a_copy_of_a_damaged_journal_says_so() {
    let folder = tempfile::tempdir().unwrap();
    drop(rowed(folder.path()).await);
    let copies = tempfile::tempdir().unwrap();
    let path = |name: &str| copies.path().join(name).display().to_string();
    let (is_done, told) = program(&["backup", &path("whole")], folder.path());
    assert!(is_done && !told.contains("damage"), "{told}");
    let change = "UPDATE record SET at_ms = at_ms + 1 WHERE position = 8";
    Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(change).unwrap();
    let (is_done, told) = program(&["backup", &path("damaged")], folder.path());
    assert!(!is_done && told.contains("record 8 is not as it was written"), "{told}");
    let restored = copies.path().join("restored");
    let (is_done, told) = program(&["restore", &path("damaged")], &restored);
    assert!(!is_done && told.contains("record 8 is not as it was written"), "{told}");
    assert!(restored.join("thole.db").exists(), "what is whole is there all the same");
}
