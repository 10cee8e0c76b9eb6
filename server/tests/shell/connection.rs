//! Connections over an in-memory stream: who may say what, who is let in, who is sent away.

mod at_hall;
mod by_key;
mod coaches;
mod command;
mod damaged;
mod ends_alone;
mod full;
mod guesses;
mod handed_on;
mod ordered;
mod refusals;
mod restart;
mod results;
mod seats;
mod second;
mod waiting;

use std::{sync::Arc, time::Duration};

use futures_util::{SinkExt, StreamExt};
use serde_json::{Value, json};
use thole_protocol::close::Close;
use thole_server::{
    Server,
    config::ServeArgs,
    connection::{serve, socket_config},
    journal::{Journal, memory::MemoryJournal},
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
        json!({"type": "new_board_link", "command": id}),
        json!({"type": "new_coach_link", "command": id}),
        json!({"type": "let_in", "command": id, "request": id}),
        json!({"type": "let_in_all", "command": id, "requests": [id]}),
        json!({"type": "turn_away", "command": id, "request": id}),
        json!({"type": "take_command", "command": id}),
        json!({"type": "results_table", "command": id}),
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

/// Ana, who came in by this secret, and Bo; the coach leads.
struct Seated {
    gym: Gym,
    coach: Device,
    ana: Value,
    you: Value,
    ana_in: Device,
    bo_in: Device,
}

impl Seated {
    async fn new() -> Seated {
        let gym = Gym::new().await;
        let mut coach = gym.coach().await;
        coach.hears("welcome").await;
        let (ana, bo) = (gym.join("Ana").await, gym.join("Bo").await);
        let mut ana_in = gym.enter("athlete", &ana).await;
        let you = ana_in.hears("welcome").await["you"].clone();
        let mut bo_in = gym.enter("athlete", &bo).await;
        bo_in.hears("welcome").await;
        Seated { gym, coach, ana, you, ana_in, bo_in }
    }
}

impl Gym {
    async fn new() -> Gym {
        Gym::on(Arc::new(MemoryJournal::default())).await
    }

    async fn on(journal: Arc<dyn Journal>) -> Gym {
        let settings = ServeArgs::default().settings().unwrap();
        let server = Arc::new(Server::new(settings, journal));
        let gym = Gym { server, created: Value::Null };
        Gym { created: gym.another().await, ..gym }
    }

    /// One more session on the same server.
    async fn another(&self) -> Value {
        let mut coach = Device::dial(&self.server, 1 << 16).await;
        let key = self.server.makers.machine_key();
        coach.say(json!({"type": "create", "title": "A test", "key": key})).await;
        coach.hears("created").await
    }

    /// The same session on a server that was started again after this one was killed.
    fn after_a_kill(&self) -> Gym {
        let settings = ServeArgs::default().settings().unwrap();
        let server = Arc::new(Server::new(settings, self.server.journal.clone()));
        Gym { server, created: self.created.clone() }
    }

    /// The same, with the settings of this one.
    fn after_a_kill_on(&self) -> Gym {
        let settings = self.server.settings.clone();
        let server = Arc::new(Server::new(settings, self.server.journal.clone()));
        Gym { server, created: self.created.clone() }
    }

    async fn enter(&self, role: &str, secret: &Value) -> Device {
        let mut device = Device::dial(&self.server, 1 << 16).await;
        device.hello(role, secret).await;
        device
    }

    async fn coach(&self) -> Device {
        self.enter("coach", &self.created["coach_secret"]).await
    }

    /// A device of the coach by its number, and whether it is in command.
    async fn coach_on(&self, device: u128) -> (Device, bool) {
        let mut coach = Device::dial(&self.server, 1 << 16).await;
        let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
            "secret": self.created["coach_secret"], "device": Uuid::from_u128(device)});
        coach.say(hello).await;
        let in_command = coach.hears("welcome").await["in_command"] == true;
        (coach, in_command)
    }

    async fn board(&self) -> Device {
        self.enter("board", &self.created["board_secret"]).await
    }

    /// Joins by code; returns the secret to come back with.
    async fn join(&self, name: &str) -> Value {
        let mut device = Device::dial(&self.server, 1 << 16).await;
        device.say(json!({"type": "join", "code": self.created["code"], "name": name})).await;
        device.hears("joined").await["secret"].clone()
    }
}

impl Device {
    /// Over a pipe that holds this many bytes.
    async fn dial(server: &Arc<Server>, pipe: usize) -> Device {
        let (here, there) = tokio::io::duplex(pipe);
        let stranger = server.strangers.clone().acquire_owned().await.unwrap();
        let config = Some(socket_config(1 << 18));
        let ws = WebSocketStream::from_raw_socket(there, Role::Server, config).await;
        let guest = server.shares.arrive([127, 0, 0, 1].into(), usize::MAX).unwrap();
        tokio::spawn(serve(ws, None, server.clone(), stranger, guest));
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
    // The coach comes last, and makes a new link for boards.
    let allowed = [("athlete", 0..8), ("board", 0..0), ("coach", 8..18)];
    for (role, may) in allowed {
        let mut device = match role {
            "coach" => gym.coach().await,
            "board" => gym.board().await,
            _ => gym.enter("athlete", &athlete).await,
        };
        device.hears("welcome").await;
        for (no, msg) in every_message().into_iter().enumerate() {
            device.say(msg.clone()).await;
            // The clock is answered after it, so what was not refused by then was understood.
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
    // A board's secret does not make a coach, and is answered like any other wrong one.
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
async fn a_new_link_sends_away_who_came_by_the_old_one() {
    let Seated { gym, mut coach, ana, you, mut ana_in, mut bo_in } = Seated::new().await;
    let mut board = gym.board().await;
    board.hears("welcome").await;

    let ask = json!({"type": "new_link", "command": Uuid::from_u128(1), "athlete": you});
    coach.say(ask).await;
    let new_ana = coach.hears("links").await["links"][0]["secret"].clone();
    assert_eq!(ana_in.is_closed().await, Close::WrongSecret.code());
    assert_eq!(gym.enter("athlete", &ana).await.is_closed().await, Close::WrongSecret.code());
    let welcome = gym.enter("athlete", &new_ana).await.hears("welcome").await;
    assert_eq!(welcome["you"], you, "the same athlete, what was rowed stays");

    coach.say(json!({"type": "new_board_link", "command": Uuid::from_u128(2)})).await;
    let told = coach.hears("board_link").await;
    assert_eq!(told["command"], json!(Uuid::from_u128(2)));
    assert_eq!(board.is_closed().await, Close::WrongSecret.code());
    assert_eq!(gym.board().await.is_closed().await, Close::WrongSecret.code());
    gym.enter("board", &told["board_secret"]).await.hears("welcome").await;
    // Nobody else is affected, and a device that is not in command renews nothing.
    bo_in.say(json!({"type": "clock", "client_sent_us": 7})).await;
    bo_in.hears("clock").await;
    let mut second = gym.coach().await;
    second.hears("welcome").await;
    second.say(json!({"type": "new_board_link", "command": Uuid::from_u128(3)})).await;
    assert_eq!(second.hears("refused").await["refusal"]["why"], "not_in_command");
    gym.enter("board", &told["board_secret"]).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn who_is_taken_off_the_roster_is_sent_away_and_may_join_anew() {
    let Seated { gym, mut coach, ana, you, mut ana_in, mut bo_in } = Seated::new().await;

    let order = json!({"do": "remove_athlete", "athlete": you});
    coach.say(json!({"type": "command", "command": Uuid::from_u128(1), "order": order})).await;
    assert_eq!(coach.hears("done").await["command"], json!(Uuid::from_u128(1)));
    assert_eq!(ana_in.is_closed().await, Close::WrongSecret.code());
    assert_eq!(gym.enter("athlete", &ana).await.is_closed().await, Close::WrongSecret.code());
    let again = gym.join("Ana").await;
    let welcome = gym.enter("athlete", &again).await.hears("welcome").await;
    assert_ne!(welcome["you"], you, "somebody new");
    bo_in.say(json!({"type": "clock", "client_sent_us": 7})).await;
    bo_in.hears("clock").await;
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
    // More than a coach may say in one go, so the coach is slowed down too.
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

/// More than may wait for somebody who is connected: that is no reason to send away somebody who comes back
/// for it.
#[tokio::test(start_paused = true)]
async fn a_coach_who_has_missed_very_much_is_told_all_of_it() {
    const MISSED: usize = 150;
    let gym = Gym::new().await;
    let mut coach = gym.coach().await;
    let before = coach.hears("welcome").await["last_event"].as_u64().unwrap();
    // A long session, so that no two changes of it fit into one message.
    let repeat = json!({"work": {"by": "distance", "distance_dm": 20_000}, "rest_ms": 60_000});
    let piece = json!({"repeats": vec![repeat; 50], "clock": "common_go",
        "repeat_start": "common_signal", "count_ms": 5_000});
    // The first is the one that is known.
    for no in 0..=MISSED {
        let order = json!({"do": "set_pieces", "pieces": vec![&piece; 8]});
        let command = Uuid::from_u128(1 + no as u128);
        coach.say(json!({"type": "command", "command": command, "order": order})).await;
        coach.hears("done").await;
    }
    let mut back = Device::dial(&gym.server, 1 << 16).await;
    let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": gym.created["coach_secret"], "last_event": before + 1});
    back.say(hello).await;
    back.hears("welcome").await;
    let mut told = Vec::new();
    while told.len() < MISSED {
        let events = back.hears("events").await;
        told.extend(events["events"].as_array().unwrap().iter().cloned());
    }
    assert!(told.is_sorted_by_key(|event| event["event"].as_u64()), "{told:?}");
    assert!(told.iter().all(|event| event["late"] == true), "{told:?}");
}

#[tokio::test(start_paused = true)]
async fn what_one_commit_has_for_many_reaches_each_of_them_whole() {
    let gym = Gym::new().await;
    let mut coach = gym.coach().await;
    coach.hears("welcome").await;
    let work = json!({"by": "distance", "distance_dm": 20_000});
    let piece = json!({"repeats": [{"work": work, "rest_ms": 0}], "clock": "common_go",
        "repeat_start": "common_signal", "count_ms": 5_000});
    let mut number = 0_u128;
    let mut order = async |order: Value| {
        number += 1;
        let command = Uuid::from_u128(number);
        coach.say(json!({"type": "command", "command": command, "order": order})).await;
        coach.hears("done").await;
    };
    order(json!({"do": "set_pieces", "pieces": [piece]})).await;
    let mut athletes = Vec::new();
    for name in ["Ana", "Bo", "Cy", "Di", "Eno"] {
        let mut device = gym.enter("athlete", &gym.join(name).await).await;
        let welcome = device.hears("welcome").await;
        athletes.push((welcome["you"].as_str().unwrap().to_owned(), device));
    }
    // The identities are in no particular order.
    athletes.sort_by(|(one, _), (other, _)| other.cmp(one));
    order(json!({"do": "arm"})).await;
    order(json!({"do": "start"})).await;
    let mut go = 0;
    for (_, device) in &mut athletes {
        while go == 0 {
            let events = device.hears("events").await;
            let phase = |event: &Value| event["what"]["phase"]["go_at_ms"].as_i64();
            go = events["events"].as_array().unwrap().iter().find_map(phase).unwrap_or(0);
        }
    }
    // The countdown and two strokes; nobody is silent in the meantime.
    for _ in 0..6 {
        tokio::time::sleep(Duration::from_secs(2)).await;
        coach.say(json!({"type": "heartbeat"})).await;
        for (_, device) in &mut athletes {
            device.say(json!({"type": "heartbeat"})).await;
        }
    }
    for (_, device) in &mut athletes {
        let stroke =
            |seq: i64| json!({"seq": seq, "heard_ms": go + 2_000 * seq, "distance_dm": 90 * seq});
        let samples = [stroke(1), stroke(2)];
        device
            .say(json!({"type": "samples", "run": Uuid::from_u128(77), "samples": samples}))
            .await;
        device.hears("ack").await;
    }
    let picked: Vec<&String> = athletes.iter().take(4).map(|(athlete, _)| athlete).collect();
    let call = json!({"call": Uuid::from_u128(99), "text": {"shown": "Long reach"}, "grace_ms": 0,
        "audience": {"whom": "picked", "athletes": picked}, "span": {"until": "next"}});
    // In one commit: a sample from everybody, the call, and another sample.
    let sample = |seq: i64| {
        json!({"type": "samples", "run": Uuid::from_u128(77),
        "samples": [{"seq": seq, "heard_ms": 30_000 + seq, "distance_dm": 200}]})
    };
    for (_, device) in &mut athletes {
        device.say(sample(3)).await;
    }
    coach.say(json!({"type": "command", "command": Uuid::from_u128(98), "order": {"do": "call", "call": call}})).await;
    for (_, device) in &mut athletes {
        device.say(sample(4)).await;
    }
    for (nth, (_, device)) in athletes.iter_mut().enumerate() {
        let (mut calls, mut through) = (0, 0);
        device.say(json!({"type": "clock", "client_sent_us": 7})).await;
        // Long enough for everything to be durable and told.
        tokio::time::sleep(Duration::from_millis(900)).await;
        device.say(json!({"type": "clock", "client_sent_us": 8})).await;
        loop {
            let text = device.ws.next().await.unwrap().unwrap().into_text().unwrap();
            let msg: Value = serde_json::from_str(&text).unwrap();
            let events = msg["events"].as_array().into_iter().flatten();
            calls += events.filter(|event| event["what"]["kind"] == "call").count();
            through = msg["durable"]["through_seq"].as_i64().unwrap_or(through);
            if msg["type"] == "clock" && msg["client_sent_us"] == 8 {
                break;
            }
        }
        assert_eq!((through, calls), (4, usize::from(nth < 4)), "athlete {nth}");
    }
}

/// protocol/README.md, 'Staying there, and coming back': something is said at least once a second.
#[tokio::test(start_paused = true)]
async fn whoever_is_told_nothing_else_hears_a_heartbeat_each_second() {
    let gym = Gym::new().await;
    let mut coach = gym.coach().await;
    coach.hears("heartbeat").await;
    for waits_ms in [0, 0, 300, 0, 700, 0] {
        // Anything else that is said puts it off.
        tokio::time::sleep(Duration::from_millis(waits_ms)).await;
        if waits_ms > 0 {
            let order = json!({"do": "arm"});
            coach.say(json!({"type": "command", "command": Uuid::new_v4(), "order": order})).await;
            coach.hears("refused").await;
        }
        let before = gym.server.clock.instant();
        coach.hears("heartbeat").await;
        let quiet = before.elapsed();
        assert!((950..=1_000).contains(&quiet.as_millis()), "after {waits_ms} ms: {quiet:?}");
    }
}
