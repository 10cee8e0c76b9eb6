//! `protocol/README.md` says what the code says: its tables are read and compared.

use std::{collections::BTreeMap, fs, path::Path};

use thole_host::roles::may_say;
use thole_protocol::{
    ClientMsg,
    client_msg::Role,
    close::{Close, OnClose, advice},
    limits as bounds,
    refusal::Why,
    units::{Decimetres, Millis},
};
use thole_server::limits;

use super::{document::document, examples::by_type};

fn readme() -> String {
    fs::read_to_string(Path::new(crate::ROOT).join("protocol/README.md")).unwrap()
}

/// Rows of the table whose first column has this heading, each as its trimmed cells.
fn table(heading: &str) -> Vec<Vec<String>> {
    let text = readme();
    let lines = text.lines().skip_while(|line| !line.starts_with(&format!("| {heading} |")));
    let rows = lines.skip(2).take_while(|line| line.starts_with('|'));
    let cells = |row: &str| {
        let row = row.trim_start_matches('|').trim_end_matches('|');
        row.split('|').map(|cell| cell.trim().trim_matches('`').to_owned()).collect()
    };
    let rows: Vec<Vec<String>> = rows.map(cells).collect();
    assert!(!rows.is_empty(), "protocol/README.md has no table headed {heading}");
    rows
}

const CLOSES: [Close; 19] = [
    Close::GoingAway,
    Close::BrokenFrame,
    Close::NotText,
    Close::NotUtf8,
    Close::TooMany,
    Close::TooBig,
    Close::Fault,
    Close::Restart,
    Close::TooSlow,
    Close::Silent,
    Close::RecordsLost,
    Close::WrongSecret,
    Close::Replaced,
    Close::SessionClosed,
    Close::TooOld,
    Close::RoleFull,
    Close::WrongTooOften,
    Close::Unreadable,
    Close::SeatTaken,
];

#[test]
fn the_table_of_close_codes_is_the_code() {
    let said: Vec<Vec<String>> = CLOSES
        .iter()
        .map(|close| {
            let todo = match advice(Some(close.code())) {
                OnClose::Reconnect => "reconnect",
                OnClose::Stop => "stop",
            };
            let name = format!("{close:?}");
            vec![close.code().to_string(), name, todo.to_owned(), close.reason().to_owned()]
        })
        .collect();
    assert_eq!(table("code"), said);
    let source = fs::read_to_string(Path::new(crate::ROOT).join("protocol/src/close.rs")).unwrap();
    let codes =
        source.lines().filter(|line| line.trim_end().ends_with(',') && line.contains(" = "));
    assert_eq!(codes.count(), CLOSES.len(), "a close code is new: add it here and to the table");
}

/// RFC 6455 section 7.4.1 (1000 to 1011) and the registry that it establishes (1012, 1013); 4000 to 4999 are
/// for private use.
#[test]
fn close_codes_are_those_of_the_standard_or_private() {
    for close in CLOSES {
        let code = close.code();
        assert!(matches!(code, 1000..=1003 | 1007..=1013 | 4000..=4999), "{code}");
    }
}

#[test]
fn the_table_of_roles_is_the_servers() {
    let rows = table("message");
    let mut said: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for row in rows {
        let (message, marks) = row.split_first().unwrap();
        said.insert(message.clone(), marks.to_vec());
    }
    let mut ruled = BTreeMap::new();
    for ((side, tag), example) in by_type() {
        if side != "client" {
            continue;
        }
        let (msg, _) = ClientMsg::read(&example.to_string()).unwrap();
        let roles = [Role::Coach, Role::Athlete, Role::Board];
        let mut marks: Vec<bool> = roles.iter().map(|role| may_say(*role, &msg)).collect();
        marks.push(marks.iter().all(|may| !may));
        let word = |may: &bool| if *may { "yes".to_owned() } else { String::new() };
        ruled.insert(tag, marks.iter().map(word).collect::<Vec<String>>());
    }
    assert_eq!(said, ruled);
}

#[test]
fn the_table_of_refusals_has_every_reason() {
    let document = document(&by_type());
    let reasons = document["components"]["schemas"]["Why"]["oneOf"].as_array().unwrap();
    let reasons: Vec<&str> =
        reasons.iter().map(|reason| reason["const"].as_str().unwrap()).collect();
    let said: Vec<String> = table("why").into_iter().map(|row| row[0].clone()).collect();
    assert_eq!(said, reasons);
    assert!(reasons.contains(&serde_json::to_value(Why::WrongTime).unwrap().as_str().unwrap()));
}

#[test]
fn the_table_of_limits_is_the_servers() {
    let settings = thole_server::config::ServeArgs::default().settings().unwrap();
    let limit = settings.limits;
    let kib = |bytes: usize| format!("{} KiB", bytes >> 10);
    let expected = [
        ("message before `hello`, or of a board", kib(limit.stranger_bytes)),
        ("message of an athlete", kib(limit.athlete_bytes)),
        ("message of a coach", kib(limit.coach_bytes)),
        ("messages of one connection", format!("{} a second", limit.messages_per_s)),
        ("messages of one connection", format!("batches of {} or more", limits::BACK_FILL)),
        ("refused messages of one connection", format!("{} in one go", limits::REFUSALS_MAX)),
        ("wrong codes, secrets or keys on one connection", limits::WRONG_MAX.to_string()),
        ("wrong codes and keys of one address", format!("{} in one go", limit.wrong_codes)),
        ("wrong secrets in `hello` of one address", format!("{} in one go", limit.wrong_codes)),
        (
            "connections of one address that have not said what they want",
            limit.strangers_per_address.to_string(),
        ),
        ("connections of one address", "15,000".to_owned()),
        ("sessions made from one address", format!("{} a minute", limit.sessions_per_min_address)),
        ("samples or readings in a message", limits::SAMPLES_MAX.to_string()),
        (
            "`aim`, `ready`, `consent`, `stop_rowing`, `row_on` of one athlete",
            format!("{} in one go", thole_host::limits::CHANGES_MAX),
        ),
        ("readings of one athlete", thole_host::limits::READINGS_SPARE.to_string()),
        ("athletes in one `add_athletes`", limits::ADDED_MAX.to_string()),
        ("athletes in a session", "10,000".to_owned()),
        ("rows of one `results_table`", "50,000".to_owned()),
        ("events that you may fall behind by", format!("{} messages", limits::EVENTS_MAX)),
        ("events that you may fall behind by", "coach and boards 1,024".to_owned()),
    ];
    let text = readme();
    for (what, value) in expected {
        let row = text.lines().find(|line| line.starts_with(&format!("| {what} |")));
        let row = row.unwrap_or_else(|| panic!("no row for {what}"));
        assert!(row.contains(&value), "{row} should say {value}");
    }
    assert_eq!((limit.athletes, limits::SCREEN_EVENTS_MAX), (10_000, 1_024));
    assert_eq!(thole_host::limits::TABLE_ROWS_MAX, 50_000);
    assert_eq!(thole_host::limits::EVENTS_BYTES, 48 << 10, "the text says 48 KiB");
    assert_eq!(limit.connections_per_address, 15_000);
    assert_eq!(
        (limit.coaches, limit.boards),
        (3, 8),
        "the text says three devices and eight boards"
    );
}

#[test]
fn the_table_of_bounds_is_what_is_enforced() {
    let metres = |dm: Decimetres| dm.0 / 10;
    let seconds = |time: Millis| time.0 / 1_000;
    let (distance, time, rest) = (bounds::DISTANCE, bounds::TIME, bounds::REST);
    let expected = [
        ("name of", format!("1 to {} characters", bounds::NAME_MAX)),
        ("title of", format!("at most {} characters", bounds::TITLE_MAX)),
        ("pieces in", format!("{}; 1 to {},", bounds::PIECES_MAX, bounds::REPEATS.end())),
        (
            "length of a repeat",
            format!(
                "{} m to {} km; {} s to {} h;",
                metres(*distance.start()),
                metres(*distance.end()) / 1_000,
                seconds(*time.start()),
                seconds(*time.end()) / 3_600
            ),
        ),
        (
            "rest between",
            format!("{} s to {} min", seconds(*rest.start()), seconds(*rest.end()) / 60),
        ),
        (
            "countdown",
            format!("{} to {} s", seconds(*bounds::COUNT.start()), seconds(*bounds::COUNT.end())),
        ),
        (
            "call |",
            format!(
                "shown 1 to {} characters and at most {} words, spoken at most {}",
                bounds::CALL_SHOWN_MAX,
                bounds::CALL_WORDS_MAX,
                bounds::CALL_SPOKEN_MAX
            ),
        ),
        (
            "how long a call",
            format!(
                "1 to {} strokes; {} s to {} min",
                bounds::CALL_STROKES.end(),
                seconds(*bounds::CALL_TIME.start()),
                seconds(*bounds::CALL_TIME.end()) / 60
            ),
        ),
        ("grace of", format!("at most {} s", seconds(bounds::GRACE_MAX))),
        ("calls on a sheet", format!("{}; {}", bounds::CALL_SHEET_MAX, bounds::PREPARED_MAX)),
        ("legs of", format!("1 to {}; exactly {},", bounds::LEGS.end(), bounds::SPEEDS)),
        (
            "heart limit",
            format!(
                "{} to {} a minute",
                bounds::HEART_LIMIT_BPM.start().0,
                bounds::HEART_LIMIT_BPM.end().0
            ),
        ),
        (
            "believed of a sample",
            format!("rate at most {} a minute", bounds::RATE_MAX_HALF_SPM / 2),
        ),
        (
            "believed of a strap",
            format!(
                "{} to {} a minute",
                bounds::HEART_BELIEVED_BPM.start(),
                bounds::HEART_BELIEVED_BPM.end()
            ),
        ),
    ];
    let text = readme();
    for (what, value) in expected {
        let row = text.lines().find(|line| line.starts_with(&format!("| {what}")));
        let row = row.unwrap_or_else(|| panic!("no row for {what}"));
        assert!(row.contains(&value), "{row} should say {value}");
    }
    assert_eq!(bounds::POWER_MAX_W, 2_050, "the text says 2,050 W");
}

/// The worked example, recomputed with the client's own formula.
#[test]
fn the_worked_example_of_the_clock_is_right() {
    let exchange = thole::clock::Exchange {
        asked_us: 48_213_377,
        heard_us: 1_042_012_930,
        answered_us: 1_042_013_000,
        back_us: 48_231_447,
    };
    assert_eq!((exchange.offset_us(), exchange.delay_us() / 2), (993_790_553, 9_000));
    let text = readme();
    for number in ["48,213,377", "1,042,012,930", "1,042,013,000", "48,231,447", "993,790,553"] {
        assert!(text.contains(number), "the example no longer has {number}");
    }
}

#[test]
fn every_message_is_told_of_in_words_or_a_table() {
    let text = readme();
    for (_, tag) in by_type().into_keys() {
        assert!(text.contains(&format!("`{tag}`")), "protocol/README.md never names `{tag}`");
    }
}
