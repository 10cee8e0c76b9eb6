//! What a session hands on to the club when a piece is settled, and again when strokes came late.

use std::path::Path;

use rusqlite::Connection;
use thole_server::{
    clock::Clock,
    club::{Store, file, store::Listed, taking},
};
use tokio::task::yield_now;

use super::{
    restart::{SetTime, start, stroke},
    *,
};
use crate::club::{all, told};

fn server_in(data: &Path, time: &'static SetTime) -> Arc<Server> {
    let mut settings = ServeArgs::default().settings().unwrap();
    settings.data = data.to_owned();
    let clock = Clock::told_by(time, settings.speed);
    Arc::new(Server::with_clock(settings, Arc::new(MemoryJournal::default()), clock))
}

/// Waits without using up the session's time: the store works on a thread of its own.
async fn comes(is_so: impl Fn() -> bool) -> bool {
    comes_within(20_000, is_so).await
}

/// Returns as soon as anything comes at all.
async fn comes_soon(is_so: impl Fn() -> bool) -> bool {
    comes_within(500, is_so).await
}

async fn comes_within(looks: usize, is_so: impl Fn() -> bool) -> bool {
    for _ in 0..looks {
        if is_so() {
            return true;
        }
        yield_now().await;
    }
    false
}

#[tokio::test(start_paused = true)]
async fn a_piece_is_in_the_club_as_soon_as_it_is_over_and_anew_when_strokes_came_late() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let time = SetTime::new();
    let server = server_in(data, time);
    let taking = taking::begin(&server, Some(Store::open(data).unwrap()));
    let gym = Gym { server, created: Value::Null };
    let gym = Gym { created: gym.another().await, ..gym };
    let mut devices = Vec::new();
    for name in ["Ana", "Bo"] {
        let secret = gym.join(name).await;
        let mut device = gym.enter("athlete", &secret).await;
        device.hears("welcome").await;
        devices.push(device);
    }
    let go = start(&gym).await;
    let heard_ms = |second: u64| go - 5_000 + 1_000 * second;
    for second in 1..=31_u64 {
        time.pass(1_000).await;
        for (who, device) in devices.iter_mut().enumerate() {
            // Nothing is heard of Bo after fifteen seconds.
            if who == 0 || second <= 20 {
                stroke(device, second, heard_ms(second), 40 * second.saturating_sub(5)).await;
            }
        }
    }
    assert_eq!(told(data), [""; 0], "nothing is handed on while people row");
    let mut coach = gym.coach().await;
    let close = json!({"type": "command", "command": Uuid::from_u128(9), "order": {"do": "close"}});
    coach.say(close).await;
    coach.hears("done").await;
    let results = || Store::open_read_only(data).unwrap().results(&all()).unwrap();
    assert!(comes(|| results().len() == 2).await, "it was not handed on");
    let of = |name: &str| -> Listed {
        let mut results = results();
        results.retain(|of| of.called.as_deref() == Some(name));
        results.pop().unwrap()
    };
    let (ana, bo) = (of("Ana"), of("Bo"));
    assert_eq!((ana.revision, bo.revision), (Some(1), Some(1)));
    assert!((24_900..=25_100).contains(&ana.time_ms.0), "{ana:?}");
    assert_eq!(format!("{:?}", bo.outcome), "Unfinished");
    for second in 21..=31 {
        stroke(&mut devices[1], second, heard_ms(second), 40 * (second - 5)).await;
    }
    for _ in 0..10 {
        time.pass(1_000).await;
    }
    assert!(comes(|| of("Bo").revision == Some(2)).await, "late strokes were not handed on");
    assert_eq!(format!("{:?}", of("Bo").outcome), "Finished");
    assert_eq!(of("Ana").time_ms, ana.time_ms);
    // Everything up to here is taken: the next look finds nothing new.
    let session = gym.server.journal.sessions().await.unwrap()[0].session;
    let positions = Store::open(data).unwrap().positions(&gym.server.journal.epoch()).unwrap();
    let since = gym.server.journal.since(session, positions[&session]).await.unwrap();
    assert!(positions[&session] > 0 && !since.is_settled, "{positions:?}");
    taking.abort();
}

/// The store refuses to be written to, as on a full disk, while a piece comes to its end.
#[tokio::test(start_paused = true)]
async fn a_club_that_cannot_be_written_stops_no_piece_and_takes_it_when_it_can() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let time = SetTime::new();
    let server = server_in(data, time);
    let store = Store::open(data).unwrap();
    let file = Connection::open(file(data)).unwrap();
    let full = "CREATE TRIGGER full BEFORE INSERT ON result BEGIN SELECT RAISE(ABORT, 'full'); END";
    file.execute_batch(full).unwrap();
    let taking = taking::begin(&server, Some(store));
    let gym = Gym { server, created: Value::Null };
    let gym = Gym { created: gym.another().await, ..gym };
    let secret = gym.join("Ana").await;
    let mut ana = gym.enter("athlete", &secret).await;
    ana.hears("welcome").await;
    let go = start(&gym).await;
    for second in 1..=32_u64 {
        time.pass(1_000).await;
        stroke(&mut ana, second, go - 5_000 + 1_000 * second, 40 * second.saturating_sub(5)).await;
    }
    let welcome = gym.coach().await.hears("welcome").await;
    assert_eq!(welcome["pieces"][0]["phase"]["phase"], "finished", "{}", welcome["pieces"]);
    assert!(!comes_soon(|| !told(data).is_empty()).await, "the trigger keeps it out");
    assert!(gym.server.takes_work().is_ok() && !taking.is_finished());
    file.execute_batch("DROP TRIGGER full").unwrap();
    assert!(!comes_soon(|| !told(data).is_empty()).await, "it is not tried all the time");
    time.pass(61_000).await;
    assert!(comes(|| told(data) == ["Ana 0 25000 1"]).await, "{:?}", told(data));
    taking.abort();
}
