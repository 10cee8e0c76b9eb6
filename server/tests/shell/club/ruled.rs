//! What coaches rule about results of pieces, as the club has it.

use std::path::Path;

use thole_club::{
    Doer, Reach,
    table::{Choice, TableKind},
};
use thole_protocol::{
    ids::PieceNo, order::Order, spec::Target, standing::Unplaced, total::Total, units::Millis,
};
use thole_server::club::{
    Store, reading,
    rebuild::rebuild,
    store::{Listed, Positions},
};

use super::{
    command::told,
    evening::{Evening, opened},
    export, results,
};

const FIRST: PieceNo = PieceNo(0);
const WHY: &str = "read off the screen";
/// Some weeks after the evening.
const LATER_MS: u64 = 1_800_000_000_000;

fn why(reason: &str) -> String {
    reason.to_owned()
}

/// Ana was faster than her machine told, Bo rowed on another's, Cy out of competition; then it is official.
fn ruled() -> Evening {
    let mut evening = Evening::of(1, &["Ana", "Bo", "Cy", "Di"]);
    evening.row(true).settle();
    let finish = Total::Time { finish_ms: Millis(59_000) };
    let (ana, bo, cy) = (evening.athlete(1), evening.athlete(2), evening.athlete(3));
    evening.rules(Order::CorrectResult { piece: FIRST, athlete: ana, finish, reason: why(WHY) });
    let target = Some(Target::Finish { finish_ms: Millis(60_000) });
    let reason = why("meant for 300 m");
    evening.rules(Order::CorrectTarget { piece: FIRST, athlete: ana, target, reason });
    evening.rules(Order::Exclude { piece: FIRST, athlete: bo, reason: why("the other\nmachine") });
    evening.rules(Order::Unrank { piece: FIRST, athlete: cy, reason: why("as he wished") });
    evening.rules(Order::MakeOfficial { piece: FIRST });
    evening
}

/// The club takes each record as the session hands it on; what it has then.
async fn taken(data: &Path, evening: &mut Evening) -> Vec<Listed> {
    let journal = opened(data);
    evening.write(&journal).await;
    let read = reading::read(&journal, &evening.session_row()).await.unwrap();
    let mut store = Store::open(data).unwrap();
    for handed in &read.pieces {
        store.take(handed, Positions { before: 0, at: read.next - 1 }).unwrap();
    }
    let mut results = results(data);
    results.sort_by_key(|of| of.seat);
    results
}

#[tokio::test]
async fn what_a_coach_has_ruled_lasts_with_its_reason_and_whose_it_is_and_is_the_same_made_again() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let all = taken(data, &mut ruled()).await;
    let [ana, bo, cy, di] = all.as_slice() else { panic!("{} results", all.len()) };
    assert!(all.iter().all(|of| of.is_official));
    let official = di.official.as_ref().unwrap();
    assert_eq!(official.by.as_deref(), Some("Rosa"));
    assert!(official.at_unix_ms > di.at_unix_ms.unwrap());
    assert_eq!(ana.time_ms, Millis(59_000));
    assert_eq!(ana.ruling.measured.unwrap().time_ms, Millis(60_000));
    assert_eq!(ana.ruling.target_before.unwrap().target, None);
    let reasons: Vec<_> = ana.corrections.iter().map(|of| of.reason.as_deref().unwrap()).collect();
    assert_eq!(reasons, [WHY, "meant for 300 m"]);
    assert_eq!(bo.ruling.unplaced, Some(Unplaced::Excluded));
    assert_eq!(cy.ruling.unplaced, Some(Unplaced::Unranked));
    assert!(di.ruling.is_none() && di.corrections.is_empty());
    let told = told(data, &["results"]);
    for words in [
        "official; corrected, measured 1:00.0; target corrected, was none; because: read off the screen (Rosa)",
        "official; excluded; because: the other",
        "official; out of competition; because: as he wished (Rosa)",
    ] {
        assert!(told.contains(words), "{told}");
    }
    let before = export(data);
    assert!(before.contains("measured") && before.contains("Rosa"));
    rebuild(data).await.unwrap();
    assert_eq!(export(data), before);
    // A club that has lost all of it has it again from the journal.
    std::fs::remove_file(thole_server::club::file(data)).unwrap();
    drop(Store::open(data).unwrap());
    rebuild(data).await.unwrap();
    let again = results(data);
    assert_eq!(again.len(), 4);
    assert!(all.iter().all(|of| again.contains(of)));
}

#[tokio::test]
async fn a_ruling_that_was_undone_is_gone_and_the_newest_record_counts() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    evening.row(true).settle();
    let (piece, athlete) = (FIRST, evening.athlete(1));
    let excluded = evening.rules(Order::Exclude { piece, athlete, reason: why("a slip") });
    let out = taken(data, &mut evening).await;
    assert_eq!(out[0].ruling.unplaced, Some(Unplaced::Excluded));
    evening.rules(Order::Undo { ruling: excluded });
    let official = evening.rules(Order::MakeOfficial { piece });
    let done = taken(data, &mut evening).await;
    assert!(done[0].ruling.is_none() && done[0].corrections.is_empty() && done[0].is_official);
    evening.rules(Order::Undo { ruling: official });
    let open = taken(data, &mut evening).await;
    assert!(open.iter().all(|of| !of.is_official && of.official.is_none()));
    assert_eq!(export(data).matches("Rosa").count(), 0);
}

#[tokio::test]
async fn an_excluded_result_is_nobodys_best_and_goes_in_again_as_excluded() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let all = taken(data, &mut ruled()).await;
    let mut store = Store::open(data).unwrap();
    let doer = Doer::at_the_command_line(LATER_MS);
    for (nth, name) in (0..).zip(["Ana", "Bo", "Cy"]) {
        let person = store.add_person(name, None, &Doer::at_the_command_line(1)).unwrap();
        store.give(&all[nth], &person, None, Reach::Seat, &doer).unwrap();
    }
    let bests = |store: &Store| -> Vec<Vec<String>> {
        let best = |name: &str| {
            let bests = store.bests(&store.person(name).unwrap()).unwrap();
            bests.iter().map(|best| best.line()).collect()
        };
        ["Ana", "Bo", "Cy"].map(best).to_vec()
    };
    let expected = vec![
        vec!["300m: 0:59.0 on 2026-12-01".to_owned()],
        Vec::new(),
        vec!["300m: 1:08.0 on 2026-12-01".to_owned()],
    ];
    assert_eq!(bests(&store), expected);
    let table = store.table(TableKind::Results).unwrap();
    let other = tempfile::tempdir().unwrap();
    let mut there = Store::open(other.path()).unwrap();
    let people = store.table(TableKind::People).unwrap();
    for (kind, table) in [(TableKind::People, people), (TableKind::Results, table.clone())] {
        let done = there.import(table.as_bytes(), kind, &Choice::default(), &doer).unwrap();
        assert!(done.stored > 2, "{:?}", done.looked);
    }
    assert_eq!(there.table(TableKind::Results).unwrap(), table);
    let said: Vec<_> = bests(&there).concat();
    assert_eq!(said.len(), 2, "{said:?}");
}
