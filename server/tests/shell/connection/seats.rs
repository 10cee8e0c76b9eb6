//! Who gets which seat: by a code and a name, by the coach's word, and again after a lost answer.

use thole_protocol::ids::{JoinCode, SessionId};
use thole_server::{
    journal::{Append, Grant, Holder},
    secret::SecretHash,
};

use super::*;

/// An id that nobody else has.
fn own_id(of: &str) -> String {
    format!("{of:-<40}")
}

impl Gym {
    /// A session whose coach has Ana and Bo on the list, with past results; returns the coach's device.
    async fn with_list() -> (Gym, Device) {
        let gym = Gym::new().await;
        let mut coach = gym.coach_on(1).await.0;
        let past = json!([{"days_ago": 9, "result": {"want": "finish", "finish_ms": 426_000}}]);
        let entry = |name: &str| {
            json!({"spec": {"name": name, "heart_limit_bpm": 171},
            "aims": [{"target": {"want": "finish", "finish_ms": 424_000}, "history": past}]})
        };
        let athletes = [entry("Ana"), entry("Bo")];
        let command = Uuid::from_u128(900);
        coach.say(json!({"type": "add_athletes", "command": command, "athletes": athletes})).await;
        coach.hears("links").await;
        coach.hears("done").await;
        (gym, coach)
    }

    /// A connection that has said this `join`.
    async fn asks(&self, name: &str, id: &str) -> Device {
        let mut device = Device::dial(&self.server, 1 << 16).await;
        device.joins(&self.created["code"], name, id).await;
        device
    }
}

impl Device {
    async fn joins(&mut self, code: &Value, name: &str, id: &str) {
        let from = "Telephone of a test";
        let join =
            json!({"type": "join", "code": code, "name": name, "join": own_id(id), "from": from});
        self.say(join).await;
    }

    /// Names of those who ask, as the coach is next told.
    async fn told_who_asks(&mut self) -> Vec<Value> {
        self.hears("requests").await["requests"].as_array().unwrap().clone()
    }

    async fn orders(&mut self, number: u128, kind: &str, request: &Value) -> Value {
        let command = Uuid::from_u128(number);
        self.say(json!({"type": kind, "command": command, "request": request})).await;
        loop {
            let told = self.hears_any(&["done", "refused"]).await;
            if told["command"] == json!(command) {
                return told;
            }
        }
    }

    pub(super) async fn hears_any(&mut self, kinds: &[&str]) -> Value {
        loop {
            let message = timeout(Duration::from_secs(20), self.ws.next()).await;
            let text = message.expect("nothing came").unwrap().unwrap().into_text().unwrap();
            let msg: Value = serde_json::from_str(&text).unwrap();
            if kinds.iter().any(|kind| msg["type"] == *kind) {
                return msg;
            }
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_name_of_the_list_is_handed_over_by_the_coach_alone_and_tells_nothing_before() {
    let (gym, mut coach) = Gym::with_list().await;
    let mut stranger = gym.asks("Ana", "stranger").await;
    let told = stranger.hears_any(&["waiting", "joined", "refused"]).await;
    assert_eq!(told["type"], "waiting", "{told}");
    let fields: Vec<&String> = told.as_object().unwrap().keys().collect();
    assert_eq!(fields, ["name", "says", "type"], "nothing of Ana's past, and no secret");
    assert!(told["says"].as_str().unwrap().contains("guest"), "{told}");

    let asks = coach.told_who_asks().await;
    assert_eq!((asks.len(), &asks[0]["name"], &asks[0]["here"]), (1, &json!("Ana"), &json!(true)));
    assert_eq!(asks[0]["from"], "Telephone of a test");
    assert_eq!(coach.orders(1, "let_in", &asks[0]["request"]).await["type"], "done");
    let joined = stranger.hears("joined").await;
    assert_eq!(joined["name"], "Ana");
    let welcome = gym.enter("athlete", &joined["secret"]).await.hears("welcome").await;
    assert_eq!(welcome["you"], joined["athlete"]);
    assert!(coach.told_who_asks().await.is_empty(), "the request is dealt with");
    // A guest needs nobody's word, and a seat that is taken is not given to anybody else.
    gym.join("Cy").await;
    let mut late = gym.asks("Ana", "late").await;
    assert_eq!(late.hears("refused").await["refusal"]["why"], "name_taken");
}

#[tokio::test(start_paused = true)]
async fn who_is_not_let_in_is_told_what_to_do_and_not_asked_about_again() {
    let (gym, mut coach) = Gym::with_list().await;
    let mut stranger = gym.asks("Ana", "stranger").await;
    let asks = coach.told_who_asks().await;
    assert_eq!(coach.orders(1, "turn_away", &asks[0]["request"]).await["type"], "done");
    let refused = stranger.hears("refused").await;
    assert!(refused["refusal"]["says"].as_str().unwrap().contains("guest"), "{refused}");
    let mut again = gym.asks("Ana", "stranger").await;
    assert_eq!(again.hears_any(&["waiting", "refused"]).await["type"], "refused");
    // As a guest on the same connection.
    again.joins(&gym.created["code"], "Ana K", "stranger").await;
    again.hears("joined").await;
    assert!(coach.told_who_asks().await.is_empty());
}

#[tokio::test(start_paused = true)]
async fn of_two_who_ask_for_one_name_the_coach_sees_both_and_a_renamed_request_is_another() {
    let (gym, mut coach) = Gym::with_list().await;
    let mut one = gym.asks("Ana", "one").await;
    one.hears("waiting").await;
    let mut two = gym.asks(" ana ", "two").await;
    two.hears("waiting").await;
    let asks = coach.told_who_asks().await;
    assert_eq!(asks.len(), 2);
    assert_eq!(asks[0]["athlete"], asks[1]["athlete"]);
    // What was listed as Ana becomes Bo: the coach who presses the key now meant Ana.
    one.joins(&gym.created["code"], "Bo", "one").await;
    one.hears("waiting").await;
    let refused = coach.orders(1, "let_in", &asks[0]["request"]).await;
    assert_eq!(
        (&refused["type"], &refused["refusal"]["why"]),
        (&json!("refused"), &json!("unknown"))
    );
    coach.orders(2, "let_in", &asks[1]["request"]).await;
    assert_eq!(two.hears("joined").await["name"], "Ana");
    let asks = coach.told_who_asks().await;
    assert_eq!((asks.len(), &asks[0]["name"]), (1, &json!("Bo")));
}

#[tokio::test(start_paused = true)]
async fn a_request_outlives_its_connection_and_a_restart_and_the_seat_opens_on_asking_again() {
    let (gym, mut coach) = Gym::with_list().await;
    let mut phone = gym.asks("Ana", "phone").await;
    phone.hears("waiting").await;
    coach.told_who_asks().await;
    drop(phone);
    let asks = coach.told_who_asks().await;
    assert_eq!((asks.len(), &asks[0]["here"]), (1, &json!(false)));
    coach.orders(1, "let_in", &asks[0]["request"]).await;
    let gym = gym.after_a_kill();
    let joined = gym.asks("Ana", "phone").await.hears("joined").await;
    gym.enter("athlete", &joined["secret"]).await.hears("welcome").await;
    // Nobody else has that id, nor does it open another name.
    let mut other = gym.asks("Ana", "other").await;
    assert_eq!(other.hears("refused").await["refusal"]["why"], "name_taken");
    let mut renamed = gym.asks("Bo", "phone").await;
    renamed.hears("waiting").await;
    // Whoever is waiting when the server goes away waits again.
    drop(renamed);
    let gym = gym.after_a_kill();
    let (mut coach, _) = gym.coach_on(1).await;
    let mut bo = gym.asks("Bo", "phone").await;
    bo.hears("waiting").await;
    let asks = coach.told_who_asks().await;
    coach.orders(2, "let_in", &asks[0]["request"]).await;
    assert_eq!(bo.hears("joined").await["name"], "Bo");
}

#[tokio::test(start_paused = true)]
async fn who_was_let_in_by_mistake_is_sent_away_by_a_new_link_and_cannot_ask_their_way_back() {
    let (gym, mut coach) = Gym::with_list().await;
    let mut wrong = gym.asks("Ana", "wrong").await;
    let asks = coach.told_who_asks().await;
    coach.orders(1, "let_in", &asks[0]["request"]).await;
    let joined = wrong.hears("joined").await;
    let mut wrong = gym.enter("athlete", &joined["secret"]).await;
    wrong.hears("welcome").await;
    let ask =
        json!({"type": "new_link", "command": Uuid::from_u128(2), "athlete": joined["athlete"]});
    coach.say(ask).await;
    let link = coach.hears("links").await["links"][0]["secret"].clone();
    assert_eq!(wrong.is_closed().await, Close::WrongSecret.code());
    let mut again = gym.asks("Ana", "wrong").await;
    assert_eq!(again.hears("refused").await["refusal"]["why"], "name_taken");
    gym.enter("athlete", &link).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn a_stranger_who_asks_for_everything_fills_a_bounded_list_and_guests_still_come_in() {
    let gym = Gym::new().await;
    let mut coach = gym.coach_on(1).await.0;
    let entries: Vec<Value> =
        (0..100).map(|no| json!({"spec": {"name": format!("Rower {no}")}})).collect();
    let add = json!({"type": "add_athletes", "command": Uuid::from_u128(1), "athletes": entries});
    coach.say(add).await;
    coach.hears("links").await;
    let mut strangers = Vec::new();
    let mut refused = 0;
    for no in 0..100 {
        let mut stranger =
            gym.asks(&format!("Rower {no}"), &format!("id {no}").replace(' ', "_")).await;
        let told = stranger.hears_any(&["waiting", "refused"]).await;
        refused += u32::from(told["type"] == "refused");
        strangers.push(stranger);
    }
    assert_eq!(refused, 36);
    gym.join("A guest").await;
    // One connection has one request: asking for name after name asks for the last.
    let mut one = strangers.pop().unwrap();
    drop(strangers);
    for no in 0..10 {
        one.joins(&gym.created["code"], &format!("Rower {no}"), "one").await;
        one.hears_any(&["waiting", "refused"]).await;
    }
    let mut asks = Vec::new();
    while asks.iter().filter(|ask: &&Value| ask["here"] == true).count() != 1 {
        asks = coach.told_who_asks().await;
    }
    assert!(asks.len() <= 64, "{}", asks.len());
}

#[tokio::test(start_paused = true)]
async fn a_name_of_the_list_is_asked_about_whatever_the_door_and_a_new_one_as_the_door_says() {
    let (gym, mut coach) = Gym::with_list().await;
    let settings = |joining: &str| {
        let settings = json!({"joining": joining});
        json!({"type": "command", "command": Uuid::new_v4(), "order": {"do": "settings", "settings": settings}})
    };
    coach.say(settings("trusted")).await;
    coach.hears("done").await;
    // What a session of an earlier build may have: whoever types a name is not whose it is.
    gym.asks("Ana", "ana").await.hears("waiting").await;
    assert_eq!(gym.asks("Dee", "dee").await.hears("joined").await["name"], "Dee");
    coach.say(settings("asked")).await;
    coach.hears("done").await;
    let mut guest = gym.asks("Cy", "cy").await;
    guest.hears("waiting").await;
    let cy = loop {
        let asks = coach.told_who_asks().await;
        if let Some(cy) = asks.into_iter().find(|one| one["name"] == "Cy") {
            break cy;
        }
    };
    assert_eq!(cy["athlete"], Value::Null);
    coach.orders(3, "let_in", &cy["request"]).await;
    assert_eq!(guest.hears("joined").await["name"], "Cy");
}

#[tokio::test(start_paused = true)]
async fn a_join_that_is_said_again_opens_the_same_seat_and_no_second_one() {
    let gym = Gym::new().await;
    let mut coach = gym.coach().await;
    coach.hears("welcome").await;
    let first = gym.asks("Ana", "ana").await.hears("joined").await;
    let again = gym.asks("Ana", "ana").await.hears("joined").await;
    assert_eq!(first["athlete"], again["athlete"]);
    assert_ne!(first["secret"], again["secret"], "a hash is kept, so nothing can be repeated");
    for secret in [&first["secret"], &again["secret"]] {
        gym.enter("athlete", secret).await.hears("welcome").await;
    }
    let restarted = gym.after_a_kill();
    let once_more = restarted.asks("Ana", "ana").await.hears("joined").await;
    assert_eq!(first["athlete"], once_more["athlete"]);
    // Somebody else's id, and an id that can be guessed.
    let mut other = restarted.asks("Ana", "other").await;
    assert_eq!(other.hears("refused").await["refusal"]["why"], "name_taken");
    let short = json!({"type": "join", "code": gym.created["code"], "name": "Di", "join": "12345"});
    other.say(short).await;
    assert_eq!(other.hears("refused").await["refusal"]["why"], "out_of_range");
}

#[tokio::test(start_paused = true)]
async fn links_whose_answer_was_lost_come_again_and_open_the_same_seats() {
    let gym = Gym::new().await;
    let mut coach = gym.coach_on(1).await.0;
    let add = json!({"type": "add_athletes", "command": Uuid::from_u128(1),
        "athletes": [{"spec": {"name": "Ana"}}, {"spec": {"name": "Bo"}}]});
    coach.say(add.clone()).await;
    let first = coach.hears("links").await["links"].clone();
    coach.hears("done").await;
    let restarted = gym.after_a_kill();
    for gym in [&gym, &restarted] {
        let mut coach = gym.coach_on(1).await.0;
        coach.say(add.clone()).await;
        let again = coach.hears("links").await["links"].clone();
        coach.hears("done").await;
        for at in 0..2 {
            assert_eq!(first[at]["athlete"], again[at]["athlete"]);
            gym.enter("athlete", &again[at]["secret"]).await.hears("welcome").await;
        }
        // Those who got theirs keep it.
        gym.enter("athlete", &first[0]["secret"]).await.hears("welcome").await;
        let athlete = &first[1]["athlete"];
        let new = json!({"type": "new_link", "command": Uuid::from_u128(2), "athlete": athlete});
        coach.say(new.clone()).await;
        let told = coach.hears("links").await["links"][0]["secret"].clone();
        let mut bo = gym.enter("athlete", &told).await;
        bo.hears("welcome").await;
        // Said again, it sends nobody away a second time, and its secret works, too.
        coach.say(new).await;
        let again = coach.hears("links").await["links"][0]["secret"].clone();
        bo.say(json!({"type": "clock", "client_sent_us": 7})).await;
        bo.hears("clock").await;
        gym.enter("athlete", &again).await.hears("welcome").await;
        let new = json!({"type": "new_board_link", "command": Uuid::from_u128(3)});
        for _ in 0..2 {
            coach.say(new.clone()).await;
            let told = coach.hears("board_link").await["board_secret"].clone();
            gym.enter("board", &told).await.hears("welcome").await;
        }
    }
}

#[tokio::test(start_paused = true)]
async fn an_order_to_add_that_comes_twice_in_one_moment_gives_links_that_open() {
    let gym = Gym::new().await;
    let mut coach = gym.coach_on(1).await.0;
    let add = json!({"type": "add_athletes", "command": Uuid::from_u128(1),
        "athletes": [{"spec": {"name": "Ana"}}]});
    coach.say(add.clone()).await;
    coach.say(add).await;
    let links = coach.hears("links").await["links"].clone();
    gym.enter("athlete", &links[0]["secret"]).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn a_new_link_of_the_coach_ends_the_old_one_and_a_lost_answer_locks_nobody_out() {
    let gym = Gym::new().await;
    let mut coach = gym.coach_on(1).await.0;
    let mut thief = gym.coach_on(2).await.0;
    let renew = json!({"type": "new_coach_link", "command": Uuid::from_u128(1)});
    thief.say(json!({"type": "new_coach_link", "command": Uuid::from_u128(9)})).await;
    assert_eq!(thief.hears("refused").await["refusal"]["why"], "not_in_command");
    coach.say(renew.clone()).await;
    coach.hears("coach_link").await;
    coach.hears("done").await;
    assert_eq!(thief.is_closed().await, Close::WrongSecret.code());
    assert_eq!(gym.coach().await.is_closed().await, Close::WrongSecret.code());
    coach.say(json!({"type": "clock", "client_sent_us": 7})).await;
    coach.hears("clock").await;
    // The answer was lost, and the server was started again: the device that asked comes by the old link, and asks again.
    drop(coach);
    let gym = gym.after_a_kill();
    assert_eq!(gym.coach().await.is_closed().await, Close::WrongSecret.code());
    let (mut coach, leads) = gym.coach_on(1).await;
    assert!(leads);
    coach.say(renew).await;
    let new = coach.hears("coach_link").await["coach_secret"].clone();
    let mut by_new = gym.enter("coach", &new).await;
    by_new.hears("welcome").await;
    // From here on the old one opens nothing, for no device.
    let mut device = Device::dial(&gym.server, 1 << 16).await;
    device
        .say(json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": gym.created["coach_secret"], "device": Uuid::from_u128(1)}))
        .await;
    assert_eq!(device.is_closed().await, Close::WrongSecret.code());
    gym.after_a_kill().enter("coach", &new).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn what_an_athlete_says_under_a_name_is_answered_by_it() {
    let Seated { mut ana_in, mut coach, .. } = Seated::new().await;
    let mut number = 0;
    let mut answer = async |mut msg: Value, expected: &str| {
        number += 1;
        msg["command"] = json!(Uuid::from_u128(number));
        ana_in.say(msg.clone()).await;
        let told = ana_in.hears_any(&["done", "refused"]).await;
        assert_eq!(told["type"], expected, "{msg}: {told}");
        assert_eq!(told["command"], msg["command"]);
    };
    answer(json!({"type": "ready", "cautions_read": true}), "done").await;
    answer(json!({"type": "consent", "heart_rate": true, "wording": 1}), "done").await;
    answer(json!({"type": "skip", "run": Uuid::from_u128(5), "from_seq": 1, "to_seq": 1}), "done")
        .await;
    answer(json!({"type": "row_on"}), "done").await;
    answer(json!({"type": "stop_rowing"}), "refused").await;
    answer(json!({"type": "aim", "piece": 7, "aim": {}}), "refused").await;
    // Command ids of athletes' messages are none of the coach's business.
    coach.say(json!({"type": "clock", "client_sent_us": 7})).await;
    let told = coach.hears_any(&["done", "clock"]).await;
    assert_eq!(told["type"], "clock");
}

#[tokio::test(start_paused = true)]
async fn links_of_a_session_that_nobody_closes_end_after_a_season() {
    let gym = Gym::new().await;
    let athlete = gym.join("Ana").await;
    let mut row = gym.server.journal.sessions().await.unwrap().remove(0);
    let made = |days: u64| gym.server.clock.unix_ms() - days * 86_400_000;
    for (no, days, opens) in [(1, 89, true), (2, 91, false)] {
        let held = SecretHash::of(&format!("of session {no}"));
        row.session = SessionId(Uuid::from_u128(no));
        row.code = JoinCode::from_random(no.try_into().unwrap());
        row.created_unix_ms = made(days);
        let append = Append {
            session: row.session,
            create: Some(row.clone()),
            tenure: 0,
            first: 0,
            records: Arc::default(),
            revoke: Vec::new(),
            grant: vec![Grant { hash: held, holder: Holder::Board }],
            closed_unix_ms: None,
            reckoned: None,
        };
        gym.server.journal.append(append).await.unwrap();
        let mut board = gym.enter("board", &json!(format!("of session {no}"))).await;
        if opens {
            board.hears("welcome").await;
        } else {
            assert_eq!(board.is_closed().await, Close::WrongSecret.code());
            let mut late = Device::dial(&gym.server, 1 << 16).await;
            late.joins(&json!(row.code.as_str()), "Bo", "bo").await;
            assert_eq!(late.hears("refused").await["refusal"]["why"], "unknown");
        }
    }
    gym.enter("athlete", &athlete).await.hears("welcome").await;
}

#[tokio::test(start_paused = true)]
async fn who_waits_for_the_coach_takes_no_place_of_those_who_have_said_nothing() {
    let (gym, mut coach) = Gym::with_list().await;
    let free = gym.server.strangers.available_permits();
    let mut asking = gym.asks("Ana", "one").await;
    asking.hears("waiting").await;
    assert_eq!(gym.server.strangers.available_permits(), free);
    let request = coach.told_who_asks().await[0]["request"].clone();
    coach.orders(77, "let_in", &request).await;
    let secret = asking.hears("joined").await["secret"].clone();
    asking.hello("athlete", &secret).await;
    asking.hears("welcome").await;
    assert_eq!(gym.server.strangers.available_permits(), free);
}

#[tokio::test(start_paused = true)]
async fn everybody_of_the_list_is_let_in_at_once_but_nobody_whom_two_ask_for_or_whom_the_coach_has_not_seen()
 {
    let (gym, mut coach) = Gym::with_list().await;
    let settings = json!({"joining": "asked"});
    coach.say(json!({"type": "command", "command": Uuid::new_v4(), "order": {"do": "settings", "settings": settings}})).await;
    coach.hears("done").await;
    let command = Uuid::from_u128(700);
    let more = ["Cy", "Dee"].map(|name| json!({"spec": {"name": name}}));
    coach.say(json!({"type": "add_athletes", "command": command, "athletes": more})).await;
    coach.hears("done").await;
    let mut ana = gym.asks("Ana", "ana").await;
    let mut cy = gym.asks("cy", "cy").await;
    let mut strangers =
        [gym.asks("Bo", "one").await, gym.asks("bo ", "two").await, gym.asks("Zed", "zed").await];
    let mut asks = Vec::new();
    while asks.len() < 5 {
        asks = coach.told_who_asks().await;
    }
    // Dee comes while the coach is reaching for the key.
    let mut dee = gym.asks("Dee", "dee").await;
    dee.hears("waiting").await;
    let seen: Vec<Value> = asks.iter().map(|one| one["request"].clone()).collect();
    let all = json!({"type": "let_in_all", "command": Uuid::from_u128(701), "requests": seen});
    for _ in 0..2 {
        // Said again after a lost answer, it is done once.
        coach.say(all.clone()).await;
        loop {
            let told = coach.hears_any(&["done", "refused"]).await;
            assert_eq!(told["type"], "done", "{told}");
            if told["command"] == json!(Uuid::from_u128(701)) {
                break;
            }
        }
    }
    assert_eq!(ana.hears("joined").await["name"], "Ana");
    assert_eq!(cy.hears("joined").await["name"], "Cy");
    let mut left = asks;
    while left.len() != 4 {
        left = coach.told_who_asks().await;
    }
    let names: Vec<&str> = left.iter().map(|one| one["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["Bo", "bo", "Zed", "Dee"]);
    for device in &mut strangers {
        device.say(json!({"type": "heartbeat"})).await;
    }
    assert_eq!(coach.orders(702, "let_in", &left[3]["request"]).await["type"], "done");
    assert_eq!(dee.hears("joined").await["name"], "Dee");
    // Nobody whom nobody asks for any more, and not too many at once.
    let none = json!({"type": "let_in_all", "command": Uuid::from_u128(703), "requests": [Uuid::new_v4()]});
    coach.say(none).await;
    assert_eq!(coach.hears_any(&["done", "refused"]).await["type"], "done");
    let many: Vec<Uuid> = (0..501).map(|_| Uuid::new_v4()).collect();
    coach
        .say(json!({"type": "let_in_all", "command": Uuid::from_u128(704), "requests": many}))
        .await;
    assert_eq!(coach.hears_any(&["done", "refused"]).await["refusal"]["why"], "limit");
}
