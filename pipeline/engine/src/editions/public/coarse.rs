//! The cells of a public edition, and which cells of the run lie in each.

use crate::editions::kept::KeptRun;
use crate::error::EngineError;
use crate::stages::bands;
use crate::stages::suitability::Reason;
use lentic_raster::{Grid, RasterSource, Window, read_aligned_bytes};

/// Least share of a public cell that must lie inside the study area, and of that part that must be assessed (ours): a sliver at the edge
/// would tell of itself alone.
const LEAST: f64 = 0.5;

/// A coarse grid over that of a run. A cell of the run belongs to the public cell that holds its centre.
pub struct Coarse {
    /// The public grid: its edges are whole multiples of its cells from the origin of the reference system, so that it tells nothing
    /// of where the study area begins but by whole cells.
    pub grid: Grid,
    rows: Vec<usize>,
    cols: Vec<usize>,
    /// By public cell, cells of the run inside the study area.
    inside: Vec<u32>,
    /// Those of them that are assessed.
    pub assessed: Vec<u32>,
    whole: f64,
}

impl Coarse {
    /// The public grid of a run with cells of `cell_m` metres.
    ///
    /// # Errors
    /// The raster of reasons cannot be read.
    pub fn new(kept: &KeptRun, cell_m: f64) -> Result<Self, EngineError> {
        let fine = &kept.grid;
        let grid = Grid::covering(fine.crs.clone(), fine.bounds(), cell_m)?;
        let middle = |at: usize| (at as f64 + 0.5) * fine.cell_m;
        // a centre on an edge belongs to the right or lower cell, as everywhere
        let row = |at: usize| ((grid.top - fine.top + middle(at)) / cell_m).floor().max(0.0) as usize;
        let col = |at: usize| ((fine.left - grid.left + middle(at)) / cell_m).floor().max(0.0) as usize;
        let mut coarse = Coarse {
            rows: (0..fine.rows).map(|at| row(at).min(grid.rows - 1)).collect(),
            cols: (0..fine.cols).map(|at| col(at).min(grid.cols - 1)).collect(),
            inside: vec![0; grid.len()],
            assessed: vec![0; grid.len()],
            whole: (cell_m / fine.cell_m).powi(2),
            grid,
        };
        let reasons = RasterSource::open(&kept.folder.join("rasters/not_assessed.tif"), 1)?;
        for band in bands(fine) {
            let codes = read_aligned_bytes(&reasons, fine, &band, Reason::Outside as u8)?;
            for (cell, code) in codes.into_iter().enumerate() {
                let at = coarse.cell(&band, cell);
                coarse.inside[at] += u32::from(code != Reason::Outside as u8);
                coarse.assessed[at] += u32::from(code == Reason::Assessed as u8);
            }
        }
        Ok(coarse)
    }

    /// The public cell of a cell of a band of whole rows.
    pub fn cell(&self, band: &Window, cell: usize) -> usize {
        self.rows[band.row + cell / band.cols] * self.grid.cols + self.cols[cell % band.cols]
    }

    /// Whether a public cell that holds data in so many cells of the run may tell them.
    pub fn tells(&self, at: usize, with_data: u32) -> bool {
        let inside = f64::from(self.inside[at]);
        inside >= LEAST * self.whole && f64::from(with_data) >= LEAST * inside && with_data > 0
    }

    /// Whether any public cell can tell anything.
    pub fn is_empty(&self) -> bool {
        (0..self.grid.len()).all(|at| !self.tells(at, self.inside[at]))
    }
}
