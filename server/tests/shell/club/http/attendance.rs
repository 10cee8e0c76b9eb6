//! Attendance over HTTP: what is known by itself, what coaches say over it, and who reads it.

use serde_json::{Value, json};

use super::{Hall, roles::is_problem};

impl Hall {
    /// Who came to a session, each as `Ana came rowed`.
    async fn attendance(&self, key: &str, session: &str, query: &str) -> Vec<String> {
        let said = self.get(key, &format!("/api/club/sessions/{session}/attendance{query}")).await;
        assert_eq!(said.status, 200, "{said:?}");
        lines(&said.json()["lines"])
    }

    async fn says_of(&self, key: &str, session: &str, name: &str, state: Value) -> super::Said {
        let path = format!("/api/club/sessions/{session}/attendance");
        self.posts(key, &path, "", &json!({ "person": self.id(name), "state": state })).await
    }

    /// The session of the first evening, and of the second.
    fn both_evenings(&self) -> [String; 2] {
        let newest = self.one("SELECT session FROM session WHERE ?1 <> '' ORDER BY at_unix_ms DESC, session DESC LIMIT 1", "any");
        let first = self.one("SELECT session FROM session WHERE session <> ?1 LIMIT 1", &newest);
        [first, newest]
    }

    fn changes(&self, sql: &str) {
        let club = rusqlite::Connection::open(thole_server::club::file(self.data())).unwrap();
        assert_ne!(club.execute(sql, []).unwrap(), 0, "{sql}");
    }
}

fn lines(of: &Value) -> Vec<String> {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let line = |one: &Value| {
        let line = [&one["called"], &one["state"], &one["source"], &one["said_by"]].map(text);
        line.join(" ").trim().to_owned()
    };
    of.as_array().unwrap().iter().map(line).collect()
}

#[tokio::test]
async fn whoever_rowed_came_and_of_a_group_whoever_did_not_was_absent() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let [session, other] = hall.both_evenings();
    // Cy rowed as a guest, who is nobody's attendance.
    assert_eq!(hall.attendance(&jo, &session, "").await, ["Ana came rowed", "Bo came rowed"]);
    for name in ["Dee", "Eve"] {
        let said = hall.posts(&jo, "/api/club/people", "", &json!({ "called": name })).await;
        assert_eq!(said.status, 200, "{said:?}");
    }
    let group = hall.makes_group(&jo, "Mornings", &["Ana", "Dee", "Eve"]).await;
    let of_group = format!("?group={group}");
    let all = ["Ana came rowed", "Dee absent expected", "Eve absent expected"];
    // In a session of a day before any of them came nobody was missing.
    let day: Value =
        hall.get(&jo, &format!("/api/club/sessions/{session}")).await.json()["day"].clone();
    hall.changes("UPDATE membership SET from_day = '2001-01-01'");
    assert_eq!(hall.attendance(&jo, &session, &of_group).await, all);
    hall.changes("UPDATE membership SET from_day = '2999-01-01'");
    assert_eq!(hall.attendance(&jo, &session, &of_group).await, [""; 0]);
    let until = format!("UPDATE membership SET from_day = '2001-01-01', until_day = {day}");
    hall.changes(&until.replace('"', "'"));
    assert_eq!(
        hall.attendance(&jo, &session, &of_group).await,
        all,
        "the last day is one of theirs"
    );
    hall.changes("UPDATE membership SET until_day = '2001-01-02'");
    assert_eq!(hall.attendance(&jo, &session, &of_group).await, [""; 0]);
    hall.changes("UPDATE membership SET until_day = NULL");

    // Who was on the list and never started was expected; late in the first piece is late, later on is not.
    hall.changes(&format!(
        "UPDATE result SET outcome = 'did_not_start' WHERE called = 'Bo' AND session = '{session}'"
    ));
    hall.changes(&format!("UPDATE result SET marks = '[\"late_start\"]' WHERE called = 'Ana' AND piece = 0 AND session = '{session}'"));
    hall.changes(&format!("UPDATE result SET marks = '[\"late_start\"]' WHERE called = 'Ana' AND piece = 1 AND session = '{other}'"));
    let now = ["Ana late rowed", "Bo absent expected"];
    assert_eq!(hall.attendance(&jo, &session, "").await, now);
    assert_eq!(hall.attendance(&jo, &other, "").await, ["Ana came rowed", "Bo came rowed"]);
    // Each state is a list of its own.
    let absent = ["Dee absent expected", "Eve absent expected"];
    let wanted = |state: &str| format!("{of_group}&state={state}");
    assert_eq!(hall.attendance(&jo, &session, &wanted("absent")).await, absent);
    assert_eq!(hall.attendance(&jo, &session, &wanted("late")).await, ["Ana late rowed"]);
    assert_eq!(hall.attendance(&jo, &session, "?state=home").await, [""; 0]);
    for (query, status) in [
        ("?state=here", 400),
        ("?group=Mornings", 400),
        (&format!("?group={}", uuid::Uuid::nil()), 404),
    ] {
        let path = format!("/api/club/sessions/{session}/attendance{query}");
        let said = hall.get(&jo, &path).await;
        assert_eq!(said.status, status, "{said:?}");
        is_problem(&said);
    }
    // Somebody who is to be deleted is in no list.
    let path = format!("DELETE /api/club/people/{}", hall.id("Dee"));
    assert_eq!(hall.asks(&jo, &path, "", "").await.status, 200);
    assert_eq!(hall.attendance(&jo, &session, &wanted("absent")).await, ["Eve absent expected"]);
}

#[tokio::test]
async fn what_a_coach_says_stands_over_what_is_known_and_says_who_said_it() {
    let hall = Hall::open().await;
    let (jo, ines) = (hall.key("coach", "Jo"), hall.key("coach", "Ines"));
    let [session, other] = hall.both_evenings();
    let dee = hall.posts(&jo, "/api/club/people", "", &json!({ "called": "Dee" })).await;
    assert_eq!(dee.status, 200, "{dee:?}");
    for (name, state, now) in [
        ("Dee", json!("home"), "Dee home said Jo"),
        ("Dee", json!("came"), "Dee came said Jo"),
        ("Ana", json!("absent"), "Ana absent said Jo"),
    ] {
        let said = hall.says_of(&jo, &session, name, state).await;
        assert_eq!(said.status, 200, "{said:?}");
        assert!(lines(&said.json()["lines"]).contains(&now.to_owned()), "{now}: {said:?}");
    }
    // The last word stands, whoever says it; taken back, what is known by itself is there again.
    let said = hall.says_of(&ines, &session, "Ana", json!("excused")).await;
    let all = ["Ana excused said Ines", "Bo came rowed", "Dee came said Jo"];
    assert_eq!(lines(&said.json()["lines"]), all);
    for _ in 0..2 {
        for name in ["Ana", "Dee"] {
            assert_eq!(hall.says_of(&jo, &session, name, Value::Null).await.status, 200);
        }
    }
    assert_eq!(hall.attendance(&jo, &session, "").await, ["Ana came rowed", "Bo came rowed"]);
    // A new record of the session changes nothing of it, nor does another time zone of the club.
    hall.says_of(&jo, &session, "Ana", json!("home")).await;
    hall.changes("UPDATE session SET day = '2026-10-01'");
    assert_eq!(hall.says_of(&jo, &session, "Ana", json!("late")).await.status, 200);
    assert_eq!(hall.attendance(&jo, &session, "?state=late").await, ["Ana late said Jo"]);
    assert_eq!(hall.attendance(&jo, &other, "").await, ["Ana came rowed", "Bo came rowed"]);

    let nobody = uuid::Uuid::nil().to_string();
    let path = format!("/api/club/sessions/{session}/attendance");
    for (path, body, status) in [
        (&path, json!({ "person": nobody, "state": "came" }), 422),
        (&path, json!({ "person": hall.id("Ana"), "state": "away" }), 400),
        (&path, json!({ "person": hall.id("Ana"), "state": 1 }), 400),
        (&path, json!({ "state": "came" }), 400),
        (
            &path.replace(&session, &nobody),
            json!({ "person": hall.id("Ana"), "state": "came" }),
            404,
        ),
    ] {
        let said = hall.posts(&jo, path, "", &body).await;
        assert_eq!(said.status, status, "{body}: {said:?}");
        is_problem(&said);
    }
    let kim = hall.key("assistant", "Kim");
    assert_eq!(hall.says_of(&kim, &session, "Ana", json!("came")).await.status, 403);
    assert_eq!(hall.attendance(&kim, &session, "?state=late").await, ["Ana late said Jo"]);
}

#[tokio::test]
async fn people_read_to_which_sessions_they_came_and_nothing_of_others() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let (ana, bo) = (hall.key("person", "Ana"), hall.key("person", "Bo"));
    let [session, other] = hall.both_evenings();
    hall.says_of(&jo, &other, "Ana", json!("home")).await;
    let theirs = async |key: &str, path: &str| {
        let said = hall.get(key, path).await;
        assert_eq!(said.status, 200, "{said:?}");
        let mut all = lines(&said.json()["sessions"]);
        all.sort();
        all
    };
    let own = "/api/club/me/attendance";
    let both = ["came rowed", "home said Jo"];
    assert_eq!(theirs(&ana, own).await, both);
    assert_eq!(theirs(&bo, own).await, ["came rowed", "came rowed"]);
    let of_ana = format!("/api/club/people/{}/attendance", hall.id("Ana"));
    assert_eq!(theirs(&jo, &of_ana).await, both);
    assert_eq!(theirs(&jo, &format!("{of_ana}?state=home")).await, ["home said Jo"]);
    assert_eq!(theirs(&jo, &format!("{of_ana}?most=1")).await.len(), 1);
    assert_eq!(theirs(&jo, &format!("{of_ana}?to=2001-01-01")).await, [""; 0]);
    assert_eq!(hall.get(&jo, &format!("{of_ana}?most=0")).await.status, 400);
    let data = hall.get(&ana, "/api/club/me/data").await.json();
    assert_eq!(data["attendance"], hall.get(&ana, own).await.json()["sessions"]);
    // Of a session in which nothing is rowed any more what was said is still there.
    hall.changes(&format!("DELETE FROM session WHERE session = '{other}'"));
    assert_eq!(theirs(&ana, own).await, both);
    // With two entries made one it is theirs, and the one that was said of both once.
    let twice = hall.posts(&jo, "/api/club/people", "", &json!({ "called": "Anna" })).await.json();
    hall.says_of(&jo, &session, "Anna", json!("late")).await;
    let merge = format!("/api/club/people/{}/merge", twice["person"].as_str().unwrap());
    let merged = hall.posts(&jo, &merge, "", &json!({ "into": hall.id("Ana") })).await;
    assert_eq!(merged.status, 200, "{merged:?}");
    assert_eq!(theirs(&ana, own).await, ["home said Jo", "late said Jo"]);
}
