//! Windows: rectangles of cells of a grid, and the tiles a grid is worked in.

use crate::grid::Grid;

/// A rectangle of cells: first row and column, number of rows and columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Window {
    /// First row, from 0 at the top.
    pub row: usize,
    /// First column, from 0 at the left.
    pub col: usize,
    /// Number of rows.
    pub rows: usize,
    /// Number of columns.
    pub cols: usize,
}

/// How many rows and columns one window starts after another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Offset {
    /// Rows.
    pub row: usize,
    /// Columns.
    pub col: usize,
}

impl Window {
    /// The whole grid.
    #[must_use]
    pub fn whole(grid: &Grid) -> Self {
        Self { row: 0, col: 0, rows: grid.rows, cols: grid.cols }
    }

    /// Number of cells.
    #[must_use]
    pub fn len(&self) -> usize {
        self.rows * self.cols
    }

    /// True if the window holds no cell.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows == 0 || self.cols == 0
    }

    /// One past the last row.
    #[must_use]
    pub fn end_row(&self) -> usize {
        self.row + self.rows
    }

    /// One past the last column.
    #[must_use]
    pub fn end_col(&self) -> usize {
        self.col + self.cols
    }

    /// True if every cell of `inner` is a cell of this window.
    #[must_use]
    pub fn contains(&self, inner: &Self) -> bool {
        inner.row >= self.row
            && inner.col >= self.col
            && inner.end_row() <= self.end_row()
            && inner.end_col() <= self.end_col()
    }

    /// The cells that both windows hold; `None` if there are none.
    #[must_use]
    pub fn intersect(&self, other: &Self) -> Option<Self> {
        let row = self.row.max(other.row);
        let col = self.col.max(other.col);
        let end_row = self.end_row().min(other.end_row());
        let end_col = self.end_col().min(other.end_col());
        (row < end_row && col < end_col).then(|| Self { row, col, rows: end_row - row, cols: end_col - col })
    }

    /// This window widened by `cells` on every side, cut at the edge of the grid.
    #[must_use]
    pub fn with_margin(&self, cells: usize, grid: &Grid) -> Self {
        let row = self.row.saturating_sub(cells);
        let col = self.col.saturating_sub(cells);
        Self {
            row,
            col,
            rows: self.end_row().saturating_add(cells).min(grid.rows) - row.min(grid.rows),
            cols: self.end_col().saturating_add(cells).min(grid.cols) - col.min(grid.cols),
        }
    }

    /// Where this window starts inside `outer`; `None` if it does not lie within it.
    #[must_use]
    pub fn offset_in(&self, outer: &Self) -> Option<Offset> {
        outer.contains(self).then(|| Offset { row: self.row - outer.row, col: self.col - outer.col })
    }

    /// The cells of `inner` out of `values`, which are the cells of this window, row-major.
    /// `None` if `inner` does not lie within this window or `values` has another length.
    ///
    /// ```
    /// use lentic_raster::Window;
    /// let outer = Window { row: 0, col: 0, rows: 2, cols: 3 };
    /// let inner = Window { row: 1, col: 1, rows: 1, cols: 2 };
    /// assert_eq!(outer.crop(&inner, &[1, 2, 3, 4, 5, 6]), Some(vec![5, 6]));
    /// ```
    #[must_use]
    pub fn crop<T: Copy>(&self, inner: &Self, values: &[T]) -> Option<Vec<T>> {
        let offset = inner.offset_in(self)?;
        if values.len() != self.len() {
            return None;
        }
        let mut out = Vec::with_capacity(inner.len());
        for row in 0..inner.rows {
            let start = (offset.row + row) * self.cols + offset.col;
            out.extend_from_slice(values.get(start..start + inner.cols)?);
        }
        Some(out)
    }
}

/// The grid cut into squares of `size` cells, row-major; those at the right and bottom are cut at
/// the edge. A `size` of 0 counts as 1.
#[must_use]
pub fn tiles(grid: &Grid, size: usize) -> Vec<Window> {
    let size = size.max(1);
    let mut out = Vec::with_capacity(grid.rows.div_ceil(size) * grid.cols.div_ceil(size));
    for row in (0..grid.rows).step_by(size) {
        for col in (0..grid.cols).step_by(size) {
            out.push(Window { row, col, rows: size.min(grid.rows - row), cols: size.min(grid.cols - col) });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::{Bounds, Crs};
    use proptest::prelude::*;

    fn grid(rows: usize, cols: usize) -> Grid {
        let bounds = Bounds { left: 0.0, bottom: -(rows as f64), right: cols as f64, top: 0.0 };
        Grid::from_bounds(Crs::parse("EPSG:6933").unwrap(), bounds, 1.0).unwrap()
    }

    #[test]
    fn tiles_are_row_major_and_cut_at_the_edge() {
        let all = tiles(&grid(3, 5), 2);
        let window = |row, col, rows, cols| Window { row, col, rows, cols };
        assert_eq!(
            all,
            vec![
                window(0, 0, 2, 2),
                window(0, 2, 2, 2),
                window(0, 4, 2, 1),
                window(2, 0, 1, 2),
                window(2, 2, 1, 2),
                window(2, 4, 1, 1),
            ]
        );
    }

    #[test]
    fn a_margin_stops_at_the_edge() {
        let tile = Window { row: 0, col: 2, rows: 2, cols: 2 };
        let wide = tile.with_margin(3, &grid(4, 6));
        assert_eq!(wide, Window { row: 0, col: 0, rows: 4, cols: 6 });
        assert_eq!(tile.offset_in(&wide), Some(Offset { row: 0, col: 2 }));
        assert_eq!(wide.offset_in(&tile), None);
    }

    proptest! {
        /// Tiles of any size cover each cell exactly once.
        #[test]
        fn tiles_partition_the_grid(rows in 1usize..40, cols in 1usize..40, size in 1usize..50) {
            let mut seen = vec![0u8; rows * cols];
            for tile in tiles(&grid(rows, cols), size) {
                for row in tile.row..tile.end_row() {
                    for col in tile.col..tile.end_col() {
                        seen[row * cols + col] += 1;
                    }
                }
            }
            prop_assert!(seen.iter().all(|&count| count == 1));
        }

        /// The intersection holds a cell exactly if both windows do.
        #[test]
        fn intersection_is_cellwise(a in 0usize..8, b in 0usize..8, c in 1usize..8, d in 1usize..8,
                                    e in 0usize..8, f in 0usize..8, g in 1usize..8, h in 1usize..8) {
            let one = Window { row: a, col: b, rows: c, cols: d };
            let two = Window { row: e, col: f, rows: g, cols: h };
            let both = one.intersect(&two);
            for row in 0..16 {
                for col in 0..16 {
                    let cell = Window { row, col, rows: 1, cols: 1 };
                    let expected = one.contains(&cell) && two.contains(&cell);
                    prop_assert_eq!(both.is_some_and(|both| both.contains(&cell)), expected);
                }
            }
        }
    }
}
