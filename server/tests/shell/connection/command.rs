//! Which of the coach's devices leads, and which leads again.

use super::*;

fn prepare(no: u128) -> Value {
    json!({"type": "command", "command": Uuid::from_u128(no),
        "order": {"do": "prepare_calls", "calls": [{"shown": "Sit tall"}]}})
}

#[tokio::test(start_paused = true)]
async fn three_devices_lead_one_commands_and_it_can_be_taken_over() {
    let gym = Gym::new().await;
    let mut devices = Vec::new();
    for no in 0..3 {
        let mut device = gym.coach().await;
        assert_eq!(device.hears("welcome").await["in_command"], no == 0);
        devices.push(device);
    }
    assert_eq!(gym.coach().await.is_closed().await, Close::RoleFull.code());
    devices[1].say(prepare(1)).await;
    assert_eq!(devices[1].hears("refused").await["refusal"]["why"], "not_in_command");
    devices[1].say(json!({"type": "take_command", "command": Uuid::from_u128(2)})).await;
    assert_eq!(devices[0].hears("in_command").await["yes"], false);
    assert_eq!(devices[1].hears("in_command").await["yes"], true);
    devices[1].say(prepare(3)).await;
    assert_eq!(devices[1].hears("done").await["command"], json!(Uuid::from_u128(2)));
    assert_eq!(devices[1].hears("done").await["command"], json!(Uuid::from_u128(3)));
    // Repeated after a lost answer, it does not take command back from the device that has taken it since.
    devices[2].say(json!({"type": "take_command", "command": Uuid::from_u128(4)})).await;
    let done = |no| json!(Uuid::from_u128(no));
    while devices[2].hears("done").await["command"] != done(4) {}
    devices[1].say(json!({"type": "take_command", "command": Uuid::from_u128(2)})).await;
    while devices[1].hears("done").await["command"] != done(2) {}
    devices[2].say(prepare(5)).await;
    while devices[2].hears("done").await["command"] != done(5) {}
}

#[tokio::test(start_paused = true)]
async fn a_device_that_lost_its_connection_finds_the_command_again_unless_another_has_led() {
    let gym = Gym::new().await;
    let laptop = async || gym.coach_on(1).await;
    let (mut first, in_command) = laptop().await;
    assert!(in_command);
    let (mut phone, in_command) = gym.coach_on(2).await;
    assert!(!in_command);
    // The laptop is gone: the phone stands in; the laptop is back: it leads again, and the phone is told.
    first.ws.close(None).await.unwrap();
    assert_eq!(phone.hears("in_command").await["yes"], true);
    let (mut first, in_command) = laptop().await;
    assert!(in_command);
    assert_eq!(phone.hears("in_command").await["yes"], false);
    // Its old connection may still stand when it is back.
    let (mut again, in_command) = laptop().await;
    assert!(in_command);
    assert_eq!(first.hears("in_command").await["yes"], false);
    assert_eq!(phone.hears("in_command").await["yes"], false);
    drop(first);
    // The phone leads while the laptop is away: it keeps the command.
    again.ws.close(None).await.unwrap();
    assert_eq!(phone.hears("in_command").await["yes"], true);
    phone.say(prepare(1)).await;
    phone.hears("done").await;
    let (mut back, in_command) = laptop().await;
    assert!(!in_command);
    // What was taken by hand stays taken, whoever comes back.
    back.say(json!({"type": "take_command", "command": Uuid::from_u128(2)})).await;
    back.hears("done").await;
    let (mut other, in_command) = gym.coach_on(2).await;
    assert!(!in_command);
    // All are gone, and a different one comes first: it stands in, too.
    for device in [&mut back, &mut phone, &mut other] {
        device.ws.close(None).await.unwrap();
        device.is_closed().await;
    }
    let (mut tablet, in_command) = gym.coach_on(3).await;
    assert!(in_command);
    assert!(laptop().await.1);
    assert_eq!(tablet.hears("in_command").await["yes"], false);
}

#[tokio::test(start_paused = true)]
async fn who_led_last_leads_again_after_the_server_was_killed_whoever_comes_first() {
    let gym = Gym::new().await;
    let (mut laptop, _) = gym.coach_on(1).await;
    laptop.say(prepare(1)).await;
    laptop.hears("done").await;

    let gym = gym.after_a_kill();
    let (mut phone, stands_in) = gym.coach_on(2).await;
    assert!(stands_in);
    assert!(gym.coach_on(1).await.1, "the laptop has led");
    assert_eq!(phone.hears("in_command").await["yes"], false);
    phone.say(json!({"type": "take_command", "command": Uuid::from_u128(2)})).await;
    phone.hears("done").await;

    let gym = gym.after_a_kill();
    assert!(gym.coach_on(1).await.1, "stands in");
    assert!(gym.coach_on(2).await.1, "the phone has taken command");

    // Whoever stands in and gives an order leads.
    let gym = gym.after_a_kill();
    let (mut tablet, _) = gym.coach_on(3).await;
    tablet.say(prepare(3)).await;
    tablet.hears("done").await;
    let gym = gym.after_a_kill();
    assert!(gym.coach_on(2).await.1, "stands in");
    assert!(gym.coach_on(3).await.1, "the tablet has led");
}
