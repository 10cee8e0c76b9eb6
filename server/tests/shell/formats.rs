//! Journals from earlier programs: one file of each format, converted and read.

use std::{fs, fs::File, io::Read, path::Path};

use flate2::read::GzDecoder;
use rusqlite::Connection;
use thole_piece::Input;
use thole_protocol::{ids::SessionId, units::At};
use thole_server::journal::{Holder, Journal, Record, sqlite::SqliteJournal};
use thole_server::secret::SecretHash;
use uuid::Uuid;

const V1: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/journals/v1/thole.db.gz");

fn unpack(folder: &Path) {
    let mut bytes = Vec::new();
    GzDecoder::new(File::open(V1).unwrap()).read_to_end(&mut bytes).unwrap();
    fs::write(folder.join("thole.db"), bytes).unwrap();
}

fn session(no: u128) -> SessionId {
    SessionId(Uuid::from_u128(0x0192_0000_0000_7000_8000_0000_0000_0000 + no))
}

/// Every record of an old file as its own program read it, except those set aside.
fn old(folder: &Path, no: u128) -> Vec<Record> {
    let connection = Connection::open(folder.join("thole.db")).unwrap();
    let sql = "SELECT at_ms, payload FROM record AS r WHERE session = ?1 AND NOT EXISTS (
                   SELECT 1 FROM set_aside AS s WHERE s.session = ?1 AND s.position = r.position)
               ORDER BY position";
    let mut select = connection.prepare(sql).unwrap();
    let rows = select.query_map([session(no).0.to_string()], |row| {
        Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?))
    });
    let record = |(at, payload): (i64, String)| Record {
        at: At(at.cast_unsigned()),
        input: serde_json::from_str::<Input>(&payload).unwrap(),
    };
    rows.unwrap().map(|row| record(row.unwrap())).collect()
}

#[tokio::test]
async fn an_old_journal_is_converted_and_every_session_has_the_same_records() {
    let folder = tempfile::tempdir().unwrap();
    unpack(folder.path());
    let before: Vec<Vec<Record>> = (1..=5).map(|no| old(folder.path(), no)).collect();
    assert!(before.iter().all(|records| records.len() > 150), "{:?}", before.iter().map(Vec::len));
    let bytes = fs::read(folder.path().join("thole.db")).unwrap();
    let read_only = SqliteJournal::open_read_only(folder.path()).unwrap();
    let journal = SqliteJournal::open(folder.path()).unwrap();
    assert_eq!(
        journal.epoch(),
        "0f2c6b1e9d7a4c358e61b04f7d2a9c13",
        "clients find their journal again"
    );
    for (no, before) in (1..).zip(&before) {
        for journal in [&read_only, &journal] {
            let found = journal.read(session(no), 0).await.unwrap();
            assert_eq!((found.damage.len(), found.erased), (0, 0));
            let records: Vec<Record> =
                found.records.into_iter().map(|(_, record)| record).collect();
            assert!(records == *before, "session {no} is another one");
        }
    }
    let rows = journal.sessions().await.unwrap();
    assert_eq!(rows.len(), 5);
    assert_eq!(rows[4].closed_unix_ms, Some(1_764_380_000_000));
    let held = async |secret: &str| journal.held(SecretHash::of(secret)).await.unwrap();
    assert_eq!(held("coach").await.unwrap().holder, Holder::Coach);
    assert!(matches!(held("ana").await.unwrap().holder, Holder::Athlete(_)));
    assert_eq!(held("ana before").await, None, "a revoked link stays revoked");
    assert_eq!(journal.kept("calibration").await.unwrap().as_deref(), Some("a note"));
    let kept = folder.path().join("thole.db.v1");
    assert_eq!(fs::read(kept).unwrap(), bytes, "the old one is kept as it was");
}

#[tokio::test]
async fn a_conversion_that_was_cut_short_is_made_again() {
    let folder = tempfile::tempdir().unwrap();
    unpack(folder.path());
    fs::write(folder.path().join("thole.db.new"), b"half of it").unwrap();
    fs::write(folder.path().join("thole.db.v1.part"), b"half of it").unwrap();
    let before = old(folder.path(), 5);
    let journal = SqliteJournal::open(folder.path()).unwrap();
    let found = journal.read(session(5), 0).await.unwrap();
    assert_eq!(found.records.len(), before.len());
    assert!(!folder.path().join("thole.db.new").exists());
    drop(journal);
    let again = SqliteJournal::open(folder.path()).unwrap();
    assert_eq!(again.read(session(5), 0).await.unwrap(), found, "the second start changes nothing");
}

/// The program, killed whatever it has written by then: one more byte of the new file each time, and of each of the
/// files that follow it.
#[tokio::test]
async fn a_process_that_is_killed_while_it_converts_loses_nothing() {
    let (whole, mut cuts) = (tempfile::tempdir().unwrap(), Vec::new());
    unpack(whole.path());
    drop(SqliteJournal::open(whole.path()).unwrap());
    let size = fs::metadata(whole.path().join("thole.db")).unwrap().len();
    cuts.extend((0..8).map(|part| ("thole.db.new", size * part / 8)));
    cuts.extend([("thole.db.v1.part", 0), ("thole.db.v1", 0), ("witness", 0)]);
    let mut halfway = 0;
    for (name, bytes) in cuts {
        let folder = tempfile::tempdir().unwrap();
        unpack(folder.path());
        let bytes_of_old = fs::read(folder.path().join("thole.db")).unwrap();
        let before: Vec<Vec<Record>> = (1..=5).map(|no| old(folder.path(), no)).collect();
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_thole-server"));
        command.env_clear().arg("serve").arg("--data").arg(folder.path());
        command.args(["--listen", "127.0.0.1:0", "--inner-listen", "127.0.0.1:0"]);
        let quiet = std::process::Stdio::null;
        let mut child = command.stdout(quiet()).stderr(quiet()).spawn().unwrap();
        // What exists for a moment may be gone when it is looked for: the next file shows that it is past.
        let is_there = |name: &str, bytes: u64| {
            let there = fs::metadata(folder.path().join(name));
            there.is_ok_and(|there| there.len() >= bytes)
        };
        while !is_there(name, bytes) && !is_there("witness", 1) {
            assert!(child.try_wait().unwrap().is_none(), "it ended by itself");
            std::hint::spin_loop();
        }
        child.kill().unwrap();
        child.wait().unwrap();
        halfway += u32::from(!is_there("witness", 0));
        let journal = SqliteJournal::open(folder.path()).unwrap();
        for (no, before) in (1..).zip(&before) {
            let found = journal.read(session(no), 0).await.unwrap();
            assert_eq!(found.damage, [], "{name} {bytes}");
            assert!(found.records.iter().map(|(_, record)| record).eq(before), "{name} {bytes}");
        }
        let kept = fs::read(folder.path().join("thole.db.v1")).unwrap();
        assert!(kept == bytes_of_old, "{name} {bytes}: the old one is kept as it was");
    }
    assert!(halfway >= 4, "only {halfway} were killed before the end");
}
