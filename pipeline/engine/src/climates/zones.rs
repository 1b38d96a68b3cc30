//! Zones of a climate: which there are, and how far north each lies.

use crate::error::EngineError;
use crate::layers::{Layers, known};
use lentic_raster::{Grid, Point, tiles};
use lentic_study::settings::Layer;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Cells a side of the tiles zones are looked for in.
const SCAN: usize = 1024;

/// Cells of a zone with the sums of their rows and columns.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Zone {
    cells: u64,
    rows: u64,
    cols: u64,
}

impl Zone {
    /// The mean of the centres of its cells.
    pub fn centroid(&self, grid: &Grid) -> Point {
        let mean = |sum: u64| sum as f64 / self.cells as f64 + 0.5;
        Point { x: grid.left + mean(self.cols) * grid.cell_m, y: grid.top - mean(self.rows) * grid.cell_m }
    }
}

/// The zones on the grid by code.
///
/// # Errors
/// When the layer cannot be read.
pub(super) fn zones(layers: &Layers, layer: &Layer) -> Result<BTreeMap<i32, Zone>, EngineError> {
    let each: Vec<_> = tiles(layers.grid, SCAN)
        .into_par_iter()
        .map(|window| {
            let mut zones: BTreeMap<i32, Zone> = BTreeMap::new();
            for (cell, code) in layers.codes(layer, window)?.into_iter().enumerate() {
                let Some(code) = known(code) else { continue };
                let zone = zones.entry(code).or_default();
                zone.cells += 1;
                zone.rows += (window.row + cell / window.cols) as u64;
                zone.cols += (window.col + cell % window.cols) as u64;
            }
            Ok::<_, EngineError>(zones)
        })
        .collect();
    let mut all: BTreeMap<i32, Zone> = BTreeMap::new();
    for tile in each {
        for (code, part) in tile? {
            let zone = all.entry(code).or_default();
            zone.cells += part.cells;
            zone.rows += part.rows;
            zone.cols += part.cols;
        }
    }
    Ok(all)
}
