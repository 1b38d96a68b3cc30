//! JSON Schema of the study file, for editors and for our own checker.

use crate::options::StudyFile;
use schemars::JsonSchema;
use serde_json::{Map, Value, json};

/// JSON Schema (draft 2020-12) of [`StudyFile`], made from its structs.
///
/// TOML has no null, so an optional key is one that may be left out, never one that may be null.
pub fn schema() -> Value {
    schema_of::<StudyFile>("Study file of lentic")
}

/// The schema of any written form, under this title.
pub(crate) fn schema_of<T: JsonSchema>(title: &str) -> Value {
    let mut made = schemars::schema_for!(T).to_value();
    tidy(&mut made);
    let mut schema = Map::new();
    let version = made.get("$schema").cloned().unwrap_or_default();
    schema.insert("$schema".into(), version);
    schema.insert("title".into(), json!(title));
    if let Value::Object(made) = made {
        schema.extend(made.into_iter().filter(|(name, _)| name != "$schema" && name != "title"));
    }
    Value::Object(schema)
}

/// The schema as indented text with a newline at the end, as committed in `configs/`.
pub fn schema_text() -> String {
    format!("{:#}\n", schema())
}

/// Drops nulls, and states the limits that a number's Rust type has.
fn tidy(node: &mut Value) {
    match node {
        Value::Array(items) => items.iter_mut().for_each(tidy),
        Value::Object(map) => {
            drop_null(map);
            state_limits(map);
            map.values_mut().for_each(tidy);
        }
        _ => {}
    }
}

fn drop_null(map: &mut Map<String, Value>) {
    if map.get("default") == Some(&Value::Null) {
        map.shift_remove("default");
    }
    if let Some(Value::Array(types)) = map.get_mut("type") {
        types.retain(|t| t != "null");
        if let [only] = types.as_slice() {
            let only = only.clone();
            map.insert("type".into(), only);
        }
    }
    let Some(Value::Array(choices)) = map.get_mut("anyOf") else {
        return;
    };
    choices.retain(|choice| choice.get("type") != Some(&json!("null")));
    if let [only] = choices.as_slice() {
        let only = only.clone();
        map.shift_remove("anyOf");
        if let Value::Object(only) = only {
            map.extend(only);
        }
    }
}

fn state_limits(map: &mut Map<String, Value>) {
    let limits = match map.get("format").and_then(Value::as_str) {
        Some("int32") => (i64::from(i32::MIN), i64::from(i32::MAX)),
        Some("uint32" | "uint") => (0, i64::from(u32::MAX)),
        Some("uint8") => (0, i64::from(u8::MAX)),
        _ => return,
    };
    map.entry("minimum").or_insert(json!(limits.0));
    map.entry("maximum").or_insert(json!(limits.1));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_may_be_null() {
        assert!(!schema_text().contains("null"), "{}", schema_text());
    }
}
