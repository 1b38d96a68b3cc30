//! Fits a balance of water to every pool and takes its level in place of the drought index where that explains years left out
//! much better. Leaves the climates with those pools as places of their own, and the priors of all response groups.

use super::water::{INFORMATIVE, Kept, Water, WaterProducts, keep};
use super::{Context, grid_cells};
use crate::blob::WetCells;
use crate::climates::{Climates, PoolPlace};
use crate::error::EngineError;
use crate::reuse::{Leaves, Step};
use lentic_habitat::climate::Shift;
use lentic_habitat::drawdown::Line;
use lentic_habitat::drawdown::curve::{LASTING, PoolCell, metres, surfaces, tenths, to_tenth};
use lentic_habitat::pool_level::seen::GroundBins;
use lentic_habitat::pool_level::trial::{CELLS, Trial, Tried};
use lentic_habitat::pool_level::{CELLS_FOR_A_LEVEL, PoolLevel, Record};
use lentic_habitat::response::pool::group_of_pool;
use lentic_habitat::response::pooled::MonthCounts;
use lentic_habitat::response::{Design, GroupFit, Groups, SampleCell, Spreads};
use lentic_habitat::water::count_all;
use lentic_numerics::seed::hash64;
use lentic_raster::Window;
use lentic_study::Study;
use lentic_study::settings::{Driver, Role};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Cells of a pool behind the priors of its group.
const SAMPLE_OF_POOL: usize = 100;

/// Whether a run of this study looks for levels.
pub fn wanted(study: &Study, climates: &Climates) -> bool {
    study.inundation.pool_levels
        && study.inundation.driver == Driver::Index
        && study.layer_with(Role::Pools).is_some()
        && study.layer_with(Role::Ground).is_some()
        && !climates.models().is_empty()
        && climates.models().iter().all(|model| model.weather(&Shift::NONE).is_some())
}

/// What the stage leaves.
pub struct Answering {
    /// The climates, pools with a level among the places.
    pub climates: Climates,
    /// Priors of the response groups, those of pools with a level among them.
    pub groups: Groups,
    /// The sample behind them, every cell with the group and the place it answers by.
    pub sample: Vec<SampleCell>,
    /// The pools that were tried.
    pub pools: Vec<TriedPool>,
}

/// A pool with cells enough for a level.
#[derive(Clone, Debug)]
pub struct TriedPool {
    /// Its code.
    pub pool: i32,
    /// Cells inside the study area, assessed and of known ground.
    pub cells: u64,
    /// Months with a level seen.
    pub months: usize,
    /// The balance; none where too little is seen to fit it.
    pub level: Option<PoolLevel>,
    /// Share of what the pool gains that comes in whatever the weather.
    pub steady_share: f64,
    /// Root mean square of modelled minus seen level, metres.
    pub misfit_m: f64,
    /// How level and index did; none where it could not be tried.
    pub trial: Option<Trial>,
    /// Whether its cells answer to the level.
    pub taken: bool,
}

/// What the tiles know of a pool before months are counted.
#[derive(Default, Serialize, Deserialize)]
struct Found {
    cells: Vec<PoolCell>,
    climates: BTreeMap<usize, u64>,
    sometimes: usize,
}

/// A pool to be tried.
struct Candidate {
    ground: Vec<i64>,
    bins: GroundBins,
    climate: usize,
}

/// What was seen of a pool.
#[derive(Default, Serialize, Deserialize)]
struct SeenPool {
    counts: BTreeMap<usize, MonthCounts>,
    sample: Kept,
}

/// Runs the stage.
///
/// # Errors
/// When no cell tells how water answers, a layer cannot be read, or a disk refuses.
pub fn run(context: &Context, water: &WaterProducts, spreads: Spreads) -> Result<Answering, EngineError> {
    let designs = context.climates.designs(&context.axis, &Shift::NONE);
    let groups = context
        .small_kept(Step::Priors, || Ok(Groups::fit(&designs, &context.axis, &water.sample, spreads)?))?;
    let plain = |groups: Groups, pools: Vec<TriedPool>| Answering {
        climates: context.climates.clone(),
        groups,
        sample: water.sample.clone(),
        pools,
    };
    if !wanted(context.study, context.climates) {
        return Ok(plain(groups, Vec::new()));
    }
    let candidates = candidates(context, water)?;
    let seen = seen(context, water, &candidates)?;
    context.progress.start("fitting the levels of pools", 0);
    let tried: Vec<(TriedPool, Option<Accepted>)> = candidates
        .par_iter()
        .filter_map(|(pool, candidate)| {
            let seen = seen.get(pool)?;
            Some(try_pool(context, (*pool, candidate, seen), (&designs, &groups), spreads))
        })
        .collect();
    context.progress.finish();
    let (pools, accepted): (Vec<TriedPool>, Vec<Option<Accepted>>) = tried.into_iter().unzip();
    let accepted: Vec<Accepted> = accepted.into_iter().flatten().collect();
    if accepted.is_empty() {
        return Ok(plain(groups, pools));
    }
    let first = context.climates.places();
    let mut places = Vec::new();
    let mut fits = BTreeMap::new();
    let taken: Vec<i32> = accepted.iter().map(|own| own.place.pool).collect();
    let elsewhere = |cell: &&SampleCell| cell.pool.is_none_or(|pool| taken.binary_search(&pool).is_err());
    let mut sample: Vec<SampleCell> = water.sample.iter().filter(elsewhere).cloned().collect();
    for (at, own) in accepted.into_iter().enumerate() {
        fits.insert(own.group, own.fit);
        places.push(own.place);
        let answering = |cell: SampleCell| SampleCell { group: Some(own.group), climate: first + at, ..cell };
        sample.extend(own.sample.into_iter().map(answering));
    }
    Ok(Answering {
        climates: context.climates.with_levels(places),
        groups: groups.with_pools(fits),
        sample,
        pools,
    })
}

impl Answering {
    /// How water follows the table of pools with a level: it falls by what the level falls.
    pub fn lines(&self) -> BTreeMap<i32, Line> {
        let line = |place: &PoolPlace| {
            let ground = self.groups.of(group_of_pool(place.pool)).ground?;
            Some((place.pool, Line { g: ground.per_m, elevation: ground.zero_m, intercept: 0.0 }))
        };
        self.climates.levels().iter().filter_map(line).collect()
    }
}

/// A pool whose cells answer to its level.
struct Accepted {
    group: i32,
    place: PoolPlace,
    fit: GroupFit,
    sample: Vec<SampleCell>,
}

/// Pools of known ground with cells enough that are sometimes wet, and no surface of water for a bed.
fn candidates(context: &Context, water: &WaterProducts) -> Result<BTreeMap<i32, Candidate>, EngineError> {
    let tiles =
        context.over_kept(Step::Beds, &|_| Leaves::default(), |_, window| beds(context, water, window))?;
    let mut pools: BTreeMap<i32, Found> = BTreeMap::new();
    for (pool, found) in tiles.into_iter().flatten() {
        let all = pools.entry(pool).or_default();
        all.cells.extend(found.cells);
        all.sometimes += found.sometimes;
        for (climate, cells) in found.climates {
            *all.climates.entry(climate).or_default() += cells;
        }
    }
    let candidate = |(pool, found): (i32, Found)| {
        let enough = found.sometimes >= CELLS_FOR_A_LEVEL && group_of_pool(pool).is_some();
        if !enough || !surfaces(&found.cells).is_empty() {
            return None;
        }
        // of equals the first
        let (climate, _) = found.climates.iter().rev().max_by_key(|(_, cells)| **cells)?;
        let mut ground: Vec<i64> = found.cells.iter().map(|cell| cell.ground).collect();
        ground.sort_unstable();
        let bins = GroundBins::new(&ground)?;
        Some((pool, Candidate { bins, climate: *climate, ground }))
    };
    Ok(pools.into_iter().filter_map(candidate).collect())
}

/// The assessed cells of known ground of a window's pools, inside the study area.
fn beds(
    context: &Context,
    water: &WaterProducts,
    window: Window,
) -> Result<BTreeMap<i32, Found>, EngineError> {
    let mut found: BTreeMap<i32, Found> = BTreeMap::new();
    let pools = context.layers.pools(window)?;
    if pools.iter().all(Option::is_none) {
        return Ok(found);
    }
    let heights = context.layers.numbers_with(Role::Ground, window)?.unwrap_or_default();
    let climates = context.climates.of_cells(&context.layers, window)?;
    let states = water.state.read(&window)?;
    let inside = water.inside.read(&window)?;
    let often = water.frequency.read(&window)?;
    for (cell, (row, col)) in grid_cells(window).enumerate() {
        let known = inside[cell] != 0 && states[cell] != Water::NotAssessed as u8;
        let ground = heights.get(cell).and_then(|height| tenths(f64::from(*height)));
        let (Some(pool), Some(ground), Some(climate), true) = (pools[cell], ground, climates[cell], known)
        else {
            continue;
        };
        let frequency = f64::from(often[cell]);
        let wet = states[cell] != Water::NeverWet as u8;
        let of_pool = found.entry(pool).or_default();
        of_pool.cells.push(PoolCell { ground, row, col, wet, lasting: frequency > LASTING });
        of_pool.sometimes += usize::from(INFORMATIVE.contains(&frequency));
        *of_pool.climates.entry(climate).or_default() += 1;
    }
    Ok(found)
}

/// Months of the cells of the candidates by bin of ground, and a sample of those that are sometimes wet.
fn seen(
    context: &Context,
    water: &WaterProducts,
    candidates: &BTreeMap<i32, Candidate>,
) -> Result<BTreeMap<i32, SeenPool>, EngineError> {
    let tiles = context.over_kept(Step::Levels, &|_| Leaves::default(), |tile, window| {
        seen_in(context, water, candidates, tile, window)
    })?;
    let mut all: BTreeMap<i32, SeenPool> = BTreeMap::new();
    for (pool, found) in tiles.into_iter().flatten() {
        let of_pool = all.entry(pool).or_default();
        for (bin, counts) in &found.counts {
            of_pool.counts.entry(*bin).or_default().merge(counts);
        }
        for (key, cell) in found.sample {
            keep(&mut of_pool.sample, SAMPLE_OF_POOL, key, || cell);
        }
    }
    Ok(all)
}

fn seen_in(
    context: &Context,
    water: &WaterProducts,
    candidates: &BTreeMap<i32, Candidate>,
    tile: usize,
    window: Window,
) -> Result<BTreeMap<i32, SeenPool>, EngineError> {
    let mut found: BTreeMap<i32, SeenPool> = BTreeMap::new();
    let pools = context.layers.pools(window)?;
    if !pools.iter().flatten().any(|pool| candidates.contains_key(pool)) {
        return Ok(found);
    }
    let heights = context.layers.numbers_with(Role::Ground, window)?.unwrap_or_default();
    let classes = context.layers.groups(window)?;
    let climates = context.climates.of_cells(&context.layers, window)?;
    let inside = water.inside.read(&window)?;
    let kept: [WetCells; 2] =
        [context.files.wet(tile, &context.axis)?, context.files.dry(tile, &context.axis)?];
    for kept in &kept {
        for (at, cell) in kept.cells.iter().map(|cell| *cell as usize).enumerate() {
            let pool = pools[cell].and_then(|pool| Some((pool, candidates.get(&pool)?)));
            let height = heights.get(cell).map_or(f64::NAN, |height| f64::from(*height));
            let (Some((pool, candidate)), Some(ground), Some(_)) = (pool, tenths(height), climates[cell])
            else {
                continue;
            };
            if inside[cell] == 0 {
                continue;
            }
            let (observed, wet) = (kept.rows.observed(at), kept.rows.wet(at));
            let of_pool = found.entry(pool).or_default();
            let bin = candidate.bins.place(ground);
            of_pool.counts.entry(bin).or_default().add(observed, wet, context.axis.len);
            let frequency = f64::from(count_all(wet)) / f64::from(count_all(observed));
            if INFORMATIVE.contains(&frequency) {
                let (row, col) = (window.row + cell / window.cols, window.col + cell % window.cols);
                let key = (hash64(context.study.seed, row as u64, col as u64), row, col);
                keep(&mut of_pool.sample, SAMPLE_OF_POOL, key, || SampleCell {
                    group: classes[cell],
                    climate: candidate.climate,
                    pool: Some(pool),
                    ground: to_tenth(height),
                    observed: observed.to_vec(),
                    wet: wet.to_vec(),
                });
            }
        }
    }
    Ok(found)
}

/// Fits a pool's level and tries it against the index.
fn try_pool(
    context: &Context,
    (pool, candidate, seen): (i32, &Candidate, &SeenPool),
    (designs, groups): (&[Design], &Groups),
    spreads: Spreads,
) -> (TriedPool, Option<Accepted>) {
    let axis = &context.axis;
    let found = candidate.bins.levels(&seen.counts, axis.len);
    let mut tried = TriedPool {
        pool,
        cells: candidate.ground.len() as u64,
        months: found.iter().flatten().count(),
        level: None,
        steady_share: f64::NAN,
        misfit_m: f64::NAN,
        trial: None,
        taken: false,
    };
    let mut fit = || {
        let model = context.climates.models().get(candidate.climate)?;
        let weather = model.weather(&Shift::NONE)?;
        let index = designs.get(candidate.climate)?;
        let offset = model.series().axis().position(axis.first)?;
        let months = weather.precipitation.len();
        let mut levels = vec![None; months];
        let mut fitted = vec![false; months];
        for (at, level) in found.iter().enumerate().filter(|(at, _)| offset + at < months) {
            levels[offset + at] = *level;
        }
        index.z().for_each(|(at, _)| fitted[offset + at] = true);
        let ground: Vec<f64> = candidate.ground.iter().map(|ground| metres(*ground)).collect();
        let record = Record { ground: &ground, seen: &levels, fitted: &fitted, weather: &weather };
        let level = PoolLevel::fit(&record, &vec![true; months])?;
        tried.steady_share = level.steady_share(&weather, &fitted);
        tried.misfit_m = level.misfit(&record);
        tried.level = Some(level.clone());
        // a trial looks at cells as they lie in the sample by hash, priors at all of them in reading order
        let of_trial: Vec<SampleCell> = seen.sample.values().take(CELLS).cloned().collect();
        let mut sample: Vec<_> = seen.sample.iter().collect();
        sample.sort_by_key(|((_, row, col), _)| (*row, *col));
        let sample: Vec<SampleCell> = sample.into_iter().map(|(_, cell)| cell.clone()).collect();
        let index_months = context.climates.months();
        let on = Tried { axis, index, groups, spreads, index_months, offset, record };
        tried.trial = on.run(&level, &of_trial);
        tried.trial.filter(Trial::is_won)?;
        let design = on.design(&level);
        let fit = GroupFit::of_pool(&design, axis, &sample, (level.mean, level.sd))?;
        fit.ground?;
        let place = PoolPlace { pool, climate: candidate.climate, level };
        Some(Accepted { group: group_of_pool(pool)?, place, fit, sample })
    };
    let accepted = fit();
    tried.taken = accepted.is_some();
    (tried, accepted)
}
