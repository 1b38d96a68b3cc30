//! Tables written by people and their programs: the one reader of CSV for climate, legends, records and surveys.
//!
//! What is certain is read: a byte order mark, any line ends, commas, semicolons or tabs, empty lines, separators too many at
//! the end of lines, quoted cells with line breaks, spaces around, column names in other case. What is not is refused with its line.

use crate::problem::{Place, Problem};
use std::path::{Path, PathBuf};

mod numbers;
mod text;

pub use numbers::why_no_number;

/// Bytes of text that no UTF-8 is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Letters {
    /// They are refused.
    Utf8,
    /// They become a sign for "not known": for tables whose free notes nobody reads.
    Any,
}

/// A table as written, its cells trimmed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextTable {
    /// The file.
    pub file: PathBuf,
    /// Column names.
    pub columns: Vec<String>,
    /// Line of the column names.
    pub header: Place,
    /// Rows with as many cells as there are columns; those without anything in them left out.
    pub rows: Vec<TextRow>,
    /// Rows with more or fewer cells than there are columns.
    pub uneven: Vec<Problem>,
    /// What stands between cells.
    pub delimiter: u8,
}

/// A row of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextRow {
    /// Its first line.
    pub place: Place,
    /// Its cells, as many as there are columns.
    pub cells: Vec<String>,
}

/// How to mend a file that is no text.
const SAVE: &str = "save the table as CSV in UTF-8";

impl TextTable {
    /// Reads a table. The delimiter is the one of comma, semicolon and tab under which most of the columns `wanted` are found.
    ///
    /// # Errors
    /// A file that cannot be read, is no text, is empty, or has a quotation mark that is never closed.
    pub fn read(file: &Path, wanted: &[&str], letters: Letters) -> Result<TextTable, Problem> {
        let whole =
            |line: Option<Place>, message: String, help: &str| Problem::of_file(file, line, message, help);
        let bytes = std::fs::read(file).map_err(|e| {
            whole(None, format!("cannot be read ({e})"), "check the path and its permissions")
        })?;
        let (text, skipped) = text::decoded(bytes, letters)
            .map_err(|(line, message)| whole(line.map(Place::of_line), message, SAVE))?;
        if text.trim().is_empty() {
            let message = match wanted {
                [] => "is empty".to_string(),
                names => format!("is empty; a table with the columns {} is expected", names.join(", ")),
            };
            return Err(whole(None, message, "give the table, its columns named in the first line"));
        }
        let delimiter = delimiter(&text, wanted);
        if let Some(at) = text::unclosed_quote(&text, delimiter) {
            let place = text::Lines::new(&text, skipped).place(at);
            let message = "a quotation mark is opened here and never closed".to_string();
            return Err(whole(Some(place), message, "close it, or take it away"));
        }
        let mut lines = text::Lines::new(&text, skipped);
        let mut records = reader(&text, delimiter).into_records();
        let unreadable = |e: csv::Error| {
            let line = e.position().map(|p| Place::of_line(p.line() as usize));
            whole(line, format!("cannot be read as CSV ({e})"), "check quotes and line ends")
        };
        let mut columns = Vec::new();
        let mut header = Place::of_line(1);
        if let Some(first) = records.next() {
            let first = first.map_err(unreadable)?;
            header = lines.place(first.position().map_or(0, |p| p.byte() as usize));
            columns = first.iter().map(str::to_string).collect();
            while columns.last().is_some_and(String::is_empty) {
                columns.pop();
            }
        }
        let mut table = TextTable {
            file: file.to_path_buf(),
            columns,
            header,
            rows: Vec::new(),
            uneven: Vec::new(),
            delimiter,
        };
        for record in records {
            let record = record.map_err(unreadable)?;
            if record.iter().all(str::is_empty) {
                continue;
            }
            let place = lines.place(record.position().map_or(0, |p| p.byte() as usize));
            let mut cells: Vec<String> = record.iter().map(str::to_string).collect();
            while cells.len() > table.columns.len() && cells.last().is_some_and(String::is_empty) {
                cells.pop();
            }
            if cells.len() == table.columns.len() {
                table.rows.push(TextRow { place, cells });
            } else {
                let uneven = table.uneven_row(place, &cells);
                table.uneven.push(uneven);
            }
        }
        Ok(table)
    }

    fn uneven_row(&self, place: Place, cells: &[String]) -> Problem {
        let (found, expected) = (cells.len(), self.columns.len());
        let message = format!("{found} columns, where the first line has {expected}");
        let digits = |cell: &String| !cell.is_empty() && cell.bytes().all(|b| b.is_ascii_digit());
        let split =
            self.delimiter == b',' && found > expected && cells.windows(2).any(|two| two.iter().all(digits));
        let help = match (split, found > expected) {
            (true, _) => "a decimal comma splits a number in two: write numbers with a point, as 12.5",
            (false, true) => "put a name that holds a comma in \"quotes\"",
            (false, false) => "give every cell of the line, empty ones too, or take the line away",
        };
        Problem::of_file(&self.file, Some(place), message, help)
    }

    /// Position of a column: of this name, else the only one of this name in other case; `None` where there is none.
    ///
    /// # Errors
    /// A name that stands twice.
    pub fn column(&self, name: &str) -> Result<Option<usize>, Problem> {
        let found = |same: &dyn Fn(&String) -> bool| -> Vec<usize> {
            (0..self.columns.len()).filter(|at| same(&self.columns[*at])).collect()
        };
        let mut places = found(&|column| column == name);
        if places.is_empty() {
            places = found(&|column| column.to_lowercase() == name.to_lowercase());
        }
        match places[..] {
            [] => Ok(None),
            [one] => Ok(Some(one)),
            _ => Err(Problem::of_file(
                &self.file,
                Some(self.header),
                format!("column \"{name}\" stands {} times", places.len()),
                "give every column a name of its own",
            )),
        }
    }

    /// Positions of columns that must be there. `help` says how they are named.
    ///
    /// # Errors
    /// Columns that are missing, all of them together, or a name that stands twice.
    pub fn columns_of(&self, names: &[&str], help: &str) -> Result<Vec<usize>, Problem> {
        let mut places = Vec::new();
        let mut missing = Vec::new();
        for name in names {
            match self.column(name)? {
                Some(place) => places.push(place),
                None => missing.push(format!("\"{name}\"")),
            }
        }
        if missing.is_empty() {
            return Ok(places);
        }
        let missing = missing.join(" and ");
        let found = self.columns.join(", ");
        let values = self.columns.iter().all(|cell| cell.parse::<f64>().is_ok());
        let (message, help) = match values && !self.columns.is_empty() {
            true => (
                format!("has no column {missing}: the first line holds values ({found}), not names"),
                "name the columns in the first line",
            ),
            false => (format!("has no column {missing}; its columns are {found}"), help),
        };
        Err(Problem::of_file(&self.file, Some(self.header), message, help))
    }

    /// A problem of the table at a line.
    pub fn problem(&self, place: Place, message: String, help: &str) -> Problem {
        Problem::of_file(&self.file, Some(place), message, help)
    }
}

fn reader(text: &str, delimiter: u8) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .has_headers(false)
        .delimiter(delimiter)
        .from_reader(text.as_bytes())
}

/// Of comma, semicolon and tab the one that finds most of what is wanted; of equals the one that makes most columns.
fn delimiter(text: &str, wanted: &[&str]) -> u8 {
    let score = |delimiter: u8| {
        let first = reader(text, delimiter).into_records().next();
        let columns: Vec<String> = match first {
            Some(Ok(record)) => record.iter().map(str::to_lowercase).collect(),
            _ => return (0, 0),
        };
        (wanted.iter().filter(|name| columns.contains(&name.to_lowercase())).count(), columns.len())
    };
    // the last of equals is taken
    [b'\t', b';', b','].into_iter().max_by_key(|delimiter| score(*delimiter)).unwrap_or(b',')
}

#[cfg(test)]
mod tests;
