//! Results typed, put right, ranked and removed by coaches, from outside.

use serde_json::{Value, json};

use super::{Hall, roles::is_problem, theirs};

const RESULTS: &str = "/api/club/results";

#[tokio::test]
async fn a_result_is_typed_put_right_ranked_and_removed_and_each_is_undone() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let ana = hall.id("Ana");
    let body = json!({
        "person": ana, "day": "2026-11-29", "work": "2000 m", "time_ms": 471_200, "machine": "Old one", "title": "At home",
    });
    let said = hall.posts(&jo, RESULTS, "t-1", &body).await;
    let typed = said.json();
    assert_eq!(
        (said.status, &typed["source"], &typed["work"]),
        (200, &"typed".into(), &"2000m".into()),
        "{said:?}"
    );
    assert_eq!((&typed["time_ms"], &typed["name"]), (&471_200.into(), &"Ana".into()));
    assert_eq!(hall.posts(&jo, RESULTS, "t-1", &body).await.body, said.body);
    let twice = hall.posts(&jo, RESULTS, "t-2", &body).await;
    assert!(twice.status == 422 && twice.body.contains("has this result"), "{twice:?}");

    let path = format!("{RESULTS}/{}", typed["result"].as_str().unwrap());
    let read = hall.get(&jo, &path).await;
    assert_eq!(read.json(), typed);
    let etag = read.header("etag").unwrap();
    let change = json!({ "time_ms": 472_100, "machine": null, "reason": "The photo says so" });
    let said = hall.patches(&jo, &path, etag, &change).await;
    let now = said.json();
    assert_eq!(
        (said.status, &now["time_ms"], &now["reason"]),
        (200, &472_100.into(), &"The photo says so".into())
    );
    assert_eq!(now["shown"]["finish_ms"], 472_100);
    assert_eq!(
        hall.patches(&hall.head, &path, etag, &change).await.status,
        412,
        "it was read before"
    );
    let deed = typed["last_deed"].as_u64().unwrap();
    assert_eq!(now["last_deed"], deed + 1);

    let ranked = json!({ "ranked": true });
    let done = hall.posts(&jo, &format!("{path}/rank"), "", &ranked).await;
    assert_eq!(done.json()["deed"], deed + 2, "{done:?}");
    let twice = hall.posts(&jo, &format!("{path}/rank"), "", &ranked).await;
    assert!(twice.status == 422 && twice.body.contains("ranked already"), "{twice:?}");
    let remove = json!({ "reason": "Typed twice" });
    let done = hall.posts(&jo, &format!("{path}/remove"), "r-1", &remove).await;
    assert_eq!(done.json()["deed"], deed + 3, "{done:?}");
    assert_eq!(hall.get(&jo, &path).await.status, 404);
    assert_eq!(hall.posts(&jo, &format!("{path}/remove"), "r-1", &remove).await.body, done.body);
    assert_eq!(hall.posts(&jo, &format!("{path}/remove"), "", &remove).await.status, 404);
    for deed in [deed + 3, deed + 2, deed + 1] {
        let said = hall.posts(&jo, &format!("/api/club/deeds/{deed}/undo"), "", &Value::Null).await;
        assert_eq!(said.status, 200, "{said:?}");
    }
    assert_eq!(hall.get(&jo, &path).await.json(), typed);
    assert!(hall.done()[..4].iter().all(|(_, who, whom)| who == "Jo" && whom == "Ana"));
}

#[tokio::test]
async fn of_a_piece_a_result_is_typed_for_who_rowed_with_the_others_and_for_what_they_rowed() {
    let hall = Hall::open().await;
    let piece = theirs(hall.data(), "Ana").pop().unwrap();
    let (session, day, nth) = (piece.session.unwrap(), piece.day, piece.piece.unwrap());
    let typing = |more: Value| {
        let mut body = json!({
            "person": hall.id("Ana"), "day": day, "work": "300m", "time_ms": 62_000,
            "session": session, "piece": nth,
        });
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        body
    };
    let said = hall.posts(&hall.head, RESULTS, "", &typing(json!({}))).await;
    assert_eq!((said.status, said.json()["session"].as_str()), (200, Some(&*session)), "{said:?}");
    let whole = hall.get(&hall.head, &format!("/api/club/sessions/{session}")).await.json();
    assert_eq!(whole["by_piece"][usize::from(nth)]["results"].as_array().unwrap().len(), 4);
    for (more, why) in [
        (json!({ "work": "500m" }), "300m was rowed"),
        (json!({ "day": "2026-11-01" }), "300m was rowed"),
        (json!({ "piece": 7 }), "no result of that piece"),
        (json!({ "session": uuid::Uuid::nil() }), "no result of that piece"),
        (json!({ "piece": null }), "both of"),
    ] {
        let said = hall.posts(&hall.head, RESULTS, "", &typing(more)).await;
        assert!(said.status == 422 && said.body.contains(why), "{why}: {said:?}");
    }
}

#[tokio::test]
async fn what_nobody_rowed_and_what_a_session_has_is_not_typed_over() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let of_a_piece = theirs(hall.data(), "Ana").remove(0).result;
    let before = (hall.done(), super::super::export(hall.data()));
    let typing = |more: Value| {
        let mut body = json!({ "person": hall.id("Ana"), "day": "2026-11-29", "work": "2000m", "time_ms": 471_200 });
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        body
    };
    for (more, status) in [
        (json!({ "day": "2999-01-01" }), 422),
        (json!({ "day": "yesterday" }), 400),
        (json!({ "work": "2000" , "time_ms": 0 }), 422),
        (json!({ "work": "nonsense" }), 422),
        (json!({ "time_ms": null }), 422),
        (json!({ "time_ms": -1 }), 400),
        (json!({ "time_ms": 90_000_000 }), 422),
        (json!({ "distance_dm": 20_000 }), 422),
        (json!({ "work": "30min" }), 422),
        (json!({ "machine": "two\nlines" }), 422),
        (json!({ "title": "\u{202e}" }), 422),
        (json!({ "rate_half_spm": 999 }), 422),
        (json!({ "person": uuid::Uuid::nil() }), 422),
        (json!({ "source": "piece" }), 400),
    ] {
        let said = hall.posts(&jo, RESULTS, "", &typing(more.clone())).await;
        assert_eq!(said.status, status, "{more}: {said:?}");
        is_problem(&said);
    }
    let path = format!("{RESULTS}/{of_a_piece}");
    let etag = hall.get(&jo, &path).await;
    let change = json!({ "time_ms": 1, "reason": "faster" });
    let said = hall.patches(&jo, &path, etag.header("etag").unwrap(), &change).await;
    assert!(said.status == 409 && said.body.contains("/correct"), "{said:?}");
    for (what, body) in
        [("rank", json!({ "ranked": true })), ("remove", json!({ "reason": "away with it" }))]
    {
        let said = hall.posts(&jo, &format!("{path}/{what}"), "", &body).await;
        assert_eq!(said.status, 409, "{what}: {said:?}");
        is_problem(&said);
    }
    assert_eq!((hall.done(), super::super::export(hall.data())), before);
    // A change says why, and something.
    let typed = hall.posts(&jo, RESULTS, "", &typing(json!({}))).await.json();
    let path = format!("{RESULTS}/{}", typed["result"].as_str().unwrap());
    let etag = hall.get(&jo, &path).await;
    for (body, status) in [
        (json!({ "time_ms": 470_000 }), 400),
        (json!({ "time_ms": 470_000, "reason": " " }), 422),
        (json!({ "time_ms": 470_000, "reason": "x".repeat(201) }), 422),
        (json!({ "work": "500m", "reason": "it was less" }), 422),
        (json!({ "reason": "nothing else" }), 422),
        (json!({ "time_ms": 1, "distance_dm": 1, "reason": "both" }), 422),
    ] {
        let said = hall.patches(&jo, &path, etag.header("etag").unwrap(), &body).await;
        assert_eq!(said.status, status, "{body}: {said:?}");
        is_problem(&said);
    }
    assert_eq!(hall.get(&jo, &path).await.body, etag.body);
}
