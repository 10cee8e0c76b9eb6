//! A session that takes long to open keeps nobody else waiting, and one that cannot be read says so for good.

use std::{
    io::Write,
    os::fd::AsFd,
    sync::{Arc, mpsc::sync_channel},
    task::Poll,
    time::Duration,
};

use futures_util::{SinkExt, StreamExt};
use rusqlite::Connection;
use serde_json::{Value, json};
use thole_protocol::close::Close;
use thole_server::{
    Server,
    clock::Clock,
    config::ServeArgs,
    connection::socket_config,
    journal::{Found, Journal, Record, SLICE, sqlite::SqliteJournal},
    start,
};
use tokio::{net::TcpStream, task::yield_now, time::timeout};
use tokio_tungstenite::{
    WebSocketStream, client_async,
    tungstenite::{Message, protocol::Role},
};

use crate::journal::{heard, made, more, session};

/// Long enough for any machine; nothing here takes it.
const PATIENCE: Duration = Duration::from_secs(60);
/// Appends of a session of several slices, and the records of each.
const APPENDS: u64 = 70;
const RECORDS: u64 = 400;

/// A session of this many records that it is read in three slices.
async fn long(folder: &std::path::Path) -> SqliteJournal {
    let journal = SqliteJournal::open(folder).unwrap();
    let mut next = journal.append(made(1)).await.unwrap();
    for append in 0..APPENDS {
        let records = (0..RECORDS).map(|no| heard(append, u128::from(no % 7))).collect();
        next = journal.append(more(1, next, records)).await.unwrap();
    }
    assert_eq!(next, APPENDS * RECORDS + 1);
    journal
}

/// All slices of a session, and what else was found.
async fn sliced(journal: &dyn Journal) -> (Vec<Vec<(u64, Record)>>, Found) {
    let (taken, slices) = sync_channel(1);
    let taking = std::thread::spawn(move || slices.iter().collect());
    let found = timeout(PATIENCE, journal.read_in_slices(session(1), taken)).await;
    (taking.join().unwrap(), found.expect("it is never read to the end").unwrap())
}

#[tokio::test]
async fn a_long_session_is_read_in_slices_and_proven_as_a_whole() {
    let folder = tempfile::tempdir().unwrap();
    let journal = long(folder.path()).await;
    let changes = [
        "SELECT 1",
        // In the first slice and in the third: a record set aside, one changed, one missing, the end lost.
        "INSERT INTO set_aside SELECT session, 17 FROM record WHERE position = 17",
        "UPDATE record SET at_ms = at_ms + 1 WHERE position IN (5, 23000)",
        "DELETE FROM record WHERE position IN (10400, 26000)",
        "DELETE FROM record WHERE position > 27500",
    ];
    for (no, change) in changes.into_iter().enumerate() {
        Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(change).unwrap();
        let (slices, found) = sliced(&journal).await;
        assert_eq!(slices.len(), 3, "{change}");
        let most = SLICE + usize::try_from(RECORDS).unwrap();
        assert!(slices.iter().all(|slice| slice.len() <= most), "{change}");
        let whole = journal.read(session(1), 0).await.unwrap();
        assert_eq!(Found { records: slices.concat(), ..found }, whole, "{change}");
        assert_eq!(whole.damage.is_empty(), no < 2, "{change}: {:?}", whole.damage);
    }
}

#[tokio::test]
async fn whoever_asks_the_journal_while_a_long_session_is_read_is_answered() {
    let folder = tempfile::tempdir().unwrap();
    let journal = long(folder.path()).await;
    let (taken, slices) = sync_channel(0);
    let reading = tokio::spawn(journal.read_in_slices(session(1), taken));
    // It has begun, and nobody takes more of it for now.
    let first = tokio::task::spawn_blocking(move || slices.recv().map(|first| (first, slices)));
    let (first, slices) = first.await.unwrap().unwrap();
    assert!(first.len() >= SLICE, "the first slice has {} records", first.len());
    let asked = timeout(PATIENCE, journal.session(session(1))).await;
    assert!(asked.expect("nobody is answered meanwhile").unwrap().is_some());
    // Whoever was recomputing it has stopped: so does the reader.
    drop(slices);
    let stopped = timeout(PATIENCE, reading).await.expect("it is read for nobody").unwrap();
    assert!(stopped.is_err());
}

type Socket = WebSocketStream<TcpStream>;

async fn dialled(address: std::net::SocketAddr) -> Socket {
    let io = TcpStream::connect(address).await.unwrap();
    client_async(format!("ws://{address}/ws"), io).await.unwrap().0
}

async fn says(socket: &mut Socket, msg: Value) {
    socket.send(Message::text(msg.to_string())).await.unwrap();
}

/// The next message of this type; or the code with which the server closes.
async fn hears(socket: &mut Socket, kind: &str) -> Result<Value, u16> {
    loop {
        let heard = timeout(PATIENCE, socket.next()).await.expect("nothing is heard");
        match heard.unwrap().unwrap() {
            Message::Close(frame) => return Err(frame.unwrap().code.into()),
            Message::Text(text) => {
                let msg: Value = serde_json::from_str(&text).unwrap();
                if msg["type"] == kind {
                    return Ok(msg);
                }
            }
            Message::Binary(_) | Message::Ping(_) | Message::Pong(_) | Message::Frame(_) => {}
        }
    }
}

fn hello(created: &Value) -> Value {
    json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": created["coach_secret"]})
}

fn server_args() -> ServeArgs {
    ServeArgs::default().with("listen", "127.0.0.1:0")
}

/// As a busy core does, or one that was taken away for a while: nothing on this thread goes on.
fn hold_up(lasts: Duration) {
    let began = Clock::new(1).instant();
    while began.elapsed() < lasts {
        std::hint::spin_loop();
    }
}

/// A small frame with the mask 0 (RFC 6455 section 5.2), bypassing the runtime, which is held up.
fn says_past_the_runtime(raw: &std::net::TcpStream, no: u64) {
    let text = json!({"type": "clock", "client_sent_us": no}).to_string();
    let length = u8::try_from(text.len()).unwrap();
    let frame = [&[0x81, 0x80 | length, 0, 0, 0, 0], text.as_bytes()].concat();
    (&*raw).write_all(&frame).unwrap();
}

/// Others that are ready go first, while the system is not asked.
async fn lets_others_go_first() {
    for _ in 0..5 {
        let mut waited = false;
        std::future::poll_fn(|context| {
            if std::mem::replace(&mut waited, true) {
                return Poll::Ready(());
            }
            context.waker().wake_by_ref();
            Poll::Pending
        })
        .await;
    }
}

/// One thread, as on one core. A pipe within the process would wake the connection by itself; for a socket the system
/// has to be asked.
/// to be asked.
#[tokio::test]
async fn who_spoke_while_the_server_was_held_up_is_heard_and_not_closed_as_silent() {
    let silence = Duration::from_secs(1);
    let mut settings = server_args().settings().unwrap();
    settings.speed = 50;
    settings.limits.silence = silence;
    let journal = Arc::new(thole_server::journal::memory::MemoryJournal::default());
    let running = start(settings, journal).await.unwrap();
    let key = running.server.makers.machine_key();
    let mut coach = dialled(running.address).await;
    says(&mut coach, json!({"type": "create", "title": "A test", "key": key})).await;
    let created = hears(&mut coach, "created").await.unwrap();
    says(&mut coach, hello(&created)).await;
    hears(&mut coach, "welcome").await.unwrap();
    let raw = coach.get_ref().as_fd().try_clone_to_owned().unwrap();
    let raw = Arc::new(std::net::TcpStream::from(raw));
    for no in 0..3 {
        if no > 0 {
            // The session is told that nothing is heard; the next step would be to close.
            hold_up(silence / 5);
            for _ in 0..6 {
                hold_up(Duration::from_millis(20));
                yield_now().await;
            }
        }
        match no {
            0 => {
                // Spoken before the system is asked what has come, and what time it is.
                says_past_the_runtime(&raw, no);
                hold_up(silence + silence / 10);
            }
            1 => {
                // Between the two, asking the system and judging: it was asked too early.
                hold_up(silence);
                yield_now().await;
                says_past_the_runtime(&raw, no);
            }
            _ => {
                // Held up once more between the first look and the second, by a task whose turn comes in between.
                let raw = raw.clone();
                let busy = tokio::spawn(async move {
                    hold_up(silence);
                    yield_now().await;
                    lets_others_go_first().await;
                    hold_up(Duration::from_millis(20));
                    says_past_the_runtime(&raw, no);
                });
                busy.await.unwrap();
            }
        }
        let answered = hears(&mut coach, "clock").await;
        assert_eq!(answered.map(|answer| answer["client_sent_us"].clone()), Ok(json!(no)));
    }
    // Whoever says nothing is closed all the same.
    assert_eq!(hears(&mut coach, "clock").await, Err(Close::Silent.code()));
}

#[tokio::test]
async fn a_session_that_cannot_be_read_closes_for_good_and_the_others_go_on() {
    let folder = tempfile::tempdir().unwrap();
    let journal = Arc::new(SqliteJournal::open(folder.path()).unwrap());
    let server = Arc::new(Server::new(server_args().settings().unwrap(), journal));
    let connect = async || {
        let (here, there) = tokio::io::duplex(1 << 16);
        let stranger = server.strangers.clone().acquire_owned().await.unwrap();
        let config = Some(socket_config(1 << 18));
        let ws = WebSocketStream::from_raw_socket(there, Role::Server, config).await;
        let guest = server.shares.arrive([127, 0, 0, 1].into(), usize::MAX).unwrap();
        tokio::spawn(thole_server::connection::serve(ws, None, server.clone(), stranger, guest));
        WebSocketStream::from_raw_socket(here, Role::Client, None).await
    };
    let mut secrets = Vec::new();
    for title in ["Weir House", "Mill House"] {
        let mut coach = connect().await;
        let key = server.makers.machine_key();
        let create = json!({"type": "create", "title": title, "key": key});
        coach.send(Message::text(create.to_string())).await.unwrap();
        let text = coach.next().await.unwrap().unwrap().into_text().unwrap();
        secrets.push(serde_json::from_str::<Value>(&text).unwrap());
    }
    // A code that no program has ever made.
    let change = "UPDATE session SET code = 'no code' WHERE number = 1";
    Connection::open(folder.path().join("thole.db")).unwrap().execute_batch(change).unwrap();
    let mut first = Vec::new();
    for created in &secrets {
        let mut coach = connect().await;
        coach.send(Message::text(hello(created).to_string())).await.unwrap();
        first.push(timeout(PATIENCE, coach.next()).await.unwrap().unwrap().unwrap());
    }
    let Message::Close(Some(close)) = &first[0] else { panic!("{:?}", first[0]) };
    assert_eq!(u16::from(close.code), Close::Unreadable.code());
    assert!(close.reason.contains("thole-server check"), "{}", close.reason);
    assert!(first[1].to_text().unwrap().contains("\"welcome\""), "{}", first[1]);
}
