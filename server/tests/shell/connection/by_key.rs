//! Who comes with a key of a person of the club: their own seat, and nobody else's.

use rusqlite::{Connection, params};
use thole_club::Doer;
use thole_host::KeysOf;
use thole_protocol::spec::Joining;
use thole_server::{
    club::{Store, file},
    secret::SecretHash,
};

use super::*;

/// A server with a club in which Ana and Bo are people, and a session whose coach has Ana and Bo on the list.
struct Hall {
    _folder: tempfile::TempDir,
    gym: Gym,
    coach: Device,
}

impl Hall {
    async fn open() -> Hall {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        let doer = Doer { who: "a test".to_owned(), at_unix_ms: 1 };
        for name in ["Ana", "Bo", "Cy"] {
            store.add_person(name, None, &doer).unwrap();
        }
        let args = ServeArgs::default().with("data", folder.path().display());
        let journal = Arc::new(MemoryJournal::default());
        let server = Arc::new(Server::new(args.settings().unwrap(), journal));
        let gym = Gym { server, created: Value::Null };
        let gym = Gym { created: gym.another().await, ..gym };
        let mut coach = gym.coach_on(1).await.0;
        let athletes = ["Ana", "Bo"].map(|name| json!({"spec": {"name": name}}));
        let command = Uuid::from_u128(900);
        coach.say(json!({"type": "add_athletes", "command": command, "athletes": athletes})).await;
        coach.hears("links").await;
        coach.hears("done").await;
        Hall { _folder: folder, gym, coach }
    }

    fn club(&self) -> Connection {
        Connection::open(file(&self.gym.server.settings.data)).unwrap()
    }

    /// A key of a device of somebody in the club.
    fn key(&self, of: &str) -> String {
        let secret = format!("key-of-{of}-{}", Uuid::new_v4());
        let put = "INSERT INTO key (club, key, person, hash, from_unix_ms)
            SELECT club, ?1, person, ?2, 1 FROM person WHERE called = ?3";
        let hash = SecretHash::of(&secret).to_hex();
        let named = params![Uuid::new_v4().to_string(), hash, of];
        assert_eq!(self.club().execute(put, named).unwrap(), 1);
        secret
    }

    /// What somebody is told who joins under a name, with this key.
    async fn joins(&self, name: &str, id: &str, key: &str) -> (Device, Value) {
        let mut device = Device::dial(&self.gym.server, 1 << 16).await;
        let join = json!({"type": "join", "code": self.gym.created["code"], "name": name,
            "join": format!("{id:-<40}"), "key": key});
        device.say(join).await;
        let told = device.hears_any(&["joined", "waiting", "refused"]).await;
        (device, told)
    }
}

#[tokio::test(start_paused = true)]
async fn whoever_comes_with_a_key_has_their_seat_of_the_list_at_once() {
    let mut hall = Hall::open().await;
    let (_ana, told) = hall.joins("ana ", "phone", &hall.key("Ana")).await;
    assert_eq!((&told["type"], &told["name"]), (&json!("joined"), &json!("Ana")), "{told}");
    let welcome = hall.gym.enter("athlete", &told["secret"]).await.hears("welcome").await;
    assert_eq!(welcome["you"], told["athlete"]);
    // A person who is not on the list is a newcomer as anybody, and comes back to the same seat from another device.
    let (key, another) = (hall.key("Cy"), hall.key("Cy"));
    let (_cy, first) = hall.joins("Cy", "phone", &key).await;
    let (_again, second) = hall.joins("Cy", "tablet", &another).await;
    assert_eq!((&first["type"], &second["type"]), (&json!("joined"), &json!("joined")));
    assert_eq!(first["athlete"], second["athlete"]);
    assert_ne!(first["secret"], second["secret"]);
    // Nobody had to be asked.
    hall.coach.say(json!({"type": "clock", "client_sent_us": 1})).await;
    let told = hall.coach.hears_any(&["requests", "clock"]).await;
    assert_eq!(told["type"], "clock", "{told}");
}

#[tokio::test(start_paused = true)]
async fn two_devices_of_one_person_that_come_at_the_same_moment_have_one_seat() {
    let hall = Hall::open().await;
    let keys = [hall.key("Ana"), hall.key("Ana")];
    let (first, second) =
        tokio::join!(hall.joins("Ana", "one", &keys[0]), hall.joins("Ana", "two", &keys[1]));
    assert_eq!((&first.1["type"], &second.1["type"]), (&json!("joined"), &json!("joined")));
    assert_eq!(first.1["athlete"], second.1["athlete"]);
    assert_eq!(
        hall.gym.coach().await.hears("welcome").await["athletes"].as_array().unwrap().len(),
        2
    );
}

#[tokio::test(start_paused = true)]
async fn a_key_opens_nobody_elses_seat() {
    let hall = Hall::open().await;
    // Under another name it counts for nothing: Bo is on the list, and the coach is asked.
    let (_bo, told) = hall.joins("Bo", "phone", &hall.key("Ana")).await;
    assert_eq!(told["type"], "waiting", "{told}");
    // Somebody who was let in as Ana, whoever it is, keeps the seat.
    let stranger = hall.gym.join("Dee").await;
    assert!(stranger.is_string());
    let (_dee, told) = hall.joins("Dee", "phone", &hall.key("Ana")).await;
    assert_eq!(told["refusal"]["why"], "name_taken", "{told}");
    // After all of this Ana has hers.
    let (_ana, told) = hall.joins("Ana", "phone", &hall.key("Ana")).await;
    assert_eq!(told["type"], "joined", "{told}");
    let (_other, told) = hall.joins("Ana", "elsewhere", "").await;
    assert_eq!(told["refusal"]["why"], "not_yours", "an empty key opens nothing: {told}");
}

#[tokio::test(start_paused = true)]
async fn a_key_that_opens_nothing_is_a_wrong_guess_and_tells_nothing() {
    let hall = Hall::open().await;
    let ended = hall.key("Ana");
    let end = "UPDATE key SET ended_unix_ms = 2";
    assert_eq!(hall.club().execute(end, []).unwrap(), 1);
    for key in [ended.as_str(), "never-was-a-key-of-anybody", "\u{0}", &"k".repeat(400)] {
        let (mut device, told) = hall.joins("Ana", "phone", key).await;
        assert_eq!(told["refusal"]["why"], "not_yours", "{told}");
        let says = told["refusal"]["says"].as_str().unwrap();
        assert!(says.contains("new card") && !says.contains("Ana"), "{says}");
        // The way without a key is open on the same connection: the coach is asked.
        let join = json!({"type": "join", "code": hall.gym.created["code"], "name": "Ana", "join": "w".repeat(40)});
        device.say(join).await;
        assert_eq!(device.hears_any(&["waiting", "refused", "joined"]).await["type"], "waiting");
    }
    // Whoever goes on guessing is sent away.
    let (mut device, _) = hall.joins("Ana", "phone", "guess-0").await;
    for nth in 1..40 {
        let join = json!({"type": "join", "code": hall.gym.created["code"], "name": "Ana", "key": format!("guess-{nth}")});
        if device.ws.send(Message::text(join.to_string())).await.is_err() {
            break;
        }
    }
    assert_eq!(device.is_closed().await, Close::WrongTooOften.code());
}

#[tokio::test(start_paused = true)]
async fn where_the_club_cannot_be_asked_the_coach_is_and_the_evening_goes_on() {
    let hall = Hall::open().await;
    let key = hall.key("Ana");
    std::fs::write(file(&hall.gym.server.settings.data), "not a file of SQLite any more").unwrap();
    let (_ana, told) = hall.joins("Ana", "phone", &key).await;
    assert_eq!(told["type"], "waiting", "{told}");
    let (_dee, told) = hall.joins("Dee", "phone", &key).await;
    assert_eq!(told["type"], "joined", "{told}");
}

#[tokio::test(start_paused = true)]
async fn who_has_to_ask_is_known_once_they_are_let_in() {
    let mut hall = Hall::open().await;
    let settings = json!({"joining": Joining::Asked});
    let order = json!({"type": "command", "command": Uuid::from_u128(40),
        "order": {"do": "settings", "settings": settings}});
    hall.coach.say(order).await;
    hall.coach.hears("done").await;
    let key = hall.key("Cy");
    let (mut cy, told) = hall.joins("Cy", "phone", &key).await;
    assert_eq!(told["type"], "waiting", "{told}");
    let asks = hall.coach.hears("requests").await["requests"][0]["request"].clone();
    hall.coach
        .say(json!({"type": "let_in", "command": Uuid::from_u128(41), "request": asks}))
        .await;
    let joined = cy.hears("joined").await;
    // From then on they come in by themselves, after a restart too.
    let after = Hall {
        gym: Gym {
            server: Arc::new(Server::new(
                hall.gym.server.settings.clone(),
                hall.gym.server.journal.clone(),
            )),
            created: hall.gym.created.clone(),
        },
        ..hall
    };
    let (_again, told) = after.joins("Cy", "another-phone", &key).await;
    assert_eq!((&told["type"], &told["athlete"]), (&json!("joined"), &joined["athlete"]), "{told}");
}

#[tokio::test(start_paused = true)]
async fn a_key_says_when_it_was_here_and_is_in_no_record() {
    let hall = Hall::open().await;
    let key = hall.key("Ana");
    let last = || -> Option<i64> {
        hall.club().query_row("SELECT last_unix_ms FROM key", [], |row| row.get(0)).unwrap()
    };
    assert_eq!(last(), None);
    let (_ana, told) = hall.joins("Ana", "phone", &key).await;
    assert_eq!(told["type"], "joined", "{told}");
    assert!(last().is_some());
    let session = serde_json::from_value(hall.gym.created["session"].clone()).unwrap();
    let found = hall.gym.server.journal.read(session, 0).await.unwrap();
    let text = format!("{:?}", found.records);
    assert!(text.contains("CameByKey") && !text.contains(&key), "{text}");
}

#[tokio::test(start_paused = true)]
async fn what_an_ended_key_has_opened_ends_with_it_and_a_good_one_comes_back() {
    let hall = Hall::open().await;
    let (lost, good) = (hall.key("Ana"), hall.key("Ana"));
    let (_phone, joined) = hall.joins("Ana", "phone", &lost).await;
    let mut ana = hall.gym.enter("athlete", &joined["secret"]).await;
    ana.hears("welcome").await;
    let bo = hall.gym.join("Dee").await;
    let mut dee = hall.gym.enter("athlete", &bo).await;
    dee.hears("welcome").await;
    let person =
        hall.club().query_row("SELECT person FROM person WHERE called = 'Ana'", [], |row| {
            row.get::<_, String>(0)
        });
    let end = "UPDATE key SET ended_unix_ms = 2 WHERE hash = ?1";
    hall.club().execute(end, [SecretHash::of(&lost).to_hex()]).unwrap();
    hall.gym.server.keys_ended(KeysOf::Person(person.unwrap().parse().unwrap())).await;
    assert_eq!(ana.is_closed().await, Close::WrongSecret.code());
    let mut back = hall.gym.enter("athlete", &joined["secret"]).await;
    assert_eq!(back.is_closed().await, Close::WrongSecret.code());
    // Nor by the attempt that it was let in by.
    let (_again, told) = hall.joins("Ana", "phone", &lost).await;
    assert_eq!(told["refusal"]["why"], "not_yours", "{told}");
    let mut device = Device::dial(&hall.gym.server, 1 << 16).await;
    let join = json!({"type": "join", "code": hall.gym.created["code"], "name": "Ana", "join": format!("{:-<40}", "phone")});
    device.say(join).await;
    assert_eq!(device.hears_any(&["joined", "waiting", "refused"]).await["type"], "refused");
    // The device that was not lost has the same seat at once, and nobody else was sent away.
    let (_good, told) = hall.joins("Ana", "tablet", &good).await;
    assert_eq!((&told["type"], &told["athlete"]), (&json!("joined"), &joined["athlete"]));
    dee.say(json!({"type": "clock", "client_sent_us": 9})).await;
    dee.hears("clock").await;
}

#[tokio::test(start_paused = true)]
async fn whoever_is_about_to_be_deleted_comes_in_as_a_guest_or_not_at_all() {
    let hall = Hall::open().await;
    let key = hall.key("Ana");
    let goes = "UPDATE person SET going_unix_ms = 9, going_asked_unix_ms = 1, going_by = 'a test' WHERE called = 'Ana'";
    assert_eq!(hall.club().execute(goes, []).unwrap(), 1);
    let (_ana, told) = hall.joins("Ana", "phone", &key).await;
    assert_eq!(told["refusal"]["why"], "not_yours", "{told}");
    assert!(told["refusal"]["says"].as_str().unwrap().contains("take that back"), "{told}");
    let stay =
        "UPDATE person SET going_unix_ms = NULL, going_asked_unix_ms = NULL, going_by = NULL";
    assert_eq!(hall.club().execute(stay, []).unwrap(), 3);
    let (_ana, told) = hall.joins("Ana", "phone", &key).await;
    assert_eq!(told["type"], "joined", "{told}");
}
