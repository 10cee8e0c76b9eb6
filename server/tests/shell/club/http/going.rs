//! People who are to be deleted, over HTTP: by a coach, by themselves, taken back, waiting for a session, and gone.

use std::collections::BTreeMap;

use serde_json::{Value, json};
use thole_server::club::{Store, leaving};

use super::{Hall, theirs};
use crate::club::comes;

#[tokio::test]
async fn a_coach_has_somebody_deleted_who_still_reads_what_is_theirs_and_takes_it_back() {
    let hall = Hall::open().await;
    let (ana, key) = (hall.id("Ana"), hall.key("person", "Ana"));
    let coach = hall.key("coach", "Jo");
    let path = format!("/api/club/people/{ana}");
    let result = theirs(hall.data(), "Ana").remove(0).result;

    // Nothing was asked for yet.
    assert_eq!(
        hall.posts(&coach, &format!("{path}/delete-now"), "", &Value::Null).await.status,
        409
    );
    assert_eq!(hall.posts(&coach, &format!("{path}/keep"), "", &Value::Null).await.status, 409);

    let said = hall.asks(&coach, &format!("DELETE {path}"), "Idempotency-Key: once\r\n", "").await;
    assert_eq!(said.status, 200, "{said:?}");
    let going = said.json();
    assert_eq!((&going["called"], &going["asked_by"]), (&json!("Ana"), &json!("Jo")));
    let days = going["runs_unix_ms"].as_u64().unwrap() - going["asked_unix_ms"].as_u64().unwrap();
    assert_eq!((days, &going["is_own"], going.get("waits")), (7 * 86_400_000, &json!(false), None));
    let again = hall.asks(&hall.head, &format!("DELETE {path}"), "", "").await;
    assert_eq!(again.json(), going, "twice is once");

    // Coaches see nothing of her but that she goes.
    assert_eq!(hall.get(&coach, &path).await.status, 404);
    assert_eq!(hall.get(&coach, &format!("/api/club/results/{result}")).await.status, 404);
    for list in ["people", "results", "deeds", "export?what=people", "export?what=results"] {
        let said = hall.get(&coach, &format!("/api/club/{list}")).await;
        assert!(said.status == 200 && !said.body.contains("Ana"), "{list}: {said:?}");
    }
    let listed = hall.get(&coach, "/api/club/going").await.json();
    assert_eq!(listed, json!({ "people": [going] }));
    assert_eq!(hall.posts(&coach, &format!("{path}/card"), "", &Value::Null).await.status, 404);
    let change = hall.asks(&coach, &format!("PATCH {path}"), "If-Match: \"x\"\r\n", "{}").await;
    assert_eq!(change.status, 404);

    // She herself reads on, and does nothing else.
    let me = hall.get(&key, "/api/club/me").await.json();
    assert_eq!((&me["person"]["called"], &me["going"]), (&json!("Ana"), &going));
    let own = hall.get(&key, "/api/club/me/results").await.json();
    assert_eq!(own["results"].as_array().unwrap().len(), 4);
    assert_eq!(hall.get(&key, &format!("/api/club/me/results/{result}")).await.status, 200);
    assert_eq!(hall.get(&key, "/api/club/me/keys").await.status, 200);
    let data = hall.get(&key, "/api/club/me/data").await.json();
    assert_eq!(data["results"].as_array().unwrap().len(), 4);
    let table = hall.get(&key, "/api/club/me/results.csv").await;
    assert_eq!((table.status, table.body.lines().count()), (200, 5), "{table:?}");
    let ended = hall.asks(&key, "DELETE /api/club/me/keys", "", "").await;
    assert!(ended.status == 403 && ended.body.contains("/api/club/me/keep"), "{ended:?}");
    // Bo has nothing to do with it.
    let other = hall.key("person", "Bo");
    assert!(hall.get(&other, "/api/club/me").await.json().get("going").is_none());

    let kept = hall.posts(&key, "/api/club/me/keep", "", &Value::Null).await;
    assert_eq!((kept.status, &kept.json()["called"]), (200, &json!("Ana")));
    assert_eq!(hall.get(&coach, &path).await.status, 200);
    assert_eq!(hall.get(&coach, "/api/club/going").await.json(), json!({ "people": [] }));

    // By herself, and taken back by a coach.
    let going = hall.asks(&key, "DELETE /api/club/me", "", "").await.json();
    assert_eq!((&going["asked_by"], &going["is_own"]), (&json!("Ana"), &json!(true)));
    let kept = hall.posts(&coach, &format!("{path}/keep"), "", &Value::Null).await;
    assert_eq!(kept.status, 200, "{kept:?}");
    assert_eq!(hall.asks(&key, "DELETE /api/club/me/keys", "", "").await.status, 200);
}

#[tokio::test]
async fn who_sits_in_an_open_session_waits_for_it_and_is_told_so() {
    let hall = Hall::open().await;
    let task = leaving::begin(&hall.running.server);
    let (ana, key) = (hall.id("Ana"), hall.key("person", "Ana"));
    let path = format!("/api/club/people/{ana}");
    assert_eq!(hall.asks(&hall.head, &format!("DELETE {path}"), "", "").await.status, 200);
    let now = format!("{path}/delete-now");
    assert_eq!(hall.posts(&hall.head, &now, "", &Value::Null).await.status, 200);
    let waits = || {
        let going = Store::open_read_only(hall.data()).unwrap().all_going().unwrap();
        going[0].waits.clone()
    };
    comes("what it waits for", || waits().is_some()).await;
    let going = hall.get(&hall.head, "/api/club/going").await.json();
    let says = going["people"][0]["waits"].as_str().unwrap();
    assert!(says.contains("is still open: close it"), "{says}");
    assert_eq!(hall.get(&key, "/api/club/me").await.json()["going"]["waits"], says);
    let kept = hall.posts(&hall.head, &format!("{path}/keep"), "", &Value::Null).await;
    assert_eq!(kept.status, 200, "{kept:?}");
    assert_eq!(theirs(hall.data(), "Ana").len(), 4);
    task.abort();
}

#[tokio::test]
async fn deleted_at_once_nothing_answers_to_their_keys_and_others_are_as_before() {
    let hall = Hall::closed().await;
    let task = leaving::begin(&hall.running.server);
    let (ana, key) = (hall.id("Ana"), hall.key("person", "Ana"));
    let path = format!("/api/club/people/{ana}");
    let of_bo = || {
        let all = theirs(hall.data(), "Bo").into_iter();
        all.map(|of| (of.result, (of.place, of.time_ms))).collect::<BTreeMap<_, _>>()
    };
    let (before, results) = (of_bo(), theirs(hall.data(), "Ana"));
    assert_eq!(hall.asks(&key, "DELETE /api/club/me", "", "").await.status, 200);
    let now = hall.posts(&hall.head, &format!("{path}/delete-now"), "", &Value::Null).await;
    assert_eq!((now.status, &now.json()["is_own"]), (200, &json!(true)));
    let is_gone = || {
        let store = Store::open_read_only(hall.data()).unwrap();
        store.all_going().unwrap().is_empty()
    };
    comes("her end", is_gone).await;
    assert_eq!(hall.get(&key, "/api/club/me").await.status, 401);
    for line in [format!("GET {path}"), format!("DELETE {path}")] {
        assert_eq!(hall.asks(&hall.head, &line, "", "").await.status, 404, "{line}");
    }
    for last in ["keep", "delete-now"] {
        let said = hall.posts(&hall.head, &format!("{path}/{last}"), "", &Value::Null).await;
        assert_eq!(said.status, 404, "{said:?}");
    }
    for of in results {
        let said = hall.get(&hall.head, &format!("/api/club/results/{}", of.result)).await;
        assert_eq!(said.status, 404, "{said:?}");
    }
    assert_eq!(of_bo(), before);
    task.abort();
}
