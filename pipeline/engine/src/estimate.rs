//! What a run will take, told by `check` before it starts: memory, disk, time.

use crate::budget::{CACHE_MIB, Needs};
use crate::check::Checked;
use crate::error::EngineError;
use crate::layers::Layers;
use crate::page_input::stride;
use crate::scoring::Reach;
use crate::stages::connection::PIECE;
use crate::stages::water::SAMPLE;
use lentic_habitat::water::{MonthAxis, count_all};
use lentic_raster::largest_block;
use lentic_study::Study;
use lentic_study::settings::{Role, WaterRequirement};
use std::time::Instant;

/// Months read to see how fast this machine reads.
const MONTHS_TRIED: usize = 12;
/// Response groups a study may well have.
const GROUPS: usize = 10;
/// Seconds of one thread, measured on basins of the demo: one wet cell fitted, one wet cell answered in one scenario, its thirty
/// years drawn once for one case, one cell scored in one scenario, one cell of one raster written; and what does not grow with the basin.
const FIT: f64 = 2e-5;
const ANSWER: f64 = 2e-6;
const DRAW: f64 = 2e-6;
const SCORE: f64 = 4e-7;
const WRITE: f64 = 6e-8;
/// One month of one climate in one scenario.
const CLIMATE: f64 = 1e-6;
const FIXED: f64 = 3.0;
/// The program itself with its libraries and what it holds of any study; stack and spare room of a thread; MiB, measured.
const PROGRAM_MIB: u64 = 192;
const THREAD_MIB: u64 = 32;
/// Bytes of a pixel of a map of the page while it is written.
const MAPPED: u64 = 6;
/// Bytes a search for ways holds for each cell about a patch: patch, resistance twice, cost, the cell before.
const CROSSED: u64 = 24;

/// Cells a search for ways from one piece of a patch may need.
fn crossed_cells(checked: &Checked) -> u64 {
    let Some(crossing) = &checked.study.patches.crossing else { return 0 };
    let reach = (crossing.limit_m / checked.grid.cell_m).min(1e6) as u64;
    (PIECE as u64 + 2 * reach).pow(2).min(checked.grid.len() as u64)
}

/// About how many variants of the study what drying costs takes; each is answered and scored as a scenario is.
fn variants(study: &Study) -> f64 {
    let ladder = study.drying_ladder.as_ref().map_or(0, |ladder| ladder.steps().len() - 1);
    let surface =
        study.response_surface.as_ref().map_or(0, |s| s.precipitation.len() * s.temperature_c.len());
    let end = study.period.baseline.1.year();
    let times = |every: i32| -> i32 {
        let ways = study.scenarios.iter().filter(|scenario| scenario.has_path());
        ways.filter_map(|scenario| scenario.horizon)
            .map(|horizon| (horizon - end).max(0) / every.max(1))
            .sum()
    };
    let supply = |wanted: &WaterRequirement| wanted.scenarios.len() * (wanted.supply.steps().len() + 1);
    let supplies = study.water_requirement.as_ref().map_or(0, supply);
    (ladder + surface + supplies) as f64 + f64::from(study.over_time_years.map_or(0, times))
}

impl Checked {
    /// Memory a run needs at most, MiB: what it needs whatever runs at a time, tiles in flight, and GDAL's cache.
    pub fn memory_mib(&self, tile: usize) -> u64 {
        let needs = self.needs(tile);
        needs.fixed_mib + rayon::current_num_threads() as u64 * needs.thread_mib + *CACHE_MIB.end()
    }

    /// Memory a run needs besides GDAL's cache: the program, the sample behind the priors, climates and the maps of the page;
    /// for each thread a tile with its bits and layers, and a block of a file, decoded and as it is stored, once by GDAL and once to hold it against its checksum.
    pub fn needs(&self, tile: usize) -> Needs {
        let reach = Reach::of(Layers { study: &self.study, grid: &self.grid }).farthest;
        let cells = ((tile + 2 * reach) as u64).pow(2).min(self.grid.len() as u64);
        let months = self.stack.images.len() as u64;
        let layers = (self.study.layers.len()
            + self.study.variables().count()
            + 4 * self.study.scenarios.len()) as u64;
        let per_cell = months.div_ceil(4) + 8 * layers + 16 + self.costs_bytes();
        let sample = (SAMPLE * GROUPS) as u64 * months.div_ceil(4);
        // Stages follow each other: what counts is the larger of them.
        let crossed = crossed_cells(self) * CROSSED;
        let climates = self.climate_bytes();
        Needs {
            fixed_mib: (sample + climates + self.page_bytes()) / (1 << 20) + PROGRAM_MIB,
            thread_mib: ((cells * per_cell).max(crossed) + 4 * largest_block()) / (1 << 20) + THREAD_MIB,
        }
    }

    /// The maps of the page, as cells and as text.
    fn page_bytes(&self) -> u64 {
        let pixels = |cells: usize| (cells / stride(&self.grid)) as u64;
        let maps = 14 + 6 * (self.study.scenarios.len() as u64 + 1);
        maps * pixels(self.grid.rows) * pixels(self.grid.cols) * MAPPED
    }

    /// Memory of the climates, bytes: their weather, their index for every length that may be used, and the index of every
    /// case.
    fn climate_bytes(&self) -> u64 {
        let lengths = self.study.climate.as_ref().map_or(0, |climate| climate.months.lengths().len()) as u64;
        let cases = self.study.scenarios.len() as u64 + 1 + variants(&self.study) as u64;
        self.climate_months() * (8 * 4 + 8 * cases) + self.climates.models().len() as u64 * lengths * 2048
    }

    /// Bytes of one cell of a tile while what drying costs is found: habitat as bits, and the water of the years of the past.
    fn costs_bytes(&self) -> u64 {
        let study = &self.study;
        let supplied = study.water_requirement.as_ref().map_or(0, |wanted| wanted.scenarios.len());
        let rows = match study.over_time_years {
            Some(_) => study.scenarios.len(),
            None => 0,
        };
        let bits = 9 * (1 + rows + supplied + study.scenarios.len()) as u64;
        let years = study.over_time_years.map_or(0, |_| self.years_of_the_past());
        bits + years * (4 + 8 * study.yearly_variables().count() as u64)
    }

    fn years_of_the_past(&self) -> u64 {
        let (first, last) = self.study.period.baseline;
        u64::try_from(last.year() - first.year() + 1).unwrap_or(0)
    }

    /// Months of all climates together.
    fn climate_months(&self) -> u64 {
        self.climates.models().iter().map(|model| model.series().axis().len as u64).sum()
    }

    /// Disk a run needs while it works, MiB: flat files of every stage; the products take less.
    pub fn disk_mib(&self) -> u64 {
        let cases = self.study.scenarios.len() as u64 + 1;
        let resistance = if self.study.patches.crossing.is_some() { 4 } else { 0 };
        let years = 8 * self.study.yearly_variables().count() as u64;
        let per_cell = 44 + cases * (4 + 4 + 4 + 4 + 1 + 1 + 1 + 4 + years) + years + resistance;
        2 * self.grid.len() as u64 * per_cell / (1 << 20) + 1
    }

    /// Seconds a run will take, roughly: reading as fast as one tile of some months is read now, the rest by rates measured
    /// on the demo.
    ///
    /// # Errors
    /// When a water file cannot be read.
    pub fn seconds(&self, tile: usize) -> Result<f64, EngineError> {
        let Some(layer) = self.study.layer_with(Role::Water) else { return Ok(0.0) };
        let (first, last) = self.study.period.baseline;
        let axis = MonthAxis::new(first, last);
        let mut some = self.stack.clone();
        let months = some.images.len();
        let step = months.div_ceil(MONTHS_TRIED).max(1);
        some.images = some.images.into_iter().step_by(step).collect();
        let tiles = lentic_raster::tiles(&self.grid, tile);
        let Some(middle) = tiles.get(tiles.len() / 2).copied() else { return Ok(0.0) };
        let begun = Instant::now();
        let layers = Layers { study: &self.study, grid: &self.grid };
        let rows = some.open(layer)?.read(&layers, layer, &axis, middle)?;
        let each = begun.elapsed().as_secs_f64() / some.images.len().max(1) as f64;
        let wet = (0..rows.cells()).filter(|cell| count_all(rows.wet(*cell)) > 0).count();
        let share = wet as f64 / rows.cells().max(1) as f64;
        let cells = self.grid.len() as f64;
        let cases = self.study.scenarios.len() as f64 + 1.0;
        let reading = each * months as f64 * cells / middle.len().max(1) as f64;
        let wet_cells = share * cells;
        let draws = match self.study.yearly_variables().next() {
            Some(_) => DRAW * f64::from(self.study.inundation.realisations) * axis.len as f64 / 360.0,
            None => 0.0,
        };
        let computing = self.climate_months() as f64 * CLIMATE * cases
            + wet_cells * (FIT + (ANSWER + draws) * cases)
            + cells * (SCORE * (cases + 1.0) + WRITE * (13.0 + 6.0 * cases));
        let past = self.study.over_time_years.map_or(0, |_| self.years_of_the_past()) as f64;
        let costs =
            variants(&self.study) * (wet_cells * (ANSWER + draws) + cells * SCORE) + past * cells * SCORE;
        let computing = computing + costs;
        Ok(FIXED + (reading + computing) / rayon::current_num_threads() as f64)
    }
}
