//! The table of points: written empty, read back filled in.

use super::SurveyError;
use super::draw::SurveyPoint;
use super::map::Stratum;
use crate::error::{EngineError, io};
use lentic_raster::Point;
use lentic_report::guarded;
use lentic_study::{Letters, Problem, TextTable};
use std::collections::BTreeMap;
use std::path::Path;

/// Columns of the table.
pub(super) const COLUMNS: [&str; 15] = [
    "id",
    "map",
    "stratum",
    "stratum_name",
    "stratum_cells",
    "x",
    "y",
    "longitude",
    "latitude",
    "order",
    "reserve",
    "reference_class",
    "observer",
    "date",
    "note",
];

/// Columns the observer fills in.
pub(super) const EMPTY: [&str; 4] = ["reference_class", "observer", "date", "note"];

/// Digits of a degree: about a centimetre.
const DEGREE_DIGITS: usize = 7;

/// Yes or no.
pub(super) fn yes_no(yes: bool) -> &'static str {
    if yes { "yes" } else { "no" }
}

/// The empty table.
///
/// # Errors
/// None that a file or user can cause.
pub(super) fn write(
    path: &Path,
    map: &str,
    strata: &[Stratum],
    points: &[SurveyPoint],
) -> Result<(), EngineError> {
    let failed = |e: csv::Error| io(path)(std::io::Error::other(e));
    let mut writer = csv::Writer::from_path(path).map_err(failed)?;
    writer.write_record(COLUMNS).map_err(failed)?;
    for point in points {
        let stratum = &strata[point.stratum];
        let degrees = |value: f64| format!("{value:.DEGREE_DIGITS$}");
        let row = [
            point.id.clone(),
            map.to_string(),
            stratum.code.to_string(),
            // a class may be named by the study, and a spreadsheet must not run it
            guarded(&stratum.name),
            stratum.cells.to_string(),
            point.at.x.to_string(),
            point.at.y.to_string(),
            degrees(point.wgs84.x),
            degrees(point.wgs84.y),
            point.order.to_string(),
            yes_no(point.reserve).to_string(),
        ];
        let row = row.iter().map(String::as_str).chain(EMPTY.map(|_| ""));
        writer.write_record(row).map_err(failed)?;
    }
    writer.flush().map_err(io(path))
}

/// A row of the filled-in table.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Filled {
    /// Line of the file.
    pub line: u64,
    /// Name of the point.
    pub id: String,
    /// Map it was drawn over.
    pub map: String,
    /// Code of its stratum.
    pub stratum: u8,
    /// Cells of its stratum when it was drawn.
    pub stratum_cells: u64,
    /// Its place on the run's grid.
    pub at: Point,
    /// Whether it is a reserve point.
    pub reserve: bool,
    /// What the observer found, trimmed; may be empty.
    pub reference: String,
}

/// Reads a filled-in table, as a spreadsheet may have left it: other columns and another order of columns, commas or
/// semicolons (then with decimal commas too), a byte order mark, rows without anything, notes in letters of an old code page.
///
/// # Errors
/// A file that cannot be read, lacks a column or holds a value that cannot be; all of them together.
pub(super) fn read(path: &Path) -> Result<Vec<Filled>, EngineError> {
    let refuse = |problems: Vec<String>| SurveyError::Table { file: path.to_path_buf(), problems };
    if !path.is_file() {
        let help = "there is no such file; give the table that `lentic survey draw` wrote, filled in";
        return Err(refuse(vec![help.into()]).into());
    }
    let told = |problem: Problem| match problem.place {
        Some(place) => format!("line {}: {}", place.line, problem.message),
        None => problem.message,
    };
    let one = |problem: Problem| EngineError::from(refuse(vec![told(problem)]));
    const NEEDED: [&str; 8] =
        ["id", "map", "stratum", "stratum_cells", "x", "y", "reserve", "reference_class"];
    // notes may hold letters of an old code page: only they would be changed
    let table = TextTable::read(path, &NEEDED, Letters::Any).map_err(one)?;
    let places = NEEDED.map(|name| table.column(name));
    let mut missing = Vec::new();
    let mut at = [0; NEEDED.len()];
    for ((place, name), at) in places.into_iter().zip(NEEDED).zip(&mut at) {
        match place.map_err(one)? {
            Some(place) => *at = place,
            None => missing.push(name),
        }
    }
    if !missing.is_empty() {
        let message = format!(
            "line {}: there is no column {}; give the table that `lentic survey draw` wrote, with its columns kept",
            table.header.line,
            missing.join(", ")
        );
        return Err(refuse(vec![message]).into());
    }
    let mut rows = Vec::new();
    let mut problems: Vec<(usize, String)> = Vec::new();
    for uneven in &table.uneven {
        problems.push((uneven.place.map_or(0, |place| place.line), told(uneven.clone())));
    }
    for row in &table.rows {
        let line = row.place.line;
        let cells = NEEDED.into_iter().zip(at).map(|(name, at)| (name, row.cells[at].as_str())).collect();
        match (Fields { cells, decimal_commas: table.delimiter == b';' }).filled(line as u64) {
            Ok(row) => rows.push(row),
            Err(problem) => problems.push((line, format!("line {line}: {problem}"))),
        }
    }
    problems.sort_by_key(|(line, _)| *line);
    let mut problems: Vec<String> = problems.into_iter().map(|(_, problem)| problem).collect();
    if rows.is_empty() && problems.is_empty() {
        problems
            .push("the table has no row; give the table that `lentic survey draw` wrote, filled in".into());
    }
    if problems.is_empty() { Ok(rows) } else { Err(refuse(problems).into()) }
}

/// The fields of one row, by name.
struct Fields<'a> {
    cells: BTreeMap<&'static str, &'a str>,
    decimal_commas: bool,
}

impl Fields<'_> {
    fn text(&self, name: &str) -> &str {
        self.cells.get(name).copied().unwrap_or("")
    }

    fn number(&self, name: &str) -> Result<f64, String> {
        let written = self.text(name);
        let text = if self.decimal_commas { written.replace(',', ".") } else { written.to_string() };
        let number = text.parse::<f64>().ok().filter(|number| number.is_finite());
        number.ok_or_else(|| {
            format!("{name} is \"{written}\", expected a number as `lentic survey draw` wrote it")
        })
    }

    fn whole(&self, name: &str) -> Result<u64, String> {
        let number = self.number(name)?;
        let sound = number >= 0.0 && number.fract() == 0.0 && number < 1e15;
        sound.then_some(number as u64).ok_or_else(|| format!("{name} is {number}, expected a whole number"))
    }

    fn filled(&self, line: u64) -> Result<Filled, String> {
        let id = self.text("id").to_string();
        if id.is_empty() {
            return Err("the point has no id; keep the ids that were drawn".into());
        }
        let stratum = self.whole("stratum")?;
        let stratum =
            u8::try_from(stratum).map_err(|_| format!("stratum is {stratum}, expected 0 to 254"))?;
        let reserve = match self.text("reserve").to_lowercase().as_str() {
            "yes" => true,
            "no" => false,
            other => return Err(format!("reserve is \"{other}\", expected yes or no")),
        };
        Ok(Filled {
            line,
            id,
            map: self.text("map").to_string(),
            stratum,
            stratum_cells: self.whole("stratum_cells")?,
            at: Point { x: self.number("x")?, y: self.number("y")? },
            reserve,
            reference: self.text("reference_class").to_string(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &[u8]) -> Result<Vec<Filled>, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("filled.csv");
        std::fs::write(&path, text).unwrap();
        let place = folder.path().display().to_string();
        read(&path).map_err(|e| e.to_string().replace(&place, ""))
    }

    const HEADER: &str = "id,map,stratum,stratum_cells,x,y,reserve,reference_class,note\n";

    #[test]
    fn a_table_out_of_a_spreadsheet() {
        // byte order mark, semicolons, decimal commas, another order, a letter of an old code page, an empty row
        let mut text =
            b"\xef\xbb\xbfX;y;ID;map;stratum;stratum_cells;reserve;note;reference_class\r\n".to_vec();
        text.extend(b"-15,5;30;P0001;habitat_baseline;1;40;No;caf\xe9; habitat \r\n;;;;;;;;\r\n");
        let rows = read_text(&text).unwrap();
        let expected = Filled {
            line: 2,
            id: "P0001".into(),
            map: "habitat_baseline".into(),
            stratum: 1,
            stratum_cells: 40,
            at: Point { x: -15.5, y: 30.0 },
            reserve: false,
            reference: "habitat".into(),
        };
        assert_eq!(rows, [expected]);
    }

    #[test]
    fn problems_are_told_together_with_their_lines() {
        let rows = "P1,m,1,9,east,2,no,1,\n,m,1,9,1,2,no,1,\nP3,m,1.5,9,1,2,no,1,\nP4,m,300,9,1,2,no,1,\nP5,m,1,9,1,2,maybe,1,\n";
        let said = read_text(format!("{HEADER}{rows}").as_bytes()).unwrap_err();
        for part in [
            "line 2: x is \"east\"",
            "line 3: the point has no id",
            "line 4: stratum is 1.5, expected a whole number",
            "line 5: stratum is 300",
            "line 6: reserve is \"maybe\", expected yes or no",
        ] {
            assert!(said.contains(part), "{part} not in {said}");
        }
    }

    #[test]
    fn tables_that_are_none() {
        assert!(read_text(b"").unwrap_err().contains("is empty; a table with the columns id, map"));
        assert!(read_text(b"a,b\n1,2\n").unwrap_err().contains("line 1: there is no column id, map"));
        assert!(read_text(HEADER.as_bytes()).unwrap_err().contains("no row"));
        assert!(
            read_text(b"id,x,y\nP1,1,2\n")
                .unwrap_err()
                .contains("no column map, stratum, stratum_cells, reserve")
        );
        assert!(read_text(b"\xff\xfei\0d\0").unwrap_err().contains("UTF-16"));
        let missing = read(Path::new("nowhere.csv")).unwrap_err().to_string();
        assert!(missing.contains("nowhere.csv: there is no such file"), "{missing}");
    }
}
