//! A hostile client's refused messages fill no disk.

use thole_protocol::ids::SessionId;

use super::*;

/// Bytes of this kind that the journal has kept of the session.
async fn kept(gym: &Gym, kind: &str) -> (usize, usize) {
    let session = SessionId(gym.created["session"].as_str().unwrap().parse().unwrap());
    let records = gym.server.journal.read(session, 0).await.unwrap();
    let inputs = records.records.iter().map(|(_, record)| &record.input);
    let bytes: Vec<usize> = inputs
        .filter(|input| input.kind() == kind)
        .map(|input| serde_json::to_string(input).unwrap().len())
        .collect();
    (bytes.len(), bytes.iter().sum())
}

/// Everything that was said before is dealt with: it is answered in the order in which it was said.
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
        ana_in.say(json!({"type": "aim", "piece": 0, "aim": aim})).await;
        assert_eq!(ana_in.hears("refused").await["refusal"]["why"], "out_of_range");
    }
    let run = Uuid::from_u128(7);
    ana_in.say(json!({"type": "skip", "run": run, "from_seq": 3, "to_seq": 2})).await;
    assert_eq!(ana_in.hears("refused").await["refusal"]["why"], "out_of_range");
    let machine = "m".repeat(60_000);
    ana_in.say(json!({"type": "ready", "cautions_read": true, "machine": machine})).await;
    settle(&mut ana_in).await;
    assert_eq!(kept(&gym, "aimed").await, (0, 0));
    assert_eq!(kept(&gym, "skipped").await, (0, 0));
    let (ready, bytes) = kept(&gym, "ready").await;
    assert!(ready == 1 && bytes < 300, "{bytes} bytes");
}

/// The piece that is aimed at is not there: the core refuses each of them, after it was written.
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
    assert!((60..=61 + seconds).contains(&aims) && seconds < 60, "{aims} aims in {seconds} s");
    assert!(bytes < 300 * aims, "{bytes} bytes");
    // What was rowed is taken all the same.
    let samples = [json!({"seq": 1, "heard_ms": 100, "distance_dm": 10})];
    ana_in.say(json!({"type": "samples", "run": Uuid::from_u128(7), "samples": samples})).await;
    assert_eq!(ana_in.hears("ack").await["durable"]["through_seq"], 1);
}
