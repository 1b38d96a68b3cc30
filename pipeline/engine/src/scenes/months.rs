//! The mask of a month: the majority of its scenes that see a cell, wet where they tie.

use super::record::{Keeper, SceneRecord};
use super::{Context, DRY, NOT_SEEN, WET, mask};
use crate::error::EngineError;
use crate::stop;
use lentic_raster::{RasterSource, Scratch, read_aligned_bytes};
use lentic_study::Month;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Makes the mask of every month that has none of just these scenes; gives how many were made.
pub(super) fn make(
    context: &Context<'_>,
    keeper: &mut Keeper,
    by_month: &BTreeMap<Month, Vec<usize>>,
    records: &[SceneRecord],
) -> Result<usize, EngineError> {
    let mut due = Vec::new();
    for (month, scenes) in by_month {
        let scenes: Vec<&SceneRecord> = scenes.iter().map(|at| &records[*at]).collect();
        if !keeper.has_month(*month, &scenes)? {
            due.push((*month, scenes));
        }
    }
    context.progress.start("joining months", (due.len() * context.grid.len()) as u64);
    let shared = &*keeper;
    let made: Vec<Result<(), EngineError>> =
        due.par_iter().map(|(month, scenes)| one(context, shared, *month, scenes)).collect();
    context.progress.finish();
    made.into_iter().collect::<Result<(), _>>()?;
    for (month, scenes) in &due {
        keeper.keep_month(*month, scenes)?;
    }
    Ok(due.len())
}

fn one(
    context: &Context<'_>,
    keeper: &Keeper,
    month: Month,
    scenes: &[&SceneRecord],
) -> Result<(), EngineError> {
    let sources: Vec<RasterSource> = scenes
        .iter()
        .map(|scene| Ok(RasterSource::open(&keeper.mask_path(scene), 1)?))
        .collect::<Result<_, EngineError>>()?;
    let joined = Scratch::<u8>::create(&context.work.join(format!("month-{month}")), &context.grid)?;
    context.tiles.par_iter().try_for_each(|window| -> Result<(), EngineError> {
        stop::unless_asked()?;
        let mut seen = vec![(0u32, 0u32); window.len()];
        for source in &sources {
            let codes = read_aligned_bytes(source, &context.grid, window, NOT_SEEN)?;
            for (votes, code) in seen.iter_mut().zip(codes).filter(|(_, code)| *code != NOT_SEEN) {
                votes.0 += 1;
                votes.1 += u32::from(code == WET);
            }
        }
        let state = |(seen, wet): &(u32, u32)| match (seen, wet) {
            (0, _) => NOT_SEEN,
            (seen, wet) if 2 * wet >= *seen => WET,
            _ => DRY,
        };
        joined.write(window, &seen.iter().map(state).collect::<Vec<u8>>())?;
        context.progress.advance(window.len() as u64);
        Ok(())
    })?;
    mask::write(context, &keeper.month_path(month), &joined, format!("Surface water, {month}"))?;
    // the whole work folder goes at the end
    let _ = std::fs::remove_file(joined.path());
    Ok(())
}
