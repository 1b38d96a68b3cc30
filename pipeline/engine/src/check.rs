//! Everything that can be known before computing: files, reference systems, overlap, legends, months.
//! All problems are found together, those of the study file itself among them.

mod layers;
#[cfg(test)]
mod tests;

use crate::climate_file;
use crate::error::EngineError;
use crate::stack::Stack;
use lentic_habitat::climate::{Series, YEARS_ADVISED};
use lentic_habitat::water::MonthAxis;
use lentic_raster::{Bounds, Crs, Grid, RasterError, vector_bounds};
use lentic_study::settings::{Driver, Files, Layer, Role};
use lentic_study::source::{item, key};
use lentic_study::{Examined, Problem, Problems, Source, Study, examine};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Months and calendar months a record should hold (the defaults of `[inundation]`).
const MONTHS_ADVISED: usize = 24;
const CALENDAR_MONTHS_ADVISED: usize = 6;
/// Months named in a message before the rest is only counted.
const SHOWN: usize = 6;

/// A study that can be run.
#[derive(Debug)]
pub struct Checked {
    /// The study.
    pub study: Study,
    /// Its grid.
    pub grid: Grid,
    /// Its water files.
    pub stack: Stack,
    /// Its climate, if any.
    pub series: Option<Series>,
    /// What the user should look into; nothing that stops a run.
    pub warnings: Vec<Problem>,
}

/// Checks a study file and everything it names.
///
/// # Errors
/// All problems of form, of sense and of the files named, together, from the top of the study file down and
/// then by file. Only what a problem leaves unknown is not looked at.
pub fn check(path: &Path) -> Result<Checked, EngineError> {
    let Examined { study, problems, warnings, unlisted, source } = examine(path);
    let (Some(study), Some(source)) = (study, source) else {
        return Err(Problems(problems).into());
    };
    let mut checker =
        Checker { source: &source, study: &study, problems, warnings, lacking: BTreeSet::new() };
    let grid = checker.grid();
    let (first, last) = study.period.baseline;
    let axis = MonthAxis::new(first, last);
    let stack = checker.stack(&axis);
    let series = checker.climate();
    for layer in &study.layers {
        match &grid {
            Some(grid) => checker.layer(layer, grid, stack.as_ref()),
            None => checker.opens(layer),
        }
    }
    let Checker { mut problems, warnings, lacking, .. } = checker;
    for told in unlisted {
        if lacking.contains(&(told.legend, told.code)) {
            problems.retain(|problem| *problem != told.problem);
        }
    }
    match (grid, stack) {
        (Some(grid), Some(stack)) if problems.is_empty() => {
            Ok(Checked { study, grid, stack, series, warnings })
        }
        _ => Err(Problems::sorted(&source.path, problems).into()),
    }
}

struct Checker<'a> {
    source: &'a Source,
    study: &'a Study,
    problems: Vec<Problem>,
    warnings: Vec<Problem>,
    /// Legends with the codes they are known to lack.
    lacking: BTreeSet<(PathBuf, i32)>,
}

impl Checker<'_> {
    fn problem(&mut self, at: &str, message: String, help: &str) {
        self.problems.push(self.source.problem(at, message, help.to_string()));
    }

    fn warn(&mut self, at: &str, message: String, help: &str) {
        let problem = self.source.problem(at, message, help.to_string());
        self.warnings.push(Problem { warning: true, ..problem });
    }

    fn grid(&mut self) -> Option<Grid> {
        let settings = &self.study.grid;
        if settings.crs.is_empty() {
            return None; // Told already.
        }
        let crs = match Crs::parse(&settings.crs) {
            Ok(crs) => crs,
            Err(e) => {
                self.problem("grid.crs", e.to_string(), "");
                return None;
            }
        };
        let made = match (settings.bounds, &settings.area) {
            (Some([left, bottom, right, top]), _) => {
                Grid::from_bounds(crs, Bounds { left, bottom, right, top }, settings.cell_m)
            }
            (None, Some(area)) => {
                vector_bounds(area, &crs).and_then(|bounds| Grid::covering(crs, bounds, settings.cell_m))
            }
            (None, None) => return None,
        };
        match made {
            Ok(grid) => Some(grid),
            Err(e) => {
                let at = match e {
                    RasterError::Geographic { .. } | RasterError::Unit { .. } => "grid.crs",
                    RasterError::Open { .. } | RasterError::Unfit { .. } => "grid.area",
                    _ => "grid.bounds",
                };
                self.problem(at, e.to_string(), "");
                None
            }
        }
    }

    fn stack(&mut self, axis: &MonthAxis) -> Option<Stack> {
        let layer = self.study.layer_with(Role::Water)?;
        let at = place_of_files(layer);
        let stack = match Stack::find(layer, axis) {
            Ok(stack) => stack,
            Err(e) => {
                self.problem(&at, e.to_string(), "");
                return None;
            }
        };
        let (first, last) = self.study.period.baseline;
        if stack.images.is_empty() {
            self.problem(
                &at,
                format!(
                    "layer \"{}\": none of its files lies in the baseline, {first} to {last}",
                    layer.name
                ),
                "check the pattern and period.baseline",
            );
            return None;
        }
        let missing = stack.months_without(axis);
        if !missing.is_empty() {
            let mut names: Vec<String> = missing.iter().take(SHOWN).map(ToString::to_string).collect();
            if missing.len() > SHOWN {
                names.push("...".into());
            }
            self.warn(
                &at,
                format!(
                    "layer \"{}\": {} of {} baseline months have no file and count as not seen: {}",
                    layer.name,
                    missing.len(),
                    axis.len,
                    names.join(", ")
                ),
                "",
            );
        }
        self.enough_months(&at, &layer.name, &stack, axis);
        Some(stack)
    }

    /// Whether the months with files can be enough for any cell, and enough to call their sum a year.
    fn enough_months(&mut self, at: &str, name: &str, stack: &Stack, axis: &MonthAxis) {
        let seen = axis.months().enumerate().filter(|(month, _)| stack.images.contains_key(month));
        let calendar: BTreeSet<u32> = seen.map(|(_, month)| month.calendar()).collect();
        let (months, calendar) = (stack.images.len(), calendar.len());
        let water = &self.study.inundation;
        let needed = (water.minimum_months as usize, water.minimum_calendar_months as usize);
        let found = format!(
            "layer \"{name}\": its files show {months} month(s) of the baseline, in {calendar} calendar month(s)"
        );
        if months < needed.0 || calendar < needed.1 {
            self.problem(
                at,
                format!(
                    "{found}; a cell is assessed from {} months in {} calendar months on, so the record is too short",
                    needed.0, needed.1
                ),
                "add more dates or widen period.baseline; inundation.minimum_months and minimum_calendar_months may be lowered at the cost of a hydroperiod that is only a rough ranking",
            );
        } else if months < MONTHS_ADVISED || calendar < CALENDAR_MONTHS_ADVISED {
            self.warn(
                at,
                format!(
                    "{found}, fewer than the usual {MONTHS_ADVISED} in {CALENDAR_MONTHS_ADVISED}: hydroperiod and the answer of water rest on few states a cell; read them as a ranking of places, not as months"
                ),
                "",
            );
        }
    }

    fn climate(&mut self) -> Option<Series> {
        let climate = self.study.climate.as_ref()?;
        let (from, to) = self.study.period.reference;
        let (first, last) = match self.study.inundation.driver {
            Driver::Index => self.study.period.baseline,
            Driver::Season => (from, to),
        };
        let years = (to.since(from) + 1) as usize / 12;
        let at = "period.reference";
        // One too short for an index is a problem of the study itself, told with it.
        if years < YEARS_ADVISED {
            let message = format!(
                "the reference period {from} to {to} holds {years} whole years; the World Meteorological Organization advises {YEARS_ADVISED} (WMO-No. 1090)"
            );
            self.warn(at, message, "");
        }
        match climate_file::read(climate, (first.min(from), last.max(to))) {
            Ok(series) => {
                self.replays(&series, climate.months);
                Some(series)
            }
            Err(problems) => {
                self.problems.extend(problems);
                None
            }
        }
    }
}

impl Checker<'_> {
    /// Whether the series holds the years that scenarios replay.
    fn replays(&mut self, series: &Series, index_months: usize) {
        let starts = self.study.period.water_year_starts;
        for (i, scenario) in self.study.scenarios.iter().enumerate() {
            if let Some(reason) = series.refuses_replay(&scenario.replay, index_months, starts) {
                let at = key(&item("scenarios", i), "replay");
                let message = format!("{at}: water years {reason}");
                self.problem(&at, message, "take other years, or lengthen the climate series");
            }
        }
    }
}

fn place_of_files(layer: &Layer) -> String {
    let at = key("layers", &layer.name);
    match layer.files {
        Files::One(_) => key(&at, "file"),
        Files::Pattern(_) => key(&at, "files"),
    }
}
