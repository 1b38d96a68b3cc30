//! Legends of class layers: CSV with columns code, name and, if wanted, scores.

use crate::problem::{Place, Problem};
use crate::settings::{Legend, LegendClass};
use crate::text_table::{Letters, TextTable};
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
        Problem::of_file(&self.path, Some(place), message, help)
    }
}

/// A finite number.
pub(super) fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite())
}

/// Reads a legend, or gives everything that is wrong with it.
pub(super) fn read(path: &Path) -> Result<LegendTable, Vec<Problem>> {
    let form = "a legend is a CSV file in UTF-8 with columns code, name and, if wanted, scores";
    let one = |problem: Problem| vec![problem];
    let written = TextTable::read(path, &["code", "name"], Letters::Utf8).map_err(one)?;
    let places = written.columns_of(&["code", "name"], form).map_err(one)?;
    let (code, name) = (places[0], places[1]);
    for column in written.columns.iter().filter(|column| !column.is_empty()) {
        written.column(column).map_err(one)?;
    }
    let is_score = |i: &usize| *i != code && *i != name;
    let mut table = LegendTable {
        path: path.to_path_buf(),
        rows: BTreeMap::new(),
        columns: (0..written.columns.len()).filter(is_score).map(|i| written.columns[i].clone()).collect(),
    };
    let mut problems = written.uneven.clone();
    for row in &written.rows {
        let mut say = |message: String, help: &str| problems.push(written.problem(row.place, message, help));
        let Ok(number) = row.cells[code].parse::<i32>() else {
            say(
                format!("code is {:?}; a whole number is expected", row.cells[code]),
                "codes are the values of the raster's cells",
            );
            continue;
        };
        if row.cells[name].is_empty() {
            say(format!("code {number} has no name"), "give the class a name");
        }
        if let Some(earlier) = table.rows.get(&number) {
            say(
                format!("code {number} stands on line {} already", earlier.place.line),
                "give each class one line",
            );
            continue;
        }
        let cells = (0..row.cells.len()).filter(is_score).map(|i| row.cells[i].clone()).collect();
        table.rows.insert(number, LegendRow { name: row.cells[name].clone(), cells, place: row.place });
    }
    if problems.is_empty() && table.rows.is_empty() {
        problems.push(Problem::of_file(path, None, "the legend has no classes", form));
    }
    if problems.is_empty() { Ok(table) } else { Err(problems) }
}
