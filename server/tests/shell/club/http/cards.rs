//! Cards, keys of devices and links of coaches, from outside.

use serde_json::{Value, json};

use super::{Hall, Said};

async fn card_of(hall: &Hall, name: &str) -> String {
    let path = format!("/api/club/people/{}/card", hall.id(name));
    let made = hall.posts(&hall.head, &path, "", &Value::Null).await;
    assert_eq!(made.status, 200, "{made:?}");
    made.json()["secret"].as_str().unwrap().to_owned()
}

async fn uses(hall: &Hall, card: &str, once: &str) -> Said {
    hall.posts(card, "/api/club/card", once, &json!({ "device": "Ana's phone" })).await
}

#[tokio::test]
async fn a_card_lets_one_device_in_once_and_opens_nothing_else() {
    let hall = Hall::open().await;
    let card = card_of(&hall, "Ana").await;
    for path in ["/api/club/me", "/api/club/me/results", "/api/club/people"] {
        assert_eq!(hall.get(&card, path).await.status, 401, "{path}");
    }
    let first = uses(&hall, &card, "mine").await;
    assert_eq!(first.status, 200, "{first:?}");
    let key = first.json()["secret"].as_str().unwrap().to_owned();
    let me = hall.get(&key, "/api/club/me").await.json();
    assert_eq!((&me["role"], &me["person"]["called"]), (&json!("person"), &json!("Ana")));
    // The answer was lost, and is asked for again.
    assert_eq!(uses(&hall, &card, "mine").await.json()["secret"], first.json()["secret"]);
    // Another device, and the same without a word of its own.
    for once in ["theirs", "mine "] {
        let other = uses(&hall, &card, once).await;
        let is_same = other.status == 200 && other.json()["secret"] == first.json()["secret"];
        assert!(is_same || other.status == 401, "{other:?}");
        assert!(other.status == 200 || other.body.contains("works once"), "{other:?}");
        assert!(!other.body.contains("Ana") || is_same, "{other:?}");
    }
    let nothing = uses(&hall, &"x".repeat(32), "mine").await;
    assert_eq!(nothing.status, 401, "{nothing:?}");
}

#[tokio::test]
async fn a_key_that_was_used_says_when_and_one_that_was_not_says_nothing() {
    let hall = Hall::open().await;
    let mut keys = Vec::new();
    for nth in 0..2 {
        let card = card_of(&hall, "Ana").await;
        let made = uses(&hall, &card, &format!("device {nth}")).await.json();
        keys.push(made["secret"].as_str().unwrap().to_owned());
    }
    let here = async || {
        let listed = hall.get(&keys[0], "/api/club/me/keys").await.json();
        let lines = listed["keys"].as_array().unwrap().clone();
        let last = |is_this: bool| {
            let line = lines.iter().find(|line| line["is_this"] == json!(is_this));
            line.unwrap()["last_unix_ms"].clone()
        };
        (last(true), last(false))
    };
    let (first, other) = here().await;
    assert!(first.is_u64() && other.is_null(), "{first} {other}");
    // At most once an hour.
    assert_eq!(here().await, (first, other));
}

#[tokio::test]
async fn whoever_ends_their_devices_is_alone_at_once() {
    let hall = Hall::open().await;
    let mut keys = Vec::new();
    for nth in 0..3 {
        let card = card_of(&hall, "Ana").await;
        let made = uses(&hall, &card, &format!("device {nth}")).await.json();
        keys.push(made["secret"].as_str().unwrap().to_owned());
    }
    let waits = card_of(&hall, "Ana").await;
    let listed = hall.get(&keys[0], "/api/club/me/keys").await.json();
    let lines = listed["keys"].as_array().unwrap();
    assert_eq!(lines.len(), 4, "{listed}");
    assert_eq!(lines.iter().filter(|line| line["is_this"] == true).count(), 1);
    assert_eq!(lines.iter().filter(|line| line["is_card"] == true).count(), 1);
    assert!(!listed.to_string().contains(&keys[0]), "no list has a key in it");
    let ended = hall.asks(&keys[0], "DELETE /api/club/me/keys", "", "").await;
    assert_eq!((ended.status, &ended.json()["ended"]), (200, &json!(3)), "{ended:?}");
    assert_eq!(hall.get(&keys[0], "/api/club/me").await.status, 200);
    for key in &keys[1..] {
        assert_eq!(hall.get(key, "/api/club/me").await.status, 401);
    }
    let late = uses(&hall, &waits, "late").await;
    assert_eq!(late.status, 401, "{late:?}");
    assert!(late.body.contains("no longer good"), "{late:?}");
    // The coach ends the last one.
    let path = format!("DELETE /api/club/people/{}/keys", hall.id("Ana"));
    assert_eq!(hall.asks(&hall.head, &path, "", "").await.status, 200);
    assert_eq!(hall.get(&keys[0], "/api/club/me").await.status, 401);
}

#[tokio::test]
async fn a_secret_is_shown_once_and_kept_nowhere() {
    let hall = Hall::open().await;
    let once = "one";
    let body = json!({ "called": "Ines", "role": "coach" });
    let made = hall.posts(&hall.head, "/api/club/coaches", once, &body).await;
    assert_eq!(made.status, 200, "{made:?}");
    let link = made.json()["secret"].as_str().unwrap().to_owned();
    assert_eq!(hall.get(&link, "/api/club/me").await.json()["coach"], "Ines");
    let again = hall.posts(&hall.head, "/api/club/coaches", once, &body).await;
    assert_eq!(again.status, 409, "{again:?}");
    assert!(!again.body.contains(&link));
    for entry in std::fs::read_dir(hall.data()).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap_or_default();
        assert!(!bytes.windows(link.len()).any(|part| part == link.as_bytes()));
    }
    let coach = made.json()["coach"].as_str().unwrap().to_owned();
    let path = format!("/api/club/coaches/{coach}/link");
    let newer = hall.posts(&hall.head, &path, "", &Value::Null).await;
    assert_eq!(newer.status, 200, "{newer:?}");
    assert_eq!(hall.get(&link, "/api/club/me").await.status, 401, "the old one is over");
    let newer = newer.json()["secret"].as_str().unwrap().to_owned();
    assert_eq!(hall.get(&newer, "/api/club/coaches").await.status, 403, "a coach is not the head");
    let end = format!("DELETE /api/club/coaches/{coach}");
    assert_eq!(hall.asks(&hall.head, &end, "", "").await.status, 200);
    assert_eq!(hall.get(&newer, "/api/club/me").await.status, 401);
    assert_eq!(hall.asks(&hall.head, &end, "", "").await.status, 404);
}
