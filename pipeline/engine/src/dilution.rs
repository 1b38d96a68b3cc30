//! Concentrations grow as pools shrink.

use crate::error::EngineError;
use crate::measures::lower;
use crate::stages::Context;
use crate::stages::scenarios::CaseWater;
use lentic_numerics::exact_sum::ExactSum;
use lentic_study::settings::{Measure, Role};
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

/// Gives every case its dilution, where some variable measures water quality.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn dilute(context: &Context, case_water: &mut [CaseWater]) -> Result<(), EngineError> {
    let quality = |measure: &Measure| matches!(measure, Measure::WaterQuality(_));
    let Some(depth) = context.study.layer_with(Role::Depth) else { return Ok(()) };
    if !context.study.variables().any(|(_, variable)| quality(&variable.measure)) {
        return Ok(());
    }
    type Volumes = BTreeMap<i32, ExactSum>;
    let cases = &*case_water;
    let tiles = context.over_tiles("measuring volumes", |_, window| {
        let depth = context.layers.numbers(depth, window)?;
        let pools = context.layers.pools(window)?;
        let mut volumes = vec![Volumes::new(); cases.len()];
        for (case, volumes) in cases.iter().zip(&mut volumes) {
            let mut depth = depth.clone();
            if let Some(fall) = &case.fall {
                lower(&mut depth, &fall.read(&window)?);
            }
            for (cell, (depth, pool)) in depth.iter().zip(&pools).enumerate() {
                if let Some(pool) = pool.filter(|_| !depth.is_nan()) {
                    let area = context.areas.area_m2(window.row + cell / window.cols);
                    volumes.entry(pool).or_default().add(f64::from(*depth) * area);
                }
            }
        }
        Ok(volumes)
    })?;
    let mut totals = vec![Volumes::new(); case_water.len()];
    for volumes in tiles {
        for (total, part) in totals.iter_mut().zip(volumes) {
            part.iter().for_each(|(pool, sum)| total.entry(*pool).or_default().merge(sum));
        }
    }
    let totals: Vec<BTreeMap<i32, f64>> = totals
        .iter()
        .map(|total| total.iter().filter_map(|(pool, sum)| Some((*pool, sum.value()?))).collect())
        .collect();
    for (case, volumes) in case_water.iter_mut().zip(&totals) {
        case.dilution = Dilution::of(&totals[0], volumes);
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
