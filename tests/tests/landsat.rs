//! A real scene: Landsat 7, six bands of 349 x 352 cells of 28.5 m, which Debian's r-cran-stars
//! carries. Bands come through the project's reader, water indices and Otsu's threshold through its numerics; numpy and
//! scikit-image say what they must be (tests/reference/landsat.py).

use lentic_numerics::otsu::{normalised_difference, otsu_values};
use lentic_raster::{Bounds, Grid, RasterSource, Resample, Window, read_aligned_f32};
use lentic_tests::outside::python_json;
use serde_json::Value;
use std::path::PathBuf;
use std::process::Command;
use std::sync::LazyLock;

const GREEN: usize = 2;
const NEAR_INFRARED: usize = 4;
const SHORT_WAVE: usize = 5;

static SCENE: LazyLock<PathBuf> = LazyLock::new(|| {
    let listed = Command::new("dpkg").args(["-L", "r-cran-stars"]).output();
    let files = listed.map(|output| String::from_utf8_lossy(&output.stdout).into_owned()).unwrap_or_default();
    let found = files.lines().find(|line| line.ends_with("/L7_ETMs.tif")).map(PathBuf::from);
    found.filter(|path| path.is_file()).expect(
        "the scene L7_ETMs.tif of the Debian package r-cran-stars is missing; `make test` installs it \
         (elsewhere: apt-get install r-cran-stars)",
    )
});

static EXPECTED: LazyLock<Value> = LazyLock::new(|| python_json("landsat.py", &SCENE));

/// Cells of a band on a grid, tile by tile as a run reads them; none may be missing.
fn band(grid: &Grid, number: usize) -> Vec<f64> {
    let source = RasterSource::open(&SCENE, number).unwrap();
    let mut cells = vec![f64::NAN; grid.len()];
    for window in lentic_raster::tiles(grid, 100) {
        let tile = read_aligned_f32(&source, grid, &window, Resample::Continuous).unwrap();
        for (row, line) in tile.chunks(window.cols).enumerate() {
            let start = (window.row + row) * grid.cols + window.col;
            for (cell, value) in cells[start..].iter_mut().zip(line) {
                *cell = f64::from(*value);
            }
        }
    }
    assert_eq!(cells.iter().filter(|c| c.is_nan()).count(), 0, "band {number} has holes");
    let whole = read_aligned_f32(&source, grid, &Window::whole(grid), Resample::Continuous).unwrap();
    assert!(
        cells.iter().zip(&whole).all(|(tiled, whole)| *tiled == f64::from(*whole)),
        "tiles change band {number}"
    );
    cells
}

#[track_caller]
fn near(what: &str, found: f64, expected: &Value, tolerance: f64) {
    let expected = expected.as_f64().unwrap();
    assert!((found - expected).abs() <= tolerance, "{what}: {found}, expected {expected} within {tolerance}");
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Compares means, thresholds and wet shares on a grid.
#[track_caller]
fn same_water(grid: &Grid, expected: &Value) {
    assert_eq!(
        (grid.rows as u64, grid.cols as u64),
        (expected["rows"].as_u64().unwrap(), expected["cols"].as_u64().unwrap())
    );
    let green = band(grid, GREEN);
    near("green", mean(&green), &expected["band_means"]["2"], 1e-6);
    for (name, other) in [("ndwi", NEAR_INFRARED), ("mndwi", SHORT_WAVE)] {
        let expected = &expected[name];
        let other = band(grid, other);
        let index: Vec<f64> = green.iter().zip(&other).map(|(a, b)| normalised_difference(*a, *b)).collect();
        near(name, mean(&index), &expected["mean"], 1e-7);
        let split = otsu_values(&index).unwrap();
        near(&format!("threshold of {name}"), split.value, &expected["threshold"], 1e-7);
        let share = |limit: f64| index.iter().filter(|v| **v > limit).count() as f64 / index.len() as f64;
        near(
            &format!("share of {name} above the threshold"),
            share(split.value),
            &expected["wet_share"],
            1e-9,
        );
        near(&format!("share of {name} above 0"), share(0.0), &expected["above_zero"], 1e-9);
    }
}

#[test]
fn water_on_the_scenes_own_cells() {
    let place = &EXPECTED["place"];
    let [left, top, side] = ["left", "top", "side"].map(|key| place[key].as_f64().unwrap());
    let source = RasterSource::open(&SCENE, 1).unwrap();
    let info = source.info();
    assert_eq!([info.geo_transform[0], info.geo_transform[3], info.geo_transform[1]], [left, top, side]);
    let bounds = info.bounds();
    let grid = Grid::from_bounds(source.crs().clone(), bounds, side).unwrap();
    same_water(&grid, &EXPECTED["own"]);
}

/// Averaged by area onto cells that cut through those of the scene.
#[test]
fn water_on_cells_of_60_metres() {
    let source = RasterSource::open(&SCENE, 1).unwrap();
    let (left, top) = (source.info().geo_transform[0], source.info().geo_transform[3]);
    let expected = &EXPECTED["wide"];
    let [rows, cols] = ["rows", "cols"].map(|key| expected[key].as_f64().unwrap());
    let bounds = Bounds { left, bottom: top - 60.0 * rows, right: left + 60.0 * cols, top };
    let grid = Grid::from_bounds(source.crs().clone(), bounds, 60.0).unwrap();
    same_water(&grid, expected);
}
