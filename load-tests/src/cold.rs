//! How long a server takes to come up over a journal full of sessions, and then to open one of them.

use std::path::Path;

use futures_util::{SinkExt, StreamExt};
use indicatif::ProgressBar;
use thole_piece::Input;
use thole_protocol::{
    ClientMsg,
    client_msg::{Hello, Role},
    ids::{AthleteId, CommandId, EventNo, JoinCode, SessionId},
    order::Order,
    spec::SessionSettings,
    units::At,
};
use thole_server::{
    journal::{Append, Grant, Holder, Journal, Record, SessionRow, sqlite::SqliteJournal},
    secret::{Secret, new_secret},
};
use tokio::net::TcpStream;
use tokio_tungstenite::{client_async, tungstenite::Message};
use uuid::Uuid;

use crate::{
    athlete::Athlete,
    clock::Clock,
    figures::middle,
    machine::Cores,
    run::{ADDED, Tried},
    settings::Settings,
};

/// Athletes of one session.
const ATHLETES: u32 = 30;
/// Starts that are measured; the medians are reported.
const STARTS: usize = 5;
/// The go, milliseconds of the session.
const GO_MS: u64 = 30_000;

/// Fills a journal, starts the server over it again and again, and prints how long that took.
///
/// # Errors
/// The journal cannot be written, or the server does not come up.
pub(crate) fn cold(
    settings: &Settings,
    sessions: u32,
    tried: &Tried,
    cores: &Cores,
) -> Result<(), String> {
    let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|error| error.to_string())?;
    let filled = runtime.block_on(fill(settings, sessions, &folder.path().join("journal")))?;
    println!(
        "{sessions} sessions of {ATHLETES} athletes, {} records in all, {:.0} MB",
        filled.records,
        filled.bytes as f64 / 1e6
    );
    let clock = Clock::start();
    let (mut accepts, mut opens) = (Vec::new(), Vec::new());
    for _ in 0..STARTS {
        let began = clock.now_us();
        let process = tried.start(folder.path(), "127.0.0.1:0", cores)?;
        let told = runtime.block_on(async {
            let io =
                TcpStream::connect(process.address).await.map_err(|error| error.to_string())?;
            let url = format!("ws://{}/ws", process.address);
            let (mut socket, _) = client_async(url, io).await.map_err(|error| error.to_string())?;
            accepts.push((clock.now_us() - began) as f64 / 1e3);
            let text = serde_json::to_string(&filled.hello).map_err(|error| error.to_string())?;
            socket.send(Message::text(text)).await.map_err(|error| error.to_string())?;
            let heard = socket.next().await.ok_or("the server said nothing")?;
            let heard = heard.map_err(|error| error.to_string())?;
            if !heard.to_text().is_ok_and(|text| text.contains(r#""type":"welcome""#)) {
                return Err(format!("no welcome: {heard}"));
            }
            opens.push((clock.now_us() - began) as f64 / 1e3);
            Ok(())
        });
        // No flush, no last word: the next start finds what a crash leaves behind.
        process.kill().map_err(|error| error.to_string())?;
        told?;
    }
    println!(
        "first connection accepted after {:.0} ms, its session open after {:.0} ms (medians of {STARTS} starts after a kill)",
        middle(accepts),
        middle(opens)
    );
    Ok(())
}

/// What was put into the journal.
struct Filled {
    records: usize,
    bytes: u64,
    /// Opens one of the sessions, as its coach.
    hello: ClientMsg,
}

async fn fill(settings: &Settings, sessions: u32, data: &Path) -> Result<Filled, String> {
    let told = |error: &dyn std::fmt::Display| error.to_string();
    let journal = SqliteJournal::open(data).map_err(|error| told(&error))?;
    let bar = ProgressBar::new(u64::from(sessions));
    let mut records = 0;
    let mut hello = None;
    for number in 0..sessions {
        let coach = new_secret();
        let append = session(settings, number, ATHLETES, &coach);
        records += append.records.len();
        journal.append(append).await.map_err(|error| told(&error))?;
        hello = Some(coach.reveal());
        bar.inc(1);
    }
    bar.finish_and_clear();
    let size = std::fs::metadata(data.join("thole.db")).map_err(|error| told(&error))?.len();
    let hello = greeting(hello.ok_or("no session was asked for")?);
    Ok(Filled { records, bytes: size, hello })
}

/// What the coach with this secret says first.
pub(crate) fn greeting(secret: String) -> ClientMsg {
    let version = thole_protocol::VERSION;
    ClientMsg::Hello(Hello {
        version_min: version,
        version_max: version,
        role: Role::Coach,
        secret,
        code: None,
        run: None,
        at_ms: None,
        unacked_seq: None,
        device: None,
        take_seat: false,
        last_event: EventNo(0),
    })
}

/// A session in the middle of its piece, as its journal has it.
pub(crate) fn session(settings: &Settings, number: u32, many: u32, coach: &Secret) -> Append {
    let session = SessionId(Uuid::now_v7());
    let mut athletes: Vec<(AthleteId, Athlete)> = (0..many)
        .map(|athlete| {
            let invented = Athlete::invented(number * ATHLETES + athlete, settings.seed);
            (AthleteId(Uuid::new_v4()), invented)
        })
        .collect();
    let order = |order| Input::Ordered { command: CommandId(Uuid::new_v4()), order, by: None };
    let record = |at, input| Record { at: At(at), input };
    let count_ms = u64::from(settings.piece().count_ms.0);
    let mut records = vec![
        record(
            0,
            Input::Created {
                title: format!("Session {number}"),
                settings: SessionSettings::default(),
                by: None,
            },
        ),
        record(1, order(Order::SetPieces { pieces: vec![settings.piece()] })),
    ];
    for some in athletes.chunks(ADDED) {
        let athletes = some.iter().map(|(id, athlete)| (*id, athlete.entry())).collect();
        let command = CommandId(Uuid::new_v4());
        records.push(record(2, Input::AthletesAdded { command, athletes }));
    }
    records
        .extend(athletes.iter().map(|(athlete, _)| record(3, Input::Heard { athlete: *athlete })));
    records.push(record(4, order(Order::Arm)));
    records.push(record(GO_MS - count_ms, order(Order::Start)));
    let end = GO_MS + u64::from(settings.seconds) * 1_000;
    let mut strokes = Vec::new();
    for (id, athlete) in &mut athletes {
        athlete.sit_down(&settings.piece());
        while athlete.due(&[Some(GO_MS)]).is_some_and(|due| due <= end) {
            let Some(stroke) = athlete.make(0, false) else { break };
            let ClientMsg::Samples(samples) = athlete.message(&[stroke]) else { break };
            let at = u64::try_from(stroke.sample.heard_ms).unwrap_or(0);
            let (run, samples) = (samples.run, samples.samples);
            strokes.push(record(at, Input::Samples { athlete: *id, run, samples }));
        }
    }
    strokes.sort_by_key(|record| record.at);
    records.extend(strokes);
    Append {
        session,
        create: Some(SessionRow {
            session,
            code: JoinCode::from_random(u64::from(number)),
            // Links of a session that is never closed stop working after a time.
            created_unix_ms: thole_server::clock::Clock::new(1).unix_ms(),
            closed_unix_ms: None,
        }),
        tenure: 0,
        first: 0,
        records: std::sync::Arc::new(records),
        revoke: Vec::new(),
        grant: vec![Grant { hash: coach.hash(), holder: Holder::Coach }],
        closed_unix_ms: None,
        reckoned: None,
    }
}
