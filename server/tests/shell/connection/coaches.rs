//! Coaches of the club who come by keys of their own: to make a session, and to lead one.

use thole_club::Doer;
use thole_host::KeysOf;
use thole_protocol::{
    club::CoachRole,
    ids::{CoachId, SessionId},
};
use thole_server::{
    club::{Store, file},
    makers,
    secret::SecretHash,
};

use super::*;

/// A server whose club has Rosa and Tom, who lead, and Ines, who helps; each is known by a key that is their name in small letters, and
/// Rosa has made a session.
struct Hall {
    _folder: tempfile::TempDir,
    gym: Gym,
    rosa: CoachId,
}

fn doer() -> Doer {
    Doer { who: "a test".to_owned(), at_unix_ms: 1 }
}

impl Hall {
    async fn open() -> Hall {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        let mut add = |called: &str, role| {
            let key = SecretHash::of(&called.to_lowercase());
            store.add_coach(called, role, key, &doer()).unwrap().coach
        };
        let rosa = add("Rosa", CoachRole::Coach);
        add("Tom", CoachRole::Coach);
        add("Ines", CoachRole::Assistant);
        let args = ServeArgs::default().with("data", folder.path().display());
        let journal = Arc::new(MemoryJournal::default());
        let server = Arc::new(Server::new(args.settings().unwrap(), journal));
        let gym = Gym { server, created: Value::Null };
        let mut maker = Device::dial(&gym.server, 1 << 16).await;
        maker.say(json!({"type": "create", "title": "Tuesday", "key": "rosa"})).await;
        let created = maker.hears("created").await;
        assert_eq!(created["by"]["name"], "Rosa");
        Hall { _folder: folder, gym: Gym { created, ..gym }, rosa }
    }

    fn store(&self) -> Store {
        Store::open(&self.gym.server.settings.data).unwrap()
    }

    /// Comes to the session by its code, with this key, from a device of this number.
    async fn comes(&self, key: &str, device: u128) -> Device {
        self.says_hello(json!({"role": "coach", "secret": key, "code": self.gym.created["code"],
            "device": Uuid::from_u128(device)}))
            .await
    }

    async fn says_hello(&self, mut hello: Value) -> Device {
        let mut device = Device::dial(&self.gym.server, 1 << 16).await;
        hello["type"] = json!("hello");
        (hello["version_min"], hello["version_max"]) = (json!(1), json!(1));
        device.say(hello).await;
        device
    }

    /// All records of the session, as text.
    async fn records(&self) -> String {
        let session: SessionId =
            serde_json::from_value(self.gym.created["session"].clone()).unwrap();
        let found = self.gym.server.journal.read(session, 0).await.unwrap();
        serde_json::to_string(
            &found.records.into_iter().map(|(_, record)| record.input).collect::<Vec<_>>(),
        )
        .unwrap()
    }
}

fn prepares(no: u128, shown: &str) -> Value {
    let order = json!({"do": "prepare_calls", "calls": [{"shown": shown, "spoken": ""}]});
    json!({"type": "command", "command": Uuid::from_u128(no), "order": order})
}

#[tokio::test(start_paused = true)]
async fn a_coach_leads_by_their_own_key_and_the_journal_says_who_gave_which_order() {
    let hall = Hall::open().await;
    let mut rosa = hall.comes("rosa", 1).await;
    assert_eq!(rosa.hears("welcome").await["in_command"], true);
    rosa.say(prepares(1, "Long and calm")).await;
    rosa.hears("done").await;
    let mut tom = hall.comes("tom", 2).await;
    assert_eq!(tom.hears("welcome").await["in_command"], false);
    tom.say(json!({"type": "take_command", "command": Uuid::from_u128(2)})).await;
    tom.hears("done").await;
    tom.say(prepares(3, "Sit tall")).await;
    tom.hears("done").await;
    // Whoever has the session's own link is nobody whom the club knows.
    let (mut link, _) = hall.gym.coach_on(3).await;
    link.say(json!({"type": "take_command", "command": Uuid::from_u128(4)})).await;
    link.hears("done").await;
    link.say(prepares(5, "Breathe")).await;
    link.hears("done").await;
    let records: Value = serde_json::from_str(&hall.records().await).unwrap();
    let names = |kind: &str| -> Vec<Value> {
        let of = records.as_array().unwrap().iter().filter(|record| record["input"] == kind);
        of.map(|record| record["by"]["name"].clone()).collect()
    };
    let both = [json!("Rosa"), json!("Tom"), Value::Null];
    assert_eq!((names("ordered"), names("took_command")), (both.to_vec(), both.to_vec()));
    assert_eq!(names("created"), [json!("Rosa")]);
    assert!(!hall.records().await.contains("rosa"), "a key is in no record");
}

#[tokio::test(start_paused = true)]
async fn no_key_but_that_of_somebody_who_leads_opens_a_session_and_all_are_told_the_same() {
    let hall = Hall::open().await;
    let code = hall.gym.created["code"].clone();
    let hellos = [
        json!({"role": "coach", "secret": "ines", "code": code}),
        json!({"role": "coach", "secret": "nobody", "code": code}),
        json!({"role": "coach", "secret": "", "code": code}),
        json!({"role": "coach", "secret": SecretHash::of("rosa").to_hex(), "code": code}),
        json!({"role": "coach", "secret": "rosa", "code": "KAMURETA"}),
        json!({"role": "coach", "secret": "rosa"}),
        json!({"role": "athlete", "secret": "rosa", "code": code}),
        json!({"role": "board", "secret": "rosa", "code": code}),
        json!({"role": "coach", "secret": hall.gym.created["board_secret"], "code": code}),
        // What opens the machine makes sessions and leads none.
        json!({"role": "coach", "secret": hall.gym.server.makers.machine_key(), "code": code}),
    ];
    for hello in hellos {
        let closed = hall.says_hello(hello.clone()).await.is_closed().await;
        assert_eq!(closed, Close::WrongSecret.code(), "{hello}");
    }
    // A session link goes on without asking what the code is.
    let secret = hall.gym.created["coach_secret"].clone();
    let hello = json!({"role": "coach", "secret": secret, "code": "KAMURETA"});
    hall.says_hello(hello).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn the_head_coachs_link_leads_as_well_and_the_one_before_it_does_not() {
    let hall = Hall::open().await;
    let data = &hall.gym.server.settings.data;
    let before = makers::new_key(data).unwrap().reveal();
    hall.comes(&before, 1).await.hears("welcome").await;
    let now = makers::new_key(data).unwrap().reveal();
    assert_eq!(hall.comes(&before, 1).await.is_closed().await, Close::WrongSecret.code());
    let mut head = hall.comes(&now, 2).await;
    head.hears("welcome").await;
    head.say(json!({"type": "take_command", "command": Uuid::from_u128(4)})).await;
    head.hears("done").await;
    head.say(prepares(5, "Breathe")).await;
    head.hears("done").await;
    assert!(hall.records().await.contains(r#""name":"head coach""#));
}

#[tokio::test(start_paused = true)]
async fn what_an_ended_key_of_a_coach_has_opened_ends_at_once_and_so_does_the_link_they_made() {
    let hall = Hall::open().await;
    let mut rosa = hall.comes("rosa", 1).await;
    rosa.hears("welcome").await;
    let mut tom = hall.comes("tom", 2).await;
    tom.hears("welcome").await;
    let (mut by_link, _) = hall.gym.coach_on(3).await;
    let ana = hall.gym.join("Ana").await;
    let mut ana = hall.gym.enter("athlete", &ana).await;
    ana.hears("welcome").await;

    assert!(hall.store().end_coach(hall.rosa, &doer()).unwrap());
    hall.gym.server.keys_ended(KeysOf::Coach(hall.rosa)).await;
    for device in [&mut rosa, &mut by_link] {
        assert_eq!(device.is_closed().await, Close::WrongSecret.code());
    }
    assert_eq!(hall.comes("rosa", 1).await.is_closed().await, Close::WrongSecret.code());
    // She may have kept the link of the session that she made.
    assert_eq!(hall.gym.coach().await.is_closed().await, Close::WrongSecret.code());
    // Tom leads on, and makes another link for whoever needs one; Ana rows on.
    tom.say(prepares(3, "Sit tall")).await;
    let told = tom.hears_any(&["done", "refused"]).await;
    assert_eq!(told["type"], "done", "{told}");
    tom.say(json!({"type": "new_coach_link", "command": Uuid::from_u128(7)})).await;
    let link = tom.hears("coach_link").await["coach_secret"].clone();
    hall.gym.enter("coach", &link).await.hears("welcome").await;
    tom.say(json!({"type": "clock", "client_sent_us": 9})).await;
    tom.hears("clock").await;
    ana.say(json!({"type": "clock", "client_sent_us": 9})).await;
    ana.hears("clock").await;
    // After a restart too.
    let again = Hall {
        gym: Gym {
            server: Arc::new(Server::new(
                hall.gym.server.settings.clone(),
                hall.gym.server.journal.clone(),
            )),
            created: hall.gym.created.clone(),
        },
        ..hall
    };
    assert_eq!(again.gym.coach().await.is_closed().await, Close::WrongSecret.code());
    assert_eq!(again.comes("rosa", 1).await.is_closed().await, Close::WrongSecret.code());
    again.comes("tom", 2).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn a_session_that_another_coach_made_keeps_its_link_when_a_coach_ends() {
    let hall = Hall::open().await;
    let tom = hall.store().coach("Tom").unwrap().coach;
    assert!(hall.store().end_coach(tom, &doer()).unwrap());
    hall.gym.server.keys_ended(KeysOf::Coach(tom)).await;
    hall.gym.coach().await.hears("welcome").await;
    hall.comes("rosa", 1).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn sessions_are_made_by_coaches_keys_and_not_by_a_helpers_or_an_ended_one() {
    let hall = Hall::open().await;
    let tom = hall.store().coach("Tom").unwrap().coach;
    hall.store().end_coach(tom, &doer()).unwrap();
    for key in ["ines", "tom", "nobody", ""] {
        let mut device = Device::dial(&hall.gym.server, 1 << 16).await;
        device.say(json!({"type": "create", "title": "Mine", "key": key})).await;
        let told = device.hears_any(&["created", "refused"]).await;
        assert_eq!(told["refusal"]["why"], "not_yours", "{key}: {told}");
    }
    assert_eq!(hall.gym.server.journal.sessions().await.unwrap().len(), 1);
    // Where the club cannot be asked, a coach is told what opens, and the head coach's link does.
    let settings = hall.gym.server.settings.clone();
    let hall = Hall {
        gym: Gym {
            server: Arc::new(Server::new(settings, hall.gym.server.journal.clone())),
            created: Value::Null,
        },
        ..hall
    };
    let club = file(&hall.gym.server.settings.data);
    // What is written ahead is a whole file in itself.
    let _ = std::fs::remove_file(club.with_extension("sqlite-wal"));
    std::fs::write(&club, "not a file of SQLite any more").unwrap();
    let mut device = Device::dial(&hall.gym.server, 1 << 16).await;
    device.say(json!({"type": "create", "title": "Mine", "key": "rosa"})).await;
    let told = device.hears_any(&["created", "refused"]).await;
    assert!(told["refusal"]["says"].as_str().unwrap().contains("head coach's link"), "{told}");
    let head = makers::new_key(&hall.gym.server.settings.data).unwrap().reveal();
    device.say(json!({"type": "create", "title": "Mine", "key": head})).await;
    let told = device.hears_any(&["created", "refused"]).await;
    assert_eq!((&told["type"], &told["by"]), (&json!("created"), &Value::Null), "{told}");
}
