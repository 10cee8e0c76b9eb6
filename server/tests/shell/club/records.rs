//! Records of pieces that reach the store twice, out of order, or not at all.

use std::path::Path;

use thole_club::{Handed, Seating, Sitter};
use thole_piece::settled::SeatNo;
use thole_protocol::{ids::AthleteId, units::Millis};
use thole_server::{
    club::{
        Store,
        reading::{self, Reading},
        store::Positions,
    },
    journal::{Journal, sqlite::SqliteJournal},
};
use uuid::Uuid;

use super::{evening::evenings, export, told};

/// Two pieces of one evening of Ana, Bo and Cy, and a club that knows nothing of them.
async fn begun(data: &Path) -> (Store, Reading) {
    evenings(data, 1, &["Ana", "Bo", "Cy"]).await;
    let journal = SqliteJournal::open_read_only(data).unwrap();
    let row = journal.sessions().await.unwrap().pop().unwrap();
    let read = reading::read(&journal, &row).await.unwrap();
    (Store::open(data).unwrap(), read)
}

/// The same piece according to a later record: everybody a second slower.
fn later(handed: &Handed) -> Handed {
    let mut later = handed.clone();
    later.settled.revision += 1;
    later.settled.seats.iter_mut().for_each(|seat| seat.time_ms = seat.time_ms + Millis(1_000));
    later
}

const FIRST: Positions = Positions { before: 0, at: 100 };
const SECOND: Positions = Positions { before: 101, at: 200 };

#[tokio::test]
async fn twice_is_once_and_the_newest_record_counts_whichever_comes_last() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, read) = begun(folder.path()).await;
    let first = &read.pieces[0];
    store.take(first, FIRST).unwrap();
    let once = export(folder.path());
    store.take(first, FIRST).unwrap();
    assert_eq!(export(folder.path()), once);
    let newer = later(first);
    store.take(&newer, SECOND).unwrap();
    let counts = ["Ana 0 61000 2", "Bo 0 65000 2", "Cy 0 69000 2"];
    assert_eq!(told(folder.path()), counts);
    store.take(first, FIRST).unwrap();
    assert_eq!(told(folder.path()), counts, "the older one came again");
    // Cy was taken off the roster: the newest record has nothing about him.
    let mut without = later(&newer);
    without.settled.seats.pop();
    store.take(&without, Positions { before: 201, at: 300 }).unwrap();
    assert_eq!(told(folder.path()), ["Ana 0 62000 3", "Bo 0 66000 3"]);
}

#[tokio::test]
async fn a_record_before_which_one_was_missed_is_taken_and_the_missed_one_is_not_forgotten() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, read) = begun(folder.path()).await;
    let session = read.pieces[0].session;
    assert!(store.positions("a life").unwrap().is_empty());
    store.take(&read.pieces[1], SECOND).unwrap();
    assert_eq!(told(folder.path()).len(), 3);
    assert_eq!(store.positions("a life").unwrap().get(&session), None);
    store.take(&read.pieces[0], FIRST).unwrap();
    assert_eq!(store.positions("a life").unwrap()[&session], 101);
    store.take(&read.pieces[1], SECOND).unwrap();
    assert_eq!(store.positions("a life").unwrap()[&session], 201);
    // Nothing that comes late puts it back.
    store.take(&read.pieces[0], FIRST).unwrap();
    assert_eq!(store.positions("a life").unwrap()[&session], 201);
    assert!(store.positions("another life").unwrap().is_empty());
}

#[tokio::test]
async fn nobody_is_given_what_another_has_rowed_in_a_seat_of_the_same_number() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, read) = begun(folder.path()).await;
    store.take(&read.pieces[0], FIRST).unwrap();
    let before = told(folder.path());
    let mut other = read.pieces[1].clone();
    let stranger =
        Sitter { athlete: AthleteId(Uuid::from_u128(99)), called: "Ed".to_owned(), person: None };
    let cy = read.pieces[1].seating.get(SeatNo(2)).unwrap().clone();
    other.seating = Seating::from_iter([(SeatNo(0), stranger), (SeatNo(2), cy)]);
    store.take(&other, SECOND).unwrap();
    let added: Vec<String> =
        told(folder.path()).into_iter().filter(|line| !before.contains(line)).collect();
    // This time nobody knows who had Bo's seat: the result is there, without a name.
    assert_eq!(added, [" 1 64000 1", "Cy 1 68000 1"]);
}

#[tokio::test]
async fn a_session_that_goes_on_while_all_is_made_again_is_read_once_more() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, read) = begun(folder.path()).await;
    let session = read.pieces[0].session;
    let mut newer = read.clone();
    newer.pieces[0] = later(&read.pieces[0]);
    newer.next += 10;
    let at = Positions { before: 0, at: read.next + 5 };
    store.take(&newer.pieces[0], at).unwrap();
    let mut asked = 0;
    let done = store.replace_all(vec![(session, read)], |of| {
        assert_eq!(of, session);
        asked += 1;
        Ok(newer.clone())
    });
    assert_eq!((done.unwrap().put, asked), (6, 1));
    assert!(told(folder.path()).contains(&"Ana 0 61000 2".to_owned()));
}

#[tokio::test]
async fn what_a_damaged_journal_has_lost_the_club_keeps_and_what_a_whole_one_does_not_have_goes() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, read) = begun(folder.path()).await;
    let session = read.pieces[0].session;
    store.replace(session, &read).unwrap();
    let before = export(folder.path());
    let lost = Reading { pieces: read.pieces[1..].to_vec(), is_whole: false, ..read.clone() };
    assert_eq!(store.replace(session, &lost).unwrap().removed, 0);
    assert_eq!(export(folder.path()), before);
    let whole = Reading { is_whole: true, ..lost };
    assert_eq!(store.replace(session, &whole).unwrap().removed, 3);
    assert_eq!(told(folder.path()), ["Ana 1 60000 1", "Bo 1 64000 1", "Cy 1 68000 1"]);
}
