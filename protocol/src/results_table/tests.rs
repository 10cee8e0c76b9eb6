//! What the table of results says, read as a spreadsheet reads it.

use csv::{ReaderBuilder, StringRecord};
use proptest::prelude::*;
use uuid::Uuid;

use super::*;
use crate::{
    ids::PieceNo,
    spec::{Aim, AthleteSpec, Extent, PieceSpec, Repeat, Target},
    standing::{Doing, Measured, Official, Ruling, Rulings, TargetBefore, Unplaced, WouldBe},
    total::{Certainty, Gap, Margin, Total},
    units::{At, Ppm},
};

const FINISHED: Phase = Phase::Finished { go_at_ms: At(0) };
const ROWING: Phase = Phase::Rowing { go_at_ms: At(0), repeat: 0, repeat_at_ms: At(0) };
const HEADING: &str = "row,piece,title,work,state,name,team,split,place,outcome,result,target,margin_seconds,\
                       margin_metres,margin_percent,heading_for,metres,seconds,planned_rest_seconds,strokes,\
                       within_seconds,within_metres,remarks\r\n";

fn who(athlete: u128) -> AthleteId {
    AthleteId(Uuid::from_u128(athlete))
}

fn view(athlete: u128, name: &str, team: Option<&str>) -> AthleteView {
    let (name, team) = (name.to_owned(), team.map(str::to_owned));
    let target = Some(Target::Pace { per_500m_ms: Millis(112_400) });
    AthleteView {
        athlete: who(athlete),
        spec: AthleteSpec { name, team, heart_limit_bpm: Some(crate::units::Bpm(183)) },
        aim: Aim { target, ..Aim::default() },
        doing: Doing::Finished,
        cautions_read: true,
        machine: None,
        clock_bound_ms: None,
        heart_rate: true,
        on_board: crate::spec::OnBoard::default(),
        today: crate::spec::Today::default(),
        question: None,
    }
}

fn piece(title: &str, phase: Phase, works: &[Extent], rest: u32) -> PieceView {
    let last = works.len() - 1;
    let rest = |nth| Millis(if nth == last { 0 } else { rest });
    let repeat = |(nth, work): (usize, &Extent)| Repeat { work: *work, rest_ms: rest(nth) };
    let repeats = works.iter().enumerate().map(repeat).collect();
    let spec = PieceSpec { title: title.to_owned(), ..PieceSpec::of(repeats) };
    PieceView {
        piece: PieceNo(0),
        spec,
        phase,
        results: Vec::new(),
        teams: Vec::new(),
        rulings: Rulings::default(),
    }
}

fn metres(metres: u32) -> Extent {
    Extent::Distance { distance_dm: Decimetres(metres * 10) }
}

fn splits(list: &[(u32, u32)]) -> Vec<Split> {
    let split = |&(dm, ms)| Split { distance_dm: Decimetres(dm), time_ms: Millis(ms) };
    list.iter().map(split).collect()
}

/// Of somebody who did not finish.
fn result(athlete: u128, outcome: Outcome, (dm, ms): (u32, u32)) -> AthleteResult {
    AthleteResult {
        athlete: who(athlete),
        outcome,
        place: None,
        target: None,
        time_ms: Millis(ms),
        distance_dm: Decimetres(dm),
        sure: Certainty::Unsaid,
        shown: None,
        margin: None,
        estimate: None,
        splits: Vec::new(),
        strokes: None,
        marks: Vec::new(),
        ruling: Ruling::default(),
    }
}

fn finish(ms: u32) -> Option<Total> {
    Some(Total::Time { finish_ms: Millis(ms) })
}

/// What a reader of RFC 4180 makes of it.
fn read(table: &str) -> Vec<BTreeMap<String, String>> {
    let mut reader = ReaderBuilder::new().from_reader(table.as_bytes());
    let heading: StringRecord = reader.headers().unwrap().clone();
    let row = |row: Result<StringRecord, csv::Error>| {
        let cells = row.unwrap();
        let cells = heading.iter().zip(cells.iter());
        cells.map(|(column, cell)| (column.to_owned(), cell.to_owned())).collect()
    };
    reader.records().map(row).collect()
}

fn column(table: &str, column: &str) -> Vec<String> {
    read(table).iter().map(|row| row[column].clone()).collect()
}

#[test]
fn an_athlete_is_a_row_by_place_and_each_split_is_one() {
    let ida = AthleteResult {
        place: Some(2),
        target: finish(306_000),
        sure: Certainty::Time(Millis(300)),
        shown: finish(305_400),
        margin: Some(Margin { margin_ppm: Ppm(1_961), gap: Gap::Time(600) }),
        splits: splits(&[(8_500, 152_212), (8_500, 153_200)]),
        strokes: Some(141),
        marks: vec![Mark::Gaps, Mark::LateStart],
        ..result(1, Outcome::Finished, (17_000, 305_412))
    };
    let bo = AthleteResult { place: Some(1), splits: Vec::new(), ..ida.clone() };
    let bo = AthleteResult { athlete: who(2), marks: Vec::new(), ..bo };
    let (uma, lin) =
        (result(3, Outcome::DidNotStart, (0, 0)), result(4, Outcome::Stopped, (4_237, 92_300)));
    let mut piece = piece("Seventeen, in one", FINISHED, &[metres(1_700)], 0);
    piece.results = vec![uma, ida, lin, bo];
    let athletes = [
        view(1, "Fenn, Ida", Some("Heron")),
        view(2, "Bo", None),
        view(3, "Uma", None),
        view(4, "Lin", None),
    ];
    let all = "\"Seventeen, in one\",1700m,finished";
    let finish = "finished,5:05.4,5:06.0,0.6,,0.1961,,1700.0,305.412,,141,0.3,,";
    let gaps = "some samples are missing; the totals are right; the first stroke came late";
    let rows = [
        format!("athlete,1,{all},Bo,,,1,{finish}"),
        format!("athlete,1,{all},\"Fenn, Ida\",Heron,,2,{finish}{gaps}"),
        format!("split,1,{all},\"Fenn, Ida\",Heron,1,,,,,,,,,850.0,152.212,,,,,"),
        format!("split,1,{all},\"Fenn, Ida\",Heron,2,,,,,,,,,850.0,153.2,,,,,"),
        format!("athlete,1,{all},Lin,,,,stopped,423m in 1:32.3,,,,,,423.7,92.3,,,,,"),
        format!("athlete,1,{all},Uma,,,,did not start,,,,,,,,,,,,,"),
    ];
    let expected = format!("\u{feff}{HEADING}{}\r\n", rows.join("\r\n"));
    assert_eq!(results_table(&[piece], &athletes), expected);
}

#[test]
fn who_has_nothing_to_show_gets_the_heading_alone() {
    let heading = format!("\u{feff}{HEADING}");
    assert_eq!(results_table(&[], &[]), heading);
    let gathering = piece("", Phase::Gathering, &[metres(500)], 0);
    assert_eq!(results_table(&[gathering], &[view(1, "Ida", None)]), heading);
}

#[test]
fn of_a_piece_under_way_those_are_in_it_who_have_no_result_yet() {
    let mut rowed = piece("", ROWING, &[metres(500)], 0);
    rowed.results = vec![result(2, Outcome::Finished, (5_000, 112_345))];
    let table = results_table(&[rowed], &[view(1, "Ida", None), view(2, "Bo", None)]);
    assert_eq!(column(&table, "name"), ["Bo", "Ida"]);
    assert_eq!(column(&table, "state"), ["under way", "under way"]);
    assert_eq!(column(&table, "outcome"), ["finished", "under way"]);
    assert_eq!(column(&table, "target"), ["", "1:52.4/500m"]);
    assert_eq!(column(&table, "seconds"), ["112.345", ""]);
}

#[test]
fn repeats_have_their_rests_between_them_and_those_that_were_missed_have_no_numbers() {
    let mut missed = piece("", FINISHED, &[metres(500), metres(500), metres(500)], 75_000);
    missed.results = vec![AthleteResult {
        splits: splits(&[(0, 0), (5_000, 101_000), (5_000, 99_500)]),
        marks: vec![Mark::Gaps, Mark::RepeatsMissed],
        estimate: finish(301_200),
        ..result(1, Outcome::Unfinished, (10_000, 200_500))
    }];
    let table = results_table(&[missed], &[view(1, "Ida", None)]);
    assert_eq!(column(&table, "work")[0], "3x500m/1:15");
    assert_eq!(column(&table, "outcome"), ["missed repeats", "not rowed", "", ""]);
    assert_eq!(column(&table, "seconds"), ["200.5", "", "101.0", "99.5"]);
    assert_eq!(column(&table, "planned_rest_seconds"), ["", "75.0", "75.0", ""]);
    assert_eq!(column(&table, "heading_for"), ["5:01.2", "", "", ""]);
    assert_eq!(column(&table, "remarks")[0], mark_text(Mark::Gaps));
}

#[test]
fn a_piece_by_time_is_told_in_metres() {
    let mut rowed = piece("", FINISHED, &[Extent::Time { time_ms: Millis(720_000) }], 0);
    let metres = |metres: u32| Some(Total::Distance { distance_dm: Decimetres(metres * 10) });
    rowed.results = vec![AthleteResult {
        target: metres(3_200),
        shown: metres(3_120),
        sure: Certainty::Distance(Decimetres(4)),
        margin: Some(Margin { margin_ppm: Ppm(-25_000), gap: Gap::Distance(-800) }),
        ..result(1, Outcome::Finished, (31_203, 720_000))
    }];
    let [row] = &read(&results_table(&[rowed], &[view(1, "Ida", None)]))[..] else {
        panic!("one row")
    };
    let cell = |column: &str| row[column].as_str();
    assert_eq!((cell("result"), cell("target"), cell("metres")), ("3120m", "3200m", "3120.3"));
    assert_eq!((cell("margin_metres"), cell("margin_seconds")), ("-80.0", ""));
    assert_eq!((cell("margin_percent"), cell("within_metres")), ("-2.5", "0.4"));
}

/// RFC 4180, 2: anything with a quotation mark, a comma or a line end in it is put in quotation marks, doubled
/// inside. Anything a spreadsheet would compute begins with an apostrophe (OWASP, CSV injection).
#[test]
fn no_name_breaks_a_row_or_is_reckoned() {
    let names = [
        ("Ida \"Eel\" Fenn", "Ida \"Eel\" Fenn"),
        ("Fenn; Ida", "Fenn; Ida"),
        ("Ida\r\nFenn", "Ida\r\nFenn"),
        ("נועה לוי", "נועה לוי"),
        ("=1+1", "'=1+1"),
        ("+1+cmd", "'+1+cmd"),
        ("-2+3", "'-2+3"),
        ("@here", "'@here"),
        ("\t=1", "'\t=1"),
        ("\rx", "'\rx"),
        (" =1+1", "' =1+1"),
        ("＝1+1", "'＝1+1"),
        ("a=1", "a=1"),
    ];
    for (typed, shown) in names {
        let mut rowed = piece(typed, FINISHED, &[metres(500)], 0);
        rowed.results = vec![result(1, Outcome::Stopped, (10, 10))];
        let table = results_table(&[rowed], &[view(1, typed, Some(typed))]);
        for of in ["name", "team", "title"] {
            assert_eq!(column(&table, of), [shown], "{of} of {typed:?}");
        }
    }
    let mut rowed = piece("", FINISHED, &[metres(500)], 0);
    rowed.results = vec![result(1, Outcome::Stopped, (10, 10))];
    let table = results_table(&[rowed], &[view(1, "Ida \"Eel\", Fenn", None)]);
    assert!(table.contains(",\"Ida \"\"Eel\"\", Fenn\","), "{table}");
}

#[test]
fn heart_rates_and_identities_are_in_no_column() {
    let mut rowed = piece("", ROWING, &[metres(500)], 0);
    rowed.results = vec![result(0x1db_7531, Outcome::Stopped, (10, 10))];
    let table = results_table(&[rowed], &[view(0x1db_7531, "Ida", None)]);
    assert!(!table.contains("183") && !table.contains("1db7531"), "{table}");
}

proptest! {
    #[test]
    fn whatever_a_name_is_the_rows_are_whole(name in any::<String>(), team in any::<Option<String>>()) {
        let mut rowed = piece(&name, ROWING, &[metres(500), metres(500)], 60_000);
        let splits = splits(&[(5_000, 99_000)]);
        rowed.results =
            vec![AthleteResult { splits, ..result(1, Outcome::Stopped, (5_000, 99_000)) }];
        let table = results_table(&[rowed], &[view(1, &name, team.as_deref()), view(2, &name, None)]);
        prop_assert_eq!(column(&table, "row"), ["athlete", "split", "athlete"]);
        for read in column(&table, "name").into_iter().chain(column(&table, "title")) {
            prop_assert!(read == name || read.strip_prefix("'") == Some(&name));
            prop_assert!(!read.trim_start().starts_with(['=', '+', '-', '@']));
        }
    }
}

#[derive(serde::Deserialize)]
struct Case {
    outcome: Outcome,
    marks: Vec<Mark>,
    phase: Phase,
    says: String,
    remarks: String,
}

/// The page says the same beside its results.
#[test]
fn a_result_is_told_in_the_words_of_the_table_of_cases() {
    let cases: Vec<Case> = serde_json::from_str(include_str!("../../cases/results.json")).unwrap();
    let told: BTreeSet<Mark> = cases.iter().flat_map(|case| case.marks.clone()).collect();
    assert_eq!(told.len(), 10, "a mark is new: say it in cases/results.json");
    for case in cases {
        let mut rowed = piece("", case.phase, &[metres(500)], 0);
        let marks = case.marks.clone();
        rowed.results = vec![AthleteResult { marks, ..result(1, case.outcome, (40, 1_000)) }];
        let table = results_table(&[rowed], &[view(1, "Ida", None)]);
        assert_eq!(column(&table, "outcome"), [case.says], "{:?}", case.marks);
        assert_eq!(column(&table, "remarks"), [case.remarks], "{:?}", case.marks);
    }
}

#[test]
fn what_a_coach_has_ruled_stands_beside_the_result() {
    let mut over = piece("", FINISHED, &[metres(500)], 0);
    let official = |command| Official { command, at_ms: At(9), by: None };
    over.rulings.official = Some(official(crate::ids::CommandId(Uuid::from_u128(1))));
    let measured = Measured {
        outcome: Outcome::Stopped,
        time_ms: Millis(90_000),
        distance_dm: Decimetres(4_120),
        sure: Certainty::Unsaid,
        shown: None,
    };
    let would_be = WouldBe {
        outcome: Outcome::Finished,
        time_ms: Millis(461_180),
        distance_dm: Decimetres(5_000),
        shown: finish(461_200),
        margin: None,
        place: Some(3),
    };
    let rowed = |who, ruling| AthleteResult { ruling, ..result(who, Outcome::Finished, (1, 1)) };
    let by_choice = |of: AthleteResult| AthleteResult { marks: vec![Mark::Unranked], ..of };
    let target_before = Some(TargetBefore { target: finish(460_000) });
    over.results = vec![
        rowed(1, Ruling { measured: Some(measured), ..Ruling::default() }),
        rowed(2, Ruling { target_before, ..Ruling::default() }),
        rowed(3, Ruling { unplaced: Some(Unplaced::Excluded), ..Ruling::default() }),
        rowed(4, Ruling { unplaced: Some(Unplaced::Unranked), ..Ruling::default() }),
        rowed(5, Ruling { would_be: Some(would_be), ..Ruling::default() }),
        by_choice(rowed(6, Ruling::default())),
        by_choice(rowed(7, Ruling { unplaced: Some(Unplaced::Unranked), ..Ruling::default() })),
    ];
    let table = results_table(&[over], &[]);
    assert_eq!(column(&table, "state"), ["official"; 7]);
    assert_eq!(
        column(&table, "remarks"),
        [
            "corrected, measured 412m in 1:30.0",
            "target corrected, was 7:40.0",
            "excluded",
            "out of competition",
            "strokes came after it was official: would be 7:41.2, place 3",
            "out of competition",
            "out of competition"
        ]
    );
}
