//! What people read and take along of what is kept about them.

use std::collections::BTreeSet;

use rusqlite::Connection;
use serde_json::{Value, json};
use thole_server::club::file;

use super::{Hall, theirs};

/// Where people find what a table keeps about them; a table that is new has to be said here.
const WRITTEN_OUT: [(&str, &str); 13] = [
    ("card", "keys"),
    ("changed_row", "what it takes to undo what is written out as it is now"),
    ("consent", "nothing writes it yet"),
    ("attendance", "attendance"),
    ("membership", "groups"),
    ("note", "notes"),
    ("deed_person", "what coaches did stands with their results"),
    ("given_piece", "results"),
    ("key", "keys"),
    ("looked", "looks"),
    ("person", "person, and what stands beside it"),
    ("result", "results"),
    ("seat", "results"),
];

#[tokio::test]
async fn people_read_all_that_is_kept_about_them_and_nothing_of_others() {
    let hall = Hall::open().await;
    let ana = hall.key("person", "Ana");
    let twice = json!({ "called": "Ana Again" });
    let twice = hall.posts(&hall.head, "/api/club/people", "", &twice).await.json();
    let merge = format!("/api/club/people/{}/merge", twice["person"].as_str().unwrap());
    let said = hall.posts(&hall.head, &merge, "", &json!({ "into": hall.id("Ana") })).await;
    assert_eq!(said.status, 200, "{said:?}");
    let said = hall.get(&ana, "/api/club/me/data").await;
    let data = said.json();
    assert_eq!(data["person"]["called"], "Ana");
    assert_eq!(data["merged"][0]["called"], "Ana Again");
    assert_eq!(data["keys"].as_array().unwrap().len(), 1);
    let results = data["results"].as_array().unwrap();
    assert_eq!(results.len(), 4);
    for result in results {
        let path = format!("/api/club/me/results/{}", result["result"].as_str().unwrap());
        assert_eq!(*result, hall.get(&ana, &path).await.json());
    }
    for of in ["Bo", "Cy", &ana, &hall.id("Bo")] {
        assert!(!said.body.contains(of), "{of}: {}", said.body);
    }
}

#[tokio::test]
async fn the_own_table_is_those_lines_of_the_clubs_that_are_theirs() {
    let hall = Hall::open().await;
    let all = hall.get(&hall.head, "/api/club/export?what=results").await.body;
    let said = hall.get(&hall.key("person", "Ana"), "/api/club/me/results.csv").await;
    assert_eq!(said.header("content-type"), Some("text/csv"));
    let is_theirs = |line: &&str| line.contains("person_id") || line.ends_with(&hall.id("Ana"));
    let theirs: Vec<&str> = all.lines().filter(is_theirs).collect();
    assert_eq!(theirs.len(), 1 + 4);
    assert_eq!(said.body.lines().collect::<Vec<_>>(), theirs);
    assert!(said.body.ends_with("\r\n"));
}

#[tokio::test]
async fn people_read_who_took_their_results_along_and_nobody_reads_of_a_time_before_them() {
    let hall = Hall::open().await;
    let (ana, bo) = (hall.key("person", "Ana"), hall.key("person", "Bo"));
    let looks = async |key: &str| hall.get(key, "/api/club/me/looks").await.json()["looks"].clone();
    assert_eq!(looks(&ana).await, json!([]));
    let jo = hall.key("coach", "Jo");
    assert_eq!(hall.get(&jo, "/api/club/export?what=results").await.status, 200);
    assert_eq!(hall.get(&hall.head, "/api/club/export?what=people").await.status, 200);
    let ofs = looks(&ana).await;
    let words = |look: &Value| {
        assert_eq!(look["of_everybody"], true);
        format!("{} {}", look["who"].as_str().unwrap(), look["what"].as_str().unwrap())
    };
    let read: BTreeSet<String> = ofs.as_array().unwrap().iter().map(words).collect();
    let expected = ["Jo export of results", "head coach export of people"];
    assert_eq!(read, expected.map(str::to_owned).into());
    assert_eq!(looks(&bo).await, ofs);
    assert_eq!(hall.get(&ana, "/api/club/me/data").await.json()["looks"], ofs);
    // Of one person alone, and of another.
    let club = Connection::open(file(hall.data())).unwrap();
    let put = "INSERT INTO looked (club, looked, who, what, person, at_unix_ms)
        SELECT club, 'a look', 'Jo', 'heart rate', person, 5 FROM person WHERE called = 'Bo'";
    assert_eq!(club.execute(put, []).unwrap(), 1);
    assert_eq!(looks(&ana).await, ofs);
    assert_eq!(looks(&bo).await.as_array().unwrap().len(), 3);
    // Whoever came into the club later was not among everybody.
    let later = "UPDATE person SET added_unix_ms = (SELECT max(at_unix_ms) + 1 FROM looked) WHERE called = 'Ana'";
    assert_eq!(club.execute(later, []).unwrap(), 1);
    assert_eq!(looks(&ana).await, json!([]));
}

#[tokio::test]
async fn people_say_how_hard_it_felt_and_coaches_read_it() {
    let hall = Hall::open().await;
    let (ana, bo) = (hall.key("person", "Ana"), hall.key("person", "Bo"));
    let result = theirs(hall.data(), "Ana").remove(0).result;
    let path = format!("/api/club/me/results/{result}/effort");
    let felt = async || {
        let of = hall.get(&hall.head, &format!("/api/club/results/{result}")).await.json();
        let listed = hall.get(&ana, "/api/club/me/results").await.json();
        let is_it = |line: &&Value| line["result"] == result.as_str();
        let line = listed["results"].as_array().unwrap().iter().find(is_it).unwrap().clone();
        assert_eq!(of["felt"], line["felt"]);
        of["felt"].as_u64()
    };
    assert_eq!(felt().await, None);
    for (said, status, stands) in [
        (json!(0), 200, Some(0)),
        (json!(10), 200, Some(10)),
        (json!(11), 422, Some(10)),
        (json!(-1), 400, Some(10)),
        (json!(7.5), 400, Some(10)),
        (json!("hard"), 400, Some(10)),
        (json!(null), 200, None),
        (json!(null), 200, None),
        (json!(8), 200, Some(8)),
    ] {
        let answer = hall.posts(&ana, &path, "", &json!({ "felt": said })).await;
        assert_eq!(answer.status, status, "{said}: {answer:?}");
        assert_eq!(felt().await, stands, "{said}");
    }
    // Nobody says it for somebody else, and it stays with the result through a gift and back.
    assert_eq!(hall.posts(&bo, &path, "", &json!({ "felt": 1 })).await.status, 404);
    assert_eq!(hall.posts(&hall.head, &path, "", &json!({ "felt": 1 })).await.status, 403);
    let give =
        json!({ "person": hall.id("Bo"), "from": hall.id("Ana"), "all_of_the_evening": false });
    let given =
        hall.posts(&hall.head, &format!("/api/club/results/{result}/give"), "", &give).await;
    let undo = format!("/api/club/deeds/{}/undo", given.json()["deed"]);
    assert_eq!(hall.posts(&hall.head, &undo, "", &Value::Null).await.status, 200);
    assert_eq!(felt().await, Some(8));
}

#[tokio::test]
async fn no_table_that_names_people_is_forgotten() {
    let hall = Hall::open().await;
    let club = Connection::open(file(hall.data())).unwrap();
    let mut select = club
        .prepare(
            "SELECT DISTINCT m.name FROM sqlite_schema AS m JOIN pragma_table_info(m.name) AS c
             WHERE m.type = 'table' AND c.name IN ('person', 'of_row')",
        )
        .unwrap();
    let tables: BTreeSet<String> =
        select.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    assert_eq!(tables, WRITTEN_OUT.map(|(table, _)| table.to_owned()).into());
    for (table, _) in WRITTEN_OUT.iter().filter(|(_, found)| *found == "nothing writes it yet") {
        let count = format!("SELECT count(*) FROM {table}");
        let many: u32 = club.query_row(&count, [], |row| row.get(0)).unwrap();
        assert_eq!(many, 0, "{table} is written, and people do not find it in their data");
    }
}
