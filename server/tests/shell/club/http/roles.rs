//! Every role against every call: what a new call may be asked by has to be said here, or this does not compile.

use std::collections::BTreeMap;

use rusqlite::Connection;
use thole_protocol::club::Call;
use thole_server::club::{Store, file};

use super::{Hall, theirs};

/// What a person, another one, an assistant, a coach and the head coach are told by a call on what is Ana's.
fn expected(call: Call) -> [u16; 5] {
    match call {
        Call::ReadClub
        | Call::ListPeople
        | Call::ReadPerson
        | Call::ListResults
        | Call::ReadResult
        | Call::ListSessions
        | Call::ReadSession => [403, 403, 200, 200, 200],
        Call::WhoAmI => [200, 200, 200, 200, 200],
        Call::OwnResults => [200, 200, 403, 403, 403],
        Call::OwnResult => [200, 404, 403, 403, 403],
    }
}

/// The path of a call with identities that there are.
fn path(call: Call, ids: &BTreeMap<&str, String>) -> String {
    ids.iter()
        .fold(call.path().to_owned(), |path, (name, id)| path.replace(&format!("{{{name}}}"), id))
}

fn ids(hall: &Hall) -> BTreeMap<&'static str, String> {
    let ana = theirs(hall.data(), "Ana").remove(0);
    let person = Store::open_read_only(hall.data()).unwrap().person("Ana").unwrap();
    BTreeMap::from([
        ("person", person.person.to_string()),
        ("result", ana.result),
        ("session", ana.session.unwrap()),
    ])
}

#[tokio::test]
async fn every_role_may_what_is_its_own_and_nothing_else() {
    let hall = Hall::open().await;
    let keys = [
        hall.key("person", "Ana"),
        hall.key("person", "Bo"),
        hall.key("assistant", "Ines"),
        hall.key("coach", "Jo"),
        hall.head.clone(),
    ];
    for call in Call::ALL {
        let path = path(*call, &ids(&hall));
        for (key, status) in keys.iter().zip(expected(*call)) {
            let said = hall.asks(key, &format!("{} {path}", call.method()), "", "").await;
            assert_eq!(said.status, status, "{call:?} {path}: {said:?}");
            if status != 200 {
                is_problem(&said);
            }
        }
    }
}

#[tokio::test]
async fn whoever_has_no_key_is_told_nothing_of_anybody() {
    let hall = Hall::open().await;
    let (ended, over) = (hall.key("person", "Ana"), hall.key("coach", "Jo"));
    let club = Connection::open(file(hall.data())).unwrap();
    for key in [&ended, &over] {
        assert_eq!(hall.get(key, "/api/club/me").await.status, 200);
    }
    club.execute("UPDATE key SET ended_unix_ms = 2 WHERE person IS NOT NULL", []).unwrap();
    club.execute("UPDATE coach SET until_day = '2026-11-30'", []).unwrap();
    let hash = std::fs::read_to_string(hall.data().join("coach-key")).unwrap();
    let wrong = "x".repeat(32);
    let strangers = [
        ("nobody", ""),
        ("a guess", &wrong),
        ("an ended key", &ended),
        ("a coach who left", &over),
        ("a hash", hash.trim()),
        ("a join code", "BABABABA"),
    ];
    for call in Call::ALL {
        let path = path(*call, &ids(&hall));
        for (who, key) in strangers {
            let said = hall.asks(key, &format!("{} {path}", call.method()), "", "{}").await;
            assert_eq!(said.status, 401, "{who}, {call:?}: {said:?}");
            assert_eq!(said.header("www-authenticate"), Some("bearer"));
            is_problem(&said);
            for name in ["Ana", "Bo", "Cy", "Jo"] {
                assert!(!said.body.contains(name), "{who}, {call:?}: {said:?}");
            }
        }
    }
}

#[tokio::test]
async fn a_key_is_taken_from_its_header_and_from_nowhere_else() {
    let hall = Hall::open().await;
    let key = &hall.head;
    for (line, headers) in [
        (format!("GET /api/club?key={key}"), String::new()),
        (format!("GET /api/club?authorization=Bearer%20{key}"), String::new()),
        ("GET /api/club".to_owned(), format!("Cookie: key={key}\r\n")),
        ("GET /api/club".to_owned(), format!("Authorization: Basic {key}\r\n")),
        ("GET /api/club".to_owned(), format!("Authorization: {key}\r\n")),
        (
            "GET /api/club".to_owned(),
            format!("Authorization: Bearer {key}\r\nAuthorization: Bearer {key}\r\n"),
        ),
    ] {
        let said = hall.asks("", &line, &headers, "").await;
        assert_eq!(said.status, 401, "{line} {headers}");
    }
    let in_small_letters = format!("Authorization: bearer  {key}\r\n");
    let said = hall.asks("", "GET /api/club", &in_small_letters, "").await;
    assert_eq!(said.status, 200);
    assert_eq!(hall.get(key, &format!("/api/club/people/{key}")).await.status, 404);
}

pub(super) fn is_problem(said: &super::Said) {
    assert_eq!(said.header("content-type"), Some("application/problem+json"), "{said:?}");
    assert_eq!(said.header("cache-control"), Some("no-store"));
    let problem = said.json();
    assert_eq!(problem["status"], said.status, "{said:?}");
    assert!(problem["type"].as_str().unwrap().starts_with("urn:thole:"), "{said:?}");
    assert!(problem["detail"].as_str().unwrap().len() > 20, "{said:?}");
}
