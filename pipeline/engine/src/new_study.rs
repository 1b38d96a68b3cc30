//! A new study on disk: what can be known of its answers is checked, then a folder is written that held nothing before.

use crate::error::{EngineError, io};
use lentic_raster::{Bounds, Crs, Grid, inspect, vector_bounds};
use lentic_study::fresh::{Answers, Extent, Template, fill, legends, readme};
use lentic_study::options::StudyFile;
use std::fs;
use std::path::{Path, PathBuf};

/// Left alone by version control: places of a rare animal, and what is computed anew.
const IGNORED: &str =
    "# places of a rare animal, and runs, which tell them\nrecords*.csv\nrun/\nreports/\n*.kept/\n";

/// What was written.
#[derive(Clone, Debug)]
pub struct Written {
    /// The study file.
    pub study: PathBuf,
    /// Rows and columns of its grid.
    pub size: (usize, usize),
    /// Names of the scenarios.
    pub scenarios: Vec<String>,
}

/// Reference system, cell side and bounds of a raster, for a study on the same grid.
#[derive(Clone, Debug)]
pub struct Like {
    /// Reference system: a code where it has one, else WKT.
    pub crs: String,
    /// Cell side, metres.
    pub cell_m: f64,
    /// Left, bottom, right, top, metres.
    pub bounds: [f64; 4],
}

fn refuse(reason: impl Into<String>) -> EngineError {
    EngineError::New { reason: reason.into() }
}

/// The grid of a raster.
///
/// # Errors
/// A file that cannot be read, without reference system, with cells that are not square, or in degrees.
pub fn like(path: &Path) -> Result<Like, EngineError> {
    let info = inspect(path, 1)?;
    let name = path.display();
    let crs = info.crs.as_ref().ok_or_else(|| {
        refuse(format!("{name} has no reference system; name another raster, or give --crs"))
    })?;
    let place = info.geo_transform;
    let (wide, high) = (place[1], -place[5]);
    if place[2] != 0.0 || place[4] != 0.0 || wide <= 0.0 || ((wide - high) / wide).abs() > 1e-6 {
        let found = format!(
            "{name} has cells of {wide} by {high}, or turned ones; square cells with north up are expected"
        );
        return Err(refuse(format!("{found}. Give --crs, --cell and --bounds instead")));
    }
    let text = crs.authority().map_or_else(|| crs.wkt().to_string(), ToString::to_string);
    let Bounds { left, bottom, right, top } = info.bounds();
    Ok(Like { crs: reference_system(&text)?, cell_m: wide, bounds: [left, bottom, right, top] })
}

/// The reference system that a text names: a code, a PROJ string, WKT, or longitude and latitude of the middle, for which an equal-area
/// system is made.
///
/// # Errors
/// One that PROJ does not know, or that does not count in metres.
pub fn reference_system(text: &str) -> Result<String, EngineError> {
    let numbers: Vec<f64> = text.split(',').filter_map(|part| part.trim().parse().ok()).collect();
    let made = match numbers[..] {
        [lon, lat] if text.split(',').count() == 2 => {
            if !(-180.0..=180.0).contains(&lon) || !(-90.0..=90.0).contains(&lat) {
                return Err(refuse(format!(
                    "\"{text}\" is no longitude and latitude: expected -180 to 180, then -90 to 90, as -18.2,-31.5"
                )));
            }
            format!("+proj=laea +lat_0={lat} +lon_0={lon} +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs")
        }
        _ => text.trim().to_string(),
    };
    let crs = Crs::parse(&made)?;
    // refuses degrees and feet, with a system that would do
    Grid::from_bounds(crs, Bounds { left: 0.0, bottom: 0.0, right: 1.0, top: 1.0 }, 1.0)?;
    Ok(made)
}

/// Checks that a vector file can be the study area.
///
/// # Errors
/// A file that cannot be read or holds no shape.
pub fn study_area(path: &Path, crs: &str) -> Result<(), EngineError> {
    Ok(vector_bounds(path, &Crs::parse(crs)?).map(drop)?)
}

/// Refuses a folder that holds anything.
///
/// # Errors
/// Such a folder, or one that cannot be read.
pub fn is_free(folder: &Path) -> Result<(), EngineError> {
    if folder.exists() && fs::read_dir(folder).map_err(io(folder))?.next().is_some() {
        return Err(refuse(format!(
            "{} is not empty: name a new or empty folder, so that nothing of yours is overwritten",
            folder.display()
        )));
    }
    Ok(())
}

/// Writes the folder of a new study: study.toml and its schema, README.md, .gitignore, legends to fill in, folders for layers.
///
/// # Errors
/// A folder that holds anything, a grid that cannot be, or a disk that refuses; then nothing is left.
pub fn write_new(folder: &Path, template: Template, answers: &Answers) -> Result<Written, EngineError> {
    is_free(folder)?;
    let crs = Crs::parse(&answers.crs)?;
    let grid = match &answers.extent {
        Extent::Bounds([left, bottom, right, top]) => {
            let bounds = Bounds { left: *left, bottom: *bottom, right: *right, top: *top };
            Grid::from_bounds(crs, bounds, answers.cell_m)?
        }
        Extent::Area(file) => {
            let bounds = vector_bounds(&folder.join(file), &crs)?;
            Grid::covering(crs, bounds, answers.cell_m)?
        }
    };
    let text = fill(template, answers);
    let file: StudyFile = toml_of(&text)?;
    let new = !folder.exists();
    let written = write_files(folder, &text, &file);
    if let Err(error) = written {
        // nothing half-written: the folder was not there, or empty
        let _ = fs::remove_dir_all(folder);
        if !new {
            let _ = fs::create_dir(folder);
        }
        return Err(error);
    }
    Ok(Written {
        study: folder.join("study.toml"),
        size: (grid.rows, grid.cols),
        scenarios: file.scenarios.into_iter().map(|scenario| scenario.name).collect(),
    })
}

fn toml_of(text: &str) -> Result<StudyFile, EngineError> {
    let parsed = lentic_study::parse(Path::new("study.toml"), text.to_string());
    Ok(parsed.map(|(file, _)| file)?)
}

fn write_files(folder: &Path, text: &str, file: &StudyFile) -> Result<(), EngineError> {
    let write = |relative: &str, text: &str| {
        let path = folder.join(relative);
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent).map_err(io(parent))?;
        }
        fs::write(&path, text).map_err(io(&path))
    };
    write("study.toml", text)?;
    write("study.schema.json", &lentic_study::schema_text())?;
    let legends = legends(text, file);
    write("README.md", &readme(file, &legends))?;
    write(".gitignore", IGNORED)?;
    for (path, legend) in &legends {
        write(path, legend)?;
    }
    let layers = file.layers.values().flat_map(|layer| [&layer.file, &layer.files]);
    let climate = file
        .climate
        .iter()
        .flat_map(|climate| [&climate.precipitation, &climate.temperature, &climate.anomaly]);
    let series = climate.flatten().map(|series| &series.file);
    for path in layers.chain(series).flatten() {
        if let Some(parent) = folder.join(path).parent() {
            fs::create_dir_all(parent).map_err(io(parent))?;
        }
    }
    Ok(())
}
