//! The example files: one for every message, order and happening, each as the types write it.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::Path,
};

use serde_json::Value;
use thole_protocol::{ClientMsg, ServerMsg, client_msg::Misread};

use super::{
    document::{SAFE, SCHEMAS, camel, document, walk},
    schema::Checker,
};

/// Types whose variants need not all occur in an example: the table of refusals in README.md has them.
const ELSEWHERE: [&str; 1] = ["Why"];

/// Every example of both sides, by side and file name without its ending.
pub(crate) fn examples() -> BTreeMap<(&'static str, String), (String, Value)> {
    let mut found = BTreeMap::new();
    for side in ["client", "server"] {
        let folder = Path::new(crate::ROOT).join("protocol/examples").join(side);
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
            let text = fs::read_to_string(&path).unwrap();
            let value = serde_json::from_str(&text)
                .unwrap_or_else(|why| panic!("{} is no JSON: {why}", path.display()));
            found.insert((side, name), (text, value));
        }
    }
    found
}

/// The payload to show for each message type: the example whose name comes first.
pub(crate) fn by_type() -> BTreeMap<(&'static str, String), Value> {
    let mut shown = BTreeMap::new();
    for ((side, _), (_, value)) in examples() {
        let tag = value["type"].as_str().unwrap().to_owned();
        shown.entry((side, tag)).or_insert(value);
    }
    shown
}

#[test]
fn every_example_is_what_the_types_write() {
    for ((side, name), (text, value)) in examples() {
        let (again, unknown) = if side == "client" {
            let (msg, unknown) =
                ClientMsg::read(&text).unwrap_or_else(|why| panic!("client/{name}.json: {why:?}"));
            (serde_json::to_value(msg).unwrap(), unknown)
        } else {
            let msg: ServerMsg = serde_json::from_str(&text)
                .unwrap_or_else(|why| panic!("server/{name}.json: {why}"));
            (serde_json::to_value(msg).unwrap(), 0)
        };
        assert_eq!(again, value, "{side}/{name}.json does not come back as it is");
        assert_eq!(unknown, 0, "{side}/{name}.json has fields that nobody reads");
    }
}

#[test]
fn every_example_is_named_after_what_is_in_it() {
    for ((side, name), (_, value)) in examples() {
        let tag = value["type"].as_str().unwrap();
        let kind = value["order"]["do"].as_str().or(value["events"][0]["what"]["kind"].as_str());
        let start = match (tag, kind) {
            ("command" | "events", Some(kind)) => format!("{tag}-{kind}"),
            _ => tag.to_owned(),
        };
        let rest = name.strip_prefix(&start);
        assert!(
            rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('-')),
            "{side}/{name}.json should be called {start}.json, or {start}-something.json"
        );
    }
}

#[test]
fn every_example_fits_the_document_and_no_variant_is_without_one() {
    let document = document(&by_type());
    let mut checker = Checker::new(&document);
    for ((side, name), (_, value)) in examples() {
        let union = if side == "client" { "ClientMsg" } else { "ServerMsg" };
        if let Err(why) = checker.check(union, &value) {
            panic!("{side}/{name}.json does not fit protocol/asyncapi.json: {why}");
        }
    }
    let names: Vec<&String> =
        document["components"]["schemas"].as_object().unwrap().keys().collect();
    let unmet: Vec<String> = (names.into_iter())
        .filter(|name| !ELSEWHERE.contains(&name.as_str()))
        .flat_map(|name| checker.unmet(name))
        .collect();
    assert!(unmet.is_empty(), "write an example in protocol/examples for:\n{}", unmet.join("\n"));
}

#[test]
fn the_check_of_examples_sees_what_is_wrong() {
    let document = document(&by_type());
    let good = examples()[&("client", "samples".to_owned())].1.clone();
    let mut spoilt = Vec::new();
    let mut spoil = |change: &dyn Fn(&mut Value)| {
        let mut value = good.clone();
        change(&mut value);
        spoilt.push(value);
    };
    spoil(&|v| v["type"] = "sample".into());
    spoil(&|v| v["run"] = "seven".into());
    spoil(&|v| v["samples"][0]["seq"] = (-1).into());
    spoil(&|v| v["samples"][1]["heard_ms"] = (SAFE + 1).into());
    spoil(&|v| v["samples"][1]["power_w"] = "strong".into());
    spoil(&|v| drop(v["samples"][2].as_object_mut().unwrap().remove("distance_dm")));
    assert_eq!(Checker::new(&document).check("ClientMsg", &good), Ok(()));
    for value in spoilt {
        assert!(Checker::new(&document).check("ClientMsg", &value).is_err(), "{value}");
    }
}

#[test]
fn numbers_in_examples_are_whole_and_safe_for_javascript() {
    for ((side, name), (_, value)) in examples() {
        walk(&value, &mut |fields| {
            for (key, field) in fields {
                for number in field.as_array().unwrap_or(&vec![field.clone()]) {
                    let safe = number.as_i64().is_some_and(|n| n.abs() <= SAFE);
                    assert!(!number.is_number() || safe, "{side}/{name}.json: {key} is {number}");
                }
            }
        });
    }
}

#[test]
fn what_a_newer_client_says_more_is_ignored_and_counted() {
    for ((_, name), (_, mut value)) in
        examples().into_iter().filter(|((side, _), _)| *side == "client")
    {
        let plain = ClientMsg::read(&value.to_string()).unwrap().0;
        value["mood"] = "cheerful".into();
        value["weather"] = serde_json::json!({ "wind": "none", "rain_mm": 3 });
        let read = ClientMsg::read(&value.to_string());
        assert_eq!(read, Ok((plain, 2)), "client/{name}.json with two fields more");
    }
}

#[test]
fn a_field_more_in_a_sample_is_counted_too() {
    let known = r#""seq":1,"heard_ms":5,"distance_dm":90"#;
    let read = |sample: &str| {
        let run = "00000000-0000-0000-0000-000000000007";
        let text =
            format!(r#"{{"type":"samples","run":"{run}","samples":[{{{sample}}},{{{known}}}]}}"#);
        ClientMsg::read(&text).map(|(_, unknown)| unknown)
    };
    assert_eq!(read(known), Ok(0));
    assert_eq!(read(&format!(r#"{known},"power_w":190,"strokes":null"#)), Ok(0));
    assert_eq!(read(&format!(r#"{known},"mood":"good""#)), Ok(1));
    assert_eq!(read(&format!(r#"{known}, "mood" : "good", "wind" : 3"#)), Ok(2));
    assert!(read(r#""seq":1,"heard_ms":5,"distance_dm":"far""#).is_err());
}

/// RFC 8259, 4 and 7: the order of names means nothing, and a letter may be written as its number.
#[test]
fn the_tag_may_stand_anywhere_and_be_written_in_any_way() {
    let skip =
        |text: &str| ClientMsg::read(text).map(|(msg, unknown)| (format!("{msg:?}"), unknown));
    let run = r#""run":"00000000-0000-0000-0000-000000000007","from_seq":2,"to_seq":3"#;
    let plain = skip(&format!(r#"{{"type":"skip",{run}}}"#));
    assert!(plain.is_ok(), "{plain:?}");
    for other in [
        format!(r#"{{{run},"type":"skip"}}"#),
        format!(r#" {{ "type" : "skip", {run} }} "#),
        format!(r#"{{"type":"sk\u0069p",{run}}}"#),
    ] {
        assert_eq!(skip(&other), plain, "{other}");
    }
    assert_eq!(skip(r#"{"type":"heartbeat"}"#), skip(r#" {"type":"heartbeat"}"#));
}

#[test]
fn what_a_newer_side_says_is_unknown_and_not_wrong() {
    let sung = r#"{"type":"sing","verse":2}"#;
    assert_eq!(ClientMsg::read(sung), Err(Misread::UnknownType("sing".to_owned())));
    assert_eq!(serde_json::from_str::<ServerMsg>(sung).unwrap(), ServerMsg::Unknown);
    let event = r#"{"event":9,"at_ms":4,"what":{"kind":"rainbow","colours":7}}"#;
    let event: thole_protocol::event::Event = serde_json::from_str(event).unwrap();
    assert_eq!(event.what, thole_protocol::event::Happening::Unknown);
}

#[test]
fn what_does_not_fit_is_malformed_and_says_where() {
    for text in [
        "",
        "[]",
        "{}",
        r#"{"type":7}"#,
        r#"{"type":"hello"}"#,
        r#"{"type":"clock","client_sent_us":1.5}"#,
        r#"{"type":"clock","client_sent_us":-1}"#,
        r#"{"type":"heartbeat"} and more"#,
        r#"{"type":"heartbeat","mood"}"#,
        r#"{"type":"sing","verse"}"#,
    ] {
        let read = ClientMsg::read(text);
        assert!(matches!(read, Err(Misread::Malformed(_))), "{text:?} was read as {read:?}");
    }
}

#[test]
fn an_example_stands_in_the_document_for_every_message() {
    let document = document(&by_type());
    let messages = document["components"]["messages"].as_object().unwrap();
    for (side, union) in [("client", "ClientMsg"), ("server", "ServerMsg")] {
        for variant in document["components"]["schemas"][union]["oneOf"].as_array().unwrap() {
            let schema = variant["$ref"].as_str().unwrap().strip_prefix(SCHEMAS).unwrap();
            let key = format!("{side}{}", &schema[side.len()..]);
            assert!(messages[&key]["examples"][0].is_object(), "{key} has no example");
        }
    }
    let tags: BTreeSet<_> =
        by_type().into_keys().map(|(side, tag)| format!("{side}{}", camel(&tag))).collect();
    let keys: BTreeSet<_> = messages.keys().cloned().collect();
    assert_eq!(tags, keys, "examples and messages are the same set");
}
