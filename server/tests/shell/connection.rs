//! Connections over an in-memory stream: who may say what, who is let in, who is sent away.

use std::{sync::Arc, time::Duration};

use futures_util::{SinkExt, StreamExt};
use serde_json::{Value, json};
use thole_protocol::close::Close;
use thole_server::{
    Server,
    config::ServeArgs,
    connection::{serve, socket_config},
    journal::memory::MemoryJournal,
};
use tokio::{io::DuplexStream, time::timeout};
use tokio_tungstenite::{
    WebSocketStream,
    tungstenite::{Message, protocol::Role},
};
use uuid::Uuid;

/// Every message type, with fields that fit.
fn every_message() -> Vec<Value> {
    let id = Uuid::from_u128(5);
    vec![
        json!({"type": "samples", "run": id, "samples": []}),
        json!({"type": "skip", "run": id, "from_seq": 1, "to_seq": 1}),
        json!({"type": "heart_rate", "readings": []}),
        json!({"type": "consent", "heart_rate": false, "wording": 1}),
        json!({"type": "ready", "cautions_read": true}),
        json!({"type": "aim", "piece": 0, "aim": {}}),
        json!({"type": "stop_rowing"}),
        json!({"type": "row_on"}),
        json!({"type": "command", "command": id, "order": {"do": "arm"}}),
        json!({"type": "add_athletes", "command": id, "athletes": []}),
        json!({"type": "new_link", "command": id, "athlete": id}),
        json!({"type": "take_command", "command": id}),
        json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach", "secret": "x"}),
        json!({"type": "create", "title": "Another"}),
        json!({"type": "join", "code": "KAMU RETA", "name": "Ana"}),
    ]
}

struct Gym {
    server: Arc<Server>,
    created: Value,
}

struct Device {
    ws: WebSocketStream<DuplexStream>,
}

impl Gym {
    async fn new() -> Gym {
        let settings = ServeArgs::default().settings().unwrap();
        let server = Arc::new(Server::new(settings, Arc::new(MemoryJournal::default())));
        let mut coach = Device::dial(&server, 1 << 16).await;
        coach.say(json!({"type": "create", "title": "A test"})).await;
        let created = coach.hears("created").await;
        Gym { server, created }
    }

    async fn enter(&self, role: &str, secret: &Value) -> Device {
        let mut device = Device::dial(&self.server, 1 << 16).await;
        device.hello(role, secret).await;
        device
    }

    async fn coach(&self) -> Device {
        self.enter("coach", &self.created["coach_secret"]).await
    }

    async fn board(&self) -> Device {
        self.enter("board", &self.created["board_secret"]).await
    }

    /// Joins by code; the secret to come back with.
    async fn join(&self, name: &str) -> Value {
        let mut device = Device::dial(&self.server, 1 << 16).await;
        device.say(json!({"type": "join", "code": self.created["code"], "name": name})).await;
        device.hears("joined").await["secret"].clone()
    }
}

impl Device {
    /// Over a pipe that holds so many bytes.
    async fn dial(server: &Arc<Server>, pipe: usize) -> Device {
        let (here, there) = tokio::io::duplex(pipe);
        let stranger = server.strangers.clone().acquire_owned().await.unwrap();
        let config = Some(socket_config(1 << 18));
        let ws = WebSocketStream::from_raw_socket(there, Role::Server, config).await;
        tokio::spawn(serve(ws, server.clone(), stranger));
        Device { ws: WebSocketStream::from_raw_socket(here, Role::Client, None).await }
    }

    async fn hello(&mut self, role: &str, secret: &Value) {
        let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": role,
            "secret": secret});
        self.say(hello).await;
    }

    async fn say(&mut self, msg: Value) {
        self.ws.send(Message::text(msg.to_string())).await.unwrap();
    }

    /// The next message of this type.
    async fn hears(&mut self, kind: &str) -> Value {
        loop {
            let message = timeout(Duration::from_secs(20), self.ws.next()).await;
            let message = message.unwrap_or_else(|_| panic!("{kind} did not come"));
            let text = message.unwrap().unwrap().into_text().unwrap();
            let msg: Value = serde_json::from_str(&text).unwrap();
            if msg["type"] == kind {
                return msg;
            }
        }
    }

    /// The code with which the server closes this connection; 1006 when none comes (RFC 6455 7.1.5).
    async fn is_closed(&mut self) -> u16 {
        loop {
            let message = timeout(Duration::from_secs(60), self.ws.next()).await;
            match message.expect("it stays open") {
                Some(Ok(Message::Close(Some(frame)))) => return frame.code.into(),
                Some(Ok(_)) => {}
                Some(Err(_)) | None => return 1006,
            }
        }
    }
}

#[tokio::test(start_paused = true)]
async fn every_role_may_say_what_its_table_says_and_a_refusal_closes_nothing() {
    let gym = Gym::new().await;
    let athlete = gym.join("Ana").await;
    let allowed = [("coach", 8..12), ("athlete", 0..8), ("board", 0..0)];
    for (role, may) in allowed {
        let mut device = match role {
            "coach" => gym.coach().await,
            "board" => gym.board().await,
            _ => gym.enter("athlete", &athlete).await,
        };
        device.hears("welcome").await;
        for (no, msg) in every_message().into_iter().enumerate() {
            device.say(msg.clone()).await;
            // The clock is answered behind it, so what was not refused by then was understood.
            device.say(json!({"type": "clock", "client_sent_us": no})).await;
            let mut refused = false;
            loop {
                let text = device.ws.next().await.unwrap().unwrap().into_text().unwrap();
                let heard: Value = serde_json::from_str(&text).unwrap();
                refused |= heard["type"] == "refused" && heard["refusal"]["why"] == "not_yours";
                if heard["type"] == "clock" && heard["client_sent_us"] == no {
                    break;
                }
            }
            assert_eq!(refused, !may.contains(&no), "{role} says {msg}");
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_wrong_secret_gets_one_code_and_no_hint() {
    let gym = Gym::new().await;
    let mut strange = gym.enter("coach", &json!("not a secret of anybody's")).await;
    assert_eq!(strange.is_closed().await, Close::WrongSecret.code());
    // A board's secret does not make a coach, and says no more than any other wrong one.
    let mut board = gym.enter("coach", &gym.created["board_secret"]).await;
    assert_eq!(board.is_closed().await, Close::WrongSecret.code());
}

#[tokio::test(start_paused = true)]
async fn the_newer_connection_of_an_athlete_wins() {
    let gym = Gym::new().await;
    let secret = gym.join("Ana").await;
    let mut old = gym.enter("athlete", &secret).await;
    old.hears("welcome").await;
    let mut new = gym.enter("athlete", &secret).await;
    new.hears("welcome").await;
    assert_eq!(old.is_closed().await, Close::Replaced.code());
    new.say(json!({"type": "clock", "client_sent_us": 7})).await;
    new.hears("clock").await;
}

#[tokio::test(start_paused = true)]
async fn three_devices_lead_one_commands_and_it_can_be_taken_over() {
    let gym = Gym::new().await;
    let mut devices = Vec::new();
    for no in 0..3 {
        let mut device = gym.coach().await;
        assert_eq!(device.hears("welcome").await["in_command"], no == 0);
        devices.push(device);
    }
    assert_eq!(gym.coach().await.is_closed().await, Close::RoleFull.code());
    let prepare = |no: u128| {
        json!({"type": "command", "command": Uuid::from_u128(no),
            "order": {"do": "prepare_calls", "calls": [{"shown": "Sit tall"}]}})
    };
    devices[1].say(prepare(1)).await;
    assert_eq!(devices[1].hears("refused").await["refusal"]["why"], "not_in_command");
    devices[1].say(json!({"type": "take_command", "command": Uuid::from_u128(2)})).await;
    assert_eq!(devices[0].hears("in_command").await["yes"], false);
    assert_eq!(devices[1].hears("in_command").await["yes"], true);
    devices[1].say(prepare(3)).await;
    assert_eq!(devices[1].hears("done").await["command"], json!(Uuid::from_u128(2)));
    assert_eq!(devices[1].hears("done").await["command"], json!(Uuid::from_u128(3)));
}

#[tokio::test]
async fn a_reader_that_does_not_read_delays_nobody() {
    let gym = Gym::new().await;
    let mut coach = gym.coach().await;
    coach.hears("welcome").await;
    // This board takes its welcome and never reads again; its pipe holds 2 KiB.
    let mut slow = Device::dial(&gym.server, 2 << 10).await;
    slow.hello("board", &gym.created["board_secret"]).await;
    slow.hears("welcome").await;
    let mut board = gym.board().await;
    board.hears("welcome").await;
    // More than a coach may say in one go, so that the coach is slowed down too.
    for no in 1..=60_u32 {
        let grace_ms = no;
        coach
            .say(json!({"type": "command", "command": Uuid::from_u128(no.into()), "order":
                {"do": "settings", "settings": {"grace_ms": grace_ms}}}))
            .await;
        coach.hears("done").await;
        let events = board.hears("events").await;
        let told = &events["events"][0]["what"]["settings"]["grace_ms"];
        assert_eq!(told, &json!(grace_ms), "the other board hears each change as it comes");
    }
    drop(slow);
}
