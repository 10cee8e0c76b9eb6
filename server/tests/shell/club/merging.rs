//! Two entries of one person are made one, and two again.

use thole_club::{DeedNo, Reach};
use thole_server::club::{Store, file, rebuild::rebuild};

use super::{
    added,
    deeds::{begun, doer, of, rowed, says, whose},
    export,
};

/// What an entry has beside results.
const MORE: &str = "
    INSERT INTO key (club, key, person, hash, from_unix_ms) SELECT club, 'k' || called, person, 'h' || called, 1 FROM person;
    INSERT INTO consent (club, consent, person, what, choice, wording, day)
        SELECT club, 'c' || called, person, 'heart_rate', 'yes', 1, '2026-11-30' FROM person;
    INSERT INTO \"group\" (club, \"group\", called) SELECT club, 'g', 'Mondays' FROM club;
    INSERT INTO membership SELECT club, 'g', person, '2026-11-01', NULL FROM person;
    INSERT INTO attendance (club, person, day, state) SELECT club, person, '2026-11-30', 'came' FROM person;
    INSERT INTO attendance (club, person, day, state) SELECT club, person, CASE called WHEN 'Ana Lima' THEN '2026-11-10' ELSE '2026-11-11' END, 'excused' FROM person;
    INSERT INTO note (club, note, person, words, readers, said_unix_ms)
        SELECT club, 'n' || called, person, 'Sits tall.', 'coaches', 1 FROM person;
    UPDATE person SET heart_limit_bpm = 170, easy_until_day = '2026-12-24', language = 'de' WHERE called = 'Bo Quist';
    UPDATE person SET heart_limit_bpm = 180, easy_until_day = '2026-12-06' WHERE called = 'Ana Lima';";

fn keys(store: &rusqlite::Connection) -> Vec<String> {
    let sql = "SELECT k.key || ' ' || p.called FROM key AS k JOIN person AS p ON p.person = k.person ORDER BY 1";
    let mut select = store.prepare(sql).unwrap();
    select.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
}

#[tokio::test]
async fn a_merged_entry_gives_all_it_has_and_undone_each_has_again_what_was_theirs() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    // Bo was in the club before as Ana, by another name.
    let (mut store, ana, bo) = begun(data).await;
    store.give(&of(data, "Ana", 0), &ana, None, Reach::Seat, &doer(0)).unwrap();
    store.give(&of(data, "Bo", 0), &bo, None, Reach::Seat, &doer(0)).unwrap();
    store.type_result(&bo, &rowed("2026-11-02", "2000m", "7:42.3"), None, &doer(0)).unwrap();
    let beside = rusqlite::Connection::open(file(data)).unwrap();
    beside.execute_batch(MORE).unwrap();
    let (before, keys_before) = (export(data), keys(&beside));

    assert!(says(store.merge(&ana, &ana, &doer(0))).contains("one entry already"));
    let merged = store.merge(&bo, &ana, &doer(0)).unwrap();
    assert_eq!(merged.results, 3);
    assert_eq!(
        whose(data),
        [
            "Ana 0: Ana Lima",
            "Ana 1: Ana Lima",
            "Bo 0: Ana Lima",
            "Bo 1: Ana Lima",
            "Bo Quist 9: Ana Lima",
            "Cy 0: -",
            "Cy 1: -"
        ]
    );
    assert_eq!(keys(&beside), ["kAna Lima Ana Lima", "kBo Quist Ana Lima"]);
    let count = |sql: &str| beside.query_row(sql, [], |row| row.get::<_, u32>(0)).unwrap();
    let hers = |table: &str| {
        count(&format!(
            "SELECT count(*) FROM {table} AS t JOIN person AS p USING (person) WHERE p.called = 'Ana Lima'"
        ))
    };
    assert_eq!(
        (hers("consent"), hers("membership"), hers("attendance"), hers("note")),
        (2, 1, 3, 2)
    );
    assert_eq!(
        count(
            "SELECT count(*) FROM person WHERE called = 'Ana Lima' AND heart_limit_bpm = 170 AND easy_until_day = '2026-12-24' AND language = 'de' AND born_year = 2009"
        ),
        1
    );
    let people = store.people("").unwrap();
    assert_eq!(
        people.iter().map(|line| line.person.called.as_str()).collect::<Vec<_>>(),
        ["Ana Lima"]
    );
    assert!(says(store.person("Bo Quist")).contains("nobody called"));
    assert!(says(store.merge(&bo, &ana, &doer(0))).contains("was merged"));
    assert!(
        says(store.give(&of(data, "Cy", 0), &bo, None, Reach::Seat, &doer(0)))
            .contains("was merged")
    );
    let whole = export(data);
    rebuild(data).await.unwrap();
    assert_eq!(export(data), whole);
    assert_eq!(store.check().unwrap(), Vec::<String>::new());

    // Earlier things that were done to what has moved wait for it.
    assert!(says(store.undo(DeedNo(4), &doer(0))).contains("Number 6 was done to the same"));
    // What has come since to the one that is left stays there.
    let since =
        store.type_result(&ana, &rowed("2026-11-30", "500m", "1:50"), None, &doer(1)).unwrap();
    assert!(says(store.undo(merged.deed, &doer(31))).contains("no more"));
    store.undo(merged.deed, &doer(29)).unwrap();
    assert_eq!(keys(&beside), keys_before);
    let hers = store.bests(&ana).unwrap();
    assert_eq!(hers.iter().map(|best| best.work.as_str()).collect::<Vec<_>>(), ["300m", "500m"]);
    store.undo(since.deed, &doer(29)).unwrap();
    assert_eq!(export(data), before);
    assert_eq!(store.check().unwrap(), Vec::<String>::new());
}

#[tokio::test]
async fn who_was_merged_into_somebody_who_is_merged_points_to_the_last() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut store = Store::open(data).unwrap();
    let [ana, bo, cy] = ["Ana", "Bo", "Cy"].map(|name| added(&mut store, name, None));
    store.type_result(&ana, &rowed("2026-11-02", "2000m", "7:42.3"), None, &doer(0)).unwrap();
    let before = export(data);
    let first = store.merge(&ana, &bo, &doer(0)).unwrap();
    let second = store.merge(&bo, &cy, &doer(0)).unwrap();
    assert_eq!(export(data).matches(&format!("\"merged_into\":\"{}\"", cy.person)).count(), 2);
    assert!(says(store.undo(first.deed, &doer(0))).contains("undo that one first"));
    store.undo(second.deed, &doer(0)).unwrap();
    store.undo(first.deed, &doer(0)).unwrap();
    assert_eq!(export(data), before);
}
