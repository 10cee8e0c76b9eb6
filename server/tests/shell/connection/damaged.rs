//! A session whose journal is damaged: who is told what, which results are marked, and how strokes come back.

use std::{fs, path::Path};

use rusqlite::Connection;
use thole_piece::Input;
use thole_protocol::{
    ids::{AthleteId, CommandId, JoinCode, RunId, SessionId},
    order::Order,
    sample::Sample,
    spec::{AthleteSpec, Extent, PieceSpec, Repeat, RosterEntry, SessionSettings},
    units::{At, Decimetres, Millis},
};
use thole_server::{
    journal::{Append, Grant, Holder, Journal, LOST, Record, SessionRow, sqlite::SqliteJournal},
    secret::{SecretHash, new_secret},
    session::Event,
};

use super::*;

const SESSION: SessionId = SessionId(Uuid::from_u128(1));
const GO: u64 = 10_000;
/// Strokes of each athlete; the first is from before the go.
const STROKES: u32 = 27;

fn athlete(no: u128) -> AthleteId {
    AthleteId(Uuid::from_u128(1_000 + no))
}

fn run(no: u128) -> RunId {
    RunId(Uuid::from_u128(500 + no))
}

/// 8 m every 2 s from the go on: 200 m in 50 s.
fn sample(seq: u32) -> Sample {
    let heard_ms = i64::try_from(GO).unwrap() + 2_000 * (i64::from(seq) - 1) - 500;
    let distance_dm = 80 * (i64::from(seq) - 1);
    Sample { seq, heard_ms, distance_dm, ..Sample::default() }
}

/// Two rowed 200 m to the end; the process was killed before the piece had its record.
pub(super) struct Evening {
    pub(super) folder: tempfile::TempDir,
    coach: Value,
    pub(super) secrets: [Value; 2],
    /// Position of Ana's stroke of number 12, and of the order to start.
    stroke: u64,
    start: u64,
    last: u64,
}

impl Evening {
    pub(super) async fn rowed() -> Evening {
        let folder = tempfile::tempdir().unwrap();
        let journal = SqliteJournal::open(folder.path()).unwrap();
        let [coach, ana, bo] = [(); 3].map(|()| new_secret());
        let created = Input::Created {
            title: "Weir".to_owned(),
            settings: SessionSettings::default(),
            by: None,
        };
        let create = Some(SessionRow {
            session: SESSION,
            code: JoinCode::from_random(1),
            created_unix_ms: now_unix_ms() - 3_600_000,
            closed_unix_ms: None,
        });
        let grant = [
            (&coach, Holder::Coach),
            (&ana, Holder::Athlete(athlete(1))),
            (&bo, Holder::Athlete(athlete(2))),
        ];
        let grant = grant.map(|(secret, holder)| Grant { hash: secret.hash(), holder }).to_vec();
        let mut next = 0;
        let mut write = async |at: u64, input: Input, create, grant| {
            let first = next;
            let records = Arc::new(vec![Record { at: At(at), input }]);
            let append = Append {
                session: SESSION,
                create,
                tenure: 0,
                first,
                records,
                revoke: Vec::new(),
                grant,
                closed_unix_ms: None,
                reckoned: None,
            };
            next = journal.append(append).await.unwrap();
            first
        };
        write(0, created, create, grant).await;
        let entry = |no, name: &str| {
            let spec = AthleteSpec { name: name.to_owned(), ..AthleteSpec::default() };
            (athlete(no), RosterEntry { spec, aims: Vec::new() })
        };
        let command = |no| CommandId(Uuid::from_u128(no));
        let athletes = vec![entry(1, "Ana"), entry(2, "Bo")];
        write(1, Input::AthletesAdded { command: command(1), athletes }, None, vec![]).await;
        let work = Extent::Distance { distance_dm: Decimetres(2_000) };
        let piece = PieceSpec {
            count_ms: Millis(5_000),
            ..PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }])
        };
        let pieces = vec![piece];
        let ordered = |no, order| Input::Ordered { command: command(no), order, by: None };
        write(2, ordered(2, Order::SetPieces { pieces }), None, vec![]).await;
        write(3, ordered(3, Order::Arm), None, vec![]).await;
        let start = write(GO - 5_000, ordered(4, Order::Start), None, vec![]).await;
        let (mut stroke, mut last) = (0, 0);
        for seq in 1..=STROKES {
            for who in [1, 2] {
                let samples = vec![sample(seq)];
                let input = Input::Samples { athlete: athlete(who), run: run(who), samples };
                last = write(GO + 2_000 * u64::from(seq - 1), input, None, vec![]).await;
                stroke = if (seq, who) == (12, 1) { last } else { stroke };
            }
        }
        let secrets = [ana, bo].map(|secret| json!(secret.reveal()));
        Evening { folder, coach: json!(coach.reveal()), secrets, stroke, start, last }
    }

    fn change(&self, sql: &str) {
        Connection::open(self.folder.path().join("thole.db")).unwrap().execute_batch(sql).unwrap();
    }

    pub(super) async fn gym(&self) -> Gym {
        self.gym_of(SqliteJournal::open(self.folder.path()).unwrap())
    }

    pub(super) fn gym_of(&self, journal: SqliteJournal) -> Gym {
        let journal = Arc::new(journal);
        let settings = ServeArgs::default().settings().unwrap();
        let server = Arc::new(Server::new(settings, journal));
        Gym { server, created: json!({"coach_secret": self.coach}) }
    }

    /// The server is stopped: the next one has the folder to itself.
    pub(super) async fn stop(&self, gym: Gym) {
        for mut handle in gym.server.registry.handles() {
            handle.inbox.send(Event::Stop).await.unwrap();
            while handle.ended.changed().await.is_ok() {}
        }
        drop(gym);
        let free = async {
            while SqliteJournal::open(self.folder.path()).is_err() {
                tokio::task::yield_now().await;
            }
        };
        timeout(Duration::from_secs(20), free).await.unwrap();
    }

    /// Ana's device comes back, acknowledged to the end, and sends what the server lacks.
    async fn ana_comes(&self, gym: &Gym) -> Device {
        let mut ana = Device::dial(&gym.server, 1 << 16).await;
        let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "athlete",
            "secret": self.secrets[0], "run": run(1), "unacked_seq": STROKES + 1});
        ana.say(hello).await;
        ana
    }
}

fn now_unix_ms() -> u64 {
    thole_server::clock::Clock::new(1).unix_ms()
}

/// What the coach is told on coming in: the damage, and for each athlete the outcome and whether it is
/// marked.
fn told(welcome: &Value) -> (Vec<String>, Vec<(String, bool)>) {
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let says = welcome["damage"].as_array().unwrap().iter().map(|damage| text(&damage["says"]));
    let results = welcome["pieces"][0]["results"].as_array().unwrap();
    let marked = |result: &Value| result["marks"].as_array().unwrap().contains(&json!("damaged"));
    let mut results: Vec<(Value, String, bool)> = results
        .iter()
        .map(|result| (result["athlete"].clone(), text(&result["outcome"]), marked(result)))
        .collect();
    results.sort_by_key(|(athlete, ..)| athlete.to_string());
    (says.collect(), results.into_iter().map(|(_, outcome, marked)| (outcome, marked)).collect())
}

fn finished(marks: [bool; 2]) -> Vec<(String, bool)> {
    marks.map(|mark| ("finished".to_owned(), mark)).to_vec()
}

async fn kinds(folder: &Path, kind: &str) -> usize {
    let journal = SqliteJournal::open_read_only(folder).unwrap();
    let found = journal.read(SESSION, 0).await.unwrap();
    found.records.iter().filter(|(_, record)| record.input.kind() == kind).count()
}

#[tokio::test]
async fn a_piece_that_was_over_when_the_process_was_killed_is_settled_at_the_next_opening() {
    let evening = Evening::rowed().await;
    assert_eq!(kinds(evening.folder.path(), "settled").await, 0);
    let gym = evening.gym().await;
    let welcome = gym.coach().await.hears("welcome").await;
    assert_eq!(told(&welcome), (vec![], finished([false, false])));
    assert_eq!(kinds(evening.folder.path(), "settled").await, 1);
    assert_eq!(kinds(evening.folder.path(), "damaged").await, 0);
}

#[tokio::test]
async fn a_stroke_that_was_changed_marks_its_athlete_until_the_device_has_sent_it_again() {
    let evening = Evening::rowed().await;
    let at = evening.stroke;
    evening.change(&format!(
        "UPDATE record SET payload = CAST(substr(payload, 1, 4) || x'7f' || substr(payload, 6) AS BLOB) WHERE position = {at}"
    ));
    for opening in 1..=2 {
        let gym = evening.gym().await;
        let mut coach = gym.coach().await;
        let (says, results) = told(&coach.hears("welcome").await);
        assert_eq!(results, finished([true, false]), "opening {opening}");
        assert!(says.len() == 1 && says[0].contains("strokes of Ana from 0:00:"), "{says:?}");
        assert_eq!(kinds(evening.folder.path(), "damaged").await, 1, "opening {opening}");
        evening.stop(gym).await;
    }

    let gym = evening.gym().await;
    let mut coach = gym.coach().await;
    coach.hears("welcome").await;
    let mut ana = evening.ana_comes(&gym).await;
    let durable = ana.hears("welcome").await["durable"].clone();
    assert_eq!(
        (&durable["through_seq"], &durable["beyond"]),
        (&json!(11), &json!([[13, STROKES]]))
    );
    ana.say(json!({"type": "samples", "run": run(1), "samples": [sample(12)]})).await;
    assert_eq!(ana.hears("ack").await["durable"]["through_seq"], json!(STROKES));
    let (says, results) = told(&gym.coach().await.hears("welcome").await);
    assert_eq!(results, finished([false, false]), "nothing is missing any more");
    assert_eq!(says.len(), 1, "and the coach still knows that something was");
}

#[tokio::test]
async fn what_may_have_been_an_order_marks_everybody_and_asks_the_coach_to_look() {
    for change in [
        "DELETE FROM record WHERE position = STROKE",
        "UPDATE record SET position = 9999 WHERE position = STROKE;
         UPDATE record SET position = STROKE WHERE position = STROKE + 2;
         UPDATE record SET position = STROKE + 2 WHERE position = 9999; DELETE FROM record WHERE position = STROKE + 1",
        "UPDATE record SET payload = CAST(payload || x'20' AS BLOB) WHERE position = START",
    ] {
        let evening = Evening::rowed().await;
        let change = change.replace("STROKE", &evening.stroke.to_string());
        let change = change.replace("START", &evening.start.to_string());
        evening.change(&change);
        let gym = evening.gym().await;
        let (says, results) = told(&gym.coach().await.hears("welcome").await);
        assert_eq!(results, finished([true, true]), "{change}");
        assert!(says[0].contains("Check the phase, the roster and the targets"), "{says:?}");
        assert!(says[0].contains("thole-server salvage"), "{says:?}");
    }
}

#[tokio::test]
async fn a_go_that_is_lost_is_told_and_the_piece_is_not_rowed_on() {
    let evening = Evening::rowed().await;
    evening.change(&format!("DELETE FROM record WHERE position = {}", evening.start));
    let gym = evening.gym().await;
    let welcome = gym.coach().await.hears("welcome").await;
    assert_eq!(welcome["pieces"][0]["phase"]["phase"], "armed", "nobody has started it again");
    let (says, _) = told(&welcome);
    assert!(says[0].contains("orders may be among it"), "{says:?}");
}

#[tokio::test]
async fn a_lost_end_is_told_and_its_positions_are_not_used_again() {
    let evening = Evening::rowed().await;
    evening.change(&format!("DELETE FROM record WHERE position > {} - 6", evening.last));
    let gym = evening.gym().await;
    let welcome = gym.coach().await.hears("welcome").await;
    let (says, results) = told(&welcome);
    assert!(says.len() == 1 && says[0].contains("orders may be among it"), "{says:?}");
    assert_eq!(results, [], "nobody is home any more: the piece goes on");
    let journal = SqliteJournal::open_read_only(evening.folder.path()).unwrap();
    let written = journal.read(SESSION, evening.last - 5).await.unwrap();
    assert!(written.records[0].0 > evening.last, "{:?}", written.records[0]);
    // Both devices still have their strokes, and the piece is rowed to its end.
    let mut ana = evening.ana_comes(&gym).await;
    assert_eq!(ana.hears("welcome").await["durable"]["through_seq"], json!(STROKES - 3));
}

/// Every record of the copy is as it was written, and what was ordered after it was made is in none.
#[tokio::test]
async fn a_copy_that_was_put_back_in_mid_piece_is_told_and_marks_what_is_under_way() {
    let evening = Evening::rowed().await;
    // As it was a few strokes before the end.
    evening.change(&format!("DELETE FROM record WHERE position > {} - 6", evening.last));
    fs::remove_file(evening.folder.path().join("witness")).unwrap();
    let gym = evening.gym().await;
    gym.server.journal.keep(LOST, now_unix_ms().to_string()).await.unwrap();
    evening.stop(gym).await;
    for opening in 1..=2 {
        let gym = evening.gym().await;
        let (says, results) = told(&gym.coach().await.hears("welcome").await);
        assert_eq!((says.len(), results.len()), (1, 0), "opening {opening}: {says:?}");
        assert!(says[0].contains("orders may be among it"), "{says:?}");
        assert_eq!(kinds(evening.folder.path(), "damaged").await, 1, "opening {opening}");
        evening.stop(gym).await;
    }
}

/// Neither the file nor its witness knows about the end; the device does.
#[tokio::test]
async fn a_device_that_was_acknowledged_more_than_is_there_is_a_witness() {
    let evening = Evening::rowed().await;
    evening.change(&format!("DELETE FROM record WHERE position > {} - 2", evening.last));
    fs::remove_file(evening.folder.path().join("witness")).unwrap();
    let gym = evening.gym().await;
    let mut coach = gym.coach().await;
    assert_eq!(told(&coach.hears("welcome").await).0, [""; 0], "nothing here can tell");
    let mut ana = evening.ana_comes(&gym).await;
    assert_eq!(ana.hears("welcome").await["durable"]["through_seq"], json!(STROKES - 1));
    let happened = loop {
        let events = coach.hears("events").await["events"].clone();
        let damaged = |event: &&Value| event["what"]["kind"] == "damaged";
        if let Some(event) = events.as_array().unwrap().iter().find(damaged) {
            break event["what"].clone();
        }
    };
    assert!(happened["says"].as_str().unwrap().contains("lost strokes of Ana"), "{happened}");
    assert_eq!(happened["athletes"], json!([athlete(1)]));
    let again = [sample(STROKES)];
    ana.say(json!({"type": "samples", "run": run(1), "samples": again})).await;
    ana.hears("ack").await;
    let (_, results) = told(&gym.coach().await.hears("welcome").await);
    assert_eq!(results[0], ("finished".to_owned(), false), "all of it is here again");
}

#[tokio::test]
async fn replay_prints_where_a_record_is_not_what_the_strokes_give() {
    let evening = Evening::rowed().await;
    let gym = evening.gym().await;
    gym.coach().await.hears("welcome").await;
    evening.stop(gym).await;
    let replay = || {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_thole-server"));
        command.env_clear().args(["replay", "--session", JoinCode::from_random(1).as_str()]);
        let output = command.arg("--data").arg(evening.folder.path()).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    assert!(replay().contains("\"result\"") && !replay().contains("differs"), "{}", replay());
    let journal = SqliteJournal::open(evening.folder.path()).unwrap();
    let found = journal.read(SESSION, 0).await.unwrap();
    let is_settled = |(_, record): &&(u64, Record)| record.input.kind() == "settled";
    let Record { at, input } = found.records.iter().find(is_settled).unwrap().1.clone();
    let Input::Settled { mut settled } = input else { panic!("it is settled") };
    settled.revision += 1;
    settled.seats[0].time_ms.0 -= 100;
    let append = Append {
        session: SESSION,
        create: None,
        tenure: journal.take(SESSION).await.unwrap(),
        first: found.next,
        records: Arc::new(vec![Record {
            at: found.records.last().unwrap().1.at.max(at),
            input: Input::Settled { settled },
        }]),
        revoke: Vec::new(),
        grant: Vec::new(),
        closed_unix_ms: None,
        reckoned: None,
    };
    journal.append(append).await.unwrap();
    let says = replay();
    assert!(
        says.contains(r#""piece":1,"revision":2,"differs":"#) && says.contains("seat 0"),
        "{says}"
    );
}

impl Evening {
    /// Cy comes later, in a commit of his own: his secret.
    async fn cy_comes(&self) -> Value {
        let journal = SqliteJournal::open(self.folder.path()).unwrap();
        let cy = new_secret();
        let spec = AthleteSpec { name: "Cy".to_owned(), ..AthleteSpec::default() };
        let athletes = vec![(athlete(3), RosterEntry { spec, aims: Vec::new() })];
        let input = Input::AthletesAdded { command: CommandId(Uuid::from_u128(9)), athletes };
        let append = Append {
            session: SESSION,
            create: None,
            tenure: 0,
            first: self.last + 1,
            records: Arc::new(vec![Record { at: At(GO + 90_000), input }]),
            revoke: vec![Holder::Athlete(athlete(2))],
            grant: vec![Grant { hash: cy.hash(), holder: Holder::Athlete(athlete(3)) }],
            closed_unix_ms: None,
            reckoned: None,
        };
        journal.append(append).await.unwrap();
        json!(cy.reveal())
    }

    /// The code with which somebody who comes by this secret is sent away.
    async fn sent_away(&self, gym: &Gym, secret: &Value) -> u16 {
        gym.enter("athlete", secret).await.is_closed().await
    }
}

#[tokio::test]
async fn who_came_in_with_the_end_that_was_lost_is_not_sent_away_for_good() {
    let evening = Evening::rowed().await;
    let cy = evening.cy_comes().await;
    let gym = evening.gym().await;
    gym.enter("athlete", &cy).await.hears("welcome").await;
    let nobody = json!("not a secret of anybody's");
    assert_eq!(evening.sent_away(&gym, &nobody).await, Close::WrongSecret.code());
    evening.stop(gym).await;
    let hash = SecretHash::of(cy.as_str().unwrap()).to_hex();
    evening.change(&format!(
        "DELETE FROM record WHERE position > {}; DELETE FROM secret WHERE hash = x'{hash}'",
        evening.last
    ));
    // The second start finds what the first has written after the gap, and the witness has seen it.
    for start in 1..=2 {
        let gym = evening.gym().await;
        assert_eq!(evening.sent_away(&gym, &cy).await, Close::RecordsLost.code(), "{start}");
        // A link that was revoked is known to be wrong.
        let bo = evening.sent_away(&gym, &evening.secrets[1]).await;
        assert_eq!(bo, Close::WrongSecret.code(), "{start}");
        gym.coach().await.hears("welcome").await;
        evening.stop(gym).await;
    }
}

#[tokio::test]
async fn who_was_in_a_session_that_is_missing_whole_is_not_sent_away_for_good() {
    let evening = Evening::rowed().await;
    evening.change(
        "DELETE FROM secret; DELETE FROM record; DELETE FROM person; DELETE FROM run;
         DELETE FROM reckoned; DELETE FROM session",
    );
    for start in 1..=2 {
        let gym = evening.gym().await;
        let ana = evening.sent_away(&gym, &evening.secrets[0]).await;
        assert_eq!(ana, Close::RecordsLost.code(), "{start}");
        // Its place in the witness is taken by another one.
        gym.another().await;
        evening.stop(gym).await;
    }
}

#[tokio::test]
async fn a_link_or_a_seat_that_is_damaged_sends_nobody_away_for_good() {
    for change in [
        "UPDATE secret SET sum = x'00'",
        // The roster: what concerns everybody, and a record for each person.
        "DELETE FROM record WHERE position BETWEEN 1 AND 3",
    ] {
        let evening = Evening::rowed().await;
        evening.change(change);
        let gym = evening.gym().await;
        let ana = evening.sent_away(&gym, &evening.secrets[0]).await;
        assert_eq!(ana, Close::RecordsLost.code(), "{change}");
    }
}

#[tokio::test]
async fn what_was_lost_is_remembered_for_as_long_as_a_link_lives() {
    let gym = Gym::new().await;
    let settings = ServeArgs::default().settings().unwrap();
    let lives = u64::try_from(settings.limits.open_links.as_millis()).unwrap();
    for (ago, code) in [(lives - 60_000, Close::RecordsLost), (lives + 60_000, Close::WrongSecret)]
    {
        let lost = (now_unix_ms() - ago).to_string();
        gym.server.journal.keep(LOST, lost).await.unwrap();
        let mut strange = gym.enter("coach", &json!("not a secret of anybody's")).await;
        assert_eq!(strange.is_closed().await, code.code());
    }
}
