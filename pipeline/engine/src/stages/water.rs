//! Reads the water history once: the record of every cell, the bits of the wet ones, and a sample of
//! cells for the group priors.

use super::{Context, curves, grid_cells, levels};
use crate::blob::WetCells;
use crate::climates::Climates;
use crate::error::EngineError;
use crate::reuse::{Leaves, Step};
use crate::stack::Stack;
use lentic_habitat::record::{Enough, Permanence, Told, Trend, told};
use lentic_habitat::response::SampleCell;
use lentic_habitat::water::{BitRows, count_all};
use lentic_numerics::seed::hash64;
use lentic_raster::{RawCells, Scratch, Window};
use lentic_study::Study;
use lentic_study::settings::Role;
use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// Cells per group behind its priors.
pub const SAMPLE: usize = 5000;
/// Frequencies that say something about what makes a cell wet.
pub const INFORMATIVE: std::ops::RangeInclusive<f64> = 0.1..=0.9;

/// State of a cell's water record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Water {
    /// Too little seen.
    NotAssessed = 0,
    /// Never seen wet.
    NeverWet = 1,
    /// Seen wet and dry.
    Both = 2,
    /// Never seen dry.
    NeverDry = 3,
}

/// What the stage leaves.
pub struct WaterProducts {
    /// `Water` codes.
    pub state: Scratch<u8>,
    /// 1 inside the study area.
    pub inside: Scratch<u8>,
    /// Observed hydroperiod, months per year.
    pub hydroperiod: Scratch<f32>,
    /// Wet share of observed months.
    pub frequency: Scratch<f32>,
    /// Share of years with water.
    pub recurrence: Scratch<f32>,
    /// Permanence classes, 255 no data.
    pub permanence: Scratch<u8>,
    /// Trend, months per decade.
    pub slope: Scratch<f32>,
    /// Its p.
    pub p: Scratch<f32>,
    /// Longest dry run, months.
    pub dry_run: Scratch<f32>,
    /// 1 where the longest dry run may have been longer.
    pub dry_run_censored: Scratch<f32>,
    /// Hydroperiod of the second half of the years minus the first, months per year.
    pub half_change: Scratch<f32>,
    /// Longest wet spell of a water year, mean over the years, months.
    pub wet_spell: Scratch<f32>,
    /// Median calendar month of drying, 1 to 12.
    pub drying: Scratch<f32>,
    /// Share of the years that dried.
    pub dried: Scratch<f32>,
    /// Sample of cells for priors, by row and column.
    pub sample: Vec<SampleCell>,
}

type Keeper = BTreeMap<Option<i32>, Kept>;

/// Whether the months of cells of pools that were never wet are kept too.
pub fn keeps_dry(study: &Study, climates: &Climates) -> bool {
    levels::wanted(study, climates) || curves::wanted(study)
}

/// Runs the stage.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run(context: &Context, stack: &Stack) -> Result<WaterProducts, EngineError> {
    let study = context.study;
    let layer = study.layer_with(Role::Water).ok_or_else(|| EngineError::Value {
        layer: "water".into(),
        file: study.path.clone(),
        found: "no layer has the role water".into(),
        expected: "the study needs one".into(),
    })?;
    let enough = Enough {
        months: study.inundation.minimum_months,
        calendar_months: study.inundation.minimum_calendar_months,
    };
    let state = context.bytes("water_state")?;
    let inside = context.bytes("inside")?;
    let hydroperiod = context.floats("hydroperiod_observed")?;
    let frequency = context.floats("inundation_frequency")?;
    let recurrence = context.floats("recurrence")?;
    let permanence = context.bytes("permanence")?;
    let slope = context.floats("trend_slope")?;
    let p = context.floats("trend_p")?;
    let dry_run = context.floats("dry_run")?;
    let dry_run_censored = context.floats("dry_run_censored")?;
    let half = context.floats("half_change")?;
    let wet_spell = context.floats("wet_spell")?;
    let drying = context.floats("drying")?;
    let dried = context.floats("dried")?;
    let keeper: Mutex<Keeper> = Mutex::new(BTreeMap::new());
    let keeps_dry = keeps_dry(study, context.climates);
    let images = stack.open(layer)?;
    let starts = study.period.water_year_starts;
    let cells: [&dyn RawCells; 14] = [
        &state,
        &inside,
        &hydroperiod,
        &frequency,
        &recurrence,
        &permanence,
        &slope,
        &p,
        &dry_run,
        &dry_run_censored,
        &half,
        &wet_spell,
        &drying,
        &dried,
    ];
    let leaves =
        |tile: usize| Leaves { cells: cells.to_vec(), files: context.files.of_water(tile, keeps_dry) };
    let working = context.step(Step::Water, None, context.tiles.len());
    let compute = |tile: usize, window: Window| -> Result<Keeper, EngineError> {
        let rows = images.read(&context.layers, layer, &context.axis, window)?;
        let area = match &study.grid.area {
            Some(path) => lentic_raster::burn(path, context.grid, &window, false)?,
            None => vec![true; window.len()],
        };
        let groups = context.layers.groups(window)?;
        let climates = context.climates.of_cells(&context.layers, window)?;
        let pools = keeps_dry.then(|| context.layers.pools(window)).transpose()?;
        let cells = window.len();
        let mut states = vec![Water::NotAssessed as u8; cells];
        let mut months = vec![f32::NAN; cells];
        let mut often = vec![f32::NAN; cells];
        let mut recur = vec![f32::NAN; cells];
        let mut classes = vec![255u8; cells];
        let mut slopes = vec![f32::NAN; cells];
        let mut ps = vec![f32::NAN; cells];
        let mut dry_runs = vec![f32::NAN; cells];
        let mut censored = vec![f32::NAN; cells];
        let mut halves = vec![f32::NAN; cells];
        let mut wet_runs = vec![f32::NAN; cells];
        let mut dryings = vec![f32::NAN; cells];
        let mut dried_shares = vec![f32::NAN; cells];
        let mut wet_cells = WetCells { cells: Vec::new(), rows: BitRows::new(&context.axis, 0) };
        let mut dry_cells = WetCells { cells: Vec::new(), rows: BitRows::new(&context.axis, 0) };
        let mut sample = Keeper::new();
        for (cell, (row, col)) in grid_cells(window).enumerate() {
            let (observed, wet) = (rows.observed(cell), rows.wet(cell));
            let told = told(observed, wet, &context.axis, &context.masks, enough, starts);
            let water = match told.as_ref().map(|told| &told.record) {
                // its record is told all the same
                _ if climates[cell].is_none() => Water::NotAssessed,
                None => Water::NotAssessed,
                Some(record) if record.wet == 0 => Water::NeverWet,
                Some(record) if record.wet == record.observed => Water::NeverDry,
                Some(_) => Water::Both,
            };
            states[cell] = water as u8;
            let Some(Told { record, trend, dry_run, half_change, spells }) = told else { continue };
            months[cell] = record.hydroperiod as f32;
            often[cell] = record.frequency as f32;
            recur[cell] = record.recurrence.map_or(f32::NAN, |r| r as f32);
            classes[cell] = Permanence::of(record.hydroperiod) as u8;
            if let Some(Trend { per_decade, p, .. }) = trend {
                slopes[cell] = per_decade as f32;
                ps[cell] = p as f32;
            }
            dry_runs[cell] = dry_run.months as f32;
            censored[cell] = f32::from(u8::from(dry_run.censored));
            halves[cell] = half_change.map_or(f32::NAN, |change| change as f32);
            if let Some(spells) = spells {
                wet_runs[cell] = spells.mean as f32;
                dryings[cell] = spells.drying.map_or(f32::NAN, |month| month as f32);
                dried_shares[cell] = spells.dried as f32;
            }
            if water != Water::NotAssessed && count_all(wet) > 0 {
                wet_cells.cells.push(cell as u32);
                wet_cells.rows.push(observed, wet);
            }
            let in_pool = pools.as_ref().is_some_and(|pools| pools[cell].is_some());
            if water == Water::NeverWet && in_pool && area[cell] {
                dry_cells.cells.push(cell as u32);
                dry_cells.rows.push(observed, wet);
            }
            if let Some(climate) =
                climates[cell].filter(|_| area[cell] && INFORMATIVE.contains(&record.frequency))
            {
                let key = (hash64(study.seed, row as u64, col as u64), row, col);
                let of_group = sample.entry(groups[cell]).or_default();
                keep(of_group, SAMPLE, key, || SampleCell {
                    group: groups[cell],
                    climate,
                    pool: pools.as_ref().and_then(|pools| pools[cell]),
                    // only the sample of a pool with a level has priors by ground
                    ground: f64::NAN,
                    observed: observed.to_vec(),
                    wet: wet.to_vec(),
                });
            }
        }
        context.files.keep_wet(tile, &wet_cells)?;
        if keeps_dry {
            context.files.keep_dry(tile, &dry_cells)?;
        }
        state.write(&window, &states)?;
        inside.write(&window, &area.iter().map(|inside| u8::from(*inside)).collect::<Vec<_>>())?;
        hydroperiod.write(&window, &months)?;
        frequency.write(&window, &often)?;
        recurrence.write(&window, &recur)?;
        permanence.write(&window, &classes)?;
        slope.write(&window, &slopes)?;
        p.write(&window, &ps)?;
        dry_run.write(&window, &dry_runs)?;
        dry_run_censored.write(&window, &censored)?;
        half.write(&window, &halves)?;
        wet_spell.write(&window, &wet_runs)?;
        drying.write(&window, &dryings)?;
        dried.write(&window, &dried_shares)?;
        Ok(sample)
    };
    context.over_own(&working, &context.tiles, |tile, window| {
        let sample = working.window(tile, &window, &leaves(tile), || compute(tile, window))?;
        let mut all = keeper.lock().unwrap_or_else(PoisonError::into_inner);
        for (group, cells) in sample {
            let of_group = all.entry(group).or_default();
            for (key, cell) in cells {
                keep(of_group, SAMPLE, key, || cell);
            }
        }
        Ok(())
    })?;
    working.finish()?;

    let keeper = keeper.into_inner().unwrap_or_else(PoisonError::into_inner);
    let mut sample: Vec<((usize, usize), SampleCell)> =
        keeper.into_values().flatten().map(|((_, row, col), cell)| ((row, col), cell)).collect();
    sample.sort_by_key(|(place, _)| *place);
    Ok(WaterProducts {
        state,
        inside,
        hydroperiod,
        frequency,
        recurrence,
        permanence,
        slope,
        p,
        dry_run,
        dry_run_censored,
        half_change: half,
        wet_spell,
        drying,
        dried,
        sample: sample.into_iter().map(|(_, cell)| cell).collect(),
    })
}

/// Sample cells by hash, row and column.
pub(super) type Kept = BTreeMap<(u64, usize, usize), SampleCell>;

/// Keeps the cell if its key is among the `most` smallest; which cells stay does not depend on their order.
pub(super) fn keep(
    kept: &mut Kept,
    most: usize,
    key: (u64, usize, usize),
    cell: impl FnOnce() -> SampleCell,
) {
    if kept.len() >= most && kept.last_key_value().is_some_and(|(last, _)| *last < key) {
        return;
    }
    kept.insert(key, cell());
    if kept.len() > most {
        kept.pop_last();
    }
}
