//! What the program logs about itself: whoever runs it learns what happens, and no secret, no name and no heart rate,
//! at any level.

use std::{
    collections::BTreeSet,
    fs::{self, File},
    path::Path,
};

use serde_json::{Value, json};
use tokio::net::TcpStream;
use tokio_tungstenite::{WebSocketStream, tungstenite::Message};
use uuid::Uuid;

use crate::program::{Started, next, say, session_made, signal};

/// Names, and other words that people typed.
const WORDS: [&str; 8] = [
    "Philomena",
    "Quartz",
    "Ingeborg",
    "Weir House",
    "Seventeen herons",
    "long and loose",
    "machine by the window",
    "nobody-has-this-secret-0123456789",
];
/// A heart rate that is no other number of the session.
const HEART_BPM: u32 = 173;

type Socket = WebSocketStream<TcpStream>;

/// Goes on until a message of this type, or the end, and keeps every secret that comes.
async fn hears(socket: &mut Socket, kind: &str, secrets: &mut BTreeSet<String>) -> Value {
    loop {
        match next(socket).await {
            Message::Text(text) => {
                let said: Value = serde_json::from_str(&text).unwrap();
                collect(&said, secrets);
                if said["type"] == kind {
                    return said;
                }
            }
            Message::Close(frame) => return json!({"closed": u16::from(frame.unwrap().code)}),
            Message::Binary(_) | Message::Ping(_) | Message::Pong(_) | Message::Frame(_) => {}
        }
    }
}

/// Goes on until a piece has entered this phase.
async fn comes_into(socket: &mut Socket, phase: &str, secrets: &mut BTreeSet<String>) {
    loop {
        let events = hears(socket, "events", secrets).await;
        let events = events["events"].as_array().expect("events, not the end").clone();
        if events.iter().any(|event| event["what"]["phase"]["phase"] == phase) {
            return;
        }
    }
}

fn collect(said: &Value, secrets: &mut BTreeSet<String>) {
    match said {
        Value::Object(fields) => {
            for (name, value) in fields {
                if name.ends_with("secret") {
                    secrets.insert(value.as_str().unwrap().to_owned());
                }
                collect(value, secrets);
            }
        }
        Value::Array(values) => values.iter().for_each(|value| collect(value, secrets)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

async fn orders(coach: &mut Socket, order: Value) {
    say(coach, json!({"type": "command", "command": Uuid::new_v4(), "order": order})).await;
}

fn hello(role: &str, secret: &str) -> Value {
    json!({"type": "hello", "version_min": 1, "version_max": 1, "role": role, "secret": secret,
        "run": (role == "athlete").then(|| Uuid::from_u128(9)), "last_event": 0})
}

/// A piece led, rowed and stopped, with wrong secrets and broken messages in between; returns every secret that
/// was told.
async fn a_little_session(server: &Started, data: &Path) -> BTreeSet<String> {
    let mut secrets = BTreeSet::new();
    let mut coach = server.socket().await;
    let created = session_made(&mut coach, data).await;
    collect(&created, &mut secrets);
    say(&mut coach, hello("coach", created["coach_secret"].as_str().unwrap())).await;
    hears(&mut coach, "welcome", &mut secrets).await;
    let piece = json!({"title": "Seventeen herons", "repeats": [
        {"work": {"by": "distance", "distance_dm": 17_000}, "rest_ms": 0}]});
    orders(&mut coach, json!({"do": "set_pieces", "pieces": [piece]})).await;
    let athletes = json!([{"spec": {"name": "Philomena Quartz", "team": "Ingeborg"}}]);
    let add = json!({"type": "add_athletes", "command": Uuid::new_v4(), "athletes": athletes});
    say(&mut coach, add).await;
    let links = hears(&mut coach, "links", &mut secrets).await;
    let seat = &links["links"][0];

    let mut guest = server.socket().await;
    let join = json!({"type": "join", "code": created["code"], "name": "Ingeborg Quartz"});
    say(&mut guest, join).await;
    say(&mut guest, json!({"type": "join", "code": created["code"], "name": ["Philomena"]})).await;
    say(&mut guest, hello("athlete", "nobody-has-this-secret-0123456789")).await;
    assert_eq!(hears(&mut guest, "welcome", &mut secrets).await["closed"], 4_500);

    let mut athlete = server.socket().await;
    say(&mut athlete, hello("athlete", seat["secret"].as_str().unwrap())).await;
    let at_ms = hears(&mut athlete, "welcome", &mut secrets).await["at_ms"].as_u64().unwrap();
    say(
        &mut athlete,
        json!({"type": "ready", "cautions_read": true,
        "machine": "machine by the window", "clock_bound_ms": 6}),
    )
    .await;
    say(&mut athlete, json!({"type": "consent", "heart_rate": true, "wording": 1})).await;
    let reading = json!({"heard_ms": at_ms, "heart_bpm": HEART_BPM});
    say(&mut athlete, json!({"type": "heart_rate", "readings": [reading]})).await;
    say(&mut athlete, json!({"type": "heart_rate", "readings": "Philomena 173"})).await;
    say(&mut athlete, json!({"type": "Philomena"})).await;
    let sample = json!({"seq": 1, "heard_ms": at_ms, "distance_dm": 0});
    let samples = json!({"type": "samples", "run": Uuid::from_u128(9), "samples": [sample]});
    say(&mut athlete, samples).await;
    hears(&mut athlete, "ack", &mut secrets).await;

    orders(&mut coach, json!({"do": "arm"})).await;
    orders(&mut coach, json!({"do": "start"})).await;
    comes_into(&mut coach, "rowing", &mut secrets).await;
    orders(
        &mut coach,
        json!({"do": "call", "call": {"call": Uuid::new_v4(),
        "text": {"shown": "long and loose", "spoken": "long and loose"},
        "audience": {"whom": "all"}, "span": {"until": "next"}, "grace_ms": 0}}),
    )
    .await;
    let link = json!({"type": "new_link", "command": Uuid::new_v4(), "athlete": seat["athlete"]});
    say(&mut coach, link).await;
    hears(&mut coach, "links", &mut secrets).await;
    assert_eq!(hears(&mut athlete, "nothing", &mut secrets).await["closed"], 4_500);
    orders(&mut coach, json!({"do": "stop"})).await;
    comes_into(&mut coach, "stopped", &mut secrets).await;
    assert!(secrets.len() >= 4, "coach, board and an athlete's two: {secrets:?}");
    secrets
}

/// What is logged at `trace` from the start of such a session to the stop of the server, and its secrets.
async fn logged(words: &[&str]) -> (String, BTreeSet<String>) {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log");
    let words = [&["--speed", "100"], words].concat();
    let data = folder.path().join("data");
    let server = Started::telling(&data, &words, "trace", File::create(&log).unwrap());
    let secrets = a_little_session(&server, &data).await;
    signal(server.id(), "-TERM");
    let output = server.ended();
    assert!(output.status.success(), "{:?}", output.status);
    (fs::read_to_string(log).unwrap() + str::from_utf8(&output.stdout).unwrap(), secrets)
}

fn has_nothing_of_anybody(log: &str, secrets: &BTreeSet<String>) {
    for word in WORDS.into_iter().chain(secrets.iter().map(String::as_str)) {
        assert!(!log.contains(word), "{word} stands in the log: {log}");
    }
    let heart = HEART_BPM.to_string();
    for line in log.lines() {
        // Apart from the line's timestamp, no number may be the heart rate.
        let said = line.split_once("Z ").map_or(line, |(_, said)| said);
        let mut numbers = said.split(|c: char| !c.is_alphanumeric() && c != '-');
        assert!(numbers.all(|number| number != heart), "a heart rate: {line}");
    }
    assert!(!log.contains("heart"), "{log}");
}

#[tokio::test]
async fn no_secret_no_name_and_no_heart_rate_is_logged_at_any_level() {
    let (log, secrets) = logged(&[]).await;
    has_nothing_of_anybody(&log, &secrets);
    assert!(!log.contains('\u{1b}'), "colours are for terminals: {log}");
    for told in [
        "started version=\"",
        "listen=127.0.0.1:",
        "data=",
        "session made session=",
        "connected session=",
        "piece over session=",
        "closed code=4500",
        "stopping",
        "stopped",
    ] {
        assert!(log.contains(told), "{told} is not told: {log}");
    }
    let came = log.lines().find(|line| line.contains("role=\"athlete\"")).expect(&log);
    let athlete = came.split("athlete=").last().unwrap().split_whitespace().next().unwrap();
    assert!(Uuid::parse_str(athlete).is_ok(), "{came}");
    assert!(!log.contains("Some(") && !log.contains("Id("), "names of this program's: {log}");
    assert!(log.contains("speed=100"), "what is set differently is told: {log}");
    assert!(!log.contains("boards-max"), "what is as usual is not: {log}");
}

#[tokio::test]
async fn a_program_that_reads_the_log_gets_a_json_object_a_line() {
    let (log, secrets) = logged(&["--log-format", "json"]).await;
    has_nothing_of_anybody(&log, &secrets);
    let told: Vec<Value> = log.lines().filter_map(|line| serde_json::from_str(line).ok()).collect();
    let find = |message: &str| told.iter().find(|line| line["message"] == message);
    let settings = find("started").unwrap()["settings"].as_str().unwrap().to_owned();
    assert!(settings.contains("speed=100") && settings.contains("log-format=json"), "{settings}");
    assert_eq!(find("closed").unwrap()["code"], 4_500);
    assert!(find("piece over").unwrap()["session"].is_string());
    assert!(find("stopped").is_some());
}
