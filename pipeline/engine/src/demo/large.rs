//! The basin many times over, side by side, to measure speed on: as many cells as wanted, and in every size the same share of
//! water, the same pools and zones to a cell. Written strip by strip, so that memory does not grow with it.

use super::climate::{BASELINE_START, MONTHS};
use super::files::{CRS, LEGENDS, grid_of, weather};
use super::place::Making;
use super::view::{self, NOT_SEEN};
use super::{Demo, DemoError, DemoSize, DemoSummary, water};
use crate::error::EngineError;
use crate::stop;
use lentic_raster::{Bounds, Grid, Window, write_windows};
use rayon::prelude::*;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

const STUDY: &str = include_str!("text/large.toml");
/// Skies that differ; the basins take them in turn, so that neighbours see other clouds and other errors.
const SKIES: usize = 6;
/// From this many cells on the full basin is repeated, below it the small one.
const FULL_FROM: f64 = 500_000.0;

/// Basins down and across.
struct Layout {
    size: DemoSize,
    down: usize,
    across: usize,
}

impl Layout {
    /// About so many cells, as near to a square of basins as whole basins come.
    fn of(cells: f64) -> Self {
        let size = if cells < FULL_FROM { DemoSize::Small } else { DemoSize::Full };
        let (rows, cols) = size.rows_cols();
        let basins = cells / (rows * cols) as f64;
        let down = basins.sqrt().round().max(1.0);
        let across = (basins / down).round().max(1.0);
        Layout { size, down: down as usize, across: across as usize }
    }

    fn grid(&self) -> Result<Grid, DemoError> {
        let (rows, cols) = self.size.rows_cols();
        grid_of(self.down * rows, self.across * cols)
    }

    /// Fills a strip of the grid, full width, from a row of the basin that stands there.
    fn fill<T: Copy>(
        &self,
        window: &Window,
        cells: &mut [T],
        mut row_of: impl FnMut(usize, usize, &mut [T]),
    ) {
        let (rows, cols) = self.size.rows_cols();
        for (row, line) in cells.chunks_mut(window.cols).enumerate() {
            let row = window.row + row;
            for (across, part) in line.chunks_mut(cols).enumerate() {
                row_of((row / rows) * self.across + across, row % rows, part);
            }
        }
    }
}

/// Writes a basin of about `million_cells` million cells (whole repetitions of Talverra Sink) and its study into `folder`, which
/// must be new or empty, and has it whole or stays as it was: thirty years of water as twelve-band GeoTIFFs, one a year, and the demo's layers but those of 2050.
/// The same numbers give the same bytes. `progress` is told each step in a few words.
///
/// # Errors
/// [`DemoError`] names the folder or file and what went wrong; or somebody asked to stop.
pub fn write_large(
    folder: &Path,
    million_cells: f64,
    seed: u64,
    progress: &(dyn Fn(&str) + Sync),
) -> Result<DemoSummary, EngineError> {
    let making = Making::start(folder, &["layers", "water", "legends"])?;
    let aside = making.aside();
    let layout = Layout::of(1e6 * million_cells);
    let grid = layout.grid()?;
    progress("drawing the basin and thirty years of water");
    let demo = Demo::new(layout.size, seed);
    texts(aside, &grid, &demo)?;
    progress("writing layers");
    stop::unless_asked()?;
    layers(aside, &layout, &grid, &demo)?;
    let years: Vec<usize> = (0..(MONTHS - BASELINE_START) / 12).collect();
    let done = AtomicUsize::new(0);
    let written: Vec<Result<(), EngineError>> = years
        .par_iter()
        .map(|year| {
            stop::unless_asked()?;
            water_year(aside, &layout, &grid, &demo, *year)?;
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            progress(&format!("writing years of water, {done} of {}", years.len()));
            Ok(())
        })
        .collect();
    written.into_iter().collect::<Result<(), _>>()?;
    stop::unless_asked()?;
    making.publish()?;
    Ok(DemoSummary {
        study: folder.join("study.toml"),
        rows: grid.rows,
        cols: grid.cols,
        pools: layout.down * layout.across * demo.terrain.pools.len(),
        masks: 12 * years.len(),
        ever_wet_share: demo.ever_wet_share(),
    })
}

/// Study file, legends and weather.
fn texts(folder: &Path, grid: &Grid, demo: &Demo) -> Result<(), DemoError> {
    let write = |name: &str, text: &str| {
        let path = folder.join(name);
        std::fs::write(&path, text).map_err(|source| DemoError::Write { path, source })
    };
    let Bounds { left, bottom, right, top } = grid.bounds();
    let study = STUDY
        .replace("{crs}", CRS)
        .replace("{seed}", &demo.seed.to_string())
        .replace("{bounds}", &format!("{left:?}, {bottom:?}, {right:?}, {top:?}"));
    write("study.toml", &study)?;
    for (name, text) in LEGENDS {
        write(&format!("legends/{name}"), text)?;
    }
    write("climate.csv", &weather(&demo.climate))
}

/// Every layer but water. A pool has a number of its own in every basin.
fn layers(folder: &Path, layout: &Layout, grid: &Grid, demo: &Demo) -> Result<(), DemoError> {
    let cols = layout.size.rows_cols().1;
    let cover = &demo.cover;
    let bytes: [(&str, &[u8]); 4] = [
        ("wetland_class", &cover.wetland_class),
        ("land_cover", &cover.land_cover),
        ("zones", &cover.zones),
        ("roads", &cover.roads),
    ];
    for (name, source) in bytes {
        let path = folder.join(format!("layers/{name}.tif"));
        write_windows::<u8>(&path, grid, 1, Some(255.0), &mut |_, window, cells| {
            layout.fill(window, cells, |_, row, line| line.copy_from_slice(&source[row * cols..][..cols]));
        })?;
    }
    let depth = water::usual_depth(&demo.terrain, &demo.histories);
    let depth: Vec<f32> = depth.iter().map(|d| (d * 100.0).round() / 100.0).collect();
    for (name, source) in [("ground", &demo.terrain.ground), ("depth", &depth)] {
        let path = folder.join(format!("layers/{name}.tif"));
        write_windows::<f32>(&path, grid, 1, Some(-9999.0), &mut |_, window, cells| {
            layout.fill(window, cells, |_, row, line| line.copy_from_slice(&source[row * cols..][..cols]));
        })?;
    }
    let pools = demo.terrain.pools.len();
    let path = folder.join("layers/pools.tif");
    write_windows::<u32>(&path, grid, 1, Some(0.0), &mut |_, window, cells| {
        layout.fill(window, cells, |basin, row, line| {
            for (cell, id) in line.iter_mut().zip(&demo.terrain.pool[row * cols..]) {
                *cell = if *id == 0 { 0 } else { (basin * pools) as u32 + u32::from(*id) };
            }
        });
    })?;
    Ok(())
}

/// The twelve masks of a year of the baseline (counted from 0).
fn water_year(
    folder: &Path,
    layout: &Layout,
    grid: &Grid,
    demo: &Demo,
    year: usize,
) -> Result<(), DemoError> {
    let cols = layout.size.rows_cols().1;
    let blind = view::blind_months(demo.seed);
    let skies = SKIES.min(layout.down * layout.across);
    let seen = |sky: usize, month: usize| {
        let seed = demo.seed.wrapping_add(sky as u64);
        view::mask(seed, &demo.terrain, &demo.histories, &demo.climate, month, &blind)
    };
    let masks: Vec<Vec<Vec<u8>>> =
        (12 * year..12 * year + 12).map(|month| (0..skies).map(|sky| seen(sky, month)).collect()).collect();
    let name = demo.climate.months[BASELINE_START + 12 * year].year();
    let path = folder.join(format!("water/water_{name}.tif"));
    write_windows::<u8>(&path, grid, 12, Some(f64::from(NOT_SEEN)), &mut |band, window, cells| {
        layout.fill(window, cells, |basin, row, line| {
            line.copy_from_slice(&masks[band][basin % skies][row * cols..][..cols]);
        });
    })?;
    Ok(())
}
