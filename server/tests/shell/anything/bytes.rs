//! What random tests and fuzz targets do with bytes: send them as frames, and write them over a journal's
//! files.

use std::{
    fs,
    path::{Path, PathBuf},
    sync::{Arc, OnceLock},
    time::Duration,
};

use futures_util::{SinkExt, StreamExt};
use rusqlite::Connection;
use serde_json::{Value, json};
use thole_piece::Input;
use thole_protocol::{
    ids::{AthleteId, CommandId, JoinCode, RunId, SessionId},
    sample::Sample,
    spec::{RosterEntry, SessionSettings},
    units::At,
};
use thole_server::{
    Server,
    config::ServeArgs,
    connection::{serve, socket_config},
    journal::{
        Append, Journal, JournalError, Record, SessionRow, memory::MemoryJournal,
        sqlite::SqliteJournal,
    },
};
use tokio::{
    io::{AsyncWriteExt, DuplexStream},
    runtime::Builder,
    task::JoinHandle,
    time::timeout,
};
use tokio_tungstenite::{
    WebSocketStream,
    tungstenite::{Message, protocol::Role},
};
use uuid::Uuid;

/// Longer than anything here waits, on a clock that is paused.
const PATIENCE: Duration = Duration::from_secs(600);

/// Bytes on a connection of a stranger, a coach, a board or an athlete, as they are or in frames.
///
/// # Panics
/// When a connection or a session ends because of a bug, or somebody else is no longer heard.
pub(super) fn frames(bytes: &[u8]) {
    let runtime = Builder::new_current_thread().enable_all().start_paused(true).build();
    runtime.unwrap().block_on(sent(bytes));
}

async fn sent(bytes: &[u8]) {
    let settings = ServeArgs::default().settings().unwrap();
    let server = Arc::new(Server::new(settings, Arc::new(MemoryJournal::default())));
    let create = json!({"type": "create", "title": "A test", "key": server.makers.machine_key()});
    let (mut other, other_ends) = connected(&server).await;
    let another = asked(&mut other, create.clone()).await;
    asked(&mut other, hello("coach", &another["coach_secret"])).await;
    let (mut coach, _) = connected(&server).await;
    let created = asked(&mut coach, create).await;
    drop(coach);
    let (mut athlete, _) = connected(&server).await;
    let join = json!({"type": "join", "code": created["code"], "name": "Ana"});
    let ana = asked(&mut athlete, join).await["secret"].clone();
    drop(athlete);

    let Some((who, mut rest)) = bytes.split_first() else { return };
    let (mut wild, wild_ends) = connected(&server).await;
    let greets = match who % 4 {
        0 => None,
        1 => Some(hello("coach", &created["coach_secret"])),
        2 => Some(hello("board", &created["board_secret"])),
        _ => Some(hello("athlete", &ana)),
    };
    if let Some(greets) = greets {
        asked(&mut wild, greets).await;
    }
    let io = wild.get_mut();
    while let Some((length, behind)) = rest.split_first() {
        let many = usize::from(length % 128).min(behind.len());
        let (mut part, behind) = behind.split_at(many);
        rest = behind;
        let mut frame = Vec::new();
        if *length >= 128
            && let Some((first, content)) = part.split_first()
        {
            // With a zero mask (RFC 6455 section 5.2); final or not, of any kind.
            frame = vec![*first, 0x80 | u8::try_from(content.len()).unwrap(), 0, 0, 0, 0];
            part = content;
        }
        frame.extend_from_slice(part);
        // The server may already have closed it.
        if io.write_all(&frame).await.is_err() {
            break;
        }
    }
    drop(wild);
    let ended = timeout(PATIENCE, wild_ends).await.expect("the connection never ends");
    ended.expect("the connection has ended because of a bug");
    // Whatever a coach may order: in another session nobody's connection ends because of it.
    let clock = json!({"type": "clock", "client_sent_us": 5});
    let answer = asked(&mut other, clock).await;
    assert_eq!(answer["client_sent_us"], 5, "{answer}");
    drop(other);
    timeout(PATIENCE, other_ends)
        .await
        .expect("it never ends")
        .expect("it has ended because of a bug");
}

fn hello(role: &str, secret: &Value) -> Value {
    json!({"type": "hello", "version_min": 1, "version_max": 1, "role": role, "secret": secret})
}

type Device = WebSocketStream<DuplexStream>;

async fn connected(server: &Arc<Server>) -> (Device, JoinHandle<()>) {
    let (here, there) = tokio::io::duplex(1 << 16);
    let stranger = server.strangers.clone().acquire_owned().await.unwrap();
    let config = Some(socket_config(1 << 18));
    let ws = WebSocketStream::from_raw_socket(there, Role::Server, config).await;
    let guest = server.shares.arrive([127, 0, 0, 1].into(), usize::MAX).unwrap();
    let ends = tokio::spawn(serve(ws, None, server.clone(), stranger, guest));
    (WebSocketStream::from_raw_socket(here, Role::Client, None).await, ends)
}

/// What is answered: the next message that is not for everybody.
async fn asked(device: &mut Device, msg: Value) -> Value {
    device.send(Message::text(msg.to_string())).await.unwrap();
    loop {
        let heard = timeout(PATIENCE, device.next()).await.expect("no answer").unwrap().unwrap();
        let Message::Text(text) = heard else { panic!("{heard}") };
        let heard: Value = serde_json::from_str(&text).unwrap();
        let wanted = match msg["type"].as_str().unwrap() {
            "hello" => "welcome",
            "create" => "created",
            "join" => "joined",
            other => other,
        };
        if heard["type"] == wanted {
            return heard;
        }
    }
}

const ATHLETES: u128 = 3;
const STROKES: u64 = 60;

/// Bytes written over a journal's files, or the end of one cut off.
///
/// # Panics
/// When reading ends because of a bug, or returns a stroke that was not rowed that way.
pub(super) fn journal(bytes: &[u8]) {
    let (whole, rowed) = rowed();
    let folder = tempfile::tempdir().unwrap();
    for (name, content) in whole {
        fs::write(folder.path().join(name), content).unwrap();
    }
    change_records(&folder.path().join("thole.db"), bytes);
    for (name, _) in whole {
        let mut content = fs::read(folder.path().join(name)).unwrap_or_default();
        let own = u8::from(name.ends_with("-wal")) + 2 * u8::from(*name == "witness");
        for change in bytes.chunks_exact(5) {
            let &[which, high, middle, low, byte] = change else { continue };
            if which % 3 != own || content.is_empty() {
                continue;
            }
            let at = u32::from_be_bytes([0, high, middle, low]) as usize % content.len();
            match which / 3 % 8 {
                0 => content.truncate(at),
                2 | 3 => {}
                1 => content.iter_mut().skip(at).take(512).for_each(|there| *there = byte),
                _ => content[at] = byte,
            }
        }
        fs::write(folder.path().join(name), content).unwrap();
    }
    let runtime = Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let by_a_bug = |error: &JournalError| error.to_string().contains("was not answered");
        for open in [SqliteJournal::open_read_only, SqliteJournal::open] {
            let Ok(journal) = open(folder.path()) else { continue };
            match journal.read(session(), 0).await {
                Err(error) => assert!(!by_a_bug(&error), "{error}"),
                Ok(found) => {
                    for (position, record) in found.records {
                        // Whose seat it is, in which recording and where it stood can be damaged, and is named then.
                        let Input::Samples { samples, .. } = &record.input else { continue };
                        let is_same = |(_, of): &(u64, Record)| {
                            matches!(&of.input, Input::Samples { samples: rowed, .. } if rowed == samples)
                        };
                        assert!(rowed.iter().any(is_same), "{position}: {record:?}");
                    }
                }
            }
            assert!(!journal.sessions().await.is_err_and(|error| by_a_bug(&error)));
            assert!(!journal.pages().await.is_err_and(|error| by_a_bug(&error)));
        }
    });
    let salvaged = folder.path().join("salvaged.db");
    // It says what could not be copied, or that nothing could.
    drop(SqliteJournal::salvage(folder.path(), &salvaged));
}

/// A byte of a record, behind the server's back: so few of a file's bytes belong to a stroke that chance alone
/// finds none.
fn change_records(file: &Path, bytes: &[u8]) {
    let changes: Vec<&[u8]> =
        bytes.chunks_exact(5).filter(|c| matches!(c[0] / 3 % 8, 2 | 3)).collect();
    if changes.is_empty() {
        return;
    }
    let connection = Connection::open(file).unwrap();
    for change in changes {
        let (position, at) = (i64::from(change[1]) % 64, usize::from(change[2]));
        let select = "SELECT payload FROM record WHERE position = ?";
        let payload = connection.query_row(select, [position], |row| row.get::<_, Vec<u8>>(0));
        let Ok(mut payload) = payload else { continue };
        if let Some(length) = std::num::NonZero::new(payload.len()) {
            payload[at % length] ^= change[4].max(1);
        }
        let update = "UPDATE record SET payload = ?1 WHERE position = ?2";
        connection.execute(update, rusqlite::params![payload, position]).unwrap();
    }
}

fn session() -> SessionId {
    SessionId(Uuid::from_u128(1))
}

type Files = Vec<(&'static str, Vec<u8>)>;

/// A journal of a few strokes, a part of it in the write-ahead file, and its records.
fn rowed() -> &'static (Files, Vec<(u64, Record)>) {
    static ROWED: OnceLock<(Files, Vec<(u64, Record)>)> = OnceLock::new();
    ROWED.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let runtime = Builder::new_current_thread().enable_all().build().unwrap();
        let records = runtime.block_on(written(folder.path()));
        let read = |name| (name, fs::read(PathBuf::from(folder.path()).join(name)).unwrap());
        let files = ["thole.db", "thole.db-wal", "witness"].map(read).to_vec();
        (files, records)
    })
}

async fn written(folder: &Path) -> Vec<(u64, Record)> {
    let journal = SqliteJournal::open(folder).unwrap();
    let athlete = |no: u128| AthleteId(Uuid::from_u128(100 + no));
    let entry = |no: u128| {
        let entry = json!({"spec": {"name": format!("Rower {no}")}, "aim": {}});
        (athlete(no), serde_json::from_value::<RosterEntry>(entry).unwrap())
    };
    let created =
        Input::Created { title: "A test".into(), settings: SessionSettings::default(), by: None };
    let athletes = (0..ATHLETES).map(entry).collect();
    let command = CommandId(Uuid::from_u128(9));
    let first = [created, Input::AthletesAdded { command, athletes }];
    let row = SessionRow {
        session: session(),
        code: JoinCode::from_random(5),
        created_unix_ms: 1_764_380_000_000,
        closed_unix_ms: None,
    };
    let (mut create, mut next) = (Some(row), 0);
    let mut records: Vec<Vec<Record>> =
        vec![first.into_iter().map(|input| Record { at: At(0), input }).collect()];
    records.extend((0..STROKES).map(|no| {
        let seq = u32::try_from(no / 3 + 1).unwrap();
        let who = u128::from(no % 3);
        let heard_ms = i64::try_from(1_000 + 700 * no).unwrap();
        let distance_dm = i64::from(seq) * 91;
        let sample = Sample { seq, heard_ms, distance_dm, ..Sample::default() };
        let run = RunId(Uuid::from_u128(200 + who));
        let input = Input::Samples { athlete: athlete(who), run, samples: vec![sample] };
        vec![Record { at: At(1_000 + 700 * no), input }]
    }));
    for (no, records) in records.into_iter().enumerate() {
        let append = Append {
            session: session(),
            create: create.take(),
            tenure: 0,
            first: next,
            records: Arc::new(records),
            revoke: Vec::new(),
            grant: Vec::new(),
            closed_unix_ms: None,
            reckoned: None,
        };
        next = journal.append(append).await.unwrap();
        if no == 30 {
            journal.fold_in().await.unwrap();
        }
    }
    let found = journal.read(session(), 0).await.unwrap();
    assert_eq!(found.damage, []);
    found.records
}
