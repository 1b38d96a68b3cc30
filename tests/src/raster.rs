//! Rasters as the `gdal` crate reads them, past the project's own reader.

use gdal::Dataset;
use std::path::Path;

/// Cells of one band; no data is NaN.
pub struct Raster {
    /// Row-major.
    pub cells: Vec<f64>,
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub cols: usize,
    /// Left, cell width, 0, top, 0, minus cell height.
    pub place: [f64; 6],
}

impl Raster {
    /// Reads a band, from 1.
    #[track_caller]
    pub fn read(path: &Path, band: usize) -> Raster {
        let dataset = Dataset::open(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let band = dataset.rasterband(band).unwrap();
        let no_data = band.no_data_value();
        let buffer = band.read_band_as::<f64>().unwrap();
        let (cols, rows) = buffer.shape();
        let known = |v: &f64| if Some(*v) == no_data { f64::NAN } else { *v };
        let cells = buffer.data().iter().map(known).collect();
        Raster { cells, rows, cols, place: dataset.geo_transform().unwrap() }
    }

    /// The cells that lie under another raster of the same cell size; it must lie within this one on whole cells.
    #[track_caller]
    pub fn under(&self, other: &Raster) -> Vec<f64> {
        let side = self.place[1];
        assert_eq!(side, other.place[1], "cell sides differ");
        let (right, down) =
            ((other.place[0] - self.place[0]) / side, (self.place[3] - other.place[3]) / side);
        assert!(right >= 0.0 && down >= 0.0 && right.fract() == 0.0 && down.fract() == 0.0);
        let (right, down) = (right as usize, down as usize);
        assert!(right + other.cols <= self.cols && down + other.rows <= self.rows);
        let row = |row: usize| {
            let start = (down + row) * self.cols + right;
            &self.cells[start..start + other.cols]
        };
        (0..other.rows).flat_map(|r| row(r).iter().copied()).collect()
    }
}

/// Root mean square difference over the cells marked; NaN where one of them is not known.
pub fn rmse(a: &[f64], b: &[f64], over: &[bool]) -> f64 {
    assert!(a.len() == b.len() && a.len() == over.len() && over.contains(&true));
    let squares = a.iter().zip(b).zip(over).filter(|(_, on)| **on).map(|((a, b), _)| (a - b).powi(2));
    (squares.sum::<f64>() / over.iter().filter(|on| **on).count() as f64).sqrt()
}
