//! Resampling within one reference system: exact overlaps of rectangles.

use crate::aligned::{NO_CLASS, Plan, Rule};
use crate::cells::{Block, read_codes, read_values};
use crate::combine::{Majority, Mean, Pixel, bilinear, cell_index, larger};
use crate::error::RasterError;
use crate::grid::{Cell, Point};
use crate::window::Window;

/// Overlaps narrower than this share of a source cell are rounding.
const THIN: f64 = 1e-6;

/// Continuous and barrier values of a window of the grid.
pub(crate) fn values(plan: &Plan<'_>, window: &Window) -> Result<Vec<f32>, RasterError> {
    let axes = Axes::new(plan, window);
    let Some(needed) = axes.source_window(plan) else {
        return Ok(vec![f32::NAN; window.len()]);
    };
    let block = read_values(plan.source, needed)?;
    let info = plan.source.info();
    Ok(match plan.rule {
        Rule::Bilinear => axes.each(|rows, cols| {
            let place = Pixel { u: cols.centre, v: rows.centre };
            bilinear(&block, place, info.height, info.width)
        }),
        Rule::Largest => axes.each(|rows, cols| {
            let mut largest = f32::NAN;
            over(&block, rows, cols, |value, _| largest = larger(largest, value));
            largest
        }),
        _ => axes.each(|rows, cols| {
            let mut mean = Mean::default();
            over(&block, rows, cols, |value, weight| mean.add(value, weight));
            mean.value(rows.length * cols.length)
        }),
    })
}

/// Class codes of a window of the grid.
pub(crate) fn codes(plan: &Plan<'_>, window: &Window) -> Result<Vec<i32>, RasterError> {
    let axes = Axes::new(plan, window);
    let Some(needed) = axes.source_window(plan) else {
        return Ok(vec![NO_CLASS; window.len()]);
    };
    let block = read_codes(plan.source, needed)?;
    if plan.rule == Rule::Nearest {
        return Ok(axes.each(|rows, cols| {
            let at = cell_index(rows.centre).zip(cell_index(cols.centre));
            at.and_then(|(row, col)| block.get(row, col)).unwrap_or(NO_CLASS)
        }));
    }
    let mut majority = Majority::default();
    Ok(axes.each(|rows, cols| {
        majority.clear();
        over(&block, rows, cols, |code, weight| majority.add(code, weight));
        majority.code(rows.length * cols.length)
    }))
}

/// One row or one column of the grid, in cells of the source along that axis.
struct Span {
    centre: f64,
    /// From the first to the last edge, in source cells; also beyond the source.
    length: f64,
    first: usize,
    /// Length of each source cell, from `first` on, within the grid cell.
    weights: Vec<f64>,
}

struct Axes {
    rows: Vec<Span>,
    cols: Vec<Span>,
}

impl Axes {
    fn new(plan: &Plan<'_>, window: &Window) -> Self {
        let info = plan.source.info();
        // Edges come from the grid's own numbers, so that every window sees the same ones.
        let at = |row: f64, col: f64| {
            plan.pixel(Point {
                x: plan.grid.left + col * plan.grid.cell_m,
                y: plan.grid.top - row * plan.grid.cell_m,
            })
        };
        let centre = |row, col| plan.pixel(plan.grid.centre(Cell { row, col }));
        let rows = (window.row..window.end_row()).map(|row| {
            let (from, to) = (at(row as f64, 0.0).v, at(row as f64 + 1.0, 0.0).v);
            Span::new(from, to, centre(row, 0).v, info.height)
        });
        let cols = (window.col..window.end_col()).map(|col| {
            let (from, to) = (at(0.0, col as f64).u, at(0.0, col as f64 + 1.0).u);
            Span::new(from, to, centre(0, col).u, info.width)
        });
        Self { rows: rows.collect(), cols: cols.collect() }
    }

    fn source_window(&self, plan: &Plan<'_>) -> Option<Window> {
        let reach = |spans: &[Span]| {
            let (first, last) = (spans.first()?, spans.last()?);
            Some((first.centre - 0.5 * first.length, last.centre + 0.5 * last.length))
        };
        plan.source_window(reach(&self.cols)?, reach(&self.rows)?)
    }

    fn each<T>(&self, mut cell: impl FnMut(&Span, &Span) -> T) -> Vec<T> {
        let mut out = Vec::with_capacity(self.rows.len() * self.cols.len());
        for rows in &self.rows {
            out.extend(self.cols.iter().map(|cols| cell(rows, cols)));
        }
        out
    }
}

impl Span {
    fn new(from: f64, to: f64, centre: f64, most: usize) -> Self {
        let first = from.floor().clamp(0.0, most as f64) as usize;
        let end = to.ceil().clamp(0.0, most as f64) as usize;
        let weights = (first..end)
            .map(|cell| {
                let within = to.min(cell as f64 + 1.0) - from.max(cell as f64);
                if within > THIN { within } else { 0.0 }
            })
            .collect();
        Self { centre, length: to - from, first, weights }
    }
}

/// Calls `add` with each source cell under a grid cell and the area, in source cells, they share.
fn over<T: Copy>(block: &Block<T>, rows: &Span, cols: &Span, mut add: impl FnMut(T, f64)) {
    for (down, &height) in rows.weights.iter().enumerate() {
        for (across, &width) in cols.weights.iter().enumerate() {
            let area = height * width;
            if area > 0.0
                && let Some(cell) = block.get(rows.first + down, cols.first + across)
            {
                add(cell, area);
            }
        }
    }
}
