//! The cheapest server that the same library allows: it receives the same messages and sends as many, as
//! long, at the same moments, but does no work: no ranking, no projection, no journal, constant texts.

use std::{
    io::Write,
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use futures_util::{SinkExt, StreamExt};
use serde::{Deserialize, Serialize};
use tokio::{
    net::{TcpListener, TcpStream},
    sync::mpsc,
    time::{Instant, sleep_until},
};
use tokio_tungstenite::{
    WebSocketStream, accept_async_with_config,
    tungstenite::{Error, Message, Utf8Bytes, protocol::WebSocketConfig},
};

use crate::settings::TEAMS;

/// As in the server: something is said at least once a second.
const HEARTBEAT: Duration = Duration::from_secs(1);
/// Messages that may wait for one connection.
const QUEUE: usize = 64;
/// The system's own queue of incoming connections.
const BACKLOG: u32 = 4_096;

/// Lengths of what is sent, as they were measured on the real server.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct Lengths {
    /// Answer to a stroke.
    pub(crate) ack: usize,
    /// First message to an athlete.
    pub(crate) welcome: usize,
    /// A focus call.
    pub(crate) call: usize,
    /// What a board gets once a second.
    pub(crate) standings: usize,
    /// What a coach gets once a second.
    pub(crate) overview: usize,
    /// What coach and boards are told of a call.
    pub(crate) call_sent: usize,
}

impl Default for Lengths {
    fn default() -> Lengths {
        Lengths {
            ack: 600,
            welcome: 1_200,
            call: 250,
            standings: 2_000_000,
            overview: 2_500_000,
            call_sent: 200_000,
        }
    }
}

/// The texts, each made once.
struct Texts {
    ack: Utf8Bytes,
    welcome: Utf8Bytes,
    call: Utf8Bytes,
    standings: Utf8Bytes,
    overview: Utf8Bytes,
    call_sent: Utf8Bytes,
    heartbeat: Utf8Bytes,
}

impl Texts {
    fn of(lengths: Lengths) -> Texts {
        Texts {
            ack: padded(
                r#"{"type":"ack","durable":{"through_seq":4294967295},"events":[]"#,
                lengths.ack,
            ),
            welcome: padded(r#"{"type":"welcome","at_ms":0,"epoch":"floor""#, lengths.welcome),
            call: padded(
                r#"{"type":"events","events":[{"event":1,"late":false,"what":{"kind":"call","call":"newest"}}]"#,
                lengths.call,
            ),
            standings: padded(r#"{"type":"standings""#, lengths.standings),
            overview: padded(r#"{"type":"overview""#, lengths.overview),
            call_sent: padded(r#"{"type":"events","events":[]"#, lengths.call_sent),
            heartbeat: r#"{"type":"heartbeat","at_ms":123456}"#.into(),
        }
    }
}

fn padded(begin: &str, length: usize) -> Utf8Bytes {
    let room = length.saturating_sub(begin.len() + 9);
    format!(r#"{begin},"pad":"{}"}}"#, "x".repeat(room)).into()
}

/// Who is connected.
#[derive(Default)]
struct There {
    athletes: Vec<mpsc::Sender<Utf8Bytes>>,
    coaches: Vec<mpsc::Sender<Utf8Bytes>>,
    boards: Vec<mpsc::Sender<Utf8Bytes>>,
}

struct Floor {
    texts: Texts,
    there: Mutex<There>,
}

impl Floor {
    fn there(&self) -> std::sync::MutexGuard<'_, There> {
        self.there.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Serves until it is stopped.
///
/// # Errors
/// It cannot listen.
#[tokio::main]
pub(crate) async fn serve(lengths: Lengths) -> Result<(), String> {
    let told = |error: std::io::Error| format!("the floor cannot listen: {error}");
    let socket = tokio::net::TcpSocket::new_v4().map_err(told)?;
    socket.bind(([127, 0, 0, 1], 0).into()).map_err(told)?;
    let listener = socket.listen(BACKLOG).map_err(told)?;
    println!("listening on floor://{}", listener.local_addr().map_err(told)?);
    std::io::stdout().flush().map_err(told)?;
    let floor = Arc::new(Floor { texts: Texts::of(lengths), there: Mutex::default() });
    tokio::spawn(screens(floor.clone()));
    accept(listener, floor).await
}

async fn accept(listener: TcpListener, floor: Arc<Floor>) -> Result<(), String> {
    loop {
        let (io, _) = listener.accept().await.map_err(|error| error.to_string())?;
        let floor = floor.clone();
        tokio::spawn(async move {
            // Whoever leaves has left.
            let _ = one(io, &floor).await;
        });
    }
}

/// Once a second all screens get their state.
async fn screens(floor: Arc<Floor>) {
    let mut beat = tokio::time::interval(Duration::from_secs(1));
    loop {
        beat.tick().await;
        let there = floor.there();
        say(&there.boards, &floor.texts.standings);
        say(&there.coaches, &floor.texts.overview);
    }
}

fn say(these: &[mpsc::Sender<Utf8Bytes>], text: &Utf8Bytes) {
    for one in these {
        // A connection that is full or gone gets the next one.
        let _ = one.try_send(text.clone());
    }
}

async fn one(io: TcpStream, floor: &Floor) -> Result<(), Error> {
    io.set_nodelay(true)?;
    let config = WebSocketConfig::default().read_buffer_size(4 << 10).write_buffer_size(4 << 10);
    let mut socket = accept_async_with_config(io, Some(config)).await?;
    let (outbox, mut queue) = mpsc::channel(QUEUE);
    let beat = sleep_until(Instant::now() + HEARTBEAT);
    tokio::pin!(beat);
    loop {
        let said = tokio::select! {
            biased;
            queued = queue.recv() => queued,
            heard = socket.next() => match heard {
                Some(Ok(Message::Text(text))) => answer(&text, &outbox, floor),
                Some(Ok(Message::Close(_)) | Err(_)) | None => return Ok(()),
                Some(Ok(_)) => None,
            },
            () = beat.as_mut() => Some(floor.texts.heartbeat.clone()),
        };
        if let Some(text) = said {
            beat.as_mut().reset(Instant::now() + HEARTBEAT);
            send(&mut socket, text).await?;
        }
    }
}

async fn send(socket: &mut WebSocketStream<TcpStream>, text: Utf8Bytes) -> Result<(), Error> {
    socket.send(Message::Text(text)).await
}

fn answer(text: &str, outbox: &mpsc::Sender<Utf8Bytes>, floor: &Floor) -> Option<Utf8Bytes> {
    if text.starts_with(r#"{"type":"samples""#) {
        return Some(floor.texts.ack.clone());
    }
    if text.starts_with(r#"{"type":"join""#) {
        return Some(r#"{"type":"joined","secret":"floor"}"#.into());
    }
    if text.starts_with(r#"{"type":"create""#) {
        let created = r#"{"type":"created","code":"floor","coach_secret":"c","board_secret":"b"}"#;
        return Some(created.into());
    }
    if text.starts_with(r#"{"type":"hello""#) {
        let mut there = floor.there();
        let list = if text.contains(r#""role":"athlete""#) {
            &mut there.athletes
        } else if text.contains(r#""role":"coach""#) {
            &mut there.coaches
        } else {
            &mut there.boards
        };
        list.push(outbox.clone());
        return Some(floor.texts.welcome.clone());
    }
    if text.contains(r#""do":"call""#) {
        let there = floor.there();
        let step = if text.contains(r#""whom":"all""#) { 1 } else { TEAMS.len() };
        for athlete in there.athletes.iter().step_by(step) {
            let _ = athlete.try_send(floor.texts.call.clone());
        }
        say(&there.boards, &floor.texts.call_sent);
        say(&there.coaches, &floor.texts.call_sent);
    }
    None
}
