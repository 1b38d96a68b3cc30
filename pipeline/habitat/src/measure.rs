//! What variables measure, on one block of cells with a margin wide enough for their reach.

use lentic_numerics::{disc, distance};
use ndarray::{Array2, ArrayView2, s};
use std::f64::consts::PI;

/// No class at a cell.
pub const NO_CLASS: i32 = i32::MIN;
/// Room for rounding when a number of cells is turned into metres: three cells of 0.1 m lie within 0.3 m.
const SLACK: f64 = 1.0 + 1e-12;
/// Share of a disc that must be known.
const KNOWN_SHARE: f64 = 0.5;

/// A block of cells and the inner part asked for; all arrays are row-major over the block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Block {
    /// Rows of the block.
    pub rows: usize,
    /// Columns of the block.
    pub cols: usize,
    /// First inner row.
    pub inner_row: usize,
    /// First inner column.
    pub inner_col: usize,
    /// Inner rows.
    pub inner_rows: usize,
    /// Inner columns.
    pub inner_cols: usize,
}

impl Block {
    /// A block that is all inner.
    pub fn whole(rows: usize, cols: usize) -> Self {
        Block { rows, cols, inner_row: 0, inner_col: 0, inner_rows: rows, inner_cols: cols }
    }

    /// Cells of the block.
    pub fn len(&self) -> usize {
        self.rows * self.cols
    }

    /// Whether it holds no cell.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Positions in the block of the inner cells, row by row.
    pub fn inner(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.inner_rows).flat_map(move |r| {
            let start = (self.inner_row + r) * self.cols + self.inner_col;
            start..start + self.inner_cols
        })
    }

    /// An array over the block as a view of rows and columns; `None` if it has another length.
    fn view<'a, T>(&self, values: &'a [T]) -> Option<ArrayView2<'a, T>> {
        ArrayView2::from_shape((self.rows, self.cols), values).ok()
    }

    /// The inner part of an array over the block.
    pub fn cut<T: Copy>(&self, values: &[T]) -> Vec<T> {
        self.inner().map(|at| values[at]).collect()
    }
}

/// Distance in metres to the nearest target cell, between centres; `limit_m` beyond it and without target.
/// Inner cells only.
pub fn distance_to(block: &Block, targets: &[bool], cell_m: f64, limit_m: f64) -> Vec<f32> {
    let reach = (limit_m / cell_m).ceil() as u32;
    let squared = distance::squared_distance(targets, block.rows, block.cols, reach);
    block
        .inner()
        .map(|at| match squared[at] {
            distance::FAR => limit_m as f32,
            cells => (f64::from(cells).sqrt() * cell_m).min(limit_m) as f32,
        })
        .collect()
}

/// 1 where a target lies within `limit_m`, between centres, else 0. Inner cells only.
pub fn within(block: &Block, targets: &[bool], cell_m: f64, limit_m: f64) -> Vec<f64> {
    let limit_m = limit_m * SLACK;
    let reach = (limit_m / cell_m).ceil() as u32;
    let squared = distance::squared_distance(targets, block.rows, block.cols, reach);
    let near = |cells: u32| cells != distance::FAR && f64::from(cells).sqrt() * cell_m <= limit_m;
    block.inner().map(|at| f64::from(u8::from(near(squared[at])))).collect()
}

/// Share of known cells within `radius_m` that are targets; NaN where under half of the full disc is
/// known (beyond the block nothing is). Inner cells only.
pub fn share_within(block: &Block, targets: &[bool], known: &[bool], cell_m: f64, radius_m: f64) -> Vec<f32> {
    let radius = radius_m / cell_m;
    let hits = disc::disc_counts(targets, block.rows, block.cols, radius);
    let seen = disc::disc_counts(known, block.rows, block.cols, radius);
    let full = disc::disc_size(radius) as f64;
    block
        .inner()
        .map(|at| {
            if f64::from(seen[at]) >= KNOWN_SHARE * full && seen[at] > 0 {
                (f64::from(hits[at]) / f64::from(seen[at])) as f32
            } else {
                f32::NAN
            }
        })
        .collect()
}

/// Slope in degrees by Horn (1981, Proc. IEEE 69:14-47) from ground elevation in metres. A missing
/// neighbour is 2 x centre - opposite; where that is missing too, a side neighbour is the centre and a corner
/// neighbour the sum of its two side neighbours - centre (ours). Inner cells only; a slice of another length than
/// the block gives NaN.
pub fn slope(block: &Block, ground: &[f32], cell_m: f64) -> Vec<f32> {
    // a rim of missing cells spares every look beyond the edge
    let mut rimmed = Array2::from_elem((block.rows + 2, block.cols + 2), f64::NAN);
    if let Some(ground) = block.view(ground) {
        rimmed.slice_mut(s![1..=block.rows, 1..=block.cols]).assign(&ground.mapv(f64::from));
    }
    let at = |row: isize, col: isize| rimmed[[(row + 1) as usize, (col + 1) as usize]];
    let (flat, width) = (rimmed.as_slice().unwrap_or_default(), block.cols + 2);
    block
        .inner()
        .map(|cell| {
            let (row, col) = (cell / block.cols, cell % block.cols);
            // most cells miss nothing; a missing neighbour makes the sum NaN
            let corner = row * width + col;
            let z = |dr: isize, dc: isize| flat[corner + (dr + 1) as usize * width + (dc + 1) as usize];
            let plain = steepness(z, cell_m);
            if !plain.is_nan() && !z(0, 0).is_nan() {
                return plain as f32;
            }
            let (row, col) = (row as isize, col as isize);
            let centre = at(row, col);
            if centre.is_nan() {
                return f32::NAN;
            }
            let z = |dr: isize, dc: isize| {
                let here = at(row + dr, col + dc);
                let opposite = at(row - dr, col - dc);
                match (here.is_nan(), opposite.is_nan()) {
                    (false, _) => here,
                    (true, false) => 2.0 * centre - opposite,
                    (true, true) => f64::NAN,
                }
            };
            let side = |dr: isize, dc: isize| Some(z(dr, dc)).filter(|z| !z.is_nan()).unwrap_or(centre);
            let z = |dr: isize, dc: isize| match z(dr, dc) {
                known if !known.is_nan() => known,
                _ if dr != 0 && dc != 0 => side(dr, 0) + side(0, dc) - centre,
                _ => centre,
            };
            steepness(z, cell_m) as f32
        })
        .collect()
}

/// Slope in degrees from the eight neighbours, by row and column from the centre.
fn steepness(z: impl Fn(isize, isize) -> f64, cell_m: f64) -> f64 {
    let east = z(-1, 1) + 2.0 * z(0, 1) + z(1, 1);
    let west = z(-1, -1) + 2.0 * z(0, -1) + z(1, -1);
    let north = z(-1, -1) + 2.0 * z(-1, 0) + z(-1, 1);
    let south = z(1, -1) + 2.0 * z(1, 0) + z(1, 1);
    let rise = (east - west).hypot(north - south) / (8.0 * cell_m);
    rise.atan() * 180.0 / PI
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every measure of the cells of a grid, worked in tiles of `side` cells with a margin of `reach` cells.
    fn in_tiles(
        whole: Block,
        side: usize,
        reach: usize,
        of: impl Fn(&Block, &[usize]) -> Vec<f32>,
    ) -> Vec<f32> {
        let mut out = vec![f32::NAN; whole.len()];
        for row in (0..whole.rows).step_by(side) {
            for col in (0..whole.cols).step_by(side) {
                let (bottom, right) = ((row + side).min(whole.rows), (col + side).min(whole.cols));
                let (top, left) = (row.saturating_sub(reach), col.saturating_sub(reach));
                let (low, far) = ((bottom + reach).min(whole.rows), (right + reach).min(whole.cols));
                let block = Block {
                    rows: low - top,
                    cols: far - left,
                    inner_row: row - top,
                    inner_col: col - left,
                    inner_rows: bottom - row,
                    inner_cols: right - col,
                };
                let cells: Vec<usize> =
                    (top..low).flat_map(|r| (left..far).map(move |c| r * whole.cols + c)).collect();
                let found = of(&block, &cells);
                let places = (row..bottom).flat_map(|r| (col..right).map(move |c| r * whole.cols + c));
                places.zip(found).for_each(|(at, value)| out[at] = value);
            }
        }
        out
    }

    fn to_bits(values: Vec<f32>) -> Vec<u32> {
        values.into_iter().map(f32::to_bits).collect()
    }

    proptest! {
        /// Tiles with a margin as wide as the reach give the very cells of the whole grid, whatever their size: distance,
        /// nearness, share and slope.
        #[test]
        fn tiles_give_the_cells_of_the_whole(
            (cols, cells) in (1usize..40).prop_flat_map(|cols| {
                let cell = (any::<bool>(), prop::bool::weighted(0.9), -1.0f32..1.0);
                (Just(cols), (1usize..40).prop_flat_map(move |rows| prop::collection::vec(cell.clone(), rows * cols)))
            }),
            side in 1usize..20, reach_m in 1.0f64..300.0, thin in 1usize..60,
        ) {
            const CELL_M: f64 = 30.0;
            let whole = Block::whole(cells.len() / cols, cols);
            let reach = (reach_m / CELL_M).ceil() as usize;
            let cell = |at: &usize| (cells[*at].0 && at.is_multiple_of(thin), cells[*at].1, cells[*at].2);
            let distance = |block: &Block, cells: &[usize]| {
                let targets: Vec<bool> = cells.iter().map(|at| cell(at).0).collect();
                distance_to(block, &targets, CELL_M, reach_m)
            };
            let near = |block: &Block, cells: &[usize]| {
                let targets: Vec<bool> = cells.iter().map(|at| cell(at).0).collect();
                within(block, &targets, CELL_M, reach_m).into_iter().map(|near| near as f32).collect()
            };
            let share = |block: &Block, cells: &[usize]| {
                let targets: Vec<bool> = cells.iter().map(|at| cell(at).0 && cell(at).1).collect();
                let known: Vec<bool> = cells.iter().map(|at| cell(at).1).collect();
                share_within(block, &targets, &known, CELL_M, reach_m)
            };
            let steep = |block: &Block, cells: &[usize]| {
                let height = |at| match cell(at) { (_, true, height) => height, _ => f32::NAN };
                slope(block, &cells.iter().map(height).collect::<Vec<_>>(), CELL_M)
            };
            let all: Vec<usize> = (0..whole.len()).collect();
            prop_assert_eq!(to_bits(in_tiles(whole, side, reach, distance)), to_bits(distance(&whole, &all)));
            prop_assert_eq!(to_bits(in_tiles(whole, side, reach, near)), to_bits(near(&whole, &all)));
            prop_assert_eq!(to_bits(in_tiles(whole, side, reach, share)), to_bits(share(&whole, &all)));
            prop_assert_eq!(to_bits(in_tiles(whole, side, 1, steep)), to_bits(steep(&whole, &all)));
        }
    }

    #[test]
    fn near_is_up_to_the_limit_itself() {
        let block = Block::whole(1, 6);
        let targets = [true, false, false, false, false, false];
        assert_eq!(within(&block, &targets, 0.1, 0.3), [1.0, 1.0, 1.0, 1.0, 0.0, 0.0]);
        assert_eq!(within(&block, &targets, 30.0, 100.0), [1.0, 1.0, 1.0, 1.0, 0.0, 0.0]);
        assert_eq!(within(&block, &[false; 6], 30.0, 100.0), [0.0; 6]);
    }

    /// A plane that falls 1 m per 10 m to the east and rises 2 m per 10 m to the south has one slope everywhere,
    /// edges and corners too.
    #[test]
    fn slope_of_a_plane() {
        let block = Block::whole(4, 5);
        let ground: Vec<f32> = (0..20).map(|i| 100.0 - (i % 5) as f32 + 2.0 * (i / 5) as f32).collect();
        for degrees in slope(&block, &ground, 10.0) {
            // atan(sqrt(0.1^2 + 0.2^2)), by hand
            assert!((f64::from(degrees) - 12.604_382_648).abs() < 1e-5, "{degrees}");
        }
    }

    #[test]
    fn slope_steps_over_a_hole() {
        let block = Block::whole(3, 3);
        let mut ground: Vec<f32> = (0..9).map(|i| (i % 3) as f32).collect();
        ground[5] = f32::NAN;
        let degrees = slope(&block, &ground, 1.0);
        assert!((degrees[4] - 45.0).abs() < 1e-4);
        assert!(degrees[5].is_nan());
    }

    #[test]
    fn distance_and_share_in_the_inner_part_only() {
        let block = Block { rows: 5, cols: 5, inner_row: 2, inner_col: 2, inner_rows: 1, inner_cols: 2 };
        let mut targets = vec![false; 25];
        targets[0] = true;
        let metres = distance_to(&block, &targets, 30.0, 100.0);
        assert!((metres[0] - 84.852_81).abs() < 1e-4);
        assert_eq!(metres[1], 100.0);
        let known = vec![true; 25];
        targets[12] = true;
        let share = share_within(&block, &targets, &known, 30.0, 30.0);
        assert_eq!(share, vec![0.2, 0.2]);
    }

    #[test]
    fn a_disc_less_than_half_known_is_missing() {
        let block = Block::whole(1, 3);
        let targets = vec![true; 3];
        // radius of one cell: five cells in the full disc, at most three of them in one row
        let share = share_within(&block, &targets, &[true; 3], 1.0, 1.0);
        assert!(share[0].is_nan() && share[2].is_nan());
        assert_eq!(share[1], 1.0);
    }
}
