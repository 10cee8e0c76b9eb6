//! People added and changed, twice, at once, by whoever may not, and with what cannot be.

use serde_json::{Value, json};
use thole_protocol::club::Deed;
use thole_server::club::Store;

use super::{Hall, Said, roles::is_problem};

const PEOPLE: &str = "/api/club/people";

impl Hall {
    /// Sends this, under a key of the asker's own.
    pub(crate) async fn posts(&self, key: &str, path: &str, once: &str, body: &Value) -> Said {
        let once = match once {
            "" => String::new(),
            once => format!("Idempotency-Key: {once}\r\n"),
        };
        self.asks(key, &format!("POST {path}"), &once, &body.to_string()).await
    }

    /// Changes what was read under this tag.
    pub(crate) async fn patches(&self, key: &str, path: &str, etag: &str, body: &Value) -> Said {
        let if_match = format!("If-Match: {etag}\r\n");
        self.asks(key, &format!("PATCH {path}"), &if_match, &body.to_string()).await
    }

    /// What was done, newest first.
    pub(crate) fn deeds(&self) -> Vec<Deed> {
        Store::open_read_only(self.data()).unwrap().deeds(None, 100, 1).unwrap()
    }

    /// The same: what, by whom, to whom.
    pub(crate) fn done(&self) -> Vec<(String, String, String)> {
        let told = |deed: Deed| (deed.kind.to_string(), deed.who, deed.people.join(", "));
        self.deeds().into_iter().map(told).collect()
    }

    fn names(&self) -> Vec<String> {
        let people = Store::open_read_only(self.data()).unwrap().people("").unwrap();
        people.into_iter().map(|line| line.person.called).collect()
    }
}

fn deed(kind: &str, who: &str, whom: &str) -> (String, String, String) {
    (kind.to_owned(), who.to_owned(), whom.to_owned())
}

#[tokio::test]
async fn a_coach_adds_and_changes_people_and_the_list_of_deeds_says_who_did() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let said =
        hall.posts(&jo, PEOPLE, "", &json!({ "called": " Mira Falk ", "born_year": 1988 })).await;
    assert_eq!(said.status, 200, "{said:?}");
    let mira = said.json();
    assert_eq!((&mira["called"], &mira["born_year"]), (&"Mira Falk".into(), &1988.into()));
    let path = format!("{PEOPLE}/{}", mira["person"].as_str().unwrap());
    let read = hall.get(&jo, &path).await;
    assert_eq!(read.json(), mira);
    let etag = read.header("etag").unwrap();
    let change = json!({ "called": "Mira Ostby", "born_year": null, "hall_name": "Mira O." });
    let said = hall.patches(&hall.head, &path, etag, &change).await;
    let now = said.json();
    assert_eq!(
        (said.status, &now["called"], &now["born_year"], &now["hall_name"]),
        (200, &"Mira Ostby".into(), &Value::Null, &"Mira O.".into())
    );
    let read = hall.get(&jo, &path).await;
    assert_eq!((read.json(), read.header("etag")), (now, said.header("etag")));
    // What is left out stays.
    let said =
        hall.patches(&jo, &path, read.header("etag").unwrap(), &json!({ "born_year": 1989 })).await;
    assert_eq!(
        (&said.json()["hall_name"], &said.json()["born_year"]),
        (&"Mira O.".into(), &1989.into())
    );
    // And what is so already is no deed.
    hall.patches(&jo, &path, said.header("etag").unwrap(), &json!({ "born_year": 1989 })).await;
    let her = "Mira Ostby";
    assert_eq!(
        hall.done()[..3],
        [deed("changed", "Jo", her), deed("changed", "head coach", her), deed("added", "Jo", her)]
    );
}

#[tokio::test]
async fn what_is_asked_twice_under_one_key_is_done_once_also_at_once_and_after_a_restart() {
    let hall = Hall::open().await;
    let (jo, ines) = (hall.key("coach", "Jo"), hall.key("coach", "Ines"));
    let mira = json!({ "called": "Mira Falk" });
    let [first, second, third] = [
        hall.posts(&jo, PEOPLE, "\"a-1\"", &mira),
        hall.posts(&jo, PEOPLE, "\"a-1\"", &mira),
        hall.posts(&jo, PEOPLE, "\"a-1\"", &mira),
    ];
    let (first, second, third) = tokio::join!(first, second, third);
    assert_eq!(first.status, 200, "{first:?}");
    assert_eq!((&first.body, &first.body), (&second.body, &third.body));
    // With other spaces it is the same.
    let line = format!("POST {PEOPLE}");
    let once = "Idempotency-Key: \"a-1\"\r\n";
    let said = hall.asks(&jo, &line, once, "{ \"called\":\n\"Mira Falk\" }").await;
    assert_eq!(said.body, first.body);
    // Something else under the same key is not done, by whatever path.
    let said = hall.posts(&jo, PEOPLE, "\"a-1\"", &json!({ "called": "Nel" })).await;
    assert_eq!((said.status, said.json()["type"].as_str()), (422, Some("urn:thole:reused")));
    is_problem(&said);
    // The key is the asker's: another coach means something of their own by it.
    let said = hall.posts(&ines, PEOPLE, "\"a-1\"", &json!({ "called": "Nel" })).await;
    assert_eq!(said.status, 200, "{said:?}");
    // What was refused was not done, and may be done under the same key later.
    let said = hall.posts(&jo, PEOPLE, "a-2", &json!({ "called": "Nel" })).await;
    assert_eq!(said.status, 422);
    let said = hall.posts(&jo, PEOPLE, "a-2", &json!({ "called": "Nel B." })).await;
    assert_eq!(said.status, 200);
    // Without a key each is a thing of its own.
    assert_eq!(hall.posts(&jo, PEOPLE, "", &mira).await.status, 422);
    assert_eq!(hall.names(), ["Ana", "Bo", "Mira Falk", "Nel", "Nel B."]);
    // It lasts as what was done does: another process reads it from the file.
    let kept = rusqlite::Connection::open(thole_server::club::file(hall.data())).unwrap();
    let text: String = kept
        .query_row("SELECT answer FROM kept_answer WHERE idempotency_key = '\"a-1\"' AND answer LIKE '%Mira%'", [], |row| row.get(0))
        .unwrap();
    assert_eq!(text, first.body);
}

#[tokio::test]
async fn of_two_coaches_who_change_the_same_the_second_one_reads_again() {
    let hall = Hall::open().await;
    let (jo, ines) = (hall.key("coach", "Jo"), hall.key("coach", "Ines"));
    let ana = Store::open_read_only(hall.data()).unwrap().person("Ana").unwrap().person;
    let path = format!("{PEOPLE}/{ana}");
    let etag = hall.get(&jo, &path).await.header("etag").unwrap().to_owned();
    let (year, name) = (json!({ "born_year": 2009 }), json!({ "called": "Ana Lima" }));
    let (one, other) = tokio::join!(
        hall.patches(&jo, &path, &etag, &year),
        hall.patches(&ines, &path, &etag, &name)
    );
    let mut both = [one.status, other.status];
    both.sort_unstable();
    assert_eq!(both, [200, 412], "{one:?} {other:?}");
    let late = if one.status == 412 { &one } else { &other };
    assert!(late.json()["detail"].as_str().unwrap().contains("read it again"), "{late:?}");
    is_problem(late);
    let now = hall.get(&jo, &path).await;
    let new = now.header("etag").unwrap();
    assert_eq!(hall.patches(&jo, &path, new, &year).await.status, 200);
    for (etag, status) in [("", 400), ("*", 428), ("\"x\"", 412), (&*format!("W/{new}"), 412)] {
        let said = hall.patches(&jo, &path, etag, &name).await;
        assert_eq!(said.status, status, "{etag}: {said:?}");
        is_problem(&said);
    }
    let said = hall.asks(&jo, &format!("PATCH {path}"), "", &name.to_string()).await;
    assert_eq!(said.status, 428, "{said:?}");
    let nobody = format!("{PEOPLE}/{}", uuid::Uuid::nil());
    assert_eq!(hall.patches(&jo, &nobody, new, &name).await.status, 404);
}

#[tokio::test]
async fn nobody_gets_a_name_that_cannot_be_read_is_taken_or_hides_another() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let ana = Store::open_read_only(hall.data()).unwrap().person("Ana").unwrap().person;
    let path = format!("{PEOPLE}/{ana}");
    let read = hall.get(&jo, &path).await;
    let etag = read.header("etag").unwrap();
    for (body, status) in [
        (json!({ "called": "" }), 422),
        (json!({ "called": "two\nlines" }), 422),
        (json!({ "called": "a\u{202e}nA" }), 422),
        (json!({ "called": "nul\u{0}" }), 422),
        (json!({ "called": "x".repeat(41) }), 422),
        (json!({ "called": "BO" }), 422),
        (json!({ "called": "Nel", "born_year": 1 }), 422),
        (json!({ "called": "Nel", "born_year": 70_000 }), 400),
        (json!({ "called": "Nel", "role": "head" }), 400),
        (json!({ "called": ["Nel"] }), 400),
        (json!({ "called": "x".repeat(70_000) }), 413),
        (Value::Null, 400),
    ] {
        for said in
            [hall.posts(&jo, PEOPLE, "", &body).await, hall.patches(&jo, &path, etag, &body).await]
        {
            // A change that says no name is one.
            assert_eq!(said.status, status, "{body}: {said:?}");
            is_problem(&said);
        }
    }
    let said = hall.patches(&jo, &path, etag, &json!({ "hall_name": "\u{7}" })).await;
    assert_eq!(said.status, 422, "{said:?}");
    for once in ["", "ü", &"x".repeat(101), "a\r\nIdempotency-Key: b"] {
        let once = format!("Idempotency-Key: {once}\r\n");
        let said = hall.asks(&jo, &format!("POST {PEOPLE}"), &once, "{\"called\":\"Nel\"}").await;
        assert_eq!(said.status, 400, "{once}: {said:?}");
        is_problem(&said);
    }
    assert_eq!(hall.get(&jo, &path).await.body, read.body);
    assert_eq!(hall.names(), ["Ana", "Bo"]);
}
