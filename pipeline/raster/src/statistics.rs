//! Statistics of a band, in an order that never changes.

use crate::error::RasterError;
use crate::grid::Grid;
use crate::scratch::Scratch;
use crate::window::Window;

/// Statistics of the cells with data.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Statistics {
    /// Number of cells with data.
    pub count: u64,
    /// Least value.
    pub min: f64,
    /// Greatest value.
    pub max: f64,
    /// Mean.
    pub mean: f64,
    /// Standard deviation of the population.
    pub stddev: f64,
    /// Cells with data, percent of all.
    pub valid_percent: f64,
}

/// Of a float layer; NaN is no data. `None` if there is none.
///
/// Each row is summed in two passes and joined to those above by the update of Chan, Golub and
/// LeVeque (1983, The American Statistician 37:242-247), which keeps digits where a plain sum of
/// squares loses them.
pub(crate) fn of_floats(cells: &Scratch<f32>, grid: &Grid) -> Result<Option<Statistics>, RasterError> {
    let mut all = Moments::default();
    for row in 0..grid.rows {
        let row = cells.read(&Window { row, col: 0, rows: 1, cols: grid.cols })?;
        all.join(Moments::of_row(&row));
    }
    Ok(all.finish(grid.len()))
}

/// Of a class layer without the code for no data. `None` if nothing else is there.
pub(crate) fn of_classes(
    cells: &Scratch<u8>,
    grid: &Grid,
    no_data: Option<u8>,
) -> Result<Option<Statistics>, RasterError> {
    let mut counts = [0u64; 256];
    for row in 0..grid.rows {
        for cell in cells.read(&Window { row, col: 0, rows: 1, cols: grid.cols })? {
            counts[usize::from(cell)] += 1;
        }
    }
    if let Some(no_data) = no_data {
        counts[usize::from(no_data)] = 0;
    }
    let mut all = Moments::default();
    for (code, &count) in counts.iter().enumerate().filter(|(_, count)| **count > 0) {
        let value = code as f64;
        all.join(Moments { count: count as f64, mean: value, squares: 0.0, min: value, max: value });
    }
    Ok(all.finish(grid.len()))
}

struct Moments {
    count: f64,
    mean: f64,
    /// Sum of squared differences from the mean.
    squares: f64,
    min: f64,
    max: f64,
}

impl Default for Moments {
    fn default() -> Self {
        Self { count: 0.0, mean: 0.0, squares: 0.0, min: f64::INFINITY, max: f64::NEG_INFINITY }
    }
}

impl Moments {
    fn of_row(row: &[f32]) -> Self {
        let mut out = Self::default();
        let valid = || row.iter().filter(|cell| !cell.is_nan()).map(|&cell| f64::from(cell));
        let mut sum = 0.0;
        for value in valid() {
            out.count += 1.0;
            sum += value;
            out.min = out.min.min(value);
            out.max = out.max.max(value);
        }
        if out.count > 0.0 {
            out.mean = sum / out.count;
            out.squares = valid().map(|value| (value - out.mean).powi(2)).sum();
        }
        out
    }

    fn join(&mut self, other: Self) {
        if other.count == 0.0 {
            return;
        }
        let count = self.count + other.count;
        let apart = other.mean - self.mean;
        self.mean += apart * other.count / count;
        self.squares += other.squares + apart * apart * self.count * other.count / count;
        self.count = count;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
    }

    fn finish(self, cells: usize) -> Option<Statistics> {
        (self.count > 0.0).then(|| Statistics {
            count: self.count as u64,
            min: self.min,
            max: self.max,
            mean: self.mean,
            stddev: (self.squares / self.count).sqrt(),
            valid_percent: 100.0 * self.count / cells as f64,
        })
    }
}
