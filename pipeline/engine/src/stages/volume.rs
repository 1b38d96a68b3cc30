//! Water held by pools in every case, where the study has depths.

use super::Context;
use super::scenarios::CaseWater;
use super::water::WaterProducts;
use crate::error::EngineError;
use crate::layers::known;
use lentic_habitat::drawdown::depth_after;
use lentic_habitat::volume::Volumes;
use lentic_raster::Window;
use lentic_study::settings::{Layer, Role};

/// Volumes of every case, over the cells known in all of them.
pub struct CaseVolumes<'a> {
    /// The layer whose classes hold the water: pools, else zones; none: the study area as a whole.
    pub layer: Option<&'a Layer>,
    /// By case, the baseline first.
    pub by_case: Vec<Volumes>,
}

/// Sums the water of all cases (the baseline first); `None` for a study without depths.
///
/// Counted are cells inside the study area whose depth and hydroperiod are known in every case. A cell holds water in a case
/// where its hydroperiod is above 0: depth times area.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run<'a>(
    context: &Context<'a>,
    water: &WaterProducts,
    case_water: &[CaseWater],
) -> Result<Option<CaseVolumes<'a>>, EngineError> {
    let study = context.study;
    let Some(depths) = study.layer_with(Role::Depth) else { return Ok(None) };
    let layer = study.layer_with(Role::Pools).or_else(|| study.layer_with(Role::Zones));
    let tiles = context.over_tiles("measuring water", |_, window| {
        one_tile(context, water, case_water, depths, layer, window)
    })?;
    let mut by_case = vec![Volumes::default(); case_water.len()];
    for tile in tiles {
        by_case.iter_mut().zip(&tile).for_each(|(total, part)| total.merge(part));
    }
    Ok(Some(CaseVolumes { layer, by_case }))
}

fn one_tile(
    context: &Context,
    water: &WaterProducts,
    case_water: &[CaseWater],
    depths: &Layer,
    layer: Option<&Layer>,
    window: Window,
) -> Result<Vec<Volumes>, EngineError> {
    let inside = water.inside.read(&window)?;
    let depth = context.layers.numbers(depths, window)?;
    let codes = layer.map(|layer| context.layers.codes(layer, window)).transpose()?;
    let mut months = Vec::with_capacity(case_water.len());
    let mut falls = Vec::with_capacity(case_water.len());
    for case in case_water {
        months.push(case.hydroperiod.read(&window)?);
        falls.push(case.fall.as_ref().map(|fall| fall.read(&window)).transpose()?);
    }
    let mut totals = vec![Volumes::default(); case_water.len()];
    let known_everywhere = |cell: &usize| {
        inside[*cell] == 1 && !depth[*cell].is_nan() && months.iter().all(|months| !months[*cell].is_nan())
    };
    for cell in (0..window.len()).filter(known_everywhere) {
        let area = context.areas.area_m2(window.row + cell / window.cols);
        let code = codes.as_ref().and_then(|codes| known(codes[cell]));
        for ((total, months), fall) in totals.iter_mut().zip(&months).zip(&falls) {
            let lower = fall.as_ref().map_or(0.0, |fall| fall[cell]);
            let depth = if months[cell] > 0.0 { depth_after(depth[cell], lower) } else { 0.0 };
            total.add(code, f64::from(depth), area);
        }
    }
    Ok(totals)
}
