//! Orders that come another way than by a connection.

use thole_protocol::{
    ids::{CoachId, CommandId, SessionId},
    order::{GivenBy, Order},
    refusal::Why,
};
use thole_server::orders::{NotDone, Ordered};

use super::*;

fn by_rosa(no: u128, order: Order) -> Ordered {
    let by = GivenBy { coach: CoachId(Uuid::from_u128(70)), name: "Rosa".to_owned() };
    Ordered { command: CommandId(Uuid::from_u128(no)), order, by: Some(by) }
}

async fn only_session(gym: &Gym) -> SessionId {
    gym.server.journal.sessions().await.unwrap()[0].session
}

#[tokio::test(start_paused = true)]
async fn a_session_that_is_not_in_memory_takes_an_order_and_keeps_it() {
    let gym = Gym::new().await;
    let session = only_session(&gym).await;
    for no in [1, 2] {
        // The second is the answer to the first that was lost: the server was killed in between.
        let gym = gym.after_a_kill();
        assert!(!gym.server.registry.is_open(session));
        let close = by_rosa(1, Order::CloseSession);
        assert_eq!(gym.server.order(session, close).await, Ok(()), "try {no}");
    }
    let again = gym.after_a_kill();
    let refused = again.server.order(session, by_rosa(2, Order::Arm)).await.unwrap_err();
    let NotDone::Refused(refusal) = &refused else { panic!("{refused:?}") };
    assert_eq!(refusal.why, Why::NotNow);
    assert_eq!(refused.to_string(), "This session is closed; make a new one.");
    let nobody = SessionId(Uuid::from_u128(5));
    let order = by_rosa(3, Order::CloseSession);
    assert_eq!(again.server.order(nobody, order).await, Err(NotDone::NoSession));
    // Who gave it stands in the journal.
    let found = again.server.journal.read(session, 0).await.unwrap();
    assert!(format!("{:?}", found.records).contains("\"Rosa\""));
}

#[tokio::test(start_paused = true)]
async fn devices_that_look_on_hear_of_it_and_need_not_give_up_command() {
    let gym = Gym::new().await;
    let session = only_session(&gym).await;
    let mut coach = gym.coach().await;
    coach.hears("welcome").await;
    let order = gym.server.order(session, by_rosa(1, Order::CloseSession));
    let (done, heard) = tokio::join!(order, coach.hears("events"));
    assert_eq!(done, Ok(()));
    assert_eq!(heard["events"][0]["what"]["kind"], "session_closed");
}

#[tokio::test(start_paused = true)]
async fn on_a_full_disk_it_is_for_later_and_is_then_done_once() {
    let journal = Arc::new(MemoryJournal::default());
    let gym = Gym::on(journal.clone()).await;
    let session = only_session(&gym).await;
    journal.fill(true);
    for _ in 0..2 {
        let later = gym.server.order(session, by_rosa(1, Order::CloseSession)).await.unwrap_err();
        assert!(matches!(&later, NotDone::Later(_)), "{later:?}");
        assert!(later.to_string().contains("again") || later.to_string().contains("room"));
    }
    journal.fill(false);
    // No test knows when it is tried; some seconds later it was.
    tokio::time::sleep(Duration::from_secs(12)).await;
    assert_eq!(gym.server.order(session, by_rosa(1, Order::CloseSession)).await, Ok(()));
}
