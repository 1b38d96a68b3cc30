//! Why is this cell what it is? Every measure, score and weight of one cell of a finished run, in the baseline and in every
//! scenario, computed by the code of the run from the layers it read and the water it left.

use crate::check::grid_of;
use crate::error::EngineError;
use crate::inputs;
use crate::layers::Layers;
use crate::measures::CaseCells;
use crate::page_input::measure_words;
use crate::run::VERSION;
use crate::run_record::at_the_end_of;
use crate::scoring::{CellRows, Scored, Scorer};
use crate::tables::{class_name, limit_name};
use lentic_habitat::change::is_habitat;
use lentic_habitat::suitability::Measured;
use lentic_raster::remote;
use lentic_raster::{
    Crs, Grid, NO_CLASS, Point, RasterSource, Resample, Window, read_aligned_class, read_aligned_f32,
};
use lentic_report::{Input, RunRecord, not_assessed_classes, read_record};
use lentic_study::Study;
use lentic_study::settings::{Missing, Requisite, Scenario, Variable};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Folder of a run that holds the water of the cells.
pub const CELLS: &str = "cells";

/// File of a case in it.
pub fn file_of_case(case: &str) -> String {
    format!("water_{case}.tif")
}

/// Which cell of which run.
#[derive(Clone, Debug)]
pub struct ExplainOptions {
    /// The run folder.
    pub run: PathBuf,
    /// East or longitude.
    pub x: f64,
    /// North or latitude.
    pub y: f64,
    /// Whether these are degrees of longitude and latitude (WGS 84), not metres of the study's reference system.
    pub lonlat: bool,
    /// The study file, where it no longer lies where the run found it.
    pub study: Option<PathBuf>,
}

/// A cell explained.
#[derive(Clone, Debug, Serialize)]
pub struct Explained {
    /// Name of the study.
    pub study: String,
    /// Identifier of the run.
    pub run_id: String,
    /// Row of the cell, from 0 in the north.
    pub row: usize,
    /// Column, from 0 in the west.
    pub col: usize,
    /// Centre of the cell, metres east.
    pub x: f64,
    /// Centre of the cell, metres north.
    pub y: f64,
    /// Why the cell is not compared; `None` where it is.
    pub not_assessed: Option<String>,
    /// Suitability from which a cell is habitat.
    pub threshold: f64,
    /// The baseline and every scenario.
    pub cases: Vec<CaseExplained>,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// A cell in one case.
#[derive(Clone, Debug, Serialize)]
pub struct CaseExplained {
    /// "baseline" or the scenario's name.
    pub scenario: String,
    /// Title of the scenario.
    pub title: String,
    /// Suitability, exactly as in the raster; `None` where it is not assessed.
    pub suitability: Option<f32>,
    /// Whether that is habitat.
    pub habitat: bool,
    /// Whether a barrier sets it to 0.
    pub barrier: bool,
    /// What limits it.
    pub limiting: Option<String>,
    /// Suitability if the limiting factor alone were 1.
    pub raised_to: Option<f64>,
    /// Requisites in the order of the study.
    pub requisites: Vec<RequisiteExplained>,
}

/// A requisite of a cell.
#[derive(Clone, Debug, Serialize)]
pub struct RequisiteExplained {
    /// Its name.
    pub name: String,
    /// Its weight among requisites.
    pub weight: f64,
    /// Its score, nearness included; `None` where it is not assessed.
    pub score: Option<f64>,
    /// The nearness it asks for.
    pub near: Option<NearExplained>,
    /// Its variables.
    pub variables: Vec<VariableExplained>,
}

/// A nearness.
#[derive(Clone, Debug, Serialize)]
pub struct NearExplained {
    /// The other requisite.
    pub requisite: String,
    /// How far it may be, metres.
    pub within_m: f64,
    /// The factor on the score.
    pub factor: Option<f64>,
}

/// A variable of a cell.
#[derive(Clone, Debug, Serialize)]
pub struct VariableExplained {
    /// Its name.
    pub name: String,
    /// What it measures, in words.
    pub measures: String,
    /// Its unit.
    pub unit: String,
    /// What was measured; `None` where there is no data, and for classes.
    pub measure: Option<f32>,
    /// The class, for variables that measure one.
    pub class: Option<String>,
    /// Its score; `None` where the measure is missing.
    pub score: Option<f64>,
    /// Its weight in the requisite.
    pub weight: f64,
    /// What follows from the missing measure.
    pub missing: Option<String>,
}

/// Explains a cell of a finished run.
///
/// # Errors
/// A folder that holds no run, a study or layer that is not what the run read, or a place outside the study area.
pub fn explain(options: &ExplainOptions) -> Result<Explained, EngineError> {
    let refuse = |reason: String| EngineError::Explain { run: options.run.clone(), reason };
    let record = options.run.join("run.json");
    if !record.is_file() {
        return Err(refuse("it holds no run.json; name the folder of a finished run".into()));
    }
    let record = read_record(&record)?;
    let (study, path) = study_of(options, &record)?;
    unchanged(&study, &record).map_err(refuse)?;
    let grid = grid_of(&study.grid)?
        .ok_or_else(|| refuse("the study has no grid; add bounds or area to [grid]".into()))?;
    let place = place(options, &grid)?;
    let cell = grid.cell_at(place).ok_or_else(|| {
        let b = grid.bounds();
        refuse(format!(
            "({}, {}) lies outside its grid; give a point within x {} to {}, y {} to {}{}",
            place.x,
            place.y,
            b.left,
            b.right,
            b.bottom,
            b.top,
            if options.lonlat { "" } else { "; for longitude and latitude add --lonlat" }
        ))
    })?;
    let window = Window { row: cell.row, col: cell.col, rows: 1, cols: 1 };
    let rasters = options.run.join("rasters");
    let reason = one(&rasters.join("not_assessed.tif"), |source| read_aligned_class(source, &grid, &window))?;
    if reason == NO_CLASS {
        return Err(refuse(format!(
            "({}, {}) lies outside the study area; give a point within",
            place.x, place.y
        )));
    }
    let layers = Layers { study: &study, grid: &grid };
    let scorer = Scorer::new(layers);
    let tile = scorer.tile(window)?;
    let mut cases = Vec::new();
    for scenario in std::iter::once(None).chain(study.scenarios.iter().map(Some)) {
        let name = scenario.map_or("baseline", |s| s.name.as_str());
        let kept = KeptCells {
            path: options.run.join(CELLS).join(file_of_case(name)),
            grid: &grid,
            study: &study,
            has_fall: scenario.is_some() && study.follows_depth(),
            concentrations: record.concentrations.get(name),
        };
        let scored = tile.score(scenario, &kept)?;
        let written = one(&rasters.join(format!("suitability_{name}.tif")), |source| {
            read_aligned_f32(source, &grid, &window, Resample::Continuous)
        })?;
        if written.to_bits() != scored.suitability[0].to_bits()
            && !(written.is_nan() && scored.suitability[0].is_nan())
        {
            return Err(refuse(format!(
                "suitability_{name}.tif holds {written} there, but {} follows from the study and its layers; they or the run's files were changed: run the study again",
                scored.suitability[0]
            )));
        }
        cases.push(case(&study, scenario, &scored));
    }
    let centre = grid.centre(cell);
    let class = not_assessed_classes().into_iter().find(|class| i32::from(class.code) == reason);
    let mut notes = Vec::new();
    if record.program.version != VERSION {
        notes.push(format!("The run was made by version {} of the program.", record.program.version));
    }
    if options.study.is_some() {
        notes.push(format!("The study file is {}.", path.display()));
    }
    Ok(Explained {
        study: study.name.clone(),
        run_id: record.run_id,
        row: cell.row,
        col: cell.col,
        x: centre.x,
        y: centre.y,
        not_assessed: class.filter(|class| class.code != 0).map(|class| class.name),
        threshold: study.suitability.threshold,
        cases,
        notes,
    })
}

/// The study a run was made from, if it is still what it was.
fn study_of(options: &ExplainOptions, record: &RunRecord) -> Result<(Study, PathBuf), EngineError> {
    let refuse = |reason: String| EngineError::Explain { run: options.run.clone(), reason };
    let path = match &options.study {
        Some(path) => path.clone(),
        None if record.study.beside.is_empty() => {
            return Err(refuse(format!(
                "it does not say where its study {} lies; name the file with --study",
                record.study.path
            )));
        }
        None => at_the_end_of(&options.run, &record.study.beside),
    };
    let text = std::fs::read_to_string(&path).map_err(|e| {
        refuse(format!("its study {} cannot be read ({e}); name the file with --study", path.display()))
    })?;
    if blake3::hash(text.as_bytes()).to_hex().as_str() != record.study.blake3 {
        return Err(refuse(format!(
            "the study {} was changed since the run; run it again, or name the one it was made from with --study",
            path.display()
        )));
    }
    let (study, _) = lentic_study::load(&path)?;
    remote::permit(study.network.as_ref())?;
    Ok((study, path))
}

/// Says which layers are not those the run read; water files do not matter, as the run kept what follows from them.
fn unchanged(study: &Study, record: &RunRecord) -> Result<(), String> {
    let key = |layer: &str, file: &str| (layer.to_string(), file.to_string());
    let then: BTreeMap<(String, String), &Input> =
        record.inputs.iter().map(|input| (key(&input.layer, &input.file), input)).collect();
    let mut changed = Vec::new();
    for (layer, path) in inputs::layer_files(study) {
        let file = inputs::named(&path, study);
        match inputs::content(&path) {
            Ok(now) if then.get(&key(&layer, &file)).is_some_and(|input| now.is_of(input)) => {}
            Ok(_) => changed.push(format!("{file} ({layer}) was changed")),
            Err(e) => changed.push(format!("{file} ({layer}) cannot be read: {e}")),
        }
    }
    match changed.as_slice() {
        [] => Ok(()),
        changed => Err(format!("since the run {}; run the study again", changed.join(", "))),
    }
}

fn place(options: &ExplainOptions, grid: &Grid) -> Result<Point, EngineError> {
    let mut points = [Point { x: options.x, y: options.y }];
    if options.lonlat {
        Crs::parse("EPSG:4326")?.transform(&grid.crs, &mut points)?;
    }
    Ok(points[0])
}

/// The one cell that a reading of a raster gives.
fn one<T: Copy>(
    path: &Path,
    read: impl Fn(&RasterSource) -> Result<Vec<T>, lentic_raster::RasterError>,
) -> Result<T, EngineError> {
    let source = RasterSource::open(path, 1)?;
    let cells = read(&source)?;
    cells.first().copied().ok_or_else(|| EngineError::Explain {
        run: path.to_path_buf(),
        reason: "the raster holds no cell there; run the study again".into(),
    })
}

/// The water of a case as the run kept it.
struct KeptCells<'a> {
    path: PathBuf,
    grid: &'a Grid,
    study: &'a Study,
    has_fall: bool,
    concentrations: Option<&'a BTreeMap<i32, f32>>,
}

impl KeptCells<'_> {
    fn band(&self, band: usize, window: &Window) -> Result<Vec<f32>, EngineError> {
        let source = RasterSource::open(&self.path, band)?;
        Ok(read_aligned_f32(&source, self.grid, window, Resample::Continuous)?)
    }
}

impl CaseCells for KeptCells<'_> {
    fn hydroperiod(&self, window: &Window) -> Result<Vec<f32>, EngineError> {
        self.band(1, window)
    }

    fn fall(&self, window: &Window) -> Result<Option<Vec<f32>>, EngineError> {
        self.has_fall.then(|| self.band(2, window)).transpose()
    }

    fn yearly(&self, at: usize, window: &Window) -> Result<Measured, EngineError> {
        // each variable has a band for its measure and, where scores are averaged, one for its score
        let bands = |variable: &Variable| 1 + usize::from(variable.measure.averages_scores());
        let before: usize = self.study.yearly_variables().take(at).map(bands).sum();
        let band = 2 + usize::from(self.has_fall) + before;
        let measure = self.band(band, window)?;
        let scored = self.study.yearly_variables().nth(at).is_some_and(|v| v.measure.averages_scores());
        Ok(match scored {
            true => Measured::Years { measure, score: self.band(band + 1, window)? },
            false => Measured::Numbers(measure),
        })
    }

    fn concentration(&self, pool: i32) -> f64 {
        let factor = self.concentrations.and_then(|pools| pools.get(&pool));
        factor.map_or(1.0, |factor| f64::from(*factor))
    }
}

fn known(score: f64) -> Option<f64> {
    (!score.is_nan()).then_some(score)
}

fn case(study: &Study, scenario: Option<&Scenario>, scored: &Scored) -> CaseExplained {
    let mut rows = CellRows::default();
    let limit = scored.limit(0, &mut rows);
    scored.rows(0, &mut rows);
    let measured = scored.measured();
    let suitability = scored.suitability[0];
    let mut next = 0;
    let requisites = study.requisites.iter().enumerate().map(|(at, requisite)| {
        let first = next;
        next += requisite.variables.len();
        let other = |near: &lentic_study::settings::Near| NearExplained {
            requisite: study.requisites.get(near.requisite).map_or_else(String::new, |r| r.name.clone()),
            within_m: near.within_m,
            factor: known(rows.nearness[at]),
        };
        RequisiteExplained {
            name: requisite.name.clone(),
            weight: requisite.weight,
            score: known(rows.requisites[at]),
            near: requisite.near.as_ref().map(other),
            variables: variables(study, requisite, &measured[first..next], &rows.variables[first..next]),
        }
    });
    let requisites = requisites.collect();
    CaseExplained {
        scenario: scenario.map_or_else(|| "baseline".into(), |s| s.name.clone()),
        title: scenario.map_or_else(|| "Baseline".into(), |s| s.title.clone()),
        suitability: (!suitability.is_nan()).then_some(suitability),
        habitat: is_habitat(suitability, study.suitability.threshold),
        barrier: scored.has_barrier(0),
        limiting: limit.map(|limit| limit_name(study, limit.code)),
        raised_to: limit.map(|limit| limit.raised),
        requisites,
    }
}

fn variables(
    study: &Study,
    requisite: &Requisite,
    measured: &[Measured],
    scores: &[f64],
) -> Vec<VariableExplained> {
    let one = |((variable, measured), score): ((&Variable, &Measured), &f64)| {
        let layer = variable.measure.layer().and_then(|name| study.layer(name));
        let (measure, class) = match measured {
            Measured::Numbers(values) | Measured::Years { measure: values, .. } => {
                (Some(values[0]).filter(|v| !v.is_nan()), None)
            }
            Measured::Codes(codes) => (
                None,
                Some(codes[0]).filter(|code| *code != NO_CLASS).map(|code| class_name(layer, Some(code))),
            ),
        };
        let (measures, unit) = measure_words(study, variable);
        let missing = match variable.if_missing {
            _ if !score.is_nan() => None,
            Missing::NotAssessed => Some("the cell is not assessed".to_string()),
            Missing::Omit => Some("left out, the other weights fill its place".to_string()),
            Missing::Score(score) => Some(format!("scored {score}")),
        };
        VariableExplained {
            name: variable.name.clone(),
            measures,
            unit,
            measure,
            class,
            score: known(*score),
            weight: variable.weight,
            missing,
        }
    };
    requisite.variables.iter().zip(measured).zip(scores).map(one).collect()
}
