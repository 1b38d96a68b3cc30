//! Small rasters for the tests, written with GDAL directly so that the crate does not check itself.
#![allow(dead_code, clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use gdal::raster::{Buffer, GdalType, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use gdal::{Dataset, DriverManager};
use lentic_raster::{Bounds, Crs, Grid};

/// A raster: place, cells row-major, declared no data.
pub struct Raster<'a, T> {
    pub crs: &'a str,
    pub left: f64,
    pub top: f64,
    pub width_m: f64,
    pub height_m: f64,
    pub cols: usize,
    pub cells: &'a [T],
    pub no_data: Option<f64>,
}

impl<'a, T: GdalType + Copy> Raster<'a, T> {
    /// Square cells in EPSG:6933.
    pub fn square(left: f64, top: f64, side: f64, cols: usize, cells: &'a [T]) -> Self {
        Self { crs: "EPSG:6933", left, top, width_m: side, height_m: side, cols, cells, no_data: None }
    }

    pub fn no_data(mut self, value: f64) -> Self {
        self.no_data = Some(value);
        self
    }

    pub fn dataset(&self, path: &Path) -> Dataset {
        let rows = self.cells.len() / self.cols;
        let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
        let options = RasterCreationOptions::new();
        let mut dataset =
            driver.create_with_band_type_with_options::<T, _>(path, self.cols, rows, 1, &options).unwrap();
        dataset.set_geo_transform(&[self.left, self.width_m, 0.0, self.top, 0.0, -self.height_m]).unwrap();
        if !self.crs.is_empty() {
            dataset.set_spatial_ref(&SpatialRef::from_definition(self.crs).unwrap()).unwrap();
        }
        let mut band = dataset.rasterband(1).unwrap();
        if self.no_data.is_some() {
            band.set_no_data_value(self.no_data).unwrap();
        }
        let mut buffer = Buffer::new((self.cols, rows), self.cells.to_vec());
        band.write((0, 0), (self.cols, rows), &mut buffer).unwrap();
        dataset
    }

    pub fn write(&self, folder: &Path, name: &str) -> PathBuf {
        let path = folder.join(name);
        drop(self.dataset(&path));
        path
    }
}

/// A grid in EPSG:6933 unless another system is given.
pub fn grid(left: f64, top: f64, cell: f64, rows: usize, cols: usize) -> Grid {
    grid_in("EPSG:6933", left, top, cell, rows, cols)
}

pub fn grid_in(crs: &str, left: f64, top: f64, cell: f64, rows: usize, cols: usize) -> Grid {
    let bounds = Bounds { left, bottom: top - rows as f64 * cell, right: left + cols as f64 * cell, top };
    Grid::from_bounds(Crs::parse(crs).unwrap(), bounds, cell).unwrap()
}

/// A repeatable sequence of numbers in 0..1 (the linear congruence of Numerical Recipes, "quick and
/// dirty"; from memory), so that tests need no random crate.
pub struct Sequence(pub u32);

impl Sequence {
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.0 >> 8) / f64::from(1u32 << 24)
    }

    pub fn below(&mut self, limit: usize) -> usize {
        (self.next() * limit as f64) as usize
    }
}

/// Equal, both NaN, or nearer than `tolerance`.
pub fn assert_near(found: &[f32], expected: &[f32], tolerance: f32) {
    assert_eq!(found.len(), expected.len());
    for (index, (a, b)) in found.iter().zip(expected).enumerate() {
        let same = (a.is_nan() && b.is_nan()) || (a - b).abs() <= tolerance;
        assert!(same, "cell {index}: {a}, expected {b}\nfound {found:?}\nexpected {expected:?}");
    }
}
