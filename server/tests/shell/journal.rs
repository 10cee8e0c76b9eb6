//! What every journal promises, asked of both: the one in memory and the one in a file.

use std::sync::Arc;

use futures_util::future::join_all;
use thole_piece::Input;
use thole_protocol::{
    ids::{AthleteId, CommandId, JoinCode, RunId, SessionId},
    sample::{Reading, Sample},
    spec::{AthleteSpec, RosterEntry, SessionSettings},
    units::At,
};
use thole_server::{
    clock::{Reckoned, Uptime},
    journal::{
        Append, Grant, Held, Holder, Journal, JournalError, LetGo, Passing, Record, SessionRow,
        memory::MemoryJournal, sqlite::SqliteJournal,
    },
    secret::new_secret,
};
use uuid::Uuid;

/// Runs a scene with each journal, empty.
async fn with_both(scene: impl AsyncFn(Arc<dyn Journal>)) {
    println!("in memory");
    scene(Arc::new(MemoryJournal::default())).await;
    println!("in a file");
    let folder = tempfile::tempdir().unwrap();
    scene(Arc::new(SqliteJournal::open(folder.path()).unwrap())).await;
}

pub(crate) fn session(no: u128) -> SessionId {
    SessionId(Uuid::from_u128(no))
}

pub(crate) fn athlete(no: u128) -> AthleteId {
    AthleteId(Uuid::from_u128(1_000 + no))
}

fn code(no: u64) -> JoinCode {
    JoinCode::from_random(no)
}

pub(crate) fn heard(at: u64, who: u128) -> Record {
    Record { at: At(at), input: Input::Heard { athlete: athlete(who) } }
}

fn deadline(at: u64) -> Record {
    Record { at: At(at), input: Input::Deadline }
}

/// A new session of this number, with one record.
pub(crate) fn made(no: u128) -> Append {
    let input = Input::Created {
        title: "Weir House".to_owned(),
        settings: SessionSettings::default(),
        by: None,
    };
    let small = u64::try_from(no).unwrap();
    let row = SessionRow {
        session: session(no),
        code: code(small),
        created_unix_ms: 1_700_000_000_000 + small,
        closed_unix_ms: None,
    };
    Append { create: Some(row), ..more(no, 0, vec![Record { at: At(0), input }]) }
}

pub(crate) fn more(no: u128, first: u64, records: Vec<Record>) -> Append {
    Append {
        session: session(no),
        create: None,
        tenure: 0,
        first,
        records: Arc::new(records),
        revoke: Vec::new(),
        grant: Vec::new(),
        closed_unix_ms: None,
        reckoned: None,
    }
}

/// Positions of a session's records.
pub(crate) async fn positions(journal: &dyn Journal, no: u128) -> Vec<u64> {
    let records = journal.read(session(no), 0).await.unwrap().records;
    records.into_iter().map(|(position, _)| position).collect()
}

fn is_fenced(result: &Result<u64, JournalError>) -> bool {
    matches!(result, Err(JournalError::Fenced))
}

#[tokio::test]
async fn what_was_written_is_read_back_in_order_from_any_position() {
    with_both(async |journal| {
        journal.append(made(1)).await.unwrap();
        journal.append(made(2)).await.unwrap();
        journal.append(more(1, 1, vec![heard(41, 1), deadline(41), heard(97, 2)])).await.unwrap();
        let from_two = journal.read(session(1), 2).await.unwrap().records;
        assert_eq!(from_two, [(2, deadline(41)), (3, heard(97, 2))]);
        assert_eq!(journal.read(session(1), 0).await.unwrap().records.len(), 4);
        assert_eq!(journal.read(session(1), 4).await.unwrap().records, []);
        assert_eq!(positions(&*journal, 2).await, [0], "sessions do not mix");
        assert_eq!(positions(&*journal, 3).await, [0; 0], "a session that nobody made is empty");
    })
    .await;
}

#[tokio::test]
async fn the_newest_instant_that_was_appended_is_the_one_a_clock_goes_on_from() {
    with_both(async |journal| {
        journal.append(made(1)).await.unwrap();
        assert_eq!(journal.reckoned(session(1)).await.unwrap(), None);
        let uptime = Some(Uptime { boot: "one".to_owned(), ns: 70_123_456_789 });
        let first = Reckoned { at: At(5), unix_ms: 1_700_000_000_000, uptime };
        let second = Reckoned { at: At(9), uptime: None, ..first.clone() };
        for (position, reckoned) in [(1, &first), (2, &second)] {
            let append = more(1, position, vec![deadline(9)]);
            journal.append(Append { reckoned: Some(reckoned.clone()), ..append }).await.unwrap();
            assert_eq!(journal.reckoned(session(1)).await.unwrap().as_ref(), Some(reckoned));
        }
        journal.append(more(1, 3, vec![deadline(12)])).await.unwrap();
        assert_eq!(journal.reckoned(session(1)).await.unwrap(), Some(second));
        assert_eq!(journal.reckoned(session(2)).await.unwrap(), None);
    })
    .await;
}

#[tokio::test]
async fn an_append_that_does_not_go_on_where_the_records_end_changes_nothing() {
    with_both(async |journal| {
        let (known, offered) = (new_secret().hash(), new_secret().hash());
        let grant = vec![Grant { hash: known, holder: Holder::Athlete(athlete(1)) }];
        journal.append(Append { grant, ..made(1) }).await.unwrap();
        let grant = vec![Grant { hash: offered, holder: Holder::Coach }];
        let (revoke, closed_unix_ms) = (vec![Holder::Athlete(athlete(1))], Some(5));
        let all = |append| Append {
            grant: grant.clone(),
            revoke: revoke.clone(),
            closed_unix_ms,
            ..append
        };
        for (what, append) in [
            ("by who was the writer before", Append { tenure: 1, ..more(1, 1, vec![heard(9, 1)]) }),
            ("said again", more(1, 0, vec![heard(9, 1)])),
            ("with a gap", more(1, 2, vec![heard(9, 1)])),
            ("made again", Append { first: 1, records: Arc::new(vec![heard(9, 1)]), ..made(1) }),
            ("for a session that nobody made", more(7, 0, vec![heard(9, 1)])),
        ] {
            assert!(is_fenced(&journal.append(all(append)).await), "{what}");
        }
        let bare = more(7, 0, vec![heard(9, 1)]);
        assert!(is_fenced(&journal.append(bare).await), "a record of a session that nobody made");
        let twice = vec![Grant { hash: known, holder: Holder::Board }];
        let append = Append { grant: twice, ..more(1, 1, vec![heard(9, 1)]) };
        assert!(is_fenced(&journal.append(append).await), "a secret that is somebody else's");

        assert_eq!(positions(&*journal, 1).await, [0]);
        assert_eq!(positions(&*journal, 7).await, [0; 0]);
        assert_eq!(journal.held(offered).await.unwrap(), None);
        let holder = Holder::Athlete(athlete(1));
        let held = Some(Held { session: session(1), holder });
        assert_eq!(journal.held(known).await.unwrap(), held, "not revoked either");
        assert_eq!(journal.session(session(1)).await.unwrap().unwrap().closed_unix_ms, None);
        journal.append(more(1, 1, vec![heard(10, 1)])).await.unwrap();
    })
    .await;
}

#[tokio::test]
async fn a_fenced_append_does_not_harm_those_that_share_its_commit() {
    with_both(async |journal| {
        join_all((1..=40).map(|no| journal.append(made(no)))).await;
        let appends = (1..=40).map(|no| {
            let first = if no == 17 { 0 } else { 1 };
            journal.append(more(no, first, vec![heard(12, no)]))
        });
        let answers = join_all(appends).await;
        for (no, answer) in (1..=40).zip(&answers) {
            assert_eq!(is_fenced(answer), no == 17, "session {no}: {answer:?}");
            let written: &[u64] = if no == 17 { &[0] } else { &[0, 1] };
            assert_eq!(positions(&*journal, no).await, written, "session {no}");
        }
    })
    .await;
}

#[tokio::test]
async fn a_secret_opens_what_it_was_made_for_until_it_is_revoked() {
    with_both(async |journal| {
        let [coach, board, ana, bo, other, new, tv] = [(); 7].map(|()| new_secret().hash());
        let grant = vec![
            Grant { hash: coach, holder: Holder::Coach },
            Grant { hash: board, holder: Holder::Board },
            Grant { hash: ana, holder: Holder::Athlete(athlete(1)) },
        ];
        journal.append(Append { grant, ..made(1) }).await.unwrap();
        // The same athlete in another session keeps the secret for that one.
        let grant = vec![
            Grant { hash: bo, holder: Holder::Athlete(athlete(1)) },
            Grant { hash: other, holder: Holder::Board },
        ];
        journal.append(Append { grant, ..made(2) }).await.unwrap();
        let held = async |hash| journal.held(hash).await.unwrap();
        let of = |no, holder| Some(Held { session: session(no), holder });
        assert_eq!(held(coach).await, of(1, Holder::Coach));
        assert_eq!(held(board).await, of(1, Holder::Board));
        assert_eq!(held(ana).await, of(1, Holder::Athlete(athlete(1))));
        assert_eq!(held(new).await, None);

        let grant = vec![
            Grant { hash: new, holder: Holder::Athlete(athlete(1)) },
            Grant { hash: tv, holder: Holder::Board },
        ];
        let revoke = vec![Holder::Athlete(athlete(1)), Holder::Board];
        journal.append(Append { grant, revoke, ..more(1, 1, Vec::new()) }).await.unwrap();
        assert_eq!(held(ana).await, None, "revoked");
        assert_eq!(held(new).await, of(1, Holder::Athlete(athlete(1))), "granted with it");
        assert_eq!(held(board).await, None, "revoked");
        assert_eq!(held(tv).await, of(1, Holder::Board), "granted with it");
        assert_eq!(held(bo).await, of(2, Holder::Athlete(athlete(1))));
        assert_eq!(held(other).await, of(2, Holder::Board));
        assert_eq!(held(coach).await, of(1, Holder::Coach));
    })
    .await;
}

#[tokio::test]
async fn a_session_is_found_by_its_code_and_of_several_the_newest() {
    with_both(async |journal| {
        let named = |no, created_unix_ms| {
            let mut append = made(no);
            let row = append.create.as_mut().unwrap();
            (row.code, row.created_unix_ms) = (code(4_711), created_unix_ms);
            append
        };
        journal.append(named(2, 3_000)).await.unwrap();
        journal.append(named(3, 1_000)).await.unwrap();
        journal.append(made(4)).await.unwrap();
        let found = journal.session_of(&code(4_711)).await.unwrap().unwrap();
        assert_eq!((found.session, found.created_unix_ms), (session(2), 3_000));
        assert_eq!(journal.session_of(&code(99)).await.unwrap(), None);

        let closed_unix_ms = Some(1_700_000_003_000);
        journal.append(Append { closed_unix_ms, ..more(2, 1, Vec::new()) }).await.unwrap();
        journal.append(more(2, 1, vec![deadline(8)])).await.unwrap();
        let row = journal.session(session(2)).await.unwrap().unwrap();
        assert_eq!(row.closed_unix_ms, closed_unix_ms, "a later append does not open it again");
        assert_eq!(journal.session(session(9)).await.unwrap(), None);
    })
    .await;
}

#[tokio::test]
async fn a_record_set_aside_is_left_out_and_its_position_is_not_used_again() {
    with_both(async |journal| {
        journal.append(made(1)).await.unwrap();
        journal.append(more(1, 1, vec![heard(3, 1), heard(4, 2)])).await.unwrap();
        journal.set_aside(session(1), 2).await.unwrap();
        journal.set_aside(session(1), 2).await.unwrap();
        assert_eq!(positions(&*journal, 1).await, [0, 1]);
        assert!(is_fenced(&journal.append(more(1, 2, vec![heard(5, 1)])).await));
        journal.append(more(1, 3, vec![heard(5, 1)])).await.unwrap();
        assert_eq!(positions(&*journal, 1).await, [0, 1, 3]);
    })
    .await;
}

fn named(no: u128, name: &str) -> (AthleteId, RosterEntry) {
    let spec = AthleteSpec { name: name.to_owned(), ..AthleteSpec::default() };
    (athlete(no), RosterEntry { spec, aims: Vec::new() })
}

/// A roster of three, and a stroke of each of them in every record after it.
pub(crate) fn rowing(first: u64, records: u64) -> Vec<Record> {
    let roster = vec![named(1, "Ana Olsen"), named(2, "Bo Lindqvist"), named(3, "Cy Guest")];
    let command = CommandId(Uuid::from_u128(77));
    let added = Input::AthletesAdded { command, athletes: roster };
    let mut all = vec![Record { at: At(10), input: added }];
    all.extend((0..records).map(|no| stroke(first + no, 1 + u128::from(no % 3))));
    all
}

/// An athlete's stroke of this number; no two are alike.
pub(crate) fn stroke(no: u64, who: u128) -> Record {
    let at = 1_000 + no * 700;
    let seq = u32::try_from(no + 1).unwrap();
    let signed = at.cast_signed();
    let sample = Sample {
        seq,
        heard_ms: signed - 130,
        distance_dm: 91 + i64::from(seq) * 87,
        elapsed_ms: Some(signed - 900),
        strokes: Some(i64::from(seq)),
        rate_half_spm: Some(53 + i64::from(seq % 4)),
        power_w: Some(180 + i64::from(seq % 30)),
    };
    let run = RunId(Uuid::from_u128(500 + who));
    Record {
        at: At(at),
        input: Input::Samples { athlete: athlete(who), run, samples: vec![sample] },
    }
}

#[tokio::test]
async fn a_position_is_counted_for_each_person_of_whom_something_is_said() {
    with_both(async |journal| {
        journal.append(made(1)).await.unwrap();
        let next = journal.append(more(1, 1, rowing(0, 2))).await.unwrap();
        assert_eq!(next, 7, "the roster takes four");
        assert_eq!(positions(&*journal, 1).await, [0, 1, 5, 6]);
        let found = journal.read(session(1), 0).await.unwrap();
        assert_eq!((found.next, &found.damage, found.erased), (7, &vec![], 0));
        assert_eq!(found.records[1].1, rowing(0, 2)[0]);
        let taken = journal.take(session(1)).await.unwrap();
        let append = Append { tenure: taken, ..more(1, 7, vec![heard(99_000, 1)]) };
        assert_eq!(journal.append(append).await.unwrap(), 8);
    })
    .await;
}

#[tokio::test]
async fn who_takes_a_session_fences_whoever_had_it() {
    with_both(async |journal| {
        journal.append(made(1)).await.unwrap();
        assert_eq!(journal.take(session(9)).await.unwrap(), 0, "nobody made it");
        let first = journal.take(session(1)).await.unwrap();
        let by = |tenure, position| Append { tenure, ..more(1, position, vec![heard(9, 1)]) };
        assert!(is_fenced(&journal.append(by(0, 1)).await), "who made it has it no more");
        journal.append(by(first, 1)).await.unwrap();
        let second = journal.take(session(1)).await.unwrap();
        assert!(second > first);
        assert!(is_fenced(&journal.append(by(first, 2)).await));
        assert_eq!(positions(&*journal, 1).await, [0, 1]);
        journal.append(by(second, 2)).await.unwrap();
    })
    .await;
}

#[tokio::test]
async fn who_is_erased_leaves_their_positions_and_nothing_else() {
    with_both(async |journal| {
        journal.append(made(1)).await.unwrap();
        journal.append(more(1, 1, rowing(0, 6))).await.unwrap();
        journal.erase(session(1), athlete(1)).await.unwrap();
        let found = journal.read(session(1), 0).await.unwrap();
        assert_eq!((found.next, &found.damage), (11, &vec![]), "the chain still holds");
        assert_eq!(found.erased, 3, "the roster and two strokes");
        assert_eq!(positions(&*journal, 1).await, [0, 6, 7, 9, 10]);
        journal.append(more(1, 11, vec![stroke(9, 2)])).await.unwrap();
        assert_eq!(positions(&*journal, 1).await.last(), Some(&11));
    })
    .await;
}

fn beat(at: u64, who: u128) -> Record {
    let readings = vec![Reading { heard_ms: at.cast_signed(), heart_bpm: 151 }];
    Record { at: At(at), input: Input::HeartRate { athlete: athlete(who), readings } }
}

fn consents(at: u64, who: u128, heart_rate: bool) -> Record {
    Record { at: At(at), input: Input::Consent { athlete: athlete(who), heart_rate, wording: 1 } }
}

/// Positions of heart rate.
async fn beats(journal: &dyn Journal) -> Vec<u64> {
    let found = journal.read(session(1), 0).await.unwrap();
    assert_eq!((found.damage, found.erased, found.strokes_let_go), (vec![], 0, 0));
    let beats = found.records.iter().filter(|(_, of)| matches!(of.input, Input::HeartRate { .. }));
    beats.map(|(position, _)| *position).collect()
}

#[tokio::test]
async fn who_takes_their_consent_back_has_no_heart_rate_from_before_and_others_keep_theirs() {
    with_both(async |journal| {
        journal.append(made(1)).await.unwrap();
        let said = [consents(1, 1, true), consents(1, 2, true), beat(2, 1), beat(2, 2), beat(3, 1)];
        let next = journal.append(more(1, 1, said.to_vec())).await.unwrap();
        assert_eq!(beats(&*journal).await, [3, 4, 5]);
        let next = journal.append(more(1, next, vec![consents(4, 1, false)])).await.unwrap();
        assert_eq!(beats(&*journal).await, [4]);
        assert_eq!(positions(&*journal, 1).await, [0, 1, 2, 4, 6], "nothing else went");
        // Within one commit it is what came before that goes; and somebody who changes their mind again keeps the rest.
        let said = [consents(5, 1, true), beat(6, 1), consents(7, 1, false), consents(8, 1, true)];
        let said = said.into_iter().chain([beat(9, 1), beat(9, 2)]).collect();
        let next = journal.append(more(1, next, said)).await.unwrap();
        assert_eq!(beats(&*journal).await, [4, 11, 12]);
        for again in 0..3 {
            let said = vec![consents(10, 1, false), consents(10, 1, true)];
            journal.append(more(1, next + 2 * again, said)).await.unwrap();
        }
        assert_eq!(beats(&*journal).await, [4, 12]);
    })
    .await;
}

#[tokio::test]
async fn strokes_are_let_go_of_up_to_an_instant_and_a_record_stands_in_their_place() {
    with_both(async |journal| {
        journal.append(made(1)).await.unwrap();
        let said = [stroke(1, 1), stroke(2, 2), heard(30_000, 1), stroke(40, 1)];
        let at = said.each_ref().map(|record| record.at);
        journal.append(more(1, 1, said.to_vec())).await.unwrap();
        let newest = journal.newest(session(1), Passing::Strokes).await.unwrap();
        assert_eq!(newest, Some(at[3]));
        let of = |what, before| LetGo { session: session(1), what, whose: None, before };
        let none = journal.let_go(of(Passing::HeartRate, At(u64::MAX))).await.unwrap();
        assert_eq!(none, 0);
        assert_eq!(journal.let_go(of(Passing::Strokes, at[3])).await.unwrap(), 2);
        assert_eq!(journal.let_go(of(Passing::Strokes, at[3])).await.unwrap(), 0);
        let found = journal.read(session(1), 0).await.unwrap();
        assert_eq!((found.strokes_let_go, found.erased, found.next), (2, 0, 5));
        let kinds: Vec<(u64, &str)> =
            found.records.iter().map(|(at, record)| (*at, record.input.kind())).collect();
        let told = [(0, "created"), (1, "strokes_let_go"), (3, "heard"), (4, "samples")];
        assert_eq!(kinds, told);
        // What is written later is read with it, and goes in its turn.
        journal.append(more(1, 5, vec![stroke(50, 2)])).await.unwrap();
        assert_eq!(journal.let_go(of(Passing::Strokes, At(u64::MAX))).await.unwrap(), 2);
        assert_eq!(journal.newest(session(1), Passing::Strokes).await.unwrap(), None);
        let unknown = LetGo { session: session(9), ..of(Passing::Strokes, At(u64::MAX)) };
        assert_eq!(journal.let_go(unknown).await.unwrap(), 0);
        journal.overwrite().await.unwrap();
        assert!(!journal.overwrite().await.unwrap());
    })
    .await;
}
