//! Fits the answer of water to drought cell by cell, and gathers how intercepts fall with ground
//! elevation.

use super::Context;
use super::water::{INFORMATIVE, WaterProducts};
use crate::error::EngineError;
use crate::reuse::{Leaves, Step};
use lentic_habitat::drawdown::LineTable;
use lentic_habitat::drawdown::curve::to_tenth;
use lentic_habitat::response::trust::CovarianceRoot;
use lentic_habitat::response::{Design, Groups, Months};
use lentic_habitat::water::count_all;
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::{RawCells, Scratch};
use lentic_study::settings::Role;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How the fits of one group's cells went, inside the study area.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub struct GroupCounts {
    /// Cells fitted.
    pub fitted: u64,
    /// Slope held at 0.
    pub held: u64,
    /// Never seen dry: response from prior only.
    pub prior_only: u64,
    /// Usual wet area: area times the share of months wet, square metres.
    pub wet_area: ExactSum,
    /// The part of it in cells that follow the index.
    pub index_led: ExactSum,
}

impl GroupCounts {
    fn merge(&mut self, other: &GroupCounts) {
        self.fitted += other.fitted;
        self.held += other.held;
        self.prior_only += other.prior_only;
        self.wet_area.merge(&other.wet_area);
        self.index_led.merge(&other.index_led);
    }

    /// Share of the usual wet area that follows the index; none without wet area.
    pub fn index_led_share(&self) -> Option<f64> {
        let wet = self.wet_area.value().filter(|wet| *wet > 0.0)?;
        Some(self.index_led.value()? / wet)
    }
}

/// A cell follows the index where one unit of the index brings at least so many months of water (ours).
pub const INDEX_LED_MONTHS: f64 = 0.5;

/// What the stage leaves.
pub struct ResponseProducts {
    /// Slope b on the index, logits per unit; NaN where not fitted.
    pub slope: Scratch<f32>,
    /// Standard deviation of b, logits per unit; NaN where not fitted or held at 0.
    pub slope_sd: Scratch<f32>,
    /// Months of hydroperiod per unit of the index; NaN where not fitted.
    pub months_per_unit: Scratch<f32>,
    /// Share of the Brier score of calendar-month means that the fit saves, in sample; NaN where not fitted or those are
    /// never wrong.
    pub brier_saved: Scratch<f32>,
    /// Regression sums of intercept on elevation.
    pub lines: LineTable,
    /// Counts by group.
    pub counts: BTreeMap<Option<i32>, GroupCounts>,
}

/// Runs the stage; `designs` are those of the baseline, by climate.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run(
    context: &Context,
    water: &WaterProducts,
    designs: &[Design],
    groups: &Groups,
) -> Result<ResponseProducts, EngineError> {
    let slope = context.floats("response_slope")?;
    let slope_sd = context.floats("response_slope_sd")?;
    let months_per_unit = context.floats("response_months")?;
    let brier_saved = context.floats("response_brier_saved")?;
    let cells: [&dyn RawCells; 4] = [&slope, &slope_sd, &months_per_unit, &brier_saved];
    let leaves = |tile: usize| Leaves { cells: cells.to_vec(), files: context.files.of_response(tile) };
    let tiles = context.over_kept(Step::Response, &leaves, |tile, window| {
        let wet = context.files.wet(tile, &context.axis)?;
        let codes = context.climates.groups(&context.layers, window)?;
        let pools = context.layers.pools(window)?;
        let climates = context.climates.of_cells(&context.layers, window)?;
        let ground = context.layers.numbers_with(Role::Ground, window)?;
        let inside = water.inside.read(&window)?;
        let mut months = Months::default();
        let mut slopes = vec![f32::NAN; window.len()];
        let mut slope_sds = vec![f32::NAN; window.len()];
        let mut answers = vec![f32::NAN; window.len()];
        let mut saved = vec![f32::NAN; window.len()];
        let mut betas = Vec::with_capacity(wet.cells.len());
        let mut roots = Vec::with_capacity(wet.cells.len());
        let mut lines = LineTable::default();
        let mut counts: BTreeMap<Option<i32>, GroupCounts> = BTreeMap::new();
        for (at, cell) in wet.cells.iter().enumerate() {
            let cell = *cell as usize;
            // wet cells are assessed, and assessed cells have a climate
            let design = &designs[climates[cell].unwrap_or_default()];
            let (observed, bits) = (wet.rows.observed(at), wet.rows.wet(at));
            let height = ground.as_ref().map_or(f64::NAN, |ground| f64::from(ground[cell]));
            let of = (codes[cell], to_tenth(height));
            let fit = groups.fit_cell_whole(design, observed, bits, of, &mut months);
            let (beta, held, root) = (fit.beta, fit.clamped, CovarianceRoot::of(&fit));
            betas.push(beta);
            roots.push(root);
            slopes[cell] = beta[1] as f32;
            if !held {
                slope_sds[cell] = root.sd(1) as f32;
            }
            if let Some(share) = design.brier_saved(&beta, &months) {
                saved[cell] = share as f32;
            }
            let answer = design.months_per_unit(&beta);
            answers[cell] = answer as f32;
            if inside[cell] == 0 {
                continue;
            }
            let (seen, with_water) = (count_all(observed), count_all(bits));
            let count = counts.entry(codes[cell]).or_default();
            count.fitted += 1;
            count.held += u64::from(held);
            count.prior_only += u64::from(seen == with_water);
            let frequency = f64::from(with_water) / f64::from(seen);
            let usually_wet = context.areas.area_m2(window.row + cell / window.cols) * frequency;
            count.wet_area.add(usually_wet);
            if answer >= INDEX_LED_MONTHS {
                count.index_led.add(usually_wet);
            }
            if ground.is_some() && INFORMATIVE.contains(&frequency) {
                lines.add(pools[cell], codes[cell], height, beta[0]);
            }
        }
        context.files.keep_coefficients(tile, &betas)?;
        context.files.keep_covariances(tile, &roots)?;
        slope.write(&window, &slopes)?;
        slope_sd.write(&window, &slope_sds)?;
        months_per_unit.write(&window, &answers)?;
        brier_saved.write(&window, &saved)?;
        Ok((lines, counts))
    })?;
    let mut products = ResponseProducts {
        slope,
        slope_sd,
        months_per_unit,
        brier_saved,
        lines: LineTable::default(),
        counts: BTreeMap::new(),
    };
    for (lines, counts) in tiles {
        products.lines.merge(&lines);
        for (code, count) in counts {
            products.counts.entry(code).or_default().merge(&count);
        }
    }
    Ok(products)
}

impl ResponseProducts {
    /// Share of the usual wet area that follows the index, over all groups; none without wet area.
    pub fn index_led_share(&self) -> Option<f64> {
        let mut all = GroupCounts::default();
        self.counts.values().for_each(|count| all.merge(count));
        all.index_led_share()
    }
}
