//! Tables looked at, stored and written out over HTTP.

use data_encoding::BASE64;
use rusqlite::Connection;
use serde_json::{Value, json};
use thole_server::club::{Store, file};

use super::{Hall, roles::is_problem};

const PEOPLE: &str = "name;born\nAna;\nMira Falk;1988\nBo;2001\nNel Obi;19\n";

#[tokio::test]
async fn a_file_is_looked_at_line_by_line_and_stored_without_what_is_wrong() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let sent = json!({ "what": "people", "table": PEOPLE });
    let looked = hall.posts(&jo, "/api/club/import/look", "", &sent).await;
    let lines = looked.json();
    let verdicts: Vec<&str> = lines["lines"]
        .as_array()
        .unwrap()
        .iter()
        .map(|of| of["verdict"].as_str().unwrap())
        .collect();
    assert_eq!(verdicts, ["known", "new", "doubtful", "wrong"], "{looked:?}");
    let before = super::super::export(hall.data());
    // With a wrong line nothing is stored, unless that is said.
    let said = hall.posts(&jo, "/api/club/import", "i-1", &sent).await;
    assert!(
        said.status == 422 && said.body.contains("line 5") && said.body.contains("without_wrong"),
        "{said:?}"
    );
    is_problem(&said);
    assert_eq!(super::super::export(hall.data()), before);
    let chosen =
        json!({ "what": "people", "table": PEOPLE, "without_wrong": true, "doubtful": [4] });
    let said = hall.posts(&jo, "/api/club/import", "i-1", &chosen).await;
    let done = said.json();
    assert_eq!(
        (said.status, &done["stored"], &done["counts"]["wrong"]),
        (200, &2.into(), &1.into()),
        "{said:?}"
    );
    assert_eq!(hall.posts(&jo, "/api/club/import", "i-1", &chosen).await.body, said.body);
    // The same file once more has nothing new.
    let again = hall.posts(&jo, "/api/club/import", "i-2", &chosen).await.json();
    assert_eq!((&again["stored"], &again["deed"]), (&0.into(), &Value::Null), "{again}");
    let undo = format!("/api/club/deeds/{}/undo", done["deed"]);
    assert_eq!(hall.posts(&jo, &undo, "", &Value::Null).await.status, 200);
    assert_eq!(super::super::export(hall.data()), before);
}

#[tokio::test]
async fn what_is_written_out_goes_in_again_and_each_copy_is_listed() {
    let hall = Hall::open().await;
    let jo = hall.key("coach", "Jo");
    let mut tables = Vec::new();
    for what in ["people", "results"] {
        let said = hall.get(&jo, &format!("/api/club/export?what={what}")).await;
        assert_eq!((said.status, said.header("content-type")), (200, Some("text/csv")), "{said:?}");
        assert_eq!(said.header("cache-control"), Some("no-store"));
        // Nothing of it is new to the club that wrote it.
        for sent in [
            json!({ "what": what, "table": said.body }),
            json!({ "what": what, "table_base64": BASE64.encode(said.body.as_bytes()) }),
        ] {
            let looked = hall.posts(&jo, "/api/club/import/look", "", &sent).await.json();
            let lines = looked["lines"].as_array().unwrap();
            assert!(
                !lines.is_empty() && lines.iter().all(|of| of["verdict"] == "known"),
                "{looked}"
            );
        }
        tables.push(said.body);
    }
    // Into an empty club and out again: the same bytes.
    let other = tempfile::tempdir().unwrap();
    let mut store = Store::open(other.path()).unwrap();
    let doer = thole_club::Doer::at_the_command_line(1_796_212_800_000);
    for (kind, table) in
        [thole_club::table::TableKind::People, thole_club::table::TableKind::Results]
            .into_iter()
            .zip(&tables)
    {
        store.import(table.as_bytes(), kind, &Default::default(), &doer).unwrap();
        assert_eq!(store.table(kind).unwrap(), *table);
    }
    let club = Connection::open(file(hall.data())).unwrap();
    let mut select = club.prepare("SELECT who, what FROM looked ORDER BY what").unwrap();
    let rows = select.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)));
    let rows: Vec<(String, String)> = rows.unwrap().map(Result::unwrap).collect();
    let jos: String = club
        .query_row("SELECT coach FROM coach WHERE called = 'Jo'", [], |row| row.get(0))
        .unwrap();
    let kinds: Vec<&str> = rows.iter().map(|(_, what)| what.as_str()).collect();
    assert_eq!(kinds, ["export of people", "export of results"]);
    assert!(rows.iter().all(|(who, _)| *who == jos), "{rows:?}");
}

#[tokio::test]
async fn what_is_no_table_or_too_much_of_one_is_refused_with_what_to_do() {
    let hall = Hall::open().await;
    let (jo, ines) = (hall.key("coach", "Jo"), hall.key("assistant", "Ines"));
    let before = super::super::export(hall.data());
    for (body, status) in [
        (json!({ "what": "people" }), 422),
        (json!({ "what": "people", "table": "a", "table_base64": "YQ==" }), 422),
        (json!({ "what": "people", "table_base64": "not base64!" }), 422),
        (json!({ "what": "people", "table": "" }), 422),
        (json!({ "what": "people", "table": "name\u{0}born" }), 422),
        (json!({ "what": "boats", "table": "name\n" }), 400),
        (json!({ "what": "people", "table": "x".repeat(9 << 20) }), 413),
    ] {
        for path in ["/api/club/import/look", "/api/club/import"] {
            let said = hall.posts(&jo, path, "", &body).await;
            let shown: String = body.to_string().chars().take(80).collect();
            assert_eq!(said.status, status, "{path} {shown}: {said:?}");
            is_problem(&said);
        }
    }
    // A line that is not doubtful is not chosen.
    let chosen =
        json!({ "what": "people", "table": PEOPLE, "without_wrong": true, "doubtful": [99] });
    assert_eq!(hall.posts(&jo, "/api/club/import", "", &chosen).await.status, 422);
    assert_eq!(hall.get(&jo, "/api/club/export?what=boats").await.status, 400);
    assert_eq!(hall.get(&jo, "/api/club/export").await.status, 400);
    assert_eq!(super::super::export(hall.data()), before);
    // Of whoever may not, nothing is read, however long it is, and nothing is listed.
    let long = format!(
        "POST /api/club/import HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {ines}\r\nContent-Length: 8000000\r\nConnection: close\r\n\r\n"
    );
    let said = hall.says(&long).await;
    assert_eq!(said.status, 403, "{said:?}");
    assert_eq!(hall.get(&ines, "/api/club/export?what=people").await.status, 403);
    let club = Connection::open(file(hall.data())).unwrap();
    let many: u32 = club.query_row("SELECT count(*) FROM looked", [], |row| row.get(0)).unwrap();
    assert_eq!(many, 0);
}
