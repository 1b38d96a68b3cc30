//! Resampling between two reference systems, against pyproj, numpy and scipy (tests/reference.py).
#![allow(clippy::unwrap_used, clippy::excessive_precision)]

mod common;

use std::path::PathBuf;

use common::{Raster, assert_near, grid_in};
use lentic_raster::{
    Grid, NO_CLASS, RasterSource, Resample, Window, read_aligned_class, read_aligned_f32, tiles,
};

const LAEA: &str = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m";

/// 60 x 60 cells of a hundredth of a degree; a cell's value from its row and column.
fn degrees<T: gdal::raster::GdalType + Copy>(
    folder: &tempfile::TempDir,
    value: impl Fn(usize, usize) -> T,
) -> PathBuf {
    let cells: Vec<T> = (0..3600).map(|cell| value(cell / 60, cell % 60)).collect();
    let mut raster = Raster::square(-18.3, -30.7, 0.01, 60, &cells);
    raster.crs = "EPSG:4326";
    raster.write(folder.path(), "degrees.tif")
}

/// Cells about the origin of the projection.
fn centred(cell: f64, count: usize) -> Grid {
    let half = 0.5 * cell * count as f64;
    grid_in(LAEA, -half, half, cell, count, count)
}

fn root(row: usize, col: usize) -> f32 {
    ((100 * row + col) as f32).sqrt()
}

#[test]
fn nearest() {
    let folder = tempfile::tempdir().unwrap();
    let source = RasterSource::open(&degrees(&folder, |row, col| (100 * row + col) as i32), 1).unwrap();
    let grid = centred(700.0, 6);
    #[rustfmt::skip]
    let expected = [
        2828, 2828, 2829, 2830, 2831, 2831,
        2928, 2928, 2929, 2930, 2931, 2931,
        2928, 2928, 2929, 2930, 2931, 2931,
        3028, 3028, 3029, 3030, 3031, 3031,
        3028, 3028, 3029, 3030, 3031, 3031,
        3128, 3128, 3129, 3130, 3131, 3131,
    ];
    let found = read_aligned_class(&source, &grid, &Window::whole(&grid)).unwrap();
    assert_eq!(found, expected);
}

#[test]
fn bilinear() {
    let folder = tempfile::tempdir().unwrap();
    let source = RasterSource::open(&degrees(&folder, root), 1).unwrap();
    let grid = centred(700.0, 6);
    #[rustfmt::skip]
    let expected = [
        53.101283, 53.108261, 53.1152  , 53.122098, 53.128956, 53.135774,
        53.691097, 53.697999, 53.704862, 53.711686, 53.718469, 53.725214,
        54.276697, 54.283524, 54.290313, 54.297063, 54.303774, 54.310446,
        54.855235, 54.861992, 54.86871 , 54.875389, 54.88203 , 54.888632,
        55.427064, 55.433752, 55.440401, 55.447012, 55.453585, 55.460119,
        55.995005, 56.001624, 56.008206, 56.01475 , 56.021256, 56.027725,
    ];
    let window = Window::whole(&grid);
    let found = read_aligned_f32(&source, &grid, &window, Resample::Continuous).unwrap();
    // The reference works in 64 bits, the file holds 32.
    assert_near(&found, &expected, 2e-5);
}

#[test]
fn mean() {
    let folder = tempfile::tempdir().unwrap();
    let source = RasterSource::open(&degrees(&folder, root), 1).unwrap();
    let grid = centred(3000.0, 4);
    let window = Window::whole(&grid);
    let found = read_aligned_f32(&source, &grid, &window, Resample::Continuous).unwrap();
    // The same 6 x 6 points, each carried over by itself.
    #[rustfmt::skip]
    let points = [
        50.73404, 50.76525, 50.7948 , 50.82597,
        53.14361, 53.1734 , 53.20161, 53.23137,
        55.89544, 55.92376, 55.95058, 55.97888,
        58.08747, 58.11472, 58.14054, 58.16777,
    ];
    assert_near(&found, &points, 1e-5);
    // The area as such. At the upper and lower edge up to half a sampling step, a twelfth of the side,
    // goes to the wrong row of source cells, whose value is 1.3 from the mean: 0.22 at most.
    #[rustfmt::skip]
    let area = [
        50.67325, 50.70665, 50.73801, 50.7664 ,
        53.24686, 53.2763 , 53.30614, 53.33554,
        55.79677, 55.82486, 55.85334, 55.8814 ,
        58.13956, 58.16651, 58.19385, 58.22078,
    ];
    assert_near(&found, &area, 0.22);
}

#[test]
fn majority() {
    let folder = tempfile::tempdir().unwrap();
    let path = degrees(&folder, |row, col| ((row / 4 + col / 5) % 3) as u8);
    let grid = centred(3000.0, 4);
    let source = RasterSource::open(&path, 1).unwrap();
    let found = read_aligned_class(&source, &grid, &Window::whole(&grid)).unwrap();
    // From the same 6 x 6 points; two of them are ties, which go to the lowest code. By area (200 x 200
    // points) the same, but for those two, where 2 leads by 2 %.
    assert_eq!(found, [2, 2, 0, 0, 0, 0, 1, 1, 0, 0, 1, 1, 1, 1, 2, 2]);
}

#[test]
fn tiles_give_the_same_bits() {
    let folder = tempfile::tempdir().unwrap();
    let source = RasterSource::open(&degrees(&folder, root), 1).unwrap();
    for (cell, count) in [(700.0, 20), (3000.0, 25)] {
        let grid = centred(cell, count);
        let all = Window::whole(&grid);
        for how in [Resample::Continuous, Resample::Barrier] {
            let whole = read_aligned_f32(&source, &grid, &all, how).unwrap();
            for tile in tiles(&grid, 7) {
                let part = read_aligned_f32(&source, &grid, &tile, how).unwrap();
                let same = all.crop(&tile, &whole).unwrap();
                assert!(part.iter().zip(&same).all(|(a, b)| a.to_bits() == b.to_bits()));
            }
        }
        // The larger grid leaves the raster: its corner has no data, its centre has.
        let corner = read_aligned_f32(&source, &grid, &all, Resample::Continuous).unwrap();
        assert_eq!(corner[0].is_nan(), cell == 3000.0);
        assert!(corner[count * count / 2].is_finite());
    }
}

#[test]
fn a_thin_barrier_is_not_lost() {
    // One column of source cells, 0.01 degree wide (about 954 m here), crossing grid cells of 3 km.
    let folder = tempfile::tempdir().unwrap();
    let path = degrees(&folder, |_, col| f32::from(u8::from(col == 29)));
    let source = RasterSource::open(&path, 1).unwrap();
    let grid = centred(3000.0, 4);
    let found = read_aligned_f32(&source, &grid, &Window::whole(&grid), Resample::Barrier).unwrap();
    // 29 lies between -954 m and 0: in the second column alone. Away from the centre row meridians
    // lean towards it, so at the bottom (further from the equator) they stay inside, and at the top its
    // right edge is the meridian of the origin itself, which is straight.
    for row in found.chunks(4) {
        assert_near(row, &[0.0, 1.0, 0.0, 0.0], 0.0);
    }
    // Resistance spreads to every cell it touches.
    let grid = centred(700.0, 4);
    let found = read_aligned_f32(&source, &grid, &Window::whole(&grid), Resample::Barrier).unwrap();
    for row in found.chunks(4) {
        assert_near(row, &[1.0, 1.0, 0.0, 0.0], 0.0);
    }
}

#[test]
fn longitudes_from_0_to_360_are_the_same_place() {
    let folder = tempfile::tempdir().unwrap();
    let cells: Vec<i32> = (0..3600).map(|cell| 100 * (cell / 60) + cell % 60).collect();
    let mut raster = Raster::square(341.7, -30.7, 0.01, 60, &cells);
    raster.crs = "EPSG:4326";
    let turned = RasterSource::open(&raster.write(folder.path(), "turned.tif"), 1).unwrap();
    let plain = RasterSource::open(&degrees(&folder, |row, col| (100 * row + col) as i32), 1).unwrap();
    let grid = centred(700.0, 6);
    let window = Window::whole(&grid);
    let found = read_aligned_class(&turned, &grid, &window).unwrap();
    assert!(!found.contains(&NO_CLASS));
    assert_eq!(found, read_aligned_class(&plain, &grid, &window).unwrap());
}

#[test]
fn two_writings_of_one_system_are_one() {
    // A file in UTM by its code, a grid by its PROJ string: read cell by cell, not resampled.
    let folder = tempfile::tempdir().unwrap();
    let cells: Vec<f32> = (0..100).map(|cell| cell as f32).collect();
    let mut raster = Raster::square(500_000.0, 4_400_000.0, 30.0, 10, &cells);
    raster.crs = "EPSG:32618";
    let source = RasterSource::open(&raster.write(folder.path(), "a.tif"), 1).unwrap();
    let utm = "+proj=utm +zone=18 +datum=WGS84 +units=m";
    let grid = grid_in(utm, 500_000.0, 4_400_000.0, 30.0, 10, 10);
    let window = Window::whole(&grid);
    assert_near(&read_aligned_f32(&source, &grid, &window, Resample::Continuous).unwrap(), &cells, 0.0);
}
