//! What was rowed by whoever came with a key is theirs in the club; a coach's word about it stands.

use thole_club::Reach;
use thole_server::club::{Store, rebuild::rebuild};

use super::{
    added,
    deeds::doer,
    evening::{Evening, opened},
    export, results,
    taking::takes,
};

fn owners(data: &std::path::Path) -> Vec<String> {
    let of = |of: thole_server::club::store::Listed| {
        let called = of.called.unwrap_or_default();
        format!("{called} {}", if of.person.is_some() { "theirs" } else { "a guest's" })
    };
    let mut all: Vec<String> = results(data).into_iter().map(of).collect();
    all.sort();
    all
}

#[tokio::test]
async fn what_is_rowed_after_coming_with_a_key_is_theirs_and_what_was_rowed_before_follows() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let ana = added(&mut Store::open(data).unwrap(), "Ana", None);
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    evening.row(true).settle();
    evening.write(&opened(data)).await;
    takes(data, || results(data).len() == 2).await;
    assert_eq!(owners(data), ["Ana a guest's", "Bo a guest's"]);
    evening.comes_by_key(1, ana.person).row(false).settle();
    evening.write(&opened(data)).await;
    takes(data, || results(data).len() == 4).await;
    assert_eq!(owners(data), ["Ana theirs", "Ana theirs", "Bo a guest's", "Bo a guest's"]);
    // The coach knows better: it was somebody else in that seat, and stays so however often the journal is read.
    let mut store = Store::open(data).unwrap();
    let of_ana = results(data).into_iter().find(|of| of.person.is_some()).unwrap();
    store.take_back(&of_ana, Reach::Seat, &doer(1)).unwrap();
    assert!(owners(data).iter().all(|of| of.ends_with("a guest's")));
    evening.row(false).settle();
    evening.write(&opened(data)).await;
    takes(data, || results(data).len() == 6).await;
    let before = export(data);
    rebuild(data).await.unwrap();
    assert_eq!(export(data), before);
    assert!(owners(data).iter().all(|of| of.ends_with("a guest's")), "{:?}", owners(data));
}

#[tokio::test]
async fn a_person_who_was_merged_or_is_not_there_any_more_gets_nothing_that_is_not_theirs() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut store = Store::open(data).unwrap();
    let (ana, twice) = (added(&mut store, "Ana", None), added(&mut store, "Ana Again", None));
    store.merge(&twice, &ana, &doer(1)).unwrap();
    drop(store);
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    let nobody = thole_club::PersonId(uuid::Uuid::from_u128(404));
    evening.comes_by_key(1, twice.person).comes_by_key(2, nobody).row(true).settle();
    evening.write(&opened(data)).await;
    takes(data, || results(data).len() == 2).await;
    assert_eq!(owners(data), ["Ana theirs", "Bo a guest's"]);
    let of_ana = results(data).into_iter().find(|of| of.person.is_some()).unwrap();
    assert_eq!(of_ana.person, Some(ana.person.to_string()));
}
