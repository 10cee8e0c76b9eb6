//! Groups over HTTP: who is in them, who has them, and what becomes of them when their coach hands them over or goes.

use rusqlite::Connection;
use serde_json::{Value, json};
use thole_server::club::file;

use super::{Hall, Said, roles::is_problem};

const GROUPS: &str = "/api/club/groups";

impl Hall {
    /// A group by its name; nobody's identity when there is none.
    pub(crate) fn group(&self, called: &str) -> String {
        self.one("SELECT \"group\" FROM \"group\" WHERE called LIKE ?1", called)
    }

    /// A coach by their name.
    pub(crate) fn coach(&self, called: &str) -> String {
        self.one("SELECT coach FROM coach WHERE called = ?1", called)
    }

    pub(super) fn one(&self, sql: &str, of: &str) -> String {
        let club = Connection::open(file(self.data())).unwrap();
        let found = club.query_row(sql, [of], |row| row.get(0));
        found.unwrap_or_else(|_| uuid::Uuid::nil().to_string())
    }

    /// Has a coach make a group of these.
    pub(crate) async fn makes_group(&self, key: &str, called: &str, of: &[&str]) -> String {
        let made = self.posts(key, GROUPS, "", &json!({ "called": called })).await;
        assert_eq!(made.status, 200, "{made:?}");
        let group = made.json()["group"].as_str().unwrap().to_owned();
        if !of.is_empty() {
            let said = self.adds(key, &group, of).await;
            assert_eq!(said.status, 200, "{said:?}");
        }
        group
    }

    pub(super) async fn adds(&self, key: &str, group: &str, of: &[&str]) -> Said {
        let people: Vec<String> = of.iter().map(|name| self.id(name)).collect();
        let body = json!({ "people": people, "from": "2026-11-01" });
        self.posts(key, &format!("{GROUPS}/{group}/members"), "", &body).await
    }

    pub(super) async fn hands_over(&self, key: &str, group: &str, to: &Value) -> Said {
        self.posts(key, &format!("{GROUPS}/{group}/hand-over"), "", &json!({ "to": to })).await
    }

    pub(super) async fn undoes(&self, key: &str, done: &Said) -> Said {
        let undo = format!("/api/club/deeds/{}/undo", done.json()["deed"]);
        self.posts(key, &undo, "", &Value::Null).await
    }

    /// Each group with who has it and who is in it.
    async fn groups(&self) -> Vec<String> {
        let said = self.get(&self.head, GROUPS).await.json();
        let line = |group: &Value| {
            let text = |value: &Value| value.as_str().unwrap_or("-").to_owned();
            let members = group["members"].as_array().unwrap();
            let members: Vec<String> = members.iter().map(|one| text(&one["called"])).collect();
            let (coach, had) = (text(&group["coach"]["called"]), text(&group["had_by"]));
            format!("{}: {coach}, {had}: {}", text(&group["called"]), members.join(" "))
        };
        said["groups"].as_array().unwrap().iter().map(line).collect()
    }
}

fn is_refused(said: &Said, status: u16, words: &str) {
    assert_eq!(said.status, status, "{said:?}");
    is_problem(said);
    assert!(said.body.contains(words), "{words}: {said:?}");
}

#[tokio::test]
async fn a_group_is_its_coachs_until_it_is_handed_over_and_the_head_coachs_all_along() {
    let hall = Hall::open().await;
    let [jo, ines, will] = ["Jo", "Ines", "Will"].map(|name| hall.key("coach", name));
    let kim = hall.key("assistant", "Kim");
    let mornings = hall.makes_group(&jo, "Mornings", &["Bo", "Ana"]).await;
    hall.makes_group(&hall.head, "Evenings", &[]).await;
    assert_eq!(hall.groups().await, ["Evenings: -, -: ", "Mornings: Jo, -: Ana Bo"]);
    // All coaches read it, and others change nothing of it.
    let path = format!("{GROUPS}/{mornings}");
    let read = hall.get(&kim, &path).await;
    assert_eq!(read.status, 200);
    let etag = read.header("etag").unwrap().to_owned();
    let ana = hall.id("Ana");
    for said in [
        hall.adds(&ines, &mornings, &["Ana"]).await,
        hall.hands_over(&ines, &mornings, &hall.coach("Ines").into()).await,
        hall.posts(&ines, &format!("{path}/end"), "", &Value::Null).await,
        hall.posts(&ines, &format!("{path}/members/{ana}/end"), "", &json!({})).await,
        hall.patches(&ines, &path, &etag, &json!({ "called": "Mine" })).await,
        hall.hands_over(&ines, &hall.group("Evenings"), &hall.coach("Ines").into()).await,
    ] {
        is_refused(&said, 403, "hand the group over");
    }
    // Nobody gets it who can do nothing with it, or is no coach.
    let nobody = uuid::Uuid::nil().to_string();
    for to in [hall.coach("Kim"), nobody.clone(), ana.clone()] {
        is_refused(&hall.hands_over(&jo, &mornings, &to.into()).await, 422, "null");
    }
    is_refused(&hall.hands_over(&jo, &mornings, &hall.coach("Jo").into()).await, 422, "already");
    is_refused(&hall.hands_over(&jo, &nobody, &Value::Null).await, 404, "group");

    let done = hall.hands_over(&jo, &mornings, &hall.coach("Ines").into()).await;
    assert_eq!(done.json()["says"], "Ines has the group Mornings now.");
    assert_eq!(hall.groups().await[1], "Mornings: Ines, -: Ana Bo");
    // Whoever has handed it over changes nothing any more, nor takes it back by undoing; whoever has it does.
    is_refused(&hall.adds(&jo, &mornings, &["Ana"]).await, 403, "hand the group over");
    for key in [&jo, &will] {
        is_refused(&hall.undoes(key, &done).await, 403, "hand the group over");
    }
    assert_eq!(hall.undoes(&ines, &done).await.status, 200);
    assert_eq!(hall.groups().await[1], "Mornings: Jo, -: Ana Bo");
    let done = hall.hands_over(&hall.head, &mornings, &hall.coach("Will").into()).await;
    assert_eq!(hall.undoes(&hall.head, &done).await.status, 200);
    assert_eq!(hall.groups().await[1], "Mornings: Jo, -: Ana Bo");

    // Of a coach who goes it is the head coach's, and the list says whose it was.
    let end = format!("DELETE /api/club/coaches/{}", hall.coach("Jo"));
    assert_eq!(hall.asks(&hall.head, &end, "", "").await.status, 200);
    assert_eq!(hall.groups().await[1], "Mornings: -, Jo: Ana Bo");
    is_refused(&hall.adds(&ines, &mornings, &["Ana"]).await, 403, "hand the group over");
    let done = hall.hands_over(&hall.head, &mornings, &hall.coach("Will").into()).await;
    assert_eq!(done.status, 200, "{done:?}");
    assert_eq!(hall.groups().await[1], "Mornings: Will, -: Ana Bo");
}

#[tokio::test]
async fn of_two_who_hand_a_group_over_at_once_one_does_and_it_is_done_once() {
    let hall = Hall::open().await;
    let [jo, _, _] = ["Jo", "Ines", "Will"].map(|name| hall.key("coach", name));
    let group = hall.makes_group(&jo, "Mornings", &["Ana"]).await;
    let path = format!("{GROUPS}/{group}/hand-over");
    let [ines, will] = ["Ines", "Will"].map(|name| json!({ "to": hall.coach(name) }));
    // The same from the same coach, doubled on its way, and another one from another tab.
    let (one, again, other) = tokio::join!(
        hall.posts(&jo, &path, "one", &ines),
        hall.posts(&jo, &path, "one", &ines),
        hall.posts(&jo, &path, "other", &will)
    );
    let mut said = [one.status, other.status];
    said.sort_unstable();
    assert_eq!(said, [200, 403], "{one:?} {other:?}");
    assert_eq!(one.status, again.status, "{again:?}");
    let handed = hall.done().iter().filter(|(kind, ..)| kind == "handed over").count();
    assert_eq!(handed, 1);
}

#[tokio::test]
async fn people_come_and_go_in_a_group_and_each_can_be_undone() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let group = hall.makes_group(&jo, "Mornings", &["Ana"]).await;
    let (ana, bo) = (hall.id("Ana"), hall.id("Bo"));
    let path = format!("{GROUPS}/{group}");
    let members = async || {
        let said = hall.get(&jo, &path).await.json();
        let line = |one: &Value| {
            format!("{} {} {}", one["called"], one["from"], one["until"]).replace('"', "")
        };
        said["members"].as_array().unwrap().iter().map(line).collect::<Vec<_>>()
    };
    assert_eq!(members().await, ["Ana 2026-11-01 null"]);
    // Whoever is in it stays as they are; alone it is no change.
    is_refused(&hall.adds(&jo, &group, &["Ana", "Ana"]).await, 422, "in this group already");
    let added = hall.adds(&jo, &group, &["Ana", "Bo"]).await;
    assert_eq!(added.json()["says"], "Bo was added to the group Mornings.");
    assert_eq!(members().await, ["Ana 2026-11-01 null", "Bo 2026-11-01 null"]);
    let end = async |person: &str, until: Value| {
        let body = if until.is_null() { json!({}) } else { json!({ "until": until }) };
        hall.posts(&jo, &format!("{path}/members/{person}/end"), "", &body).await
    };
    is_refused(&end(&bo, json!("2026-10-31")).await, 422, "They came on 2026-11-01");
    assert_eq!(end(&bo, json!("2026-11-31")).await.status, 400);
    let gone = end(&bo, json!("2026-11-02")).await;
    assert_eq!(gone.status, 200, "{gone:?}");
    assert_eq!(members().await, ["Ana 2026-11-01 null"]);
    is_refused(&end(&bo, Value::Null).await, 422, "not in this group any more");
    // What was done to the same later is undone first.
    is_refused(&hall.undoes(&jo, &added).await, 422, "undo that one first");
    assert_eq!(hall.undoes(&jo, &gone).await.status, 200);
    assert_eq!(hall.undoes(&jo, &added).await.status, 200);
    assert_eq!(members().await, ["Ana 2026-11-01 null"]);
    // Today is their last day, and until it is over they are in it; who comes again has not left.
    let gone = end(&ana, Value::Null).await;
    let [line] = &members().await[..] else { panic!("their last day is not over") };
    assert!(!line.ends_with("null"), "{line}");
    is_refused(&end(&ana, Value::Null).await, 422, "their last day already");
    assert_eq!(hall.adds(&jo, &group, &["Ana"]).await.status, 200);
    assert_eq!(members().await, ["Ana 2026-11-01 null"]);
    is_refused(&hall.undoes(&jo, &gone).await, 422, "undo that one first");

    // Nobody who is not there, or is to be deleted.
    for (body, status) in [
        (json!({ "people": [] }), 422),
        (json!({ "people": [uuid::Uuid::nil()] }), 422),
        (json!({ "people": vec![&bo; 301] }), 422),
        (json!({ "people": ["Bo"] }), 400),
        (json!({ "people": [&bo], "from": "today" }), 400),
        (json!({ "people": [&bo], "until": "2026-11-02" }), 400),
    ] {
        let said = hall.posts(&jo, &format!("{path}/members"), "", &body).await;
        is_refused(&said, status, "");
    }
    assert_eq!(hall.asks(&jo, &format!("DELETE /api/club/people/{bo}"), "", "").await.status, 200);
    is_refused(&hall.adds_id(&jo, &group, &bo).await, 422, "to be deleted");
    assert_eq!(hall.asks(&jo, &format!("DELETE /api/club/people/{ana}"), "", "").await.status, 200);
    assert_eq!(members().await, [""; 0], "hidden at once");
}

impl Hall {
    async fn adds_id(&self, key: &str, group: &str, person: &str) -> Said {
        let body = json!({ "people": [person] });
        self.posts(key, &format!("{GROUPS}/{group}/members"), "", &body).await
    }
}

#[tokio::test]
async fn a_group_that_is_ended_is_in_no_list_and_undone_it_is_as_it_was() {
    let hall = Hall::open().await;
    let [jo, ines] = ["Jo", "Ines"].map(|name| hall.key("coach", name));
    let group = hall.makes_group(&jo, "Mornings", &["Ana", "Bo"]).await;
    let path = format!("{GROUPS}/{group}");
    let before = hall.get(&jo, &path).await;
    let ended = hall.posts(&jo, &format!("{path}/end"), "", &Value::Null).await;
    assert_eq!(ended.json()["says"], "The group Mornings was ended.");
    assert_eq!(hall.groups().await, [""; 0]);
    for said in [
        hall.get(&jo, &path).await,
        hall.adds(&jo, &group, &["Ana"]).await,
        hall.posts(&jo, &format!("{path}/end"), "", &Value::Null).await,
        hall.hands_over(&jo, &group, &Value::Null).await,
    ] {
        is_refused(&said, 404, "group");
    }
    // Its name is free, and it is still nobody else's to bring back.
    hall.makes_group(&ines, "mornings", &[]).await;
    is_refused(&hall.undoes(&ines, &ended).await, 403, "hand the group over");
    assert_eq!(hall.undoes(&jo, &ended).await.status, 200);
    assert_eq!(hall.get(&jo, &path).await.body, before.body);
}

#[tokio::test]
async fn a_group_has_a_name_of_its_own_and_of_two_who_rename_it_the_second_reads_again() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let group = hall.makes_group(&jo, " Mornings ", &[]).await;
    hall.makes_group(&jo, "Evenings", &[]).await;
    let path = format!("{GROUPS}/{group}");
    let read = hall.get(&jo, &path).await;
    let etag = read.header("etag").unwrap();
    for (called, status) in
        [("", 422), ("EVENINGS", 422), ("a\u{202e}b", 422), ("a\nb", 422), (&"x".repeat(41), 422)]
    {
        let body = json!({ "called": called });
        is_refused(&hall.posts(&jo, GROUPS, "", &body).await, status, "");
        is_refused(&hall.patches(&jo, &path, etag, &body).await, status, "");
    }
    let said = hall.patches(&jo, &path, etag, &json!({ "called": "Early birds" })).await;
    assert_eq!((said.status, &said.json()["called"]), (200, &"Early birds".into()));
    let late = hall.patches(&hall.head, &path, etag, &json!({ "called": "Larks" })).await;
    is_refused(&late, 412, "read it again");
    let renamed = hall.deeds().into_iter().find(|deed| deed.kind.to_string() == "group renamed");
    let undo = format!("/api/club/deeds/{}/undo", renamed.unwrap().deed);
    assert_eq!(hall.posts(&jo, &undo, "", &Value::Null).await.status, 200);
    assert_eq!(hall.get(&jo, &path).await.body, read.body);
    // Made by mistake it goes again, unless somebody is in it by now.
    let made =
        hall.deeds().into_iter().rfind(|deed| deed.kind.to_string() == "group made").unwrap();
    let undo = format!("/api/club/deeds/{}/undo", made.deed);
    let added = hall.adds(&jo, &group, &["Ana"]).await;
    is_refused(&hall.posts(&jo, &undo, "", &Value::Null).await, 422, "end it");
    assert_eq!(hall.undoes(&jo, &added).await.status, 200);
    assert_eq!(hall.posts(&jo, &undo, "", &Value::Null).await.status, 200);
    assert_eq!(hall.get(&jo, &path).await.status, 404);
}
