//! The demo: an invented basin, Talverra Sink, its invented turtle, and the truth behind every image.
//!
//! Terrain, weather and the monthly water balance of every pool are drawn from a seed; satellite masks with
//! clouds and errors, class layers, records and a complete study file follow from them. Because the water is computed
//! from weather, the same water can be computed under another weather: `truth/` holds what a study of the masks
//! should find.

mod climate;
mod cover;
mod draws;
mod files;
mod large;
mod place;
mod records;
mod scenarios;
mod terrain;
#[cfg(test)]
mod tests;
mod view;
mod water;

use crate::error::EngineError;
use crate::stop;
use climate::{BASELINE_START, Climate, MONTHS};
use cover::Cover;
use files::{FOLDERS, Files};
pub use large::write_large;
use place::Making;
use scenarios::FUTURES;
use std::path::{Path, PathBuf};
use terrain::Terrain;

/// The seed of the published demo.
pub const DEMO_SEED: u64 = 20;

/// How large a basin to make; cells are 30 m.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DemoSize {
    /// 480 columns x 360 rows, 15 pools.
    Full,
    /// 96 columns x 72 rows, 6 pools.
    Small,
}

impl DemoSize {
    /// Rows and columns.
    pub fn rows_cols(self) -> (usize, usize) {
        match self {
            DemoSize::Full => (360, 480),
            DemoSize::Small => (72, 96),
        }
    }

    /// Size of a pool relative to the full basin's.
    fn scale(self) -> f64 {
        match self {
            DemoSize::Full => 1.0,
            DemoSize::Small => 0.35,
        }
    }

    /// Spring-fed and rain-fed pools, the seep and the sink not counted.
    fn pools(self) -> (usize, usize) {
        match self {
            DemoSize::Full => (2, 11),
            DemoSize::Small => (1, 3),
        }
    }

    /// Rows of a field.
    fn field(self) -> usize {
        match self {
            DemoSize::Full => 10,
            DemoSize::Small => 6,
        }
    }

    /// Rows of the table of records.
    fn records(self) -> usize {
        match self {
            DemoSize::Full => 160,
            DemoSize::Small => 80,
        }
    }
}

/// What was written.
#[derive(Clone, Debug, PartialEq)]
pub struct DemoSummary {
    /// The study file.
    pub study: PathBuf,
    /// Rows of the grid.
    pub rows: usize,
    /// Columns of the grid.
    pub cols: usize,
    /// Pools, springs and sink included.
    pub pools: usize,
    /// Monthly masks.
    pub masks: usize,
    /// Share of the grid's cells that are truly wet in some month of the baseline.
    pub ever_wet_share: f64,
}

/// Why the demo could not be written.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The folder holds something else.
    #[error("{} is not empty: name a new or empty folder, so that nothing of yours is overwritten", .0.display())]
    NotEmpty(PathBuf),
    /// Another demo is being written there.
    #[error("{}: another lentic demo is writing it; wait for that to end, or name another folder", .0.display())]
    Busy(PathBuf),
    /// A folder or file could not be made or read.
    #[error("cannot write {}: {source}; check free space and permission, or name another folder", path.display())]
    Write {
        /// What was to be written.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A raster or vector file could not be written.
    #[error(transparent)]
    Raster(#[from] lentic_raster::RasterError),
}

/// Everything drawn and computed, before any file.
struct Demo {
    seed: u64,
    size: DemoSize,
    terrain: Terrain,
    climate: Climate,
    histories: Vec<water::History>,
    hydroperiod: Vec<f32>,
    cover: Cover,
}

impl Demo {
    fn new(size: DemoSize, seed: u64) -> Self {
        let terrain = Terrain::new(size, seed);
        let climate = Climate::new(seed);
        let histories = water::run(&terrain, &climate);
        let hydroperiod = water::hydroperiod(&terrain, &histories, 0.0);
        let cover = Cover::new(size, seed, &terrain, &hydroperiod);
        Demo { seed, size, terrain, climate, histories, hydroperiod, cover }
    }

    /// True hydroperiod, months per year, under a future.
    fn future(&self, future: &scenarios::Future) -> Vec<f32> {
        let climate = self.climate.changed(future.rain, future.warmer);
        let histories = water::run(&self.terrain, &climate);
        water::hydroperiod(&self.terrain, &histories, future.lower_m)
    }

    fn ever_wet_share(&self) -> f64 {
        let wet = self.hydroperiod.iter().filter(|h| **h > 0.0).count();
        wet as f64 / self.hydroperiod.len() as f64
    }
}

/// Writes the demo of a seed into `folder`, which must be new or empty, and has it whole or stays as it was. The same size and seed give the same bytes. `progress` is told each step in a few words.
///
/// # Errors
/// [`DemoError`] names the folder or file and what went wrong; or somebody asked to stop.
pub fn write_demo(
    folder: &Path,
    size: DemoSize,
    seed: u64,
    progress: &(dyn Fn(&str) + Sync),
) -> Result<DemoSummary, EngineError> {
    let making = Making::start(folder, &FOLDERS)?;
    let files = Files::new(making.aside(), size)?;
    progress("drawing the basin and thirty years of water");
    let demo = Demo::new(size, seed);
    progress("writing layers");
    stop::unless_asked()?;
    files.texts(&demo)?;
    files.layers(&demo)?;
    let masks = MONTHS - BASELINE_START;
    let blind = view::blind_months(seed);
    for month in 0..masks {
        stop::unless_asked()?;
        if month % 60 == 0 {
            progress(&format!("writing monthly masks, {month} of {masks}"));
        }
        let mask = view::mask(seed, &demo.terrain, &demo.histories, &demo.climate, month, &blind);
        files.mask(demo.climate.months[BASELINE_START + month], &mask)?;
    }
    progress("writing the truth");
    files.truth("baseline", &demo.hydroperiod)?;
    for future in &FUTURES {
        stop::unless_asked()?;
        files.truth(future.name, &demo.future(future))?;
    }
    files.stages(&demo)?;
    stop::unless_asked()?;
    making.publish()?;
    let (rows, cols) = size.rows_cols();
    Ok(DemoSummary {
        study: folder.join("study.toml"),
        rows,
        cols,
        pools: demo.terrain.pools.len(),
        masks,
        ever_wet_share: demo.ever_wet_share(),
    })
}
