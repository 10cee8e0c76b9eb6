//! What is wrong with one session ends that session, and nobody else hears of it.

use std::fs;

use thole_protocol::ids::SessionId;
use thole_server::journal::{Journal, sqlite::SqliteJournal};

use super::{damaged::Evening, *};

impl Device {
    /// `None` once it is welcomed; otherwise the code with which it is closed.
    async fn sent_away(&mut self) -> Option<u16> {
        loop {
            match timeout(Duration::from_secs(20), self.ws.next()).await.unwrap() {
                Some(Ok(Message::Close(Some(frame)))) => return Some(frame.code.into()),
                Some(Ok(Message::Text(text))) if text.contains(r#""type":"welcome""#) => {
                    return None;
                }
                Some(Ok(_)) => {}
                Some(Err(_)) | None => return Some(1006),
            }
        }
    }
}

/// Whichever sector of the disk has become zeroes: one session cannot be read or written, and the server goes on.
#[tokio::test]
async fn a_damaged_sector_stops_no_server() {
    const SECTOR: usize = 512;
    let evening = Evening::rowed().await;
    SqliteJournal::open(evening.folder.path()).unwrap().fold_in().await.unwrap();
    let file = evening.folder.path().join("thole.db");
    let whole = fs::read(&file).unwrap();
    let mut unreadable = 0;
    for sector in 8..whole.len() / SECTOR {
        let mut bytes = whole.clone();
        bytes[sector * SECTOR..(sector + 1) * SECTOR].fill(0);
        fs::write(&file, bytes).unwrap();
        // Damage to the tables themselves is reported at the start.
        let Ok(journal) = SqliteJournal::open(evening.folder.path()) else { continue };
        let gym = evening.gym_of(journal);
        let roles = [("coach", &gym.created["coach_secret"]), ("athlete", &evening.secrets[0])];
        let mut devices = Vec::new();
        for (role, secret) in roles {
            let mut device = gym.enter(role, secret).await;
            let sent_away = device.sent_away().await;
            unreadable += usize::from(sent_away == Some(Close::Unreadable.code()));
            // Never as if the link were wrong, and never so that it comes back in a moment for nothing.
            for code in [Close::WrongSecret.code(), Close::Fault.code()] {
                assert_ne!(sent_away, Some(code), "{role}, sector {sector}");
            }
            devices.push(device);
        }
        assert_eq!(gym.server.takes_work(), Ok(()), "sector {sector}");
        // The server waits for everybody it closes.
        drop(devices);
        evening.stop(gym).await;
    }
    assert!(unreadable > 0, "no sector that mattered was lost");
}

/// One session's writer was replaced: everybody connected comes back to the new one, and no other session notices.
#[tokio::test]
async fn a_session_that_another_has_taken_ends_alone() {
    let gym = Gym::new().await;
    let mut coach = gym.coach().await;
    let session = coach.hears("welcome").await["session"].clone();
    let session = SessionId(session.as_str().unwrap().parse().unwrap());
    gym.server.journal.take(session).await.unwrap();
    coach
        .say(json!({"type": "command", "command": Uuid::from_u128(7), "order": {"do": "arm"}}))
        .await;
    assert_eq!(coach.is_closed().await, Close::GoingAway.code());
    drop(coach);
    assert_eq!(gym.server.takes_work(), Ok(()));
    gym.coach().await.hears("welcome").await;
}
