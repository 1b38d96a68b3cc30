//! Maps of classes in a finished run, whose classes are the strata of a survey.

use super::SurveyError;
use crate::error::EngineError;
use crate::stages::bands;
use lentic_habitat::change::Change;
use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::seed::hash64;
use lentic_raster::{
    Cell, CellAreas, Grid, RasterSource, Resample, Window, read_aligned_bytes, read_aligned_f32,
};
use lentic_report::{RunRecord, read_record};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Code of a cell without class.
pub(super) const NO_CLASS: u8 = 255;
/// Habitat in a map of habitat.
const HABITAT: u8 = 1;
/// Everything else in it.
const NOT_HABITAT: u8 = 0;

/// A finished run.
pub(super) struct FinishedRun {
    /// Its folder.
    pub folder: PathBuf,
    /// What it says of itself.
    pub record: RunRecord,
}

impl FinishedRun {
    /// Reads the record of a run folder.
    ///
    /// # Errors
    /// A folder that is no run.
    pub fn open(folder: &Path) -> Result<Self, SurveyError> {
        let refuse = |reason: String| SurveyError::NoRun { folder: folder.to_path_buf(), reason };
        if !folder.is_dir() {
            return Err(refuse("there is no such folder".into()));
        }
        let path = folder.join("run.json");
        if !path.is_file() {
            return Err(refuse("it holds no run.json".into()));
        }
        let record = read_record(&path).map_err(|e| refuse(e.to_string()))?;
        Ok(FinishedRun { folder: folder.to_path_buf(), record })
    }

    /// Names of the rasters, without ending.
    fn rasters(&self) -> impl Iterator<Item = &str> {
        self.record
            .products
            .iter()
            .filter_map(|product| product.file.strip_prefix("rasters/")?.strip_suffix(".tif"))
    }

    /// Maps a survey can be drawn over.
    fn choices(&self) -> Vec<String> {
        let scenarios: Vec<&str> = self.rasters().filter_map(|name| name.strip_prefix("change_")).collect();
        let mut all = vec!["habitat_baseline".to_string()];
        all.extend(self.rasters().filter(|name| *name == "permanence").map(String::from));
        all.extend(scenarios.iter().map(|scenario| format!("habitat_{scenario}")));
        all.extend(scenarios.iter().map(|scenario| format!("change_{scenario}")));
        all
    }

    fn raster(&self, name: &str) -> Result<RasterSource, EngineError> {
        Ok(RasterSource::open(&self.folder.join("rasters").join(format!("{name}.tif")), 1)?)
    }
}

/// How the cells of a map come about.
enum Cells {
    /// Codes as they are.
    Classes(RasterSource),
    /// Habitat before or after, from the change between baseline and scenario: compared cells only, as in the tables.
    Change { source: RasterSource, after: bool },
    /// Habitat from suitability, in a run without scenarios: every assessed cell is compared.
    Suitability { source: RasterSource, threshold: f32 },
}

/// A map of classes.
pub(super) struct ClassMap {
    /// Its name on the command line.
    pub name: String,
    /// Its grid.
    pub grid: Grid,
    /// Names of its classes, also of those that no cell has.
    pub classes: BTreeMap<u8, String>,
    cells: Cells,
}

impl ClassMap {
    /// Opens a map of a run by name.
    ///
    /// # Errors
    /// A name the run does not have, or a raster that cannot be read.
    pub fn open(run: &FinishedRun, name: &str) -> Result<Self, EngineError> {
        let choices = run.choices();
        let refuse =
            || SurveyError::NoMap { folder: run.folder.clone(), map: name.into(), choices: choices.clone() };
        if let Some(case) = name.strip_prefix("habitat_").filter(|_| choices.iter().any(|c| c == name)) {
            let cells = habitat(run, case)?;
            let grid = match &cells {
                Cells::Classes(source) | Cells::Change { source, .. } | Cells::Suitability { source, .. } => {
                    source.grid()?
                }
            };
            let classes = [(NOT_HABITAT, "Not habitat".to_string()), (HABITAT, "Habitat".to_string())].into();
            return Ok(ClassMap { name: name.into(), grid, classes, cells });
        }
        if name == "not_assessed" || !run.rasters().any(|raster| raster == name) {
            return Err(refuse().into());
        }
        let source = run.raster(name)?;
        let classes = source.class_names()?;
        if classes.is_empty() {
            return Err(refuse().into());
        }
        Ok(ClassMap { name: name.into(), grid: source.grid()?, classes, cells: Cells::Classes(source) })
    }

    /// Codes of a window, row-major, [`NO_CLASS`] where there is none.
    ///
    /// # Errors
    /// The raster cannot be read.
    pub fn read(&self, window: &Window) -> Result<Vec<u8>, EngineError> {
        match &self.cells {
            Cells::Classes(source) => Ok(read_aligned_bytes(source, &self.grid, window, NO_CLASS)?),
            Cells::Change { source, after } => {
                let mut codes = read_aligned_bytes(source, &self.grid, window, NO_CLASS)?;
                codes.iter_mut().for_each(|code| *code = side(*code, *after));
                Ok(codes)
            }
            Cells::Suitability { source, threshold } => {
                let values = read_aligned_f32(source, &self.grid, window, Resample::Continuous)?;
                let code = |value: f32| match value {
                    v if v.is_nan() => NO_CLASS,
                    v if v >= *threshold => HABITAT,
                    _ => NOT_HABITAT,
                };
                Ok(values.into_iter().map(code).collect())
            }
        }
    }

    /// Code of one cell.
    ///
    /// # Errors
    /// As [`ClassMap::read`].
    pub fn at(&self, cell: Cell) -> Result<u8, EngineError> {
        let window = Window { row: cell.row, col: cell.col, rows: 1, cols: 1 };
        Ok(self.read(&window)?.first().copied().unwrap_or(NO_CLASS))
    }

    /// Name of a class: the map's, else its code.
    pub fn class(&self, code: u8) -> String {
        self.classes.get(&code).cloned().unwrap_or_else(|| code.to_string())
    }

    /// Classes as a reader may write them: "0 Not habitat, 1 Habitat".
    pub fn class_list(&self) -> String {
        self.classes.iter().map(|(code, name)| format!("{code} {name}")).collect::<Vec<_>>().join(", ")
    }
}

fn habitat(run: &FinishedRun, case: &str) -> Result<Cells, EngineError> {
    let after = case != "baseline";
    let change = run.rasters().find(|name| match name.strip_prefix("change_") {
        // the baseline's habitat stands in every scenario's change alike
        Some(scenario) => !after || scenario == case,
        None => false,
    });
    if let Some(name) = change {
        return Ok(Cells::Change { source: run.raster(name)?, after });
    }
    let threshold = run.record.study.threshold as f32;
    Ok(Cells::Suitability { source: run.raster("suitability_baseline")?, threshold })
}

/// Habitat on one side of a change.
fn side(change: u8, after: bool) -> u8 {
    let is = |one: Change| change == one as u8;
    if is(Change::NotAssessed) {
        NO_CLASS
    } else if is(Change::Kept)
        || is(Change::Degraded)
        || is(if after { Change::Gained } else { Change::Lost })
    {
        HABITAT
    } else {
        NOT_HABITAT
    }
}

/// A class of a map that has cells.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stratum {
    /// Its code.
    pub code: u8,
    /// Its name.
    pub name: String,
    /// Number of cells.
    pub cells: u64,
    /// Their true area, m2.
    pub area_m2: f64,
    /// The cell of the least hash: a cell of the stratum drawn evenly.
    pub start: Cell,
}

/// What a band of rows holds of one class.
#[derive(Clone, Copy, Default)]
struct Tally {
    cells: u64,
    area: ExactSum,
    least: Option<(u64, Cell)>,
}

/// The strata of a map by code: cells, areas, and a cell of each drawn by the seed.
///
/// # Errors
/// The map cannot be read or has no cell with a class.
pub(super) fn strata(map: &ClassMap, run: &FinishedRun, seed: u64) -> Result<Vec<Stratum>, EngineError> {
    let areas = CellAreas::new(&map.grid)?;
    let windows: Vec<Window> = bands(&map.grid).collect();
    let tallies = windows
        .par_iter()
        .map(|window| tally(map, window, &areas, seed))
        .collect::<Result<Vec<_>, EngineError>>()?;
    let mut whole: BTreeMap<u8, Tally> = BTreeMap::new();
    for (code, part) in tallies.into_iter().flatten() {
        let all = whole.entry(code).or_default();
        all.cells += part.cells;
        all.area.merge(&part.area);
        all.least = all.least.into_iter().chain(part.least).min();
    }
    let strata: Vec<Stratum> = whole
        .into_iter()
        .filter_map(|(code, tally)| {
            let (_, start) = tally.least?;
            let area_m2 = tally.area.value().unwrap_or(f64::NAN);
            Some(Stratum { code, name: map.class(code), cells: tally.cells, area_m2, start })
        })
        .collect();
    if strata.is_empty() {
        return Err(SurveyError::Empty { folder: run.folder.clone(), map: map.name.clone() }.into());
    }
    Ok(strata)
}

fn tally(
    map: &ClassMap,
    window: &Window,
    areas: &CellAreas,
    seed: u64,
) -> Result<BTreeMap<u8, Tally>, EngineError> {
    let codes = map.read(window)?;
    let mut found: BTreeMap<u8, Tally> = BTreeMap::new();
    for (at, row) in codes.chunks_exact(map.grid.cols).enumerate() {
        let row_number = window.row + at;
        let mut counts = [0u64; 256];
        for (col, code) in row.iter().enumerate().filter(|(_, code)| **code != NO_CLASS) {
            counts[usize::from(*code)] += 1;
            let hash = hash64(seed, row_number as u64, col as u64);
            let tally = found.entry(*code).or_default();
            if tally.least.is_none_or(|(least, _)| hash < least) {
                tally.least = Some((hash, Cell { row: row_number, col }));
            }
        }
        for (code, tally) in &mut found {
            let count = counts[usize::from(*code)];
            tally.cells += count;
            tally.area.add(count as f64 * areas.area_m2(row_number));
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn habitat_on_both_sides_of_a_change() {
        // codes of the change rasters: 0 outside, 1 kept, 2 degraded, 3 lost, 4 gained, 255 not assessed
        let codes = [0, 1, 2, 3, 4, 255];
        assert_eq!(codes.map(|code| side(code, false)), [0, 1, 1, 1, 0, 255]);
        assert_eq!(codes.map(|code| side(code, true)), [0, 1, 1, 0, 1, 255]);
    }
}
