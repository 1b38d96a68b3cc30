//! Which cell of a coarse raster the centre of each grid cell lies in, and its value as it stands in the file.
#![allow(clippy::unwrap_used)]

mod common;

use common::{Raster, Sequence, assert_near, grid, grid_in};
use lentic_raster::{
    Cell, Grid, RasterSource, Window, read_aligned_class, read_own_cells, source_cells, tiles,
};

const LAEA: &str = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m";

/// A raster whose codes tell row and column: 100 row + col.
fn codes(
    folder: &tempfile::TempDir,
    crs: &str,
    left: f64,
    top: f64,
    side: f64,
    count: usize,
) -> RasterSource {
    let cells: Vec<i32> =
        (0..count * count).map(|cell| (100 * (cell / count) + cell % count) as i32).collect();
    let mut raster = Raster::square(left, top, side, count, &cells);
    raster.crs = crs;
    RasterSource::open(&raster.write(folder.path(), "codes.tif"), 1).unwrap()
}

/// The cell found is the one whose code the nearest rule gives, on whole grids and on tiles of them alike.
fn agrees(source: &RasterSource, grid: &Grid) -> Vec<Option<Cell>> {
    let whole = Window::whole(grid);
    let found = source_cells(source, grid, &whole).unwrap();
    let expected = read_aligned_class(source, grid, &whole).unwrap();
    for (cell, code) in found.iter().zip(&expected) {
        let told = cell.map_or(lentic_raster::NO_CLASS, |cell| (100 * cell.row + cell.col) as i32);
        assert_eq!(told, *code);
    }
    for window in tiles(grid, 7) {
        let part = source_cells(source, grid, &window).unwrap();
        for (at, cell) in part.into_iter().enumerate() {
            let (row, col) = (window.row + at / window.cols, window.col + at % window.cols);
            assert_eq!(cell, found[row * grid.cols + col]);
        }
    }
    found
}

#[test]
fn coarse_cells_of_the_same_system() {
    let folder = tempfile::tempdir().unwrap();
    // centres at 50 lie on an edge and belong to the right or lower cell
    let source = codes(&folder, "EPSG:6933", 0.0, 1000.0, 50.0, 10);
    let found = agrees(&source, &grid(-40.0, 1040.0, 20.0, 30, 40));
    assert_eq!(found[0], None);
    assert_eq!(found.iter().flatten().count(), 25 * 25);
    let edge =
        source_cells(&source, &grid(40.0, 1000.0, 20.0, 1, 1), &Window { row: 0, col: 0, rows: 1, cols: 1 });
    assert_eq!(edge.unwrap(), [Some(Cell { row: 0, col: 1 })]);
}

#[test]
fn coarse_cells_of_another_system() {
    let folder = tempfile::tempdir().unwrap();
    let source = codes(&folder, "EPSG:4326", -18.1, -30.95, 0.02, 10);
    let found = agrees(&source, &grid_in(LAEA, -9000.0, 9000.0, 600.0, 30, 30));
    assert!(found.iter().flatten().count() > 500 && found.contains(&None));
}

/// A raster finer than the grid: the cell at the centre, where the majority would be another.
#[test]
fn finer_cells() {
    let folder = tempfile::tempdir().unwrap();
    let source = codes(&folder, "EPSG:6933", 0.0, 90.0, 10.0, 9);
    let found =
        source_cells(&source, &grid(0.0, 90.0, 30.0, 3, 3), &Window { row: 0, col: 0, rows: 3, cols: 3 });
    let rows: Vec<usize> = found.unwrap().iter().map(|cell| cell.unwrap().row).collect();
    assert_eq!(rows, [1, 1, 1, 4, 4, 4, 7, 7, 7]);
}

#[test]
fn own_cells_are_scaled_and_know_no_data() {
    let folder = tempfile::tempdir().unwrap();
    let mut draw = Sequence(5);
    let cells: Vec<f32> =
        (0..24).map(|at| if at == 9 { -9999.0 } else { (100.0 * draw.next()) as f32 }).collect();
    let raster = Raster::square(0.0, 100.0, 25.0, 6, &cells).no_data(-9999.0);
    let source = RasterSource::open(&raster.write(folder.path(), "own.tif"), 1).unwrap();
    let window = Window { row: 1, col: 2, rows: 2, cols: 3 };
    let plain = read_own_cells(&source, &window).unwrap();
    for (at, value) in plain.iter().enumerate() {
        let own = cells[(1 + at / 3) * 6 + 2 + at % 3];
        assert!(if own < 0.0 { value.is_nan() } else { *value == own }, "{value} {own}");
    }
    let scaled = read_own_cells(&source.clone().with_scale(0.1), &window).unwrap();
    let expected: Vec<f32> = plain.iter().map(|value| 0.1 * value).collect();
    assert_near(&scaled, &expected, 1e-5);
    let beyond = Window { row: 3, col: 0, rows: 2, cols: 1 };
    assert!(read_own_cells(&source, &beyond).unwrap_err().to_string().contains("leaves the raster"));
}
