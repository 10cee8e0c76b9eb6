//! What a restart of the server does to the session's clock, and so to results.

use std::sync::Mutex;

use thole_server::{
    clock::{Clock, Timekeeper, Uptime},
    journal::Journal,
    session::Event,
};

use super::*;

/// A machine whose time a test sets.
#[derive(Debug)]
struct SetTime(Mutex<Shown>);

#[derive(Clone, Debug)]
struct Shown {
    boot: Option<&'static str>,
    uptime_ms: u64,
    unix_ms: u64,
}

impl Timekeeper for SetTime {
    fn unix_ms(&self) -> u64 {
        self.0.lock().unwrap().unix_ms
    }

    fn uptime(&self) -> Option<Uptime> {
        let Shown { boot, uptime_ms, .. } = self.0.lock().unwrap().clone();
        boot.map(|boot| Uptime { boot: boot.to_owned(), ns: uptime_ms * 1_000_000 })
    }
}

impl SetTime {
    fn new() -> &'static SetTime {
        let shown = Shown { boot: Some("one"), uptime_ms: 70_000, unix_ms: 1_800_000_000_000 };
        Box::leak(Box::new(SetTime(Mutex::new(shown))))
    }

    fn set(&self, change: impl FnOnce(&mut Shown)) {
        change(&mut self.0.lock().unwrap());
    }

    /// So much of life goes by, on every clock.
    async fn pass(&self, ms: u64) {
        self.set(|shown| {
            shown.uptime_ms += ms;
            shown.unix_ms += ms;
        });
        tokio::time::sleep(Duration::from_millis(ms)).await;
    }
}

impl Gym {
    async fn told_by(time: &'static SetTime) -> Gym {
        let server = server_told_by(time, Arc::new(MemoryJournal::default()));
        let gym = Gym { server, created: Value::Null };
        Gym { created: gym.another().await, ..gym }
    }

    /// The server is stopped, is away for so long, and is started again.
    async fn away(
        self,
        time: &'static SetTime,
        ms: u64,
        meanwhile: impl FnOnce(&mut Shown),
    ) -> Gym {
        for mut handle in self.server.registry.handles() {
            handle.inbox.send(Event::Stop).await.unwrap();
            while handle.ended.changed().await.is_ok() {}
        }
        time.pass(ms).await;
        time.set(meanwhile);
        let server = server_told_by(time, self.server.journal.clone());
        Gym { server, created: self.created }
    }
}

fn server_told_by(time: &'static SetTime, journal: Arc<dyn Journal>) -> Arc<Server> {
    let settings = ServeArgs::default().settings().unwrap();
    let clock = Clock::told_by(time, settings.speed);
    Arc::new(Server::with_clock(settings, journal, clock))
}

/// The coach sets 100 m and starts; the go.
async fn start(gym: &Gym) -> u64 {
    let work = json!({"by": "distance", "distance_dm": 1_000});
    let piece = json!({"repeats": [{"work": work, "rest_ms": 0}], "clock": "common_go",
        "repeat_start": "common_signal", "count_ms": 5_000});
    let orders = [
        json!({"do": "set_pieces", "pieces": [piece]}),
        json!({"do": "arm"}),
        json!({"do": "start"}),
    ];
    let mut coach = gym.coach().await;
    for (no, order) in (1..).zip(orders) {
        let command = Uuid::from_u128(no);
        coach.say(json!({"type": "command", "command": command, "order": order})).await;
        coach.hears("done").await;
    }
    let welcome = gym.coach().await.hears("welcome").await;
    welcome["pieces"][0]["phase"]["go_at_ms"].as_u64().unwrap()
}

/// Ana rows from an instant to another, both in seconds after the count-down began, at 4 m/s from the go on, which
/// comes five seconds after it; `at_ms` is what her clock of the session shows in the beginning.
async fn row(ana: &mut Device, time: &SetTime, seconds: std::ops::Range<u64>, at_ms: u64) {
    for (gone, now) in (1..).zip(seconds.start + 1..=seconds.end) {
        time.pass(1_000).await;
        let distance_dm = 40 * now.saturating_sub(5);
        let sample =
            json!({"seq": now, "heard_ms": at_ms + 1_000 * gone, "distance_dm": distance_dm});
        let run = Uuid::from_u128(7);
        ana.say(json!({"type": "samples", "run": run, "samples": [sample]})).await;
        ana.hears("ack").await;
    }
}

/// Ana rows 100 m in 25 s; ten seconds after the go the server goes away for five. Her time as it is told.
async fn rowed_over_a_restart(meanwhile: impl FnOnce(&mut Shown)) -> u64 {
    let time = SetTime::new();
    let gym = Gym::told_by(time).await;
    let secret = gym.join("Ana").await;
    let mut ana = gym.enter("athlete", &secret).await;
    ana.hears("welcome").await;
    let go = start(&gym).await;
    row(&mut ana, time, 0..15, go - 5_000).await;
    let gym = gym.away(time, 5_000, meanwhile).await;
    let mut ana = gym.enter("athlete", &secret).await;
    let at_ms = ana.hears("welcome").await["at_ms"].as_u64().unwrap();
    row(&mut ana, time, 20..32, at_ms).await;
    time.pass(2_000).await;
    let welcome = gym.coach().await.hears("welcome").await;
    welcome["pieces"][0]["results"][0]["time_ms"].as_u64().unwrap()
}

#[tokio::test(start_paused = true)]
async fn a_wall_clock_that_was_set_while_the_server_was_away_changes_no_result() {
    let near = 24_980..=25_020;
    for set_by_ms in [0, -3_600_000, 3_600_000] {
        let set = |shown: &mut Shown| {
            shown.unix_ms = shown.unix_ms.saturating_add_signed(set_by_ms);
        };
        let took_ms = rowed_over_a_restart(set).await;
        assert!(near.contains(&took_ms), "the wall clock set by {set_by_ms} ms: {took_ms} ms");
    }
}
