//! Connection of the patches of every case: least-cost ways over resistance, patch by patch, then the network.

use super::patches::CasePatches;
use super::scenarios::Case;
use super::{Context, bands};
use crate::error::EngineError;
use crate::layers::{NO_CLASS, file_of};
use crate::stop;
use lentic_habitat::connection::{Connection, Dispersal, connection};
use lentic_numerics::least_cost::{Ground, LIMIT_SLACK, Piece, Search, Spot, Way, length_of};
use lentic_numerics::network::Link;
use lentic_raster::{Grid, Scratch, Window};
use lentic_study::settings::{Crossing, Layer, PatchWeight, Role};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Cells a side of the pieces a large patch is cut into, so that memory does not grow with it. Pieces follow the patch,
/// not the tiles of a run.
pub const PIECE: usize = 256;

/// A way between two patches that no way over other patches betters.
#[derive(Clone, Debug, PartialEq)]
pub struct Path {
    /// Number of the patch it starts from, the lower of the two.
    pub from: u32,
    /// Number of the patch it leads to.
    pub to: u32,
    /// Cost, metres over ground of resistance 1.
    pub cost_m: f64,
    /// Length, metres.
    pub length_m: f64,
    /// Probability that it is taken.
    pub probability: f64,
    /// Cells of the grid where it begins, turns and ends.
    pub course: Vec<Spot>,
}

/// Connection of one case.
pub struct CaseConnection {
    /// Area assessed in all cases, square metres.
    pub assessed_m2: f64,
    /// What holds between the patches; areas and weights in square metres.
    pub connection: Connection,
    /// Ways, by number of their patches.
    pub paths: Vec<Path>,
    /// Pairs of patches within the limit, by index from 0.
    pub links: Vec<Link>,
    /// Area of patches on ground that cannot be crossed, square metres.
    pub held_m2: f64,
}

/// Finds the connection of all cases; `None` where the study has no `[patches.crossing]`. `assessed_m2` is the area
/// assessed in all cases.
///
/// # Errors
/// A layer that cannot be read, a class without a resistance, or a disk that refuses.
pub fn run(
    context: &Context,
    cases: &[Case],
    patches: &[CasePatches],
    assessed_m2: f64,
) -> Result<Option<Vec<CaseConnection>>, EngineError> {
    let Some(crossing) = &context.study.patches.crossing else { return Ok(None) };
    let grounds = grounds(context, crossing, cases)?;
    let count: usize = patches.iter().map(|found| found.patches.len()).sum();
    context.progress.start("connecting patches", count as u64);
    let mut all = Vec::with_capacity(cases.len());
    for (case, found) in cases.iter().zip(patches) {
        let name = crossed_layer(context, crossing, case)?.name.as_str();
        // Every layer that is crossed was laid out above.
        let Some(ground) = grounds.get(name) else { continue };
        all.push(one_case(context, crossing, found, ground, assessed_m2)?);
    }
    context.progress.finish();
    Ok(Some(all))
}

/// The connection of other patches over the land of today; `None` where the study has no `[patches.crossing]`.
///
/// # Errors
/// As [`run`].
pub fn of_patches(
    context: &Context,
    today: &Case,
    found: &CasePatches,
    assessed_m2: f64,
) -> Result<Option<CaseConnection>, EngineError> {
    let Some(crossing) = &context.study.patches.crossing else { return Ok(None) };
    let grounds = grounds(context, crossing, std::slice::from_ref(today))?;
    let ground = grounds.values().next();
    ground.map(|ground| one_case(context, crossing, found, ground, assessed_m2)).transpose()
}

/// The layer crossed in a case: a scenario's land cover takes the place of today's.
fn crossed_layer<'a>(
    context: &Context<'a>,
    crossing: &Crossing,
    case: &Case<'a>,
) -> Result<&'a Layer, EngineError> {
    let study = context.study;
    let own = study.layer(&crossing.layer);
    let future = case.scenario.and_then(|scenario| scenario.land_cover.as_deref());
    let chosen = match (own, future) {
        (Some(layer), Some(future)) if layer.role == Some(Role::LandCover) => study.layer(future),
        _ => own,
    };
    chosen.ok_or_else(|| EngineError::Value {
        layer: crossing.layer.clone(),
        file: study.path.clone(),
        found: "there is no such layer".into(),
        expected: "patches.crossing names a layer of the study".into(),
    })
}

/// Resistance of every cell by crossed layer, infinite where it cannot be crossed or its class is not known.
fn grounds<'a>(
    context: &Context<'a>,
    crossing: &Crossing,
    cases: &[Case<'a>],
) -> Result<BTreeMap<&'a str, Scratch<f32>>, EngineError> {
    let mut all = BTreeMap::new();
    for case in cases {
        let layer = crossed_layer(context, crossing, case)?;
        if !all.contains_key(layer.name.as_str()) {
            let scratch = context.floats(&format!("resistance_{}", all.len()))?;
            context.over_tiles("laying out resistance", |_, window| {
                Ok(scratch.write(&window, &resistance(context, crossing, layer, window)?)?)
            })?;
            all.insert(layer.name.as_str(), scratch);
        }
    }
    Ok(all)
}

fn resistance(
    context: &Context,
    crossing: &Crossing,
    layer: &Layer,
    window: Window,
) -> Result<Vec<f32>, EngineError> {
    let unlisted = |code: &i32| EngineError::Value {
        layer: layer.name.clone(),
        file: file_of(layer),
        found: format!("class {code} has no resistance in patches.crossing"),
        expected: "give every class that occurs a resistance of 1 or more, or \"impassable\"".into(),
    };
    let codes = context.layers.codes(layer, window)?;
    let mut out = codes
        .iter()
        .map(|code| match crossing.resistance.get(code) {
            Some(factor) => Ok(*factor as f32),
            None if *code == NO_CLASS => Ok(f32::INFINITY),
            None => Err(unlisted(code)),
        })
        .collect::<Result<Vec<f32>, _>>()?;
    for (name, factor) in &crossing.barriers {
        let Some(layer) = context.study.layer(name) else { continue };
        let burnt = context.layers.barrier(layer, window)?;
        for (cell, _) in out.iter_mut().zip(burnt).filter(|(_, burnt)| *burnt) {
            *cell = cell.max(*factor as f32);
        }
    }
    Ok(out)
}

fn one_case(
    context: &Context,
    crossing: &Crossing,
    found: &CasePatches,
    ground: &Scratch<f32>,
    assessed_m2: f64,
) -> Result<CaseConnection, EngineError> {
    let grid = context.grid;
    let dispersal = Dispersal { effective_m: crossing.effective_m, limit_m: crossing.limit_m };
    let boxes = boxes(grid, &found.labels, found.patches.len())?;
    let cells = Cells { grid, labels: &found.labels, ground, limit_m: crossing.limit_m };
    let ways: Vec<Result<Vec<Way>, EngineError>> = found
        .patches
        .par_iter()
        .zip(&boxes)
        .map_init(Search::default, |search, (patch, window)| {
            let ways = stop::unless_asked().and_then(|()| cells.ways(search, patch.number, *window));
            context.progress.advance(1);
            ways
        })
        .collect();
    let mut links = Vec::new();
    let mut paths = Vec::new();
    for (patch, ways) in found.patches.iter().zip(ways) {
        for Way { to, cost, course } in ways? {
            let probability = dispersal.probability(cost);
            links.push(Link { a: patch.number - 1, b: to - 1, p: probability });
            paths.push(course.map(|course| Path {
                from: patch.number,
                to,
                cost_m: cost,
                length_m: length_of(&course) * grid.cell_m,
                probability,
                course,
            }));
        }
    }
    let areas: Vec<f64> = found.patches.iter().map(|patch| patch.area_m2).collect();
    let weights: Vec<f64> = match crossing.weight {
        PatchWeight::Area => areas.clone(),
        PatchWeight::AreaTimesSuitability => {
            found.patches.iter().map(|patch| patch.area_m2 * patch.suitability).collect()
        }
    };
    let connection = connection(&areas, &weights, assessed_m2, &links);
    // A way without a course leads through a third patch: the ways to and from that one stand for it.
    let direct = paths.into_iter().zip(&connection.direct).filter(|(_, direct)| **direct);
    let paths = direct.filter_map(|(path, _)| path).collect();
    let held_m2 = held(context, &found.labels, ground)?;
    Ok(CaseConnection { assessed_m2, connection, paths, links, held_m2 })
}

/// The least window that holds each patch.
fn boxes(grid: &Grid, labels: &Scratch<u32>, patches: usize) -> Result<Vec<Window>, EngineError> {
    // First and last row, first and last column.
    let mut spans = vec![[usize::MAX, 0, usize::MAX, 0]; patches];
    for band in bands(grid) {
        for (cell, label) in labels.read(&band)?.iter().enumerate().filter(|(_, label)| **label > 0) {
            let (row, col) = (band.row + cell / grid.cols, cell % grid.cols);
            let [top, bottom, left, right] = &mut spans[*label as usize - 1];
            (*top, *bottom) = ((*top).min(row), (*bottom).max(row));
            (*left, *right) = ((*left).min(col), (*right).max(col));
        }
    }
    let window = |[top, bottom, left, right]: [usize; 4]| Window {
        row: top.min(bottom),
        col: left.min(right),
        rows: bottom.saturating_sub(top) + 1,
        cols: right.saturating_sub(left) + 1,
    };
    Ok(spans.into_iter().map(window).collect())
}

/// What searches read.
struct Cells<'a> {
    grid: &'a Grid,
    labels: &'a Scratch<u32>,
    ground: &'a Scratch<f32>,
    limit_m: f64,
}

impl Cells<'_> {
    /// The least-cost ways from a patch to those of higher number, in cells of the grid. Only the surroundings of the patch are
    /// read, as far as the limit reaches over the easiest ground.
    fn ways(&self, search: &mut Search, patch: u32, whole: Window) -> Result<Vec<Way>, EngineError> {
        let mut best: BTreeMap<u32, Way> = BTreeMap::new();
        for piece in pieces(whole) {
            for way in self.ways_from_piece(search, patch, piece)? {
                let known = best.get(&way.to);
                if known.is_none_or(|known| way.cost < known.cost) {
                    best.insert(way.to, way);
                }
            }
        }
        Ok(best.into_values().collect())
    }

    fn ways_from_piece(
        &self,
        search: &mut Search,
        patch: u32,
        piece: Window,
    ) -> Result<Vec<Way>, EngineError> {
        let reach = (self.limit_m * (1.0 + LIMIT_SLACK) / self.grid.cell_m) as usize;
        let outer = piece.with_margin(reach.max(1), self.grid);
        let patches = self.labels.read(&outer)?;
        if !patches.iter().any(|other| *other > patch) {
            return Ok(Vec::new());
        }
        let resistance = self.ground.read(&outer)?;
        let ground = Ground {
            rows: outer.rows,
            cols: outer.cols,
            cell_m: self.grid.cell_m,
            resistance: &resistance,
            patches: &patches,
        };
        let within = |first: usize, outer: usize, count: usize| first - outer..first - outer + count;
        let start = Piece {
            rows: within(piece.row, outer.row, piece.rows),
            cols: within(piece.col, outer.col, piece.cols),
        };
        let mut ways = search.ways(&ground, patch, &start, self.limit_m);
        for spot in ways.iter_mut().filter_map(|way| way.course.as_mut()).flatten() {
            spot.row += outer.row as u32;
            spot.col += outer.col as u32;
        }
        Ok(ways)
    }
}

/// A window in pieces of about equal size, none longer than `PIECE`, in reading order.
fn pieces(whole: Window) -> impl Iterator<Item = Window> {
    let cuts = |first: usize, count: usize| {
        let parts = count.div_ceil(PIECE).max(1);
        (0..parts).map(move |part| {
            let (from, to) = (count * part / parts, count * (part + 1) / parts);
            (first + from, to - from)
        })
    };
    let columns: Vec<(usize, usize)> = cuts(whole.col, whole.cols).collect();
    cuts(whole.row, whole.rows).flat_map(move |(row, rows)| {
        columns.clone().into_iter().map(move |(col, cols)| Window { row, col, rows, cols })
    })
}

/// Area of patches on ground that cannot be crossed: their animals cannot leave over it.
fn held(context: &Context, labels: &Scratch<u32>, ground: &Scratch<f32>) -> Result<f64, EngineError> {
    let mut cells_of_row = vec![0u64; context.grid.rows];
    for band in bands(context.grid) {
        let resistance = ground.read(&band)?;
        for (cell, (label, resistance)) in labels.read(&band)?.iter().zip(resistance).enumerate() {
            if *label > 0 && !resistance.is_finite() {
                cells_of_row[band.row + cell / band.cols] += 1;
            }
        }
    }
    let rows = cells_of_row.iter().enumerate();
    Ok(rows.map(|(row, cells)| *cells as f64 * context.areas.area_m2(row)).sum())
}
