//! A disk without room: whoever was told that something is durable keeps it, everybody else is sent away with a sentence,
//! and comes back when there is room.

use super::*;

fn arm(no: u128) -> Value {
    json!({"type": "command", "command": Uuid::from_u128(no), "order": {"do": "arm"}})
}

fn is_told_of_it(refused: &Value) {
    let refusal = &refused["refusal"];
    assert_eq!(refusal["why"], "limit", "{refused}");
    assert!(refusal["says"].as_str().unwrap().contains("disk is full"), "{refused}");
}

#[tokio::test(start_paused = true)]
async fn without_room_everybody_is_sent_away_and_comes_back_when_there_is_room() {
    let journal = Arc::new(MemoryJournal::default());
    let gym = Gym::on(journal.clone()).await;
    let mut other = Gym { server: gym.server.clone(), created: gym.another().await }.coach().await;
    other.hears("welcome").await;
    let mut coach = gym.coach().await;
    coach.hears("welcome").await;
    journal.fill(true);
    coach.say(arm(1)).await;
    is_told_of_it(&coach.hears("refused").await);
    assert_eq!(coach.is_closed().await, Close::TooSlow.code());
    // The other session had nothing to write, and would have found out when somebody rows.
    is_told_of_it(&other.hears("refused").await);
    assert_eq!(other.is_closed().await, Close::TooSlow.code());
    assert!(gym.server.takes_work().unwrap_err().contains("no room"));

    let mut late = gym.coach().await;
    is_told_of_it(&late.hears("refused").await);
    assert_eq!(late.is_closed().await, Close::TooSlow.code());

    journal.fill(false);
    // No test knows when it is tried; after some seconds it has been.
    tokio::time::sleep(Duration::from_secs(12)).await;
    assert_eq!(gym.server.takes_work(), Ok(()));
    let mut coach = gym.coach().await;
    let phase = coach.hears("welcome").await["pieces"].clone();
    assert!(!phase.to_string().contains("armed"), "what was not durable did not happen: {phase}");
    coach.say(arm(1)).await;
    loop {
        // Said again it is a new order: it was never carried out.
        let text = coach.ws.next().await.unwrap().unwrap().into_text().unwrap();
        let said: Value = serde_json::from_str(&text).unwrap();
        if said["type"] == "done" || said["type"] == "refused" {
            assert_ne!(said["refusal"]["why"], "limit", "{said}");
            break;
        }
    }
}

#[tokio::test(start_paused = true)]
async fn who_makes_a_session_without_room_is_not_told_that_it_was_made() {
    let journal = Arc::new(MemoryJournal::default());
    let gym = Gym::on(journal.clone()).await;
    journal.fill(true);
    let mut stranger = Device::dial(&gym.server, 1 << 16).await;
    let key = gym.server.makers.machine_key();
    stranger.say(json!({"type": "create", "title": "Another", "key": key})).await;
    assert_eq!(stranger.is_closed().await, Close::TooSlow.code());
    assert!(gym.server.takes_work().is_err());
}
