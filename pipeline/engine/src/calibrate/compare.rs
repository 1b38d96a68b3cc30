//! The study's own suitability and the fitted one over the whole ground: maps, rank correlation, habitat by either.

use super::curves::FittedCurves;
use crate::error::EngineError;
use crate::run::VERSION;
use crate::stages::Context;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::measure_window;
use crate::stages::water::WaterProducts;
use lentic_habitat::change::{ha, is_habitat};
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::{CogData, CogSpec, FloatBand, Scratch, write_cog};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// Suitability is told apart to this share of 1 for the rank correlation.
const STEPS: usize = 1000;

/// What the two maps have to do with each other.
pub struct Comparison {
    /// The study's own suitability.
    pub expert: Scratch<f32>,
    /// The fitted one.
    pub fitted: Scratch<f32>,
    /// Cells compared.
    pub cells: u64,
    /// Spearman's correlation over them, suitability taken to the nearest thousandth.
    pub rank_correlation: Option<f64>,
    /// Square metres: habitat by neither, by the study only, by the fit only, by both.
    areas: [ExactSum; 4],
}

impl Comparison {
    /// Scores every cell both ways. Without a threshold of the fit nothing is habitat by it.
    ///
    /// # Errors
    /// A layer that cannot be read, a class without a score, or a disk that refuses.
    pub fn run(
        context: &Context,
        water: &WaterProducts,
        (case, case_water): (&Case, &CaseWater),
        curves: &FittedCurves,
        threshold: Option<f64>,
    ) -> Result<Comparison, EngineError> {
        let expert = context.floats("suitability_expert")?;
        let fitted = context.floats("suitability_fitted")?;
        let joint = Mutex::new(vec![0u64; (STEPS + 1) * (STEPS + 1)]);
        let tiles = context.over_tiles("comparing the maps", |_, window| {
            let inside = water.inside.read(&window)?;
            let here = measure_window(context, case, case_water, window)?;
            let mut fit = curves.suitability(&here.measured, &here.barrier)?;
            let mut own = here.suitability;
            let mut areas = [ExactSum::default(); 4];
            let mut places = Vec::new();
            for cell in 0..window.len() {
                if inside[cell] == 0 {
                    (own[cell], fit[cell]) = (f32::NAN, f32::NAN);
                }
                if own[cell].is_nan() || fit[cell].is_nan() {
                    continue;
                }
                places.push(step(own[cell]) * (STEPS + 1) + step(fit[cell]));
                let by_own = is_habitat(own[cell], context.study.suitability.threshold);
                let by_fit = threshold.is_some_and(|t| is_habitat(fit[cell], t));
                areas[usize::from(by_own) + 2 * usize::from(by_fit)]
                    .add(context.areas.area_m2(window.row + cell / window.cols));
            }
            expert.write(&window, &own)?;
            fitted.write(&window, &fit)?;
            let mut joint = joint.lock().unwrap_or_else(PoisonError::into_inner);
            places.iter().for_each(|at| joint[*at] += 1);
            Ok(areas)
        })?;
        let mut areas = [ExactSum::default(); 4];
        for tile in &tiles {
            areas.iter_mut().zip(tile).for_each(|(total, own)| total.merge(own));
        }
        let joint = joint.into_inner().unwrap_or_else(PoisonError::into_inner);
        let cells = joint.iter().sum();
        Ok(Comparison { expert, fitted, cells, rank_correlation: rank_correlation(&joint), areas })
    }

    /// Habitat by both, by the study only, by the fit only, hectares.
    pub fn habitat_ha(&self) -> [f64; 3] {
        [ha(&self.areas[3]), ha(&self.areas[1]), ha(&self.areas[2])]
    }

    /// Ground that is habitat by neither, hectares.
    pub fn neither_ha(&self) -> f64 {
        ha(&self.areas[0])
    }

    /// Writes both maps.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write_rasters(&self, context: &Context, folder: &Path) -> Result<(), EngineError> {
        for (name, title, cells) in [
            ("suitability_expert", "Wetland suitability by the study's own curves", &self.expert),
            ("suitability_fitted", "Wetland suitability by curves fitted to records", &self.fitted),
        ] {
            let spec = CogSpec {
                title: title.into(),
                metadata: vec![
                    ("study".into(), context.study.name.clone()),
                    ("organism".into(), context.study.organism.clone()),
                    ("program".into(), format!("lentic {VERSION}")),
                ],
                threads: 1,
            };
            let band = FloatBand { cells, description: "suitability".into(), unit: "0 to 1".into() };
            write_cog(
                &folder.join(format!("{name}.tif")),
                context.grid,
                &spec,
                &CogData::Floats(vec![band]),
            )?;
        }
        Ok(())
    }
}

fn step(suitability: f32) -> usize {
    ((f64::from(suitability) * STEPS as f64).round() as usize).min(STEPS)
}

/// Spearman's correlation from joint counts of steps.
fn rank_correlation(joint: &[u64]) -> Option<f64> {
    let side = STEPS + 1;
    let mut counts = [vec![0u64; side], vec![0u64; side]];
    for (at, n) in joint.iter().enumerate() {
        counts[0][at / side] += n;
        counts[1][at % side] += n;
    }
    let total: u64 = counts[0].iter().sum();
    let mean = (total as f64 + 1.0) / 2.0;
    // ranks from 1, those of one step sharing their mean, about the mean of all
    let ranks = counts.each_ref().map(|counts| {
        let mut below = 0.0;
        let rank = |n: &u64| {
            let rank = below + (*n as f64 + 1.0) / 2.0 - mean;
            below += *n as f64;
            rank
        };
        counts.iter().map(rank).collect::<Vec<f64>>()
    });
    let square =
        |of: usize| -> f64 { counts[of].iter().zip(&ranks[of]).map(|(n, r)| *n as f64 * r * r).sum() };
    let (a, b) = (square(0), square(1));
    let product: f64 = joint
        .iter()
        .enumerate()
        .filter(|(_, n)| **n > 0)
        .map(|(at, n)| *n as f64 * ranks[0][at / side] * ranks[1][at % side])
        .sum();
    (a > 0.0 && b > 0.0).then(|| product / (a.sqrt() * b.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_numerics::rank::spearman;
    use lentic_numerics::seed::{hash64, unit};

    #[test]
    fn counts_give_spearmans_correlation() {
        let mut joint = vec![0; (STEPS + 1) * (STEPS + 1)];
        let (mut x, mut y) = (Vec::new(), Vec::new());
        for i in 0..5000 {
            let a = (unit(hash64(1, i, 0)) * 200.0).floor() / 200.0;
            let b = (0.6 * a + 0.4 * unit(hash64(1, i, 1))) * if i % 3 == 0 { 0.0 } else { 1.0 };
            let b = (b * STEPS as f64).round() / STEPS as f64;
            joint[step(a as f32) * (STEPS + 1) + step(b as f32)] += 1;
            x.push(a);
            y.push(b);
        }
        let found = rank_correlation(&joint).unwrap();
        assert!((found - spearman(&x, &y).unwrap()).abs() < 1e-12, "{found}");
        assert_eq!(rank_correlation(&vec![0; (STEPS + 1) * (STEPS + 1)]), None);
    }
}
