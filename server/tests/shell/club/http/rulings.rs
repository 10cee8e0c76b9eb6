//! Pieces made official, opened again and corrected over HTTP: orders to their session, which come back to the club.

use serde_json::{Value, json};

use super::{Hall, Said, roles::is_problem, theirs};

const RESULTS: &str = "/api/club/results";

/// The session of the newer evening, and Ana's result of its first piece.
fn first(hall: &Hall) -> (String, String) {
    let of = theirs(hall.data(), "Ana").into_iter().find(|of| of.piece == Some(0)).unwrap();
    (of.session.unwrap(), of.result)
}

impl Hall {
    async fn rules(&self, key: &str, path: &str, once: &str, body: &Value) -> Said {
        let said = self.posts(key, path, once, body).await;
        assert_eq!(said.status, 200, "{path} {body}: {said:?}");
        said
    }

    async fn whole(&self, result: &str) -> Value {
        self.get(&self.head, &format!("{RESULTS}/{result}")).await.json()
    }
}

#[tokio::test]
async fn a_piece_is_made_official_opened_again_and_corrected_and_each_is_taken_back() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let (session, result) = first(&hall);
    let before = hall.whole(&result).await;
    let of_piece = format!("/api/club/sessions/{session}/pieces/0");
    let correct = format!("{RESULTS}/{result}/correct");
    let finish = json!({ "time_ms": 71_200, "reason": "The display was read" });

    let official = hall.rules(&jo, &format!("{of_piece}/official"), "o-1", &Value::Null).await;
    // While it is official nothing is corrected, and what is official already is said.
    let said = hall.posts(&jo, &correct, "", &finish).await;
    assert!(said.status == 409 && said.body.contains("official"), "{said:?}");
    is_problem(&said);
    let twice = hall.posts(&hall.head, &format!("{of_piece}/official"), "", &Value::Null).await;
    assert_eq!(twice.status, 409, "{twice:?}");
    // Asked again under the same key it is the same order.
    let again = hall.rules(&jo, &format!("{of_piece}/official"), "o-1", &Value::Null).await;
    assert_eq!(again.body, official.body);
    let reason = json!({ "reason": "A machine was set to 500 m" });
    hall.rules(&jo, &format!("{of_piece}/reopen"), "", &reason).await;

    // As soon as it is answered, the club has it.
    let corrected = hall.rules(&jo, &correct, "c-1", &finish).await.json();
    assert!(corrected["says"].as_str().unwrap().contains("Ana's result of piece 1"), "{corrected}");
    let now = hall.whole(&result).await;
    assert_eq!(
        (&now["time_ms"], &now["corrections"][0]["by"]),
        (&71_200.into(), &"Jo".into()),
        "{now}"
    );
    assert!(now["revision"].as_u64() > before["revision"].as_u64());
    let undo = |ruled: &Value| {
        let ruling = ruled["command"].as_str().unwrap();
        format!("/api/club/sessions/{session}/rulings/{ruling}/undo")
    };
    hall.rules(&hall.head, &undo(&corrected), "", &Value::Null).await;
    assert_eq!(hall.whole(&result).await["time_ms"], before["time_ms"]);
    let said = hall.posts(&jo, &undo(&corrected), "", &Value::Null).await;
    assert!(said.status == 409 && said.body.contains("undone already"), "{said:?}");

    let target = json!({ "target": { "want": "finish", "finish_ms": 61_000 }, "reason": "It was of another piece" });
    for (what, body, shows) in [
        (
            "exclude",
            json!({ "reason": "Another's machine" }),
            ("/ruling/unplaced", "excluded".into()),
        ),
        (
            "unrank",
            json!({ "reason": "Out of competition" }),
            ("/ruling/unplaced", "unranked".into()),
        ),
        ("target", target, ("/target/finish_ms", 61_000.into())),
    ] {
        let ruled = hall.rules(&jo, &format!("{RESULTS}/{result}/{what}"), "", &body).await.json();
        let now = hall.whole(&result).await;
        assert_eq!(now.pointer(shows.0), Some(&shows.1), "{what}: {now}");
        assert_eq!(now["reason"], body["reason"]);
        hall.rules(&jo, &undo(&ruled), "", &Value::Null).await;
        let now = hall.whole(&result).await;
        assert_ne!(now.pointer(shows.0), Some(&shows.1), "{what}: {now}");
    }
    // Who gave the orders stands in the journal: the coach's name, and the head coach's link.
    let journal = &hall.running.server.journal;
    let found = journal.read(session.parse().map(thole_protocol::ids::SessionId).unwrap(), 0).await;
    let text = format!("{:?}", found.unwrap().records);
    assert!(text.contains("\"Jo\"") && text.contains("\"head coach\""));
}

#[tokio::test]
async fn two_who_rule_at_once_come_one_after_the_other_and_one_who_asks_twice_rules_once() {
    let hall = Hall::open().await;
    let (jo, ines) = (hall.key("coach", "Jo"), hall.key("coach", "Ines"));
    let (session, result) = first(&hall);
    let official = format!("/api/club/sessions/{session}/pieces/0/official");
    let (one, other) = tokio::join!(
        hall.posts(&jo, &official, "a", &Value::Null),
        hall.posts(&ines, &official, "a", &Value::Null)
    );
    let mut both = [one.status, other.status];
    both.sort_unstable();
    assert_eq!(both, [200, 409], "{one:?} {other:?}");
    let late = if one.status == 409 { (&one, &jo) } else { (&other, &ines) };
    is_problem(late.0);
    let reopen = format!("/api/club/sessions/{session}/pieces/0/reopen");
    let reason = json!({ "reason": "Both pressed" });
    let [first, second] =
        [hall.posts(&jo, &reopen, "b", &reason), hall.posts(&jo, &reopen, "b", &reason)];
    let (first, second) = tokio::join!(first, second);
    assert_eq!((first.status, &first.body), (200, &second.body), "{second:?}");
    // What was refused is judged anew under the same key.
    assert_eq!(hall.posts(late.1, &official, "a", &Value::Null).await.status, 200);
    // Another thing under a key that was used is not ordered.
    let said = hall.posts(&jo, &reopen, "b", &json!({ "reason": "Other" })).await;
    assert_eq!((said.status, said.json()["type"].as_str()), (422, Some("urn:thole:reused")));
    let exclude = format!("{RESULTS}/{result}/exclude");
    assert_eq!(hall.posts(&jo, &exclude, "b", &reason).await.status, 422);
}

/// The server ends between the order and its answer: asked again it is the same order.
#[tokio::test]
async fn an_order_whose_answer_was_lost_is_carried_out_once() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let (_, result) = first(&hall);
    let unrank = format!("{RESULTS}/{result}/unrank");
    let reason = json!({ "reason": "Out of competition" });
    let said = hall.rules(&jo, &unrank, "u", &reason).await;
    let revision = hall.whole(&result).await["revision"].clone();
    let club = rusqlite::Connection::open(thole_server::club::file(hall.data())).unwrap();
    assert_eq!(club.execute("UPDATE kept_answer SET answer = NULL", []).unwrap(), 1);
    let again = hall.rules(&jo, &unrank, "u", &reason).await;
    assert_eq!((&again.body, &hall.whole(&result).await["revision"]), (&said.body, &revision));
    // Of whom it tells is gone: that it was done is all that is known.
    club.execute("UPDATE kept_answer SET answer = NULL, asked = ''", []).unwrap();
    let gone = hall.posts(&jo, &unrank, "u", &reason).await;
    assert_eq!(gone.status, 409, "{gone:?}");
}

#[tokio::test]
async fn what_cannot_be_ruled_is_refused_with_what_to_do() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let (session, result) = first(&hall);
    let nobody = uuid::Uuid::nil();
    let typed = json!({ "person": hall.id("Ana"), "day": "2026-11-01", "work": "500m", "time_ms": 100_000 });
    let typed = hall.posts(&jo, RESULTS, "", &typed).await.json();
    let typed = typed["result"].as_str().unwrap();
    let reason = json!({ "reason": "So it is" });
    let of_session = format!("/api/club/sessions/{session}");
    for (path, body, status) in [
        (format!("/api/club/sessions/{nobody}/pieces/0/official"), Value::Null, 404),
        (format!("{of_session}/pieces/99/official"), Value::Null, 404),
        (format!("{of_session}/pieces/-1/official"), Value::Null, 404),
        (format!("{of_session}/pieces/2/official"), Value::Null, 409),
        (format!("{of_session}/pieces/0/reopen"), reason.clone(), 409),
        (format!("{of_session}/pieces/0/reopen"), Value::Null, 400),
        (format!("{of_session}/rulings/{nobody}/undo"), Value::Null, 404),
        (format!("{RESULTS}/{nobody}/exclude"), reason.clone(), 404),
        (format!("{RESULTS}/{typed}/exclude"), reason.clone(), 409),
        (format!("{RESULTS}/{typed}/correct"), json!({ "time_ms": 1, "reason": "x" }), 409),
        (format!("{RESULTS}/{result}/correct"), json!({ "reason": "x" }), 422),
        (
            format!("{RESULTS}/{result}/correct"),
            json!({ "distance_dm": 9_000, "reason": "x" }),
            422,
        ),
        (format!("{RESULTS}/{result}/correct"), json!({ "time_ms": 70_000, "reason": "" }), 422),
        (
            format!("{RESULTS}/{result}/correct"),
            json!({ "time_ms": 70_000, "reason": "x".repeat(201) }),
            422,
        ),
        (format!("{RESULTS}/{result}/target"), json!({ "reason": "forgotten" }), 422),
        (
            format!("{RESULTS}/{result}/target"),
            json!({ "target": { "want": "finish", "finish_ms": 1 }, "reason": "x" }),
            422,
        ),
        (format!("{RESULTS}/{result}/exclude"), json!({ "reason": 7 }), 400),
    ] {
        let said = hall.posts(&jo, &path, "same", &body).await;
        assert_eq!(said.status, status, "{path} {body}: {said:?}");
        is_problem(&said);
    }
    // Nothing of it was begun: the key is free.
    hall.rules(&jo, &format!("{of_session}/pieces/0/official"), "same", &Value::Null).await;
}
