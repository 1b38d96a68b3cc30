//! Concentrations grow as pools shrink.

use crate::error::EngineError;
use crate::measures::lower;
use crate::stages::Context;
use crate::stages::scenarios::CaseWater;
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::Window;
use lentic_study::Study;
use lentic_study::settings::{Layer, Measure, Role};
use std::collections::BTreeMap;

/// A concentration grows by no more than this, however little water is left (ours).
const MOST: f64 = 10.0;

/// By what concentrations are multiplied in each pool: min(V0 / V, 10), V0 and V the pool's volume in the baseline and in the
/// case. Nothing is flushed out or taken up. A pool without water in the baseline has nothing to concentrate: 1. Held as
/// 32-bit floats, which a run record keeps to the last bit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Dilution(pub BTreeMap<i32, f32>);

impl Dilution {
    /// From the volumes of pools, cubic metres, in the baseline and in a case.
    pub fn of(baseline: &BTreeMap<i32, f64>, case: &BTreeMap<i32, f64>) -> Self {
        let factor = |(pool, before): (&i32, &f64)| {
            let after = case.get(pool).copied().unwrap_or(0.0);
            let factor = match before {
                before if *before <= 0.0 => 1.0,
                before => (before / after).min(MOST),
            };
            (*pool, factor as f32)
        };
        Dilution(baseline.iter().map(factor).collect())
    }

    /// The factor in a pool; 1 in one without depths.
    pub fn concentration(&self, pool: i32) -> f64 {
        self.0.get(&pool).map_or(1.0, |factor| f64::from(*factor))
    }
}

/// The layer of depths, where some variable measures water quality.
pub fn depths(study: &Study) -> Option<&Layer> {
    let quality = |measure: &Measure| matches!(measure, Measure::WaterQuality(_));
    study.layer_with(Role::Depth).filter(|_| study.variables().any(|(_, v)| quality(&v.measure)))
}

/// Volumes of pools, cubic metres.
pub type Volumes = BTreeMap<i32, ExactSum>;

/// Sums of water in a window, one for each fall of depth.
///
/// # Errors
/// A layer that cannot be read.
pub fn volumes(
    context: &Context,
    depth: &Layer,
    window: Window,
    falls: &[Option<Vec<f32>>],
) -> Result<Vec<Volumes>, EngineError> {
    let depth = context.layers.numbers(depth, window)?;
    let pools = context.layers.pools(window)?;
    let mut volumes = vec![Volumes::new(); falls.len()];
    for (fall, volumes) in falls.iter().zip(&mut volumes) {
        let mut depth = depth.clone();
        if let Some(fall) = fall {
            lower(&mut depth, fall);
        }
        for (cell, (depth, pool)) in depth.iter().zip(&pools).enumerate() {
            if let Some(pool) = pool.filter(|_| !depth.is_nan()) {
                let area = context.areas.area_m2(window.row + cell / window.cols);
                volumes.entry(pool).or_default().add(f64::from(*depth) * area);
            }
        }
    }
    Ok(volumes)
}

/// The dilution of `cases` cases, the baseline first, from the volumes of all tiles.
pub fn dilutions(cases: usize, tiles: Vec<Vec<Volumes>>) -> Vec<Dilution> {
    let mut totals = vec![Volumes::new(); cases];
    for volumes in tiles {
        for (total, part) in totals.iter_mut().zip(volumes) {
            part.iter().for_each(|(pool, sum)| total.entry(*pool).or_default().merge(sum));
        }
    }
    let totals: Vec<BTreeMap<i32, f64>> = totals
        .iter()
        .map(|total| total.iter().filter_map(|(pool, sum)| Some((*pool, sum.value()?))).collect())
        .collect();
    totals.iter().map(|volumes| Dilution::of(&totals[0], volumes)).collect()
}

/// Gives every case its dilution, where some variable measures water quality.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn dilute(context: &Context, case_water: &mut [CaseWater]) -> Result<(), EngineError> {
    let Some(depth) = depths(context.study) else { return Ok(()) };
    let (cases, count) = (&*case_water, case_water.len());
    let tiles = context.over_tiles("measuring volumes", |_, window| {
        let falls = cases.iter().map(|case| case.fall.as_ref().map(|fall| fall.read(&window)).transpose());
        volumes(context, depth, window, &falls.collect::<Result<Vec<_>, _>>()?)
    })?;
    for (case, dilution) in case_water.iter_mut().zip(dilutions(count, tiles)) {
        case.dilution = dilution;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shrinking_pool_concentrates() {
        let before = [(1, 100.0), (2, 100.0), (3, 100.0), (4, 0.0), (5, 30.0)].into();
        let after = [(1, 50.0), (2, 5.0), (3, 0.0), (4, 0.0), (5, 60.0)].into();
        let dilution = Dilution::of(&before, &after);
        // half the water twice the salt; a twentieth is held at ten times, no water too; more water thins
        let found: Vec<f64> = (1..=6).map(|pool| dilution.concentration(pool)).collect();
        assert_eq!(found, [2.0, 10.0, 10.0, 1.0, 0.5, 1.0]);
        assert_eq!(Dilution::of(&before, &before).concentration(1), 1.0);
    }
}
