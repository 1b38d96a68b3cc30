//! Reads a table of records: Darwin Core terms as column names (Darwin Core standard, TDWG).

use lentic_study::{Place, Problem};
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
    let place = line.map(|line| Place { start: 0, end: 0, line });
    Problem { file: file.to_path_buf(), place, message, help: help.to_string(), warning: false }
}

/// Reads the table. Commas, semicolons and tabs are told by the first line, in which only columns of coordinates must be.
///
/// # Errors
/// A file that cannot be read as a table, has no coordinates or no rows.
pub fn read(file: &Path) -> Result<Written, Problem> {
    let text = std::fs::read_to_string(file).map_err(|e| {
        problem(file, None, format!("cannot be read as text ({e})"), "save the table as CSV in UTF-8")
    })?;
    // one kind of line end: the reader would count the lines of another wrongly
    let text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n").replace('\r', "\n");
    let first = text.lines().next().unwrap_or("");
    let delimiter = [b'\t', b';', b','].into_iter().find(|d| first.as_bytes().contains(d)).unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .delimiter(delimiter)
        .from_reader(text.as_bytes());
    let unreadable = |e: csv::Error| {
        let line = e.position().map(|p| p.line() as usize);
        problem(file, line, format!("cannot be read as CSV ({e})"), "check quotes and line ends")
    };
    let names: Vec<String> = reader.headers().map_err(unreadable)?.iter().map(term).collect();
    let at = |name: &str| names.iter().position(|n| *n == name.to_lowercase());
    let needed = ["decimalLatitude", "decimalLongitude"];
    let missing: Vec<&str> = needed.into_iter().filter(|name| at(name).is_none()).collect();
    if !missing.is_empty() {
        let message =
            format!("has no column {}; its columns are {}", missing.join(" and "), names.join(", "));
        let help = "name the columns by Darwin Core terms: decimalLatitude, decimalLongitude, in degrees";
        return Err(problem(file, Some(1), message, help));
    }
    let places = [
        "occurrenceID",
        "decimalLatitude",
        "decimalLongitude",
        "geodeticDatum",
        "coordinateUncertaintyInMeters",
        "eventDate",
        "occurrenceStatus",
        "individualCount",
    ]
    .map(at);
    let mut written = Written { rows: Vec::new(), has_datum: places[3].is_some() };
    for record in reader.records() {
        let record = record.map_err(unreadable)?;
        if record.iter().all(str::is_empty) {
            continue;
        }
        let cell = |place: usize| places[place].and_then(|at| record.get(at)).unwrap_or("").to_string();
        written.rows.push(Row {
            line: record.position().map_or(0, |p| p.line() as usize),
            id: cell(0),
            latitude: cell(1),
            longitude: cell(2),
            datum: cell(3),
            uncertainty: cell(4),
            date: cell(5),
            status: cell(6),
            count: cell(7),
        });
    }
    if written.rows.is_empty() {
        let help = "add a row per finding, or take [records] out of the study";
        return Err(problem(file, None, "holds no records, only a line of column names".into(), help));
    }
    Ok(written)
}

/// A column name as compared: small letters, without the prefix some exports write.
fn term(name: &str) -> String {
    let name = name.to_lowercase();
    name.strip_prefix("dwc:").map_or(name.clone(), str::to_string)
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
            said.contains("records.csv:1: has no column decimalLatitude; its columns are latitude"),
            "{said}"
        );
        assert!(read_text("").unwrap_err().contains("has no column decimalLatitude and decimalLongitude"));
    }
}
