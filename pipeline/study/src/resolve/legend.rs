//! Legends of class layers: CSV with columns code, name and, if wanted, scores.

use crate::problem::{Place, Problem};
use crate::settings::{Legend, LegendClass};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A legend as read, its cells still text, so that a bad score can be told with its line.
pub(super) struct LegendTable {
    pub path: PathBuf,
    pub rows: BTreeMap<i32, LegendRow>,
    /// Column names besides code and name.
    pub columns: Vec<String>,
}

/// One class of a legend.
pub(super) struct LegendRow {
    pub name: String,
    /// Text of the columns besides code and name.
    pub cells: Vec<String>,
    pub place: Place,
}

impl LegendTable {
    /// The legend with every column that holds a number in that row.
    pub fn settings(&self) -> Legend {
        let class = |row: &LegendRow| LegendClass {
            name: row.name.clone(),
            scores: self
                .columns
                .iter()
                .zip(&row.cells)
                .filter_map(|(column, cell)| Some((column.clone(), number(cell)?)))
                .collect(),
        };
        Legend {
            path: self.path.clone(),
            classes: self.rows.iter().map(|(c, row)| (*c, class(row))).collect(),
        }
    }

    /// A problem in this legend's file.
    pub fn problem(&self, place: Place, message: String, help: &str) -> Problem {
        problem(&self.path, Some(place), message, help)
    }
}

/// A finite number.
pub(super) fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite())
}

fn problem(path: &Path, place: Option<Place>, message: String, help: &str) -> Problem {
    Problem { file: path.to_path_buf(), place, message, help: help.into(), warning: false }
}

/// Reads a legend, or gives everything that is wrong with it.
pub(super) fn read(path: &Path) -> Result<LegendTable, Vec<Problem>> {
    let form = "a legend is a CSV file in UTF-8 with columns code, name and, if wanted, scores";
    let whole = |message: String| vec![problem(path, None, message, form)];
    let text = std::fs::read_to_string(path)
        .map_err(|error| whole(format!("the legend cannot be read: {error}")))?;
    let mut reader =
        csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let headers =
        reader.headers().map_err(|error| whole(format!("the legend cannot be read: {error}")))?.clone();
    if headers.is_empty() {
        return Err(whole("the legend is empty".into()));
    }
    let column = |name: &str| headers.iter().position(|header| header == name);
    let (Some(code), Some(name)) = (column("code"), column("name")) else {
        let missing = if column("code").is_none() { "code" } else { "name" };
        let found: Vec<&str> = headers.iter().collect();
        let message = format!("no column \"{missing}\"; the columns are {}", found.join(" | "));
        let help = if headers.iter().any(|header| header.contains([';', '\t'])) {
            "separate columns by commas"
        } else {
            form
        };
        return Err(vec![problem(path, Some(line_place(&text, 0)), message, help)]);
    };
    let is_score = |i: &usize| *i != code && *i != name;
    let mut table = LegendTable {
        path: path.to_path_buf(),
        rows: BTreeMap::new(),
        columns: (0..headers.len()).filter(is_score).map(|i| headers[i].to_string()).collect(),
    };
    let mut problems = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| whole(format!("the legend cannot be read: {error}")))?;
        let start = record.position().map_or(0, |p| p.byte() as usize);
        let place = line_place(&text, start);
        let mut say = |message: String, help: &str| {
            problems.push(problem(path, Some(place), message, help));
        };
        if record.len() != headers.len() {
            let (found, expected) = (record.len(), headers.len());
            say(
                format!("{found} columns, where the first line has {expected}"),
                "put a name that holds a comma in \"quotes\"",
            );
            continue;
        }
        let Ok(number) = record[code].parse::<i32>() else {
            say(
                format!("code is {:?}; a whole number is expected", &record[code]),
                "codes are the values of the raster's cells",
            );
            continue;
        };
        if record[name].is_empty() {
            say(format!("code {number} has no name"), "give the class a name");
        }
        if let Some(earlier) = table.rows.get(&number) {
            say(
                format!("code {number} stands on line {} already", earlier.place.line),
                "give each class one line",
            );
            continue;
        }
        let row = LegendRow {
            name: record[name].to_string(),
            cells: (0..record.len()).filter(is_score).map(|i| record[i].to_string()).collect(),
            place,
        };
        table.rows.insert(number, row);
    }
    if problems.is_empty() && table.rows.is_empty() {
        problems = whole("the legend has no classes".into());
    }
    if problems.is_empty() { Ok(table) } else { Err(problems) }
}

/// The line that holds byte `at` (leading line breaks passed over).
fn line_place(text: &str, at: usize) -> Place {
    let bytes = text.as_bytes();
    let mut start = at.min(bytes.len());
    while start < bytes.len() && matches!(bytes[start], b'\n' | b'\r') {
        start += 1;
    }
    let length =
        bytes[start..].iter().position(|b| matches!(b, b'\n' | b'\r')).unwrap_or(bytes.len() - start);
    Place { start, end: start + length, line: bytes[..start].iter().filter(|b| **b == b'\n').count() + 1 }
}
