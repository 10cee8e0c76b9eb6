//! The table of results, over a connection.

use super::*;

fn asks(no: u128) -> Value {
    json!({"type": "results_table", "command": Uuid::from_u128(no)})
}

#[tokio::test(start_paused = true)]
async fn a_device_of_the_coach_gets_the_table_though_another_leads_and_the_session_is_closed() {
    let Seated { gym, mut coach, .. } = Seated::new().await;
    let mut second = gym.coach().await;
    assert_eq!(second.hears("welcome").await["in_command"], false);
    let order =
        json!({"type": "command", "command": Uuid::from_u128(1), "order": {"do": "close_session"}});
    coach.say(order).await;
    coach.hears("done").await;
    for (no, device) in [(2, &mut second), (3, &mut coach)] {
        device.say(asks(no)).await;
        let table = device.hears("results_table").await;
        assert_eq!(table["command"], json!(Uuid::from_u128(no)));
        let csv = table["csv"].as_str().unwrap();
        assert!(csv.starts_with("\u{feff}row,piece,title,work,") && csv.ends_with("\r\n"), "{csv}");
        assert_eq!(device.hears("done").await["command"], json!(Uuid::from_u128(no)));
    }
}

#[tokio::test(start_paused = true)]
async fn nobody_else_gets_it_and_each_is_told_why() {
    let Seated { gym, mut ana_in, .. } = Seated::new().await;
    let mut board = gym.board().await;
    for (no, device) in [(1, &mut ana_in), (2, &mut board)] {
        device.say(asks(no)).await;
        let refused = device.hears("refused").await;
        assert_eq!(refused["command"], json!(Uuid::from_u128(no)), "so that it is not asked again");
        assert_eq!(refused["refusal"]["why"], "not_yours");
        assert!(
            refused["refusal"]["says"].as_str().unwrap().contains("the link of the role that may")
        );
        // The connection goes on.
        device.say(json!({"type": "clock", "client_sent_us": 7})).await;
        device.hears("clock").await;
    }
}
