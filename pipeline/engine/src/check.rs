//! Everything that can be known before computing: files, reference systems, overlap, legends, months.
//! All problems are found together, those of the study file itself among them.

mod layers;
pub mod order;
#[cfg(test)]
mod tests;

use crate::climates::{self, Climates, Needed};
use crate::error::EngineError;
use crate::layers::place_of_files;
use crate::records::{Vetted, vet};
use crate::stack::Stack;
use lentic_habitat::climate::YEARS_ADVISED;
use lentic_habitat::validation::FEW;
use lentic_habitat::water::MonthAxis;
use lentic_raster::{Bounds, Crs, Grid, RasterError, remote, vector_bounds};
use lentic_study::settings::{Driver, GridSettings, Role, ThresholdRule};
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
#[derive(Clone, Debug)]
pub struct Checked {
    /// The study.
    pub study: Study,
    /// Its grid.
    pub grid: Grid,
    /// Its water files.
    pub stack: Stack,
    /// Its climates.
    pub climates: Climates,
    /// Its records, if any.
    pub records: Option<Vetted>,
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
    checker.network();
    let grid = checker.grid();
    let (first, last) = study.period.baseline;
    let axis = MonthAxis::new(first, last);
    let stack = checker.stack(&axis);
    let climates = checker.climate(grid.as_ref());
    for layer in &study.layers {
        match &grid {
            Some(grid) => checker.layer(layer, grid, stack.as_ref()),
            None => checker.opens(layer),
        }
    }
    let records = grid.as_ref().and_then(|grid| checker.records(grid));
    let Checker { mut problems, warnings, lacking, .. } = checker;
    for told in unlisted {
        if lacking.contains(&(told.legend, told.code)) {
            problems.retain(|problem| *problem != told.problem);
        }
    }
    match (grid, stack, climates) {
        (Some(grid), Some(stack), Some(climates)) if problems.is_empty() => {
            Ok(Checked { study, grid, stack, climates, records, warnings })
        }
        _ => Err(Problems::sorted(&source.path, problems).into()),
    }
}

/// The grid of a study; `None` where it states neither bounds nor area.
///
/// # Errors
/// A reference system or bounds that make no grid, or an area that cannot be read.
pub fn grid_of(settings: &GridSettings) -> Result<Option<Grid>, RasterError> {
    let crs = Crs::parse(&settings.crs)?;
    Ok(match (settings.bounds, &settings.area) {
        (Some([left, bottom, right, top]), _) => {
            Some(Grid::from_bounds(crs, Bounds { left, bottom, right, top }, settings.cell_m)?)
        }
        (None, Some(area)) => {
            let bounds = vector_bounds(area, &crs)?;
            Some(Grid::covering(crs, bounds, settings.cell_m)?)
        }
        (None, None) => None,
    })
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

    /// Lets this process fetch what the study allows, and nothing else.
    fn network(&mut self) {
        if let Err(e) = remote::permit(self.study.network.as_ref()) {
            let at = match &e {
                RasterError::Secret { key: name, .. } => key("network", name),
                _ => "network".to_string(),
            };
            self.problem(&at, e.to_string(), "");
        }
    }

    fn grid(&mut self) -> Option<Grid> {
        let settings = &self.study.grid;
        if settings.crs.is_empty() {
            return None; // Told already.
        }
        if let Err(e) = Crs::parse(&settings.crs) {
            self.problem("grid.crs", e.to_string(), "");
            return None;
        }
        match grid_of(settings) {
            Ok(grid) => grid,
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
        let stack = match Stack::find(self.study, layer, axis) {
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

    /// The climates, read and fitted.
    fn climate(&mut self, grid: Option<&Grid>) -> Option<Climates> {
        let (from, to) = self.study.period.reference;
        let (first, last) = match self.study.inundation.driver {
            Driver::Index => self.study.period.baseline,
            // warm months are those of the baseline
            Driver::Season if self.study.needs_temperature() => self.study.period.baseline,
            Driver::Season => (from, to),
        };
        let years = (to.since(from) + 1) as usize / 12;
        // One too short for an index is a problem of the study itself, told with it.
        if self.study.climate.is_some() && years < YEARS_ADVISED {
            let message = format!(
                "the reference period {from} to {to} holds {years} whole years; the World Meteorological Organization advises {YEARS_ADVISED} (WMO-No. 1090)"
            );
            let help = "lengthen period.reference where the climate has more years";
            self.warn("period.reference", message, help);
        }
        let needed = Needed { first: first.min(from), last: last.max(to) };
        let found = climates::read(self.study, grid, needed);
        self.problems.extend(found.problems);
        for told in found.told {
            if told.warning {
                self.warn(&told.at, told.message, told.help);
            } else {
                self.problem(&told.at, told.message, told.help);
            }
        }
        if let Some(climates) = &found.climates {
            self.replays(climates);
        }
        found.climates
    }
}

impl Checker<'_> {
    /// Whether the climate holds the years that scenarios replay.
    fn replays(&mut self, climates: &Climates) {
        let Some(model) = climates.longest() else { return };
        let starts = self.study.period.water_year_starts;
        for (i, scenario) in self.study.scenarios.iter().enumerate() {
            if let Some(reason) = model.refuses_replay(&scenario.replay, starts) {
                let at = key(&item("scenarios", i), "replay");
                let message = format!("{at}: water years {reason}");
                self.problem(&at, message, "take other years, or lengthen the climate series");
            }
        }
    }
}

impl Checker<'_> {
    /// Records that can be used, as far as that can be known before water is.
    fn records(&mut self, grid: &Grid) -> Option<Vetted> {
        let vetted = match vet(self.study, grid) {
            Ok(vetted) => vetted?,
            Err(problem) => {
                self.problems.push(problem);
                return None;
            }
        };
        let n = vetted.presences.len();
        if n < FEW {
            let found =
                format!("{n} of {} records can be used (set aside: {})", vetted.rows, vetted.reasons());
            if self.study.suitability.threshold_rule == Some(ThresholdRule::Best) {
                let message = format!("{found}; suitability.threshold by its rule needs {FEW}");
                let help = "set a number, or \"tenth percentile of records\"";
                self.problem("suitability.threshold", message, help);
            } else {
                let message = format!(
                    "{found}, fewer than {FEW}: only their tenth percentile and the Boyce index will be given"
                );
                self.warn("records.file", message, "add records where there are more");
            }
        }
        Some(vetted)
    }
}
