//! A table of results, with what a reader needs to use it: title, units, descriptions.

use crate::ReportError;
use crate::file::{make_folder, write_bytes, write_whole};
use crate::frame;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// A table, column by column.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Table {
    /// File name without ending: letters, digits, `_`, `-`, `.`, first a letter.
    pub name: String,
    /// Title shown above it.
    pub title: String,
    /// What a reader must know to use it; may be empty.
    pub note: String,
    /// Columns, all of the same length.
    pub columns: Vec<Column>,
}

/// A column.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Column {
    /// Its name in the files: letters, digits, `_`, `-`, `.`, first a letter; unique in the table.
    pub name: String,
    /// Unit, "" where there is none.
    pub unit: String,
    /// What it holds, one sentence.
    pub description: String,
    /// The cells, top to bottom; kept in files of their own.
    #[serde(skip)]
    pub values: Values,
}

impl Column {
    /// A column of words.
    pub fn text(name: &str, description: &str, values: Vec<Option<String>>) -> Self {
        Column::new(name, "", description, Values::Text(values))
    }

    /// A column of whole numbers.
    pub fn integer(name: &str, unit: &str, description: &str, values: Vec<Option<i64>>) -> Self {
        Column::new(name, unit, description, Values::Integer(values))
    }

    /// A column of real numbers; NaN counts as missing.
    pub fn real(name: &str, unit: &str, description: &str, values: Vec<Option<f64>>) -> Self {
        Column::new(name, unit, description, Values::Real(values))
    }

    fn new(name: &str, unit: &str, description: &str, values: Values) -> Self {
        Column {
            name: name.to_string(),
            unit: unit.to_string(),
            description: description.to_string(),
            values,
        }
    }
}

/// The cells of a column; `None` is missing, which is neither zero nor the empty word.
#[derive(Clone, Debug, PartialEq)]
pub enum Values {
    /// Words.
    Text(Vec<Option<String>>),
    /// Whole numbers.
    Integer(Vec<Option<i64>>),
    /// Real numbers; NaN is written as missing, an infinite number is refused.
    Real(Vec<Option<f64>>),
}

impl Default for Values {
    fn default() -> Self {
        Values::Text(Vec::new())
    }
}

impl Values {
    /// How many cells.
    pub fn len(&self) -> usize {
        match self {
            Values::Text(cells) => cells.len(),
            Values::Integer(cells) => cells.len(),
            Values::Real(cells) => cells.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The type's name in a Frictionless Table Schema.
    pub(crate) fn schema_type(&self) -> &'static str {
        match self {
            Values::Text(_) => "string",
            Values::Integer(_) => "integer",
            Values::Real(_) => "number",
        }
    }
}

impl Table {
    /// Rows of the table (0 where it has no column).
    pub fn rows(&self) -> usize {
        self.columns.first().map_or(0, |column| column.values.len())
    }

    /// Checks names, lengths and numbers.
    fn check(&self) -> Result<(), ReportError> {
        let refuse = |message: String| Err(ReportError::Table { table: self.name.clone(), message });
        if !is_name(&self.name) {
            return refuse("its name must be letters, digits, _, - or ., beginning with a letter".into());
        }
        if self.columns.is_empty() {
            return refuse("it has no column; give at least one".into());
        }
        for (place, column) in self.columns.iter().enumerate() {
            let name = &column.name;
            if !is_name(name) {
                return refuse(format!(
                    "column \"{name}\": the name must be letters, digits, _, - or ., beginning with a letter"
                ));
            }
            if self.columns[..place].iter().any(|other| other.name == *name) {
                return refuse(format!("column \"{name}\" occurs twice; names must differ"));
            }
            if column.values.len() != self.rows() {
                return refuse(format!(
                    "column \"{name}\" has {} rows, the first column {}; all must be as long",
                    column.values.len(),
                    self.rows()
                ));
            }
            if let Values::Real(cells) = &column.values
                && let Some(row) = cells.iter().position(|cell| cell.is_some_and(f64::is_infinite))
            {
                return refuse(format!(
                    "column \"{name}\", row {}: the number is infinite; leave the cell missing where there is no value",
                    row + 1
                ));
            }
        }
        Ok(())
    }

    /// The Frictionless Table Schema of the CSV, with `unit` as a property of our own.
    fn schema(&self) -> serde_json::Value {
        let fields: Vec<_> = self
            .columns
            .iter()
            .map(|column| {
                serde_json::json!({
                    "name": column.name,
                    "type": column.values.schema_type(),
                    "description": column.description,
                    "unit": column.unit,
                })
            })
            .collect();
        serde_json::json!({
            "title": self.title,
            "description": self.note,
            "fields": fields,
            "missingValues": [""],
        })
    }
}

/// A name safe as a file name, a spreadsheet heading and a key.
fn is_name(name: &str) -> bool {
    name.starts_with(|first: char| first.is_ascii_alphabetic())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '.'))
}

/// Writes `NAME.csv`, `NAME.parquet` and `NAME.schema.json` into `folder` (made where it is missing)
/// and returns their paths in that order.
///
/// CSV (RFC 4180 with `\n`): numbers as the shortest text that reads back the same, a missing cell
/// empty, an empty word `""`. A word that a spreadsheet would run as a formula gets a leading
/// apostrophe, also where it begins with apostrophes already, so that taking one away before = + - @, tab or a line end gives the
/// word; the Parquet file keeps it as it is. The schema is a Frictionless Table Schema.
///
/// # Errors
/// Names that are not plain, columns of different length, an infinite number, or a file that cannot
/// be written.
pub fn write_table(folder: &Path, table: &Table) -> Result<Vec<PathBuf>, ReportError> {
    table.check()?;
    make_folder(folder)?;
    let path = |ending: &str| folder.join(format!("{}.{ending}", table.name));
    let (csv, parquet, schema) = (path("csv"), path("parquet"), path("schema.json"));
    write_whole(&csv, |out| frame::write_csv(out, &csv, table))?;
    write_whole(&parquet, |out| frame::write_parquet(out, &parquet, table))?;
    let mut text = serde_json::to_string_pretty(&table.schema()).map_err(|error| ReportError::Frame {
        path: schema.clone(),
        doing: "written",
        message: error.to_string(),
    })?;
    text.push('\n');
    write_bytes(&schema, text.as_bytes())?;
    Ok(vec![csv, parquet, schema])
}

/// The table with the cells that [`write_table`] put into the Parquet file of its name in `folder`; names, title and note are taken
/// from `head`, whose cells do not matter.
///
/// # Errors
/// The file cannot be read, or holds other columns than `head` names.
pub fn read_table(folder: &Path, head: &Table) -> Result<Table, ReportError> {
    let path = folder.join(format!("{}.parquet", head.name));
    let found = frame::read_parquet(&path)?;
    let names =
        |columns: &[(String, Values)]| columns.iter().map(|(name, _)| name.clone()).collect::<Vec<_>>();
    let expected: Vec<String> = head.columns.iter().map(|column| column.name.clone()).collect();
    if names(&found) != expected {
        return Err(ReportError::Table {
            table: head.name.clone(),
            message: format!(
                "{} has the columns {}, but {} are expected; the file was changed, run the study again",
                path.display(),
                names(&found).join(", "),
                expected.join(", ")
            ),
        });
    }
    let columns = head.columns.iter().zip(found);
    let columns = columns.map(|(column, (_, values))| Column { values, ..column.clone() }).collect();
    Ok(Table { columns, ..head.clone() })
}
