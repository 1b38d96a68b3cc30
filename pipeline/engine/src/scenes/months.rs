//! The mask of a month: the majority of its scenes that see a cell, wet where they tie.

use super::record::{Keeper, SceneRecord, month_file};
use super::{Context, DRY, NOT_SEEN, WET, mask};
use crate::error::EngineError;
use crate::stop;
use lentic_raster::{RasterSource, Scratch, read_aligned_bytes};
use lentic_study::Month;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Months whose masks were made just now and wait in the work folder until all are there.
pub(super) struct Made<'a> {
    due: Vec<(Month, Vec<&'a SceneRecord>)>,
    work: PathBuf,
}

impl Made<'_> {
    /// How many.
    pub fn len(&self) -> usize {
        self.due.len()
    }

    /// Where the mask of a month waits, if it is one of these.
    pub fn path(&self, month: Month) -> Option<PathBuf> {
        self.due.iter().any(|(made, _)| *made == month).then(|| self.work.join(month_file(month)))
    }

    /// Puts them in their places.
    pub fn publish(&self, keeper: &mut Keeper) -> Result<(), EngineError> {
        for (month, scenes) in &self.due {
            keeper.keep_month(*month, &self.work.join(month_file(*month)), scenes)?;
        }
        Ok(())
    }
}

/// Makes the mask of every month that has none of just these scenes.
pub(super) fn make<'a>(
    context: &Context<'_>,
    keeper: &Keeper,
    by_month: &BTreeMap<Month, Vec<usize>>,
    records: &'a [SceneRecord],
) -> Result<Made<'a>, EngineError> {
    let mut due = Vec::new();
    for (month, scenes) in by_month {
        let scenes: Vec<&SceneRecord> = scenes.iter().map(|at| &records[*at]).collect();
        if !keeper.has_month(*month, &scenes)? {
            due.push((*month, scenes));
        }
    }
    context.progress.start("joining months", (due.len() * context.grid.len()) as u64);
    let made: Vec<Result<(), EngineError>> =
        due.par_iter().map(|(month, scenes)| one(context, keeper, *month, scenes)).collect();
    context.progress.finish();
    made.into_iter().collect::<Result<(), _>>()?;
    Ok(Made { due, work: context.work.clone() })
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
    mask::write(context, &context.work.join(month_file(month)), &joined, format!("Surface water, {month}"))?;
    // the whole work folder goes at the end
    let _ = std::fs::remove_file(joined.path());
    Ok(())
}
