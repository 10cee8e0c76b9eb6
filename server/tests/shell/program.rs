//! The program itself: what it refuses to start with, how it says that it is ready, how it ends.

use std::{
    fs::File,
    io::{BufRead, BufReader},
    net::SocketAddr,
    path::Path,
    process::{Child, Command, Output, Stdio},
    sync::mpsc,
    thread,
    time::Duration,
};

use futures_util::{SinkExt, StreamExt};
use serde_json::{Value, json};
use tokio::{net::TcpStream, time::timeout};
use tokio_tungstenite::{WebSocketStream, client_async, tungstenite::Message};

/// Long enough for any machine; nothing here takes it.
const PATIENCE: Duration = Duration::from_secs(30);

fn serve(data: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    command.env_clear().arg("serve").arg("--data").arg(data).args(["--listen", "127.0.0.1:0"]);
    command.args(words).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// Waits for the end of a program, and for no longer than `PATIENCE`.
fn ended(child: Child) -> Output {
    let id = child.id();
    let (send, receive) = mpsc::channel();
    thread::spawn(move || send.send(child.wait_with_output()));
    receive.recv_timeout(PATIENCE).map_or_else(
        |_| {
            signal(id, "-KILL");
            panic!("the program never ended");
        },
        Result::unwrap,
    )
}

pub(crate) fn signal(id: u32, which: &str) {
    assert!(Command::new("kill").args([which, &id.to_string()]).status().unwrap().success());
}

/// What it says on standard error when it refuses to start.
fn refusal(command: &mut Command) -> String {
    let output = ended(command.spawn().unwrap());
    assert!(!output.status.success(), "it went on");
    assert!(output.stdout.is_empty(), "it said that it is ready");
    String::from_utf8(output.stderr).unwrap()
}

/// Killed when a test is done with it, however that ends.
pub(crate) struct Started {
    child: Option<Child>,
    address: SocketAddr,
}

impl Started {
    pub(crate) fn new(data: &Path, words: &[&str]) -> Started {
        Started::by(&mut serve(data, words))
    }

    /// One that logs this much, into a file: more than fits into a pipe that nobody reads.
    pub(crate) fn telling(data: &Path, words: &[&str], level: &str, log: File) -> Started {
        Started::by(serve(data, words).env("RUST_LOG", level).stderr(log))
    }

    pub(crate) fn by(command: &mut Command) -> Started {
        let mut child = command.spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let address = line.trim_end().strip_prefix("listening on http://").map(str::parse);
        Started { child: Some(child), address: address.expect(&line).unwrap() }
    }

    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    pub(crate) fn id(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    pub(crate) fn ended(mut self) -> Output {
        ended(self.child.take().unwrap())
    }

    pub(crate) async fn socket(&self) -> WebSocketStream<TcpStream> {
        let io = TcpStream::connect(self.address).await.unwrap();
        client_async(format!("ws://{}/ws", self.address), io).await.unwrap().0
    }
}

impl Drop for Started {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }
}

pub(crate) async fn say(socket: &mut WebSocketStream<TcpStream>, value: Value) {
    socket.send(Message::text(value.to_string())).await.unwrap();
}

pub(crate) async fn next(socket: &mut WebSocketStream<TcpStream>) -> Message {
    timeout(PATIENCE, socket.next()).await.expect("nothing comes").unwrap().unwrap()
}

/// The key with which a program on this machine makes a session.
fn machine_key(data: &Path) -> String {
    let left = std::fs::read_to_string(data.join("machine-key")).unwrap();
    left.lines().next().unwrap().to_owned()
}

pub(crate) async fn session_made(socket: &mut WebSocketStream<TcpStream>, data: &Path) -> Value {
    let key = machine_key(data);
    say(socket, json!({"type": "create", "title": "Weir House", "key": key})).await;
    let created = serde_json::from_str(next(socket).await.to_text().unwrap()).unwrap();
    let created: Value = created;
    assert_eq!(created["type"], "created", "{created}");
    created
}

#[test]
fn a_wrong_setting_stops_it_at_the_start_by_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let says = refusal(&mut serve(&data, &["--boards-max", "0"]));
    assert_eq!(says, "boards-max: 0 is not a whole number from 1 to 1000.\n");
    let says = refusal(serve(&data, &[]).env("THOLE_BOARDS_MAX", "many"));
    assert_eq!(says, "boards-max: \"many\" is not a whole number from 1 to 1000.\n");
    let says = refusal(serve(&data, &[]).env("THOLE_BORDS_MAX", "2"));
    assert!(says.starts_with("THOLE_BORDS_MAX: there is no such setting"), "{says}");
    let says = refusal(&mut serve(&data, &["--bords-max", "2"]));
    assert!(says.contains("--bords-max") && says.contains("--boards-max"), "a hint: {says}");
    let file = folder.path().join("thole.toml");
    std::fs::write(&file, "boards-max = 0").unwrap();
    let config = ["--config", file.to_str().unwrap()];
    let says = refusal(&mut serve(&data, &config));
    assert!(says.starts_with("boards-max: 0"), "{says}");
    // The environment takes precedence over the file, a flag over both.
    let says = refusal(serve(&data, &config).env("THOLE_BOARDS_MAX", "1001"));
    assert!(says.starts_with("boards-max: 1001"), "{says}");
    let says = refusal(
        serve(&data, &[config, ["--boards-max", "1002"]].concat()).env("THOLE_BOARDS_MAX", "1001"),
    );
    assert!(says.starts_with("boards-max: 1002"), "{says}");
    assert!(!data.exists(), "nothing was made by what was refused");
}

#[test]
fn a_second_server_on_the_same_folder_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let _first = Started::new(folder.path(), &[]);
    let says = refusal(&mut serve(folder.path(), &[]));
    assert!(says.contains("another server is using this folder"), "{says}");
}

#[tokio::test]
async fn asked_to_stop_it_sends_everybody_away_to_come_back_and_ends_well() {
    let folder = tempfile::tempdir().unwrap();
    let server = Started::new(folder.path(), &["--speed", "3"]);
    let mut coach = server.socket().await;
    let secret = session_made(&mut coach, folder.path()).await["coach_secret"].clone();
    let hello = json!({
        "type": "hello", "version_min": 1, "version_max": 1, "role": "coach", "secret": secret,
        "run": null, "last_event": 0,
    });
    say(&mut coach, hello).await;
    let welcome: Value = serde_json::from_str(next(&mut coach).await.to_text().unwrap()).unwrap();
    assert_eq!(welcome["type"], "welcome", "{welcome}");
    signal(server.id(), "-TERM");
    let close = loop {
        if let Message::Close(frame) = next(&mut coach).await {
            break frame.unwrap();
        }
    };
    // "Service Restart" in IANA's registry of WebSocket close codes.
    assert_eq!(u16::from(close.code), 1_012);
    // Nothing but the end comes now; looking for it answers the close.
    while coach.next().await.is_some_and(|message| message.is_ok()) {}
    let output = server.ended();
    assert!(output.status.success(), "{:?}", output.status);
    let says = String::from_utf8(output.stderr).unwrap();
    assert!(says.contains("3 times faster than real time"), "said loudly: {says}");
    assert!(!says.contains(secret.as_str().unwrap()), "no secret in what it says: {says}");
}

#[tokio::test]
async fn when_the_journal_cannot_be_written_it_ends_at_once_and_badly() {
    let folder = tempfile::tempdir().unwrap();
    let server = Started::new(folder.path(), &[]);
    session_made(&mut server.socket().await, folder.path()).await;
    let beside = rusqlite::Connection::open(folder.path().join("thole.db")).unwrap();
    let sql = "CREATE TRIGGER full BEFORE INSERT ON record
               BEGIN SELECT RAISE(ABORT, 'no more room'); END";
    beside.execute_batch(sql).unwrap();
    let mut socket = server.socket().await;
    let key = machine_key(folder.path());
    say(&mut socket, json!({"type": "create", "title": "Mill Reach", "key": key})).await;
    let output = server.ended();
    assert!(!output.status.success(), "{:?}", output.status);
    let says = String::from_utf8(output.stderr).unwrap();
    assert!(says.contains("the journal cannot be written: no more room"), "{says}");
    let told = socket.next().await;
    let told = told.and_then(Result::ok).filter(|message| message.is_text());
    assert!(told.is_none(), "nobody is told of a session that is not durable: {told:?}");
    // The next start goes on from what is durable.
    beside.execute_batch("DROP TRIGGER full").unwrap();
    let started = Started::new(folder.path(), &[]);
    session_made(&mut started.socket().await, folder.path()).await;
}

/// The link is a secret: a log is read by more people, and for longer, than it is meant for.
#[tokio::test]
async fn the_head_coachs_link_goes_into_a_file_and_never_into_a_log() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let server = Started::new(&data, &[]);
    let read = |name: &str| std::fs::read_to_string(data.join(name)).unwrap();
    let link = read("coach-link");
    let (address, key) = link.trim_end().split_once("/coach/#").unwrap();
    assert_eq!(address, format!("http://{}", server.address));
    assert!(!read("coach-key").contains(key), "of the key only its hash is kept");
    let create = async |key: Option<&str>| -> Value {
        let mut socket = server.socket().await;
        say(&mut socket, json!({"type": "create", "title": "Weir House", "key": key})).await;
        serde_json::from_str(next(&mut socket).await.to_text().unwrap()).unwrap()
    };
    // That this test is on the same machine proves nothing.
    let refused = create(None).await;
    assert_eq!(refused["refusal"]["why"], "not_yours", "{refused}");
    assert!(
        refused["refusal"]["says"].as_str().unwrap().contains("head coach's link"),
        "{refused}"
    );
    assert_eq!(create(Some(key)).await["type"], "created");
    // Another link ends the validity of this one while the server runs.
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    let another = command.env_clear().args(["coach-link", "--data"]).arg(&data).output().unwrap();
    assert!(another.status.success(), "{another:?}");
    let (said, new_link) = (String::from_utf8(another.stdout).unwrap(), read("coach-link"));
    assert!(said.trim_end().ends_with("coach-link") && !said.contains('#'), "{said}");
    let (_, new_key) = new_link.trim_end().split_once("/coach/#").unwrap();
    assert_eq!(create(Some(key)).await["refusal"]["why"], "not_yours");
    assert_eq!(create(Some(new_key)).await["type"], "created");
    signal(server.id(), "-TERM");
    let says = String::from_utf8(server.ended().stderr).unwrap();
    assert!(says.contains("coach-link"), "it says where: {says}");
    let machine = machine_key(&data);
    for secret in [key, new_key, &machine] {
        assert!(!says.contains(secret), "no secret in what it says: {says}");
    }
}
