//! What has been kept long enough: no byte of it is left in any file, and every result is as before. What nobody can make again waits.

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    process::Command,
    sync::Arc,
};

use rusqlite::Connection;
use thole_host::stored::{chain::content, keys::OwnKeys};
use thole_piece::{Session, session::Viewer};
use thole_protocol::{
    ids::{CommandId, PieceNo},
    order::Order,
    standing::PieceView,
    total::Total,
    units::Millis,
};
use thole_server::{
    Server,
    clock::Clock,
    club::{
        Store, reading,
        rebuild::rebuild,
        retention::{Looked, look},
        store::Keeping,
    },
    config::ServeArgs,
    journal::{Append, Journal, Passing},
    orders::Ordered,
    session::Event,
};

use super::{
    comes,
    evening::{Evening, opened},
    export,
};
use crate::program::Started;

const DAY: u64 = 86_400_000;
/// When the first evening was.
const MADE: u64 = 1_790_000_000_000;

/// An evening of three whose pieces were settled, one of them corrected and official, with two straps and one who rowed on.
fn ruled(no: u128, made: u64) -> Evening {
    let mut evening = Evening::of(no, &["Ana", "Bo", "Cy"]);
    evening.made_at(made).consents(1, true).consents(2, true);
    evening.beats(1, &[141, 152, 163, 150, 149]).beats(1, &[158, 149, 166, 161]);
    evening.beats(2, &[99, 121, 133, 120]).beats(2, &[99]);
    evening.row(true).settle();
    let finish = Total::Time { finish_ms: Millis(59_000) };
    let (piece, athlete) = (PieceNo(0), evening.athlete(2));
    let reason = "read off the screen".to_owned();
    evening.rules(Order::CorrectResult { piece, athlete, finish, reason });
    evening.rules(Order::MakeOfficial { piece });
    evening.row(false).settle().beats(1, &[171, 180, 179, 162]).rows_on(3).closes();
    evening
}

async fn written(data: &Path, evenings: impl IntoIterator<Item = Evening>) -> Vec<Evening> {
    let journal = opened(data);
    let mut all = Vec::new();
    for mut evening in evenings {
        evening.write(&journal).await;
        all.push(evening);
    }
    drop(journal);
    rebuild(data).await.unwrap();
    all
}

/// Payloads of these kinds as they stand in the journal, with the keys of whoever they are.
fn payloads(data: &Path, kinds: &str) -> Vec<Vec<u8>> {
    let journal = Connection::open(data.join("thole.db")).unwrap();
    let sql = format!("SELECT payload FROM record WHERE kind IN ({kinds}) AND length(payload) > 5");
    let mut select = journal.prepare(&sql).unwrap();
    let rows = select.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

fn count(data: &Path, kinds: &str) -> i64 {
    let journal = Connection::open(data.join("thole.db")).unwrap();
    let sql = format!("SELECT count(*) FROM record WHERE kind IN ({kinds})");
    journal.query_row(&sql, [], |row| row.get(0)).unwrap()
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    entries.flat_map(|path| if path.is_dir() { files(&path) } else { vec![path] }).collect()
}

/// Which files have any of them.
fn found(folder: &Path, needles: &[Vec<u8>]) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let firsts: BTreeSet<&[u8]> = needles.iter().map(|needle| &needle[..5]).collect();
    for file in files(folder) {
        // SQLite removes files of its own at any time.
        let Ok(bytes) = fs::read(&file) else { continue };
        let begins = |at: &usize| firsts.contains(&bytes[*at..*at + 5]);
        let mut begin = (0..bytes.len().saturating_sub(5)).filter(begins);
        if begin.any(|at| needles.iter().any(|needle| bytes[at..].starts_with(needle))) {
            found.insert(file.file_name().unwrap().to_str().unwrap().to_owned());
        }
    }
    found
}

/// Looks as a server does that has been running all along: every day from a week before until this instant.
async fn looked_until(journal: &dyn Journal, data: &Path, now: u64) -> Looked {
    look(journal, None, data, now - 8 * DAY).await.unwrap();
    look(journal, None, data, now - 7 * DAY).await.unwrap();
    look(journal, None, data, now).await.unwrap()
}

/// Every piece of every evening as the journal gives it to the club.
async fn read(data: &Path, evenings: &[Evening]) -> Vec<reading::Reading> {
    let journal = opened(data);
    let mut all = Vec::new();
    for evening in evenings {
        all.push(reading::read(&journal, &evening.session_row()).await.unwrap());
    }
    all
}

/// The same pieces as the session itself shows them to its coach.
async fn shown(data: &Path, evenings: &[Evening]) -> Vec<Vec<PieceView>> {
    let journal = opened(data);
    let mut all = Vec::new();
    for evening in evenings {
        let mut session = Session::new();
        for (_, record) in journal.read(evening.session(), 0).await.unwrap().records {
            session.apply(record.at, &record.input);
        }
        all.push(session.view(Viewer::Coach).pieces);
    }
    all
}

fn program(words: &[&str], data: &Path) -> (bool, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    let done = command.env_clear().args(words).arg("--data").arg(data).output().unwrap();
    let says = [done.stdout, done.stderr].concat();
    (done.status.success(), String::from_utf8(says).unwrap())
}

const STROKES: &str = "1, 10, 27";
const HEART_RATE: &str = "2";

#[tokio::test]
async fn heart_rate_goes_after_sixty_days_strokes_after_four_hundred_and_no_result_changes() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let evenings = [ruled(1, MADE), ruled(2, MADE + 30 * DAY)];
    let evenings = written(data, evenings).await;
    let (before, pieces) = (export(data), read(data, &evenings).await);
    let views = shown(data, &evenings).await;
    let (beats, strokes) = (payloads(data, HEART_RATE), payloads(data, STROKES));
    assert!(beats.len() == 8 && strokes.len() > 500, "{} {}", beats.len(), strokes.len());
    assert!(!found(data, &beats).is_empty() && !found(data, &strokes).is_empty());

    let journal = opened(data);
    let looked = looked_until(&journal, data, MADE + 60 * DAY).await;
    assert_eq!(looked, Looked::default(), "the evening was not over by then");
    let looked = looked_until(&journal, data, MADE + 62 * DAY).await;
    assert_eq!(looked, Looked { heart_rate_of: 1, ..Looked::default() });
    assert_eq!(count(data, HEART_RATE), 5, "the other evening is not as old");
    let looked = looked_until(&journal, data, MADE + 100 * DAY).await;
    assert_eq!(looked, Looked { heart_rate_of: 1, ..Looked::default() });
    assert_eq!(found(data, &beats), BTreeSet::new());
    assert_eq!(found(data, &strokes).into_iter().collect::<Vec<_>>(), ["thole.db"]);
    // Looked at again, there is nothing more.
    assert_eq!(look(&journal, None, data, MADE + 101 * DAY).await.unwrap(), Looked::default());

    let looked = looked_until(&journal, data, MADE + 440 * DAY).await;
    assert_eq!(looked, Looked { strokes_of: 2, ..Looked::default() });
    assert_eq!(count(data, STROKES), 0);
    assert_eq!(found(data, &strokes), BTreeSet::new());
    assert_eq!(look(&journal, None, data, MADE + 441 * DAY).await.unwrap(), Looked::default());
    let store = Store::open(data).unwrap();
    let gone = store.was_let_go(Passing::Strokes).unwrap();
    assert_eq!((gone.sessions, gone.day.unwrap().as_str()), (2, "2027-12-05"));
    assert_eq!(store.was_let_go(Passing::HeartRate).unwrap().records, 10);
    assert_eq!(store.retention_ran().unwrap(), Some(MADE + 441 * DAY));
    drop((store, journal));

    let same = read(data, &evenings).await;
    for (now, before) in same.iter().zip(&pieces) {
        assert_eq!(now.pieces, before.pieces);
        assert!(now.is_whole && now.is_settled && !now.is_settling);
    }
    assert_eq!(shown(data, &evenings).await, views);
    assert_eq!(export(data), before);
    rebuild(data).await.unwrap();
    assert_eq!(export(data), before);
    let (is_well, says) = program(&["check"], data);
    assert!(is_well, "{says}");
    // A copy that is made now has none of it either.
    let copies = tempfile::tempdir().unwrap();
    assert!(program(&["backup", copies.path().join("copy").to_str().unwrap()], data).0);
    assert_eq!(found(copies.path(), &strokes), BTreeSet::new());
}

/// Whoever has the file has the keys that are in it, and may try all that somebody could have said.
#[tokio::test]
async fn what_is_left_in_the_place_of_a_record_confirms_no_guess() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    written(data, [ruled(1, MADE)]).await;
    let rows = |sql: &str| {
        let journal = Connection::open(data.join("thole.db")).unwrap();
        let mut select = journal.prepare(sql).unwrap();
        let rows = select.query_map([], |row| {
            Ok((
                row.get::<_, i64>(0)?.cast_unsigned(),
                row.get::<_, i8>(1)?,
                row.get::<_, i64>(2)?.cast_unsigned(),
                row.get::<_, Vec<u8>>(3)?,
            ))
        });
        rows.unwrap().map(Result::unwrap).collect::<Vec<_>>()
    };
    let all = "SELECT position, kind, at_ms, payload FROM record WHERE abs(kind) IN (1, 2, 10, 27)";
    let said = rows(all);
    looked_until(&opened(data), data, MADE + 440 * DAY).await;
    let left = rows(all);
    assert_eq!(said.len(), left.len());
    let journal = Connection::open(data.join("thole.db")).unwrap();
    let mut keys = journal.prepare("SELECT key FROM person").unwrap();
    let keys = keys.query_map([], |row| row.get::<_, Vec<u8>>(0)).unwrap().map(Result::unwrap);
    let keys: Vec<OwnKeys> = keys.map(|key| OwnKeys::read(&key).unwrap()).collect();
    assert_eq!(keys.len(), 3);
    for ((position, kind, at, payload), (_, erased, _, hash)) in said.iter().zip(&left) {
        assert_eq!((-kind, hash.len()), (*erased, 16));
        for key in &keys {
            for of in [1, 2, 5].map(|kind| key.of(kind)) {
                assert_ne!(content(of, *position, *kind, *at, payload)[..], hash[..]);
            }
        }
    }
}

#[tokio::test]
async fn what_is_not_settled_waits_and_what_nobody_has_closed_is_closed_first() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    // The process ended between the last stroke and the record, and nobody has ever come back.
    let mut left = Evening::of(1, &["Ana", "Bo"]);
    left.made_at(MADE).row(true);
    let mut open = Evening::of(2, &["Ana", "Bo"]);
    open.made_at(MADE).row(true).settle();
    let evenings = written(data, [left, open]).await;
    let now = MADE + 440 * DAY;
    {
        let journal = opened(data);
        let looked = looked_until(&journal, data, now).await;
        assert_eq!(looked, Looked { waiting: 2, ..Looked::default() });
        assert!(count(data, STROKES) > 200, "nothing of it goes");
    }
    let before = read(data, &evenings[1..]).await.remove(0).pieces;
    let journal: Arc<dyn Journal> = Arc::new(opened(data));
    let mut settings = ServeArgs::default().settings().unwrap();
    settings.data = data.to_owned();
    let server = Arc::new(Server::new(settings, journal.clone()));
    let looked = look(&*journal, Some(&server), data, now + DAY).await.unwrap();
    assert_eq!(looked.strokes_of, 0);
    let mut done = Looked::default();
    for hour in 1..1_000 {
        // Each look is a day on: while sessions are open it is put off for no longer.
        let looked = look(&*journal, Some(&server), data, now + (1 + hour) * DAY).await.unwrap();
        done.strokes_of += looked.strokes_of;
        if done.strokes_of == 2 {
            break;
        }
        tokio::task::yield_now().await;
    }
    assert_eq!((done.strokes_of, count(data, STROKES)), (2, 0));
    for evening in &evenings {
        let row = journal.session(evening.session()).await.unwrap().unwrap();
        assert!(row.closed_unix_ms.is_some());
        let read = reading::read(&*journal, &row).await.unwrap();
        assert_eq!(read.pieces.len(), 1);
        let seats = &read.pieces[0].settled.seats;
        let times: Vec<u32> = seats.iter().map(|seat| seat.time_ms.0).collect();
        assert_eq!(times, [60_000, 64_000]);
    }
    let row = evenings[1].session_row();
    assert_eq!(reading::read(&*journal, &row).await.unwrap().pieces, before);
    // Nobody corrects what nobody can look at any more; said again, it is refused again, and not written.
    if let Some(handle) = server.registry.handle(row.session) {
        handle.inbox.send(Event::Stop).await.unwrap();
        let mut ended = handle.ended;
        while ended.changed().await.is_ok() {}
    }
    let order = Order::MakeOfficial { piece: PieceNo(0) };
    let ordered = Ordered { command: CommandId(uuid::Uuid::from_u128(77)), order, by: None };
    let next = journal.since(row.session, 0).await.unwrap().next;
    for _ in 0..2 {
        let refused = server.order(row.session, ordered.clone()).await.unwrap_err().to_string();
        assert!(refused.contains("kept no longer"), "{refused}");
    }
    let since = journal.since(row.session, next).await.unwrap();
    assert!(!since.is_settled && since.next <= next + 2, "only that it was opened again");
}

#[tokio::test]
async fn a_coach_says_at_the_command_line_for_how_long() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    written(data, [ruled(1, MADE)]).await;
    let (_, says) = program(&["club", "retention"], data);
    assert!(says.contains("Strokes are kept for 400 days, heart rate for 60"), "{says}");
    assert!(says.contains("never looked yet"), "{says}");
    let (done, says) = program(&["club", "retention", "--heart-rate", "30"], data);
    assert!(
        done && says.contains("in a week at the earliest") && says.contains("for 30;"),
        "{says}"
    );
    looked_until(&opened(data), data, MADE + 38 * DAY).await;
    let (_, says) = program(&["club", "retention"], data);
    assert!(
        says.contains("strokes of none, heart rate of 1 session, the last on 2026-10-29"),
        "{says}"
    );
    let (done, says) = program(&["club", "retention", "--strokes", "6"], data);
    assert!(!done && says.contains("7 to 3650 days, not for 6"), "{says}");
}

/// While people are in a session nothing is rewritten under them, unless that has been so for a day.
#[tokio::test]
async fn while_a_session_is_open_it_is_put_off_for_a_day_at_most() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut young = Evening::of(2, &["Ana"]);
    young.made_at(MADE + 439 * DAY).row(true).settle();
    let evenings = written(data, [ruled(1, MADE), young]).await;
    let journal: Arc<dyn Journal> = Arc::new(opened(data));
    let mut settings = ServeArgs::default().settings().unwrap();
    settings.data = data.to_owned();
    let server = Arc::new(Server::new(settings, journal.clone()));
    let now = MADE + 440 * DAY;
    look(&*journal, Some(&server), data, now - 9 * DAY).await.unwrap();
    Store::open(data).unwrap().note_retention_ran(now - 1).unwrap();
    let row = journal.session(evenings[1].session()).await.unwrap().unwrap();
    let opened = thole_server::registry::Registry::open(&server, &row).await.unwrap().unwrap();
    let looked = look(&*journal, Some(&server), data, now).await.unwrap();
    assert_eq!(looked, Looked::default());
    let looked = look(&*journal, Some(&server), data, now + DAY - 1).await.unwrap();
    assert_eq!(looked, Looked { strokes_of: 1, heart_rate_of: 1, waiting: 0 });
    assert!(!opened.inbox.is_closed(), "nobody is sent away for it");
}

/// A phone that comes back after more than a year.
#[tokio::test]
async fn what_comes_after_its_time_is_taken_and_goes_at_the_next_look() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut evening = ruled(1, MADE);
    {
        let journal = opened(data);
        evening.write(&journal).await;
    }
    rebuild(data).await.unwrap();
    let journal = opened(data);
    looked_until(&journal, data, MADE + 440 * DAY).await;
    let row = evening.session_row();
    let before = reading::read(&journal, &row).await.unwrap();
    evening.consents(1, true).beats(1, &[188, 187, 190, 184]).rows_on(1);
    evening.write(&journal).await;
    assert_eq!((count(data, STROKES), count(data, HEART_RATE)), (1, 1));
    let read = reading::read(&journal, &row).await.unwrap();
    assert_eq!(read.pieces, before.pieces, "it changes nothing");
    let late = payloads(data, "1, 2");
    let looked = look(&journal, None, data, MADE + 441 * DAY).await.unwrap();
    assert_eq!(looked, Looked { strokes_of: 1, heart_rate_of: 1, waiting: 0 });
    assert_eq!(found(data, &late), BTreeSet::new());
    assert_eq!(reading::read(&journal, &row).await.unwrap().pieces, before.pieces);
    drop(journal);
    assert!(program(&["check"], data).0);
}

/// This machine was switched on before it knew the time, and has learnt it in the middle of a piece.
#[tokio::test]
async fn a_session_that_began_by_a_clock_that_was_wrong_is_as_old_as_it_is() {
    use thole_server::clock::Reckoned;
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let mut evening = ruled(1, 0);
    let journal = opened(data);
    evening.write(&journal).await;
    let said = journal.read(evening.session(), 0).await.unwrap();
    let at = said.records.last().unwrap().1.at;
    let append = Append {
        session: evening.session(),
        create: None,
        tenure: 0,
        first: said.next,
        records: Arc::new(Vec::new()),
        revoke: Vec::new(),
        grant: Vec::new(),
        closed_unix_ms: None,
        reckoned: Some(Reckoned { at, unix_ms: MADE, uptime: None }),
    };
    journal.append(append).await.unwrap();
    drop(journal);
    rebuild(data).await.unwrap();
    let journal = opened(data);
    assert_eq!(looked_until(&journal, data, MADE + 50 * DAY).await, Looked::default());
    let looked = looked_until(&journal, data, MADE + 62 * DAY).await;
    assert_eq!(looked, Looked { heart_rate_of: 1, ..Looked::default() });
}

#[tokio::test]
async fn a_copy_from_before_is_looked_through_anew() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let (data, copy, again) = (path("data"), path("copy"), path("again"));
    written(&data, [ruled(1, MADE)]).await;
    let (beats, strokes) = (payloads(&data, HEART_RATE), payloads(&data, STROKES));
    let before = export(&data);
    {
        let journal = opened(&data);
        looked_until(&journal, &data, MADE + 50 * DAY).await;
    }
    assert!(program(&["backup", copy.to_str().unwrap()], &data).0);
    {
        let journal = opened(&data);
        looked_until(&journal, &data, MADE + 440 * DAY).await;
    }
    assert_eq!(count(&data, STROKES), 0);
    let (done, says) = program(&["restore", copy.to_str().unwrap()], &again);
    assert!(done, "{says}");
    assert!(!found(&again, &strokes).is_empty() && !found(&again, &beats).is_empty());
    let journal = opened(&again);
    let looked = looked_until(&journal, &again, MADE + 441 * DAY).await;
    assert_eq!(looked, Looked { strokes_of: 1, heart_rate_of: 1, waiting: 0 });
    let all: Vec<Vec<u8>> = beats.into_iter().chain(strokes).collect();
    assert_eq!(found(&again, &all), BTreeSet::new());
    assert_eq!(export(&again), before);
}

fn now() -> u64 {
    Clock::new(1).unix_ms()
}

#[tokio::test]
async fn wherever_a_server_is_killed_the_next_one_lets_go_of_the_rest() {
    let mut states = BTreeSet::new();
    for step in 0..4 {
        let folder = tempfile::tempdir().unwrap();
        let data = folder.path();
        let now = now();
        let evenings = (1..=3).map(|no| ruled(no, now - 500 * DAY));
        written(data, evenings).await;
        let needles: Vec<Vec<u8>> = payloads(data, "1, 2");
        let before = export(data);
        {
            let mut store = Store::open(data).unwrap();
            store.due(now - 9 * DAY).unwrap();
            store.set_keeping(Keeping { strokes_days: 400, heart_rate_days: 60 }).unwrap();
        }
        let erased = || {
            let journal = Connection::open(data.join("thole.db")).unwrap();
            let sql = "SELECT count(DISTINCT session) FROM record WHERE kind = -1";
            journal.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap_or(0)
        };
        let mut server = Some(Started::new(data, &[]));
        comes("a step", || step == 0 || erased() >= step).await;
        // Killed here.
        drop(server.take());
        states.insert((erased(), found(data, &needles).is_empty()));
        let server = Started::new(data, &[]);
        comes("all of it", || erased() == 3 && count(data, HEART_RATE) == 0).await;
        comes("no trace of it", || found(data, &needles).is_empty()).await;
        drop(server);
        assert_eq!(export(data), before, "step {step}");
        let (is_well, says) = program(&["check"], data);
        assert!(is_well, "step {step}: {says}");
    }
    assert!(states.len() > 1, "it was always killed in the same state: {states:?}");
}

#[tokio::test]
async fn all_strokes_of_a_session_go_or_none() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    written(data, [ruled(1, MADE)]).await;
    let journal = opened(data);
    let all = count(data, STROKES);
    let in_the_first_piece = MADE + 400 * DAY + 100_000;
    let looked = looked_until(&journal, data, in_the_first_piece).await;
    assert_eq!((looked.strokes_of, count(data, STROKES)), (0, all));
    let looked = looked_until(&journal, data, MADE + 401 * DAY).await;
    assert_eq!((looked.strokes_of, count(data, STROKES)), (1, 0));
}
