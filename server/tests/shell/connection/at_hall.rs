//! Devices of the hall: a seat of the list for one session, and the next name takes it.

use rusqlite::{Connection, params};
use thole_host::KeysOf;
use thole_protocol::ids::DeviceId;
use thole_server::{
    club::{Store, file},
    secret::SecretHash,
};

use super::*;

/// A server with a club that has two devices of the hall, and a session whose coach has Ana and Bo on the list, with a past, a limit and
/// a target each.
struct Hall {
    _folder: tempfile::TempDir,
    gym: Gym,
    coach: Device,
    /// What each device is, by its key.
    devices: [Uuid; 2],
}

impl Hall {
    async fn open() -> Hall {
        let folder = tempfile::tempdir().unwrap();
        drop(Store::open(folder.path()).unwrap());
        let club = Connection::open(file(folder.path())).unwrap();
        let devices = ["one", "two"].map(|key| {
            let id = Uuid::new_v4();
            let put = "INSERT INTO hall_device (club, device, called, folded, made_by, from_unix_ms)
                SELECT club, ?1, ?2, ?2, 'a test', 1 FROM club";
            club.execute(put, params![id.to_string(), key]).unwrap();
            let put = "INSERT INTO key (club, key, hall, hash, from_unix_ms) SELECT club, ?1, ?1, ?2, 1 FROM club";
            club.execute(put, params![id.to_string(), SecretHash::of(key).to_hex()]).unwrap();
            id
        });
        let args = ServeArgs::default().with("data", folder.path().display());
        let journal = Arc::new(MemoryJournal::default());
        let server = Arc::new(Server::new(args.settings().unwrap(), journal));
        let gym = Gym { server, created: Value::Null };
        let gym = Gym { created: gym.another().await, ..gym };
        let mut coach = gym.coach_on(1).await.0;
        let past = json!([{"days_ago": 9, "result": {"want": "finish", "finish_ms": 426_000}}]);
        let athletes = ["Ana", "Bo"].map(|name| {
            json!({"spec": {"name": name, "heart_limit_bpm": 171},
                "aims": [{"target": {"want": "finish", "finish_ms": 424_000}, "history": past}]})
        });
        let command = Uuid::from_u128(900);
        coach.say(json!({"type": "add_athletes", "command": command, "athletes": athletes})).await;
        coach.hears("links").await;
        coach.hears("done").await;
        Hall { _folder: folder, gym, coach, devices }
    }

    /// What a device of the hall with this key is told on which somebody taps a name.
    async fn taps(&self, key: &str, name: &str) -> Value {
        let mut device = Device::dial(&self.gym.server, 1 << 16).await;
        let id = format!("{:-<40}", format!("{key}-{name}"));
        let join = json!({"type": "join", "code": self.gym.created["code"], "name": name, "join": id, "key": key});
        device.say(join).await;
        device.hears_any(&["joined", "waiting", "refused"]).await
    }

    /// The same, and they sit down.
    async fn sits(&self, key: &str, name: &str) -> (Device, Value, Value) {
        let joined = self.taps(key, name).await;
        assert_eq!(
            (&joined["type"], &joined["name"]),
            (&json!("joined"), &json!(name)),
            "{joined}"
        );
        let mut device = self.gym.enter("athlete", &joined["secret"]).await;
        let welcome = device.hears("welcome").await;
        (device, joined, welcome)
    }
}

#[tokio::test(start_paused = true)]
async fn a_tap_takes_the_seat_with_its_target_and_shows_no_past_and_no_limit() {
    let mut hall = Hall::open().await;
    let (mut device, joined, welcome) = hall.sits("one", "Ana").await;
    let own = &welcome["athletes"][0];
    assert_eq!(own["athlete"], joined["athlete"]);
    assert_eq!(own["aim"]["target"]["finish_ms"], 424_000);
    let told = welcome.to_string();
    assert!(!told.contains("days_ago") && !told.contains("171"), "{told}");
    // Nor later, when the coach changes something; the coach sees both.
    let command = Uuid::from_u128(7);
    let spec = json!({"name": "Ana", "team": "Reed", "heart_limit_bpm": 169});
    hall.coach
        .say(json!({"type": "command", "command": command, "order": {"do": "change_athlete", "athlete": joined["athlete"], "spec": spec}}))
        .await;
    let told = device.hears("events").await.to_string();
    assert!(told.contains("Reed") && !told.contains("169") && !told.contains("days_ago"), "{told}");
    let seen = hall.gym.coach().await.hears("welcome").await.to_string();
    assert!(seen.contains("169") && seen.contains("days_ago"), "{seen}");
}

#[tokio::test(start_paused = true)]
async fn the_next_name_sends_the_one_before_away_for_good() {
    let hall = Hall::open().await;
    let (mut ana, before, _) = hall.sits("one", "Ana").await;
    let (mut bo, _, _) = hall.sits("one", "Bo").await;
    assert_eq!(ana.is_closed().await, Close::WrongSecret.code());
    let mut back = hall.gym.enter("athlete", &before["secret"]).await;
    assert_eq!(back.is_closed().await, Close::WrongSecret.code());
    // Ana sits down at the other one, and what she has rowed there before is hers.
    let (_ana, again, _) = hall.sits("two", "Ana").await;
    assert_eq!(again["athlete"], before["athlete"]);
    bo.say(json!({"type": "clock", "client_sent_us": 9})).await;
    bo.hears("clock").await;
    // After a restart, too, the device gives up whom it had.
    let after = Hall { gym: hall.gym.after_a_kill_on(), ..hall };
    let (_bo, _, _) = after.sits("two", "Bo").await;
    let mut gone = after.gym.enter("athlete", &again["secret"]).await;
    assert_eq!(gone.is_closed().await, Close::WrongSecret.code());
}

#[tokio::test(start_paused = true)]
async fn a_seat_that_somebody_is_heard_in_is_taken_by_no_device_of_the_hall() {
    let hall = Hall::open().await;
    let (mut ana, _, _) = hall.sits("one", "Ana").await;
    assert_eq!(hall.taps("two", "Ana").await["refusal"]["why"], "name_taken");
    ana.say(json!({"type": "clock", "client_sent_us": 9})).await;
    ana.hears("clock").await;
    // A guest who has come by the code keeps the seat even while their phone is silent.
    let dee = hall.gym.join("Dee").await;
    drop(hall.gym.enter("athlete", &dee).await);
    assert_eq!(hall.taps("two", "Dee").await["refusal"]["why"], "name_taken");
    // Whoever has come at a device of the hall and left it may be asked for by anybody, and the coach decides.
    drop(ana);
    let mut phone = Device::dial(&hall.gym.server, 1 << 16).await;
    let told = loop {
        let join = json!({"type": "join", "code": hall.gym.created["code"], "name": "Ana", "join": "p".repeat(40)});
        phone.say(join).await;
        let told = phone.hears_any(&["joined", "waiting", "refused"]).await;
        if told["type"] != "refused" {
            break told;
        }
    };
    assert_eq!(told["type"], "waiting", "{told}");
}

#[tokio::test(start_paused = true)]
async fn a_device_of_the_hall_that_is_ended_has_nobody_any_more() {
    let hall = Hall::open().await;
    let (mut ana, joined, _) = hall.sits("one", "Ana").await;
    let (mut bo, _, _) = hall.sits("two", "Bo").await;
    let club = Connection::open(file(&hall.gym.server.settings.data)).unwrap();
    club.execute("UPDATE key SET ended_unix_ms = 2 WHERE hall = ?1", [hall.devices[0].to_string()])
        .unwrap();
    hall.gym.server.keys_ended(KeysOf::Hall(DeviceId(hall.devices[0]))).await;
    assert_eq!(ana.is_closed().await, Close::WrongSecret.code());
    let mut back = hall.gym.enter("athlete", &joined["secret"]).await;
    assert_eq!(back.is_closed().await, Close::WrongSecret.code());
    assert_eq!(hall.taps("one", "Ana").await["refusal"]["why"], "not_yours");
    bo.say(json!({"type": "clock", "client_sent_us": 9})).await;
    bo.hears("clock").await;
    // As soon as the session has heard that nobody is there any more.
    while hall.taps("two", "Ana").await["type"] != "joined" {}
}

#[tokio::test(start_paused = true)]
async fn two_devices_of_the_hall_that_tap_one_name_at_once_give_one_seat() {
    let hall = Hall::open().await;
    let (one, two) = tokio::join!(hall.taps("one", "Ana"), hall.taps("two", "Ana"));
    let kinds = [&one["type"], &two["type"]];
    assert!(kinds.contains(&&json!("joined")), "{one} {two}");
    let opened = [&one, &two].into_iter().filter(|told| told["type"] == "joined");
    let mut open = 0;
    for told in opened {
        let mut device = hall.gym.enter("athlete", &told["secret"]).await;
        open += u32::from(device.ws.next().await.unwrap().unwrap().is_text());
    }
    assert_eq!(open, 1, "{one} {two}");
}
