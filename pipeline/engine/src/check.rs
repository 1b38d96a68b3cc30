//! Everything that can be known before computing: files, reference systems, overlap, legends, months.
//! All problems are found together.

use crate::climate_file;
use crate::error::EngineError;
use crate::layers::{Layers, file_of, is_vector};
use crate::stack::Stack;
use lentic_habitat::climate::{Series, YEARS_ADVISED, YEARS_NEEDED};
use lentic_habitat::water::MonthAxis;
use lentic_raster::{Bounds, Crs, Grid, NO_CLASS, Point, RasterError, SourceInfo, Window, inspect, tiles, vector_bounds};
use lentic_study::settings::{Curve, Driver, Files, Layer, LayerKind, Measure, Role};
use lentic_study::source::{item, key};
use lentic_study::{Problem, Problems, Source, Study, read, resolve};
use std::collections::BTreeSet;
use std::path::Path;

/// Cells a side of the tiles legends are compared in.
const SCAN: usize = 1024;
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
/// All problems found, together.
pub fn check(path: &Path) -> Result<Checked, EngineError> {
    let (file, source) = read(path)?;
    let (study, warnings) = resolve(&file, &source)?;
    let mut checker = Checker { source: &source, study: &study, problems: Vec::new(), warnings };
    let grid = checker.grid();
    let (first, last) = study.period.baseline;
    let axis = MonthAxis::new(first, last);
    let stack = checker.stack(&axis);
    let series = checker.climate();
    if let Some(grid) = &grid {
        for layer in &study.layers {
            checker.layer(layer, grid, stack.as_ref());
        }
    }
    let Checker { problems, warnings, .. } = checker;
    match (grid, stack) {
        (Some(grid), Some(stack)) if problems.is_empty() => Ok(Checked { study, grid, stack, series, warnings }),
        _ => Err(Problems(problems).into()),
    }
}

impl Checked {
    /// Memory a run needs at most, MiB: tiles in flight with their bits and layers, the sample behind the priors, and
    /// GDAL's cache.
    pub fn memory_mib(&self, tile: usize) -> u64 {
        let threads = rayon::current_num_threads() as u64;
        let reach = crate::stages::suitability::reach_cells(&self.study, self.grid.cell_m);
        let cells = ((tile + 2 * reach) as u64).pow(2).min(self.grid.len() as u64);
        let months = self.stack.images.len() as u64;
        let layers = (self.study.layers.len() + self.study.variables().count() + 4 * self.study.scenarios.len()) as u64;
        let per_cell = months.div_ceil(4) + 8 * layers + 16;
        let sample = 5000 * 10 * months.div_ceil(4);
        (threads * cells * per_cell + sample) / (1 << 20) + crate::CACHE_MIB as u64 + 64
    }

    /// Disk a run needs while it works, MiB: flat files of every stage; the products take less.
    pub fn disk_mib(&self) -> u64 {
        let cases = self.study.scenarios.len() as u64 + 1;
        let per_cell = 32 + cases * (4 + 4 + 4 + 1 + 1 + 4);
        2 * self.grid.len() as u64 * per_cell / (1 << 20) + 1
    }
}

struct Checker<'a> {
    source: &'a Source,
    study: &'a Study,
    problems: Vec<Problem>,
    warnings: Vec<Problem>,
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
                format!("layer \"{}\": none of its files lies in the baseline, {first} to {last}", layer.name),
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
        Some(stack)
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
        if years < YEARS_NEEDED {
            let message = format!("the reference period {from} to {to} holds {years} whole years; an index needs {YEARS_NEEDED}");
            self.problem(at, message, "give a longer reference period");
        } else if years < YEARS_ADVISED {
            let message = format!("the reference period {from} to {to} holds {years} whole years; the World Meteorological Organization advises {YEARS_ADVISED} (WMO-No. 1090)");
            self.warn(at, message, "");
        }
        match climate_file::read(climate, (first.min(from), last.max(to))) {
            Ok(series) => Some(series),
            Err(problems) => {
                self.problems.extend(problems);
                None
            }
        }
    }

    fn layer(&mut self, layer: &Layer, grid: &Grid, stack: Option<&Stack>) {
        let at = place_of_files(layer);
        let path = file_of(layer);
        if is_vector(&path) {
            match vector_bounds(&path, &grid.crs) {
                Ok(bounds) => self.overlap(layer, &at, bounds, grid),
                Err(e) => self.problem(&at, format!("layer \"{}\": {e}", layer.name), ""),
            }
            return;
        }
        if layer.kind == LayerKind::WaterHistory {
            if let Some(stack) = stack {
                self.images(layer, &at, grid, stack);
            }
            return;
        }
        match inspect(&path, layer.band).and_then(|info| bounds_on(&info, grid)) {
            Ok(bounds) => self.overlap(layer, &at, bounds, grid),
            Err(e) => {
                self.problem(&at, format!("layer \"{}\": {e}", layer.name), "");
                return;
            }
        }
        let layers = Layers { study: self.study, grid };
        let outcome = match layer.kind {
            LayerKind::Class => self.codes(layer, &layers, &at),
            _ => layers.numbers(layer, last_row(grid)).map(drop),
        };
        if let Err(e) = outcome {
            self.problem(&at, format!("layer \"{}\": {e}", layer.name), "");
        }
    }

    fn overlap(&mut self, layer: &Layer, at: &str, bounds: Bounds, grid: &Grid) {
        let own = grid.bounds();
        let apart = bounds.left >= own.right
            || bounds.right <= own.left
            || bounds.bottom >= own.top
            || bounds.top <= own.bottom;
        if apart {
            let show = |b: Bounds| format!("x {:.0} to {:.0}, y {:.0} to {:.0}", b.left, b.right, b.bottom, b.top);
            self.problem(
                at,
                format!("layer \"{}\" does not overlap the grid: it covers {}, the grid {}", layer.name, show(bounds), show(own)),
                "check grid.crs, grid.bounds and the layer's own reference system",
            );
        }
    }

    /// Opens every water file and reads its last row, where a file cut short shows.
    fn images(&mut self, layer: &Layer, at: &str, grid: &Grid, stack: &Stack) {
        let layers = Layers { study: self.study, grid };
        let mut bad = 0;
        for (index, image) in stack.images.values().flatten().enumerate() {
            let outcome = inspect(&image.path, image.band).and_then(|info| bounds_on(&info, grid));
            match outcome {
                // one that lies elsewhere says it for all
                Ok(bounds) if index == 0 => self.overlap(layer, at, bounds, grid),
                Ok(_) => {}
                Err(e) => {
                    bad += 1;
                    if bad <= SHOWN {
                        self.problem(at, format!("layer \"{}\": {e}", layer.name), "");
                    }
                    continue;
                }
            }
            if let Err(e) = Stack::probe(&layers, layer, image, last_row(grid)) {
                bad += 1;
                if bad <= SHOWN {
                    self.problem(at, format!("layer \"{}\": {e}", layer.name), "");
                }
            }
        }
        if bad > SHOWN {
            let message = format!("layer \"{}\": {} more of its files cannot be used", layer.name, bad - SHOWN);
            self.problem(at, message, "mend the first ones and check again");
        }
    }

    /// Compares the codes that occur with the legend and with the curves that score them.
    fn codes(&mut self, layer: &Layer, layers: &Layers, at: &str) -> Result<(), EngineError> {
        let mut found = BTreeSet::new();
        for window in tiles(layers.grid, SCAN) {
            found.extend(layers.codes(layer, window)?);
        }
        found.remove(&NO_CLASS);
        if let Some(legend) = &layer.legend {
            let lacking = list(found.iter().filter(|code| !legend.classes.contains_key(code)));
            if let Some(codes) = lacking {
                self.problems.push(Problem {
                    file: legend.path.clone(),
                    place: None,
                    message: format!("the legend of layer \"{}\" has no line for code {codes}, found in {}", layer.name, file_of(layer).display()),
                    help: "add a line for each code that occurs, or declare the code as no_data".into(),
                    warning: false,
                });
            }
        }
        let requisites = self.source.keys(&["requisites"]).into_iter().map(str::to_string).collect::<Vec<_>>();
        for (requisite, name) in self.study.requisites.iter().zip(requisites) {
            for (index, variable) in requisite.variables.iter().enumerate() {
                let (Measure::Class(of), Curve::Classes(scores)) = (&variable.measure, &variable.curve) else {
                    continue;
                };
                let replaced = layer_replaces(self.study, &layer.name, of);
                if *of != layer.name && !replaced {
                    continue;
                }
                if let Some(codes) = list(found.iter().filter(|code| !scores.contains_key(code))) {
                    let at = key(&item(&key(&key("requisites", &name), "variables"), index), "curve");
                    let message = format!("variable \"{}\" gives no score to code {codes}, which occurs in layer \"{}\"", variable.name, layer.name);
                    self.problem(&at, message, "score every class that occurs");
                }
            }
        }
        if found.is_empty() {
            self.warn(at, format!("layer \"{}\" has no class anywhere on the grid", layer.name), "");
        }
        Ok(())
    }
}

/// Whether a layer stands in for the land cover `of` in some scenario.
fn layer_replaces(study: &Study, name: &str, of: &str) -> bool {
    study.layer(of).is_some_and(|layer| layer.role == Some(Role::LandCover))
        && study.scenarios.iter().any(|s| s.land_cover.as_deref() == Some(name))
}

fn list<'a>(codes: impl Iterator<Item = &'a i32>) -> Option<String> {
    let codes: Vec<String> = codes.map(ToString::to_string).collect();
    (!codes.is_empty()).then(|| codes.join(", "))
}

fn place_of_files(layer: &Layer) -> String {
    let at = key("layers", &layer.name);
    match layer.files {
        Files::One(_) => key(&at, "file"),
        Files::Pattern(_) => key(&at, "files"),
    }
}

fn last_row(grid: &Grid) -> Window {
    Window { row: grid.rows - 1, col: 0, rows: 1, cols: grid.cols }
}

/// The rectangle a source covers, in the coordinates of the grid: its edges carried over at regular steps.
fn bounds_on(info: &SourceInfo, grid: &Grid) -> Result<Bounds, RasterError> {
    const STEPS: usize = 16;
    let (width, height) = (info.width as f64, info.height as f64);
    let at = |col: f64, row: f64| Point {
        x: info.geo_transform[0] + col * info.geo_transform[1],
        y: info.geo_transform[3] + row * info.geo_transform[5],
    };
    let Some(crs) = &info.crs else {
        return Ok(info.bounds());
    };
    let mut points: Vec<Point> = (0..=STEPS)
        .flat_map(|step| {
            let share = step as f64 / STEPS as f64;
            [at(share * width, 0.0), at(share * width, height), at(0.0, share * height), at(width, share * height)]
        })
        .collect();
    if !crs.same_as(&grid.crs) {
        crs.transform(&grid.crs, &mut points)?;
    }
    let least = |value: fn(&Point) -> f64| points.iter().map(value).fold(f64::INFINITY, f64::min);
    let most = |value: fn(&Point) -> f64| points.iter().map(value).fold(f64::NEG_INFINITY, f64::max);
    Ok(Bounds { left: least(|p| p.x), bottom: least(|p| p.y), right: most(|p| p.x), top: most(|p| p.y) })
}
