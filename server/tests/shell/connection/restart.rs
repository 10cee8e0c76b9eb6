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
pub(super) struct SetTime(Mutex<Shown>);

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
    pub(super) fn new() -> &'static SetTime {
        let shown = Shown { boot: Some("one"), uptime_ms: 70_000, unix_ms: 1_800_000_000_000 };
        Box::leak(Box::new(SetTime(Mutex::new(shown))))
    }

    fn set(&self, change: impl FnOnce(&mut Shown)) {
        change(&mut self.0.lock().unwrap());
    }

    /// This much real time goes by, on every clock.
    pub(super) async fn pass(&self, ms: u64) {
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

    /// The server is stopped, is away for this long, and is started again.
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
pub(super) async fn start(gym: &Gym) -> u64 {
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

/// Ana rows from one instant to another, both in seconds after the countdown began, at 4 m/s from the go, which
/// comes five seconds into it; `at_ms` is what her clock of the session shows at the beginning.
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

/// Ana rows 100 m in 25 s; ten seconds after the go the server is away for five. Returns her time as it is
/// told.
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

/// What came of Ana, Ben and Cia, who each row 100 m in 25 s.
#[derive(Debug)]
struct Rowed {
    times_ms: Vec<u64>,
    marked: bool,
    /// What the coach was told about the server's clock.
    told: Option<Value>,
}

/// They row; ten seconds after the go the machine is switched off, and on again five seconds later with its wall clock
/// set. Each device in `told_ms` reports what it has of the session's time, off by that much.
async fn rowed_over_another_boot(set_by_ms: i64, told_ms: [Option<i64>; 3]) -> Rowed {
    let time = SetTime::new();
    let gym = Gym::told_by(time).await;
    let mut secrets = Vec::new();
    let mut devices = Vec::new();
    for name in ["Ana", "Ben", "Cia"] {
        let secret = gym.join(name).await;
        let mut device = gym.enter("athlete", &secret).await;
        device.hears("welcome").await;
        secrets.push(secret);
        devices.push(device);
    }
    let go = start(&gym).await;
    for second in 1..=15_u64 {
        time.pass(1_000).await;
        let distance_dm = 40 * second.saturating_sub(5);
        for device in &mut devices {
            stroke(device, second, go - 5_000 + 1_000 * second, distance_dm).await;
        }
    }
    let gym = gym
        .away(time, 5_000, |shown| {
            shown.boot = Some("two");
            shown.uptime_ms = 9_000;
            shown.unix_ms = shown.unix_ms.saturating_add_signed(set_by_ms);
        })
        .await;
    let mut back = Vec::new();
    for (secret, told) in secrets.iter().zip(told_ms) {
        let mut device = Device::dial(&gym.server, 1 << 16).await;
        let at_ms = told.map(|told| (go + 15_000).saturating_add_signed(told));
        let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "athlete",
            "secret": secret, "at_ms": at_ms});
        device.say(hello).await;
        back.push(device);
    }
    let mut now = Vec::new();
    for device in &mut back {
        now.push(device.hears("welcome").await["at_ms"].as_u64().unwrap());
    }
    // With fewer than three, the welcomes waited for two seconds, during which everybody rowed on.
    let waited = if told_ms.iter().flatten().count() < 3 { 2 } else { 0 };
    for second in 1..=12 {
        time.pass(1_000).await;
        for (device, now) in back.iter_mut().zip(&now) {
            stroke(device, 15 + second, now + 1_000 * second, 40 * (15 + waited + second)).await;
        }
    }
    time.pass(2_000).await;
    let mut coach = Device::dial(&gym.server, 1 << 16).await;
    let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": gym.created["coach_secret"], "last_event": 1});
    coach.say(hello).await;
    let welcome = coach.hears("welcome").await;
    let results = welcome["pieces"][0]["results"].as_array().unwrap();
    let is_marked = |result: &Value| {
        result["marks"].as_array().unwrap().iter().any(|mark| mark == "clocks_apart")
    };
    let missed = coach.hears("events").await["events"].as_array().unwrap().clone();
    Rowed {
        times_ms: results.iter().map(|result| result["time_ms"].as_u64().unwrap()).collect(),
        marked: results.iter().all(is_marked),
        told: missed
            .into_iter()
            .map(|event| event["what"].clone())
            .find(|what| what["kind"] == "clock_set"),
    }
}

pub(super) async fn stroke(device: &mut Device, seq: u64, heard_ms: u64, distance_dm: u64) {
    let sample = json!({"seq": seq, "heard_ms": heard_ms, "distance_dm": distance_dm});
    device.say(json!({"type": "samples", "run": Uuid::from_u128(7), "samples": [sample]})).await;
    device.hears("ack").await;
}

#[tokio::test(start_paused = true)]
async fn on_another_boot_three_devices_put_a_wrong_clock_right_and_one_may_lie() {
    const HOUR: i64 = 3_600_000;
    for told in [[0, 20, -20], [-HOUR, 0, 20], [0, 20, 9 * HOUR]] {
        for set_by in [-HOUR, HOUR] {
            let Rowed { times_ms, marked, told: checked } =
                rowed_over_another_boot(set_by, told.map(Some)).await;
            assert_eq!(times_ms.len(), 3);
            let right = times_ms.iter().all(|ms| (24_900..=25_100).contains(ms));
            assert!(right, "set by {set_by}, told {told:?}: {times_ms:?}");
            assert!(marked, "set by {set_by}: the results say that the clock was set");
            let checked = checked.expect("the coach is told");
            assert_eq!(checked["devices"], 3);
            let by_ms = checked["by_ms"].as_i64().unwrap();
            // If it is behind, the proposal is the last record.
            let wanted = if set_by < 0 { 5_000 } else { -HOUR };
            assert!((by_ms - wanted).abs() <= 1_100, "{by_ms} ms");
        }
    }
}

// The clocks that a test sets stand still while messages are on their way: a quarter of a second in all.
#[tokio::test(start_paused = true)]
async fn a_clock_that_three_devices_find_right_is_not_talked_about() {
    let Rowed { times_ms, marked, told } = rowed_over_another_boot(300, [Some(0); 3]).await;
    assert!(times_ms.iter().all(|ms| (24_900..=25_600).contains(ms)), "{times_ms:?}");
    assert!(!marked);
    assert_eq!(told, None);
}

#[tokio::test(start_paused = true)]
async fn with_fewer_than_three_devices_the_clock_stands_and_the_coach_is_told_so() {
    for told in [[None; 3], [Some(0), Some(-3_600_000), None]] {
        let Rowed { times_ms, marked, told } = rowed_over_another_boot(0, told).await;
        assert!(times_ms.iter().all(|ms| (24_900..=25_300).contains(ms)), "{times_ms:?}");
        assert!(!marked);
        let told = told.expect("the coach is told");
        assert_eq!(told["by_ms"], Value::Null);
    }
}
