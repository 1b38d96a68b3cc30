//! Climate as rasters, one for each month, on a grid of their own: which of their cells lie under the study, and the weather of each.

use super::csv::{Column, Values};
use super::rasters::{SHOWN, Stack, fault, months, one_grid, open};
use super::read::Told;
use super::{Kind, Needed, crossed};
use crate::error::EngineError;
use lentic_habitat::climate::Series;
use lentic_raster::{
    Cell, Grid, Point, RasterError, RasterSource, Window, read_own_cells, source_cells, tiles,
};
use lentic_study::Month;
use lentic_study::Study;
use lentic_study::settings::Layer;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// Cells a side of the tiles climate cells are looked for in.
const SCAN: usize = 1024;
/// Most climate cells of a run: each is a climate of its own, with its index in every scenario.
pub(super) const MOST: usize = 50_000;

/// Which climate each cell of the climate rasters is.
#[derive(Debug)]
pub(super) struct Place {
    /// Any of the rasters: all lie on one grid.
    source: RasterSource,
    at: BTreeMap<(usize, usize), usize>,
}

impl Place {
    /// Which climate the centre of each cell of a window lies in.
    ///
    /// # Errors
    /// No transformation between the two reference systems is known.
    pub fn of_cells(&self, grid: &Grid, window: Window) -> Result<Vec<Option<usize>>, EngineError> {
        let cells = source_cells(&self.source, grid, &window)?;
        // neighbours mostly lie in one climate cell
        let mut last = (None, None);
        let mut of = |cell: Option<Cell>| {
            if last.0 != cell {
                let known = cell.and_then(|cell| self.at.get(&(cell.row, cell.col)).copied());
                last = (cell, known);
            }
            last.1
        };
        Ok(cells.into_iter().map(&mut of).collect())
    }

    /// The same place without the climates that `keep` refuses; the others move up.
    pub fn only(self, keep: &[bool]) -> Self {
        let mut next = 0;
        let mut moved = Vec::with_capacity(keep.len());
        for kept in keep {
            moved.push(kept.then_some(next));
            next += usize::from(*kept);
        }
        let at = self.at.into_iter().filter_map(|(cell, climate)| Some((cell, moved[climate]?))).collect();
        Place { source: self.source, at }
    }
}

/// The climates of rasters: one for each climate cell with all its months.
pub(super) struct Weather {
    pub place: Place,
    /// Row and column in the rasters, by climate.
    pub cells: Vec<Cell>,
    /// Weather, by climate.
    pub series: Vec<Series>,
    /// Degrees north, by climate.
    pub latitude: Vec<f64>,
}

/// Reads the rasters of these layers where they lie under the study grid, with what comes from CSV beside them. `None` once
/// its problems are told, or where the grid is not known.
pub(super) fn read(
    study: &Study,
    layers: &[(Kind, &Layer)],
    columns: &[Column],
    grid: Option<&Grid>,
    needed: Needed,
    told: &mut Vec<Told>,
) -> Option<Weather> {
    let before = told.len();
    let mut stacks = Vec::new();
    for (kind, layer) in layers {
        match open(study, layer) {
            Ok(months) => stacks.push(Stack { kind: *kind, layer, months }),
            Err(problems) => told.extend(problems),
        }
    }
    if told.len() > before {
        return None;
    }
    let first = &stacks.first()?;
    let source = first.months.values().next()?.clone();
    for stack in &stacks {
        one_grid(stack, first, &source, told);
    }
    let columns: Vec<(Kind, &Values)> =
        columns.iter().filter_map(|column| Some((column.kind, column.of(None)?))).collect();
    let months = months(&stacks, &columns, needed, told);
    if told.len() > before {
        return None;
    }
    let (months, grid) = (months?, grid?);
    match under(&source, grid) {
        Err(e) => told.push(fault(first.layer, e, "")),
        Ok(cells) if cells.is_empty() => told.push(fault(
            first.layer,
            "none of its cells holds the centre of a cell of the grid",
            "check grid.crs, grid.bounds and the layer's own reference system",
        )),
        Ok(cells) if cells.len() > MOST => told.push(fault(
            first.layer,
            format!(
                "{} of its cells lie under the grid, and each is a climate of its own; the most is {MOST}",
                cells.len()
            ),
            "bring the climate to a coarser grid first: no climate is known to the metre",
        )),
        Ok(cells) => return weather(&stacks, &columns, source, cells, &months, told),
    }
    None
}

/// The cells of a climate raster that hold the centre of a cell of the study grid.
fn under(source: &RasterSource, grid: &Grid) -> Result<BTreeSet<(usize, usize)>, RasterError> {
    let each: Vec<Result<BTreeSet<(usize, usize)>, RasterError>> = tiles(grid, SCAN)
        .into_par_iter()
        .map(|window| {
            let mut found = BTreeSet::new();
            let mut last = None;
            for cell in source_cells(source, grid, &window)?.into_iter().flatten() {
                if last != Some(cell) {
                    found.insert((cell.row, cell.col));
                    last = Some(cell);
                }
            }
            Ok(found)
        })
        .collect();
    let mut all = BTreeSet::new();
    for tile in each {
        all.extend(tile?);
    }
    Ok(all)
}

/// Reads the months of the climate cells under the grid; those that lack a month are left out, and counted.
fn weather(
    stacks: &[Stack],
    columns: &[(Kind, &Values)],
    source: RasterSource,
    cells: BTreeSet<(usize, usize)>,
    months: &[Month],
    told: &mut Vec<Told>,
) -> Option<Weather> {
    let window = around(&cells)?;
    let cells: Vec<Cell> = cells.into_iter().map(|(row, col)| Cell { row, col }).collect();
    let first = *months.first()?;
    let mut series = vec![Series { first, ..Series::default() }; cells.len()];
    // the first missing month of each cell
    let mut lacks: Vec<Option<Month>> = vec![None; cells.len()];
    let before = told.len();
    for stack in stacks {
        let values = values(stack, &cells, window, months, told);
        for (at, (series, lacks)) in series.iter_mut().zip(&mut lacks).enumerate() {
            let own: Vec<f64> = values.iter().map(|month| f64::from(month[at])).collect();
            if let Some(gap) = own.iter().position(|value| value.is_nan()) {
                *lacks = (*lacks).into_iter().chain([months[gap]]).min();
            }
            stack.kind.put(series, own);
        }
    }
    for (kind, values) in columns {
        let own: Vec<f64> = months.iter().filter_map(|month| values.get(month).copied()).collect();
        series.iter_mut().for_each(|series| kind.put(series, own.clone()));
    }
    let main = stacks.first()?.layer;
    if let Some((cell, month)) = cells.iter().zip(&series).find_map(|(cell, s)| Some((cell, crossed(s)?))) {
        told.push(fault(
            main,
            format!("in {} the daily highest temperature lies below the lowest in {month}", name(*cell)),
            "check whether the layers are swapped",
        ));
    }
    if told.len() > before {
        return None;
    }
    let missing: Vec<(&Cell, Month)> =
        cells.iter().zip(&lacks).filter_map(|(cell, gap)| Some((cell, (*gap)?))).collect();
    if let Some((cell, month)) = missing.first() {
        let found = format!("{} of its {} cells under the grid lack a month", missing.len(), cells.len());
        let example = format!("the first is {}, which has no value in {month}", name(**cell));
        if missing.len() == cells.len() {
            let help = "fill the gaps, or give months that the rasters have";
            told.push(fault(main, format!("{found}, so no cell has a climate; {example}"), help));
            return None;
        }
        let message = format!("{found} and are left out: the study is not assessed there; {example}");
        told.push(Told { warning: true, ..fault(main, message, "") });
    }
    let kept = |at: &usize| lacks[*at].is_none();
    let cells: Vec<Cell> = (0..cells.len()).filter(kept).map(|at| cells[at]).collect();
    let series: Vec<Series> =
        series.into_iter().enumerate().filter(|(at, _)| kept(at)).map(|(_, series)| series).collect();
    let latitude = latitudes(&source, &cells).map_err(|e| told.push(fault(main, e, ""))).ok()?;
    let at = cells.iter().enumerate().map(|(at, cell)| ((cell.row, cell.col), at)).collect();
    Some(Weather { place: Place { source, at }, cells, series, latitude })
}

/// What a climate cell is called: rows and columns count from 1 at the top left of the rasters.
pub(super) fn name(cell: Cell) -> String {
    format!("row {} column {}", cell.row + 1, cell.col + 1)
}

/// The window of the rasters that holds all these cells.
fn around(cells: &BTreeSet<(usize, usize)>) -> Option<Window> {
    let (row, last_row) = (cells.first()?.0, cells.last()?.0);
    let col = cells.iter().map(|(_, col)| *col).min()?;
    let last_col = cells.iter().map(|(_, col)| *col).max()?;
    Some(Window { row, col, rows: last_row - row + 1, cols: last_col - col + 1 })
}

/// Values of a stack by month and cell; NaN where there are none. Values that cannot be are told.
fn values(
    stack: &Stack,
    cells: &[Cell],
    window: Window,
    months: &[Month],
    told: &mut Vec<Told>,
) -> Vec<Vec<f32>> {
    let read: Vec<Result<Vec<f32>, String>> = months
        .par_iter()
        .map(|month| {
            let Some(source) = stack.months.get(month) else { return Ok(vec![f32::NAN; cells.len()]) };
            let block = read_own_cells(source, &window).map_err(|e| e.to_string())?;
            let own: Vec<f32> = cells
                .iter()
                .map(|c| block[(c.row - window.row) * window.cols + c.col - window.col])
                .collect();
            let mut known = own.iter().filter(|value| !value.is_nan());
            match known.find_map(|v| Some((*v, stack.kind.refuses(f64::from(*v))?))) {
                Some((value, why)) => {
                    Err(format!("{}: the value {value} in {month} {why}", source.path().display()))
                }
                None => Ok(own),
            }
        })
        .collect();
    let mut bad = 0;
    let mut values = Vec::with_capacity(months.len());
    for month in read {
        match month {
            Ok(own) => values.push(own),
            Err(message) => {
                bad += 1;
                if bad <= SHOWN {
                    let help = "declare what stands for no data with no_data, and mend the unit with scale";
                    told.push(fault(stack.layer, message, help));
                }
                values.push(vec![f32::NAN; cells.len()]);
            }
        }
    }
    if bad > SHOWN {
        let message = format!("{} more of its rasters hold such values or cannot be read", bad - SHOWN);
        told.push(fault(stack.layer, message, "mend the first ones and check again"));
    }
    values
}

/// Degrees north of the centres of climate cells.
fn latitudes(source: &RasterSource, cells: &[Cell]) -> Result<Vec<f64>, RasterError> {
    let [left, width, _, top, _, height] = source.info().geo_transform;
    let mut points: Vec<Point> = cells
        .iter()
        .map(|cell| Point {
            x: left + (cell.col as f64 + 0.5) * width,
            y: top + (cell.row as f64 + 0.5) * height,
        })
        .collect();
    source.crs().all_to_geographic(&mut points)?;
    Ok(points.into_iter().map(|point| point.y).collect())
}
