//! Results given, taken back and swapped, entries merged, and each undone: by coaches, from outside.

use serde_json::{Value, json};
use thole_server::club::Store;

use super::{Hall, roles::is_problem, theirs};

const RESULTS: &str = "/api/club/results";

impl Hall {
    pub(crate) fn id(&self, name: &str) -> String {
        let store = Store::open_read_only(self.data()).unwrap();
        store.person(name).unwrap().person.to_string()
    }

    /// Whose the results are that were rowed under a name: each person once, `-` for a guest's.
    fn owners(&self, called: &str) -> Vec<String> {
        let owner = |of: thole_server::club::store::Listed| match (of.person, of.name) {
            (Some(_), Some(name)) => name,
            (_, _) => "-".to_owned(),
        };
        theirs(self.data(), called).into_iter().map(owner).collect()
    }
}

#[tokio::test]
async fn results_are_given_swapped_and_taken_back_and_all_of_it_is_undone() {
    let hall = Hall::open().await;
    let (jo, ines) = (hall.key("coach", "Jo"), hall.key("assistant", "Ines"));
    let (ana, bo) = (hall.id("Ana"), hall.id("Bo"));
    let of = |name: &str| theirs(hall.data(), name).remove(0).result;
    let path = |name: &str, what: &str| format!("{RESULTS}/{}/{what}", of(name));
    let post = async |path: &str, body: &Value| hall.posts(&jo, path, "", body).await;

    let all = json!({ "person": ana, "all_of_the_evening": true });
    let done = post(&path("Cy", "give"), &all).await.json();
    assert_eq!((&done["results"], &done["says"]), (&2.into(), &"It is Ana's now.".into()));
    assert_eq!(hall.owners("Cy"), ["Ana", "Ana", "-", "-"]);
    // Nothing is taken from somebody who is not named.
    let to_bo = json!({ "person": bo, "all_of_the_evening": true });
    let said = post(&path("Cy", "give"), &to_bo).await;
    assert_eq!(said.status, 422);
    assert!(said.json()["detail"].as_str().unwrap().contains("from whom"), "{said:?}");
    is_problem(&said);
    let from_ana = json!({ "person": bo, "from": ana, "all_of_the_evening": false });
    let alone = post(&path("Cy", "give"), &from_ana).await.json();
    assert_eq!(
        (&alone["results"], &alone["says"]),
        (&1.into(), &"It was Ana's and is Bo's now.".into())
    );
    let deed = alone["deed"].as_u64().unwrap();
    let undone = post(&format!("/api/club/deeds/{deed}/undo"), &Value::Null).await.json();
    assert_eq!((&undone["undone_by"], &undone["can_be_undone"]), (&"Jo".into(), &false.into()));
    let again = post(&format!("/api/club/deeds/{deed}/undo"), &Value::Null).await;
    assert!(again.status == 422 && again.body.contains("undone already"), "{again:?}");

    let swap = json!({ "with": of("Bo"), "all_of_the_evening": true });
    let said = post(&path("Ana", "swap"), &swap).await;
    assert_eq!(said.json()["results"], 4, "{said:?}");
    assert_eq!(hall.owners("Ana"), ["Bo", "Bo", "Ana", "Ana"]);
    let back = json!({ "all_of_the_evening": true });
    assert_eq!(post(&path("Ana", "take-back"), &back).await.json()["results"], 2);
    assert_eq!(hall.owners("Ana").iter().filter(|name| *name == "-").count(), 2);

    // Newest first, each of Jo's, and an assistant may read them.
    let page = hall.get(&ines, "/api/club/deeds?most=2").await.json();
    let kinds: Vec<&str> =
        page["deeds"].as_array().unwrap().iter().map(|of| of["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["took_back", "swapped"]);
    let after = page["next"].as_str().unwrap();
    let rest = hall.get(&ines, &format!("/api/club/deeds?after={after}")).await.json();
    assert_eq!(rest["next"], Value::Null);
    let rest = rest["deeds"].as_array().unwrap();
    assert_eq!((&rest[0]["kind"], &rest[0]["who"]), (&"gave".into(), &"Jo".into()));
    assert_eq!((&rest[0]["undone_by"], &rest[1]["undone_by"]), (&"Jo".into(), &Value::Null));
    let numbers: Vec<u64> = rest.iter().map(|of| of["deed"].as_u64().unwrap()).collect();
    assert!(numbers.windows(2).all(|two| two[0] == two[1] + 1), "{numbers:?}");

    // An older one is not undone below a newer one; newest first all is as it was.
    let newest = page["deeds"][0]["deed"].as_u64().unwrap();
    let below = post(&format!("/api/club/deeds/{}/undo", newest - 1), &Value::Null).await;
    assert!(below.status == 422 && below.body.contains("undo that one first"), "{below:?}");
    for deed in [newest, newest - 1, newest - 3] {
        let said = post(&format!("/api/club/deeds/{deed}/undo"), &Value::Null).await;
        assert_eq!(said.status, 200, "{deed}: {said:?}");
    }
    assert_eq!(
        (hall.owners("Ana"), hall.owners("Cy")),
        (vec!["Ana".to_owned(); 4], vec!["-".to_owned(); 4])
    );
}

#[tokio::test]
async fn a_person_who_is_there_twice_is_made_one_and_keys_follow() {
    let hall = Hall::open().await;
    let (ana, bo) = (hall.id("Ana"), hall.id("Bo"));
    let bos = hall.key("person", "Bo");
    let path = format!("/api/club/people/{bo}/merge");
    let body = json!({ "into": ana });
    let said = hall.posts(&hall.head, &path, "m", &body).await;
    let done = said.json();
    assert_eq!(done["says"], "The entry Bo is one with Ana now.", "{said:?}");
    assert_eq!(hall.posts(&hall.head, &path, "m", &body).await.body, said.body);
    // Without a key of the asker's own it is asked anew, and makes no sense any more.
    let twice = hall.posts(&hall.head, &path, "", &body).await;
    assert!(twice.status == 422 && twice.body.contains("merged with another"), "{twice:?}");
    let me = hall.get(&bos, "/api/club/me").await.json();
    assert_eq!(me["person"]["called"], "Ana");
    let deed = done["deed"].as_u64().unwrap();
    let said =
        hall.posts(&hall.head, &format!("/api/club/deeds/{deed}/undo"), "", &Value::Null).await;
    assert_eq!(said.json()["undone_by"], "head coach", "{said:?}");
    assert_eq!(hall.get(&bos, "/api/club/me").await.json()["person"]["called"], "Bo");
    // Who was merged is not changed by that entry.
    hall.posts(&hall.head, &path, "", &body).await;
    let bo = format!("/api/club/people/{bo}");
    let etag = hall.get(&hall.head, &bo).await;
    let said = hall
        .patches(&hall.head, &bo, etag.header("etag").unwrap(), &json!({ "born_year": 2000 }))
        .await;
    assert!(said.status == 422 && said.body.contains("take that one"), "{said:?}");
}

#[tokio::test]
async fn what_is_not_there_and_what_lies_is_refused_and_nothing_is_changed() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let (ana, nobody) = (hall.id("Ana"), uuid::Uuid::nil().to_string());
    let anas = theirs(hall.data(), "Ana").remove(0).result;
    let before = (hall.done(), super::super::export(hall.data()));
    let give = |person: &str| json!({ "person": person, "all_of_the_evening": true });
    for (path, body, status) in [
        (format!("{RESULTS}/{nobody}/give"), give(&ana), 404),
        (format!("{RESULTS}/x/give"), give(&ana), 404),
        (format!("{RESULTS}/{anas}/give"), give(&nobody), 422),
        (format!("{RESULTS}/{anas}/give"), give(&ana), 422),
        (format!("{RESULTS}/{anas}/give"), give("ana"), 400),
        (format!("{RESULTS}/{anas}/give"), json!({ "person": ana }), 400),
        (
            format!("{RESULTS}/{anas}/swap"),
            json!({ "with": anas, "all_of_the_evening": true }),
            422,
        ),
        (
            format!("{RESULTS}/{anas}/swap"),
            json!({ "with": nobody, "all_of_the_evening": true }),
            422,
        ),
        (format!("/api/club/people/{ana}/merge"), json!({ "into": ana }), 422),
        (format!("/api/club/people/{ana}/merge"), json!({ "into": nobody }), 422),
        (format!("/api/club/people/{nobody}/merge"), json!({ "into": ana }), 404),
        ("/api/club/deeds/999/undo".to_owned(), Value::Null, 404),
        ("/api/club/deeds/-1/undo".to_owned(), Value::Null, 404),
        ("/api/club/deeds/4294967295/undo".to_owned(), Value::Null, 404),
    ] {
        let said = hall.posts(&jo, &path, "", &body).await;
        assert_eq!(said.status, status, "{path} {body}: {said:?}");
        is_problem(&said);
    }
    let said = hall.get(&jo, "/api/club/deeds?after=x").await;
    assert_eq!(said.status, 400);
    assert_eq!((hall.done(), super::super::export(hall.data())), before);
}
