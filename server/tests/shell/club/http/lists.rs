//! What coaches and people read.

use std::{collections::BTreeSet, time::Duration};

use rusqlite::Connection;
use serde_json::{Value, json};
use thole_protocol::{ids::CommandId, order::Order};
use thole_server::{
    club::{Store, file},
    orders::Ordered,
    secret::SecretHash,
};

use tokio::{net::TcpStream, time::timeout};
use tokio_tungstenite::client_async;

use super::{Hall, roles::is_problem, theirs};
use crate::program::{next, say};

fn names(lines: &Value) -> Vec<&str> {
    lines.as_array().unwrap().iter().map(|line| line["name"].as_str().unwrap()).collect()
}

#[tokio::test]
async fn a_coach_reads_the_club_its_people_results_and_sessions() {
    let hall = Hall::open().await;
    let get = async |path: &str| hall.get(&hall.head, path).await.json();
    let club = get("/api/club").await;
    assert_eq!(
        (&club["people"], &club["sessions"], &club["results"]),
        (&2.into(), &2.into(), &12.into())
    );
    let people = get("/api/club/people").await;
    let of = |at: usize| {
        (people["people"][at]["called"].as_str(), people["people"][at]["results"].as_u64())
    };
    assert_eq!(
        (of(0), of(1), of(2)),
        ((Some("Ana"), Some(4)), (Some("Bo"), Some(4)), (None, None))
    );
    assert_eq!(get("/api/club/people?name=an").await["people"].as_array().unwrap().len(), 1);
    let ana = people["people"][0]["person"].as_str().unwrap();
    assert_eq!(get(&format!("/api/club/people/{ana}")).await["called"], "Ana");
    for (query, many) in [
        ("", 12),
        ("?name=cy", 4),
        (&*format!("?person={ana}"), 4),
        ("?piece=300m", 12),
        ("?piece=300%20m&name=bo", 4),
        ("?piece=500m", 0),
        ("?from=2026-12-02", 6),
        ("?to=2026-12-01", 6),
        ("?from=2026-12-03", 0),
    ] {
        let all = get(&format!("/api/club/results{query}")).await;
        assert_eq!(all["results"].as_array().unwrap().len(), many, "{query}");
    }
    let sessions = get("/api/club/sessions").await;
    let newest = &sessions["sessions"][0];
    assert_eq!((&newest["title"], &newest["day"]), (&"An evening".into(), &"2026-12-02".into()));
    assert_eq!(
        (&newest["pieces"], &newest["seats"], &newest["results"]),
        (&2.into(), &3.into(), &6.into())
    );
    let session = newest["session"].as_str().unwrap();
    let whole = get(&format!("/api/club/sessions/{session}")).await;
    assert_eq!(whole["by_piece"].as_array().unwrap().len(), 2);
    assert_eq!(names(&whole["by_piece"][1]["results"]), ["Ana", "Bo", "Cy"]);
    let of = format!("/api/club/results?session={session}&person={ana}");
    let result = get(&of).await["results"][0]["result"].as_str().unwrap().to_owned();
    let whole = get(&format!("/api/club/results/{result}")).await;
    assert_eq!((&whole["name"], &whole["source"]), (&"Ana".into(), &"piece".into()));
    assert_eq!(whole["splits"].as_array().unwrap().len(), 4);
    assert!(whole["plan"].is_object() || whole["plan"].is_string(), "{whole}");
}

/// What comes or goes between two answers moves nothing twice and leaves nothing out.
#[tokio::test]
async fn a_list_is_read_to_its_end_line_by_line() {
    let hall = Hall::open().await;
    for (path, list, many, id) in [
        ("/api/club/results?", "results", 12, "result"),
        ("/api/club/results?name=a&", "results", 4, "result"),
        ("/api/club/results?piece=300m&", "results", 12, "result"),
        ("/api/club/sessions?", "sessions", 2, "session"),
    ] {
        let (mut seen, mut after, mut answers) = (BTreeSet::new(), String::new(), 0);
        loop {
            let page = hall.get(&hall.head, &format!("{path}most=1{after}")).await.json();
            let lines = page[list].as_array().unwrap();
            assert!(lines.iter().all(|line| seen.insert(line[id].as_str().unwrap().to_owned())));
            answers += 1;
            let Some(next) = page["next"].as_str() else { break };
            after = format!("&after={next}");
        }
        assert_eq!((seen.len(), answers), (many, many), "{path}");
    }
    for wrong in [
        "results?most=0",
        "results?most=1001",
        "results?after=here",
        "sessions?after=2026-12-01.1",
        "results?from=yesterday",
        "results?preson=Ana",
        "results?person=Ana",
    ] {
        let said = hall.get(&hall.head, &format!("/api/club/{wrong}")).await;
        assert_eq!(said.status, 400, "{wrong}: {said:?}");
        is_problem(&said);
    }
}

#[tokio::test]
async fn a_person_reads_their_own_results_and_nobody_elses() {
    let hall = Hall::open().await;
    let key = hall.key("person", "Ana");
    let me = hall.get(&key, "/api/club/me").await.json();
    assert_eq!((&me["role"], &me["person"]["called"]), (&"person".into(), &"Ana".into()));
    let bo = Store::open_read_only(hall.data()).unwrap().person("Bo").unwrap().person;
    for query in ["", "?name=Bo", "?most=100", &format!("?person={bo}")] {
        let own = hall.get(&key, &format!("/api/club/me/results{query}")).await.json();
        assert_eq!(names(&own["results"]), ["Ana"; 4], "{query}");
    }
    let bos = theirs(hall.data(), "Bo").remove(0).result;
    let said = hall.get(&key, &format!("/api/club/me/results/{bos}")).await;
    let nobodys = hall.get(&key, &format!("/api/club/me/results/{}", uuid::Uuid::nil())).await;
    assert_eq!((said.status, &said.body), (404, &nobodys.body), "somebody else's is not there");
}

#[tokio::test]
async fn what_is_no_call_is_told_how_to_ask() {
    let hall = Hall::open().await;
    let said = hall.get(&hall.head, "/api/club/secrets").await;
    assert_eq!(said.status, 404);
    is_problem(&said);
    let said = hall.asks(&hall.head, "DELETE /api/club", "", "").await;
    assert_eq!(said.status, 405);
    assert!(said.header("allow").unwrap().contains("get"), "{said:?}");
    is_problem(&said);
}

#[tokio::test]
async fn a_session_that_is_open_is_found_by_coaches_and_people_and_by_nobody_when_it_is_closed() {
    let hall = Hall::open().await;
    let (rosa, ana) = (hall.key("coach", "Rosa"), hall.key("person", "Ana"));
    let (helper, ended) = (hall.key("assistant", "Ines"), hall.key("person", "Bo"));
    let address = hall.running.address;
    let io = TcpStream::connect(address).await.unwrap();
    let (mut socket, _) = client_async(format!("ws://{address}/ws"), io).await.unwrap();
    let create = json!({"type": "create", "title": "Tonight", "key": rosa});
    say(&mut socket, create).await;
    let created: Value = serde_json::from_str(next(&mut socket).await.to_text().unwrap()).unwrap();
    let tonight = async |key: &str, path: &str| -> Option<Value> {
        let listed = hall.get(key, path).await.json()["sessions"].as_array().unwrap().clone();
        listed.into_iter().find(|line| line["session"] == created["session"])
    };
    for key in [&hall.head, &rosa, &helper] {
        let line = tonight(key, "/api/club/open").await.unwrap();
        assert_eq!(
            (&line["title"], &line["code"], &line["made_by"]),
            (&"Tonight".into(), &created["code"], &"Rosa".into())
        );
    }
    assert!(tonight(&ana, "/api/club/me/open").await.is_some());
    // Nothing that opens anything but by a key or the coach's word.
    let told = hall.get(&ana, "/api/club/me/open").await.body;
    for secret in ["coach_secret", "board_secret"] {
        assert!(!told.contains(created[secret].as_str().unwrap()), "{told}");
    }
    let end = "UPDATE key SET ended_unix_ms = 2 WHERE hash = ?1";
    let club = Connection::open(file(hall.data())).unwrap();
    club.execute(end, [SecretHash::of(&ended).to_hex()]).unwrap();
    for key in ["", "guess", &ended] {
        for path in ["/api/club/open", "/api/club/me/open"] {
            assert_eq!(hall.get(key, path).await.status, 401, "{path}");
        }
    }
    let session = serde_json::from_value(created["session"].clone()).unwrap();
    let close = Ordered {
        command: CommandId(uuid::Uuid::from_u128(1)),
        order: Order::CloseSession,
        by: None,
    };
    hall.running.server.order(session, close).await.unwrap();
    for (key, path) in [(&rosa, "/api/club/open"), (&ana, "/api/club/me/open")] {
        // The end is written behind the answer.
        let gone = async { while tonight(key, path).await.is_some() {} };
        timeout(Duration::from_secs(30), gone).await.expect(path);
    }
}
