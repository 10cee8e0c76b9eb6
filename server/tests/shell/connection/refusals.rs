//! A hostile client's refused messages fill no disk.

use thole_protocol::ids::SessionId;

use super::*;

/// Bytes of this kind that the journal has kept of the session.
pub(super) async fn kept(gym: &Gym, kind: &str) -> (usize, usize) {
    let session = SessionId(gym.created["session"].as_str().unwrap().parse().unwrap());
    let records = gym.server.journal.read(session, 0).await.unwrap();
    let inputs = records.records.iter().map(|(_, record)| &record.input);
    let bytes: Vec<usize> = inputs
        .filter(|input| input.kind() == kind)
        .map(|input| serde_json::to_string(input).unwrap().len())
        .collect();
    (bytes.len(), bytes.iter().sum())
}

/// Everything that was said before has been dealt with: answers come in the order in which things were said.
async fn settle(device: &mut Device) {
    tokio::time::sleep(Duration::from_secs(1)).await;
    device.say(json!({"type": "clock", "client_sent_us": 4_711})).await;
    while device.hears("clock").await["client_sent_us"] != 4_711 {}
}

#[tokio::test(start_paused = true)]
async fn an_aim_longer_than_anybody_needs_is_not_written() {
    let Seated { gym, mut ana_in, .. } = Seated::new().await;
    let past = json!({"days_ago": 1, "result": {"want": "finish", "finish_ms": 400_000}});
    let leg = json!({"length": {"by": "distance", "distance_dm": 10}, "per_500m_ms": 120_000});
    for aim in [
        json!({"history": vec![past; 101]}),
        json!({"plan": {"profile": "legs", "legs": vec![leg; 101]}}),
        json!({"plan": {"profile": "speeds", "speeds_ppm": vec![1_000_000; 101]}}),
    ] {
        let command = json!(Uuid::new_v4());
        ana_in.say(json!({"type": "aim", "piece": 0, "aim": aim, "command": command})).await;
        let refused = ana_in.hears("refused").await;
        assert_eq!(refused["refusal"]["why"], "out_of_range");
        assert_eq!(refused["command"], command, "else it is said again with every connection");
    }
    let run = Uuid::from_u128(7);
    ana_in.say(json!({"type": "skip", "run": run, "from_seq": 3, "to_seq": 2})).await;
    let refused = ana_in.hears("refused").await;
    assert_eq!(
        (&refused["refusal"]["why"], &refused["command"]),
        (&json!("out_of_range"), &Value::Null)
    );
    let machine = "m".repeat(60_000);
    ana_in.say(json!({"type": "ready", "cautions_read": true, "machine": machine})).await;
    settle(&mut ana_in).await;
    assert_eq!(kept(&gym, "aimed").await, (0, 0));
    assert_eq!(kept(&gym, "skipped").await, (0, 0));
    let (ready, bytes) = kept(&gym, "ready").await;
    assert!(ready == 1 && bytes < 300, "{bytes} bytes");
}

/// The piece that is aimed at does not exist: the core refuses each of them, after it was written.
#[tokio::test(start_paused = true)]
async fn of_what_the_core_refuses_sixty_a_minute_are_written_over_all_connections() {
    let Seated { gym, ana, mut ana_in, .. } = Seated::new().await;
    let began = gym.server.clock.instant();
    for _ in 0..3 {
        for _ in 0..90 {
            ana_in.say(json!({"type": "aim", "piece": 9, "aim": {}})).await;
            ana_in.hears("refused").await;
        }
        ana_in = gym.enter("athlete", &ana).await;
        ana_in.hears("welcome").await;
    }
    let seconds = usize::try_from(began.elapsed().as_secs()).unwrap();
    let (aims, bytes) = kept(&gym, "aimed").await;
    assert!((60..=61 + seconds).contains(&aims), "{aims} aims in {seconds} s");
    assert!(bytes < 300 * aims, "{bytes} bytes");
    // What was rowed is accepted all the same.
    let samples = [json!({"seq": 1, "heard_ms": 100, "distance_dm": 10})];
    ana_in.say(json!({"type": "samples", "run": Uuid::from_u128(7), "samples": samples})).await;
    assert_eq!(ana_in.hears("ack").await["durable"]["through_seq"], 1);
}

fn batch(from: u32, run: u128) -> Value {
    let sample = |seq: u32| json!({"seq": seq, "heard_ms": 5, "distance_dm": 10});
    let samples: Vec<Value> = (from..from + 100).map(sample).collect();
    json!({"type": "samples", "run": Uuid::from_u128(run), "samples": samples})
}

#[tokio::test(start_paused = true)]
async fn what_is_here_already_is_acknowledged_and_not_written_again() {
    let Seated { gym, mut ana_in, .. } = Seated::new().await;
    for _ in 0..50 {
        ana_in.say(batch(1, 7)).await;
        assert_eq!(ana_in.hears("ack").await["durable"]["through_seq"], 100);
    }
    for command in 1..=50 {
        let command = Uuid::from_u128(command);
        ana_in
            .say(json!({"type": "skip", "run": Uuid::from_u128(7), "from_seq": 1, "to_seq": 90, "command": command}))
            .await;
        assert_eq!(ana_in.hears("done").await["command"], command.to_string());
    }
    // If part of a batch is already here, the rest is written.
    ana_in.say(batch(51, 7)).await;
    assert_eq!(ana_in.hears("ack").await["durable"]["through_seq"], 150);
    let (batches, bytes) = kept(&gym, "samples").await;
    assert_eq!(batches, 2);
    assert!(bytes < 12_000, "{bytes} bytes of JSON");
    assert_eq!(kept(&gym, "skipped").await, (0, 0));
}

#[tokio::test(start_paused = true)]
async fn full_batches_for_ever_are_refused_unwritten_and_then_the_connection_is_closed() {
    let Seated { gym, ana, mut ana_in, .. } = Seated::new().await;
    for nth in 0..4 {
        ana_in.say(batch(1 + 100 * nth, 7)).await;
        ana_in.hears("ack").await;
    }
    for nth in 4..104 {
        ana_in.say(batch(1 + 100 * nth, 7)).await;
        assert_eq!(ana_in.hears("refused").await["refusal"]["why"], "limit");
    }
    // What is refused is paid for with the next message.
    for nth in 104..130 {
        ana_in.say(batch(1 + 100 * nth, 7)).await;
    }
    assert_eq!(ana_in.is_closed().await, 1008);
    assert_eq!(kept(&gym, "samples").await.0, 4);
    // A new connection makes no difference, and somebody who keeps starting over is cut off in the end.
    let mut ana_in = gym.enter("athlete", &ana).await;
    ana_in.hears("welcome").await;
    for run in 8..71 {
        ana_in.say(batch(1, run)).await;
        ana_in.hears("ack").await;
    }
    ana_in.say(batch(1, 71)).await;
    let refused = ana_in.hears("refused").await;
    assert!(refused["refusal"]["says"].as_str().unwrap().contains("recordings"), "{refused}");
    assert_eq!(kept(&gym, "samples").await.0, 4 + 63);
}

#[tokio::test(start_paused = true)]
async fn who_changes_the_target_for_ever_changes_it_sixty_times_and_then_once_a_second() {
    let Seated { gym, mut ana_in, .. } = Seated::new().await;
    let began = gym.server.clock.instant();
    for _ in 0..150 {
        ana_in.say(json!({"type": "ready", "cautions_read": true})).await;
    }
    settle(&mut ana_in).await;
    let seconds = usize::try_from(began.elapsed().as_secs()).unwrap();
    let (written, _) = kept(&gym, "ready").await;
    assert!((60..=61 + seconds).contains(&written) && seconds < 60, "{written} in {seconds} s");
}

#[tokio::test(start_paused = true)]
async fn heart_rates_are_written_as_far_as_a_strap_measures_them() {
    let Seated { gym, mut ana_in, .. } = Seated::new().await;
    ana_in.say(json!({"type": "consent", "heart_rate": true, "wording": 1})).await;
    let readings = vec![json!({"heard_ms": 5, "heart_bpm": 150}); 100];
    for _ in 0..40 {
        ana_in.say(json!({"type": "heart_rate", "readings": readings})).await;
    }
    settle(&mut ana_in).await;
    let written = kept(&gym, "heart_rate").await.0;
    assert!((4..=6).contains(&written), "{written} messages of 100");
}

/// One new number a hundred times in each message.
#[tokio::test(start_paused = true)]
async fn a_number_that_stands_in_a_batch_many_times_is_written_once() {
    let Seated { gym, mut ana_in, .. } = Seated::new().await;
    for seq in 1..=50 {
        let samples = vec![json!({"seq": seq, "heard_ms": 5, "distance_dm": 10}); 100];
        let run = Uuid::from_u128(7);
        ana_in.say(json!({"type": "samples", "run": run, "samples": samples})).await;
        assert_eq!(ana_in.hears("ack").await["durable"]["through_seq"], seq);
    }
    let (batches, bytes) = kept(&gym, "samples").await;
    assert!(batches == 50 && bytes < 50 * 250, "{bytes} bytes of JSON in {batches} batches");
}

/// Each time is written, and so is the coming of a second device.
#[tokio::test(start_paused = true)]
async fn who_comes_again_for_ever_is_sent_away_unwritten() {
    let Seated { gym, ana, .. } = Seated::new().await;
    let began = gym.server.clock.instant();
    let mut sent_away = 0;
    for _ in 0..300 {
        let mut device = gym.enter("athlete", &ana).await;
        let came = timeout(Duration::from_secs(20), device.ws.next()).await.unwrap();
        sent_away += usize::from(matches!(came, Some(Ok(Message::Close(_)))));
    }
    let most = 62 + usize::try_from(began.elapsed().as_secs()).unwrap();
    let (heard, _) = kept(&gym, "heard").await;
    let (second, _) = kept(&gym, "second_device").await;
    assert!(heard <= most + 1 && second <= most, "{heard} times heard, {second} second devices");
    assert!(sent_away >= 300 - most, "{sent_away} sent away");
    // Somebody who waits a little gets in.
    tokio::time::sleep(Duration::from_secs(5)).await;
    gym.enter("athlete", &ana).await.hears("welcome").await;
}

/// Each is accepted: the piece has not begun.
#[tokio::test(start_paused = true)]
async fn long_targets_count_as_much_as_they_are_long() {
    let Seated { gym, mut coach, mut ana_in, .. } = Seated::new().await;
    let work = json!({"by": "distance", "distance_dm": 17_000});
    let pieces = json!([{"repeats": [{"work": work, "rest_ms": 0}]}]);
    let order = json!({"do": "set_pieces", "pieces": pieces});
    coach.say(json!({"type": "command", "command": Uuid::from_u128(3), "order": order})).await;
    coach.hears("done").await;
    let past = json!({"days_ago": 1, "result": {"want": "finish", "finish_ms": 400_000}});
    let began = gym.server.clock.instant();
    for number in 0..100 {
        let aim = json!({"history": vec![past.clone(); 100]});
        let command = Uuid::from_u128(1_000 + number);
        ana_in.say(json!({"type": "aim", "piece": 0, "aim": aim, "command": command})).await;
        ana_in.answers(command).await;
    }
    let seconds = usize::try_from(began.elapsed().as_secs()).unwrap();
    let (aims, bytes) = kept(&gym, "aimed").await;
    assert!(aims >= 7 && bytes < 1_400 * (60 + seconds), "{aims} aims, {bytes} bytes, {seconds} s");
}

impl Device {
    /// Waits until something that was said under this command is answered.
    async fn answers(&mut self, command: Uuid) {
        loop {
            let message = timeout(Duration::from_secs(20), self.ws.next()).await;
            let text = message.unwrap().unwrap().unwrap().into_text().unwrap();
            let msg: Value = serde_json::from_str(&text).unwrap();
            if msg["command"] == json!(command) {
                return;
            }
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_seat_is_asked_for_again_sixty_times_and_then_once_a_second() {
    let Seated { gym, .. } = Seated::new().await;
    let join = json!({"type": "join", "code": gym.created["code"], "name": "Ida", "join": Uuid::from_u128(5)});
    let (mut joined, began) = (0, gym.server.clock.instant());
    for _ in 0..90 {
        let mut device = Device::dial(&gym.server, 1 << 16).await;
        device.say(join.clone()).await;
        let answer = device.hears_any(&["joined", "refused"]).await;
        joined += u64::from(answer["type"] == "joined");
    }
    let seconds = began.elapsed().as_secs();
    assert!((60..=62 + seconds).contains(&joined) && joined < 90, "{joined} in {seconds} s");
}
