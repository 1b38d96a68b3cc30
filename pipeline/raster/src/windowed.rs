//! GeoTIFF files larger than memory, filled window by window.

use std::path::Path;

use gdal::Dataset;
use gdal::raster::{Buffer, GdalDataType, GdalType};

use crate::error::RasterError;
use crate::ffi;
use crate::grid::Grid;
use crate::part::Part;
use crate::simple::{create, describe};
use crate::window::Window;

/// Rows of a window: those of a block of a tiled GeoTIFF.
const ROWS: usize = 256;

/// Writes a GeoTIFF of any size, DEFLATE-compressed, tiled where the grid is larger than 512 cells a side. `fill` is asked for
/// each band (from 0) of each window, a strip of the grid over its whole width, from top to bottom, and puts its cells, row-major,
/// into the slice, which is as long as the window has cells. Two strips are held at a time, whatever the size of the grid.
///
/// # Errors
/// No band, or writing fails.
pub fn write_windows<T: GdalType + Copy + Default>(
    path: &Path,
    grid: &Grid,
    bands: usize,
    no_data: Option<f64>,
    fill: &mut dyn FnMut(usize, &Window, &mut [T]),
) -> Result<(), RasterError> {
    if bands == 0 {
        return Err(RasterError::Size(format!("{}: no band to write", path.display())));
    }
    crate::quiet();
    let predictor = if T::datatype() == GdalDataType::Float32 { "3" } else { "1" };
    let part = Part::new(path)?;
    let mut dataset =
        create::<T>(part.path(), grid, bands, predictor).map_err(|error| RasterError::write(path, &error))?;
    write(&mut dataset, grid, bands, no_data, fill).map_err(|error| RasterError::write(path, &error))?;
    ffi::forget_error();
    drop(dataset);
    if let Some(said) = ffi::last_failure() {
        return Err(RasterError::Write { path: path.to_path_buf(), said });
    }
    part.finish()
}

fn write<T: GdalType + Copy + Default>(
    dataset: &mut Dataset,
    grid: &Grid,
    bands: usize,
    no_data: Option<f64>,
    fill: &mut dyn FnMut(usize, &Window, &mut [T]),
) -> gdal::errors::Result<()> {
    describe(dataset, grid)?;
    for band in 1..=bands {
        if no_data.is_some() {
            dataset.rasterband(band)?.set_no_data_value(no_data)?;
        }
    }
    for row in (0..grid.rows).step_by(ROWS) {
        let window = Window { row, col: 0, rows: ROWS.min(grid.rows - row), cols: grid.cols };
        for band in 0..bands {
            let mut cells = vec![T::default(); window.len()];
            fill(band, &window, &mut cells);
            let mut buffer = Buffer::new((window.cols, window.rows), cells);
            dataset.rasterband(band + 1)?.write(
                (0, row as isize),
                (window.cols, window.rows),
                &mut buffer,
            )?;
        }
        // so that the order of blocks in the file does not hang on what else the cache of blocks holds
        dataset.flush_cache()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Bounds, Crs, Resample, read_aligned_f32};

    #[test]
    fn windows_come_back_as_they_were_filled() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let bounds = Bounds { left: 0.0, bottom: 0.0, right: 6000.0, top: 7000.0 };
        let grid = Grid::from_bounds(Crs::parse("EPSG:6933").unwrap(), bounds, 10.0).unwrap();
        let value = |band: usize, row: usize, col: usize| ((7 * row + 3 * col + band) % 250) as f32;
        let mut asked = Vec::new();
        write_windows::<f32>(&path, &grid, 2, Some(3.0), &mut |band, window, cells| {
            asked.push((band, window.row, window.rows));
            for (at, cell) in cells.iter_mut().enumerate() {
                *cell = value(band, window.row + at / window.cols, window.col + at % window.cols);
            }
        })
        .unwrap();
        assert_eq!(asked.len(), 6);
        assert_eq!(asked.last(), Some(&(1, 512, 188)));
        let whole = Window::whole(&grid);
        for band in 0..2 {
            let source = crate::RasterSource::open(&path, band + 1).unwrap();
            let read = read_aligned_f32(&source, &grid, &whole, Resample::Continuous).unwrap();
            for (at, found) in read.iter().enumerate() {
                let expected = value(band, at / grid.cols, at % grid.cols);
                assert!(*found == expected || (expected == 3.0 && found.is_nan()), "{at}: {found}");
            }
        }
    }
}
