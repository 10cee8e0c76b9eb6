//! Tables of people and results: what is written goes in again, what outside writers write is read, and what each line comes to.
#![expect(clippy::unwrap_used, reason = "a test that fails here should say so and stop")]

use proptest::prelude::*;
use thole_club::{
    AllOut, ClubDay, PersonId, ResultId,
    deed::checked_reason,
    person::checked_name,
    rowed::read_piece,
    table::{
        Choice, ClubNow, KnownPerson, KnownResult, Looked, PersonRow, ResultRow, Source, Verdict,
        judge_people, judge_results, people_table, results_csv,
    },
};
use thole_protocol::{
    standing::{Mark, Outcome, Split, Unplaced},
    total::{Certainty, Total},
    units::{Decimetres, HalfSpm, Millis},
};
use uuid::Uuid;

fn empty() -> ClubNow {
    ClubNow { today: "2026-11-30".parse().unwrap(), people: Vec::new(), results: Vec::new() }
}

fn person(no: u128, called: &str, born_year: Option<u16>) -> PersonRow {
    let person = Some(PersonId(Uuid::from_u128(no)));
    PersonRow { person, called: called.to_owned(), born_year, ..PersonRow::default() }
}

fn known(rows: &[PersonRow]) -> Vec<KnownPerson> {
    let known = |row: &PersonRow| KnownPerson {
        person: row.person.unwrap(),
        row: row.clone(),
        merged_into: None,
    };
    rows.iter().map(known).collect()
}

/// Ana Lima, born in 2009, Bo Quist, and two people called Cy Moss.
fn club() -> ClubNow {
    let people = [
        person(1, "Ana Lima", Some(2009)),
        person(2, "Bo Quist", None),
        person(3, "Cy Moss", Some(1990)),
        person(4, "Cy Moss", Some(2001)),
    ];
    let mut hers = row("2026-11-02", "2000m", 462_300);
    hers.person = people[0].person;
    hers.result = Some(ResultId(Uuid::from_u128(70)));
    let results = vec![KnownResult { is_of_a_piece: true, row: hers }];
    ClubNow { people: known(&people), results, ..empty() }
}

fn row(day: &str, piece: &str, ms: u32) -> ResultRow {
    ResultRow {
        result: None,
        person: None,
        name: None,
        called: None,
        day: day.parse().unwrap(),
        at_unix_ms: None,
        repeats: read_piece(piece).unwrap(),
        outcome: Outcome::Finished,
        time_ms: Millis(ms),
        distance_dm: Decimetres(20_000),
        sure: Certainty::Unsaid,
        place: None,
        team: None,
        target: None,
        machine: None,
        title: String::new(),
        rate_half_spm: None,
        strokes: None,
        splits: Vec::new(),
        all_out: AllOut::Unknown,
        is_ranked: false,
        marks: Vec::new(),
        source: Source::Imported,
        corrected_from: None,
        reason: None,
        is_official: false,
        unplaced: None,
    }
}

/// What each line comes to, in a word and why.
fn told(looked: &Looked) -> Vec<String> {
    let line = |line: &thole_club::table::LookedLine| {
        let meant = line.meant.as_ref().map(|meant| format!(" [{meant}]")).unwrap_or_default();
        format!("{} {:?} {}{meant}", line.line, line.verdict, line.says).trim().to_owned()
    };
    looked.lines.iter().map(line).collect()
}

fn people(text: &str) -> Vec<String> {
    told(&judge_people(text.as_bytes(), &club()).unwrap().0)
}

fn results(text: &str) -> Vec<String> {
    told(&judge_results(text.as_bytes(), &club()).unwrap().0)
}

/// Written by the csv module of Python 3.11 (`csv.writer` in the dialects `excel` and `excel-tab`, and with semicolons, all cells in
/// quotation marks and the mark of UTF-8), from one list of names.
#[test]
fn what_an_outside_writer_writes_is_read() {
    let files: [&[u8]; 3] = [
        include_bytes!("tables/python-excel.csv"),
        include_bytes!("tables/python-semicolon.csv"),
        include_bytes!("tables/python-tab.csv"),
    ];
    for file in files {
        let (looked, lines) = judge_people(file, &empty()).unwrap();
        assert_eq!(looked.count(Verdict::New), 13, "{:?}", told(&looked));
        let names: Vec<String> = lines.into_iter().map(|line| line.row.unwrap().called).collect();
        let meant = [
            "Lima, Ana",
            "Bo \"Ox\" Quist",
            "=1+1",
            "'t Hart",
            "'Twice",
            "+49 Cy",
            "@di",
            "-Ed",
            "Zoë Núñez",
            "Нина",
            "王伟",
            "علی",
            "O'Brien; Fay",
        ];
        // An apostrophe in front of another one is what an export of ours puts there.
        assert_eq!(names, meant);
    }
}

#[test]
fn a_line_of_people_is_new_known_doubtful_or_wrong() {
    let all = "Name;Born;Club number\nDi Roe;2004;1\nana  LIMA;2009;2\nBo Quist;;3\nAna Lma;;4\nAna Lima;1999;5\nBo Quist;1980;6\n\
               Di Roe;;7\n;2001;8\nEd;04;9\n\"Fay;2000\nGus;2001;10\nCy Moss;2001;11\nCy Moss;1970;12";
    assert_eq!(
        people(all),
        [
            "2 New",
            "3 Known",
            "4 Known",
            "5 Doubtful Ana Lma is nearly Ana Lima, who is in the club. [Ana Lima, who is there already]",
            "6 Doubtful The same name stands on line 3: is it somebody else?",
            "7 Doubtful The same name stands on line 4: is it somebody else?",
            "8 Doubtful The same name stands on line 2: is it somebody else?",
            "9 Wrong The name is missing.",
            "10 Wrong \"04\" is no year of birth: write it as 2009, or leave it out.",
            "11 Wrong A quotation mark is not closed on its line: close it, and leave no line break in a cell.",
            "12 New",
            "13 Known",
            "14 Doubtful The same name stands on line 13: is it somebody else?"
        ]
    );
    assert_eq!(
        people("name,born\nAna Lima,1999\nBo Quist,1980"),
        [
            "2 Doubtful Somebody called Ana Lima, born 2009 is in the club: stored, there are two people of one name. \
             [Ana Lima, born 2009, who is there already]",
            "3 Doubtful Bo Quist is in the club with another born: stored, it is what stands here."
        ]
    );
    let id = Uuid::from_u128(2);
    assert_eq!(
        people(&format!(
            "name,person_id\nBo Quist,{id}\nBo Quist,{id}\nBo,{id}\nX,{}",
            Uuid::from_u128(9)
        )),
        [
            "2 Known",
            "3 Known",
            "4 Wrong The identity of line 2 stands here with another person.",
            "5 New"
        ]
    );
    assert!(judge_people(b"born\n2001", &empty()).unwrap_err().contains("no column \"name\""));
}

#[test]
fn a_line_of_results_is_new_known_doubtful_or_wrong() {
    let all = "name,day,piece,result\n\
               Ana Lima,2026-11-02,2000m,7:42.3\n\
               Ana Lima,2026-11-09,2000 m,7:40\n\
               Ana Lima,2026-11-02,2000m,7:24.3\n\
               Bo Quist,30.11.2026,30min,7100\n\
               Bo Quist,2026-12-01,2000m,7:42.3\n\
               Bo Quist,2026-11-01,500m,7:40\n\
               Bo Quist,2026-11-01,2000m,1:55.0\n\
               Bo Quist,2026-11-03,2000m,7:42:00\n\
               Ana Lina,2026-11-04,2000m,7:42.3\n\
               Cy Moss,2026-11-04,2000m,7:42.3\n\
               Eve Far,2026-11-04,2000m,7:42.3\n\
               Bo Quist,11/12/2026,2000m,7:42.3\n\
               Bo Quist,2026-11-05,2000m,4120m\n\
               Bo Quist,2026-11-05,fast,7:42\n\
               Ana Lima,2026-11-10,2000m,9:59\n\
               Bo Quist,30.11.2026,30min,7100m\n";
    assert_eq!(
        results(all),
        [
            "2 Known",
            "3 New",
            "4 Doubtful The club has 7:42.3 for 2000m on that day: is it another one, or a slip?",
            "5 New",
            "6 Doubtful 2026-12-01 is in the future: is the year right?",
            "7 Doubtful 7:40.0 for 500m is slower than anybody is known to row. [7:40.0 for 2000m]",
            "8 Doubtful 1:55.0 for 2000m is faster than anybody is known to row. [1:55.0 a 500 m, which is 7:40.0]",
            "9 Doubtful 7:42:00.0 for 2000m is slower than anybody is known to row. [7:42.0: minutes stand for hours]",
            "10 Doubtful Ana Lina is nearly Ana Lima. [Ana Lima]",
            "11 Doubtful Several people are called Cy Moss: write the identity of one in person_id, or it is a guest’s.",
            "12 Doubtful There is nobody called Eve Far in the club: stored, it is a guest’s.",
            "13 Wrong \"11/12/2026\" may be two days: write it as 2026-12-11 or 2026-11-12.",
            "14 Wrong \"4120m\" is no time: write it as 7:42.3.",
            "15 Wrong \"fast\" is not a piece; type one like 1700m, 12min, 6x350m/1:15 or 3x4x500m/1:00/4:00.",
            "16 Doubtful 9:59.0 for 2,000 m is 30 % slower than their past results. 9:59.0 fits 3,000 m. Is it right?",
            "17 Doubtful The same stands on line 5: was it rowed twice?"
        ]
    );
    assert!(
        judge_results(b"name,day,piece\nx", &empty()).unwrap_err().contains("no column \"result\"")
    );
}

#[test]
fn only_what_is_new_or_chosen_is_stored_and_a_line_that_cannot_be_is_said() {
    let all = "name,day,piece,result\nBo Quist,2026-11-01,500m,7:40\nAna Lima,2026-11-09,2000m,7:40\nX,,,\n";
    let stored = |also: &[u32], meant: &[u32]| {
        let (_, lines) = judge_results(all.as_bytes(), &club()).unwrap();
        let choice =
            Choice { also: also.iter().copied().collect(), meant: meant.iter().copied().collect() };
        let rows = choice.of(lines)?;
        Ok::<_, String>(rows.iter().map(|row| (row.work(), row.time_ms.0)).collect::<Vec<_>>())
    };
    let good = ("2000m".to_owned(), 460_000);
    assert_eq!(stored(&[], &[]), Ok(vec![good.clone()]));
    assert_eq!(stored(&[2], &[]), Ok(vec![("500m".to_owned(), 460_000), good.clone()]));
    assert_eq!(stored(&[], &[2]), Ok(vec![good.clone(), good]));
    assert!(stored(&[2], &[2]).unwrap_err().contains("two ways"));
    assert!(stored(&[4], &[]).unwrap_err().contains("is wrong"));
    assert!(stored(&[9], &[]).unwrap_err().contains("nothing on line 9"));
}

/// Whatever somebody may be called: quotes, commas, formulas, apostrophes in front, other scripts.
fn name() -> impl Strategy<Value = String> {
    let odd = "['=+@\\-\" ,;]{0,4}[a-zäßЖя王]{1,6}['=+@\\-\",;а-я ]{0,6}";
    odd.prop_filter_map("a name", |name| checked_name(&name).ok())
}

fn reason() -> impl Strategy<Value = String> {
    name().prop_map(|name| checked_reason(&name).unwrap())
}

fn any_person() -> impl Strategy<Value = PersonRow> {
    (any::<u128>(), name(), prop::option::of(1900_u16..2200), prop::option::of(name())).prop_map(
        |(no, called, born_year, spoken)| PersonRow {
            spoken,
            units: Some("metric".to_owned()),
            ..person(no, &called, born_year)
        },
    )
}

fn any_result() -> impl Strategy<Value = ResultRow> {
    let who = (any::<u128>(), name(), prop::option::of(name()), prop::option::of(reason()));
    let rowed = (300_000_u32..900_000, prop::option::of(1_u32..9), 1_u16..140, any::<bool>());
    (who, rowed).prop_map(|((no, called, title, reason), (ms, place, rate, is_done))| ResultRow {
        result: Some(ResultId(Uuid::from_u128(no))),
        name: Some(called.clone()),
        called: Some(called),
        outcome: if is_done { Outcome::Finished } else { Outcome::Stopped },
        place,
        at_unix_ms: Some(1_796_061_600_000 + u64::from(ms)),
        sure: Certainty::Time(Millis(ms / 1_000)),
        target: Some(Total::Time { finish_ms: Millis(ms + 777) }),
        team: title.clone(),
        title: title.unwrap_or_default(),
        rate_half_spm: Some(HalfSpm(rate)),
        strokes: place,
        splits: vec![Split { distance_dm: Decimetres(5_003), time_ms: Millis(ms / 4) }; 4],
        all_out: AllOut::Yes,
        is_ranked: is_done,
        marks: vec![Mark::Joined, Mark::LateStart],
        machine: Some("slide".to_owned()),
        source: Source::Typed,
        corrected_from: reason.clone(),
        reason,
        is_official: is_done,
        unplaced: (!is_done).then_some(Unplaced::Excluded),
        ..row("2026-11-30", "2000m", ms)
    })
}

proptest! {
    #[test]
    fn people_go_in_again_without_loss_and_any_reader_finds_the_same_cells(
        all in prop::collection::vec(any_person(), 0..8),
    ) {
        let table = people_table(all.iter());
        let (looked, lines) = judge_people(table.as_bytes(), &empty()).unwrap();
        prop_assert_eq!(looked.count(Verdict::New), all.len(), "{:?}", told(&looked));
        let again: Vec<PersonRow> = lines.into_iter().map(|line| line.row.unwrap()).collect();
        prop_assert_eq!(&again, &all);
        prop_assert_eq!(people_table(again.iter()), table.clone());
        // Nothing begins like a formula, and the csv crate reads the same cells.
        let mut reader = csv::Reader::from_reader(table.trim_start_matches('\u{feff}').as_bytes());
        for (record, row) in reader.records().zip(&all) {
            let cell = record.unwrap()[0].to_owned();
            prop_assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r']));
            prop_assert_eq!(thole_club::table::cells::unguarded(&cell), row.called.as_str());
        }
        // In the club that has them all is known.
        let here = ClubNow { people: known(&all), ..empty() };
        let (looked, _) = judge_people(table.as_bytes(), &here).unwrap();
        prop_assert_eq!(looked.count(Verdict::Known), all.len(), "{:?}", told(&looked));
    }

    #[test]
    fn results_go_in_again_without_loss(all in prop::collection::vec(any_result(), 0..8)) {
        let table = results_csv(all.iter());
        let (looked, lines) = judge_results(table.as_bytes(), &empty()).unwrap();
        prop_assert_eq!(looked.count(Verdict::New), all.len(), "{:?}", told(&looked));
        let again: Vec<ResultRow> = lines.into_iter().map(|line| line.row.unwrap()).collect();
        prop_assert_eq!(results_csv(again.iter()), table);
    }

    #[test]
    fn no_bytes_are_too_much(bytes in prop::collection::vec(any::<u8>(), 0..400), text in "[a-z\",;\n\t=']{0,200}") {
        let _ = judge_people(&bytes, &empty());
        let text = format!("name,day,piece,result\n{text}");
        let _ = judge_results(text.as_bytes(), &club());
        let _ = judge_people(text.as_bytes(), &club());
    }
}

/// A hundred thousand lines are looked at; how long that takes is seen by whoever runs it.
#[test]
fn a_file_as_long_as_may_be_is_looked_at() {
    let mut text = String::from("name,day,piece,result\n");
    for nth in 0..99_990 {
        text.push_str(&format!(
            "Rower {nth},2026-11-{:02},2000m,7:{:02}.{}\n",
            nth % 30 + 1,
            nth % 60,
            nth % 10
        ));
    }
    let (looked, _) = judge_results(text.as_bytes(), &club()).unwrap();
    assert_eq!(looked.lines.len(), 99_990);
    let day: ClubDay = "2026-11-30".parse().unwrap();
    assert_eq!(looked.count(Verdict::Doubtful), 99_990, "{day}");
}
