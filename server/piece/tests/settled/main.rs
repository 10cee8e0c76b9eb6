//! What becomes of a piece that is over: one record, asked for until it is kept, compared and never adopted.
#![expect(clippy::unwrap_used, reason = "in a test, a panic is the answer")]

mod refused;
mod ruled;
mod today;

use thole_piece::{Input, Output, Session, settled::Settled};
use thole_protocol::{
    ids::{AthleteId, CallId, CommandId, PieceNo, RunId},
    order::Order,
    sample::Sample,
    spec::{
        Aim, AthleteSpec, Audience, CallSpec, CallText, Extent, PieceSpec, Repeat, RosterEntry,
        SessionSettings, Span, Target,
    },
    standing::Outcome,
    total::Total,
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

/// Everything that was said so far, as the journal has it.
struct Evening {
    session: Session,
    journal: Vec<(At, Input)>,
}

impl Evening {
    fn say(&mut self, at: u64, input: Input) -> Vec<Output> {
        let at = At(at).max(self.session.now());
        let out = self.session.apply(at, &input);
        self.journal.push((at, input));
        out
    }

    fn order(&mut self, at: u64, order: Order) {
        let command = CommandId(Uuid::from_u128(1_000 + u128::from(at)));
        let out = self.say(at, Input::Ordered { command, order, by: None });
        assert!(out.contains(&Output::Done { command }), "{out:?}");
    }

    fn settle(&mut self) -> Vec<Output> {
        let settled = self.session.to_settle().unwrap().clone();
        self.say(0, Input::Settled { settled: Box::new(settled) })
    }

    fn replayed(&self) -> (Session, Vec<Output>) {
        let mut session = Session::new();
        let mut out = Vec::new();
        for (at, input) in &self.journal {
            out.extend(session.apply(*at, input));
        }
        out.retain(|output| matches!(output, Output::SettledDiffers { .. }));
        (session, out)
    }

    /// Whatever falls due up to an instant.
    fn until(&mut self, at: u64) {
        while let Some(due) = self.session.deadline().filter(|due| due.0 <= at) {
            self.say(due.0, Input::Deadline);
        }
    }

    /// A stroke every two seconds of the session at this many decimetres a second.
    fn row(&mut self, who: u128, from: u32, to: u32, speed: u32) {
        for seq in from..=to {
            self.stroke(u64::from(GO + 2_000 * seq), who, seq, speed);
        }
    }

    fn stroke(&mut self, at: u64, who: u128, seq: u32, speed: u32) {
        let sample = Sample {
            seq: seq + 1,
            heard_ms: i64::from(GO + 2_000 * seq),
            distance_dm: i64::from(2 * speed * seq),
            ..Sample::default()
        };
        let run = RunId(Uuid::from_u128(who));
        self.say(at, Input::Samples { athlete: athlete(who), run, samples: vec![sample] });
    }
}

const GO: u32 = 20_000;

fn athlete(who: u128) -> AthleteId {
    AthleteId(Uuid::from_u128(who))
}

/// Three of two teams at 300 m; the third is taken off the roster and a fourth comes. Armed and counted down.
fn started() -> Evening {
    let mut evening = Evening { session: Session::new(), journal: Vec::new() };
    let settings = SessionSettings::default();
    evening.say(0, Input::Created { title: "An evening".to_owned(), settings, by: None });
    let entry = |name: &str, team: &str, seconds: u32| RosterEntry {
        spec: AthleteSpec {
            name: name.to_owned(),
            team: Some(team.to_owned()),
            ..AthleteSpec::default()
        },
        aims: vec![Aim {
            target: Some(Target::Finish { finish_ms: Millis(seconds * 1_000) }),
            ..Aim::default()
        }],
    };
    let repeat =
        Repeat { work: Extent::Distance { distance_dm: Decimetres(3_000) }, rest_ms: Millis(0) };
    evening.order(0, Order::SetPieces { pieces: vec![PieceSpec::of(vec![repeat])] });
    let athletes = vec![
        (athlete(3), entry("Cy", "red", 80)),
        (athlete(1), entry("Ana", "red", 80)),
        (athlete(2), entry("Bo", "blue", 60)),
    ];
    evening.say(1, Input::AthletesAdded { command: CommandId(Uuid::from_u128(7)), athletes });
    evening.order(2, Order::RemoveAthlete { athlete: athlete(3) });
    let athletes = vec![(athlete(4), entry("Di", "blue", 90))];
    evening.say(3, Input::AthletesAdded { command: CommandId(Uuid::from_u128(8)), athletes });
    evening.order(4, Order::Arm);
    evening.order(u64::from(GO) - 10_000, Order::Start);
    evening.say(u64::from(GO) - 1_000, Input::Heard { athlete: athlete(1) });
    for who in [1, 2, 4] {
        evening.stroke(u64::from(GO) - 500, who, 0, 0);
    }
    evening
}

/// Rowed and closed: Ana is home after 75 s, Bo after 60 s; of Di 20 s are heard.
fn rowed() -> Evening {
    rowed_from(started())
}

fn rowed_from(mut evening: Evening) -> Evening {
    evening.say(u64::from(GO), Input::Deadline);
    for seq in 1..=38 {
        for (who, speed) in [(1, 40), (2, 50), (4, 30)] {
            if who != 4 || seq <= 10 {
                evening.row(who, seq, seq, speed);
            }
        }
        if seq == 5 || seq == 6 {
            let by_name = Audience::Picked { athletes: vec![athlete(1)] };
            let (shown, audience) =
                if seq == 5 { ("long", Audience::All) } else { ("Ana: sit tall", by_name) };
            let call = CallSpec {
                call: CallId(Uuid::from_u128(72 + u128::from(seq))),
                text: CallText { shown: shown.to_owned(), spoken: String::new() },
                audience,
                span: Span::Next,
                grace_ms: Some(Millis(0)),
            };
            evening.order(u64::from(GO) + 2_000 * u64::from(seq) + 500, Order::Call { call });
        }
        while let Some(at) = evening.session.deadline() {
            if at.0 > u64::from(GO + 2_000 * (seq + 1)) {
                break;
            }
            evening.say(at.0, Input::Deadline);
        }
    }
    assert!(evening.session.to_settle().is_none(), "nothing is settled while people row");
    evening.order(u64::from(GO) + 80_000, Order::Close);
    evening
}

#[test]
fn a_piece_that_is_over_is_told_whole_by_seats_and_without_names_of_persons() {
    let mut evening = rowed();
    let settled = evening.session.to_settle().unwrap().clone();
    assert!(evening.settle().is_empty());
    assert_eq!(evening.session.settled(PieceNo(0)).unwrap().seats, settled.seats);
    // Cy had seat 0 and has left: nobody else gets it.
    let seats: Vec<_> =
        settled.seats.iter().map(|s| (s.seat.0, s.outcome, s.place, s.time_ms.0)).collect();
    let unfinished = settled.seats.last().unwrap();
    assert_eq!(
        seats[..2],
        [(1, Outcome::Finished, Some(1), 75_000), (2, Outcome::Finished, Some(2), 60_000)]
    );
    assert_eq!((unfinished.seat.0, unfinished.place), (3, None));
    assert_eq!(settled.first_home_at_ms, Some(At(u64::from(GO) + 60_000)));
    assert_eq!(settled.starts_at_ms, [At(u64::from(GO))]);
    assert_eq!(
        settled.phases.len(),
        4,
        "counting, rowing, closing, finished: {:?}",
        settled.phases
    );
    let call = settled.calls.first().unwrap();
    assert_eq!(call.text.as_ref().unwrap().shown, "long");
    assert_eq!(call.sent_at_ms, At(30_500));
    let by_name = settled.calls.get(1).unwrap();
    assert_eq!(by_name.text, None, "what was said to Ana by name goes when she is erased");
    assert_eq!(by_name.seats.iter().map(|(a, b)| (a.0, b.0)).collect::<Vec<_>>(), [(1, 1)]);
    assert_eq!(call.seats.iter().map(|(a, b)| (a.0, b.0)).collect::<Vec<_>>(), [(1, 3)]);
    let lines = settled.lines.as_ref().unwrap().read();
    assert!((14..=18).contains(&lines.len()), "{} lines of 80 s", lines.len());
    assert!(lines.windows(2).all(|pair| pair[1].at_ms >= pair[0].at_ms + Millis(5_000)));
    let middle = lines.iter().find(|line| line.at_ms >= At(u64::from(GO) + 40_000)).unwrap();
    let ana = middle.ranked.iter().find(|ranked| ranked.seat.0 == 1).unwrap();
    assert!((1_500..1_800).contains(&ana.done_dm.0), "{ana:?}");
    let text = serde_json::to_string(&settled).unwrap();
    for name in ["Ana", "Bo", "Di", "Cy"] {
        // Packed lines may hold any letters: a name would be in quotes.
        assert!(!text.contains(&format!("\"{name}")), "{name} in {text}");
    }
    assert!(!text.contains("00000000-0000-0000-0000-000000000001"), "an identity in {text}");
    assert_eq!(serde_json::from_str::<Settled>(&text).unwrap(), settled);
}

#[test]
fn a_record_is_asked_for_until_it_is_in_the_journal_and_never_again() {
    let mut evening = rowed();
    let asked = evening.session.to_settle().unwrap().clone();
    // The server is killed before it is kept, twice: an old journal looks the same.
    for _ in 0..2 {
        let (session, _) = evening.replayed();
        evening.session = session;
        evening.say(0, Input::Reopened);
        assert_eq!(evening.session.to_settle(), Some(&asked));
    }
    assert!(!evening.session.is_settled());
    evening.settle();
    assert!(evening.session.to_settle().is_none());
    let (session, differs) = evening.replayed();
    assert_eq!((session.to_settle(), differs.len()), (None, 0));
    assert!(!session.is_settled(), "strokes may still come: the session is open");
    evening.order(200_000, Order::CloseSession);
    assert!(evening.session.is_settled());
}

#[test]
fn a_record_that_differs_is_told_and_stands_and_changes_no_result() {
    let mut evening = rowed();
    let mut record = evening.session.to_settle().unwrap().clone();
    record.seats.first_mut().unwrap().time_ms = Millis(74_900);
    let before = evening.session.view(thole_piece::session::Viewer::Coach).pieces;
    let out = evening.say(0, Input::Settled { settled: Box::new(record.clone()) });
    let what = "seat 1".to_owned();
    assert_eq!(out, [Output::SettledDiffers { piece: PieceNo(0), revision: 1, what }]);
    assert_eq!(evening.session.settled(PieceNo(0)).unwrap().seats, record.seats);
    assert!(evening.session.to_settle().is_none(), "nothing is put beside it");
    assert_eq!(evening.session.view(thole_piece::session::Viewer::Coach).pieces, before);
    // The same once more, and one of a piece that does not exist.
    let out = evening.say(0, Input::Settled { settled: Box::new(record.clone()) });
    assert_eq!(out.len(), 1);
    record.piece = PieceNo(9);
    assert_eq!(evening.say(0, Input::Settled { settled: Box::new(record) }).len(), 1);
    assert_eq!(evening.session.settled(PieceNo(0)).unwrap().revision, 1);
}

#[test]
fn strokes_that_come_late_are_settled_together_and_ever_more_seldom() {
    let mut evening = rowed();
    evening.settle();
    evening.order(101_000, Order::CloseSession);
    let mut records = 0;
    // Somebody sends one late stroke a second, for ten minutes: what was rowed before the close.
    for second in 0..600u32 {
        let at = 102_000 + 1_000 * u64::from(second);
        if second < 29 {
            evening.stroke(at, 4, 11 + second, 30);
            assert!(!evening.session.is_settled(), "a record is on its way");
        }
        evening.say(at, Input::Deadline);
        if evening.session.to_settle().is_some() {
            assert!(evening.settle().is_empty());
            records += 1;
        }
    }
    assert!((2..=5).contains(&records), "{records} records of 29 changes");
    let newest = evening.session.settled(PieceNo(0)).unwrap();
    assert_eq!(newest.revision, 1 + records);
    assert!(newest.seats.last().unwrap().distance_dm > Decimetres(2_000));
    assert!(evening.session.is_settled());
    assert_eq!(evening.replayed().1, []);
}

#[test]
fn a_piece_that_was_stopped_before_its_go_has_no_record() {
    let mut evening = started();
    evening.order(u64::from(GO) - 100, Order::Stop);
    assert!(evening.session.to_settle().is_none());
}

#[test]
fn strokes_that_come_when_the_next_piece_is_here_rank_the_teams_of_theirs_again() {
    let mut evening = rowed();
    evening.settle();
    let work = Extent::Distance { distance_dm: Decimetres(3_000) };
    let next = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    evening.order(100_900, Order::SetPieces { pieces: vec![next] });
    evening.order(101_000, Order::NextPiece);
    let blue = |evening: &Evening| {
        let settled = evening.session.settled(PieceNo(0)).unwrap();
        settled.teams.iter().find(|team| team.name == "blue").unwrap().mean_margin
    };
    let before = blue(&evening);
    // Di comes home, too, and well ahead of her target: she counts for the team now.
    let sample = |seq: u32| Sample {
        seq: seq + 1,
        heard_ms: i64::from(GO + 2_000 * seq),
        distance_dm: i64::from(600 + 84 * (seq - 10)),
        ..Sample::default()
    };
    let (run, samples) = (RunId(Uuid::from_u128(4)), (11..=39).map(sample).collect());
    evening.say(102_000, Input::Samples { athlete: athlete(4), run, samples });
    while evening.session.to_settle().is_none() {
        let at = evening.session.deadline().unwrap();
        evening.say(at.0, Input::Deadline);
    }
    evening.settle();
    assert_ne!(blue(&evening), before);
}

#[test]
fn of_a_piece_that_is_over_it_is_counted_how_its_ranges_turned_out() {
    let evening = rowed();
    let told = evening.session.calibration();
    assert_eq!((told.finishes, told.intervals), (2, 6), "Ana and Bo, at three marks each");
    assert!(told.held <= told.intervals && told.chances == 6);
}

#[test]
fn a_range_widens_once_somebody_pauses_and_not_between_two_strokes() {
    let mut evening = started();
    evening.say(u64::from(GO), Input::Deadline);
    for seq in 1..=25 {
        evening.row(1, seq, seq, 40);
        evening.until(u64::from(GO + 2_000 * seq) + 1_900);
    }
    let last = u64::from(GO) + 50_000;
    let mut high_at = |ms: u64| {
        evening.until(last + ms);
        let lines = &evening.session.standings().unwrap().lines;
        let ana = lines.iter().find(|line| line.athlete == athlete(1)).unwrap();
        let Total::Time { finish_ms } = ana.projected.unwrap().high else { panic!("{ana:?}") };
        finish_ms.0
    };
    let rowing = high_at(2_000);
    assert_eq!(high_at(5_500), rowing, "two slow strokes are no pause");
    let paused = high_at(8_500);
    assert!((6_000..=9_000).contains(&(paused - rowing)), "{rowing} {paused}");
}
