//! What crosses the socket: the document matches the types, every example fits, newer clients are understood,
//! and `protocol/README.md` says what the code says.

mod bounds;
mod document;
mod examples;
mod openapi;
mod readme;
mod schema;

use std::{collections::BTreeSet, fs, path::Path};

use serde_json::Value;

use self::{
    document::{SAFE, SCHEMAS, document, refs, walk},
    examples::by_type,
};

/// How the name of a number ends: its unit.
const UNITS: [&str; 10] = [
    "_ms",
    "_us",
    "_dm",
    "_w",
    "_bpm",
    "_half_spm",
    "_milli_spm",
    "_ppm",
    "_permille",
    "_per_500m_ms",
];

/// Numbers without a unit: they count or name something, and the name says what.
const COUNTS: [&str; 38] = [
    "against",
    "athletes",
    "call_strokes_left",
    "chances",
    "counted",
    "current",
    "days_ago",
    "devices",
    "event",
    "faster",
    "finishes",
    "first",
    "from_seq",
    "held",
    "intervals",
    "last_event",
    "made",
    // In the unit that the session ranks by, so its name can have none; its description says so.
    "mean_margin",
    "next_repeat",
    "of",
    "number",
    "piece",
    "place",
    "repeat",
    "seq",
    "sheet",
    "speed",
    "strokes",
    "strokes_left",
    "team_best",
    "through_seq",
    "unacked_seq",
    "to_seq",
    "version",
    "version_max",
    "version_min",
    "wording",
    // Pairs of sample numbers.
    "beyond",
];

#[test]
fn the_document_is_the_types() {
    let path = Path::new(crate::ROOT).join("protocol/asyncapi.json");
    let fresh = serde_json::to_string_pretty(&document(&by_type())).unwrap() + "\n";
    if std::env::var_os("UPDATE").is_some() {
        fs::write(&path, &fresh).unwrap();
    }
    let kept = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == fresh,
        "protocol/asyncapi.json is stale: UPDATE=1 cargo test -p thole-tests wire"
    );
}

#[test]
fn every_reference_in_the_document_leads_somewhere() {
    let document = document(&by_type());
    let mut found = 0;
    walk(&document, &mut |node| {
        if let Some(target) = node.get("$ref").and_then(Value::as_str) {
            let pointer = target.strip_prefix('#').unwrap();
            assert!(document.pointer(pointer).is_some(), "{target} leads nowhere");
            found += 1;
        }
    });
    assert!(found > 100, "{found} references are too few: the walk does not see them");
}

#[test]
fn nothing_in_the_document_is_left_over() {
    let document = document(&by_type());
    let schemas = document["components"]["schemas"].as_object().unwrap();
    let mut reached = BTreeSet::from(["ClientMsg".to_owned(), "ServerMsg".to_owned()]);
    let mut todo: Vec<String> = reached.iter().cloned().collect();
    while let Some(name) = todo.pop() {
        todo.extend(refs(&schemas[&name]).into_iter().filter(|name| reached.insert(name.clone())));
    }
    let all: BTreeSet<String> = schemas.keys().cloned().collect();
    assert_eq!(reached, all);
}

#[test]
fn every_number_names_its_unit_and_is_safe_for_javascript() {
    let document = document(&by_type());
    let schemas = document["components"]["schemas"].as_object().unwrap();
    let mut seen = BTreeSet::new();
    for (name, schema) in schemas {
        walk(schema, &mut |node| {
            assert_ne!(node.get("type"), Some(&"number".into()), "{name}: whole numbers only");
            if is_integer(node) {
                let bound = |end: &str| node[end].as_i64().unwrap();
                assert!(-SAFE <= bound("minimum") && bound("maximum") <= SAFE, "{name}: {node:?}");
            }
            let Some(fields) = node.get("properties").and_then(Value::as_object) else { return };
            for (key, field) in fields.iter().filter(|(_, field)| numeric(schemas, field)) {
                let named = UNITS.iter().any(|unit| key.ends_with(unit));
                assert!(
                    named || COUNTS.contains(&key.as_str()),
                    "{name}.{key} has no unit: {field}"
                );
                seen.insert(key.clone());
            }
        });
    }
    let unused: Vec<_> = COUNTS.iter().filter(|count| !seen.contains(**count)).collect();
    assert!(unused.is_empty(), "no longer in the protocol: {unused:?}");
}

pub(crate) fn is_integer(node: &serde_json::Map<String, Value>) -> bool {
    match node.get("type") {
        Some(Value::Array(types)) => types.contains(&"integer".into()),
        Some(one) => one == "integer",
        None => false,
    }
}

/// Whether a field is a number, even in a list or behind a name.
pub(crate) fn numeric(schemas: &serde_json::Map<String, Value>, field: &Value) -> bool {
    let Some(node) = field.as_object() else { return false };
    let named = |target: &Value| {
        target
            .as_str()
            .and_then(|t| t.strip_prefix(SCHEMAS))
            .is_some_and(|t| numeric(schemas, &schemas[t]))
    };
    let below = ["allOf", "anyOf", "items"].iter().filter_map(|key| node.get(*key));
    is_integer(node)
        || node.get("$ref").is_some_and(named)
        || below.into_iter().any(|part| match part.as_array() {
            Some(parts) => parts.iter().any(|part| numeric(schemas, part)),
            None => numeric(schemas, part),
        })
}
