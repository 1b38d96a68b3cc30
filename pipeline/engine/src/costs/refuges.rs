//! Refuges: ground that is habitat today and in every scenario.

use super::ladder::NEVER;
use crate::error::EngineError;
use crate::stages::patches::{CasePatches, find};
use crate::stages::scenarios::CaseWater;
use crate::stages::suitability::SuitabilityProducts;
use crate::stages::{Context, bands};
use lentic_habitat::patches::Standing;
use lentic_raster::Scratch;

/// Patches of ground that stays habitat.
pub struct Refuges {
    /// Patches, with the lowest suitability of their cells over all cases.
    pub patches: CasePatches,
    /// 1 in a refuge of at least the minimum area, 0 elsewhere, 255 not compared.
    pub cells: Scratch<u8>,
}

/// The drying margin of every refuge, by number: the first step of a ladder at which less than half of its cells have never failed;
/// `None` where more have not.
///
/// # Errors
/// When the disk refuses.
pub fn margins(
    context: &Context,
    refuges: &Refuges,
    margin: &Scratch<u8>,
) -> Result<Vec<Option<usize>>, EngineError> {
    let mut failing = vec![[0u64; 256]; refuges.patches.patches.len()];
    for band in bands(context.grid) {
        let codes = margin.read(&band)?;
        for (label, code) in
            refuges.patches.labels.read(&band)?.into_iter().zip(codes).filter(|(l, _)| *l > 0)
        {
            failing[label as usize - 1][usize::from(code)] += 1;
        }
    }
    let first = |cells: &[u64; 256]| {
        let all: u64 = cells.iter().sum();
        let mut failed = 0;
        (1..usize::from(NEVER)).find(|step| {
            failed += cells[*step];
            2 * (all - failed) < all
        })
    };
    Ok(failing.iter().map(first).collect())
}

/// Finds the refuges; `None` for a study without scenarios.
///
/// # Errors
/// When the disk refuses.
pub fn run(
    context: &Context,
    products: &SuitabilityProducts,
    case_water: &[CaseWater],
) -> Result<Option<Refuges>, EngineError> {
    if products.standing.len() < 2 {
        return Ok(None);
    }
    let standing = context.bytes("refuges_standing")?;
    let lowest = context.floats("refuges_suitability")?;
    context.over_tiles("finding refuges", |_, window| {
        let mut stays = products.standing[0].read(&window)?;
        let mut least = products.suitability[0].read(&window)?;
        for (case, suitability) in products.standing.iter().zip(&products.suitability).skip(1) {
            for (stays, here) in stays.iter_mut().zip(case.read(&window)?) {
                // codes rise from not compared over other ground to habitat
                *stays = (*stays).min(here);
            }
            for (least, here) in least.iter_mut().zip(suitability.read(&window)?) {
                *least = least.min(here);
            }
        }
        standing.write(&window, &stays)?;
        Ok(lowest.write(&window, &least)?)
    })?;
    let cells = (&standing, &lowest, &case_water[0].hydroperiod);
    let patches = find(context, "refuges", cells, products.zones.as_ref())?;
    let map = context.bytes("refuges")?;
    context.over_tiles("drawing refuges", |_, window| {
        let labels = patches.labels.read(&window)?;
        let codes = standing.read(&window)?.into_iter().zip(labels).map(|(standing, label)| match label {
            _ if standing == Standing::NotCompared as u8 => 255,
            0 => 0,
            _ => 1,
        });
        Ok(map.write(&window, &codes.collect::<Vec<u8>>())?)
    })?;
    Ok(Some(Refuges { patches, cells: map }))
}
