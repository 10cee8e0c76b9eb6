//! The table of results, as devices of the coach get it from their session's host.
#![expect(clippy::unwrap_used, reason = "a test that fails here should say so and stop")]

use std::time::Duration;

use thole_host::{
    Batch, ConnId, Delivery, Greeting, Holder, Host, Moment, Now, Outbound, RandomBits, Remark,
    Said, SecretHash, Setup,
    limits::{EVENTS_BYTES, TABLE_ROWS_MAX},
};
use thole_piece::{Input, Session, session::Viewer};
use thole_protocol::{
    ServerMsg,
    client_msg::{Hello, Role, TableQuestion},
    ids::{AthleteId, CommandId, EventNo, JoinCode, PieceNo, RunId, SessionId},
    order::Order,
    refusal::Why,
    results_table::results_table,
    sample::Sample,
    spec::{AthleteSpec, Extent, PieceSpec, Repeat, RepeatStart, RosterEntry, SessionSettings},
    units::{At, Millis},
};
use uuid::Uuid;

/// Nothing random is drawn here.
struct NoChance;

impl RandomBits for NoChance {
    fn fill(&mut self, _: &mut [u8]) {}
}

/// What each connection was told.
#[derive(Default)]
struct Told(Vec<(ConnId, ServerMsg)>);

impl Outbound for Told {
    fn tell(&mut self, to: ConnId, told: Delivery<'_>) {
        let text = match told {
            Delivery::Own(text) | Delivery::Refused(text) => text.to_owned(),
            Delivery::Shared(text) => text.to_string(),
            Delivery::Welcome(text) | Delivery::State(text) => text.to_string(),
            Delivery::Missed(_)
            | Delivery::Close(_)
            | Delivery::Entrance(_)
            | Delivery::Decided(_)
            | Delivery::Ordered(_) => return,
        };
        self.0.push((to, serde_json::from_str(&text).unwrap()));
    }

    fn remark(&mut self, _: Remark) {}
}

const GO: u64 = 6_000;

/// This many athletes who have rowed ten seconds this many times.
fn rowed(athletes: u128, repeats: u32) -> Session {
    let mut session = Session::new();
    let mut inputs: Vec<(u64, Input)> = Vec::new();
    let order =
        |no, order| Input::Ordered { command: CommandId(Uuid::from_u128(no)), order, by: None };
    let settings = SessionSettings::default();
    inputs.push((0, Input::Created { title: "Many".into(), settings, by: None }));
    let who = |no: u128| AthleteId(Uuid::from_u128(0xa7 << 64 | no));
    let entry = |no: u128| {
        let spec = AthleteSpec { name: format!("Rower, the {no}th"), ..AthleteSpec::default() };
        (who(no), RosterEntry { spec, aims: Vec::new() })
    };
    let command = CommandId(Uuid::from_u128(1));
    inputs
        .push((1, Input::AthletesAdded { command, athletes: (0..athletes).map(entry).collect() }));
    let work = Extent::Time { time_ms: Millis(10_000) };
    let rest = |nth| Millis(if nth + 1 == repeats { 0 } else { 5_000 });
    let repeat = |nth| Repeat { work, rest_ms: rest(nth) };
    let piece = PieceSpec {
        repeat_start: RepeatStart::OwnRest,
        count_ms: Millis(5_000),
        ..PieceSpec::of((0..repeats).map(repeat).collect())
    };
    inputs.push((2, order(2, Order::SetPieces { pieces: vec![piece] })));
    inputs.extend((0..athletes).map(|no| (3, Input::Heard { athlete: who(no) })));
    inputs.push((4, order(3, Order::Arm)));
    inputs.push((GO - 5_000, order(4, Order::Start)));
    inputs.push((GO, Input::Deadline));
    let sample = |seq: u32| Sample {
        seq,
        heard_ms: i64::try_from(GO).unwrap() + 5_000 * (i64::from(seq) - 1),
        distance_dm: 200 * i64::from(seq),
        ..Sample::default()
    };
    let samples: Vec<Sample> = (1..=3 * repeats + 2).map(sample).collect();
    let end = GO + 5_000 * samples.len() as u64;
    for no in 0..athletes {
        for samples in samples.chunks(100) {
            let (run, samples) = (RunId(Uuid::from_u128(no)), samples.to_vec());
            inputs.push((end, Input::Samples { athlete: who(no), run, samples }));
        }
    }
    for (at, input) in inputs {
        session.apply(At(at), &input);
    }
    session
}

/// A host with only two devices of the coach and a board in it.
struct Gym {
    host: Host,
    now: Now,
}

const LEADS: ConnId = ConnId(1);
const WATCHES: ConnId = ConnId(2);
const BOARD: ConnId = ConnId(3);

impl Gym {
    fn of(core: Session) -> Gym {
        let setup = Setup {
            athletes: 10_000,
            coaches: 3,
            boards: 8,
            speed: 1,
            build: String::new(),
            epoch: String::new(),
            session: SessionId(Uuid::from_u128(9)),
            code: JoinCode::from_random(9),
            created_unix_ms: 0,
        };
        let now = Now { at: core.now(), moment: Moment(Duration::ZERO) };
        let mut gym = Gym { host: Host::open(setup, core), now };
        for (conn, holder) in
            [(LEADS, Holder::Coach), (WATCHES, Holder::Coach), (BOARD, Holder::Board)]
        {
            let hello = Hello {
                version_min: 1,
                version_max: 1,
                role: if holder == Holder::Coach { Role::Coach } else { Role::Board },
                secret: String::new(),
                code: None,
                run: None,
                at_ms: None,
                unacked_seq: None,
                device: None,
                take_seat: false,
                last_event: EventNo(0),
            };
            let (asked, opens) = (Moment(Duration::ZERO), SecretHash::of("opens"));
            let greeting = Greeting { conn, asked, holder, opens, by: None, hello };
            gym.says(vec![Said::Hello(Box::new(greeting))]);
        }
        gym
    }

    fn says(&mut self, said: Vec<Said>) -> Vec<(ConnId, ServerMsg)> {
        let (mut batch, mut told) = (Batch::default(), Told::default());
        for said in said {
            self.host.take(self.now, said, &mut NoChance, &mut batch, &mut told);
        }
        let records = std::mem::take(&mut batch.records);
        self.host.committed(self.now, batch, &records, &mut told);
        told.0
    }

    /// The whole table, and in how many parts it came.
    fn table(&mut self, conn: ConnId, piece: Option<u16>) -> (String, usize) {
        let told = self.says(vec![asks(conn, piece)]);
        let (last, parts) = told.split_last().unwrap();
        assert_eq!(*last, (conn, ServerMsg::Done { command: ASKED }));
        let text = parts.iter().map(|(to, msg)| {
            let ServerMsg::ResultsTable(part) = msg else { panic!("{msg:?}") };
            assert_eq!((*to, part.command), (conn, ASKED));
            assert!(part.csv.len() <= EVENTS_BYTES, "{}", part.csv.len());
            part.csv.as_str()
        });
        (text.collect(), parts.len())
    }

    fn refusal(&mut self, conn: ConnId, piece: Option<u16>) -> (Why, String) {
        match self.says(vec![asks(conn, piece)]).as_slice() {
            [(to, ServerMsg::Refused { command: Some(ASKED), refusal })] if *to == conn => {
                (refusal.why, refusal.says.clone())
            }
            other => panic!("{other:?}"),
        }
    }
}

const ASKED: CommandId = CommandId(Uuid::from_u128(77));

fn asks(conn: ConnId, piece: Option<u16>) -> Said {
    Said::Table(conn, TableQuestion { command: ASKED, piece: piece.map(PieceNo) })
}

#[test]
fn a_whole_class_comes_in_parts_that_are_the_table() {
    let mut gym = Gym::of(rowed(300, 20));
    let (table, parts) = gym.table(LEADS, None);
    let view = gym.host.core().view(Viewer::Coach);
    assert_eq!(table, results_table(&view.pieces, &view.athletes));
    assert_eq!(table.lines().count(), 1 + 300 * 21, "every split is a row");
    assert!(parts > 5, "{parts} parts");
    // Looking is not an order, and one piece is all there is.
    assert_eq!(gym.table(WATCHES, Some(0)), (table, parts));
}

#[test]
fn nobody_but_the_coach_is_told_and_a_piece_that_is_not_there_is_refused() {
    let mut gym = Gym::of(rowed(2, 2));
    assert_eq!(gym.says(vec![asks(BOARD, None), asks(ConnId(44), None)]), []);
    let (why, says) = gym.refusal(LEADS, Some(1));
    assert_eq!((why, says.as_str()), (Why::Unknown, "There is no such piece in this session."));
}

#[test]
fn what_was_ordered_before_it_is_in_it() {
    let mut gym = Gym::of(rowed(1, 2));
    let core = gym.host.core().view(Viewer::Coach);
    let athlete = core.athletes.first().unwrap().athlete;
    let spec = AthleteSpec { name: "Zsófia".into(), ..AthleteSpec::default() };
    let order = Order::ChangeAthlete { athlete, spec };
    let command = CommandId(Uuid::from_u128(5));
    let input = Input::Ordered { command, order, by: None };
    let change = Said::Input { conn: LEADS, input, bytes: 90, command: None };
    let told = gym.says(vec![change, asks(LEADS, None)]);
    let place = |is: &dyn Fn(&ServerMsg) -> bool| told.iter().position(|(_, msg)| is(msg)).unwrap();
    let done = place(&|msg| *msg == ServerMsg::Done { command });
    let table =
        place(&|msg| matches!(msg, ServerMsg::ResultsTable(part) if part.csv.contains("Zsófia")));
    assert!(done < table, "{told:?}");
}

#[test]
fn a_table_that_would_hold_everybody_up_is_refused_with_what_to_do() {
    let rows = u128::try_from(TABLE_ROWS_MAX).unwrap();
    let mut gym = Gym::of(rowed(rows / 61 + 1, 60));
    let (why, says) = gym.refusal(LEADS, None);
    assert!(why == Why::Limit && says.contains("thole-server replay"), "{why:?} {says}");
}
