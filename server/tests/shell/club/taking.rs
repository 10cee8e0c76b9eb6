//! What the club takes from a journal, however often it looks and whatever has become of either.

use std::{fs, path::Path, sync::Arc};

use rusqlite::Connection;
use thole_club::{Doer, Reach};
use thole_protocol::order::Order;
use thole_server::{
    Server,
    club::{Store, file, reading, rebuild::rebuild, store::Positions, taking},
    config::ServeArgs,
    journal::Journal,
};
use tokio::task::yield_now;

use super::{
    added, comes,
    evening::{Evening, evenings, opened},
    export, results, told,
};

/// A server that is not asked anything takes what its journal has, until a test has seen what it waits for.
pub(crate) async fn takes(data: &Path, until: impl Fn() -> bool) {
    let journal: Arc<dyn Journal> = Arc::new(opened(data));
    let mut settings = ServeArgs::default().settings().unwrap();
    settings.data = data.to_owned();
    let server = Arc::new(Server::new(settings, journal));
    let task = taking::begin(&server, Some(Store::open(data).unwrap()));
    comes("what is waited for", || until() || task.is_finished()).await;
    task.abort();
    assert!(task.await.unwrap_err().is_cancelled());
}

fn count(data: &Path) -> usize {
    results(data).len()
}

#[tokio::test]
async fn sessions_from_before_the_club_are_there_as_guests_results() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 2, &["Ana", "Bo"]).await;
    takes(data, || count(data) == 8).await;
    let all = results(data);
    assert!(all.iter().all(|of| of.person.is_none()), "they are guests'");
    assert_eq!(
        told(data),
        [
            "Ana 0 60000 1",
            "Ana 0 60000 1",
            "Ana 1 60000 1",
            "Ana 1 60000 1",
            "Bo 0 64000 1",
            "Bo 0 64000 1",
            "Bo 1 64000 1",
            "Bo 1 64000 1"
        ]
    );
    assert_eq!((all[0].day.as_str(), all[0].work.as_str()), ("2026-12-02", "300m"));
}

#[tokio::test]
async fn looking_again_changes_nothing_and_what_is_new_is_taken() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    evening.row(true).settle();
    evening.write(&opened(data)).await;
    takes(data, || count(data) == 2).await;
    let before = export(data);
    evening.row(false).settle();
    evening.write(&opened(data)).await;
    takes(data, || count(data) == 4).await;
    let after = export(data);
    assert!(before.lines().all(|line| after.contains(line)), "what was there is as it was");
}

/// The process ended between the last stroke and the record.
#[tokio::test]
async fn a_piece_that_was_over_and_not_settled_is_taken_though_nobody_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    evening.row(true);
    evening.write(&opened(data)).await;
    takes(data, || count(data) == 2).await;
    assert_eq!(told(data), ["Ana 0 60000 1", "Bo 0 64000 1"]);
}

#[tokio::test]
async fn a_club_that_is_broken_stops_nothing_and_is_made_good_later() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 1, &["Ana"]).await;
    fs::write(file(data), "a piece of 1,700 m, long and loose".repeat(200)).unwrap();
    assert!(Store::open(data).is_err());
    let journal: Arc<dyn Journal> = Arc::new(opened(data));
    let mut settings = ServeArgs::default().settings().unwrap();
    settings.data = data.to_owned();
    let server = Arc::new(Server::new(settings, journal.clone()));
    let task = taking::begin(&server, None);
    for _ in 0..1_000 {
        yield_now().await;
    }
    assert!(!task.is_finished() && server.takes_work().is_ok());
    task.abort();
    drop((server, journal));
    assert!(task.await.unwrap_err().is_cancelled());
    fs::remove_file(file(data)).unwrap();
    takes(data, || count(data) == 2).await;
}

#[tokio::test]
async fn rebuilding_gives_the_same_club_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 3, &["Ana", "Bo", "Cy"]).await;
    takes(data, || count(data) == 18).await;
    let mut store = Store::open(data).unwrap();
    let ana = added(&mut store, "Ana Lima", Some(2009));
    let hers = results(data).into_iter().find(|of| of.called.as_deref() == Some("Ana")).unwrap();
    let doer = Doer::at_the_command_line(2);
    assert_eq!(store.give(&hers, &ana, None, Reach::Seat, &doer).unwrap().results, 2);
    // What no journal has.
    let said = Connection::open(file(data)).unwrap();
    let club = store.club().club.to_string();
    said.execute("UPDATE result SET all_out = 'yes' WHERE result = ?", [&hers.result]).unwrap();
    let sql = "INSERT INTO effort (club, result, felt, said_unix_ms) VALUES (?, ?, 7, 5)";
    said.execute(sql, [&club, &hers.result]).unwrap();
    let sql = "INSERT INTO note (club, note, words, readers, said_unix_ms) VALUES (?, 'n', 'long', 'coaches', 5)";
    said.execute(sql, [&club]).unwrap();
    let sql = "INSERT INTO result (club, result, called, source, day, work, repeats, outcome, time_ms, distance_dm, plan)
               VALUES (?, 'typed', 'Di', 'typed', '2026-01-01', '2000m', '[]', 'finished', 420000, 20000, '{\"profile\":\"even\"}')";
    said.execute(sql, [&club]).unwrap();
    let before = export(data);
    let done = rebuild(data).await.unwrap();
    assert_eq!(
        (done.sessions, done.results.put, done.results.removed, done.damaged),
        (3, 18, 0, 0)
    );
    assert_eq!(export(data), before);
    // Whatever else is wrong in results of pieces is put right.
    said.execute("UPDATE result SET time_ms = 1, revision = 9 WHERE source = 'piece'", []).unwrap();
    said.execute("DELETE FROM split WHERE nth = 2", []).unwrap();
    let sql = "UPDATE result SET piece = 7, result = 'made up' WHERE called = 'Cy' AND piece = 1 AND day = '2026-12-01'";
    said.execute("PRAGMA foreign_keys = OFF", []).unwrap();
    assert_eq!(said.execute(sql, []).unwrap(), 1);
    said.execute("DELETE FROM split WHERE result NOT IN (SELECT result FROM result)", []).unwrap();
    let done = rebuild(data).await.unwrap();
    assert_eq!((done.results.put, done.results.removed), (18, 1));
    assert_eq!(export(data), before);
    assert_eq!(store.check().unwrap(), Vec::<String>::new());
}

/// The journal was put back to an earlier state: what it writes now stands where other records stood.
#[tokio::test]
async fn a_journal_that_was_put_back_is_taken_anew_from_its_beginning() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    evening.row(true).settle().row(false).settle();
    evening.write(&opened(data)).await;
    takes(data, || count(data) == 4).await;
    for name in ["thole.db", "thole.db-wal", "thole.db-shm", "witness"] {
        drop(fs::remove_file(data.join(name)));
    }
    let mut other = Evening::of(1, &["Ana", "Bo"]);
    other.row(true).settle();
    other.write(&opened(data)).await;
    takes(data, || count(data) == 2).await;
    assert_eq!(told(data), ["Ana 0 60000 1", "Bo 0 64000 1"]);
}

#[tokio::test]
async fn of_a_session_in_which_somebody_was_erased_the_others_keep_their_results_and_nobody_gets_anothers()
 {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    evening.joins("Cy").row(true).settle();
    evening.order(Order::CloseSession);
    let journal = opened(data);
    evening.write(&journal).await;
    let row = journal.session(evening.session()).await.unwrap().unwrap();
    drop(journal);
    takes(data, || count(data) == 3).await;
    let before = export(data);
    let journal = opened(data);
    journal.erase(evening.session(), evening.athlete(1)).await.unwrap();
    let read = reading::read(&journal, &row).await.unwrap();
    assert!(!read.is_whole);
    drop(journal);
    assert_eq!(rebuild(data).await.unwrap().damaged, 1);
    assert_eq!(export(data), before);
    // A club that starts afresh knows no names here: without Ana and Bo, Cy would have come first.
    fs::remove_file(file(data)).unwrap();
    takes(data, || count(data) == 3).await;
    assert!(results(data).iter().all(|of| of.name.is_none()));
}

/// More pieces are settled at the same moment than may wait.
#[tokio::test]
async fn what_finds_no_room_is_taken_from_the_journal_as_soon_as_there_is_some() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let journal = Arc::new(opened(data));
    let mut settings = ServeArgs::default().settings().unwrap();
    settings.data = data.to_owned();
    let server = Arc::new(Server::new(settings, journal.clone()));
    // A club of its own already knows this life of the journal once it has looked through it.
    let mut store = Store::open(data).unwrap();
    let task = taking::begin(&server, Some(Store::open(data).unwrap()));
    let looked = || epoch(data) == Some(journal.epoch());
    comes("the first look", looked).await;
    let mut evening = Evening::of(1, &["Ana", "Bo"]);
    evening.row(true).settle().row(false).settle();
    evening.write(&journal).await;
    let row = journal.session(evening.session()).await.unwrap().unwrap();
    let read = reading::read(&*journal, &row).await.unwrap();
    // Nothing is awaited here: the task cannot take any of them in the meantime.
    let mut asked = 0;
    for no in 0..100 {
        let of = usize::from(no > 90);
        server.club.hand(Positions { before: 0, at: 1 }, || {
            asked += 1;
            read.pieces[of].clone()
        });
    }
    assert!(asked < 90, "{asked} have found room: the second piece has to find none");
    comes("the second piece", || count(data) == 4).await;
    assert_eq!(store.positions(&journal.epoch()).unwrap()[&evening.session()], read.next);
    task.abort();
}

fn epoch(data: &Path) -> Option<String> {
    let club = Connection::open(file(data)).unwrap();
    club.query_row("SELECT journal_epoch FROM club", [], |row| row.get(0)).unwrap()
}
