//! Reads a table of records: Darwin Core terms as column names (Darwin Core standard, TDWG).

use lentic_study::text_table::TextRow;
use lentic_study::{Letters, Place, Problem, TextTable};
use std::path::Path;

/// A row as written; "" where a column is missing or empty.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Row {
    /// Line of the file.
    pub line: usize,
    /// occurrenceID
    pub id: String,
    /// decimalLatitude
    pub latitude: String,
    /// decimalLongitude
    pub longitude: String,
    /// geodeticDatum
    pub datum: String,
    /// coordinateUncertaintyInMeters
    pub uncertainty: String,
    /// eventDate
    pub date: String,
    /// occurrenceStatus
    pub status: String,
    /// individualCount
    pub count: String,
}

/// A table as written.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Written {
    /// Its rows.
    pub rows: Vec<Row>,
    /// Whether it has a column geodeticDatum.
    pub has_datum: bool,
}

/// A problem of the file, at a line if one is known.
pub fn problem(file: &Path, line: Option<usize>, message: String, help: &str) -> Problem {
    Problem::of_file(file, line.map(Place::of_line), message, help)
}

/// Reads the table, in which only columns of coordinates must be.
///
/// # Errors
/// A file that cannot be read as a table, has no coordinates or no rows.
pub fn read(file: &Path) -> Result<Written, Problem> {
    const TERMS: [&str; 8] = [
        "decimalLatitude",
        "decimalLongitude",
        "occurrenceID",
        "geodeticDatum",
        "coordinateUncertaintyInMeters",
        "eventDate",
        "occurrenceStatus",
        "individualCount",
    ];
    let mut table = TextTable::read(file, &TERMS, Letters::Utf8)?;
    table.columns.iter_mut().for_each(|name| *name = term(name));
    let help = "name the columns by Darwin Core terms: decimalLatitude, decimalLongitude, in degrees";
    table.columns_of(&TERMS[..2], help)?;
    let mut places = [None; TERMS.len()];
    for (place, name) in places.iter_mut().zip(TERMS) {
        *place = table.column(name)?;
    }
    if let Some(uneven) = table.uneven.first() {
        return Err(uneven.clone());
    }
    let row = |row: &TextRow| {
        let cell = |at: usize| places[at].map_or_else(String::new, |place| row.cells[place].clone());
        Row {
            line: row.place.line,
            latitude: cell(0),
            longitude: cell(1),
            id: cell(2),
            datum: cell(3),
            uncertainty: cell(4),
            date: cell(5),
            status: cell(6),
            count: cell(7),
        }
    };
    let written = Written { rows: table.rows.iter().map(row).collect(), has_datum: places[3].is_some() };
    if written.rows.is_empty() {
        let help = "add a row per finding, or take [records] out of the study";
        return Err(problem(file, None, "holds no records, only a line of column names".into(), help));
    }
    Ok(written)
}

/// A column name without the prefix that some exports write.
fn term(name: &str) -> String {
    match name.get(..4) {
        Some(prefix) if prefix.eq_ignore_ascii_case("dwc:") => name[4..].to_string(),
        _ => name.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> Result<Written, String> {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("records.csv");
        std::fs::write(&file, text).unwrap();
        let place = format!("{}/", dir.path().display());
        read(&file).map_err(|p| p.to_string().replace(&place, ""))
    }

    #[test]
    fn commas_semicolons_and_tabs() {
        let comma = "\u{feff}decimalLatitude,decimalLongitude,eventDate\r\n-31.5,-18.2,1995-03-07\r\n\r\n,,\r\n-31, -18 ,\r\n";
        let found = read_text(comma).unwrap();
        assert_eq!(found.rows.len(), 2);
        assert!(!found.has_datum);
        assert_eq!(found.rows[1].line, 5);
        assert_eq!((found.rows[0].line, found.rows[0].latitude.as_str()), (2, "-31.5"));
        assert_eq!((found.rows[1].longitude.as_str(), found.rows[1].date.as_str()), ("-18", ""));
        for delimiter in [";", "\t"] {
            let other = comma.replace(',', delimiter);
            assert_eq!(read_text(&other).unwrap(), found, "{delimiter:?}");
        }
        let named = "dwc:decimalLatitude,DECIMALLONGITUDE,geodeticDatum\n1,2,\"WGS84\"\n";
        let found = read_text(named).unwrap();
        assert!(found.has_datum);
        assert_eq!(found.rows[0].datum, "WGS84");
    }

    #[test]
    fn tables_that_are_none() {
        let said = read_text("decimalLatitude,decimalLongitude\n").unwrap_err();
        assert!(said.contains("records.csv: holds no records"), "{said}");
        let said = read_text("latitude,decimalLongitude\n1,2\n").unwrap_err();
        assert!(
            said.contains("records.csv:1: has no column \"decimalLatitude\"; its columns are latitude"),
            "{said}"
        );
        assert!(
            read_text("")
                .unwrap_err()
                .contains("is empty; a table with the columns decimalLatitude, decimalLongitude")
        );
        let said = read_text("a,b\n1,2\n").unwrap_err();
        assert!(said.contains("has no column \"decimalLatitude\" and \"decimalLongitude\""), "{said}");
    }
}
