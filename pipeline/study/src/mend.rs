//! Makes the values of a study file fit its form, so that what is sound in it can be looked at.

use crate::shape::{deref, fits, quoted_number, words};
use crate::source::{item, key};
use crate::spoilt::Spoilt;
use serde_json::{Map, Number, Value};

/// The values with unknown keys and spoilt optional values left out, and stand-ins in place of spoilt or
/// missing ones that the form requires. Items of lists keep their place, so that addresses stay true.
pub(crate) fn mend(schema: &Value, value: &Value, spoilt: &Spoilt) -> Value {
    Mender { root: schema, spoilt }.mend(schema, value, "")
}

struct Mender<'a> {
    root: &'a Value,
    spoilt: &'a Spoilt,
}

impl Mender<'_> {
    fn mend(&self, schema: &Value, value: &Value, at: &str) -> Value {
        let mut schema = deref(self.root, schema);
        if let Some(Value::Array(choices)) = schema.get("anyOf") {
            let kind = |choice: &Value| choice.get("type").and_then(Value::as_str).map(str::to_string);
            let mut targets = choices.iter().map(|choice| deref(self.root, choice));
            match targets.find(|target| kind(target).is_some_and(|kind| fits(&kind, value))) {
                Some(target) => schema = target,
                None => return value.clone(), // a word or number, found sound
            }
        }
        match value {
            Value::Object(table) => self.table(schema, table, at),
            Value::Array(items) => {
                let inner = schema.get("items").unwrap_or(&Value::Null);
                let mend = |(i, value)| {
                    let at = item(at, i);
                    if self.spoilt.exactly(&at) { self.stand_in(inner) } else { self.mend(inner, value, &at) }
                };
                items.iter().enumerate().map(mend).collect()
            }
            other => quoted_number(schema, other).unwrap_or_else(|| other.clone()),
        }
    }

    fn table(&self, schema: &Value, table: &Map<String, Value>, at: &str) -> Value {
        let required = required(schema);
        let others = schema.get("additionalProperties").filter(|others| others.is_object());
        let known = |name: &str| schema.get("properties").and_then(|known| known.get(name));
        let mut made = Map::new();
        for (name, value) in table {
            let at_key = key(at, name);
            let (inner, needed) = match (known(name), others) {
                (Some(inner), _) => (inner, required.contains(&name.as_str())),
                // An entry under a name of the writer's own: others may call it by that name.
                (None, Some(inner)) => (inner, true),
                (None, None) => continue,
            };
            if !self.spoilt.exactly(&at_key) {
                made.insert(name.clone(), self.mend(inner, value, &at_key));
            } else if needed {
                made.insert(name.clone(), self.stand_in(inner));
            }
        }
        for name in required {
            if !made.contains_key(name) {
                made.insert(name.to_string(), self.stand_in(known(name).unwrap_or(&Value::Null)));
            }
        }
        Value::Object(made)
    }

    /// The plainest value that fits: empty text, the least number, the first word, required keys only.
    fn stand_in(&self, schema: &Value) -> Value {
        let schema = deref(self.root, schema);
        if let Some(word) = words(schema).and_then(|words| words.first().map(|word| word.to_string())) {
            return Value::String(word);
        }
        match schema.get("type").and_then(Value::as_str) {
            Some("string") => Value::String(String::new()),
            Some("boolean") => Value::Bool(false),
            Some("array") => {
                let count = schema.get("minItems").and_then(Value::as_u64).unwrap_or(0);
                let inner = schema.get("items").unwrap_or(&Value::Null);
                (0..count).map(|_| self.stand_in(inner)).collect()
            }
            Some("object") => self.table(schema, &Map::new(), ""),
            _ => schema.get("minimum").cloned().unwrap_or(Value::Number(Number::from(0))),
        }
    }
}

fn required(schema: &Value) -> Vec<&str> {
    let names = schema.get("required").and_then(Value::as_array);
    names.into_iter().flatten().filter_map(Value::as_str).collect()
}
