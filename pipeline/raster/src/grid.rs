//! The study grid: one projected reference system, square cells, north up.

use crate::error::RasterError;
use crate::window::Window;

pub use crate::crs::Crs;

/// A place in the coordinates of a reference system: metres for a study grid, degrees (x east,
/// y north) for a geographic system.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Eastwards.
    pub x: f64,
    /// Northwards.
    pub y: f64,
}

/// One cell of a grid.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Cell {
    /// Row from 0 at the top.
    pub row: usize,
    /// Column from 0 at the left.
    pub col: usize,
}

/// A rectangle in the coordinates of a reference system.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// Least x.
    pub left: f64,
    /// Least y.
    pub bottom: f64,
    /// Greatest x.
    pub right: f64,
    /// Greatest y.
    pub top: f64,
}

/// A grid of square cells, north up. Cell (row, col) covers x from `left + col * cell_m` and y down
/// from `top - row * cell_m`.
#[derive(Clone, Debug, PartialEq)]
pub struct Grid {
    /// Reference system: projected, in metres.
    pub crs: Crs,
    /// x of the left edge, metres.
    pub left: f64,
    /// y of the top edge, metres.
    pub top: f64,
    /// Side of a cell, metres.
    pub cell_m: f64,
    /// Number of rows.
    pub rows: usize,
    /// Number of columns.
    pub cols: usize,
}

/// A share of a cell below which bounds count as whole cells: coordinates in files are rounded.
const WHOLE: f64 = 1e-6;

/// Most rows or columns, the limit of GDAL's signed 32-bit sizes.
const MOST: f64 = i32::MAX as f64;

impl Grid {
    /// A grid whose left and top edges are those of `bounds`. If the bounds are not whole cells
    /// (within a millionth of a cell) the right and bottom edges move **outwards** to the next whole
    /// cell, so that everything inside the bounds is covered.
    ///
    /// # Errors
    /// A geographic CRS (the message proposes an equal-area one centred on the bounds), one that is not
    /// in metres, bounds that are not finite or not rising, a cell size that is not positive, or more
    /// than 2^31 - 1 rows or columns.
    pub fn from_bounds(crs: Crs, bounds: Bounds, cell_m: f64) -> Result<Self, RasterError> {
        crs.require_metres(bounds.centre())?;
        if !(cell_m.is_finite() && cell_m > 0.0) {
            return Err(RasterError::Grid(format!("the cell size is {cell_m} m, but it must be above 0")));
        }
        let Bounds { left, bottom, right, top } = bounds;
        let finite = [left, bottom, right, top].iter().all(|value| value.is_finite());
        if !finite || left >= right || bottom >= top {
            return Err(RasterError::Grid(format!(
                "the bounds are left {left}, bottom {bottom}, right {right}, top {top}, but left \
                 must be below right and bottom below top, all of them finite"
            )));
        }
        let rows = whole_cells(top - bottom, cell_m);
        let cols = whole_cells(right - left, cell_m);
        if rows > MOST || cols > MOST {
            return Err(RasterError::Grid(format!(
                "the bounds would take {rows} rows and {cols} columns of {cell_m} m, but the most \
                 is {MOST}; check the bounds, or make the cells larger"
            )));
        }
        Ok(Self { crs, left, top, cell_m, rows: rows as usize, cols: cols as usize })
    }

    /// A grid that covers `bounds` with all four edges moved outwards to multiples of the cell size,
    /// so that grids of one CRS and cell size made from different areas fit each other.
    ///
    /// # Errors
    /// As [`Grid::from_bounds`].
    pub fn covering(crs: Crs, bounds: Bounds, cell_m: f64) -> Result<Self, RasterError> {
        let down = |value: f64| (value / cell_m + WHOLE).floor() * cell_m;
        let up = |value: f64| (value / cell_m - WHOLE).ceil() * cell_m;
        crs.require_metres(bounds.centre())?;
        let snapped = Bounds {
            left: down(bounds.left),
            bottom: down(bounds.bottom),
            right: up(bounds.right),
            top: up(bounds.top),
        };
        Self::from_bounds(crs, snapped, cell_m)
    }

    /// The rectangle the grid covers, metres.
    #[must_use]
    pub fn bounds(&self) -> Bounds {
        self.window_bounds(&Window::whole(self))
    }

    /// The rectangle a window covers, metres.
    #[must_use]
    pub fn window_bounds(&self, window: &Window) -> Bounds {
        Bounds {
            left: self.left + window.col as f64 * self.cell_m,
            bottom: self.top - window.end_row() as f64 * self.cell_m,
            right: self.left + window.end_col() as f64 * self.cell_m,
            top: self.top - window.row as f64 * self.cell_m,
        }
    }

    /// Number of cells.
    #[must_use]
    pub fn len(&self) -> usize {
        self.rows * self.cols
    }

    /// True if the grid has no cell; never so for one made by [`Grid::from_bounds`].
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The cell that holds a point; `None` if it lies outside. A point on an edge between two cells
    /// belongs to the right or lower one.
    #[must_use]
    pub fn cell_at(&self, point: Point) -> Option<Cell> {
        let col = ((point.x - self.left) / self.cell_m).floor();
        let row = ((self.top - point.y) / self.cell_m).floor();
        // NaN compares false, so a point that is no number is outside.
        let inside = col >= 0.0 && row >= 0.0 && col < self.cols as f64 && row < self.rows as f64;
        inside.then_some(Cell { row: row as usize, col: col as usize })
    }

    /// Centre of a cell, metres.
    #[must_use]
    pub fn centre(&self, cell: Cell) -> Point {
        Point {
            x: self.left + (cell.col as f64 + 0.5) * self.cell_m,
            y: self.top - (cell.row as f64 + 0.5) * self.cell_m,
        }
    }

    /// Area of a cell in the plane of the reference system: cell size squared, m2. For true areas see
    /// [`crate::CellAreas`].
    #[must_use]
    pub fn plane_cell_m2(&self) -> f64 {
        self.cell_m * self.cell_m
    }

    /// True if the cells of both grids coincide where the grids overlap: one reference system, one
    /// cell size, edges whole cells apart (within a thousandth of a cell).
    #[must_use]
    pub fn compatible(&self, other: &Self) -> bool {
        let apart = |a: f64, b: f64| {
            let cells = (a - b) / self.cell_m;
            (cells - cells.round()).abs() < 1e-3
        };
        let most = self.rows.max(self.cols).max(other.rows).max(other.cols) as f64;
        (other.cell_m / self.cell_m - 1.0).abs() * most < 1e-3
            && apart(self.left, other.left)
            && apart(self.top, other.top)
            && self.crs.same_as(&other.crs)
    }

    /// Latitude of the centre of the grid, degrees north.
    ///
    /// # Errors
    /// The centre cannot be carried to geographic coordinates.
    pub fn centre_latitude(&self) -> Result<f64, RasterError> {
        Ok(self.crs.to_geographic(self.bounds().centre())?.y)
    }

    /// GDAL's six numbers of the window: left, cell, 0, top, 0, -cell.
    #[must_use]
    pub fn geo_transform(&self, window: &Window) -> [f64; 6] {
        let bounds = self.window_bounds(window);
        [bounds.left, self.cell_m, 0.0, bounds.top, 0.0, -self.cell_m]
    }
}

impl Bounds {
    /// The point in the middle.
    #[must_use]
    pub fn centre(&self) -> Point {
        Point { x: 0.5 * (self.left + self.right), y: 0.5 * (self.bottom + self.top) }
    }
}

/// Number of cells that cover a length.
fn whole_cells(length: f64, cell_m: f64) -> f64 {
    (length / cell_m - WHOLE).ceil().max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bounds(left: f64, bottom: f64, right: f64, top: f64) -> Bounds {
        Bounds { left, bottom, right, top }
    }

    fn crs(text: &str) -> Crs {
        Crs::parse(text).unwrap()
    }

    #[test]
    fn whole_bounds_stay_and_others_move_outwards() {
        let grid = Grid::from_bounds(crs("EPSG:6933"), bounds(0.0, 0.0, 90.0, 60.0), 30.0).unwrap();
        assert_eq!((grid.rows, grid.cols), (2, 3));
        let grid = |right, bottom| {
            Grid::from_bounds(crs("EPSG:6933"), bounds(0.0, bottom, right, 60.0), 30.0).unwrap()
        };
        assert_eq!(grid(91.0, -0.25).bounds(), bounds(0.0, -30.0, 120.0, 60.0));
        // Within a millionth of a cell the bounds count as whole.
        assert_eq!(grid(90.00001, 0.0).bounds(), bounds(0.0, 0.0, 90.0, 60.0));
        let grid = Grid::covering(crs("EPSG:6933"), bounds(-1.0, 29.0, 31.0, 61.0), 30.0).unwrap();
        assert_eq!(grid.bounds(), bounds(-30.0, 0.0, 60.0, 90.0));
    }

    #[test]
    fn a_geographic_system_is_refused_with_an_equal_area_proposal() {
        let error = Grid::from_bounds(crs("EPSG:4326"), bounds(-18.5, -31.5, -17.5, -30.5), 0.01)
            .unwrap_err()
            .to_string();
        assert!(error.contains("+proj=laea +lat_0=-31 +lon_0=-18"), "{error}");
    }

    #[test]
    fn feet_and_impossible_bounds_are_refused() {
        // EPSG:2263 is in US survey feet.
        let error = Grid::from_bounds(crs("EPSG:2263"), bounds(0.0, 0.0, 10.0, 10.0), 1.0);
        assert!(error.unwrap_err().to_string().contains("foot"));
        for (area, cell) in [
            (bounds(0.0, 0.0, 0.0, 1.0), 1.0),
            (bounds(0.0, 2.0, 1.0, 1.0), 1.0),
            (bounds(0.0, f64::NAN, 1.0, 1.0), 1.0),
            (bounds(0.0, 0.0, 1.0, 1.0), 0.0),
            (bounds(0.0, 0.0, 1.0, 1.0), f64::NAN),
            (bounds(0.0, 0.0, 1e10, 1.0), 1.0),
        ] {
            assert!(Grid::from_bounds(crs("EPSG:6933"), area, cell).is_err(), "{area:?} {cell}");
        }
    }

    #[test]
    fn cells_and_points() {
        let grid = Grid::from_bounds(crs("EPSG:6933"), bounds(100.0, 0.0, 190.0, 60.0), 30.0).unwrap();
        for row in 0..2 {
            for col in 0..3 {
                let cell = Cell { row, col };
                assert_eq!(grid.cell_at(grid.centre(cell)), Some(cell));
            }
        }
        let at = |x, y| grid.cell_at(Point { x, y });
        assert_eq!(at(100.0, 60.0), Some(Cell { row: 0, col: 0 }));
        assert_eq!(at(130.0, 30.0), Some(Cell { row: 1, col: 1 }));
        assert_eq!(at(190.0, 30.0), None);
        assert_eq!(at(150.0, 0.0), None);
        assert_eq!(at(99.9, 30.0), None);
        assert_eq!(at(f64::NAN, 30.0), None);
    }

    #[test]
    fn compatible_grids() {
        let grid = |text, left, cell| {
            Grid::from_bounds(crs(text), bounds(left, 0.0, left + 300.0, 300.0), cell).unwrap()
        };
        let one = grid("EPSG:6933", 0.0, 30.0);
        assert!(one.compatible(&grid("EPSG:6933", 60.0, 30.0)));
        assert!(!one.compatible(&grid("EPSG:6933", 15.0, 30.0)));
        assert!(!one.compatible(&grid("EPSG:6933", 0.0, 10.0)));
        assert!(!one.compatible(&grid("EPSG:8857", 0.0, 30.0)));
    }

    #[test]
    fn latitude_of_the_centre() {
        // A Lambert azimuthal grid centred on its own origin.
        let text = "+proj=laea +lat_0=-31 +lon_0=-18 +datum=WGS84 +units=m";
        let grid = Grid::from_bounds(crs(text), bounds(-60.0, -60.0, 60.0, 60.0), 30.0).unwrap();
        assert!((grid.centre_latitude().unwrap() + 31.0).abs() < 1e-9);
    }
}
