//! The study file as text, with the place of every key and value in it.

use crate::problem::{Place, Problem};
use serde_json::{Map, Number, Value};
use std::collections::HashMap;
use std::ops::Range;
use std::path::{Path, PathBuf};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// The text of a study file, its values in file order, and where each stands.
///
/// A key is addressed as it would be written in one line: `scenarios[1].drawdown_m`,
/// `layers.water.files`. Items count from 0; a key that needs quotes in TOML has them here.
#[derive(Clone, Debug)]
pub struct Source {
    /// The study file.
    pub path: PathBuf,
    /// Its text.
    pub text: String,
    value: Value,
    spans: HashMap<String, Spans>,
}

#[derive(Clone, Debug)]
struct Spans {
    key: Option<Range<usize>>,
    value: Range<usize>,
}

/// Address of a key within the table at `at` ("" for the file itself).
pub fn key(at: &str, key: &str) -> String {
    let bare = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '-';
    let key = if !key.is_empty() && key.chars().all(bare) { key.to_string() } else { format!("{key:?}") };
    if at.is_empty() { key } else { format!("{at}.{key}") }
}

/// Address of an item, from 0, within the list at `at`.
pub fn item(at: &str, index: usize) -> String {
    format!("{at}[{index}]")
}

impl Source {
    /// Parses TOML.
    ///
    /// Numbers that are no numbers to calculate with (nan, inf, integers beyond 64 bits) are returned
    /// as problems beside the source; their value is null.
    ///
    /// # Errors
    /// The syntax error, with its place, if the text is not TOML.
    pub fn parse(path: &Path, text: String) -> Result<(Source, Vec<Problem>), Problem> {
        let mut source = Source {
            path: path.to_path_buf(),
            text: String::new(),
            value: Value::Null,
            spans: HashMap::new(),
        };
        let mut problems = Vec::new();
        let parsed = DeTable::parse(&text);
        match &parsed {
            Ok(table) => {
                let mut builder = Builder { source: &mut source, bad: Vec::new() };
                let value = builder.table("", table.get_ref());
                let bad = builder.bad;
                source.value = value;
                source.text.clone_from(&text);
                for (at, message) in bad {
                    problems.push(source.problem(&at, message, "write a plain number".into()));
                }
                Ok((source, problems))
            }
            Err(error) => Err(syntax_problem(path, &text, error)),
        }
    }

    /// The values, tables in file order. TOML dates are text here.
    pub fn value(&self) -> &Value {
        &self.value
    }

    /// The keys of the table at `at` in file order; empty if there is no such table.
    pub fn keys(&self, at: &[&str]) -> Vec<&str> {
        let found = at.iter().try_fold(&self.value, |value, name| value.get(name));
        match found {
            Some(Value::Object(table)) => table.keys().map(String::as_str).collect(),
            _ => Vec::new(),
        }
    }

    /// Whether something is written at this address.
    pub fn has(&self, at: &str) -> bool {
        self.spans.contains_key(at)
    }

    /// Where the value at `at` stands; if it is not written, where the table that should hold it is.
    pub fn place_of(&self, at: &str) -> Option<Place> {
        self.nearest_spans(at).map(|spans| place_in(&self.text, &spans.value))
    }

    /// Where the key of `at` stands; the value for items of lists.
    pub fn place_of_key(&self, at: &str) -> Option<Place> {
        self.nearest_spans(at).map(|spans| {
            let span = spans.key.as_ref().unwrap_or(&spans.value);
            place_in(&self.text, span)
        })
    }

    /// A problem with the value at `at`.
    pub fn problem(&self, at: &str, message: String, help: String) -> Problem {
        Problem { file: self.path.clone(), place: self.place_of(at), message, help, warning: false }
    }

    /// The address of what stands at a place: of the innermost key or value that holds it; `None` where nothing does.
    pub fn address_at(&self, place: Place) -> Option<&str> {
        let holds = |span: &Range<usize>| span.start <= place.start && place.start < span.end;
        let found = self.spans.iter().filter_map(|(at, spans)| {
            let inner =
                [Some(&spans.value), spans.key.as_ref()].into_iter().flatten().filter(|span| holds(span));
            Some((inner.map(ExactSizeIterator::len).min()?, at.as_str()))
        });
        // of a key and its value alike the deeper one
        found.min_by_key(|(length, at)| (*length, std::cmp::Reverse(at.len()), *at)).map(|(_, at)| at)
    }

    /// The address of the first text that names a file.
    pub fn address_naming(&self, file: &Path) -> Option<&str> {
        let names = |span: &Range<usize>| {
            let text = self.text.get(span.clone())?;
            let name =
                ['"', '\''].iter().find_map(|quote| text.strip_prefix(*quote)?.strip_suffix(*quote))?;
            (!name.is_empty() && file.ends_with(name)).then_some(span.start)
        };
        let found = self.spans.iter().filter_map(|(at, spans)| Some((names(&spans.value)?, at.as_str())));
        found.min().map(|(_, at)| at)
    }

    fn nearest_spans(&self, at: &str) -> Option<&Spans> {
        let mut at = at;
        loop {
            if let Some(spans) = self.spans.get(at) {
                return Some(spans);
            }
            let cut = at.rfind(['.', '['])?;
            at = &at[..cut];
        }
    }
}

fn syntax_problem(path: &Path, text: &str, error: &toml::de::Error) -> Problem {
    let mut message = error.message().trim();
    let help = if message.starts_with("duplicate key") {
        "keep one of the two"
    } else if message.starts_with("invalid boolean") {
        message = "a value that is no number, no list, and no text in quotes";
        "put text in \"quotes\""
    } else if message.starts_with("invalid date") {
        "put months in quotes: \"1991-01\""
    } else {
        "text stands in \"quotes\", lists in [brackets], one key on a line"
    };
    Problem {
        file: path.to_path_buf(),
        place: error.span().map(|span| place_in(text, &span)),
        message: format!("this is not TOML: {message}"),
        help: help.into(),
        warning: false,
    }
}

fn place_in(text: &str, span: &Range<usize>) -> Place {
    let start = span.start.min(text.len());
    Place {
        start,
        end: span.end.min(text.len()).max(start),
        line: text.as_bytes()[..start].iter().filter(|b| **b == b'\n').count() + 1,
    }
}

struct Builder<'a> {
    source: &'a mut Source,
    bad: Vec<(String, String)>,
}

impl Builder<'_> {
    fn table(&mut self, at: &str, table: &DeTable<'_>) -> Value {
        let mut map = Map::new();
        for (name, value) in table {
            let at = key(at, name.get_ref());
            let json = self.value(&at, Some(name.span()), value);
            map.insert(name.get_ref().to_string(), json);
        }
        Value::Object(map)
    }

    fn value(&mut self, at: &str, key: Option<Range<usize>>, value: &Spanned<DeValue<'_>>) -> Value {
        let spans = Spans { key, value: value.span() };
        self.source.spans.insert(at.to_string(), spans);
        match value.get_ref() {
            DeValue::String(text) => Value::String(text.to_string()),
            DeValue::Boolean(yes) => Value::Bool(*yes),
            DeValue::Datetime(date) => Value::String(date.to_string()),
            DeValue::Integer(number) => match i64::from_str_radix(number.as_str(), number.radix()) {
                Ok(number) => Value::Number(number.into()),
                Err(_) => self.bad(at, &number.to_string()),
            },
            DeValue::Float(number) => {
                let parsed = number.as_str().parse().ok().and_then(Number::from_f64);
                match parsed {
                    Some(number) => Value::Number(number),
                    None => self.bad(at, number.as_str()),
                }
            }
            DeValue::Array(items) => {
                items.iter().enumerate().map(|(i, value)| self.value(&item(at, i), None, value)).collect()
            }
            DeValue::Table(table) => self.table(at, table),
        }
    }

    fn bad(&mut self, at: &str, found: &str) -> Value {
        let message = format!("{at} is {found}, which cannot be calculated with");
        self.bad.push((at.to_string(), message));
        Value::Null
    }
}
