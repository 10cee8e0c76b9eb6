//! The bounds that the document states are those the core refuses by: a number at the bound is accepted, one beyond
//! it is not.

use serde_json::Value;
use thole_piece::{
    limits::{
        self, check_athlete, check_call_text, check_name, check_piece, check_span, check_title,
    },
    plan::Course,
};
use thole_protocol::{
    limits::{ADDED_MAX, SAMPLES_MAX},
    spec::{
        Aim, AthleteSpec, CallText, Extent, Leg, PieceSpec, Plan, Point, Repeat, SheetCall, Span,
    },
    units::{Bpm, Decimetres, Millis},
};

/// A bound of the document, and whether the core accepts this number there.
type Row = (&'static str, &'static str, fn(u32) -> bool);

const LEAST: [Row; 9] = [
    ("Extent/oneOf/0/properties/distance_dm/minimum", "distance", distance),
    ("Extent/oneOf/1/properties/time_ms/minimum", "time", time),
    ("PieceSpec/properties/repeats/minItems", "repeats", repeats),
    ("PieceSpec/properties/count_ms/minimum", "countdown", count),
    ("Span/oneOf/0/properties/strokes/minimum", "strokes", strokes),
    ("Span/oneOf/2/properties/time_ms/minimum", "call time", call_time),
    ("AthleteSpec/properties/heart_limit_bpm/minimum", "heart limit", heart_limit),
    ("CallText/properties/shown/minLength", "shown", shown),
    ("AthleteSpec/properties/name/minLength", "name", name),
];

const MOST: [Row; 15] = [
    ("Extent/oneOf/0/properties/distance_dm/maximum", "distance", distance),
    ("Extent/oneOf/1/properties/time_ms/maximum", "time", time),
    ("Repeat/properties/rest_ms/maximum", "rest", rest),
    ("PieceSpec/properties/repeats/maxItems", "repeats", repeats),
    ("PieceSpec/properties/count_ms/maximum", "countdown", count),
    ("PieceSpec/properties/title/maxLength", "title", title),
    ("PieceSpec/properties/call_sheet/maxItems", "sheet", sheet),
    ("Span/oneOf/0/properties/strokes/maximum", "strokes", strokes),
    ("Span/oneOf/2/properties/time_ms/maximum", "call time", call_time),
    ("Point/oneOf/3/properties/number/maximum", "stroke number", stroke_number),
    ("AthleteSpec/properties/heart_limit_bpm/maximum", "heart limit", heart_limit),
    ("CallText/properties/shown/maxLength", "shown", shown),
    ("CallText/properties/spoken/maxLength", "spoken", spoken),
    ("AthleteSpec/properties/name/maxLength", "name", name),
    ("Plan/oneOf/3/properties/legs/maxItems", "legs", legs),
];

#[test]
fn what_the_document_allows_is_taken_and_nothing_beyond_it() {
    let document: Value = super::document(&super::by_type());
    let schemas = &document["components"]["schemas"];
    let stated = |path: &str| -> u32 {
        let (schema, rest) = path.split_once('/').unwrap();
        let draft = format!("{schema}Draft");
        let schema = schemas.get(&draft).unwrap_or(&schemas[schema]);
        let number = schema.pointer(&format!("/{rest}")).and_then(Value::as_u64);
        u32::try_from(number.unwrap_or_else(|| panic!("no number at {path}"))).unwrap()
    };
    for (path, what, is_taken) in LEAST {
        let least = stated(path);
        assert!(is_taken(least) && !is_taken(least - 1), "{what}: {least} at the least");
    }
    for (path, what, is_taken) in MOST {
        let most = stated(path);
        assert!(is_taken(most) && !is_taken(most + 1), "{what}: {most} at the most");
    }
    // These are counted by the shell.
    let counts = [
        ("ClientSamples/properties/samples/maxItems", SAMPLES_MAX),
        ("ClientHeartRate/properties/readings/maxItems", SAMPLES_MAX),
        ("ClientAddAthletes/properties/athletes/maxItems", ADDED_MAX),
        ("ClientCreate/properties/title/maxLength", limits::TITLE_MAX),
        ("ClientJoin/properties/name/maxLength", limits::NAME_MAX),
    ];
    for (path, most) in counts {
        assert_eq!(stated(path) as usize, most, "{path}");
    }
}

fn piece(work: Extent) -> PieceSpec {
    PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }])
}

fn metres(metres: u32) -> Extent {
    Extent::Distance { distance_dm: Decimetres(metres * 10) }
}

fn letters(count: u32) -> String {
    "ö".repeat(count as usize)
}

fn distance(dm: u32) -> bool {
    check_piece(&piece(Extent::Distance { distance_dm: Decimetres(dm) })).is_ok()
}

fn time(ms: u32) -> bool {
    check_piece(&piece(Extent::Time { time_ms: Millis(ms) })).is_ok()
}

fn rest(ms: u32) -> bool {
    let repeat = Repeat { work: metres(400), rest_ms: Millis(ms) };
    check_piece(&PieceSpec::of(vec![repeat; 2])).is_ok()
}

fn repeats(count: u32) -> bool {
    let repeat = Repeat { work: metres(400), rest_ms: Millis(60_000) };
    check_piece(&PieceSpec::of(vec![repeat; count as usize])).is_ok()
}

fn count(ms: u32) -> bool {
    check_piece(&PieceSpec { count_ms: Millis(ms), ..piece(metres(1_700)) }).is_ok()
}

fn title(count: u32) -> bool {
    check_title(&letters(count)).is_ok()
}

fn with_calls(at: Point, count: usize) -> bool {
    let text = CallText { shown: "Sit tall".into(), spoken: String::new() };
    let call =
        SheetCall { at, text, audience: thole_protocol::spec::Audience::All, span: Span::Next };
    check_piece(&PieceSpec { call_sheet: vec![call; count], ..piece(metres(1_700)) }).is_ok()
}

fn sheet(count: u32) -> bool {
    with_calls(Point::Stroke { number: 9 }, count as usize)
}

fn stroke_number(number: u32) -> bool {
    with_calls(Point::Stroke { number }, 1)
}

fn strokes(strokes: u32) -> bool {
    check_span(&Span::Strokes { strokes: u16::try_from(strokes).unwrap() }).is_ok()
}

fn call_time(ms: u32) -> bool {
    check_span(&Span::Time { time_ms: Millis(ms) }).is_ok()
}

fn heart_limit(bpm: u32) -> bool {
    let heart_limit_bpm = Some(Bpm(u16::try_from(bpm).unwrap()));
    check_athlete(&AthleteSpec { name: "Ana".into(), team: None, heart_limit_bpm }).is_ok()
}

fn shown(count: u32) -> bool {
    check_call_text(&CallText { shown: letters(count), spoken: String::new() }).is_ok()
}

fn spoken(count: u32) -> bool {
    check_call_text(&CallText { shown: "Reach".into(), spoken: letters(count) }).is_ok()
}

fn name(count: u32) -> bool {
    check_name(&letters(count)).is_ok()
}

fn legs(count: u32) -> bool {
    let leg = Leg { length: metres(100), per_500m_ms: Millis(120_000) };
    let aim = Aim { plan: Plan::Legs { legs: vec![leg; count as usize] }, ..Aim::default() };
    Course::of(&piece(metres(count * 100)), &aim).is_ok()
}
