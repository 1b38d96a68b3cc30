//! Tables of a run, as CSV.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// The CSV tables of a run as text, by file name.
pub fn texts_of_run(run: &Path) -> BTreeMap<String, String> {
    let files = fs::read_dir(run.join("tables")).unwrap().map(|entry| entry.unwrap().path());
    let csv = files.filter(|path| path.extension().is_some_and(|ending| ending == "csv"));
    csv.map(|path| {
        (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read_to_string(&path).unwrap())
    })
    .collect()
}

/// Rows of a table, each by column name.
pub struct Table(pub Vec<BTreeMap<String, String>>);

impl Table {
    /// Reads `tables/NAME.csv` of a run folder.
    #[track_caller]
    pub fn of_run(run: &Path, name: &str) -> Table {
        let path = run.join("tables").join(name).with_extension("csv");
        let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        Table(reader.deserialize().map(|row| row.expect("a row of the table")).collect())
    }

    /// The words of the one row whose `key` reads `value`.
    #[track_caller]
    pub fn cell(&self, key: &str, value: &str, column: &str) -> String {
        let mut rows = self.0.iter().filter(|row| row[key] == value);
        let row = rows.next().unwrap_or_else(|| panic!("no row with {key} {value}"));
        assert!(rows.next().is_none(), "several rows with {key} {value}");
        row[column].clone()
    }

    /// The words of a column, row by row.
    #[track_caller]
    pub fn column(&self, column: &str) -> Vec<String> {
        self.0.iter().map(|row| row[column].clone()).collect()
    }

    /// A number of the one row whose `key` reads `value`.
    #[track_caller]
    pub fn number(&self, key: &str, value: &str, column: &str) -> f64 {
        let cell = self.cell(key, value, column);
        cell.parse().unwrap_or_else(|_| panic!("{column} of {value} is no number: {cell:?}"))
    }
}
