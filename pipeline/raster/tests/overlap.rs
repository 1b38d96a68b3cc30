//! Resampling within one reference system, against slow obvious references and GDAL's own.
#![allow(clippy::unwrap_used)]

mod common;

use common::{Raster, Sequence, assert_near, grid};
use gdal::raster::ResampleAlg;
use lentic_raster::{
    Grid, NO_CLASS, RasterSource, Resample, Window, read_aligned_class, read_aligned_f32, tiles,
};

const NAN: f32 = f32::NAN;

fn floats(cells: &[f32], at: (f64, f64, f64, usize), grid: &Grid, how: Resample) -> Vec<f32> {
    let folder = tempfile::tempdir().unwrap();
    let (left, top, side, cols) = at;
    let path = Raster::square(left, top, side, cols, cells).write(folder.path(), "a.tif");
    let source = RasterSource::open(&path, 1).unwrap();
    let whole = read_aligned_f32(&source, grid, &Window::whole(grid), how).unwrap();
    // Whatever the tiles, the same bits.
    for size in [1, 2, 3] {
        for tile in tiles(grid, size) {
            let part = read_aligned_f32(&source, grid, &tile, how).unwrap();
            let same = Window::whole(grid).crop(&tile, &whole).unwrap();
            let bits = |cells: &[f32]| cells.iter().map(|cell| cell.to_bits()).collect::<Vec<_>>();
            assert_eq!(bits(&part), bits(&same));
        }
    }
    whole
}

fn classes(cells: &[u8], at: (f64, f64, f64, usize), no_data: f64, grid: &Grid) -> Vec<i32> {
    let folder = tempfile::tempdir().unwrap();
    let (left, top, side, cols) = at;
    let raster = Raster::square(left, top, side, cols, cells).no_data(no_data);
    let path = raster.write(folder.path(), "a.tif");
    let source = RasterSource::open(&path, 1).unwrap();
    read_aligned_class(&source, grid, &Window::whole(grid)).unwrap()
}

#[test]
fn the_same_grid_moved_by_whole_cells_is_read_as_it_is() {
    // The file starts one row below and one column left of the grid.
    let cells = [1.0, 2.0, 3.0, 4.0, NAN, 6.0];
    let found = floats(&cells, (-30.0, -30.0, 30.0, 3), &grid(0.0, 0.0, 30.0, 3, 4), Resample::Continuous);
    let expected = [NAN, NAN, NAN, NAN, 2.0, 3.0, NAN, NAN, NAN, 6.0, NAN, NAN];
    assert_near(&found, &expected, 0.0);
}

#[test]
fn off_the_grid_is_no_data() {
    for how in [Resample::Continuous, Resample::Barrier, Resample::Class] {
        for side in [10.0, 30.0, 70.0] {
            let found = floats(&[1.0; 4], (9000.0, 0.0, side, 2), &grid(0.0, 0.0, 30.0, 2, 2), how);
            assert!(found.iter().all(|cell| cell.is_nan()), "{how:?} {side}");
        }
    }
}

#[test]
fn one_cell_from_one_cell() {
    let one = grid(0.0, 0.0, 30.0, 1, 1);
    assert_near(&floats(&[7.0], (0.0, 0.0, 30.0, 1), &one, Resample::Continuous), &[7.0], 0.0);
    // A source cell that covers it from all sides: beyond the last centre the value goes on.
    assert_near(&floats(&[7.0], (-300.0, 300.0, 900.0, 1), &one, Resample::Continuous), &[7.0], 0.0);
    // A finer cell that covers a ninth is not half of it.
    assert!(floats(&[7.0], (0.0, 0.0, 10.0, 1), &one, Resample::Continuous)[0].is_nan());
}

#[test]
fn half_a_cell_off() {
    // Equal cells, moved by half a cell: a value between two by bilinear, the right one by nearest.
    let grid = grid(15.0, 0.0, 30.0, 1, 3);
    let found = floats(&[1.0, 3.0, 7.0], (0.0, 0.0, 30.0, 3), &grid, Resample::Continuous);
    // The last centre lies on the edge of the raster, which still belongs to it.
    assert_near(&found, &[2.0, 5.0, 7.0], 1e-6);
    assert_eq!(classes(&[1, 3, 7], (0.0, 0.0, 30.0, 3), 0.0, &grid), [3, 7, NO_CLASS]);
}

#[test]
fn bilinear_leaves_out_neighbours_without_data() {
    // Source cells of 60 m; the centre of the only grid cell is a quarter of a source cell away from
    // the first centre both ways: weights 9/16, 3/16, 3/16, 1/16.
    let one = grid(30.0, -30.0, 30.0, 1, 1);
    let at = (0.0, 0.0, 60.0, 2);
    let found = |cells: [f32; 4]| floats(&cells, at, &one, Resample::Continuous);
    let all = (9.0 * 1.0 + 3.0 * 2.0 + 3.0 * 5.0 + 11.0) / 16.0;
    assert_near(&found([1.0, 2.0, 5.0, 11.0]), &[all], 1e-6);
    let three = (9.0 * 1.0 + 3.0 * 5.0 + 11.0) / 13.0;
    assert_near(&found([1.0, NAN, 5.0, 11.0]), &[three], 1e-6);
    assert_near(&found([NAN, NAN, NAN, 11.0]), &[11.0], 1e-6);
    assert!(found([NAN; 4])[0].is_nan());
}

#[test]
fn a_mean_needs_half_the_area() {
    // Two by two source cells in each grid cell.
    let pair = grid(0.0, 0.0, 30.0, 1, 2);
    let found =
        floats(&[1.0, NAN, 1.0, NAN, NAN, 4.0, NAN, NAN], (0.0, 0.0, 15.0, 4), &pair, Resample::Continuous);
    assert_near(&found, &[2.5, NAN], 1e-6);
    // Half the cell off the raster, half with data.
    let found = floats(&[3.0; 2], (0.0, 0.0, 15.0, 1), &grid(0.0, 0.0, 30.0, 1, 1), Resample::Continuous);
    assert_near(&found, &[3.0], 0.0);
}

#[test]
fn a_majority_takes_the_lowest_of_equals() {
    let one = grid(0.0, 0.0, 30.0, 1, 1);
    let at = (0.0, 0.0, 15.0, 2);
    assert_eq!(classes(&[9, 4, 4, 9], at, 0.0, &one), [4]);
    assert_eq!(classes(&[9, 4, 9, 9], at, 0.0, &one), [9]);
    // No data does not vote, but too much of it leaves no class.
    assert_eq!(classes(&[0, 0, 4, 9], at, 0.0, &one), [4]);
    assert_eq!(classes(&[0, 0, 0, 9], at, 0.0, &one), [NO_CLASS]);
    // By area, not by count: one of the cells lies to two thirds outside.
    let shifted = grid(20.0, 0.0, 30.0, 1, 1);
    assert_eq!(classes(&[5, 5, 8, 5, 5, 8], (0.0, 0.0, 25.0, 3), 0.0, &shifted), [5]);
}

#[test]
fn a_barrier_is_the_largest_value_that_touches() {
    let pair = grid(0.0, 0.0, 30.0, 1, 2);
    let found =
        floats(&[1.0, 9.0, NAN, 2.0, NAN, NAN, NAN, NAN], (0.0, 0.0, 20.0, 4), &pair, Resample::Barrier);
    assert_near(&found, &[9.0, 9.0], 0.0);
    // Cells that only share an edge do not touch.
    let found = floats(&[1.0, 9.0], (0.0, 0.0, 30.0, 2), &pair, Resample::Barrier);
    assert_near(&found, &[1.0, 9.0], 0.0);
    let found = floats(&[9.0], (-60.0, 0.0, 60.0, 1), &pair, Resample::Barrier);
    assert_near(&found, &[NAN, NAN], 0.0);
}

/// Mean and majority over exact overlaps, cell by cell, by the plainest loops.
#[test]
fn areas_against_a_slow_reference() {
    let mut random = Sequence(20);
    for _ in 0..60 {
        let side = 4.0 + 24.0 * random.next();
        let (cols, rows) = (5 + random.below(20), 5 + random.below(20));
        let (left, top) = (60.0 * random.next() - 40.0, 40.0 - 60.0 * random.next());
        let cells: Vec<f32> = (0..rows * cols)
            .map(|_| if random.next() < 0.3 { NAN } else { random.below(4) as f32 })
            .collect();
        let grid = grid(0.0, 0.0, 30.0, 4, 5);
        let mean = floats(&cells, (left, top, side, cols), &grid, Resample::Continuous);
        let most = floats(&cells, (left, top, side, cols), &grid, Resample::Class);
        let (mut mean_expected, mut most_expected) = (Vec::new(), Vec::new());
        for row in 0..4 {
            for col in 0..5 {
                let (x, y) = (30.0 * col as f64, -30.0 * row as f64);
                let mut shares = [0.0f64; 4];
                for (index, &cell) in cells.iter().enumerate().filter(|(_, cell)| !cell.is_nan()) {
                    let (i, j) = ((index / cols) as f64, (index % cols) as f64);
                    let width = (x + 30.0).min(left + (j + 1.0) * side) - x.max(left + j * side);
                    let height = y.min(top - i * side) - (y - 30.0).max(top - (i + 1.0) * side);
                    shares[cell as usize] += width.max(0.0) * height.max(0.0);
                }
                let valid: f64 = shares.iter().sum();
                if valid < 450.0 {
                    mean_expected.push(NAN);
                    most_expected.push(NAN);
                    continue;
                }
                let sum: f64 = shares.iter().enumerate().map(|(code, share)| code as f64 * share).sum();
                mean_expected.push((sum / valid) as f32);
                let largest = shares.iter().copied().fold(0.0, f64::max);
                most_expected.push(shares.iter().position(|&share| share > largest - 1e-6).unwrap() as f32);
            }
        }
        assert_near(&mean, &mean_expected, 1e-5);
        assert_near(&most, &most_expected, 0.0);
    }
}

/// Where the rules coincide, GDAL's own resampling on reading gives the same numbers.
#[test]
fn against_gdal() {
    let mut random = Sequence(7);
    let folder = tempfile::tempdir().unwrap();
    let cells: Vec<f32> = (0..36 * 36).map(|_| random.next() as f32).collect();
    let raster = Raster::square(0.0, 0.0, 10.0, 36, &cells);
    let dataset = raster.dataset(&folder.path().join("a.tif"));
    let gdal = |size: usize, how: ResampleAlg| {
        let band = dataset.rasterband(1).unwrap();
        let buffer = band.read_as::<f32>((0, 0), (36, 36), (size, size), Some(how)).unwrap();
        buffer.into_shape_and_vec().1
    };
    let ours = |cell: f64, size: usize| {
        floats(&cells, (0.0, 0.0, 10.0, 36), &grid(0.0, 0.0, cell, size, size), Resample::Continuous)
    };
    assert_near(&ours(30.0, 12), &gdal(12, ResampleAlg::Average), 1e-6);
    assert_near(&ours(90.0, 4), &gdal(4, ResampleAlg::Average), 1e-6);
    assert_near(&ours(5.0, 72), &gdal(72, ResampleAlg::Bilinear), 1e-6);
}

/// A window that needs more source cells than are read at once gives the same as small ones.
#[test]
fn large_windows_are_worked_in_parts() {
    let mut random = Sequence(3);
    let cells: Vec<u8> = (0..3000 * 3000).map(|_| random.below(3) as u8).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = Raster::square(0.0, 0.0, 10.0, 3000, &cells).write(folder.path(), "a.tif");
    let source = RasterSource::open(&path, 1).unwrap();
    let grid = grid(3.0, 3.0, 100.0, 300, 300);
    let whole = read_aligned_class(&source, &grid, &Window::whole(&grid)).unwrap();
    for tile in tiles(&grid, 100) {
        let part = read_aligned_class(&source, &grid, &tile).unwrap();
        assert_eq!(Some(part), Window::whole(&grid).crop(&tile, &whole));
    }
}

/// Many threads, more files than one thread keeps open.
#[test]
fn threads_read_the_same() {
    use rayon::prelude::*;
    lentic_raster::keep_open(3);
    let folder = tempfile::tempdir().unwrap();
    let sources: Vec<RasterSource> = (0..8)
        .map(|file| {
            let cells: Vec<u8> = (0..10_000).map(|cell| ((cell * 7 + file) % 11) as u8).collect();
            let path =
                Raster::square(0.0, 0.0, 10.0, 100, &cells).write(folder.path(), &format!("{file}.tif"));
            RasterSource::open(&path, 1).unwrap()
        })
        .collect();
    let grid = grid(5.0, 5.0, 25.0, 40, 40);
    let work: Vec<(usize, Window)> =
        tiles(&grid, 9).into_iter().flat_map(|tile| (0..8).map(move |file| (file, tile))).collect();
    let read = |&(file, tile): &(usize, Window)| read_aligned_class(&sources[file], &grid, &tile).unwrap();
    let alone: Vec<_> = work.iter().map(read).collect();
    let together: Vec<_> = work.par_iter().map(read).collect();
    assert!(alone == together);
    // closed, and opened again when asked for; the thread's own are closed at once
    let opened = || {
        let links = std::fs::read_dir("/proc/self/fd").unwrap().filter_map(Result::ok);
        links.filter(|e| std::fs::read_link(e.path()).is_ok_and(|to| to.starts_with(folder.path()))).count()
    };
    let before = opened();
    lentic_raster::close_opened();
    assert!(opened() < before, "{before} files were open and still are");
    assert!(alone == work.iter().map(read).collect::<Vec<_>>());
}
