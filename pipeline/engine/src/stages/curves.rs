//! Gathers, pool by pool, how water differs from ground to ground: the curves that a drawdown follows. Only where a scenario moves
//! the water table, and the study has pools and ground and does not state the answer itself.

use super::{Context, grid_cells};
use crate::blob::WetCells;
use crate::error::EngineError;
use crate::reuse::{Leaves, Step};
use crate::stages::water::{Water, WaterProducts};
use lentic_habitat::drawdown::curve::{Bins, LASTING, PoolCell, PoolCurve, metres, surfaces, tenths};
use lentic_habitat::drawdown::gather::{Part, Seen, curve, parts};
use lentic_habitat::response::{Design, Groups};
use lentic_raster::Window;
use lentic_study::Study;
use lentic_study::settings::{Drawdown, Role};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Whether a run of this study needs curves.
pub fn wanted(study: &Study) -> bool {
    study.inundation.logits_per_metre.is_none()
        && study.layer_with(Role::Pools).is_some()
        && study.layer_with(Role::Ground).is_some()
        && study.scenarios.iter().any(|scenario| scenario.drawdown != Drawdown::None)
}

/// The curves of a run.
#[derive(Debug, Default)]
pub struct Curves {
    by_pool: BTreeMap<i32, PoolCurve>,
    /// Ground as flat as a surface of water, with its cells: it follows the line.
    pub surfaces: BTreeMap<i32, BTreeMap<i64, u64>>,
    /// What they were made from, pool by pool from low to high ground.
    pub parts: Vec<(i32, Part)>,
}

impl Curves {
    /// The curve of a cell's pool, if it has one, and where the cell's ground lies on it, metres; `None` where its ground is not known.
    pub fn of(&self, pool: Option<i32>, ground: f64) -> Option<(&PoolCurve, f64)> {
        let (pool, ground) = (pool?, tenths(ground)?);
        let curve = self.by_pool.get(&pool)?;
        (!self.on_surface(pool, ground)).then(|| (curve, metres(ground)))
    }

    fn on_surface(&self, pool: i32, ground: i64) -> bool {
        self.surfaces.get(&pool).is_some_and(|flat| flat.contains_key(&ground))
    }
}

/// The ground of pools and of what lies beside them.
#[derive(Default, Serialize, Deserialize)]
struct Ground {
    pools: BTreeMap<i32, Vec<PoolCell>>,
    beside: BTreeMap<i32, Vec<i64>>,
}

/// What was seen, by pool and bin.
type PoolsSeen = BTreeMap<i32, BTreeMap<usize, Seen>>;

/// Runs the stage; `designs` are those of the baseline, by climate.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run(
    context: &Context,
    water: &WaterProducts,
    designs: &[Design],
    groups: &Groups,
) -> Result<Curves, EngineError> {
    if !wanted(context.study) {
        return Ok(Curves::default());
    }
    let nothing = |_: usize| Leaves::default();
    let tiles = context.over_kept(Step::PoolGround, &nothing, |_, w| ground_of(context, water, w))?;
    let mut ground = Ground::default();
    for tile in tiles {
        for (code, cells) in tile.pools {
            ground.pools.entry(code).or_default().extend(cells);
        }
        for (code, cells) in tile.beside {
            ground.beside.entry(code).or_default().extend(cells);
        }
    }
    let Ground { pools, beside } = ground;
    let mut curves = Curves::default();
    let mut bins: BTreeMap<i32, Bins> = BTreeMap::new();
    for (code, mut cells) in pools {
        let flat = surfaces(&cells);
        cells.retain(|cell| !flat.contains_key(&cell.ground));
        if !flat.is_empty() {
            curves.surfaces.insert(code, flat);
        }
        bins.extend(Bins::of(cells).map(|bins| (code, bins)));
    }
    let tiles = context
        .over_kept(Step::PoolWater, &nothing, |tile, w| seen_in(context, water, (&bins, &curves), tile, w))?;
    let mut seen = PoolsSeen::new();
    for (code, bins) in tiles.iter().flatten() {
        let pool = seen.entry(*code).or_default();
        bins.iter().for_each(|(bin, part)| pool.entry(*bin).or_default().merge(part));
    }
    let fitted: Vec<(i32, Vec<Part>)> = bins
        .par_iter()
        .filter_map(|(code, bins)| {
            let beside = beside.get(code).map_or(&[][..], |ground| ground);
            Some((*code, parts(bins, seen.get(code)?, beside, designs, groups)))
        })
        .collect();
    for (code, parts) in fitted {
        if let Some(curve) = curve(&parts) {
            curves.by_pool.insert(code, curve);
            curves.parts.extend(parts.into_iter().map(|part| (code, part)));
        }
    }
    Ok(curves)
}

/// Assessed cells inside the study area: those of pools, and those never wet that lie beside one.
fn ground_of(context: &Context, water: &WaterProducts, window: Window) -> Result<Ground, EngineError> {
    let outer = window.with_margin(1, context.grid);
    let pools = context.layers.pools(outer)?;
    let heights = context.layers.numbers_with(Role::Ground, window)?.unwrap_or_default();
    let states = water.state.read(&window)?;
    let inside = water.inside.read(&window)?;
    let often = water.frequency.read(&window)?;
    let mut ground = Ground::default();
    for (cell, (row, col)) in grid_cells(window).enumerate() {
        let state = states[cell];
        let known = inside[cell] != 0 && state != Water::NotAssessed as u8;
        let height = heights.get(cell).and_then(|height| tenths(f64::from(*height)));
        let Some(ground_here) = height.filter(|_| known) else { continue };
        let of = |r: usize, c: usize| pools[(r - outer.row) * outer.cols + c - outer.col];
        let never_wet = state == Water::NeverWet as u8;
        if let Some(pool) = of(row, col) {
            let lasting = f64::from(often[cell]) > LASTING;
            let cell = PoolCell { ground: ground_here, row, col, wet: !never_wet, lasting };
            ground.pools.entry(pool).or_default().push(cell);
        } else if never_wet {
            let rows = row.saturating_sub(1)..(row + 2).min(outer.end_row());
            let cols = col.saturating_sub(1)..(col + 2).min(outer.end_col());
            let around = rows.flat_map(|r| cols.clone().map(move |c| (r, c)));
            let near: BTreeSet<i32> = around.filter_map(|(r, c)| of(r, c)).collect();
            near.into_iter().for_each(|pool| ground.beside.entry(pool).or_default().push(ground_here));
        }
    }
    Ok(ground)
}

/// What was seen in a tile, by pool and bin.
fn seen_in(
    context: &Context,
    water: &WaterProducts,
    (bins, curves): (&BTreeMap<i32, Bins>, &Curves),
    tile: usize,
    window: Window,
) -> Result<PoolsSeen, EngineError> {
    let mut found = PoolsSeen::new();
    let pools = context.layers.pools(window)?;
    if !pools.iter().flatten().any(|pool| bins.contains_key(pool)) {
        return Ok(found);
    }
    let heights = context.layers.numbers_with(Role::Ground, window)?.unwrap_or_default();
    let codes = context.climates.groups(&context.layers, window)?;
    let climates = context.climates.of_cells(&context.layers, window)?;
    let inside = water.inside.read(&window)?;
    let kept: [(bool, WetCells); 2] =
        [(true, context.files.wet(tile, &context.axis)?), (false, context.files.dry(tile, &context.axis)?)];
    for (wet, kept) in &kept {
        for (at, cell) in kept.cells.iter().map(|cell| *cell as usize).enumerate() {
            let Some((pool, own)) = pools[cell].and_then(|pool| Some((pool, bins.get(&pool)?))) else {
                continue;
            };
            let height = heights.get(cell).and_then(|height| tenths(f64::from(*height)));
            let height = height.filter(|height| inside[cell] != 0 && !curves.on_surface(pool, *height));
            let Some((climate, ground)) = climates[cell].zip(height) else { continue };
            let (row, col) = (window.row + cell / window.cols, window.col + cell % window.cols);
            let bin = own.place(&PoolCell { ground, row, col, wet: *wet, lasting: false });
            let months = (kept.rows.observed(at), kept.rows.wet(at));
            let seen = found.entry(pool).or_default().entry(bin).or_default();
            seen.add(&own.bins()[bin], codes[cell], climate, months, context.axis.len);
        }
    }
    Ok(found)
}
