//! `protocol/openapi.json`, made from the calls of the club and their types, and an example of each call.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};
use thole_protocol::club::{Call, KeyRole, Problem, ProblemKind, Who, call::Method};

use super::{
    document::{SAFE, SCHEMAS, both_ways, bound_integers, refs, walk},
    is_integer, numeric,
    schema::Checker,
};

/// Numbers without a unit: they count or name something, and the name says what.
const COUNTS: [&str; 25] = [
    "as_meant",
    "born_year",
    "deed",
    "doubtful",
    "ended",
    "felt",
    "known",
    "last_deed",
    "line",
    "most",
    "new",
    "people",
    "piece",
    "pieces",
    "place",
    "results",
    "revision",
    "rows",
    "seat",
    "seats",
    "sessions",
    "status",
    "stored",
    "strokes",
    "wrong",
];

/// What the checks of one call go by.
struct Described {
    /// The schema of what is sent along; `None` for a call that sends nothing.
    sent: Option<String>,
    /// The schema of what answers.
    answer: Value,
}

fn folder() -> PathBuf {
    Path::new(crate::ROOT).join("protocol/examples/http")
}

/// What is sent along, and what answers, in the example of a call.
fn example(call: Call) -> [Value; 2] {
    let file = folder().join(format!("{}.json", call.name()));
    let text = fs::read_to_string(&file).unwrap_or_else(|why| panic!("{}: {why}", file.display()));
    let mut value: Value = serde_json::from_str(&text).unwrap();
    ["body", "answer"].map(|part| value[part].take())
}

fn named(schema: &schemars::Schema) -> Option<String> {
    let target = schema.get("$ref")?.as_str()?;
    target.strip_prefix(SCHEMAS).map(str::to_owned)
}

fn document() -> (Value, BTreeMap<Call, Described>) {
    let settings = || {
        SchemaSettings::draft2020_12().with(|s| s.definitions_path = "/components/schemas".into())
    };
    let mut read = settings().for_deserialize().into_generator();
    let mut written = settings().for_serialize().into_generator();
    written.subschema_for::<Problem>();
    let mut parts = BTreeMap::new();
    for call in Call::ALL {
        parts.insert(*call, call.schemas(&mut read, &mut written));
    }
    let mut read = read.take_definitions(true);
    let mut queries = BTreeMap::new();
    for [query, ..] in parts.values() {
        let Some(name) = named(query) else { continue };
        // It stands among the parameters of the call.
        let found = read.remove(&name);
        queries.entry(name).or_insert_with(|| found.unwrap());
    }
    let drafts = read.clone();
    let mut schemas = both_ways(read, written.take_definitions(true));
    schemas.values_mut().chain(queries.values_mut()).for_each(bound_integers);
    let mut paths = Map::new();
    let mut described = BTreeMap::new();
    for (call, [query, body, answer]) in parts {
        let query = named(&query).map(|name| queries[&name].clone());
        let sent = named(&body).map(|name| {
            let draft = format!("{name}Draft");
            if drafts.contains_key(&name) && schemas.contains_key(&draft) { draft } else { name }
        });
        let mut operation = operation(call, query.as_ref(), sent.as_deref(), answer.as_value());
        let [sent_example, answer_example] = example(call);
        if sent.is_some() {
            operation["requestBody"]["content"]["application/json"]["example"] = sent_example;
        }
        operation["responses"]["200"]["content"][call.media()]["example"] = answer_example;
        paths.entry(call.path()).or_insert_with(|| json!({}))
            [call.method().to_string().to_lowercase()] = operation;
        described.insert(call, Described { sent, answer: answer.to_value() });
    }
    let document = json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Thole: people and results of a club",
            "version": thole_protocol::VERSION.to_string(),
            "description": "JSON both ways. Whole numbers only; units stand at the end of the names. Whatever goes wrong is \
                answered by a problem of RFC 9457, whose `detail` says what to do. HTTP.md beside this file shows how to use it.",
        },
        "security": [{ "key": [] }],
        "paths": paths,
        "components": {
            "securitySchemes": { "key": {
                "type": "http", "scheme": "bearer",
                "description": "A key: the text behind the # of a coach's link or a person's card.",
            } },
            "responses": { "Problem": {
                "description": "It was not done; `detail` says what to do.",
                "content": { "application/problem+json": { "schema": { "$ref": format!("{SCHEMAS}Problem") } } },
            } },
            "schemas": schemas,
        },
    });
    (document, described)
}

fn operation(call: Call, query: Option<&Value>, sent: Option<&str>, answer: &Value) -> Value {
    let mut parameters = Vec::new();
    for name in call.path().split('{').skip(1).filter_map(|rest| rest.split_once('}')) {
        let schema = match name.0 {
            "deed" => json!({ "type": "integer", "minimum": 1, "maximum": u32::MAX }),
            "piece" => json!({ "type": "integer", "minimum": 0, "maximum": u16::MAX }),
            _ => json!({ "type": "string", "format": "uuid" }),
        };
        parameters
            .push(json!({ "name": name.0, "in": "path", "required": true, "schema": schema }));
    }
    let fields = query.and_then(|query| query["properties"].as_object());
    for (name, schema) in fields.into_iter().flatten() {
        let mut schema = schema.clone();
        let says = schema.as_object_mut().and_then(|schema| schema.remove("description"));
        parameters
            .push(json!({ "name": name, "in": "query", "description": says, "schema": schema }));
    }
    let header = |name: &str, is_required: bool, says: &str| {
        json!({
            "name": name, "in": "header", "required": is_required, "description": says,
            "schema": { "type": "string" },
        })
    };
    if call.changes() {
        parameters.push(header(
            "Idempotency-Key",
            false,
            "Anything of your own, new for each thing that is to be done: the same once more does nothing and is answered alike.",
        ));
    }
    if call.method() == Method::Patch {
        parameters.push(header("If-Match", true, "The `ETag` of what was read."));
    }
    let mut operation = json!({
        "operationId": call.name(),
        "summary": call.says(),
        "description": format!("For {}.", who(call)),
        "parameters": parameters,
        "responses": {
            "200": {
                "description": "It is so, or is so now.",
                "content": { call.media(): { "schema": answer } },
            },
            "default": { "$ref": "#/components/responses/Problem" },
        },
    });
    if call.is_of_one_thing() {
        operation["responses"]["200"]["headers"] = json!({ "ETag": {
            "description": "Names it as it is now; a change sends it back as `If-Match`.",
            "schema": { "type": "string" },
        } });
    }
    if let Some(sent) = sent {
        operation["requestBody"] = json!({
            "required": true,
            "content": { "application/json": { "schema": { "$ref": format!("{SCHEMAS}{sent}") } } },
        });
    }
    operation
}

fn who(call: Call) -> &'static str {
    match call.who() {
        Who::Keyed => "whoever has a key",
        Who::Card => "whoever shows a card in place of a key",
        Who::Person => "people, of what is their own",
        Who::Hall => "devices of the hall",
        Who::From(KeyRole::Head) => "the head coach",
        Who::From(KeyRole::Coach) => "coaches",
        Who::From(KeyRole::Assistant) => "coaches and assistants",
        Who::From(KeyRole::Person | KeyRole::Hall) => "everybody of the club",
    }
}

#[test]
fn the_document_of_http_is_the_calls_and_their_types() {
    let path = Path::new(crate::ROOT).join("protocol/openapi.json");
    let fresh = serde_json::to_string_pretty(&document().0).unwrap() + "\n";
    if std::env::var_os("UPDATE").is_some() {
        fs::write(&path, &fresh).unwrap();
    }
    let kept = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == fresh,
        "protocol/openapi.json is stale: UPDATE=1 cargo test -p thole-tests wire"
    );
}

#[test]
fn every_call_has_an_example_which_is_what_its_types_write_and_fits_the_document() {
    let (document, described) = document();
    let mut checker = Checker::new(&document);
    for call in Call::ALL {
        let example = example(*call);
        let again = call.again(example.clone()).unwrap_or_else(|why| panic!("{call:?}: {why}"));
        assert_eq!(again, example, "{call:?} does not come back as it is");
        let Described { sent, answer } = &described[call];
        let fits = sent.as_ref().map_or(Ok(()), |sent| checker.check(sent, &example[0]));
        fits.unwrap_or_else(|why| panic!("{call:?}, what is sent along: {why}"));
        if let Some(name) = answer["$ref"].as_str().and_then(|name| name.strip_prefix(SCHEMAS)) {
            let fits = checker.check(name, &example[1]);
            fits.unwrap_or_else(|why| panic!("{call:?}, what answers: {why}"));
        }
    }
    let files: BTreeSet<String> = fs::read_dir(folder())
        .unwrap()
        .map(|file| file.unwrap().path().file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    assert_eq!(files, Call::ALL.iter().map(|call| call.name().to_owned()).collect());
}

#[test]
fn every_reference_of_http_leads_somewhere_and_nothing_is_left_over() {
    let (document, _) = document();
    let schemas = document["components"]["schemas"].as_object().unwrap();
    let mut reached: BTreeSet<String> = refs(&document["paths"]);
    reached.extend(refs(&document["components"]["responses"]));
    let mut todo: Vec<String> = reached.iter().cloned().collect();
    while let Some(name) = todo.pop() {
        assert!(schemas.contains_key(&name), "{name} leads nowhere");
        todo.extend(refs(&schemas[&name]).into_iter().filter(|name| reached.insert(name.clone())));
    }
    assert_eq!(reached, schemas.keys().cloned().collect());
}

#[test]
fn every_number_of_http_names_its_unit_and_is_safe_for_javascript() {
    let (document, _) = document();
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
            for (key, _) in fields.iter().filter(|(_, field)| numeric(schemas, field)) {
                let has_unit = super::UNITS.iter().any(|unit| key.ends_with(unit));
                let is_count = COUNTS.contains(&key.as_str());
                assert!(
                    has_unit || is_count || super::COUNTS.contains(&key.as_str()),
                    "{name}.{key} has no unit"
                );
                seen.insert(key.clone());
            }
        });
    }
    assert!(seen.len() > 20, "only {seen:?} are seen");
}

#[test]
fn every_kind_of_problem_has_words_and_a_status_of_its_own_sort() {
    for kind in ProblemKind::ALL {
        assert!((400..600).contains(&kind.status()), "{kind:?}");
        assert!(kind.title().ends_with('.'), "{kind:?}");
    }
}
