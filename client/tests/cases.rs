//! Rules that the pages have too: both are held to the tables in `protocol/cases`.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "in a test, a panic is the answer"
)]

use std::{fs, path::Path};

use serde::{Deserialize, de::DeserializeOwned};
use serde_json::{Value, json};
use thole::{
    clock::{ClockFilter, Exchange},
    ftms::{Rowed, counters::Counters},
    kept::{Kept, Next, Resumed},
    mirror::Mirror,
    roster::{By, roster},
    wording,
};
use thole_protocol::{
    ServerMsg,
    event::{Event, Happening},
    ids::{EventNo, RunId},
    sample::{Durable, Sample},
    spec::{Repeat, RosterEntry, Target},
    units::At,
};
use uuid::Uuid;

fn read(path: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../protocol");
    fs::read_to_string(folder.join(path)).unwrap()
}

fn table<Case: DeserializeOwned>(name: &str) -> Vec<Case> {
    let cases: Vec<Case> = serde_json::from_str(&read(&format!("cases/{name}.json"))).unwrap();
    assert!(!cases.is_empty(), "{name}.json has no cases");
    cases
}

#[derive(Deserialize)]
struct ClockCase {
    name: String,
    /// Asked, heard, sent, back.
    answers: Vec<(u64, u64, u64, u64)>,
    at_us: u64,
    offset_us: i64,
    bound_us: u64,
}

#[test]
fn the_session_s_clock_is_reckoned_as_the_table_says() {
    for case in table::<ClockCase>("clock") {
        let mut filter = ClockFilter::default();
        for (asked_us, heard_us, answered_us, back_us) in case.answers {
            filter.add(Exchange { asked_us, heard_us, answered_us, back_us });
        }
        let estimate = filter.best(case.at_us).unwrap();
        assert_eq!(estimate.offset_us, case.offset_us, "{}", case.name);
        // Whole microseconds, and one more for the halves that are cut off.
        let bound_us = case.bound_us..=case.bound_us + 1;
        assert!(bound_us.contains(&estimate.bound_us), "{}: {estimate:?}", case.name);
    }
}

#[derive(Deserialize)]
struct KeptCase {
    name: String,
    /// What is done, and with what.
    steps: Vec<Vec<Value>>,
}

const RUN: RunId = RunId(Uuid::from_u128(7));

fn of<Part: DeserializeOwned>(step: &[Value], nth: usize) -> Part {
    serde_json::from_value(step[nth].clone()).unwrap()
}

fn durable(through: &Value, beyond: &Value) -> Durable {
    let number = |value: &Value| serde_json::from_value(value.clone()).unwrap();
    let beyond = serde_json::from_value(beyond.clone()).unwrap();
    Durable { run: RUN, through_seq: number(through), beyond }
}

fn given(next: Option<Next>) -> Value {
    match next {
        None => Value::Null,
        Some(Next::Samples(samples)) => {
            let numbers: Vec<u32> = samples.samples.iter().map(|sample| sample.seq).collect();
            json!({"samples": numbers})
        }
        Some(Next::Skip(skip)) => json!({"skip": [skip.from_seq, skip.to_seq]}),
    }
}

#[test]
fn samples_are_kept_and_sent_again_as_the_table_says() {
    for case in table::<KeptCase>("kept") {
        let mut kept = Kept::new(RUN);
        for (nth, step) in (1..).zip(&case.steps) {
            let what: String = of(step, 0);
            let at = format!("{}, step {nth}: {what}", case.name);
            match what.as_str() {
                "welcomed" => {
                    let epoch: String = of(step, 1);
                    let resumed = kept.welcomed(&epoch, Some(&durable(&step[2], &step[3])));
                    let resumed = match resumed {
                        Resumed::GoesOn { behind } => json!({"behind": behind}),
                        Resumed::ServerLost { .. } | Resumed::NewJournal { .. } => {
                            json!({"all_again": true})
                        }
                    };
                    assert_eq!(resumed, step[4], "{at}");
                }
                "record" => {
                    let heard_ms: i64 = of(step, 1);
                    kept.record(Sample {
                        heard_ms,
                        distance_dm: 10 * heard_ms,
                        ..Sample::default()
                    });
                }
                "next" => {
                    assert_eq!(given(kept.next(At(of(step, 1)), of(step, 2))), step[3], "{at}");
                }
                "acknowledged" => kept.acknowledged(&durable(&step[1], &step[2]), of(step, 3)),
                "pending" => assert_eq!(kept.pending(), of::<u32>(step, 1), "{at}"),
                "forget" => kept.forget(At(of(step, 1))),
                "unsent" => kept.unsent(),
                other => panic!("{other} is no step"),
            }
        }
    }
}

#[derive(Deserialize)]
struct MirrorCase {
    name: String,
    /// Name of an example.
    welcome: String,
    /// Number, and what happened: the thing itself, or the name of an example.
    events: Vec<(u64, Value)>,
    then: serde_json::Map<String, Value>,
}

fn example(name: &str) -> ServerMsg {
    serde_json::from_str(&read(&format!("examples/server/{name}.json"))).unwrap()
}

fn happening(told: &Value) -> Happening {
    let Some(name) = told.as_str() else { return serde_json::from_value(told.clone()).unwrap() };
    let ServerMsg::Events { events } = example(name) else { panic!("{name} is about events") };
    events.first().unwrap().what.clone()
}

#[test]
fn a_session_is_mirrored_as_the_table_says() {
    for case in table::<MirrorCase>("mirror") {
        let ServerMsg::Welcome(welcome) = example(&case.welcome) else {
            panic!("{} is no welcome", case.welcome);
        };
        let mut mirror = Mirror::of(*welcome);
        for (event, told) in &case.events {
            let what = happening(told);
            mirror.take(&Event { event: EventNo(*event), at_ms: At(1_050_000), late: false, what });
        }
        let now = serde_json::to_value(mirror.now()).unwrap();
        let each = |list: &Value, of: fn(&Value) -> Value| -> Value {
            list.as_array().into_iter().flatten().map(of).collect()
        };
        let first =
            |list: Value| -> Value { list.as_array().unwrap().iter().take(3).cloned().collect() };
        let all = json!({
            "current": now["current"],
            "phases": each(&now["pieces"], |piece| piece["phase"]["phase"].clone()),
            "own": !now["own"].is_null(),
            "call": !now["call"].is_null(),
            "athletes": first(each(&now["athletes"], |view| view["spec"]["name"].clone())),
            "results": each(&now["pieces"], |piece| piece["results"].as_array().map_or(0, Vec::len).into()),
            "ranking": now["settings"]["ranking"],
            "prepared": each(&now["prepared"], |text| text["shown"].clone()),
            "damage": now["damage"].as_array().map_or(0, Vec::len),
            "closed": now["closed"],
        });
        for (key, value) in &case.then {
            assert_eq!(&all[key], value, "{}: {key}", case.name);
        }
    }
}

#[derive(Deserialize)]
struct Worded {
    typed: String,
    /// `null`: not understood; absent: not asked.
    #[serde(default, deserialize_with = "asked")]
    target: Option<Option<Target>>,
    #[serde(default, deserialize_with = "asked")]
    piece: Option<Option<Vec<Repeat>>>,
    /// As both show it.
    shown: Option<String>,
}

fn asked<'de, D, Part>(deserializer: D) -> Result<Option<Option<Part>>, D::Error>
where
    D: serde::Deserializer<'de>,
    Part: Deserialize<'de>,
{
    Option::deserialize(deserializer).map(Some)
}

#[test]
fn targets_and_pieces_are_read_and_shown_as_the_table_says() {
    for case in table::<Worded>("wording") {
        let typed = &case.typed;
        if let Some(target) = case.target {
            assert_eq!(wording::target(typed).ok(), target, "{typed:?}");
            assert_eq!(target.map(wording::target_text), case.shown, "{typed:?}");
        } else if let Some(piece) = case.piece {
            assert_eq!(wording::repeats(typed).ok(), piece, "{typed:?}");
            assert_eq!(piece.as_deref().map(wording::repeats_text), case.shown, "{typed:?}");
        } else {
            panic!("{typed:?} is neither");
        }
    }
}

#[derive(Deserialize)]
struct CountersCase {
    name: String,
    /// When it was heard, and what it says.
    records: Vec<(u64, Rowed)>,
    /// What becomes of each.
    samples: Vec<Option<Counted>>,
}

#[derive(Debug, PartialEq, Deserialize)]
struct Counted {
    distance_dm: i64,
    elapsed_ms: Option<i64>,
    strokes: Option<i64>,
    rate_half_spm: Option<i64>,
    power_w: Option<i64>,
}

#[test]
fn a_machine_s_records_become_samples_as_the_table_says() {
    for case in table::<CountersCase>("counters") {
        let mut counters = Counters::default();
        let counted: Vec<Option<Counted>> = case
            .records
            .iter()
            .map(|(heard, record)| {
                let Sample { distance_dm, elapsed_ms, strokes, rate_half_spm, power_w, .. } =
                    counters.take(record, At(*heard))?;
                Some(Counted { distance_dm, elapsed_ms, strokes, rate_half_spm, power_w })
            })
            .collect();
        assert_eq!(counted, case.samples, "{}", case.name);
    }
}

#[derive(Deserialize)]
struct RosterCase {
    name: String,
    text: String,
    /// What the pieces are measured by.
    kinds: Vec<String>,
    entries: Option<Vec<RosterEntry>>,
    #[serde(default)]
    unread: Vec<String>,
    /// The first line that cannot be used.
    wrong: Option<usize>,
}

#[test]
fn a_roster_is_read_as_the_table_says() {
    for case in table::<RosterCase>("roster") {
        let kind = |kind: &String| match kind.as_str() {
            "distance" => By::Distance,
            "time" => By::Time,
            "over" => By::Over,
            other => panic!("{other} is no kind of piece"),
        };
        let kinds: Vec<By> = case.kinds.iter().map(kind).collect();
        match (roster(&case.text, &kinds), case.entries, case.wrong) {
            (Ok(read), Some(entries), None) => {
                assert_eq!((read.entries, read.unread), (entries, case.unread), "{}", case.name);
            }
            (Err(says), None, Some(line)) => {
                assert!(says.starts_with(&format!("Line {line}:")), "{}: {says}", case.name);
            }
            (read, entries, wrong) => panic!("{}: {read:?}, {entries:?}, {wrong:?}", case.name),
        }
    }
}
