//! A small JSON Schema check (draft 7, <https://json-schema.org/draft-07>): the keywords that the protocol's
//! document uses, and a refusal of all others, so that none is silently passed over.

use std::collections::BTreeSet;

use serde_json::{Map, Value};

use super::document::SCHEMAS;

/// Checks values against the schemas of one document, and remembers which variants it has met.
pub(crate) struct Checker<'a> {
    schemas: &'a Map<String, Value>,
    /// Every variant of a `oneOf` that some value has matched, as `Schema/number`.
    pub(crate) met: BTreeSet<String>,
}

impl<'a> Checker<'a> {
    /// A checker for the schemas of this document.
    pub(crate) fn new(document: &'a Value) -> Checker<'a> {
        let schemas = document["components"]["schemas"].as_object().unwrap();
        Checker { schemas, met: BTreeSet::new() }
    }

    /// Checks a value against a named schema.
    ///
    /// # Errors
    /// Where in the value it does not fit, and why.
    pub(crate) fn check(&mut self, name: &str, value: &Value) -> Result<(), String> {
        let schema = self.schemas.get(name).ok_or_else(|| format!("no schema {name}"))?;
        self.fits(name, schema, value, "")
    }

    fn fits(&mut self, name: &str, schema: &Value, value: &Value, at: &str) -> Result<(), String> {
        for (keyword, rule) in schema.as_object().ok_or("a schema is an object")? {
            self.keyword(name, keyword, rule, schema, value, at)?;
        }
        Ok(())
    }

    fn keyword(
        &mut self,
        name: &str,
        keyword: &str,
        rule: &Value,
        schema: &Value,
        value: &Value,
        at: &str,
    ) -> Result<(), String> {
        let fits = match keyword {
            "description" | "title" | "default" => true,
            "$ref" => {
                let target = rule.as_str().and_then(|r| r.strip_prefix(SCHEMAS));
                let target = target.ok_or_else(|| format!("{at}: {rule} leads nowhere"))?;
                return self.check(target, value).map_err(|why| format!("{at}{why}"));
            }
            "type" => rule
                .as_array()
                .map_or_else(|| is(rule, value), |types| types.iter().any(|kind| is(kind, value))),
            "const" => rule == value,
            "enum" => rule.as_array().unwrap().contains(value),
            "format" => match rule.as_str() {
                Some("uuid") => value.as_str().is_none_or(|s| uuid::Uuid::try_parse(s).is_ok()),
                _ => return Err(format!("format {rule} is not known to this check")),
            },
            "minimum" => value.as_i64().is_none_or(|v| v >= rule.as_i64().unwrap()),
            "maximum" => value.as_i64().is_none_or(|v| v <= rule.as_i64().unwrap()),
            "minLength" => {
                value.as_str().is_none_or(|v| v.chars().count() as u64 >= rule.as_u64().unwrap())
            }
            "maxLength" => {
                value.as_str().is_none_or(|v| v.chars().count() as u64 <= rule.as_u64().unwrap())
            }
            "minItems" => value.as_array().is_none_or(|v| v.len() as u64 >= rule.as_u64().unwrap()),
            "maxItems" => value.as_array().is_none_or(|v| v.len() as u64 <= rule.as_u64().unwrap()),
            "required" => {
                let missing = |key: &&Value| value.get(key.as_str().unwrap()).is_none();
                match rule.as_array().unwrap().iter().find(missing) {
                    Some(key) if value.is_object() => {
                        return Err(format!("{at}: {key} is missing"));
                    }
                    Some(_) | None => true,
                }
            }
            "properties" => {
                for (key, part) in rule.as_object().unwrap() {
                    if let Some(field) = value.get(key) {
                        self.fits(name, part, field, &format!("{at}/{key}"))?;
                    }
                }
                true
            }
            "uniqueItems" => {
                let items = value.as_array().into_iter().flatten();
                let mut seen = BTreeSet::new();
                items.into_iter().all(|item| seen.insert(item.to_string()))
            }
            "additionalProperties" => {
                assert_eq!(rule, &Value::Bool(false), "nothing else is known to this check");
                let named = &schema["properties"];
                let keys = value.as_object().into_iter().flatten();
                keys.into_iter().all(|(key, _)| named.get(key).is_some())
            }
            "items" => return self.items(name, rule, value, at),
            "allOf" | "anyOf" | "oneOf" => return self.several(name, keyword, rule, value, at),
            _ => return Err(format!("keyword {keyword} is not known to this check, in {schema}")),
        };
        if fits { Ok(()) } else { Err(format!("{at}: {value} against {keyword} {rule}")) }
    }

    fn items(&mut self, name: &str, rule: &Value, value: &Value, at: &str) -> Result<(), String> {
        for (place, item) in value.as_array().into_iter().flatten().enumerate() {
            let rule = match rule.as_array() {
                Some(rules) => rules.get(place).ok_or(format!("{at}: too many items"))?,
                None => rule,
            };
            self.fits(name, rule, item, &format!("{at}/{place}"))?;
        }
        Ok(())
    }

    fn several(
        &mut self,
        name: &str,
        keyword: &str,
        rule: &Value,
        value: &Value,
        at: &str,
    ) -> Result<(), String> {
        let rules = rule.as_array().unwrap();
        let tried: Vec<Result<(), String>> =
            rules.iter().map(|rule| self.fits(name, rule, value, at)).collect();
        let fitting: Vec<usize> = (0..tried.len()).filter(|&which| tried[which].is_ok()).collect();
        let fits = match keyword {
            "allOf" => fitting.len() == rules.len(),
            "anyOf" => !fitting.is_empty(),
            _ => fitting.len() == 1,
        };
        if !fits {
            let why: Vec<String> = tried.into_iter().filter_map(Result::err).collect();
            return Err(format!("{at}: {} of {} {keyword}: {why:?}", fitting.len(), rules.len()));
        }
        if keyword == "oneOf" {
            self.met.extend(fitting.iter().map(|which| format!("{name}/{which}")));
        }
        Ok(())
    }

    /// Variants of the `oneOf` of a named schema that no value has matched yet, in their own words.
    pub(crate) fn unmet(&self, name: &str) -> Vec<String> {
        let variants = self.schemas[name].get("oneOf").and_then(Value::as_array);
        (variants.into_iter().flatten().enumerate())
            .filter(|(which, _)| !self.met.contains(&format!("{name}/{which}")))
            .map(|(_, variant)| format!("{name}: {variant}"))
            .collect()
    }
}

fn is(kind: &Value, value: &Value) -> bool {
    match kind.as_str().unwrap() {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "integer" => value.is_i64() || value.is_u64(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        other => panic!("type {other} is not known to this check"),
    }
}
