//! The server is killed while coaches change the club; they ask again under the same keys.

use std::{fs, path::Path, thread, time::Duration};

use rusqlite::Connection;
use serde_json::{Value, json};
use thole_club::ClubDay;
use thole_protocol::club::CoachRole;
use thole_server::{
    club::{Store, file, rebuild::rebuild},
    makers,
    secret::SecretHash,
};

use super::{
    super::{deeds::doer, evening::evenings, results},
    request, said_by,
};
use crate::program::{Started, signal};

/// What a coach asks for, each under a key of its own: people, a table, a gift, a merge, a group that is handed over, rulings.
fn asked(data: &Path) -> Vec<(String, Value)> {
    let of = |called: &str| {
        let all = results(data);
        all.into_iter().find(|of| of.called.as_deref() == Some(called) && of.piece == Some(0))
    };
    let (ana, bo) = (of("Ana").unwrap(), of("Bo").unwrap());
    let store = Store::open_read_only(data).unwrap();
    let person = |name: &str| store.person(name).unwrap().person;
    let session = ana.session.unwrap();
    let people = "/api/club/people".to_owned();
    let mut all: Vec<(String, Value)> =
        (0..4).map(|nth| (people.clone(), json!({ "called": format!("New {nth}") }))).collect();
    all.extend([
        (
            format!("/api/club/results/{}/give", ana.result),
            json!({ "person": person("Ana"), "all_of_the_evening": true }),
        ),
        (
            "/api/club/import".to_owned(),
            json!({ "what": "people", "table": "name\nMei\nJun\nKim\n" }),
        ),
        (format!("/api/club/people/{}/merge", person("Twice")), json!({ "into": person("Ana") })),
        (
            format!("/api/club/groups/{}/hand-over", store.groups(&ClubDay::first()).unwrap()[0].group),
            json!({ "to": store.coach("Ines").unwrap().coach }),
        ),
        (
            "/api/club/notes".to_owned(),
            json!({ "about": { "person": person("Ana") }, "words": "Sits tall.", "readers": "person" }),
        ),
        (
            format!("/api/club/results/{}/correct", bo.result),
            json!({ "time_ms": 71_200, "reason": "The display was read" }),
        ),
        (
            format!("/api/club/results/{}/unrank", bo.result),
            json!({ "reason": "Out of competition" }),
        ),
        (format!("/api/club/sessions/{session}/pieces/0/official"), Value::Null),
    ]);
    all
}

/// What there is of all that in the end.
fn state(data: &Path) -> Vec<String> {
    let club = Connection::open(file(data)).unwrap();
    let mut all = Vec::new();
    for sql in [
        "SELECT 'person ' || called || ' ' || (merged_into IS NULL) FROM person ORDER BY 1",
        "SELECT 'group ' || g.called || ' ' || COALESCE(c.called, '-') FROM \"group\" AS g LEFT JOIN coach AS c USING (coach)",
        "SELECT 'note ' || words FROM note ORDER BY 1",
        "SELECT 'deed ' || kind || ' ' || who FROM deed ORDER BY deed",
        "SELECT 'result ' || called || ' ' || piece || ' ' || revision || ' ' || time_ms || ' ' || is_official FROM result ORDER BY 1",
        "SELECT 'asked ' || (answer IS NOT NULL) FROM kept_answer ORDER BY 1",
    ] {
        let mut select = club.prepare(sql).unwrap();
        let rows = select.query_map([], |row| row.get::<_, String>(0)).unwrap();
        all.extend(rows.map(Result::unwrap));
    }
    all
}

/// Asks for all of it, one after the other, as long as somebody answers.
async fn asks(server: &Started, key: &str, all: &[(String, Value)]) -> Vec<u16> {
    let mut said = Vec::new();
    for (nth, (path, body)) in all.iter().enumerate() {
        let once = format!("Idempotency-Key: {nth}\r\n");
        let request = request(key, &format!("POST {path}"), &once, &body.to_string());
        let Ok(answer) = said_by(server.address(), &request).await else { break };
        said.push(answer.status);
    }
    said
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_asked_again_after_the_server_was_killed_is_done_once() {
    let first = tempfile::tempdir().unwrap();
    evenings(first.path(), 1, &["Ana", "Bo", "Cy"]).await;
    rebuild(first.path()).await.unwrap();
    let mut store = Store::open(first.path()).unwrap();
    for name in ["Ana", "Twice"] {
        super::super::added(&mut store, name, None);
    }
    let hash = |of: &str| SecretHash::of(of);
    let jo = store.add_coach("Jo", CoachRole::Coach, hash("Jo"), &doer(0)).unwrap();
    store.add_coach("Ines", CoachRole::Coach, hash("Ines"), &doer(0)).unwrap();
    store.make_group("Mornings", Some(jo.coach), &doer(0)).unwrap();
    drop(store);
    let key = makers::new_key(first.path()).unwrap().reveal();
    let all = asked(first.path());
    let (mut killed, mut whole) = (0, None);
    for ahead in [u64::MAX, 1, 20_000, 60_000, 100_000, 150_000, 200_000] {
        let folder = tempfile::tempdir().unwrap();
        let data = folder.path();
        for entry in fs::read_dir(first.path()).unwrap() {
            let entry = entry.unwrap();
            fs::copy(entry.path(), data.join(entry.file_name())).unwrap();
        }
        let server = Started::new(data, &[]);
        let (id, wal) = (server.id(), data.join("club.sqlite-wal"));
        let killing = thread::spawn(move || {
            // Until the server is there no more, by itself or by this.
            while fs::metadata(format!("/proc/{id}")).is_ok() {
                if fs::metadata(&wal).is_ok_and(|file| file.len() > ahead) {
                    signal(id, "-KILL");
                    return true;
                }
                thread::sleep(Duration::from_micros(200));
            }
            false
        });
        let said = asks(&server, &key, &all).await;
        if ahead == u64::MAX {
            assert_eq!(said, vec![200; all.len()]);
            whole = Some(state(data));
        }
        drop(server);
        killed += u32::from(killing.join().unwrap());
        let server = Started::new(data, &[]);
        assert_eq!(asks(&server, &key, &all).await, vec![200; all.len()], "killed at {ahead}");
        assert_eq!(Some(state(data)), whole, "killed at {ahead}");
        drop(server);
    }
    assert!(killed > 2, "it was always over before it was killed");
}
