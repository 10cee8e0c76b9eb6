//! `protocol/asyncapi.json`, made from the types: what a client generator or a stranger reads.

use std::collections::{BTreeMap, BTreeSet};

use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};
use thole_protocol::{ClientMsg, ServerMsg, limits};

/// Beyond this, JavaScript rounds whole numbers (ECMA-262, `Number.MAX_SAFE_INTEGER`).
pub(crate) const SAFE: i64 = 9_007_199_254_740_991;

/// Where one schema names another.
pub(crate) const SCHEMAS: &str = "#/components/schemas/";

/// What the server answers with, apart from `refused`, which may answer anything.
const REPLIES: [(&str, &[&str]); 10] = [
    ("hello", &["welcome"]),
    ("create", &["created"]),
    ("join", &["joined"]),
    ("clock", &["clock"]),
    ("samples", &["ack"]),
    ("skip", &["ack"]),
    ("command", &["done"]),
    ("add_athletes", &["done", "links"]),
    ("new_link", &["links"]),
    ("new_board_link", &["board_link"]),
];

/// The document; `examples` are the payloads by side (`client`, `server`) and message type.
pub(crate) fn document(examples: &BTreeMap<(&'static str, String), Value>) -> Value {
    let mut schemas = all_schemas();
    let client = messages(&mut schemas, "ClientMsg", "client", examples);
    let server = messages(&mut schemas, "ServerMsg", "server", examples);
    for schema in schemas.values_mut() {
        bound_integers(schema);
    }
    let in_channel: Map<String, Value> = (client.values().chain(server.values()))
        .map(|(key, _)| (key.clone(), json!({ "$ref": format!("#/components/messages/{key}") })))
        .collect();
    let components: Map<String, Value> = client.values().chain(server.values()).cloned().collect();
    json!({
        "asyncapi": "3.1.0",
        "info": {
            "title": "Thole: group sessions on rowing machines",
            "version": thole_protocol::VERSION.to_string(),
            "description": "One JSON text message a frame. Whole numbers only; units stand at the end of the names. \
                Unknown fields are ignored and unknown types refused, neither closes the connection. \
                README.md beside this file tells the whole story.",
        },
        "defaultContentType": "application/json",
        "channels": {
            "session": { "address": "/ws", "messages": in_channel, "bindings": { "ws": {} } },
        },
        "operations": operations(&client, &server),
        "components": { "messages": components, "schemas": schemas },
        "x-limits": known_limits(),
    })
}

/// The bounds that clients go by, apart from those in the schemas: each is defined once, in
/// `protocol/src/limits.rs`.
fn known_limits() -> Value {
    json!({
        "name_max": limits::NAME_MAX,
        "title_max": limits::TITLE_MAX,
        "reason_max": limits::REASON_MAX,
        "call_shown_max": limits::CALL_SHOWN_MAX,
        "call_words_max": limits::CALL_WORDS_MAX,
        "call_spoken_max": limits::CALL_SPOKEN_MAX,
        "call_strokes_max": limits::CALL_STROKES.end(),
        "count_min_ms": limits::COUNT.start(),
        "count_max_ms": limits::COUNT.end(),
        "samples_max": limits::SAMPLES_MAX,
        "samples_a_second": limits::SAMPLES_A_SECOND,
        "underway_max": limits::UNDERWAY_MAX,
        "added_max": limits::ADDED_MAX,
        "history_max": limits::HISTORY_MAX,
        "rate_max_half_spm": limits::RATE_MAX_HALF_SPM,
        "repeats_max": limits::REPEATS.end(),
        "power_max_w": limits::POWER_MAX_W,
        "heart_limit_min_bpm": limits::HEART_LIMIT_BPM.start(),
        "heart_limit_max_bpm": limits::HEART_LIMIT_BPM.end(),
        "speed_max_dm_a_second": limits::SPEED_MAX_DM_A_SECOND,
        "speed_over_500m_max_dm_a_second": limits::SPEED_OVER_500M_MAX_DM_A_SECOND,
        "speed_over_2000m_max_dm_a_second": limits::SPEED_OVER_2000M_MAX_DM_A_SECOND,
        "stopped_after_ms": limits::STOPPED_AFTER,
        "false_start_max_ms": limits::FALSE_START_MAX,
        "heartbeat_ms": limits::HEARTBEAT,
    })
}

/// Every type by name. What clients send is described as it is read, where fields may be left out; what the
/// server sends as it is written, where none is left out. A type that differs is called `…Draft` as clients
/// send it.
fn all_schemas() -> Map<String, Value> {
    let settings =
        || SchemaSettings::draft07().with(|s| s.definitions_path = "/components/schemas".into());
    let mut read = settings().for_deserialize().into_generator();
    read.subschema_for::<ClientMsg>();
    let mut written = settings().for_serialize().into_generator();
    written.subschema_for::<ServerMsg>();
    both_ways(read.take_definitions(true), written.take_definitions(true))
}

/// Schemas of what is read and of what is written, in one map.
pub(crate) fn both_ways(
    read: Map<String, Value>,
    mut schemas: Map<String, Value>,
) -> Map<String, Value> {
    let mut drafts: BTreeSet<String> = read
        .iter()
        .filter(|(k, v)| schemas.get(*k).is_some_and(|w| w != *v))
        .map(|(k, _)| k.clone())
        .collect();
    loop {
        let more: Vec<String> = (read.iter())
            .filter(|(k, v)| {
                !drafts.contains(*k)
                    && schemas.contains_key(*k)
                    && refs(v).iter().any(|name| drafts.contains(name))
            })
            .map(|(k, _)| k.clone())
            .collect();
        if more.is_empty() {
            break;
        }
        drafts.extend(more);
    }
    for (name, mut schema) in read {
        rename_refs(&mut schema, &drafts);
        let name = if drafts.contains(&name) { format!("{name}Draft") } else { name };
        schemas.insert(name, schema);
    }
    schemas.values_mut().for_each(forget_unknown);
    schemas
}

/// Messages of one side, by type: the key in the document and the AsyncAPI message.
fn messages(
    schemas: &mut Map<String, Value>,
    union: &str,
    side: &'static str,
    examples: &BTreeMap<(&'static str, String), Value>,
) -> BTreeMap<String, (String, Value)> {
    let variants = schemas.get(union).unwrap()["oneOf"].as_array().unwrap().clone();
    let mut messages = BTreeMap::new();
    let mut inlined = BTreeSet::new();
    for variant in variants {
        let tag = variant["properties"]["type"]["const"].as_str().unwrap().to_owned();
        let name = format!("{}{}", camel(side), camel(&tag));
        let schema = flat(&variant, schemas, &mut inlined);
        let summary = variant["description"].clone();
        schemas.insert(name.clone(), schema);
        let mut message = json!({
            "name": tag,
            "summary": summary,
            "payload": { "$ref": format!("{SCHEMAS}{name}") },
        });
        if let Some(payload) = examples.get(&(side, tag.clone())) {
            message["examples"] = json!([{ "payload": payload }]);
        }
        messages.insert(tag, (format!("{side}{}", name.split_at(side.len()).1), message));
    }
    let refs_to: Vec<Value> = (messages.keys())
        .map(|tag| json!({ "$ref": format!("{SCHEMAS}{}{}", camel(side), camel(tag)) }))
        .collect();
    let about = schemas[union]["description"].clone();
    schemas.insert(union.to_owned(), json!({ "description": about, "oneOf": refs_to }));
    let used: BTreeSet<String> = schemas.values().flat_map(refs).collect();
    schemas.retain(|name, _| !inlined.contains(name) || used.contains(name));
    messages
}

/// A message with its fields beside its `type`, instead of a reference to where they are.
fn flat(variant: &Value, schemas: &Map<String, Value>, inlined: &mut BTreeSet<String>) -> Value {
    let Some(parts) = variant.get("allOf").and_then(Value::as_array) else {
        return variant.clone();
    };
    let name = parts[0]["$ref"].as_str().unwrap().strip_prefix(SCHEMAS).unwrap().to_owned();
    let mut schema = schemas[&name].clone();
    inlined.insert(name);
    schema["properties"]["type"] = variant["properties"]["type"].clone();
    let required = schema.as_object_mut().unwrap().entry("required").or_insert(json!([]));
    required.as_array_mut().unwrap().insert(0, json!("type"));
    schema
}

/// What may be said, and what answers it.
fn operations(
    client: &BTreeMap<String, (String, Value)>,
    server: &BTreeMap<String, (String, Value)>,
) -> Map<String, Value> {
    let channel = json!({ "$ref": "#/channels/session" });
    let at = |key: &str| json!({ "$ref": format!("#/channels/session/messages/{key}") });
    let mut operations = Map::new();
    for (tag, (key, _)) in client {
        let mut operation =
            json!({ "action": "receive", "channel": channel, "messages": [at(key)] });
        if let Some((_, answers)) = REPLIES.iter().find(|(asked, _)| asked == tag) {
            let answers: Vec<Value> =
                answers.iter().chain(&["refused"]).map(|tag| at(&server[*tag].0)).collect();
            operation["reply"] = json!({ "channel": channel, "messages": answers });
        }
        operations.insert(format!("hear{}", camel(tag)), operation);
    }
    for (tag, (key, _)) in server {
        let operation = json!({ "action": "send", "channel": channel, "messages": [at(key)] });
        operations.insert(format!("say{}", camel(tag)), operation);
    }
    operations
}

/// `heart_rate` as `HeartRate`.
pub(crate) fn camel(tag: &str) -> String {
    (tag.split('_'))
        .map(|word| {
            let (first, rest) = word.split_at(1);
            first.to_uppercase() + rest
        })
        .collect()
}

/// Names of all schemas that this one refers to.
pub(crate) fn refs(schema: &Value) -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    walk(schema, &mut |node| {
        if let Some(name) = node.get("$ref").and_then(Value::as_str) {
            names.extend(name.strip_prefix(SCHEMAS).map(str::to_owned));
        }
    });
    names
}

/// Visits every object in a JSON value.
pub(crate) fn walk(value: &Value, visit: &mut impl FnMut(&Map<String, Value>)) {
    match value {
        Value::Object(fields) => {
            visit(fields);
            fields.values().for_each(|field| walk(field, visit));
        }
        Value::Array(items) => items.iter().for_each(|item| walk(item, visit)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

fn walk_mut(value: &mut Value, visit: &mut impl FnMut(&mut Map<String, Value>)) {
    match value {
        Value::Object(fields) => {
            visit(fields);
            fields.values_mut().for_each(|field| walk_mut(field, visit));
        }
        Value::Array(items) => items.iter_mut().for_each(|item| walk_mut(item, visit)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

fn rename_refs(schema: &mut Value, drafts: &BTreeSet<String>) {
    walk_mut(schema, &mut |node| {
        if let Some(Value::String(name)) = node.get_mut("$ref")
            && name.strip_prefix(SCHEMAS).is_some_and(|name| drafts.contains(name))
        {
            name.push_str("Draft");
        }
    });
}

/// Takes out the variant that stands for what a newer server may say: nobody sends it.
fn forget_unknown(schema: &mut Value) {
    if let Some(Value::Array(variants)) = schema.get_mut("oneOf") {
        variants.retain(|variant| {
            ["type", "kind"].iter().all(|tag| variant["properties"][tag]["const"] != "unknown")
        });
    }
}

/// States the bounds of every whole number explicitly, since formats such as `uint32` belong to no standard.
pub(crate) fn bound_integers(schema: &mut Value) {
    walk_mut(schema, &mut |node| {
        let bounds = match node.get("format").and_then(Value::as_str) {
            Some("uint8") => (0, i64::from(u8::MAX)),
            Some("uint16") => (0, i64::from(u16::MAX)),
            Some("uint32") => (0, i64::from(u32::MAX)),
            Some("int32") => (i64::from(i32::MIN), i64::from(i32::MAX)),
            Some("uint64") => (0, SAFE),
            Some("int64") => (-SAFE, SAFE),
            Some(_) | None => return,
        };
        node.remove("format");
        // A bound of the protocol's own is narrower, and stays.
        let own = |key| node.get(key).and_then(Value::as_i64);
        let least = own("minimum").map_or(bounds.0, |own| own.max(bounds.0));
        let most = own("maximum").map_or(bounds.1, |own| own.min(bounds.1));
        node.insert("minimum".to_owned(), json!(least));
        node.insert("maximum".to_owned(), json!(most));
    });
}
