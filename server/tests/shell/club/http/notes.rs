//! Notes over HTTP: who reads them, who removes them, and that they go with whom they are about.

use serde_json::{Value, json};

use super::{Hall, Said, roles::is_problem};

const NOTES: &str = "/api/club/notes";

impl Hall {
    /// A note by its words; nobody's identity when there is none.
    pub(crate) fn note(&self, words: &str) -> String {
        self.one("SELECT note FROM note WHERE words = ?1", words)
    }

    /// Has a coach write a note.
    pub(crate) async fn writes(
        &self,
        key: &str,
        about: &Value,
        readers: &str,
        words: &str,
    ) -> Said {
        let body = json!({ "about": about, "words": words, "readers": readers });
        self.posts(key, NOTES, "", &body).await
    }

    /// The words of notes that are listed here.
    async fn words(&self, key: &str, path: &str) -> Vec<String> {
        let said = self.get(key, path).await;
        assert_eq!(said.status, 200, "{said:?}");
        let all = said.json()["notes"].as_array().unwrap().clone();
        let mut words: Vec<String> =
            all.iter().map(|note| note["words"].as_str().unwrap().to_owned()).collect();
        words.sort();
        words
    }
}

#[tokio::test]
async fn what_is_for_the_coach_of_a_group_goes_with_the_group() {
    let hall = Hall::open().await;
    let [jo, ines] = ["Jo", "Ines"].map(|name| hall.key("coach", name));
    let (kim, ana, bo) =
        (hall.key("assistant", "Kim"), hall.key("person", "Ana"), hall.key("person", "Bo"));
    let group = hall.makes_group(&jo, "Mornings", &["Ana"]).await;
    let about = json!({ "group": group });
    for (readers, words) in [
        ("author", "mine"),
        ("group", "whoever has it"),
        ("coaches", "all coaches"),
        ("person", "all in it"),
    ] {
        let said = hall.writes(&jo, &about, readers, words).await;
        assert_eq!((said.status, &said.json()["by"]), (200, &"Jo".into()), "{said:?}");
    }
    let list = format!("{NOTES}?group={group}");
    let all = ["all coaches", "all in it"];
    assert_eq!(
        hall.words(&jo, &list).await,
        ["all coaches", "all in it", "mine", "whoever has it"]
    );
    assert_eq!(hall.words(&hall.head, &list).await, ["all coaches", "all in it", "whoever has it"]);
    assert_eq!(hall.words(&ines, &list).await, all);
    assert_eq!(hall.words(&kim, &list).await, all);
    assert_eq!(hall.words(&ana, "/api/club/me/notes").await, ["all in it"]);
    assert_eq!(hall.words(&bo, "/api/club/me/notes").await, [""; 0]);
    // Nobody else writes for whoever has the group.
    let said = hall.writes(&ines, &about, "group", "from outside").await;
    assert_eq!(said.status, 403, "{said:?}");

    let done = hall.hands_over(&jo, &group, &hall.coach("Ines").into()).await;
    assert_eq!(hall.words(&ines, &list).await, ["all coaches", "all in it", "whoever has it"]);
    assert_eq!(hall.words(&jo, &list).await, ["all coaches", "all in it", "mine"]);
    // What they may not read any more they cannot remove either, though it is theirs.
    let remove = async |key: &str, words: &str| {
        hall.asks(key, &format!("DELETE {NOTES}/{}", hall.note(words)), "", "").await
    };
    assert_eq!(remove(&jo, "whoever has it").await.status, 404);
    assert_eq!(remove(&kim, "all coaches").await.status, 403);
    assert_eq!(remove(&ines, "mine").await.status, 404);
    let gone = remove(&ines, "whoever has it").await;
    assert_eq!(gone.status, 200, "{gone:?}");
    // Nor brings it back.
    assert_eq!(hall.undoes(&jo, &gone).await.status, 403);
    assert_eq!(hall.undoes(&ines, &gone).await.status, 200);
    assert_eq!(hall.undoes(&ines, &done).await.status, 200);
    assert_eq!(hall.words(&ines, &list).await, all);

    // Whoever is not in it any more reads nothing that is meant for it.
    let end = format!("/api/club/groups/{group}/members/{}/end", hall.id("Ana"));
    let said = hall.posts(&jo, &end, "", &json!({ "until": "2026-11-02" })).await;
    assert_eq!(said.status, 200, "{said:?}");
    assert_eq!(hall.words(&ana, "/api/club/me/notes").await, [""; 0]);
    let said = hall.get(&ana, "/api/club/me/data").await.json();
    assert_eq!((&said["groups"][0]["until"], &said["notes"]), (&"2026-11-02".into(), &Value::Null));
    // What a coach who goes has kept for themselves the head coach reads.
    let end = format!("DELETE /api/club/coaches/{}", hall.coach("Jo"));
    assert_eq!(hall.asks(&hall.head, &end, "", "").await.status, 200);
    assert!(hall.words(&hall.head, &list).await.contains(&"mine".to_owned()));
    assert_eq!(hall.words(&ines, &list).await, all);
}

#[tokio::test]
async fn people_read_what_is_meant_for_them_and_find_all_that_is_about_them_in_their_data() {
    let hall = Hall::open().await;
    let [jo, ines] = ["Jo", "Ines"].map(|name| hall.key("coach", name));
    let (ana, bo) = (hall.key("person", "Ana"), hall.key("person", "Bo"));
    let about = json!({ "person": hall.id("Ana") });
    for (readers, words) in
        [("author", "mine"), ("coaches", "ours"), ("person", "hers\n\n2nd line")]
    {
        assert_eq!(hall.writes(&jo, &about, readers, words).await.status, 200);
    }
    let list = format!("{NOTES}?person={}", hall.id("Ana"));
    assert_eq!(hall.words(&jo, &list).await, ["hers\n\n2nd line", "mine", "ours"]);
    assert_eq!(hall.words(&ines, &list).await, ["hers\n\n2nd line", "ours"]);
    assert_eq!(hall.words(&ana, "/api/club/me/notes").await, ["hers\n\n2nd line"]);
    assert_eq!(hall.words(&ana, "/api/club/me/data").await, ["hers\n\n2nd line", "mine", "ours"]);
    assert_eq!(hall.words(&bo, "/api/club/me/notes").await, [""; 0]);
    // Of somebody who was in the club twice it is theirs.
    let twice = hall.posts(&jo, "/api/club/people", "", &json!({ "called": "Anna" })).await.json();
    let twice = twice["person"].as_str().unwrap();
    hall.writes(&ines, &json!({ "person": twice }), "person", "to Anna").await;
    let merge = format!("/api/club/people/{twice}/merge");
    let merged = hall.posts(&jo, &merge, "", &json!({ "into": hall.id("Ana") })).await;
    assert_eq!(merged.status, 200, "{merged:?}");
    assert_eq!(hall.words(&ana, "/api/club/me/notes").await, ["hers\n\n2nd line", "to Anna"]);
    // Removed, it is there again when that is undone; not by whom it is not.
    let path = format!("DELETE {NOTES}/{}", hall.note("ours"));
    assert_eq!(hall.asks(&ines, &path, "", "").await.status, 403);
    let gone = hall.asks(&jo, &path, "", "").await;
    assert_eq!(gone.json()["says"], "A note about Ana was removed.");
    assert_eq!(hall.words(&ines, &list).await, ["hers\n\n2nd line", "to Anna"]);
    assert_eq!(hall.undoes(&jo, &gone).await.status, 200);
    assert_eq!(hall.words(&ines, &list).await.len(), 3);
    // Hidden with the person, and read by them until they are gone.
    let delete = format!("DELETE /api/club/people/{}", hall.id("Ana"));
    assert_eq!(hall.asks(&jo, &delete, "", "").await.status, 200);
    assert_eq!(hall.get(&jo, &list).await.status, 404);
    assert_eq!(hall.asks(&jo, &path, "", "").await.status, 404);
    assert_eq!(hall.words(&ana, "/api/club/me/notes").await.len(), 2);
}

#[tokio::test]
async fn a_note_is_about_something_and_says_something() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let session = hall.one("SELECT session FROM session WHERE ?1 <> '' LIMIT 1", "any");
    let (ana, nobody) = (hall.id("Ana"), uuid::Uuid::nil());
    let evening = json!({ "session": session });
    assert_eq!(hall.writes(&jo, &evening, "coaches", "Wind from the door.").await.status, 200);
    let listed = hall.words(&hall.head, &format!("{NOTES}?session={session}")).await;
    assert_eq!(listed, ["Wind from the door."]);
    let ana = json!({ "person": ana });
    for (about, readers, words, status) in [
        (&ana, "coaches", "", 422),
        (&ana, "coaches", "\u{200b}", 422),
        (&ana, "coaches", "a\u{202e}b", 422),
        (&ana, "coaches", "a\u{0}b", 422),
        (&ana, "coaches", &*"x".repeat(2_001), 422),
        (&ana, "group", "for a group", 422),
        (&evening, "person", "for all of them", 422),
        (&evening, "everybody", "no such readers", 400),
        (&json!({ "person": nobody }), "coaches", "nobody", 422),
        (&json!({ "group": nobody }), "coaches", "no group", 422),
        (&json!({ "session": nobody }), "coaches", "no session", 422),
        (&json!({ "class": nobody }), "coaches", "no such thing", 400),
        (&json!({}), "coaches", "nothing", 400),
    ] {
        let said = hall.writes(&jo, about, readers, words).await;
        assert_eq!(said.status, status, "{about} {readers} {words:?}: {said:?}");
        is_problem(&said);
    }
    let long = "ä".repeat(2_000);
    assert_eq!(hall.writes(&jo, &ana, "coaches", &long).await.status, 200);
    for query in ["", &format!("?session={session}&person={nobody}"), "?person=Ana"] {
        let said = hall.get(&jo, &format!("{NOTES}{query}")).await;
        assert!([400, 422].contains(&said.status), "{query}: {said:?}");
        is_problem(&said);
    }
    let none = hall.asks(&jo, &format!("DELETE {NOTES}/{nobody}"), "", "").await;
    assert_eq!(none.status, 404);
}
