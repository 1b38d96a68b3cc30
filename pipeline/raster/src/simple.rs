//! Small GeoTIFF files from cells in memory: inputs of the demonstration and of tests.

use std::path::Path;

use gdal::raster::{Buffer, GdalType, RasterCreationOptions};
use gdal::{Dataset, DriverManager};

use crate::error::RasterError;
use crate::ffi;
use crate::grid::Grid;
use crate::part::Part;
use crate::window::Window;

/// Writes one band of bytes, `cells` row-major over the whole grid, DEFLATE-compressed.
///
/// # Errors
/// The number of cells is not that of the grid, or writing fails.
pub fn write_bytes(path: &Path, grid: &Grid, cells: &[u8], no_data: Option<u8>) -> Result<(), RasterError> {
    write_byte_bands(path, grid, &[cells], no_data)
}

/// Writes several bands of bytes, each row-major over the whole grid.
///
/// # Errors
/// As [`write_bytes`].
pub fn write_byte_bands(
    path: &Path,
    grid: &Grid,
    bands: &[&[u8]],
    no_data: Option<u8>,
) -> Result<(), RasterError> {
    write(path, grid, bands, no_data.map(f64::from), "1")
}

/// Writes one band of 32-bit floats, `cells` row-major over the whole grid, DEFLATE-compressed.
/// Cells without data must hold `no_data` (NaN if that is what it is).
///
/// # Errors
/// As [`write_bytes`].
pub fn write_floats(
    path: &Path,
    grid: &Grid,
    cells: &[f32],
    no_data: Option<f32>,
) -> Result<(), RasterError> {
    write_float_bands(path, grid, &[cells], no_data)
}

/// Writes several bands of 32-bit floats, each row-major over the whole grid.
///
/// # Errors
/// As [`write_bytes`].
pub fn write_float_bands(
    path: &Path,
    grid: &Grid,
    bands: &[&[f32]],
    no_data: Option<f32>,
) -> Result<(), RasterError> {
    write(path, grid, bands, no_data.map(f64::from), "3")
}

fn write<T: GdalType + Copy>(
    path: &Path,
    grid: &Grid,
    bands: &[&[T]],
    no_data: Option<f64>,
    predictor: &str,
) -> Result<(), RasterError> {
    if bands.is_empty() || bands.iter().any(|cells| cells.len() != grid.len()) {
        return Err(RasterError::Size(format!(
            "{}: {} bands of {:?} cells for a grid of {} rows and {} columns",
            path.display(),
            bands.len(),
            bands.iter().map(|cells| cells.len()).collect::<Vec<_>>(),
            grid.rows,
            grid.cols
        )));
    }
    crate::quiet();
    let part = Part::new(path)?;
    let mut dataset = create::<T>(part.path(), grid, bands.len(), predictor)
        .map_err(|error| RasterError::write(path, &error))?;
    fill(&mut dataset, grid, bands, no_data).map_err(|error| RasterError::write(path, &error))?;
    ffi::forget_error();
    drop(dataset);
    if let Some(said) = ffi::last_failure() {
        return Err(RasterError::Write { path: path.to_path_buf(), said });
    }
    part.finish()
}

/// An empty GeoTIFF of a grid, bands after each other.
pub(crate) fn create<T: GdalType>(
    path: &Path,
    grid: &Grid,
    bands: usize,
    predictor: &str,
) -> gdal::errors::Result<Dataset> {
    let mut options = RasterCreationOptions::new();
    options.set_name_value("COMPRESS", "DEFLATE")?;
    options.set_name_value("PREDICTOR", predictor)?;
    options.set_name_value("INTERLEAVE", "BAND")?;
    if grid.rows > 512 || grid.cols > 512 {
        options.set_name_value("TILED", "YES")?;
    }
    let driver = DriverManager::get_driver_by_name("GTiff")?;
    driver.create_with_band_type_with_options::<T, _>(path, grid.cols, grid.rows, bands, &options)
}

/// Says where the cells of a grid lie.
pub(crate) fn describe(dataset: &mut Dataset, grid: &Grid) -> gdal::errors::Result<()> {
    dataset.set_geo_transform(&grid.geo_transform(&Window::whole(grid)))?;
    let reference =
        grid.crs.reference().map_err(|error| gdal::errors::GdalError::BadArgument(error.to_string()))?;
    dataset.set_spatial_ref(&reference)
}

fn fill<T: GdalType + Copy>(
    dataset: &mut Dataset,
    grid: &Grid,
    bands: &[&[T]],
    no_data: Option<f64>,
) -> gdal::errors::Result<()> {
    describe(dataset, grid)?;
    for (index, cells) in bands.iter().enumerate() {
        let mut band = dataset.rasterband(index + 1)?;
        if no_data.is_some() {
            band.set_no_data_value(no_data)?;
        }
        let mut buffer = Buffer::new((grid.cols, grid.rows), cells.to_vec());
        band.write((0, 0), (grid.cols, grid.rows), &mut buffer)?;
    }
    Ok(())
}
