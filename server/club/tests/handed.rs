//! What becomes of a piece that was handed to the club.

use std::collections::BTreeMap;

use thole_club::{ComesFrom, Handed, Said, Seating, Sitter, Words, Zone};
use thole_piece::settled::{
    Cause, SeatNo, Settled, SettledCall, SettledCorrection, SettledRuling, SettledSeat, SettledTeam,
};
use thole_protocol::{
    ids::{AthleteId, CallId, CommandId, PieceNo, SessionId},
    spec::{CallText, Extent, PieceSpec, Plan, Repeat, SessionSettings, Span, Target},
    standing::{Corrected, Mark, Measured, Outcome, Ruling, Split},
    total::{Certainty, Gap, Margin, Total},
    units::{At, Decimetres, Millis, Ppm},
};
use uuid::Uuid;

const SESSION: SessionId = SessionId(Uuid::from_u128(7));

fn seat(no: u32, outcome: Outcome) -> SettledSeat {
    SettledSeat {
        seat: SeatNo(no),
        team: (no == 1).then_some(1),
        outcome,
        place: (outcome == Outcome::Finished).then_some(1),
        time_ms: Millis(462_300),
        distance_dm: Decimetres(20_000),
        sure: Certainty::Time(Millis(150)),
        shown: Some(Total::Time { finish_ms: Millis(462_300) }),
        aim: Some(Target::Pace { per_500m_ms: Millis(116_000) }),
        plan: Plan::Even,
        target: Some(Total::Time { finish_ms: Millis(464_000) }),
        margin: Some(Margin { margin_ppm: Ppm(3_664), gap: Gap::Time(1_700) }),
        splits: vec![Split { distance_dm: Decimetres(5_000), time_ms: Millis(115_000) }],
        strokes: Some(201),
        marks: vec![Mark::Joined],
        home_at_ms: None,
        ruling: Ruling::default(),
        corrections: Vec::new(),
    }
}

fn call(no: u128, said: &str) -> SettledCall {
    SettledCall {
        call: CallId(Uuid::from_u128(no)),
        text: (!said.is_empty())
            .then(|| CallText { shown: said.to_owned(), spoken: String::new() }),
        span: Span::Next,
        sent_at_ms: At(90_000),
        ended_at_ms: None,
        sheet: None,
        seats: Vec::new(),
        replaced: Vec::new(),
        reached: Vec::new(),
    }
}

fn handed() -> Handed {
    let work = Extent::Distance { distance_dm: Decimetres(20_000) };
    let team = |name: &str| SettledTeam {
        name: name.to_owned(),
        place: None,
        mean_margin: None,
        counted: 0,
    };
    let sitter = |no: u128, name: &str| Sitter {
        athlete: AthleteId(Uuid::from_u128(no)),
        called: name.to_owned(),
        person: None,
    };
    let settled = Settled {
        piece: PieceNo(2),
        revision: 3,
        cause: Cause::ResultsChanged,
        spec: PieceSpec {
            title: "Monday".to_owned(),
            ..PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }])
        },
        settings: SessionSettings::default(),
        starts_at_ms: vec![At(60_000)],
        phases: Vec::new(),
        first_home_at_ms: None,
        teams: vec![team("Herons"), team("Otters")],
        seats: vec![
            seat(1, Outcome::Finished),
            seat(2, Outcome::Unfinished),
            seat(4, Outcome::DidNotStart),
            seat(5, Outcome::Stopped),
        ],
        not_today: Vec::new(),
        calls: vec![
            SettledCall {
                seats: vec![(SeatNo(0), SeatNo(1)), (SeatNo(4), SeatNo(9))],
                ..call(1, "long")
            },
            SettledCall {
                sheet: Some(0),
                reached: vec![(SeatNo(2), At(95_000))],
                ..call(2, "last ten")
            },
            SettledCall { seats: vec![(SeatNo(2), SeatNo(2))], ..call(3, "") },
        ],
        lines: None,
        official: None,
    };
    let seating: Seating = [
        (SeatNo(1), sitter(11, "Ana")),
        (SeatNo(2), sitter(12, "Bo")),
        (SeatNo(4), sitter(14, "Cy")),
    ]
    .into_iter()
    .collect();
    // 2026-11-30 23:59 in UTC; the go is a minute later.
    Handed {
        session: SESSION,
        created_unix_ms: 1_796_083_140_000,
        title: "An evening".to_owned(),
        settled,
        seating,
        words: Words::default(),
    }
}

#[test]
fn whoever_rowed_has_a_result_with_all_that_the_record_says_of_them() {
    let handed = handed();
    let results = handed.results(&Zone::utc());
    let names: Vec<_> = results.iter().map(|of| of.called.as_deref()).collect();
    assert_eq!(
        names,
        [Some("Ana"), Some("Bo"), None],
        "Cy did not start; nobody knows who had seat 5"
    );
    let ana = results.first().unwrap();
    let from =
        ComesFrom::Piece { session: SESSION, piece: PieceNo(2), seat: SeatNo(1), revision: 3 };
    assert_eq!((ana.from, ana.athlete), (from, Some(AthleteId(Uuid::from_u128(11)))));
    assert_eq!((ana.title.as_str(), ana.team.as_deref()), ("Monday", Some("Otters")));
    let said = handed.settled.seats.first().unwrap();
    assert_eq!(
        (ana.place, ana.time_ms, ana.distance_dm),
        (said.place, said.time_ms, said.distance_dm)
    );
    assert_eq!((ana.sure, ana.shown), (said.sure, said.shown));
    assert_eq!((ana.aim, ana.target, ana.margin), (said.aim, said.target, said.margin));
    assert_eq!((&ana.splits, ana.strokes, &ana.marks), (&said.splits, said.strokes, &said.marks));
    assert_eq!(
        (ana.outcome, &ana.plan, &ana.repeats),
        (said.outcome, &said.plan, &handed.settled.spec.repeats)
    );
}

/// Ana's result of `handed`, corrected twice, once with words that nobody has any more.
fn corrected(reason: &str) -> Handed {
    let mut handed = handed();
    let ruling = |no: u128, at: u64| SettledRuling {
        command: CommandId(Uuid::from_u128(no)),
        at_ms: At(at),
        by: None,
    };
    let finish = Total::Time { finish_ms: Millis(460_000) };
    let by_screen = SettledCorrection { ruling: ruling(1, 1), what: Corrected::Finish { finish } };
    let lost = SettledCorrection { ruling: ruling(2, 2), what: Corrected::Unranked };
    for ana in handed.settled.seats.iter_mut().take(1) {
        ana.corrections = vec![by_screen, lost];
        ana.ruling.measured = Some(Measured {
            outcome: Outcome::Stopped,
            time_ms: Millis(400_000),
            distance_dm: Decimetres(18_000),
            sure: Certainty::Unsaid,
            shown: None,
        });
    }
    handed.settled.official = Some(ruling(3, 90_000));
    let said = Said { reason: reason.to_owned(), by: Some("Rosa".to_owned()) };
    let official = Said { reason: String::new(), by: None };
    let words = [(CommandId(Uuid::from_u128(1)), said), (CommandId(Uuid::from_u128(3)), official)];
    handed.words = words.into_iter().collect::<Words>();
    handed
}

#[test]
fn what_a_coach_has_ruled_comes_along_with_its_words() {
    let handed = corrected("read off the screen");
    let results = handed.results(&Zone::utc());
    let [ana, bo, _] = results.as_slice() else { panic!("{} results", results.len()) };
    let said: Vec<_> = ana.corrections.iter().map(|of| (&of.ruled.by, &of.reason)).collect();
    let (rosa, why) = (Some("Rosa".to_owned()), Some("read off the screen".to_owned()));
    assert_eq!(said, [(&rosa, &why), (&None, &None)]);
    assert_eq!(ana.corrected_from().as_deref(), Some("1800m in 6:40.0"));
    assert_eq!(ana.reason(), why);
    assert_eq!(bo.corrected_from(), None);
    let official = bo.official.as_ref().unwrap();
    assert_eq!((official.at_unix_ms, &official.by), (1_796_083_230_000, &None));
}

#[test]
fn a_reason_that_no_table_can_hold_is_left_out_of_tables_alone() {
    let results = corrected("turned \u{202e}round").results(&Zone::utc());
    let ana = results.first().unwrap();
    assert_eq!(ana.reason(), None);
    assert!(ana.corrections.iter().any(|of| of.reason.is_some()));
    let one_line = corrected("two\nlines").results(&Zone::utc());
    assert_eq!(one_line.first().unwrap().reason().as_deref(), Some("two lines"));
}

#[test]
fn a_result_is_of_the_day_of_its_go_in_the_clubs_time_zone() {
    let handed = handed();
    let day = |zone: &Zone| handed.results(zone).first().unwrap().day.to_string();
    assert_eq!(day(&Zone::utc()), "2026-12-01");
    assert_eq!(day(&"America/New_York".parse().unwrap()), "2026-11-30");
    // A piece that was closed before anything was signalled is of the instant at which the session was made.
    let mut early = handed.clone();
    early.settled.starts_at_ms.clear();
    assert_eq!(
        early.results(&Zone::utc()).first().unwrap().at_unix_ms,
        Some(early.created_unix_ms)
    );
}

#[test]
fn each_has_the_calls_that_reached_them_with_when_they_did() {
    let heard: BTreeMap<_, _> = handed()
        .results(&Zone::utc())
        .into_iter()
        .map(|of| {
            let call = |call: &thole_club::HeardCall| {
                (call.at_ms.0, call.text.as_ref().map(|text| text.shown.clone()))
            };
            (of.called.unwrap_or_default(), of.calls.iter().map(call).collect::<Vec<_>>())
        })
        .collect();
    let of = |name: &str| heard.get(name).cloned().unwrap();
    assert_eq!(of("Ana"), [(90_000, Some("long".to_owned()))]);
    // What was said to Bo by name is not repeated here.
    assert_eq!(of("Bo"), [(95_000, Some("last ten".to_owned())), (90_000, None)]);
    assert_eq!(of(""), [(90_000, Some("long".to_owned()))]);
}
