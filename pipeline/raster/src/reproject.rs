//! Resampling between two reference systems.

use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;

use gdal::spatial_ref::CoordTransform;

use crate::aligned::{NO_CLASS, Plan, Rule};
use crate::cells::{read_codes, read_values};
use crate::combine::{Majority, Mean, Pixel, bilinear, cell_index, larger, quad_touches_cell};
use crate::crs::carry;
use crate::error::RasterError;
use crate::grid::{Crs, Grid, Point};
use crate::window::Window;

/// Most sampling points per side of a grid cell (method of this crate, see [`crate::aligned`]).
const MOST_PER_SIDE: f64 = 16.0;

/// Corners that lie nowhere: the cell has no data.
const NOWHERE: [Pixel; 4] = [Pixel { u: f64::NAN, v: f64::NAN }; 4];

/// Most transformed points a thread keeps for the next layer.
const MOST_KEPT: usize = 1 << 20;

/// How a source's reference system stands to the grid's.
#[derive(Clone)]
pub(crate) enum Relation {
    /// The same coordinates.
    Same,
    /// From the grid's to the source's coordinates.
    Other(Rc<CoordTransform>),
}

thread_local! {
    static RELATIONS: RefCell<HashMap<(Crs, Crs), Relation>> = RefCell::new(HashMap::new());
    static PLACES: RefCell<Vec<(PlacesKey, Rc<Vec<Point>>)>> = const { RefCell::new(Vec::new()) };
}

/// The relation of a source's reference system to the grid's, kept by the thread.
pub(crate) fn relation(source: &Crs, grid: &Grid) -> Result<Relation, RasterError> {
    let key = (source.clone(), grid.crs.clone());
    if let Some(known) = RELATIONS.with_borrow(|relations| relations.get(&key).cloned()) {
        return Ok(known);
    }
    let relation = if source.same_as(&grid.crs) {
        Relation::Same
    } else {
        let transform = grid.crs.transform_to(source)?;
        if source.is_projected() && moves_nothing(&transform, grid) {
            Relation::Same
        } else {
            Relation::Other(Rc::new(transform))
        }
    };
    RELATIONS.with_borrow_mut(|relations| relations.insert(key, relation.clone()));
    Ok(relation)
}

/// True if the transformation leaves the grid's corners and centre where they are: two writings of one
/// system that the library does not take for the same.
fn moves_nothing(transform: &CoordTransform, grid: &Grid) -> bool {
    let bounds = grid.bounds();
    let centre = bounds.centre();
    let xs = [bounds.left, bounds.right, bounds.left, bounds.right, centre.x];
    let ys = [bounds.top, bounds.top, bounds.bottom, bounds.bottom, centre.y];
    let (mut to_x, mut to_y) = (xs, ys);
    carry(transform, &mut to_x, &mut to_y);
    let near = |(a, b): (&f64, &f64)| (a - b).abs() < 1e-6;
    xs.iter().zip(&to_x).all(near) && ys.iter().zip(&to_y).all(near)
}

/// Carries points of the grid to the source's coordinates, in place.
pub(crate) fn to_source(relation: &Relation, points: &mut [Point]) {
    if let Relation::Other(transform) = relation {
        let mut xs: Vec<f64> = points.iter().map(|point| point.x).collect();
        let mut ys: Vec<f64> = points.iter().map(|point| point.y).collect();
        carry(transform, &mut xs, &mut ys);
        for (point, (x, y)) in points.iter_mut().zip(xs.into_iter().zip(ys)) {
            *point = Point { x, y };
        }
    }
}

/// The centres of the cells of a window of the grid, in the source raster.
pub(crate) fn centres(plan: &Plan<'_>, window: &Window) -> Vec<Pixel> {
    Places::new(plan, window).pixels
}

/// Continuous and barrier values of a window of the grid.
pub(crate) fn values(plan: &Plan<'_>, window: &Window) -> Result<Vec<f32>, RasterError> {
    let places = Places::new(plan, window);
    let Some(needed) = places.source_window(plan) else {
        return Ok(vec![f32::NAN; window.len()]);
    };
    let block = read_values(plan.source, needed)?;
    let info = plan.source.info();
    Ok(match plan.rule {
        Rule::Bilinear => {
            places.pixels.iter().map(|&place| bilinear(&block, place, info.height, info.width)).collect()
        }
        Rule::Largest => places.each_quad(window, |quad| {
            let mut largest = f32::NAN;
            for (row, col) in cells_of_box(quad) {
                if let Some(value) = block.get(row, col)
                    && quad_touches_cell(quad, row, col)
                {
                    largest = larger(largest, value);
                }
            }
            largest
        }),
        _ => {
            let samples = samples(plan.per_side);
            let whole = (samples.len() * samples.len()) as f64;
            places.each_quad(window, |quad| {
                let mut mean = Mean::default();
                for place in within(quad, &samples) {
                    let at = cell_index(place.v).zip(cell_index(place.u));
                    if let Some(value) = at.and_then(|(row, col)| block.get(row, col)) {
                        mean.add(value, 1.0);
                    }
                }
                mean.value(whole)
            })
        }
    })
}

/// Class codes of a window of the grid.
pub(crate) fn codes(plan: &Plan<'_>, window: &Window) -> Result<Vec<i32>, RasterError> {
    let places = Places::new(plan, window);
    let Some(needed) = places.source_window(plan) else {
        return Ok(vec![NO_CLASS; window.len()]);
    };
    let block = read_codes(plan.source, needed)?;
    let code_at = |place: Pixel| {
        let at = cell_index(place.v).zip(cell_index(place.u));
        at.and_then(|(row, col)| block.get(row, col)).unwrap_or(NO_CLASS)
    };
    if plan.rule == Rule::Nearest {
        return Ok(places.pixels.iter().map(|&place| code_at(place)).collect());
    }
    let samples = samples(plan.per_side);
    let whole = (samples.len() * samples.len()) as f64;
    let mut majority = Majority::default();
    Ok(places.each_quad(window, |quad| {
        majority.clear();
        for place in within(quad, &samples) {
            majority.add(code_at(place), 1.0);
        }
        majority.code(whole)
    }))
}

/// What the kept points of a thread belong to.
#[derive(PartialEq)]
struct PlacesKey {
    source: Crs,
    grid: Grid,
    window: Window,
    centres: bool,
}

/// Centres or corners of the cells of a window, in the source raster.
struct Places {
    pixels: Vec<Pixel>,
    /// Source columns in a full turn of longitude, if the source counts in degrees.
    turn: Option<f64>,
}

impl Places {
    fn new(plan: &Plan<'_>, window: &Window) -> Self {
        let centres = matches!(plan.rule, Rule::Nearest | Rule::Bilinear);
        let points = points(plan, window, centres);
        let bounds = plan.source.info().bounds();
        let degrees = !plan.source.crs().is_projected();
        let wrap = |point: Point| {
            // A global raster may count longitude from 0 to 360 or across the date line.
            let turned = [point.x, point.x + 360.0, point.x - 360.0];
            let inside = turned.into_iter().find(|&x| x >= bounds.left && x <= bounds.right);
            Point { x: inside.unwrap_or(point.x), y: point.y }
        };
        let pixels =
            points.iter().map(|&point| plan.pixel(if degrees { wrap(point) } else { point })).collect();
        let turn = degrees.then(|| 360.0 / plan.source.info().geo_transform[1]);
        Self { pixels, turn }
    }

    fn source_window(&self, plan: &Plan<'_>) -> Option<Window> {
        let reach = |along: fn(&Pixel) -> f64| {
            self.pixels
                .iter()
                .map(along)
                .filter(|at| !at.is_nan())
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), at| (least.min(at), most.max(at)))
        };
        plan.source_window(reach(|pixel| pixel.u), reach(|pixel| pixel.v))
    }

    /// True for corners on both sides of the line where a raster's longitudes start anew.
    fn torn(&self, quad: &[Pixel; 4]) -> bool {
        let far = |turn: f64| quad.iter().any(|pixel| (pixel.u - quad[0].u).abs() > 0.5 * turn);
        self.turn.is_some_and(far)
    }

    /// Calls `cell` with the four transformed corners of each grid cell, row-major.
    fn each_quad<T>(&self, window: &Window, mut cell: impl FnMut(&[Pixel; 4]) -> T) -> Vec<T> {
        let stride = window.cols + 1;
        let mut out = Vec::with_capacity(window.len());
        for row in 0..window.rows {
            for col in 0..window.cols {
                let at = row * stride + col;
                let quad = [at, at + 1, at + stride + 1, at + stride].map(|at| self.pixels[at]);
                out.push(cell(if self.torn(&quad) { &NOWHERE } else { &quad }));
            }
        }
        out
    }
}

/// Centres or corners of the cells of a window in the source's coordinates, NaN where they cannot be
/// carried there. Kept by the thread: the months of a stack ask for the same ones.
fn points(plan: &Plan<'_>, window: &Window, centres: bool) -> Rc<Vec<Point>> {
    let key =
        PlacesKey { source: plan.source.crs().clone(), grid: plan.grid.clone(), window: *window, centres };
    let known = PLACES.with_borrow(|kept| {
        kept.iter().find(|(known, _)| *known == key).map(|(_, points)| Rc::clone(points))
    });
    if let Some(points) = known {
        return points;
    }
    let (shift, more) = if centres { (0.5, 0) } else { (0.0, 1) };
    let mut points = Vec::with_capacity((window.rows + more) * (window.cols + more));
    for row in window.row..window.end_row() + more {
        for col in window.col..window.end_col() + more {
            points.push(Point {
                x: plan.grid.left + (col as f64 + shift) * plan.grid.cell_m,
                y: plan.grid.top - (row as f64 + shift) * plan.grid.cell_m,
            });
        }
    }
    to_source(&plan.relation, &mut points);
    let points = Rc::new(points);
    PLACES.with_borrow_mut(|kept| {
        kept.push((key, Rc::clone(&points)));
        while kept.len() > 1 && kept.iter().map(|(_, points)| points.len()).sum::<usize>() > MOST_KEPT {
            kept.remove(0);
        }
    });
    points
}

/// Shares of a grid cell's side at which it is sampled.
fn samples(per_side: f64) -> Vec<f64> {
    let count = (2.0 * per_side.ceil()).clamp(2.0, MOST_PER_SIDE) as usize;
    (0..count).map(|index| (index as f64 + 0.5) / count as f64).collect()
}

/// Sampling points between four corners (upper left, upper right, lower right, lower left).
fn within<'a>(quad: &'a [Pixel; 4], samples: &'a [f64]) -> impl Iterator<Item = Pixel> + 'a {
    let mix = |from: Pixel, to: Pixel, share: f64| Pixel {
        u: from.u + share * (to.u - from.u),
        v: from.v + share * (to.v - from.v),
    };
    samples.iter().flat_map(move |&down| {
        let (left, right) = (mix(quad[0], quad[3], down), mix(quad[1], quad[2], down));
        samples.iter().map(move |&across| mix(left, right, across))
    })
}

/// Rows and columns of the source cells that the box around four corners meets.
fn cells_of_box(quad: &[Pixel; 4]) -> impl Iterator<Item = (usize, usize)> + use<> {
    let span = |along: fn(&Pixel) -> f64| {
        let least = quad.iter().map(along).fold(f64::INFINITY, f64::min).max(0.0);
        let most = quad.iter().map(along).fold(f64::NEG_INFINITY, f64::max).max(0.0);
        // Corners that could not be carried give an empty span.
        if quad.iter().any(|pixel| along(pixel).is_nan()) {
            0..0
        } else {
            least as usize..most.ceil() as usize
        }
    };
    let (rows, cols) = (span(|pixel| pixel.v), span(|pixel| pixel.u));
    rows.flat_map(move |row| cols.clone().map(move |col| (row, col)))
}
