//! How long everybody else hears nothing while a server opens a large session.

use std::time::Duration;

use futures_util::{SinkExt, StreamExt};
use thole_protocol::{ClientMsg, ServerMsg, client_msg::ClockQuestion};
use thole_server::{
    journal::{Journal, sqlite::SqliteJournal},
    secret::new_secret,
};
use tokio::net::TcpStream;
use tokio_tungstenite::{WebSocketStream, client_async, tungstenite::Message};

use crate::{
    clock::Clock,
    cold::{greeting, session},
    figures::middle,
    machine::Cores,
    run::Tried,
    settings::Settings,
};

/// Starts that are measured; the medians and the worst are reported.
const STARTS: usize = 5;
/// The coach in the small session asks this often.
const ASKS_EVERY: Duration = Duration::from_millis(2);
/// Athletes of the session that the others are in.
const OTHERS: u32 = 3;
/// How often it asks beforehand, to see what the machine itself does.
const BEFORE: usize = 300;

/// Fills a journal with a small session and one of all athletes, and starts the server over it again and again: a coach
/// in the small one asks for the time while somebody comes into the large one. Prints the longest wait.
///
/// # Errors
/// The journal cannot be written, or the server does not come up or answer.
pub(crate) fn opening(settings: &Settings, tried: &Tried, cores: &Cores) -> Result<(), String> {
    let told = |error: &dyn std::fmt::Display| error.to_string();
    let folder = tempfile::tempdir().map_err(|error| told(&error))?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|error| told(&error))?;
    let coaches = [new_secret(), new_secret()];
    let data = folder.path().join("journal");
    let records = runtime.block_on(async {
        let journal = SqliteJournal::open(&data).map_err(|error| told(&error))?;
        let mut records = 0;
        for (number, (coach, many)) in (0..).zip(coaches.iter().zip([OTHERS, settings.athletes])) {
            let append = session(settings, number, many, coach);
            records = append.records.len();
            journal.append(append).await.map_err(|error| told(&error))?;
        }
        Ok::<usize, String>(records)
    })?;
    println!("a session of {} athletes and {records} records is opened", settings.athletes);
    let [small, large] = coaches.map(|coach| greeting(coach.reveal()));
    let (mut idle, mut waits, mut opens) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..STARTS {
        let process = tried.start(folder.path(), "127.0.0.1:0", cores)?;
        let address = process.address.to_string();
        let seen = runtime.block_on(async {
            let mut other = Device::comes(&address).await?;
            other.says(&small).await?;
            other.hears(is_welcome).await?;
            idle.push(other.waits_longest(|asked| asked == BEFORE).await?);
            let began = Clock::start();
            let opened = tokio::spawn({
                let (address, large) = (address.clone(), large.clone());
                async move {
                    let mut coach = Device::comes(&address).await?;
                    coach.says(&large).await?;
                    coach.hears(is_welcome).await?;
                    Ok::<u64, String>(began.now_us())
                }
            });
            let longest = other.waits_longest(|_| opened.is_finished());
            let longest = longest.await?;
            let took = opened.await.map_err(|error| told(&error))??;
            Ok::<(f64, f64), String>((longest, took as f64 / 1e3))
        });
        process.kill().map_err(|error| told(&error))?;
        let (longest, took) = seen?;
        waits.push(longest);
        opens.push(took);
    }
    let worst = |all: &[f64]| all.iter().copied().fold(0.0, f64::max);
    println!(
        "open after {:.0} ms (worst {:.0}); meanwhile somebody in another session waited for an answer {:.1} ms at most \
         (worst {:.1}), before it {:.1} ms (worst {:.1}); medians of {STARTS} starts",
        middle(opens.clone()),
        worst(&opens),
        middle(waits.clone()),
        worst(&waits),
        middle(idle.clone()),
        worst(&idle),
    );
    Ok(())
}

fn is_welcome(msg: &ServerMsg) -> bool {
    matches!(msg, ServerMsg::Welcome(_))
}

/// One connection.
struct Device(WebSocketStream<TcpStream>);

impl Device {
    async fn comes(address: &str) -> Result<Device, String> {
        let io = TcpStream::connect(address).await.map_err(|error| error.to_string())?;
        let socket = client_async(format!("ws://{address}/ws"), io).await;
        Ok(Device(socket.map_err(|error| error.to_string())?.0))
    }

    async fn says(&mut self, msg: &ClientMsg) -> Result<(), String> {
        let text = serde_json::to_string(msg).map_err(|error| error.to_string())?;
        self.0.send(Message::text(text)).await.map_err(|error| error.to_string())
    }

    /// Listens until this is heard.
    async fn hears(&mut self, is_it: impl Fn(&ServerMsg) -> bool) -> Result<(), String> {
        loop {
            let heard = self.0.next().await.ok_or("the server said nothing")?;
            let heard = heard.map_err(|error| error.to_string())?;
            if let Message::Close(frame) = &heard {
                return Err(format!("the server has closed: {frame:?}"));
            }
            let Ok(text) = heard.to_text() else { continue };
            if serde_json::from_str(text).is_ok_and(|msg| is_it(&msg)) {
                return Ok(());
            }
        }
    }

    /// Asks for the time again and again; returns the longest wait for an answer, in milliseconds.
    async fn waits_longest(
        &mut self,
        mut is_enough: impl FnMut(usize) -> bool,
    ) -> Result<f64, String> {
        let (mut longest, mut asked) = (0, 0);
        while !is_enough(asked) {
            let clock = Clock::start();
            let client_sent_us = asked as u64;
            self.says(&ClientMsg::Clock(ClockQuestion { client_sent_us })).await?;
            self.hears(|msg| {
                matches!(msg, ServerMsg::Clock(answer) if answer.client_sent_us == client_sent_us)
            })
            .await?;
            longest = longest.max(clock.now_us());
            asked += 1;
            // Whatever is said in the meantime waits for the next question.
            tokio::time::sleep(ASKS_EVERY).await;
        }
        Ok(longest as f64 / 1e3)
    }
}
