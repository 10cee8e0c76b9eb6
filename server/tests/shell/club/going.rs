//! People who are to be deleted: hidden at once, as before when it is taken back, and gone only when nothing is open any more.

use std::path::Path;

use thole_club::{Doer, Reach, table::TableKind};
use thole_server::{
    club::{ClubError, Store, leaving, rebuild::rebuild},
    journal::Journal,
};

use super::{
    all,
    evening::{Evening, opened},
    export, results,
};

const NOW: u64 = 1_797_000_000_000;
const WEEK: u64 = 7 * 86_400_000;

fn coach() -> Doer {
    Doer { who: "Rosa".to_owned(), at_unix_ms: NOW }
}

/// One evening of Ana and Bo, who are people of the club.
async fn club(data: &Path, is_closed: bool) {
    let journal = opened(data);
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    evening.row(true).settle();
    if is_closed {
        evening.closes();
    }
    evening.write(&journal).await;
    drop(journal);
    rebuild(data).await.unwrap();
    let mut store = Store::open(data).unwrap();
    for name in ["Ana", "Bo"] {
        let person = store.add_person(name, None, &coach()).unwrap();
        let of = results(data).into_iter().find(|of| of.called.as_deref() == Some(name)).unwrap();
        store.give(&of, &person, None, Reach::Seat, &coach()).unwrap();
    }
}

#[tokio::test]
async fn who_is_to_be_deleted_is_in_no_list_and_all_is_as_before_when_it_is_taken_back() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    club(data, true).await;
    let before = export(data);
    let mut store = Store::open(data).unwrap();
    let ana = store.person("Ana").unwrap();
    let hers = results(data).into_iter().find(|of| of.person == Some(ana.person.to_string()));
    let hers = hers.unwrap();
    let counts = |store: &Store| {
        let view = store.view().unwrap();
        (view.people, store.people("").unwrap().len(), store.results(&all()).unwrap().len())
    };
    assert_eq!(counts(&store), (2, 2, 2));

    let going = store.go(ana.person, &coach()).unwrap();
    assert_eq!((going.runs_unix_ms, &*going.asked_by, going.is_own), (NOW + WEEK, "Rosa", false));
    // Asked once more by somebody else, later: it stands as it was asked first.
    let later = Doer { who: "Jo".to_owned(), at_unix_ms: NOW + 1 };
    assert_eq!(store.go(ana.person, &later).unwrap(), going);
    assert_eq!(store.all_going().unwrap(), [going]);
    assert_eq!(counts(&store), (1, 1, 1));
    assert_eq!(store.who(ana.person).unwrap(), None);
    assert!(store.whole_result(hers.result.parse().unwrap()).unwrap().is_none());
    for kind in [TableKind::People, TableKind::Results] {
        let table = store.table(kind).unwrap();
        assert!(!table.contains("Ana") && table.contains("Bo"), "{table}");
    }
    let bo = store.person("Bo").unwrap();
    let refused = |refused: Result<(), ClubError>| {
        let says = refused.unwrap_err().to_string();
        assert!(says.contains("is to be deleted"), "{says}");
    };
    refused(store.merge(&bo, &ana, &coach()).map(drop));
    refused(store.change_person(ana.person, &Default::default(), &coach()));
    refused(
        store.make_card(ana.person, thole_server::secret::SecretHash::of("x"), &coach()).map(drop),
    );
    // Giving her the seat was the third thing that was done here.
    let deeds = store.deeds(None, 10, NOW).unwrap();
    for deed in &deeds {
        assert!(!deed.people.contains(&"Ana".to_owned()), "{deed:?}");
    }
    let given = deeds.iter().find(|deed| deed.people.is_empty()).unwrap();
    refused(store.undo(given.deed, &coach()).map(drop));

    // Her name is free; while somebody else has it, she cannot come back under it.
    let other = store.add_person("Ana", None, &coach()).unwrap();
    let says = store.keep(ana.person).unwrap_err().to_string();
    assert!(says.contains("Somebody else has this name"), "{says}");
    let newest = store.deeds(None, 1, NOW).unwrap().remove(0);
    store.undo(newest.deed, &coach()).unwrap();
    assert_eq!(store.who(other.person).unwrap(), None);
    assert_eq!(store.keep(ana.person).unwrap().called, "Ana");
    assert_eq!(counts(&store), (2, 2, 2));
    assert_eq!(export(data), before);
    let says = store.keep(ana.person).unwrap_err().to_string();
    assert!(says.contains("is not to be deleted"), "{says}");
}

#[tokio::test]
async fn nobody_is_deleted_before_their_time_or_while_they_sit_in_an_open_session() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    club(data, false).await;
    let journal = opened(data);
    let mut store = Store::open(data).unwrap();
    let ana = store.person("Ana").unwrap().person;
    store.go(ana, &coach()).unwrap();
    assert!(leaving::look(&journal, None, data, NOW + WEEK - 1).await.unwrap().is_empty());
    assert_eq!(store.going(ana).unwrap().unwrap().waits, None);
    let waiting = leaving::look(&journal, None, data, NOW + WEEK).await.unwrap();
    let waits = waiting[0].waits.clone().unwrap();
    assert!(waits.contains("is still open: close it"), "{waits}");
    let said = journal.read(Evening::of(1, &[]).session(), 0).await.unwrap();
    assert_eq!(said.erased, 0);
    assert!(!data.join("gone").exists());
    // While it waits, it can still be taken back.
    store.keep(ana).unwrap();
    assert_eq!(store.people("").unwrap().len(), 2);
}
