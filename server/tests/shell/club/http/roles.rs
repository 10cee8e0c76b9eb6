//! Every role against every call: what a new call may be asked by has to be said here, or this does not compile.

use std::collections::BTreeMap;

use rusqlite::Connection;
use serde_json::{Value, json};
use thole_protocol::club::{Call, call::Method};
use thole_server::club::file;

use super::{super::results, Hall, theirs};

/// What a person, another one, an assistant, a coach and the head coach are told by a call on what is Ana's.
fn expected(call: Call) -> [u16; 5] {
    match call {
        Call::ReadClub
        | Call::ListPeople
        | Call::ReadPerson
        | Call::ListResults
        | Call::ReadResult
        | Call::ListSessions
        | Call::ListOpen
        | Call::ReadSession
        | Call::ListGroups
        | Call::ReadGroup
        | Call::ListNotes
        | Call::ListAttendance
        | Call::PersonAttendance => [403, 403, 200, 200, 200],
        Call::ListDeeds => [403, 403, 200, 200, 200],
        Call::AddPerson
        | Call::ChangePerson
        | Call::MergePeople
        | Call::DeletePerson
        | Call::KeepPerson
        | Call::DeletePersonNow
        | Call::ListGoing
        | Call::TypeResult
        | Call::ChangeResult
        | Call::RankResult
        | Call::RemoveResult
        | Call::LookAtTable
        | Call::ImportTable
        | Call::ExportTable
        | Call::MakeOfficial
        | Call::ReopenPiece
        | Call::CorrectFinish
        | Call::CorrectTarget
        | Call::ExcludeResult
        | Call::UnrankResult
        | Call::UndoRuling
        | Call::GiveResult
        | Call::TakeBackResult
        | Call::SwapResults
        | Call::MakeGroup
        | Call::ChangeGroup
        | Call::HandOverGroup
        | Call::EndGroup
        | Call::AddMembers
        | Call::EndMember
        | Call::WriteNote
        | Call::RemoveNote
        | Call::SayAttendance
        | Call::UndoDeed => [403, 403, 403, 200, 200],
        Call::ListHallDevices | Call::AddHallDevice | Call::EndHallDevice => {
            [403, 403, 403, 200, 200]
        }
        // A device of the hall asks it, and nobody else.
        Call::ReadHall => [403, 403, 403, 403, 403],
        Call::MakeCard | Call::ListKeys | Call::EndKey | Call::EndKeys => [403, 403, 403, 200, 200],
        Call::ListCoaches | Call::AddCoach | Call::LinkCoach | Call::EndCoach => {
            [403, 403, 403, 403, 200]
        }
        // A key is no card, whoever has it.
        Call::UseCard => [401, 401, 401, 401, 401],
        Call::OwnKeys | Call::OwnOpen | Call::ReadOwnData | Call::OwnTable | Call::OwnLooks => {
            [200, 200, 403, 403, 403]
        }
        Call::EndOwnKey => [200, 404, 403, 403, 403],
        Call::EndOwnKeys => [200, 200, 403, 403, 403],
        Call::WhoAmI => [200, 200, 200, 200, 200],
        Call::OwnResults
        | Call::OwnNotes
        | Call::OwnAttendance
        | Call::DeleteMyself
        | Call::KeepMyself => [200, 200, 403, 403, 403],
        Call::OwnResult | Call::SayEffort => [200, 404, 403, 403, 403],
    }
}

/// What is sent along with a call on what is Ana's; it is undone each time.
fn body(call: Call, ids: &BTreeMap<&str, String>, nth: usize) -> Value {
    let id = |name: &str| ids[name].as_str();
    match call {
        Call::GiveResult => {
            json!({ "person": id("other"), "from": id("person"), "all_of_the_evening": true })
        }
        Call::TakeBackResult => json!({ "all_of_the_evening": true }),
        Call::SwapResults => json!({ "with": id("others result"), "all_of_the_evening": true }),
        Call::MergePeople => json!({ "into": id("other") }),
        Call::TypeResult => {
            json!({ "person": id("person"), "day": "2026-11-02", "work": "500m", "time_ms": 100_000 + nth })
        }
        Call::ChangeResult => json!({ "reason": "So it was", "time_ms": 200_000 + nth }),
        Call::RankResult => json!({ "ranked": true }),
        Call::RemoveResult | Call::ReopenPiece | Call::ExcludeResult | Call::UnrankResult => {
            json!({ "reason": "Not theirs" })
        }
        Call::CorrectFinish => json!({ "time_ms": 70_000 + nth, "reason": "By the photo" }),
        Call::CorrectTarget => json!({ "target": null, "reason": "Of another piece" }),
        Call::LookAtTable | Call::ImportTable => {
            json!({ "what": "people", "table": format!("name\nMei {nth}\n") })
        }
        Call::SayEffort => json!({ "felt": nth }),
        Call::AddPerson => json!({ "called": format!("Nel {nth}") }),
        Call::ChangePerson => json!({ "born_year": 2000 + nth }),
        Call::MakeGroup => json!({ "called": format!("Group {nth}") }),
        Call::ChangeGroup => json!({ "called": format!("Evenings {nth}") }),
        Call::HandOverGroup => json!({ "to": null }),
        Call::AddMembers => json!({ "people": [id("other")] }),
        Call::EndMember => json!({}),
        Call::SayAttendance => json!({ "person": id("person"), "state": "excused" }),
        Call::WriteNote => {
            json!({ "about": { "person": id("person") }, "words": "Sits tall.", "readers": "coaches" })
        }
        Call::UseCard => json!({ "device": format!("Phone {nth}") }),
        Call::AddHallDevice => json!({ "called": format!("Machine {nth}") }),
        Call::AddCoach => json!({ "called": format!("Coach {nth}"), "role": "assistant" }),
        Call::ReadClub
        | Call::DeletePerson
        | Call::KeepPerson
        | Call::DeletePersonNow
        | Call::ListGoing
        | Call::DeleteMyself
        | Call::KeepMyself
        | Call::MakeCard
        | Call::ListKeys
        | Call::EndKey
        | Call::EndKeys
        | Call::ListCoaches
        | Call::LinkCoach
        | Call::EndCoach
        | Call::OwnKeys
        | Call::EndOwnKey
        | Call::EndOwnKeys
        | Call::ReadOwnData
        | Call::OwnTable
        | Call::OwnLooks
        | Call::ListPeople
        | Call::ReadPerson
        | Call::ListResults
        | Call::ReadResult
        | Call::ListSessions
        | Call::ListOpen
        | Call::ListHallDevices
        | Call::EndHallDevice
        | Call::ReadHall
        | Call::OwnOpen
        | Call::ReadSession
        | Call::ListDeeds
        | Call::ListGroups
        | Call::ReadGroup
        | Call::EndGroup
        | Call::ListNotes
        | Call::RemoveNote
        | Call::OwnNotes
        | Call::ListAttendance
        | Call::PersonAttendance
        | Call::OwnAttendance
        | Call::ExportTable
        | Call::UndoDeed
        | Call::MakeOfficial
        | Call::UndoRuling
        | Call::WhoAmI
        | Call::OwnResults
        | Call::OwnResult => Value::Null,
    }
}

/// The path of a call with identities that there are.
fn path(call: Call, ids: &BTreeMap<&str, String>) -> String {
    let of_notes = format!("?person={}", ids["person"]);
    let queries = [(Call::ExportTable, "?what=people"), (Call::ListNotes, of_notes.as_str())];
    let query = queries.iter().find(|(of, _)| *of == call).map_or("", |(_, query)| *query);
    let is_of_typed = matches!(call, Call::ChangeResult | Call::RankResult | Call::RemoveResult);
    let result = if is_of_typed { "typed result" } else { "result" };
    let path = call.path().replace("{result}", &ids[result]);
    let path = ids.iter().fold(path, |path, (name, id)| path.replace(&format!("{{{name}}}"), id));
    path + query
}

fn ids(hall: &Hall) -> BTreeMap<&'static str, String> {
    let ana = theirs(hall.data(), "Ana").into_iter().find(|of| of.source == "piece").unwrap();
    let typed = results(hall.data()).into_iter().find(|of| of.title == "Typed for this test");
    BTreeMap::from([
        ("person", hall.id("Ana")),
        ("other", hall.id("Bo")),
        ("result", ana.result),
        ("others result", theirs(hall.data(), "Bo").remove(0).result),
        ("piece", "0".to_owned()),
        ("ruling", uuid::Uuid::nil().to_string()),
        ("typed result", typed.map_or_else(|| uuid::Uuid::nil().to_string(), |of| of.result)),
        ("session", ana.session.unwrap()),
        ("group", hall.group("Evenings%")),
        ("note", hall.note("Rows long.")),
        // What was done last.
        ("deed", hall.deeds()[0].deed.to_string()),
    ])
}

#[tokio::test]
async fn every_role_may_what_is_its_own_and_nothing_else() {
    let hall = Hall::open().await;
    let coaches = [hall.key("assistant", "Ines"), hall.key("coach", "Jo"), hall.head.clone()];
    let typed = json!({
        "person": hall.id("Ana"), "day": "2026-11-03", "work": "500m", "time_ms": 99_000, "title": "Typed for this test",
    });
    hall.posts(&hall.head, "/api/club/results", "", &typed).await;
    // Of that coach, with Ana in it.
    let group = hall.makes_group(&coaches[1], "Evenings", &["Ana"]).await;
    assert_eq!(group, hall.group("Evenings"));
    hall.writes(&coaches[1], &json!({ "person": hall.id("Ana") }), "coaches", "Rows long.").await;
    for call in Call::ALL {
        // Some calls end those of people, who may have so many and no more.
        let club = Connection::open(file(hall.data())).unwrap();
        let end = "UPDATE key SET ended_unix_ms = 2 WHERE person IS NOT NULL";
        club.execute(end, []).unwrap();
        drop(club);
        let people = ["Ana", "Bo"].map(|name| hall.key("person", name));
        let keys: Vec<&String> = people.iter().chain(&coaches).collect();
        for (nth, (key, status)) in keys.into_iter().zip(expected(*call)).enumerate() {
            let ruling = prepared(&hall, *call).await;
            if *call == Call::UndoDeed {
                let newest = json!({ "called": format!("Newest {nth}") });
                hall.posts(&hall.head, "/api/club/people", "", &newest).await;
            }
            let mut ids = ids(&hall);
            if call.path().contains("{key}") {
                ids.insert("key", hall.device_of("Ana"));
            }
            if call.path().contains("{device}") {
                ids.insert("device", hall.another_hall_device());
            }
            if call.path().contains("{coach}") {
                ids.insert("coach", hall.another_coach());
            }
            ids.insert("ruling", ruling);
            let path = path(*call, &ids);
            let line = format!("{} {path}", call.method());
            let body = body(*call, &ids, nth).to_string();
            let mut read = None;
            if call.method() == Method::Patch {
                if status == 200 {
                    for (said, headers) in [(428, ""), (412, "If-Match: \"x\"\r\n")] {
                        let refused = hall.asks(key, &line, headers, &body).await;
                        assert_eq!(refused.status, said, "{call:?} {path}: {refused:?}");
                    }
                }
                read = hall.get(&hall.head, &path).await.header("etag").map(str::to_owned);
            }
            let headers = read.map_or(String::new(), |etag| format!("If-Match: {etag}\r\n"));
            let is_to_go = matches!(call, Call::KeepPerson | Call::DeletePersonNow);
            if is_to_go || *call == Call::KeepMyself {
                // Each of the two has to be going for it.
                goes(&hall, &["Ana", "Bo"], true);
            }
            let said = hall.asks(key, &line, &headers, &body).await;
            assert_eq!(said.status, status, "{call:?} {path}: {said:?}");
            if status != 200 {
                is_problem(&said);
            }
            assert_eq!(said.header("etag").is_some(), status == 200 && call.is_of_one_thing());
            goes(&hall, &["Ana", "Bo"], false);
            let is_told = status == 200 && call.media() == "application/json";
            if is_told && said.json()["deed"].is_u64() && *call != Call::UndoDeed {
                let undo = format!("/api/club/deeds/{}/undo", said.json()["deed"]);
                let said = hall.posts(&hall.head, &undo, "", &Value::Null).await;
                assert_eq!(said.status, 200, "{call:?}: {said:?}");
            }
            let stays = matches!(call, Call::ReopenPiece | Call::UndoRuling);
            if is_told && said.json()["command"].is_string() && !stays {
                let ruling = said.json()["command"].as_str().unwrap().to_owned();
                taken_back(&hall, &ids["session"], &ruling).await;
            }
        }
    }
}

/// Has these people be going, or not. Their sessions are open, so that they are never gone.
fn goes(hall: &Hall, names: &[&str], is_so: bool) {
    let club = Connection::open(file(hall.data())).unwrap();
    let instant = is_so.then_some(i64::MAX >> 1);
    for name in names {
        let set = "UPDATE person SET going_unix_ms = ?1, going_asked_unix_ms = 1, going_by = 'a test' WHERE called = ?2";
        assert_eq!(club.execute(set, rusqlite::params![instant, name]).unwrap(), 1);
    }
}

/// What stands before something is ruled, so that it can be; by which it is taken back.
async fn prepared(hall: &Hall, call: Call) -> String {
    let ids = ids(hall);
    let said = if call == Call::ReopenPiece {
        let path = format!("/api/club/sessions/{}/pieces/0/official", ids["session"]);
        hall.posts(&hall.head, &path, "", &Value::Null).await
    } else if call == Call::UndoRuling {
        let path = format!("/api/club/results/{}/unrank", ids["result"]);
        hall.posts(&hall.head, &path, "", &json!({ "reason": "Out of competition" })).await
    } else {
        return uuid::Uuid::nil().to_string();
    };
    // It may still be official, of one before who may not open it again.
    assert!([200, 409].contains(&said.status), "{said:?}");
    said.json()["command"].as_str().map_or_else(String::new, str::to_owned)
}

async fn taken_back(hall: &Hall, session: &str, ruling: &str) {
    let path = format!("/api/club/sessions/{session}/rulings/{ruling}/undo");
    let said = hall.posts(&hall.head, &path, "", &Value::Null).await;
    assert_eq!(said.status, 200, "{said:?}");
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
            let body = if *call == Call::UseCard { r#"{"device":"Phone"}"# } else { "{}" };
            let said = hall.asks(key, &format!("{} {path}", call.method()), "", body).await;
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
    assert!(problem["detail"].as_str().unwrap().len() > 15, "{said:?}");
}

#[tokio::test]
async fn a_device_of_the_hall_reads_tonights_lists_and_nothing_else() {
    let hall = Hall::open().await;
    let device = hall.key("hall", "Machine 3");
    for call in Call::ALL {
        let mut ids = ids(&hall);
        ids.insert("key", hall.device_of("Ana"));
        ids.insert("coach", hall.another_coach());
        ids.insert("device", uuid::Uuid::nil().to_string());
        let line = format!("{} {}", call.method(), path(*call, &ids));
        let said = hall.asks(&device, &line, "", &body(*call, &ids, 1).to_string()).await;
        let expected = if matches!(call, Call::ReadHall | Call::WhoAmI) {
            200
        } else if *call == Call::UseCard {
            401
        } else {
            403
        };
        assert_eq!(said.status, expected, "{line}: {said:?}");
    }
    let told = hall.get(&device, "/api/club/hall").await;
    assert_eq!(told.json()["called"], "Machine 3");
    let end = "UPDATE key SET ended_unix_ms = 2 WHERE hall IS NOT NULL";
    Connection::open(file(hall.data())).unwrap().execute(end, []).unwrap();
    assert_eq!(hall.get(&device, "/api/club/hall").await.status, 401);
}
