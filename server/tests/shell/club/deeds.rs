//! What coaches do to people and results, and undo.

use std::path::Path;

use thole_club::{
    Doer, Person, Reach, Rowed,
    rowed::{read_piece, read_total},
};
use thole_protocol::{
    ids::{PieceNo, SessionId},
    units::HalfSpm,
};
use thole_server::club::{
    Store,
    rebuild::rebuild,
    store::{Listed, Positions},
};

use super::{added, evening::evenings, export, results};

/// 2026-12-02 12:00 in UTC.
const NOW_MS: u64 = 1_796_212_800_000;
const DAY_MS: u64 = 86_400_000;

pub(crate) fn doer(days: u64) -> Doer {
    Doer { who: "coach-7".to_owned(), at_unix_ms: NOW_MS + days * DAY_MS }
}

pub(crate) fn rowed(day: &str, piece: &str, result: &str) -> Rowed {
    let repeats = read_piece(piece).unwrap();
    Rowed {
        day: day.parse().unwrap(),
        total: read_total(result, &repeats).unwrap(),
        repeats,
        rate_half_spm: None,
        machine: None,
        title: String::new(),
    }
}

/// A club with an evening of two pieces of Ana, Bo and Cy, the first two of whom are people of it.
pub(crate) async fn begun(data: &Path) -> (Store, Person, Person) {
    evenings(data, 1, &["Ana", "Bo", "Cy"]).await;
    rebuild(data).await.unwrap();
    let mut store = Store::open(data).unwrap();
    let ana = added(&mut store, "Ana Lima", Some(2009));
    let bo = added(&mut store, "Bo Quist", None);
    (store, ana, bo)
}

/// The result that was rowed under this name.
pub(crate) fn of(data: &Path, called: &str, piece: u16) -> Listed {
    let is_it = |of: &Listed| of.called.as_deref() == Some(called) && of.piece == Some(piece);
    results(data).into_iter().find(is_it).unwrap()
}

/// Whose each result is: the name that it was rowed under, the piece, and the person.
pub(crate) fn whose(data: &Path) -> Vec<String> {
    let line = |of: &Listed| {
        let who = if of.person.is_some() { of.name.as_deref().unwrap() } else { "-" };
        let called = of.called.as_deref().unwrap_or_default();
        format!("{called} {}: {who}", of.piece.map_or(9, |piece| piece))
    };
    let mut lines: Vec<String> = results(data).iter().map(line).collect();
    lines.sort_unstable();
    lines
}

pub(crate) fn says<T: std::fmt::Debug>(
    refused: Result<T, thole_server::club::ClubError>,
) -> String {
    refused.unwrap_err().to_string()
}

#[tokio::test]
async fn a_seat_is_given_swapped_and_taken_back_and_each_is_undone_once() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let (mut store, ana, bo) = begun(data).await;
    let nobodys = export(data);
    let give = |store: &mut Store, name: &str, to: &Person| {
        store.give(&of(data, name, 0), to, None, Reach::Seat, &doer(0)).unwrap()
    };
    assert_eq!(give(&mut store, "Ana", &ana).results, 2);
    give(&mut store, "Bo", &bo);
    let given = export(data);
    let swapped = store.swap(&of(data, "Ana", 0), &of(data, "Bo", 1), Reach::Seat, &doer(0));
    assert_eq!(swapped.unwrap().results, 4);
    let crossed = [
        "Ana 0: Bo Quist",
        "Ana 1: Bo Quist",
        "Bo 0: Ana Lima",
        "Bo 1: Ana Lima",
        "Cy 0: -",
        "Cy 1: -",
    ];
    assert_eq!(whose(data), crossed);
    let guests = store.swap(&of(data, "Cy", 0), &of(data, "Bo", 1), Reach::Seat, &doer(0));
    assert!(says(guests).contains("is a guest's"));
    let same = store.swap(&of(data, "Bo", 0), &of(data, "Bo", 1), Reach::Seat, &doer(0));
    assert!(says(same).contains("one person's already"));

    // From somebody only whom one has named.
    let to_ana = |store: &mut Store, from| {
        store.give(&of(data, "Ana", 0), &ana, from, Reach::Seat, &doer(0))
    };
    assert!(says(to_ana(&mut store, None)).contains("somebody else's"));
    assert!(says(to_ana(&mut store, Some(ana.person))).contains("not theirs"));
    let fourth = to_ana(&mut store, Some(bo.person)).unwrap();
    let blocked = says(store.undo(thole_club::DeedNo(5), &doer(0)));
    assert!(blocked.contains("Number 6 was done to the same after number 5"), "{blocked}");
    store.undo(fourth.deed, &doer(0)).unwrap();
    assert_eq!(whose(data), crossed);
    let undone = store.undo(thole_club::DeedNo(5), &doer(1)).unwrap();
    assert_eq!(undone.people, ["Ana Lima", "Bo Quist"]);
    assert_eq!((undone.undone_by.as_deref(), undone.can_be_undone), (Some("coach-7"), false));
    assert_eq!(export(data), given);
    assert!(says(store.undo(thole_club::DeedNo(5), &doer(1))).contains("undone already"));
    assert!(says(store.undo(thole_club::DeedNo(9), &doer(1))).contains("list of deeds"));

    let back = store.take_back(&of(data, "Bo", 1), Reach::Seat, &doer(1)).unwrap();
    store.undo(back.deed, &doer(1)).unwrap();
    assert_eq!(export(data), given);
    for deed in [4, 3] {
        store.undo(thole_club::DeedNo(deed), &doer(29)).unwrap();
    }
    let but_people = |text: &str| -> Vec<String> {
        text.lines()
            .filter(|line| !line.contains("\"table\":\"person\""))
            .map(str::to_owned)
            .collect()
    };
    assert_eq!(but_people(&export(data)), but_people(&nobodys));
    assert_eq!(store.check().unwrap(), Vec::<String>::new());
}

#[tokio::test]
async fn one_piece_alone_is_given_and_stays_so_when_all_is_made_again() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let (mut store, ana, bo) = begun(data).await;
    store.give(&of(data, "Ana", 0), &ana, None, Reach::Seat, &doer(0)).unwrap();
    store.give(&of(data, "Bo", 0), &bo, None, Reach::Seat, &doer(0)).unwrap();
    let before = export(data);
    // On each other's machine in the second piece.
    let swapped =
        store.swap(&of(data, "Ana", 1), &of(data, "Bo", 1), Reach::Piece, &doer(0)).unwrap();
    let crossed = [
        "Ana 0: Ana Lima",
        "Ana 1: Bo Quist",
        "Bo 0: Bo Quist",
        "Bo 1: Ana Lima",
        "Cy 0: -",
        "Cy 1: -",
    ];
    assert_eq!(whose(data), crossed);
    let whole = store.give(&of(data, "Ana", 1), &ana, Some(bo.person), Reach::Seat, &doer(0));
    assert!(says(whole).contains("given alone"));
    let after = export(data);
    rebuild(data).await.unwrap();
    assert_eq!(export(data), after);
    assert_eq!(store.check().unwrap(), Vec::<String>::new());
    // The seat is a guest's again; the one piece stays hers to whom it was given.
    let back = store.take_back(&of(data, "Bo", 0), Reach::Seat, &doer(0)).unwrap();
    assert!(whose(data).contains(&"Bo 1: Ana Lima".to_owned()));
    store.undo(back.deed, &doer(0)).unwrap();
    store.undo(swapped.deed, &doer(0)).unwrap();
    assert_eq!(export(data), before);
}

#[tokio::test]
async fn what_comes_in_a_seat_after_it_was_given_goes_back_with_the_seat() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 1, &["Ana", "Bo"]).await;
    let journal = thole_server::journal::sqlite::SqliteJournal::open_read_only(data).unwrap();
    use thole_server::journal::Journal;
    let row = journal.sessions().await.unwrap().pop().unwrap();
    let read = thole_server::club::reading::read(&journal, &row).await.unwrap();
    let mut store = Store::open(data).unwrap();
    let ana = added(&mut store, "Ana Lima", None);
    store.take(&read.pieces[0], Positions { before: 0, at: 100 }).unwrap();
    let given = store.give(&of(data, "Ana", 0), &ana, None, Reach::Seat, &doer(0)).unwrap();
    // Typed for the second piece, before and after which records of it come from the journal.
    let typed = rowed("2026-12-01", "300m", "1:02.0");
    let of_second = Some((read.pieces[1].session, read.pieces[1].settled.piece));
    let typed = store.type_result(&ana, &typed, of_second, &doer(0)).unwrap();
    store.take(&read.pieces[1], Positions { before: 101, at: 200 }).unwrap();
    let mut lines =
        vec!["Ana 0: Ana Lima", "Ana 1: Ana Lima", "Ana Lima 1: Ana Lima", "Bo 0: -", "Bo 1: -"];
    assert_eq!(whose(data), lines);
    store.undo(typed.deed, &doer(0)).unwrap();
    lines.remove(2);
    assert_eq!(whose(data), lines);
    store.undo(given.deed, &doer(0)).unwrap();
    assert_eq!(whose(data), ["Ana 0: -", "Ana 1: -", "Bo 0: -", "Bo 1: -"]);
    assert_eq!(store.check().unwrap(), Vec::<String>::new());
}

#[tokio::test]
async fn a_result_is_typed_put_right_ranked_and_removed_with_a_reason_and_each_is_undone() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let (mut store, ana, bo) = begun(data).await;
    let states = |store: &mut Store| (export(data), store.check().unwrap());
    let mut was = vec![states(&mut store)];
    let session: SessionId = SessionId(of(data, "Ana", 0).session.unwrap().parse().unwrap());
    let first =
        Rowed { rate_half_spm: Some(HalfSpm(49)), ..rowed("2026-12-01", "2000m", "7:42,36") };
    let typed = store.type_result(&ana, &first, Some((session, PieceNo(1))), &doer(0)).unwrap();
    let here = |data: &Path| {
        let is_it = |of: &Listed| of.result == typed.result.to_string();
        results(data).into_iter().find(is_it)
    };
    let it = here(data).unwrap();
    assert_eq!((it.source.as_str(), it.place, it.time_ms.0), ("typed", None, 462_360));
    assert_eq!(store.said(&it).unwrap(), first);
    assert!(says(store.type_result(&ana, &first, None, &doer(0))).contains("already"));
    let future = rowed("2026-12-03", "2000m", "7:42.3");
    assert!(says(store.type_result(&ana, &future, None, &doer(0))).contains("in the future"));
    was.push(states(&mut store));

    // A new record of that piece from the journal leaves it where it is.
    rebuild(data).await.unwrap();
    assert_eq!(states(&mut store), was[1]);

    let right = rowed("2026-12-01", "2000m", "7:24.3");
    assert!(says(store.correct_said(&it, &right, " ", &doer(0))).contains("Say why"));
    assert!(says(store.correct_said(&it, &first, "no", &doer(0))).contains("already"));
    let ours = of(data, "Ana", 0);
    assert!(says(store.correct_said(&ours, &right, "slip", &doer(0))).contains("in a session"));
    store.correct_said(&it, &right, "digits were swapped", &doer(0)).unwrap();
    assert_eq!(here(data).unwrap().time_ms.0, 444_300);
    assert!(export(data).contains("\"reason\":\"digits were swapped\""));
    was.push(states(&mut store));
    store.rank_said(&it, true, &doer(0)).unwrap();
    was.push(states(&mut store));
    store.give(&it, &bo, Some(ana.person), Reach::Piece, &doer(0)).unwrap();
    was.push(states(&mut store));
    let file = rusqlite::Connection::open(thole_server::club::file(data)).unwrap();
    let sql = "INSERT INTO effort SELECT club, result, 7, 1 FROM result WHERE source = 'typed'";
    assert_eq!(file.execute(sql, []).unwrap(), 1);
    was.pop();
    was.push(states(&mut store));
    store.remove_said(&it, "typed twice", &doer(0)).unwrap();
    assert_eq!(here(data), None);
    for deed in (4..=7).rev() {
        store.undo(thole_club::DeedNo(deed), &doer(1)).unwrap();
        let now = states(&mut store);
        let before = was.pop().unwrap();
        // What was said of how hard it felt is not a part of what was done.
        let but_effort = |text: &str| -> Vec<String> {
            text.lines().filter(|line| !line.contains("\"effort\"")).map(str::to_owned).collect()
        };
        assert_eq!((but_effort(&now.0), now.1), (but_effort(&before.0), before.1), "{deed}");
        assert!(now.0.contains("\"felt\":7"));
    }
    store.undo(typed.deed, &doer(1)).unwrap();
    assert_eq!(states(&mut store), was[0]);
    assert!(store.bests(&ana).unwrap().is_empty());
}

#[tokio::test]
async fn after_thirty_days_or_with_a_person_what_it_takes_to_undo_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let (mut store, ana, bo) = begun(data).await;
    let typed = |store: &mut Store, who: &Person, result: &str, day| {
        store.type_result(who, &rowed("2026-12-01", "2000m", result), None, &doer(day)).unwrap()
    };
    let old = typed(&mut store, &ana, "7:42.3", 0);
    let hers = typed(&mut store, &ana, "7:42.4", 20);
    let his = typed(&mut store, &bo, "7:42.5", 31);
    let late = says(store.undo(old.deed, &doer(31)));
    assert!(late.contains("can be undone no more"), "{late}");
    assert_eq!(store.forget_deeds_of(&ana.person.to_string()).unwrap(), 1);
    assert!(says(store.undo(hers.deed, &doer(31))).contains("can be undone no more"));
    let file = rusqlite::Connection::open(thole_server::club::file(data)).unwrap();
    let count = |sql: &str| file.query_row(sql, [], |row| row.get::<_, u32>(0)).unwrap();
    assert_eq!(count("SELECT count(*) FROM changed_row"), 1);
    assert_eq!(count("SELECT count(*) FROM deed_person"), 1);
    let deeds = store.deeds(None, 10, doer(31).at_unix_ms).unwrap();
    let told: Vec<_> = deeds.iter().map(|of| (of.deed.0, of.can_be_undone, of.rows)).collect();
    assert_eq!(told[..3], [(5, true, 1), (4, false, 0), (3, false, 0)]);
    store.undo(his.deed, &doer(31)).unwrap();
}
