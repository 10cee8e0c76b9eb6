//! Kills at the worst moments: when the go, the rest or the finish has just become durable, and while the next server
//! is starting.

use std::{net::TcpStream, thread::sleep, time::Duration};

use serde_json::{Value, json};
use thole::chance::Chance;
use tokio_tungstenite::tungstenite::{Message, WebSocket, client::client};

/// When a server is killed.
#[derive(Clone, Copy, Debug)]
pub(super) enum Kill {
    /// This many milliseconds after the last one.
    After(u64),
    /// This many milliseconds after an instant five before the go.
    Go(u64),
    /// When the rest has begun.
    Rest,
    /// When the first has finished.
    Finish,
}

/// The go, the finish, and each start after them.
pub(super) fn at_the_worst_moments(chance: &mut Chance) -> Vec<Kill> {
    vec![Kill::Go(chance.below(12)), Kill::After(700), Kill::Finish, Kill::After(chance.below(300))]
}

impl Kill {
    /// After this many milliseconds the next servers are killed, before one may go on: while it puts its write-ahead file
    /// where it belongs, as it starts listening, and while everybody comes back.
    pub(super) fn starts(self) -> &'static [u64] {
        match self {
            Kill::After(_) => &[],
            Kill::Go(_) | Kill::Rest | Kill::Finish => &[3, 12, 40, 150],
        }
    }
}

/// A board, which sees how far the piece is.
pub(super) struct Watch {
    address: String,
    secret: String,
}

impl Watch {
    pub(super) fn of(address: &str, link: &str) -> Watch {
        let secret = link.split_once('#').expect("the secret stands in the fragment").1;
        Watch { address: address.to_owned(), secret: secret.to_owned() }
    }

    /// Returns when it is time for this kill.
    pub(super) fn waits_for(&self, kill: Kill) {
        let millis = Duration::from_millis;
        match kill {
            Kill::After(wait) => sleep(millis(wait)),
            Kill::Go(from) => {
                let (now_ms, phase) = self.sees(|phase, _| phase["phase"] != "armed");
                let go_ms = phase["go_at_ms"].as_u64().unwrap();
                // Ten times faster than real time, like everything here.
                let left = go_ms.saturating_sub(now_ms) / 10;
                sleep(millis((left + from).saturating_sub(5)));
            }
            Kill::Rest => drop(self.sees(|phase, _| phase["phase"] == "resting")),
            Kill::Finish => drop(self.sees(|phase, results| {
                results > 0 || ["closing", "finished"].iter().any(|is| phase["phase"] == *is)
            })),
        }
    }

    /// Waits until the piece is this far; returns the instant on the session's clock, and the phase.
    fn sees(&self, is_so: impl Fn(&Value, usize) -> bool) -> (u64, Value) {
        let (mut socket, mut now_ms, mut phase, mut results) = self.comes();
        while !is_so(&phase, results) {
            let msg = heard(&mut socket);
            for event in msg["events"].as_array().into_iter().flatten() {
                now_ms = event["at_ms"].as_u64().unwrap();
                match event["what"]["kind"].as_str().unwrap() {
                    "phase_changed" => phase = event["what"]["phase"].clone(),
                    "results" => results += event["what"]["results"].as_array().unwrap().len(),
                    _ => {}
                }
            }
        }
        (now_ms, phase)
    }

    /// On a new connection, since the last one was to a server that is gone.
    fn comes(&self) -> (WebSocket<TcpStream>, u64, Value, usize) {
        let io = TcpStream::connect(&self.address).unwrap();
        io.set_read_timeout(Some(super::PATIENCE)).unwrap();
        let (mut socket, _) = client(format!("ws://{}/ws", self.address), io).unwrap();
        let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "board",
            "secret": self.secret});
        socket.send(Message::text(hello.to_string())).unwrap();
        let mut welcome = heard(&mut socket);
        while welcome["type"] != "welcome" {
            welcome = heard(&mut socket);
        }
        let piece = &welcome["pieces"][0];
        let results = piece["results"].as_array().map_or(0, Vec::len);
        (socket, welcome["at_ms"].as_u64().unwrap(), piece["phase"].clone(), results)
    }
}

fn heard(socket: &mut WebSocket<TcpStream>) -> Value {
    loop {
        if let Message::Text(text) = socket.read().expect("the board's connection has ended") {
            return serde_json::from_str(&text).unwrap();
        }
    }
}
