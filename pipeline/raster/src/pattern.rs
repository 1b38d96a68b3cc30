//! Patterns of file names with dates in them.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::path::{Component, Path};

use crate::stack::StackError;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Field {
    Year,
    Month,
    Day,
    DayOfYear,
}

impl Field {
    fn digits(self) -> usize {
        match self {
            Field::Year => 4,
            Field::DayOfYear => 3,
            Field::Month | Field::Day => 2,
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Piece {
    Text(String),
    Date(Field),
    /// Any characters.
    Anything,
    /// So many characters.
    Some(usize),
}

/// One folder or file name of a pattern.
pub(crate) enum Part {
    Plain(OsString),
    Matched(Vec<Piece>),
}

/// What a path told so far.
#[derive(Clone, Debug, Default)]
pub(crate) struct Reading {
    /// Parts of the date.
    pub(crate) date: BTreeMap<Field, u32>,
    /// What each `*` and each run of `?` stood for.
    pub(crate) anything: Vec<String>,
}

/// Cuts a pattern into folder and file names.
pub(crate) fn components(
    pattern: &Path,
    refuse: &dyn Fn(&str) -> StackError,
) -> Result<Vec<Part>, StackError> {
    let mut parts = Vec::new();
    for component in pattern.components() {
        let text = component.as_os_str().to_string_lossy();
        let matched = matches!(component, Component::Normal(_)) && text.contains(['{', '*', '?']);
        parts.push(if matched {
            Part::Matched(pieces(&text, refuse)?)
        } else {
            Part::Plain(component.as_os_str().to_owned())
        });
    }
    Ok(parts)
}

fn pieces(name: &str, refuse: &dyn Fn(&str) -> StackError) -> Result<Vec<Piece>, StackError> {
    let mut pieces = Vec::new();
    let mut rest = name;
    while let Some(start) = rest.find(['{', '*', '?']) {
        if start > 0 {
            pieces.push(Piece::Text(rest[..start].to_owned()));
        }
        rest = &rest[start..];
        if let Some(after) = rest.strip_prefix('*') {
            pieces.push(Piece::Anything);
            rest = after;
            continue;
        }
        if rest.starts_with('?') {
            let after = rest.trim_start_matches('?');
            pieces.push(Piece::Some(rest.len() - after.len()));
            rest = after;
            continue;
        }
        let end = rest.find('}').ok_or_else(|| refuse("has a { without }"))?;
        pieces.push(Piece::Date(match &rest[1..end] {
            "year" => Field::Year,
            "month" => Field::Month,
            "day" => Field::Day,
            "day_of_year" => Field::DayOfYear,
            other => return Err(refuse(&format!("has the unknown part {{{other}}}"))),
        }));
        rest = &rest[end + 1..];
    }
    if !rest.is_empty() {
        pieces.push(Piece::Text(rest.to_owned()));
    }
    Ok(pieces)
}

/// Matches a name; on success the reading holds what it told too. A part already known must agree.
pub(crate) fn matches(name: &str, pieces: &[Piece], reading: &Reading) -> Option<Reading> {
    Match { name, pieces, failed: BTreeSet::new() }.from(0, 0, reading)
}

/// What of a match by trial is known to fail, so that many stars do not make it try the same over and over: a piece of the pattern at a
/// byte of the name, with the date as far as it is told.
struct Match<'a> {
    name: &'a str,
    pieces: &'a [Piece],
    failed: BTreeSet<(usize, usize, BTreeMap<Field, u32>)>,
}

impl Match<'_> {
    fn from(&mut self, piece: usize, at: usize, reading: &Reading) -> Option<Reading> {
        let Some(next) = self.pieces.get(piece) else {
            return (at == self.name.len()).then(|| reading.clone());
        };
        let key = (piece, at, reading.date.clone());
        if self.failed.contains(&key) {
            return None;
        }
        let rest = &self.name[at..];
        let found = match next {
            Piece::Text(text) => rest
                .starts_with(text.as_str())
                .then(|| self.from(piece + 1, at + text.len(), reading))
                .flatten(),
            Piece::Date(field) => told(rest, *field, reading)
                .and_then(|reading| self.from(piece + 1, at + field.digits(), &reading)),
            Piece::Some(count) => {
                let end = ends(rest).nth(*count);
                end.and_then(|end| self.from(piece + 1, at + end, &reading.with(&rest[..end])))
            }
            Piece::Anything => {
                ends(rest).find_map(|end| self.from(piece + 1, at + end, &reading.with(&rest[..end])))
            }
        };
        if found.is_none() {
            self.failed.insert(key);
        }
        found
    }
}

impl Reading {
    fn with(&self, anything: &str) -> Self {
        let mut reading = self.clone();
        reading.anything.push(anything.to_owned());
        reading
    }
}

/// Where the letters of a text begin, and its end.
fn ends(text: &str) -> impl Iterator<Item = usize> {
    text.char_indices().map(|(at, _)| at).chain([text.len()])
}

/// The reading with the part of a date that a text begins with, if it agrees with what is known.
fn told(text: &str, field: Field, reading: &Reading) -> Option<Reading> {
    let digits = text.get(..field.digits())?;
    if !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let value: u32 = digits.parse().ok()?;
    let mut reading = reading.clone();
    (*reading.date.entry(field).or_insert(value) == value).then_some(reading)
}
