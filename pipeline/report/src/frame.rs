//! Tables as data frames, and data frames as files.

use crate::ReportError;
use crate::table::{Table, Values};
use polars::prelude::*;
use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

/// First characters at which a spreadsheet may take a cell for a formula (OWASP, "CSV Injection": = + - @, tab, carriage return, line
/// feed, and the full-width forms of the first four).
const FORMULA_STARTS: [char; 11] =
    ['=', '+', '-', '@', '\t', '\r', '\n', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}'];

/// Writes the CSV of a table.
pub(crate) fn write_csv(out: &mut BufWriter<File>, path: &Path, table: &Table) -> Result<(), ReportError> {
    let mut frame = frame(table, guarded).map_err(refused(path, "laid out"))?;
    CsvWriter::new(out).include_header(true).finish(&mut frame).map_err(refused(path, "written"))
}

/// Writes the Parquet file of a table: Zstandard, no statistics that depend on batching, and no
/// metadata beside the schema, so that the same table gives the same bytes.
pub(crate) fn write_parquet(
    out: &mut BufWriter<File>,
    path: &Path,
    table: &Table,
) -> Result<(), ReportError> {
    let mut frame = frame(table, str::to_string).map_err(refused(path, "laid out"))?;
    ParquetWriter::new(out)
        .with_compression(ParquetCompression::Zstd(None))
        .set_parallel(false)
        .finish(&mut frame)
        .map(|_bytes| ())
        .map_err(refused(path, "written"))
}

/// Columns of a Parquet file that [`write_parquet`] wrote, by name.
pub(crate) fn read_parquet(path: &Path) -> Result<Vec<(String, Values)>, ReportError> {
    let file = File::open(path).map_err(crate::file::refused(path, "read"))?;
    let frame = ParquetReader::new(file).finish().map_err(refused(path, "read"))?;
    let column = |column: &Column| {
        let name = column.name().to_string();
        let values = match column.dtype() {
            DataType::String => {
                Values::Text(column.str()?.iter().map(|cell| cell.map(str::to_string)).collect())
            }
            DataType::Int64 => Values::Integer(column.i64()?.iter().collect()),
            _ => Values::Real(column.f64()?.iter().collect()),
        };
        Ok((name, values))
    };
    frame.columns().iter().map(column).collect::<PolarsResult<_>>().map_err(refused(path, "read"))
}

fn refused(path: &Path, doing: &'static str) -> impl FnOnce(PolarsError) -> ReportError {
    let path = path.to_path_buf();
    move |error| ReportError::Frame { path, doing, message: error.to_string() }
}

/// The table as a data frame, each word passed through `word`.
fn frame(table: &Table, word: impl Fn(&str) -> String) -> PolarsResult<DataFrame> {
    let columns = table
        .columns
        .iter()
        .map(|column| {
            let name = PlSmallStr::from_str(&column.name);
            match &column.values {
                Values::Text(cells) => {
                    let cells: Vec<Option<String>> =
                        cells.iter().map(|cell| cell.as_deref().map(&word)).collect();
                    Column::new(name, cells)
                }
                Values::Integer(cells) => Column::new(name, cells),
                Values::Real(cells) => {
                    let cells: Vec<Option<f64>> =
                        cells.iter().map(|cell| cell.filter(|x| !x.is_nan())).collect();
                    Column::new(name, cells)
                }
            }
        })
        .collect();
    DataFrame::new(table.rows(), columns)
}

/// A word as it stands in the CSV. One that has the apostrophe already gets another, so that taking one away always gives the word.
#[must_use]
pub fn guarded(word: &str) -> String {
    if word.trim_start_matches('\'').starts_with(FORMULA_STARTS) {
        format!("'{word}")
    } else {
        word.to_string()
    }
}

#[cfg(test)]
mod tests {
    use crate::table::{Column, Table, write_table};
    use polars::prelude::{CsvReadOptions, ParquetReader, SerReader};
    use std::fs::{self, File};

    fn table() -> Table {
        Table {
            name: "loss_by_zone".into(),
            title: "Loss by zone".into(),
            note: "Invented numbers.".into(),
            columns: vec![
                Column::text(
                    "zone",
                    "Zone.",
                    vec![
                        Some("Upper reach".into()),
                        None,
                        Some(String::new()),
                        Some("a,\"b\"\nc".into()),
                        Some("=1+1".into()),
                    ],
                ),
                Column::integer(
                    "patches",
                    "",
                    "Patches.",
                    vec![Some(3), Some(i64::MIN), None, Some(0), Some(7)],
                ),
                Column::real(
                    "lost_ha",
                    "ha",
                    "Habitat lost.",
                    // Hard to write short: the sum that is not 0.3, a third, tiny, and a negative zero.
                    vec![Some(0.1 + 0.2), Some(1.0 / 3.0), Some(f64::NAN), Some(5e-324), Some(-0.0)],
                ),
            ],
        }
    }

    #[test]
    fn the_same_table_gives_the_same_bytes() {
        let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let first = write_table(one.path(), &table()).unwrap();
        let second = write_table(two.path(), &table()).unwrap();
        assert_eq!(first.len(), 3);
        for (a, b) in first.iter().zip(&second) {
            assert_eq!(a.file_name(), b.file_name());
            assert!(fs::read(a).unwrap() == fs::read(b).unwrap(), "{}", a.display());
        }
        // No part is left behind.
        assert_eq!(fs::read_dir(one.path()).unwrap().count(), 3);
    }

    #[test]
    fn the_csv_text_is_what_the_rules_say() {
        let folder = tempfile::tempdir().unwrap();
        write_table(folder.path(), &table()).unwrap();
        let text = fs::read_to_string(folder.path().join("loss_by_zone.csv")).unwrap();
        // 0.30000000000000004 is the shortest text that reads back as 0.1 + 0.2 (IEEE 754 binary64).
        // Quoting after RFC 4180, section 2, rules 5 to 7.
        let expected = "zone,patches,lost_ha\n\
            Upper reach,3,0.30000000000000004\n\
            ,-9223372036854775808,0.3333333333333333\n\
            \"\",,\n\
            \"a,\"\"b\"\"\nc\",0,5e-324\n\
            '=1+1,7,-0.0\n";
        assert_eq!(text, expected);
    }

    #[test]
    fn both_files_read_back_through_polars() {
        let folder = tempfile::tempdir().unwrap();
        write_table(folder.path(), &table()).unwrap();
        let csv = CsvReadOptions::default()
            .with_has_header(true)
            .try_into_reader_with_file_path(Some(folder.path().join("loss_by_zone.csv")))
            .unwrap()
            .finish()
            .unwrap();
        let parquet = ParquetReader::new(File::open(folder.path().join("loss_by_zone.parquet")).unwrap())
            .finish()
            .unwrap();
        for frame in [&csv, &parquet] {
            assert_eq!(frame.shape(), (5, 3));
            let lost: Vec<_> = frame.column("lost_ha").unwrap().f64().unwrap().iter().collect();
            let bits = |cell: Option<f64>| cell.map(f64::to_bits);
            let expected = [Some(0.1 + 0.2), Some(1.0 / 3.0), None, Some(5e-324), Some(-0.0)];
            assert_eq!(lost.into_iter().map(bits).collect::<Vec<_>>(), expected.map(bits));
            let patches: Vec<_> = frame.column("patches").unwrap().i64().unwrap().iter().collect();
            assert_eq!(patches, [Some(3), Some(i64::MIN), None, Some(0), Some(7)]);
        }
        let zones = |frame: &polars::prelude::DataFrame| -> Vec<Option<String>> {
            frame.column("zone").unwrap().str().unwrap().iter().map(|cell| cell.map(str::to_string)).collect()
        };
        let words = |last: &str| {
            vec![
                Some("Upper reach".to_string()),
                None,
                Some(String::new()),
                Some("a,\"b\"\nc".to_string()),
                Some(last.to_string()),
            ]
        };
        assert_eq!(zones(&parquet), words("=1+1"));
        assert_eq!(zones(&csv), words("'=1+1"));
    }

    #[test]
    fn no_cell_runs_as_a_formula() {
        for word in ["=cmd()", "+1", "-1", "@SUM(A1)", "\tx", "\r=1", "\n=1", "\u{ff1d}1", "'=1", "''-a"] {
            assert_eq!(super::guarded(word), format!("'{word}"));
        }
        for word in ["", "Pool 7", "a=b", "north-east", "'quoted'"] {
            assert_eq!(super::guarded(word), word);
        }
    }

    #[test]
    fn tables_that_do_not_hold_together_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let refusal = |change: &dyn Fn(&mut Table)| {
            let mut table = table();
            change(&mut table);
            write_table(folder.path(), &table).unwrap_err().to_string()
        };
        assert!(refusal(&|t| t.name = "../x".into()).contains("letters, digits"));
        assert!(refusal(&|t| t.columns.clear()).contains("no column"));
        assert!(refusal(&|t| t.columns[1].name = "zone".into()).contains("\"zone\" occurs twice"));
        assert!(refusal(&|t| t.columns[1].name = "=zone".into()).contains("\"=zone\""));
        let short = refusal(&|t| t.columns[1].values = crate::Values::Integer(vec![None]));
        assert!(short.contains("has 1 rows, the first column 5"), "{short}");
        let endless = refusal(&|t| {
            t.columns[2].values = crate::Values::Real(vec![None, Some(f64::INFINITY), None, None, None]);
        });
        assert!(endless.contains("\"lost_ha\", row 2") && endless.contains("infinite"), "{endless}");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_table_without_rows_keeps_its_columns() {
        let folder = tempfile::tempdir().unwrap();
        let mut table = table();
        table.columns[0].values = crate::Values::Text(vec![]);
        table.columns[1].values = crate::Values::Integer(vec![]);
        table.columns[2].values = crate::Values::Real(vec![]);
        write_table(folder.path(), &table).unwrap();
        let text = fs::read_to_string(folder.path().join("loss_by_zone.csv")).unwrap();
        assert_eq!(text, "zone,patches,lost_ha\n");
    }

    #[test]
    fn the_schema_names_every_column_its_type_and_unit() {
        let folder = tempfile::tempdir().unwrap();
        write_table(folder.path(), &table()).unwrap();
        let text = fs::read_to_string(folder.path().join("loss_by_zone.schema.json")).unwrap();
        let schema: serde_json::Value = serde_json::from_str(&text).unwrap();
        // Types and the missing-value list as in the Frictionless Table Schema specification.
        let types: Vec<_> =
            schema["fields"].as_array().unwrap().iter().map(|f| f["type"].as_str().unwrap()).collect();
        assert_eq!(types, ["string", "integer", "number"]);
        assert_eq!(schema["fields"][2]["unit"], "ha");
        assert_eq!(schema["missingValues"], serde_json::json!([""]));
    }
}
