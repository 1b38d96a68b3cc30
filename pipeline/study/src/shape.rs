//! Holds the values of a study file against the JSON Schema, in words its writer can use.
//!
//! A walker of our own rather than a validator library: it knows the part of JSON Schema that our
//! structs give, and can say what a key is for, what was found, and which known key was likely meant.

use crate::mend::mend;
use crate::nearest::{did_you_mean, nearest};
use crate::problem::Problem;
use crate::schema::schema;
use crate::source::{Source, item, key};
use crate::spoilt::Spoilt;
use serde_json::{Map, Number, Value};

/// What [`check`] finds.
pub(crate) struct Shape {
    /// Every problem of form: unknown and missing keys, types, words, ranges.
    pub problems: Vec<Problem>,
    /// What those problems leave unknown.
    pub spoilt: Spoilt,
    /// The values, made to fit the form.
    pub mended: Value,
}

/// Holds the values of the file against the form.
pub(crate) fn check(source: &Source) -> Shape {
    check_against(source, &schema(), "the study file")
}

/// As [`check`], against the schema of another kind of file, called `name` in messages.
pub(crate) fn check_against(source: &Source, schema: &Value, name: &str) -> Shape {
    let mut walker = Walker { root: schema, name, source, problems: Vec::new(), spoilt: Spoilt::default() };
    walker.check(schema, source.value(), "", "");
    let Walker { problems, spoilt, .. } = walker;
    let mended = mend(schema, source.value(), &spoilt);
    Shape { problems, spoilt, mended }
}

struct Walker<'a> {
    root: &'a Value,
    /// What messages call the file.
    name: &'a str,
    source: &'a Source,
    problems: Vec<Problem>,
    spoilt: Spoilt,
}

/// What JSON Schema calls a type, in plain words.
fn plain(kind: &str) -> &'static str {
    match kind {
        "string" => "text in quotes",
        "number" => "a number",
        "integer" => "a whole number",
        "boolean" => "true or false",
        "array" => "a list in [brackets]",
        _ => "a table of keys",
    }
}

fn kind_of(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(number) if number.is_f64() => "number",
        Value::Number(_) => "integer",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    }
}

pub(crate) fn fits(kind: &str, value: &Value) -> bool {
    let found = kind_of(value);
    found == kind || (kind == "number" && found == "integer")
}

/// The number in a text where the form asks for a number, if it is one that may stand there: what is
/// meant is plain, so the rest can be looked at with it.
pub(crate) fn quoted_number(schema: &Value, value: &Value) -> Option<Value> {
    let text = value.as_str()?.trim();
    let whole = || text.parse::<i64>().ok().map(Number::from);
    let number = match schema.get("type").and_then(Value::as_str)? {
        "integer" => whole()?,
        "number" => whole().or_else(|| Number::from_f64(text.parse().ok()?))?,
        _ => return None,
    };
    let found = number.as_f64()?;
    let limit = |name: &str| schema.get(name).and_then(Value::as_f64);
    let fits =
        limit("minimum").is_none_or(|low| found >= low) && limit("maximum").is_none_or(|high| found <= high);
    fits.then_some(Value::Number(number))
}

/// The value as a message shows it.
fn shown(value: &Value) -> String {
    match value {
        Value::String(text) => format!("the text {text:?}"),
        Value::Array(items) => format!("a list of {}", items.len()),
        Value::Object(_) => "a table of keys".into(),
        other => other.to_string(),
    }
}

/// Follows `$ref`.
pub(crate) fn deref<'a>(root: &'a Value, schema: &'a Value) -> &'a Value {
    let mut schema = schema;
    while let Some(Value::String(target)) = schema.get("$ref") {
        match root.pointer(target.trim_start_matches('#')) {
            Some(found) => schema = found,
            None => break,
        }
    }
    schema
}

impl<'a> Walker<'a> {
    fn deref(&self, schema: &'a Value) -> &'a Value {
        deref(self.root, schema)
    }

    fn say(&mut self, at: &str, message: String, help: String) {
        let problem = self.source.problem(at, message, help);
        self.problems.push(problem);
        self.spoilt.add(at);
    }

    /// `purpose` is the description of the key, the best help there is.
    fn check(&mut self, schema: &'a Value, value: &Value, at: &str, purpose: &str) {
        let schema = self.deref(schema);
        if value.is_null() {
            self.spoilt.add(at); // Reported when the number was read.
            return;
        }
        if let Some(words) = words(schema) {
            self.check_word(&words, value, at, "");
        } else if let Some(Value::Array(choices)) = schema.get("anyOf") {
            self.check_choices(choices, value, at, purpose);
        } else if let Some(kind) = schema.get("type").and_then(Value::as_str) {
            if !fits(kind, value) {
                self.wrong_type(&self.expected(schema), value, at, purpose);
                if quoted_number(schema, value).is_some() {
                    self.spoilt.forgive(at);
                }
                return;
            }
            match value {
                Value::Number(number) => self.check_range(schema, number.as_f64(), value, at, purpose),
                Value::Array(items) => self.check_list(schema, items, at, purpose),
                Value::Object(table) => self.check_table(schema, table, at),
                _ => {}
            }
        }
    }

    fn wrong_type(&mut self, expected: &str, value: &Value, at: &str, purpose: &str) {
        let message = format!("{at} is {}; {expected} is expected", shown(value));
        let mut help = first_sentence(purpose);
        let text = value.as_str().unwrap_or_default().trim();
        if expected.contains("number") && text.parse::<f64>().is_ok() {
            help = format!("write it without quotes: {text}");
        }
        self.say(at, message, help);
    }

    fn expected(&self, schema: &'a Value) -> String {
        let schema = self.deref(schema);
        if let Some(words) = words(schema) {
            return format!("one of {}", quoted(&words));
        }
        let kind = schema.get("type").and_then(Value::as_str).unwrap_or("");
        let items = schema.get("minItems").filter(|n| schema.get("maxItems") == Some(n));
        match (kind, items) {
            ("array", Some(items)) => format!("a list of {items}"),
            _ => plain(kind).to_string(),
        }
    }

    /// `others` says what may stand in place of a word, "" if nothing may.
    fn check_word(&mut self, words: &[&str], value: &Value, at: &str, others: &str) {
        match value {
            Value::String(text) if words.contains(&text.as_str()) => {}
            Value::String(text) => {
                let message = format!("{at} is {text:?}; {others}one of {} is expected", quoted(words));
                let help = match nearest(text, words.iter().copied()) {
                    Some(word) => format!("did you mean \"{word}\"?"),
                    None => "use one of these words, in quotes".into(),
                };
                self.say(at, message, help);
            }
            other => {
                let expected = format!("one of {}", quoted(words));
                self.wrong_type(&expected, other, at, "use one of these words, in quotes");
            }
        }
    }

    fn check_choices(&mut self, choices: &'a [Value], value: &Value, at: &str, purpose: &str) {
        // A number in quotes is a number, not a word that nobody knows.
        let a_number = value.as_str().is_some_and(|text| text.trim().parse::<f64>().is_ok());
        for choice in choices {
            let target = self.deref(choice);
            let kind = target.get("type").and_then(Value::as_str);
            if let Some(words) = words(target).filter(|_| value.is_string() && !a_number) {
                let others = choices.iter().filter(|other| *other != choice);
                let others: String = others.map(|other| format!("{} or ", self.expected(other))).collect();
                self.check_word(&words, value, at, &others);
                return;
            }
            if kind.is_some_and(|kind| fits(kind, value)) {
                self.check(target, value, at, purpose);
                return;
            }
        }
        let expected: Vec<String> = choices.iter().map(|c| self.expected(c)).collect();
        self.wrong_type(&expected.join(" or "), value, at, purpose);
    }

    fn check_range(&mut self, schema: &Value, number: Option<f64>, value: &Value, at: &str, purpose: &str) {
        let limit = |name: &str| schema.get(name).and_then(Value::as_f64);
        let (low, high) = (limit("minimum"), limit("maximum"));
        let Some(number) = number else { return };
        if low.is_none_or(|low| number >= low) && high.is_none_or(|high| number <= high) {
            return;
        }
        let expected = match (low, high) {
            (Some(low), Some(high)) if high < 1e9 => format!("a number from {low} to {high}"),
            (Some(low), _) if number < low => format!("a number of {low} or more"),
            (_, Some(high)) => format!("a number of {high} or less"),
            _ => "another number".into(),
        };
        let message = format!("{at} is {value}; {expected} is expected");
        self.say(at, message, first_sentence(purpose));
    }

    fn check_list(&mut self, schema: &'a Value, items: &[Value], at: &str, purpose: &str) {
        let limit = |name: &str| schema.get(name).and_then(Value::as_u64);
        let count = items.len() as u64;
        let (low, high) = (limit("minItems"), limit("maxItems"));
        if low.is_some_and(|low| count < low) || high.is_some_and(|high| count > high) {
            let expected = self.expected(schema);
            let message = format!("{at} is a list of {count}; {expected} is expected");
            self.say(at, message, first_sentence(purpose));
            return;
        }
        if let Some(inner) = schema.get("items") {
            for (i, value) in items.iter().enumerate() {
                self.check(inner, value, &item(at, i), purpose);
            }
        }
    }

    fn check_table(&mut self, schema: &'a Value, table: &Map<String, Value>, at: &str) {
        let known = schema.get("properties").and_then(Value::as_object);
        let names: Vec<&str> = known.iter().flat_map(|k| k.keys()).map(String::as_str).collect();
        let known = |name: &str| known.and_then(|known| known.get(name));
        let others = schema.get("additionalProperties");
        let mut meant = Vec::new();
        for (name, value) in table {
            let inner = known(name);
            let at_key = key(at, name);
            match (inner, others) {
                (Some(inner), _) => self.check(inner, value, &at_key, purpose_of(inner)),
                (None, Some(inner @ Value::Object(_))) => self.check(inner, value, &at_key, ""),
                (None, Some(Value::Bool(false))) => {
                    let near = nearest(name, names.iter().copied());
                    match near.map(|near| (key(at, near), table.contains_key(near))) {
                        Some((at_near, false)) => self.spoilt.add(&at_near),
                        Some((at_near, true)) => self.spoilt.add_open(&at_near),
                        None => self.spoilt.add_open(at),
                    }
                    meant.extend(near);
                    self.unknown_key(name, &names, at, &at_key);
                }
                (None, _) => {}
            }
        }
        let Some(Value::Array(required)) = schema.get("required") else {
            return;
        };
        for name in required.iter().filter_map(Value::as_str) {
            // A required key that was misspelt is told once, as a misspelling.
            if !table.contains_key(name) && !meant.contains(&name) {
                let message = format!("{} has no key \"{name}\"", self.table_name(at));
                let purpose = known(name).map(purpose_of).unwrap_or_default();
                self.problems.push(self.source.problem(at, message, first_sentence(purpose)));
                self.spoilt.add(&key(at, name));
            }
        }
    }

    fn table_name(&self, at: &str) -> String {
        if at.is_empty() { self.name.into() } else { at.to_string() }
    }

    fn unknown_key(&mut self, name: &str, known: &[&str], at: &str, at_key: &str) {
        let message = format!("\"{name}\" is not a key of {}", self.table_name(at));
        let help = did_you_mean(name, known.iter().copied(), "key");
        let mut problem = self.source.problem(at_key, message, help);
        problem.place = self.source.place_of_key(at_key);
        self.problems.push(problem);
    }
}

/// The words of an enumeration, whether or not each is described.
pub(crate) fn words(schema: &Value) -> Option<Vec<&str>> {
    let list = |name: &str| schema.get(name).and_then(Value::as_array);
    if let Some(words) = list("enum") {
        return Some(words.iter().filter_map(Value::as_str).collect());
    }
    let choices = list("oneOf")?;
    let words: Vec<&str> =
        choices.iter().filter_map(|choice| choice.get("const").and_then(Value::as_str)).collect();
    (words.len() == choices.len()).then_some(words)
}

fn quoted(words: &[&str]) -> String {
    let words: Vec<String> = words.iter().map(|word| format!("\"{word}\"")).collect();
    words.join(", ")
}

fn purpose_of(schema: &Value) -> &str {
    schema.get("description").and_then(Value::as_str).unwrap_or_default()
}

/// A description as help: one line, its full stop off.
fn first_sentence(purpose: &str) -> String {
    let line: Vec<&str> = purpose.split_whitespace().collect();
    line.join(" ").trim_end_matches('.').to_string()
}
