//! Two devices of one person in one seat.

use super::{refusals::kept, *};

#[tokio::test(start_paused = true)]
async fn the_coach_is_told_when_a_second_device_comes_to_a_seat_and_not_when_the_same_comes_back() {
    let gym = Gym::new().await;
    let mut coach = gym.coach().await;
    coach.hears("welcome").await;
    let secret = gym.join("Ana").await;
    let hello = |device: u128| {
        json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "athlete",
        "secret": secret, "device": Uuid::from_u128(device), "take_seat": true})
    };
    let mut seconds = 0;
    for device in [1, 1, 2, 2, 1] {
        let mut phone = Device::dial(&gym.server, 1 << 16).await;
        phone.say(hello(device)).await;
        phone.hears("welcome").await;
        // Kept open: what comes next finds it there.
        std::mem::forget(phone);
        coach.say(json!({"type": "clock", "client_sent_us": 7})).await;
        loop {
            let told = coach.hears_any(&["events", "clock"]).await;
            if told["type"] == "clock" {
                break;
            }
            for event in told["events"].as_array().unwrap() {
                seconds += u32::from(event["what"]["kind"] == "second_device");
            }
        }
    }
    assert_eq!(seconds, 2);
}

#[tokio::test(start_paused = true)]
async fn a_second_device_asks_before_it_takes_a_seat_whose_first_one_is_heard() {
    let gym = Gym::new().await;
    let secret = gym.join("Ana").await;
    let comes = async |device: u128, take_seat: bool| {
        let mut phone = Device::dial(&gym.server, 1 << 16).await;
        phone
            .say(json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "athlete",
            "secret": secret, "device": Uuid::from_u128(device), "take_seat": take_seat}))
            .await;
        phone
    };
    let mut first = comes(1, false).await;
    first.hears("welcome").await;
    assert_eq!(comes(2, false).await.is_closed().await, Close::SeatTaken.code());
    let (seconds, _) = kept(&gym, "second_device").await;
    assert_eq!(seconds, 0, "the coach is told of who sits there, not of who asked");
    // The first is not disturbed by it, and takes its own place back at once.
    first.say(json!({"type": "clock", "client_sent_us": 7})).await;
    first.hears("clock").await;
    let mut again = comes(1, false).await;
    again.hears("welcome").await;
    assert_eq!(first.is_closed().await, Close::Replaced.code());
    let mut second = comes(2, true).await;
    second.hears("welcome").await;
    assert_eq!(again.is_closed().await, Close::Replaced.code());
    // Nobody is heard any more: whoever comes gets the seat.
    drop(second);
    tokio::time::sleep(Duration::from_secs(1)).await;
    comes(3, false).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn two_devices_that_come_at_the_same_moment_do_not_both_sit_down() {
    let gym = Gym::new().await;
    let secret = gym.join("Ana").await;
    let mut phones = Vec::new();
    for device in 1..=2 {
        let mut phone = Device::dial(&gym.server, 1 << 16).await;
        phone
            .say(json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "athlete",
            "secret": secret, "device": Uuid::from_u128(device)}))
            .await;
        phones.push(phone);
    }
    phones[0].hears("welcome").await;
    assert_eq!(phones[1].is_closed().await, Close::SeatTaken.code());
    phones[0].say(json!({"type": "clock", "client_sent_us": 7})).await;
    phones[0].hears("clock").await;
}
