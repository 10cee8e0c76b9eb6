//! Journals of every released format, recorded once and kept: each still gives the results stored beside it.

use std::{
    fs::{self, File},
    io::{Read, Write},
    path::{Path, PathBuf},
    sync::Arc,
};

use flate2::{Compression, read::GzDecoder, write::GzEncoder};
use serde_json::json;
use thole::chance::Chance;
use thole_piece::{Input, Session, input::Whose, session::Viewer};
use thole_protocol::{
    ids::{AthleteId, CommandId, DeviceId, JoinCode, SessionId},
    units::At,
};
use thole_server::{
    clock::{Reckoned, Uptime},
    journal::{Append, Grant, Holder, Journal, Record, SessionRow, sqlite::SqliteJournal},
    secret::SecretHash,
};
use thole_tests::sim;
use tokio::runtime::{Builder, Runtime};
use uuid::Uuid;

/// A folder in `tests/journals` each.
const FORMATS: [&str; 2] = ["v1", "v2"];
/// What this program writes.
const NEWEST: &str = "v2";

fn folder(format: &str) -> PathBuf {
    Path::new(crate::ROOT).join("tests/journals").join(format)
}

fn runtime() -> Runtime {
    Builder::new_current_thread().enable_all().build().unwrap()
}

/// Every result of every session of a journal, one per line, as the coach sees it after the session was
/// opened.
async fn results(journal: &SqliteJournal) -> String {
    let mut all = String::new();
    for (no, row) in (1..).zip(journal.sessions().await.unwrap()) {
        let found = journal.read(row.session, 0).await.unwrap();
        assert_eq!(found.damage, [], "session {no}");
        let mut session = Session::new();
        for (_, Record { at, input }) in &found.records {
            session.apply(*at, input);
        }
        let view = session.view(Viewer::Coach);
        for piece in view.pieces {
            for result in piece.results {
                let result = json!({"session": no, "piece": piece.piece, "result": result});
                all.push_str(&format!("{result}\n"));
            }
        }
    }
    all
}

#[test]
fn a_journal_of_every_released_format_gives_the_results_beside_it() {
    for format in FORMATS {
        let data = tempfile::tempdir().unwrap();
        let packed = File::open(folder(format).join("thole.db.gz")).unwrap();
        let mut bytes = Vec::new();
        GzDecoder::new(packed).read_to_end(&mut bytes).unwrap();
        fs::write(data.path().join("thole.db"), bytes).unwrap();
        let journal = SqliteJournal::open(data.path()).unwrap();
        let results = runtime().block_on(results(&journal));
        let beside = folder(format).join("results.jsonl");
        if std::env::var_os("UPDATE").is_some() {
            fs::write(&beside, &results).unwrap();
        }
        let kept = fs::read_to_string(&beside).unwrap_or_default();
        let differ = results.lines().zip(kept.lines()).find(|(now, kept)| now != kept);
        assert_eq!(differ, None, "{format}: a result of a recorded journal has moved");
        assert_eq!(results.lines().count(), kept.lines().count(), "{format}");
        assert!(kept.lines().count() > 5, "{format}: {} results are too few", kept.lines().count());
    }
}

/// Lives of the simulator: by time and by distance, intervals, calls, lost connections, restarts.
const LIVES: [u64; 5] = [18, 39, 14, 45, 7];

/// Made once, when a format is released, and kept from then on:
/// `cargo test -p thole-tests --test suite make_the_newest -- --ignored`.
#[test]
#[ignore = "makes the recorded journal of this program's own format"]
fn make_the_newest_journal() {
    let data = tempfile::tempdir().unwrap();
    let journal = SqliteJournal::open(data.path()).unwrap();
    runtime().block_on(async {
        for (no, seed) in (1..).zip(LIVES) {
            write(&journal, no, seed).await;
        }
        journal.keep("calibration", "a note".to_owned()).await.unwrap();
        // It contains what became of the pieces of the last session; of the one person who was erased, nothing
        // else does.
        let last = session(u128::try_from(LIVES.len()).unwrap());
        let found = journal.read(last, 0).await.unwrap();
        let erased = found.records.iter().find_map(|(_, record)| {
            let Input::AthletesAdded { athletes, .. } = &record.input else { return None };
            athletes.first().map(|(id, _)| *id)
        });
        journal.erase(last, erased.expect("nobody is in this life")).await.unwrap();
        journal.fold_in().await.unwrap();
    });
    drop(journal);
    let bytes = fs::read(data.path().join("thole.db")).unwrap();
    fs::create_dir_all(folder(NEWEST)).unwrap();
    let out = File::create(folder(NEWEST).join("thole.db.gz")).unwrap();
    let mut packed = GzEncoder::new(out, Compression::best());
    packed.write_all(&bytes).unwrap();
    packed.finish().unwrap();
}

fn session(no: u128) -> SessionId {
    SessionId(Uuid::from_u128(0x0193_0000_0000_7000_8000_0000_0000_0000 + no))
}

/// A life as its journal has it, in commits of any size, and what the simulator does not say.
async fn write(journal: &SqliteJournal, no: u128, seed: u64) {
    let read = |line: String| {
        let (at, input) = line.split_once(' ').unwrap();
        Record { at: At(at.parse().unwrap()), input: serde_json::from_str(input).unwrap() }
    };
    let mut records: Vec<Record> = sim::trace(seed).into_iter().map(read).collect();
    let at = records.last().unwrap().at;
    let by = |no: u128| CommandId(Uuid::from_u128(0x7e00 + no));
    let athlete = records.iter().find_map(|record| {
        let Input::AthletesAdded { athletes, .. } = &record.input else { return None };
        athletes.last().map(|(id, _)| *id)
    });
    let athlete: AthleteId = athlete.expect("nobody is in this life");
    let opens = SecretHash::of("coach, the second").to_hex();
    let besides = [
        Input::TookCommand { device: DeviceId(Uuid::from_u128(0xde5c)), by: None },
        Input::Renewed { command: by(1), whose: Whose::Athlete { athlete } },
        Input::Renewed { command: by(2), whose: Whose::Coach { opens, device: None } },
        Input::CoachLinkUsed,
        Input::Reopened,
    ];
    records.extend(besides.map(|input| Record { at, input }));
    let grant = |secret: String, holder| Grant { hash: SecretHash::of(&secret), holder };
    let mut grants = vec![
        grant(format!("coach {no}"), Holder::Coach),
        grant(format!("board {no}"), Holder::Board),
        grant(format!("athlete {no}"), Holder::Athlete(athlete)),
    ];
    let mut create = Some(SessionRow {
        session: session(no),
        code: JoinCode::from_random(u64::try_from(no * 7_001).unwrap()),
        created_unix_ms: 1_764_380_000_000 + u64::try_from(no).unwrap(),
        closed_unix_ms: None,
    });
    let (mut chance, mut next) = (Chance::seeded(seed), 0);
    while !records.is_empty() {
        let many = usize::try_from(1 + chance.below(9)).unwrap().min(records.len());
        let commit: Vec<Record> = records.drain(..many).collect();
        let now = commit.last().map_or(At(0), |record| record.at);
        let uptime = Uptime { boot: "a boot".to_owned(), ns: 60_000_000_000 + now.0 * 1_000_000 };
        let append = Append {
            session: session(no),
            create: create.take(),
            tenure: 0,
            first: next,
            records: Arc::new(commit),
            revoke: if records.is_empty() { vec![Holder::Athlete(athlete)] } else { Vec::new() },
            grant: std::mem::take(&mut grants),
            closed_unix_ms: (records.is_empty() && no == 5).then_some(1_764_390_000_000),
            reckoned: Some(Reckoned {
                at: now,
                unix_ms: 1_764_380_000_000 + now.0,
                uptime: Some(uptime),
            }),
        };
        next = journal.append(append).await.unwrap();
    }
}
