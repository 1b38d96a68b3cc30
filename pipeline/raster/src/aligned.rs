//! Reading a layer onto a window of the study grid, whatever grid the file has.
//!
//! | layer | source cell not finer than the grid | finer |
//! |---|---|---|
//! | classes, masks | nearest cell | code of most area, the lowest of equals |
//! | continuous | bilinear, without neighbours that lack data | mean by area |
//! | barrier | largest value that touches the cell | the same |
//!
//! "Finer" is a source cell under 0.999 of a grid cell (square roots of areas), measured at the centre
//! of the grid, so that every tile follows one rule. A mean or majority needs source cells with data
//! over at least half the grid cell. With one reference system the areas are exact overlaps. With
//! two, a grid cell is sampled at n x n regular points, n = 2 x the number of source cells per side
//! rounded up, at most 16, placed between its transformed corners (ours).

use crate::cells::{Block, read_bytes, read_codes, read_values};
use crate::combine::{Pixel, cell_index};
use crate::error::RasterError;
use crate::grid::{Cell, Grid, Point};
use crate::overlap;
use crate::reproject::{self, Relation};
use crate::source::{CellType, RasterSource};
use crate::window::Window;

/// The code of a cell without class.
pub const NO_CLASS: i32 = i32::MIN;

/// How a layer is brought onto the grid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resample {
    /// Class codes, never mixed.
    Class,
    /// A mask: treated as classes.
    Mask,
    /// A quantity that can be averaged.
    Continuous,
    /// Barrier or resistance: the largest value that touches the cell.
    Barrier,
}

/// Under this share of a grid cell a source cell is finer.
const FINER: f64 = 0.999;

/// Grids whose cells drift apart by less than this share of a cell are one grid.
const ALIGNED: f64 = 1e-3;

/// Most source cells read at once; a window that needs more is worked in parts.
const MOST_CELLS: f64 = 4_194_304.0;

/// Reads a layer onto a window of the grid: values row-major, NaN for no data. Classes and masks give
/// their codes as numbers (exact below 2^24); for codes as such see [`read_aligned_class`].
///
/// # Errors
/// Reading the file fails, the window leaves the grid, a class layer holds fractions, or no
/// transformation between the two reference systems is known.
pub fn read_aligned_f32(
    source: &RasterSource,
    grid: &Grid,
    window: &Window,
    resample: Resample,
) -> Result<Vec<f32>, RasterError> {
    let rule = match resample {
        Resample::Class | Resample::Mask => {
            let codes = read_aligned_class(source, grid, window)?;
            let value = |code| if code == NO_CLASS { f32::NAN } else { code as f32 };
            return Ok(codes.into_iter().map(value).collect());
        }
        Resample::Continuous => Rule::Mean,
        Resample::Barrier => Rule::Largest,
    };
    let mut plan = Plan::new(source, grid, window, rule)?;
    if let Some(values) = plan.direct(|window| read_values(source, window), f32::NAN)? {
        return Ok(values);
    }
    if rule == Rule::Mean && !plan.finer {
        plan.rule = Rule::Bilinear;
    }
    plan.in_parts(window, f32::NAN, &|part| match &plan.relation {
        Relation::Same => overlap::values(&plan, part),
        Relation::Other(_) => reproject::values(&plan, part),
    })
}

/// Reads a class layer or mask onto a window of the grid: codes row-major, [`NO_CLASS`] for no data.
///
/// # Errors
/// As [`read_aligned_f32`].
pub fn read_aligned_class(
    source: &RasterSource,
    grid: &Grid,
    window: &Window,
) -> Result<Vec<i32>, RasterError> {
    let mut plan = Plan::new(source, grid, window, Rule::Majority)?;
    if let Some(codes) = plan.direct(|window| read_codes(source, window), NO_CLASS)? {
        return Ok(codes);
    }
    if !plan.finer {
        plan.rule = Rule::Nearest;
    }
    plan.in_parts(window, NO_CLASS, &|part| match &plan.relation {
        Relation::Same => overlap::codes(&plan, part),
        Relation::Other(_) => reproject::codes(&plan, part),
    })
}

/// Reads a class layer or mask with codes 0 to 255 onto a window of the grid, row-major, `no_data_as`
/// for no data: the quick way through a stack of water masks. Choose for `no_data_as` a code that the
/// layer does not use.
///
/// # Errors
/// As [`read_aligned_f32`], and a code outside 0 to 255.
pub fn read_aligned_bytes(
    source: &RasterSource,
    grid: &Grid,
    window: &Window,
    no_data_as: u8,
) -> Result<Vec<u8>, RasterError> {
    if source.info().cell_type == CellType::Byte {
        let plan = Plan::new(source, grid, window, Rule::Majority)?;
        let read = |window| read_bytes(source, window, no_data_as);
        if let Some(bytes) = plan.direct(read, no_data_as)? {
            return Ok(bytes);
        }
    }
    let narrow = |code| match u8::try_from(code) {
        Ok(code) => Ok(code),
        Err(_) if code == NO_CLASS => Ok(no_data_as),
        Err(_) => Err(RasterError::unfit(
            source.path(),
            format!("band {} holds the code {code}, expected 0 to 255", source.band()),
            "recode the mask, or declare the code as no data",
        )),
    };
    read_aligned_class(source, grid, window)?.into_iter().map(narrow).collect()
}

/// The cell of the source raster in which the centre of each cell of a window of the grid lies, row-major; `None` where
/// the centre lies off the raster. Nothing of the file is read but what [`RasterSource::open`] read.
///
/// # Errors
/// The window leaves the grid, or no transformation between the two reference systems is known.
pub fn source_cells(
    source: &RasterSource,
    grid: &Grid,
    window: &Window,
) -> Result<Vec<Option<Cell>>, RasterError> {
    let plan = Plan::new(source, grid, window, Rule::Nearest)?;
    let info = source.info();
    let cell = |place: Pixel| {
        let (row, col) = (cell_index(place.v)?, cell_index(place.u)?);
        (row < info.height && col < info.width).then_some(Cell { row, col })
    };
    match &plan.relation {
        Relation::Other(_) => Ok(reproject::centres(&plan, window).into_iter().map(cell).collect()),
        Relation::Same => {
            let places = (window.row..window.end_row())
                .flat_map(|row| (window.col..window.end_col()).map(move |col| Cell { row, col }));
            Ok(places.map(|at| cell(plan.pixel(grid.centre(at)))).collect())
        }
    }
}

/// Cells of a raster as they stand in the file, a window of the file row-major: scaled, NaN for no data.
///
/// # Errors
/// The window leaves the raster, or reading the file fails.
pub fn read_own_cells(source: &RasterSource, window: &Window) -> Result<Vec<f32>, RasterError> {
    let info = source.info();
    if window.end_row() > info.height || window.end_col() > info.width {
        return Err(RasterError::Size(format!(
            "{window:?} leaves the raster of {} rows and {} columns",
            info.height, info.width
        )));
    }
    Ok(read_values(source, *window)?.cells)
}

/// What is done with the source cells of a grid cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Rule {
    Nearest,
    Majority,
    Bilinear,
    Mean,
    Largest,
}

/// One source, one grid, one rule.
pub(crate) struct Plan<'a> {
    pub(crate) source: &'a RasterSource,
    pub(crate) grid: &'a Grid,
    pub(crate) relation: Relation,
    pub(crate) rule: Rule,
    /// Source cells per side of a grid cell, at the centre of the grid.
    pub(crate) per_side: f64,
    finer: bool,
    window: Window,
}

impl<'a> Plan<'a> {
    fn new(
        source: &'a RasterSource,
        grid: &'a Grid,
        window: &Window,
        rule: Rule,
    ) -> Result<Self, RasterError> {
        if !Window::whole(grid).contains(window) {
            return Err(RasterError::Size(format!(
                "{window:?} leaves the grid of {} rows and {} columns",
                grid.rows, grid.cols
            )));
        }
        let relation = reproject::relation(source.crs(), grid)?;
        let mut plan = Self { source, grid, relation, rule, per_side: 1.0, finer: false, window: *window };
        plan.per_side = plan.measure();
        plan.finer = plan.per_side.recip() < FINER;
        Ok(plan)
    }

    /// The place in the source raster of a point of the source's reference system.
    pub(crate) fn pixel(&self, point: Point) -> Pixel {
        let [left, width, _, top, _, height] = self.source.info().geo_transform;
        Pixel { u: (point.x - left) / width, v: (point.y - top) / height }
    }

    /// Square root of the number of source cells in the grid cell at the centre of the grid; 1 where
    /// the centre cannot be carried to the source's reference system.
    fn measure(&self) -> f64 {
        let cell = Cell { row: self.grid.rows / 2, col: self.grid.cols / 2 };
        let Point { x, y } = self.grid.centre(cell);
        let side = self.grid.cell_m;
        let mut points = [Point { x, y }, Point { x: x + side, y }, Point { x, y: y - side }];
        reproject::to_source(&self.relation, &mut points);
        let [at, right, below] = points.map(|point| self.pixel(point));
        let area = (right.u - at.u) * (below.v - at.v) - (right.v - at.v) * (below.u - at.u);
        let per_side = area.abs().sqrt();
        if per_side.is_finite() && per_side > 0.0 { per_side } else { 1.0 }
    }

    /// Cells of the window read straight from the file, if its grid is the study grid moved by whole
    /// cells; cells outside the file are `missing`.
    fn direct<T: Copy>(
        &self,
        read: impl Fn(Window) -> Result<Block<T>, RasterError>,
        missing: T,
    ) -> Result<Option<Vec<T>>, RasterError> {
        let Some((row, col)) = self.shift() else { return Ok(None) };
        let info = self.source.info();
        let window = &self.window;
        // First row and column of the window in the file; may lie before its edge.
        let (row, col) = (row + window.row as i64, col + window.col as i64);
        let span = |start: i64, count: usize, most: usize| {
            let from = start.clamp(0, most as i64);
            let to = (start + count as i64).clamp(0, most as i64);
            (from as usize, (to - from) as usize)
        };
        let (first_row, rows) = span(row, window.rows, info.height);
        let (first_col, cols) = span(col, window.cols, info.width);
        if rows == 0 || cols == 0 {
            return Ok(Some(vec![missing; window.len()]));
        }
        let block = read(Window { row: first_row, col: first_col, rows, cols })?;
        if rows == window.rows && cols == window.cols {
            return Ok(Some(block.cells));
        }
        let mut out = vec![missing; window.len()];
        let (down, across) = ((first_row as i64 - row) as usize, (first_col as i64 - col) as usize);
        for (index, cells) in block.cells.chunks_exact(cols).enumerate() {
            let start = (down + index) * window.cols + across;
            out[start..start + cols].copy_from_slice(cells);
        }
        Ok(Some(out))
    }

    /// Row and column in the file of the grid's first cell, if the cells of both coincide.
    fn shift(&self) -> Option<(i64, i64)> {
        if !matches!(self.relation, Relation::Same) {
            return None;
        }
        let grid = self.grid;
        let [_, width, _, _, _, height] = self.source.info().geo_transform;
        let most = grid.rows.max(grid.cols) as f64;
        let drift = (width / grid.cell_m - 1.0).abs().max((-height / grid.cell_m - 1.0).abs()) * most;
        let Pixel { u, v } = self.pixel(Point { x: grid.left, y: grid.top });
        let off = (u - u.round()).abs().max((v - v.round()).abs());
        let sane = u.abs() < 1e15 && v.abs() < 1e15;
        (drift < ALIGNED && off < ALIGNED && sane).then(|| (v.round() as i64, u.round() as i64))
    }

    /// Works a window in parts that need few enough source cells, and puts them together.
    fn in_parts<T: Copy>(
        &self,
        window: &Window,
        missing: T,
        work: &impl Fn(&Window) -> Result<Vec<T>, RasterError>,
    ) -> Result<Vec<T>, RasterError> {
        let needed = (window.rows as f64 * self.per_side + 3.0) * (window.cols as f64 * self.per_side + 3.0);
        if needed <= MOST_CELLS || window.len() <= 1 {
            return work(window);
        }
        let (one, two) = halves(window);
        let mut out = vec![missing; window.len()];
        for part in [one, two] {
            let cells = self.in_parts(&part, missing, work)?;
            for (index, cells) in cells.chunks_exact(part.cols).enumerate() {
                let start = (part.row - window.row + index) * window.cols + part.col - window.col;
                out[start..start + part.cols].copy_from_slice(cells);
            }
        }
        Ok(out)
    }

    /// The window of the file that holds the given span of columns and rows and one cell more on each
    /// side; `None` if it lies off the file.
    pub(crate) fn source_window(&self, cols: (f64, f64), rows: (f64, f64)) -> Option<Window> {
        let info = self.source.info();
        let span = |(from, to): (f64, f64), most: usize| {
            let first = (from.floor() - 1.0).clamp(0.0, most as f64);
            let last = (to.ceil() + 1.0).clamp(0.0, most as f64);
            // False for not a number.
            (last > first).then_some((first as usize, (last - first) as usize))
        };
        let (col, cols) = span(cols, info.width)?;
        let (row, rows) = span(rows, info.height)?;
        Some(Window { row, col, rows, cols })
    }
}

/// A window cut in two across its longer side.
fn halves(window: &Window) -> (Window, Window) {
    let (mut one, mut two) = (*window, *window);
    if window.rows >= window.cols {
        one.rows = window.rows / 2;
        two.row += one.rows;
        two.rows -= one.rows;
    } else {
        one.cols = window.cols / 2;
        two.col += one.cols;
        two.cols -= one.cols;
    }
    (one, two)
}
