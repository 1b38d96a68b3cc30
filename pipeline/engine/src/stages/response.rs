//! Fits the answer of water to drought cell by cell, and gathers how intercepts fall with ground
//! elevation.

use super::Context;
use super::water::{INFORMATIVE, WaterProducts};
use crate::error::EngineError;
use lentic_habitat::drawdown::LineTable;
use lentic_habitat::response::{Design, Groups, Months};
use lentic_habitat::water::count_all;
use lentic_raster::Scratch;
use lentic_study::settings::Role;
use std::collections::BTreeMap;

/// How the fits of one group's cells went, inside the study area.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct GroupCounts {
    /// Cells fitted.
    pub fitted: u64,
    /// Slope held at 0.
    pub held: u64,
    /// Never seen dry: response from prior only.
    pub prior_only: u64,
}

/// What the stage leaves.
pub struct ResponseProducts {
    /// Slope b on the index, logits per unit; NaN where not fitted.
    pub slope: Scratch<f32>,
    /// Regression sums of intercept on elevation.
    pub lines: LineTable,
    /// Counts by group.
    pub counts: BTreeMap<Option<i32>, GroupCounts>,
}

/// Runs the stage.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn run(
    context: &Context,
    water: &WaterProducts,
    design: &Design,
    groups: &Groups,
) -> Result<ResponseProducts, EngineError> {
    let slope = context.floats("response_slope")?;
    let tiles = context.over_tiles("fitting the response", |tile, window| {
        let wet = context.files.wet(tile, &context.axis)?;
        let codes = context.layers.groups(window)?;
        let pools = context.layers.pools(window)?;
        let ground = context.layers.numbers_with(Role::Ground, window)?;
        let inside = water.inside.read(&window)?;
        let mut months = Months::default();
        let mut slopes = vec![f32::NAN; window.len()];
        let mut betas = Vec::with_capacity(wet.cells.len());
        let mut lines = LineTable::default();
        let mut counts: BTreeMap<Option<i32>, GroupCounts> = BTreeMap::new();
        for (at, cell) in wet.cells.iter().enumerate() {
            let cell = *cell as usize;
            let (observed, bits) = (wet.rows.observed(at), wet.rows.wet(at));
            let (beta, held) = groups.fit_cell(design, observed, bits, codes[cell], &mut months);
            betas.push(beta);
            slopes[cell] = beta[1] as f32;
            if inside[cell] == 0 {
                continue;
            }
            let (seen, with_water) = (count_all(observed), count_all(bits));
            let count = counts.entry(codes[cell]).or_default();
            count.fitted += 1;
            count.held += u64::from(held);
            count.prior_only += u64::from(seen == with_water);
            let frequency = f64::from(with_water) / f64::from(seen);
            if let Some(ground) = ground.as_ref().filter(|_| INFORMATIVE.contains(&frequency)) {
                lines.add(pools[cell], codes[cell], f64::from(ground[cell]), beta[0]);
            }
        }
        context.files.keep_coefficients(tile, &betas)?;
        slope.write(&window, &slopes)?;
        Ok((lines, counts))
    })?;
    let mut products = ResponseProducts { slope, lines: LineTable::default(), counts: BTreeMap::new() };
    for (lines, counts) in tiles {
        products.lines.merge(&lines);
        for (code, count) in counts {
            let total = products.counts.entry(code).or_default();
            total.fitted += count.fitted;
            total.held += count.held;
            total.prior_only += count.prior_only;
        }
    }
    Ok(products)
}
