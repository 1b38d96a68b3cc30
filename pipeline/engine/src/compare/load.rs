//! A finished run as it is read for a comparison.

use crate::error::EngineError;
use crate::verify::{VerifyOptions, verify};
use lentic_raster::{Bounds, Crs, Grid};
use lentic_report::{ComparedRun, RunRecord, read_record};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A run.
pub struct Loaded {
    /// Its folder.
    pub folder: PathBuf,
    /// The letter it goes by: A, B, ...
    pub label: char,
    /// Its record.
    pub record: RunRecord,
    /// Its settings by key.
    pub settings: BTreeMap<String, String>,
    /// Areas of its baseline and scenarios, in the order of the study.
    pub areas: Vec<AreaRow>,
    /// Its grid.
    pub grid: Grid,
    /// Whether it was found as it was left.
    pub whole: bool,
}

/// A row of `tables/habitat_area.csv`, hectares.
pub struct AreaRow {
    /// Name of the scenario.
    pub scenario: String,
    /// The numbers by column; an empty cell is not there.
    pub values: BTreeMap<String, f64>,
}

impl AreaRow {
    /// A number, where the run has it.
    pub fn get(&self, column: &str) -> Option<f64> {
        self.values.get(column).copied()
    }
}

/// Columns of the table that are not read as numbers.
const NAMES: &str = "scenario";
/// Alterations named in a refusal.
const MOST_TOLD: usize = 3;

impl Loaded {
    /// Reads a run; `at` is its place among those given.
    ///
    /// # Errors
    /// A folder that is no run, was altered (unless `unverified`), or whose tables or settings cannot be read.
    pub fn of(folder: &Path, at: usize, unverified: bool) -> Result<Loaded, EngineError> {
        let refused = |reason: String| EngineError::Finished { folder: folder.to_path_buf(), reason };
        let found = verify(&VerifyOptions { run: folder.to_path_buf(), ..VerifyOptions::default() })?;
        if found.kind != "run" {
            return Err(refused(format!(
                "it is a {}, not a run; give folders that `lentic run` left",
                found.kind
            )));
        }
        if !found.whole() && !unverified {
            let told: Vec<String> = found
                .alterations
                .iter()
                .take(MOST_TOLD)
                .map(|alteration| format!("{} ({})", alteration.file, alteration.words))
                .collect();
            let more = found.alterations.len().saturating_sub(told.len());
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            return Err(refused(format!(
                "it was altered since it was run: {}{more}; take the run as it was left, or compare it all the same with --unverified",
                told.join("; ")
            )));
        }
        let record = read_record(&folder.join("run.json"))?;
        if record.study.text.is_empty() {
            return Err(refused(
                "its record holds no study file, as with an edition made for others; compare the runs themselves".into(),
            ));
        }
        let settings = lentic_study::keys(&record.study.text).ok_or_else(|| {
            refused("the study in its record is no study file any more; run it again".into())
        })?;
        let areas = areas(folder)?;
        let [left, bottom, right, top] = record.grid.bounds;
        let grid = Grid::from_bounds(
            Crs::parse(&record.grid.crs)?,
            Bounds { left, bottom, right, top },
            record.grid.cell_m,
        )?;
        Ok(Loaded {
            folder: folder.to_path_buf(),
            label: char::from(b'A' + at as u8 % 26),
            record,
            settings,
            areas,
            grid,
            whole: found.whole(),
        })
    }

    /// Whether another run can be compared with this one.
    ///
    /// # Errors
    /// It lies on another grid, and may not be regridded.
    pub fn fits(&self, other: &Loaded, regrid: bool) -> Result<(), EngineError> {
        let differences = self.apart(other);
        if differences.is_empty() || regrid {
            return Ok(());
        }
        Err(EngineError::Finished {
            folder: other.folder.clone(),
            reason: format!(
                "it lies on another grid than {} ({}), so cells cannot be compared one by one; give --regrid to bring it onto that grid, \
                 or run both studies on one",
                self.folder.display(),
                differences.join("; ")
            ),
        })
    }

    /// How the grids differ, in words; nothing where they are one.
    pub fn apart(&self, other: &Loaded) -> Vec<String> {
        let (a, b) = (&self.grid, &other.grid);
        let mut found = Vec::new();
        if !a.crs.same_as(&b.crs) {
            found.push(format!("reference system {} and {}", self.record.grid.crs, other.record.grid.crs));
        }
        if (a.cell_m - b.cell_m).abs() > 1e-9 * a.cell_m {
            found.push(format!("cells of {} m and {} m", a.cell_m, b.cell_m));
        }
        if (a.rows, a.cols) != (b.rows, b.cols) {
            found.push(format!("{} x {} and {} x {} rows and columns", a.rows, a.cols, b.rows, b.cols));
        }
        let off = (a.left - b.left).abs().max((a.top - b.top).abs());
        if found.is_empty() && off > 1e-3 * a.cell_m {
            found.push(format!("corners {off:.2} m apart"));
        }
        found
    }

    /// Scenarios of this run that the other has too, the baseline first.
    pub fn shared(&self, other: &Loaded) -> Vec<&str> {
        let names = self.areas.iter().map(|row| row.scenario.as_str());
        names.filter(|name| other.row(name).is_some()).collect()
    }

    /// The areas of a scenario.
    pub fn row(&self, scenario: &str) -> Option<&AreaRow> {
        self.areas.iter().find(|row| row.scenario == scenario)
    }

    /// A scenario as readers know it.
    pub fn title(&self, scenario: &str) -> String {
        if scenario == "baseline" {
            return "Habitat today".into();
        }
        let key = format!("scenarios.{scenario}.title");
        self.settings.get(&key).and_then(|text| unquoted(text)).unwrap_or_else(|| scenario.to_string())
    }

    /// The day it was run.
    pub fn date(&self) -> &str {
        self.record.started.get(..10).unwrap_or("no date")
    }

    /// What the comparison's record keeps of it.
    pub fn record(&self) -> ComparedRun {
        let record = &self.record;
        ComparedRun {
            label: self.label.to_string(),
            folder: self
                .folder
                .file_name()
                .map(|name| name.to_string_lossy().into_owned())
                .unwrap_or_default(),
            run_id: record.run_id.clone(),
            checksum: record.checksum.clone(),
            started: record.started.clone(),
            study: record.study.name.clone(),
            program: record.program.clone(),
            whole: self.whole,
        }
    }
}

/// A text in TOML's writing: in double quotes, whose escapes are JSON's but for rare ones, or in single quotes as it is.
fn unquoted(text: &str) -> Option<String> {
    match text.strip_prefix('\'').and_then(|rest| rest.strip_suffix('\'')) {
        Some(plain) => Some(plain.to_string()).filter(|plain| !plain.contains('\'')),
        None => serde_json::from_str(text).ok(),
    }
}

/// The table of areas of a run.
fn areas(folder: &Path) -> Result<Vec<AreaRow>, EngineError> {
    let path = folder.join("tables/habitat_area.csv");
    let refused = |reason: String| EngineError::Finished {
        folder: folder.to_path_buf(),
        reason: format!(
            "tables/habitat_area.csv cannot be used: {reason}; take the run as it was left, or run the study again"
        ),
    };
    let mut reader = csv::Reader::from_path(&path).map_err(|error| refused(error.to_string()))?;
    let headers = reader.headers().map_err(|error| refused(error.to_string()))?.clone();
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| refused(error.to_string()))?;
        let mut row = AreaRow { scenario: String::new(), values: BTreeMap::new() };
        for (name, text) in headers.iter().zip(record.iter()) {
            if name == NAMES {
                row.scenario = text.to_string();
            } else if !text.is_empty() {
                let number: f64 = text
                    .parse()
                    .map_err(|_| refused(format!("column {name} holds \"{text}\", expected a number")))?;
                row.values.insert(name.to_string(), number);
            }
        }
        if row.scenario.is_empty() {
            return Err(refused("a row names no scenario".into()));
        }
        rows.push(row);
    }
    if rows.is_empty() {
        return Err(refused("it has no row".into()));
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::unquoted;

    #[test]
    fn titles_are_read_out_of_their_quotes() {
        let titles = ["15 % less rain", "a \"dry\" year", "it's dry", "\u{627} \u{1f422}", "back\\slash"];
        for title in titles {
            let keys = lentic_study::keys(&format!("t = {}\n", serde_json::Value::from(title))).unwrap();
            assert_eq!(unquoted(&keys["t"]).as_deref(), Some(title), "{}", keys["t"]);
        }
        assert_eq!(unquoted("2050"), None);
    }
}
