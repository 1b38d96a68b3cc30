//! Priors that the cells of a response group share, and fits of single cells by them.

use super::pool::GroundPrior;
use super::{Beta, Design, Months, inverse_logit};
use crate::water::{Bits, MonthAxis};
use lentic_numerics::logistic::{Fit, Prior};
use lentic_numerics::portable::wide;
use lentic_numerics::season::{fit, fit_with_slope};
use lentic_numerics::stats::median;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Prior sd of a, b, c, d in the fits that make the group priors.
const WIDE_SD: Beta = [10.0, 5.0, 5.0, 5.0];
/// Cells a group needs for priors of its own.
pub const CELLS_FOR_A_GROUP: usize = 30;
/// Lags of the residuals looked at, months.
const LAGS: usize = 12;
/// Probabilities are held this far from 0 and 1 in residuals.
const EDGE: f64 = 1e-6;

/// Prior spreads of a study.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub struct Spreads {
    /// Of the intercept.
    pub intercept: f64,
    /// Of the slope on the index.
    pub index: f64,
    /// Of the season terms.
    pub season: f64,
}

/// A cell that helps to make the priors of its group.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SampleCell {
    /// Class code of its group; `None` for cells without a class.
    pub group: Option<i32>,
    /// Which climate it has: position among the designs.
    pub climate: usize,
    /// Its pool, where the study has pools and a level may be fitted to them.
    pub pool: Option<i32>,
    /// Its ground, metres; NaN where it is not known.
    pub ground: f64,
    /// Observed months.
    pub observed: Vec<u64>,
    /// Wet months.
    pub wet: Vec<u64>,
}

/// What a response group shares.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GroupFit {
    /// Cells the priors come from.
    pub cells: usize,
    /// Whether those are the group's own (else of all groups).
    pub own: bool,
    /// Prior means of a, b, c, d.
    pub mean: Beta,
    /// Sum of the residual autocorrelations used.
    pub autocorrelation: f64,
    /// The residual autocorrelation of a month and the next, 0 to 1.
    pub lag1: f64,
    /// Weight of the likelihood, 0.1 to 1.
    pub weight: f64,
    /// Where intercepts are expected by ground, in the group of a pool with a level.
    pub ground: Option<GroundPrior>,
}

/// Priors of all groups.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Groups {
    /// Groups with cells in the sample.
    by_code: BTreeMap<Option<i32>, GroupFit>,
    /// Groups that are pools with a level.
    pub(super) pools: BTreeMap<i32, GroupFit>,
    /// For groups too small.
    all: GroupFit,
    spreads: Spreads,
}

/// Why no response can be fitted.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ResponseError {
    /// Nothing is ever wet and ever dry.
    #[error(
        "the answer of water to climate cannot be fitted: no assessed cell inside the study area is wet in 10 to 90 % of its \
         observed months; check that the record is longer than a few dates, and that the files of layer \"water\" hold 0 and 1 as expected, lie where they should and cover the study area and the baseline"
    )]
    NoCells,
}

/// The lagged products of one cell's residuals: sums and counts for lags 0 to 12.
type Lagged = [(f64, u64); LAGS + 1];

impl Groups {
    /// Fits the priors from sample cells, which must come in a fixed order; `designs` has one design for each climate.
    ///
    /// # Errors
    /// When there is no sample cell at all.
    pub fn fit(
        designs: &[Design],
        axis: &MonthAxis,
        sample: &[SampleCell],
        spreads: Spreads,
    ) -> Result<Self, ResponseError> {
        if sample.is_empty() {
            return Err(ResponseError::NoCells);
        }
        let fits = free_fits(|cell| &designs[cell.climate], axis, sample);
        let every: Vec<usize> = (0..sample.len()).collect();
        let all = group_fit(&fits, &every, false);
        let mut members: BTreeMap<Option<i32>, Vec<usize>> = BTreeMap::new();
        for (at, cell) in sample.iter().enumerate() {
            members.entry(cell.group).or_default().push(at);
        }
        let by_code = members
            .into_iter()
            .map(|(code, cells)| {
                let fit = if cells.len() < CELLS_FOR_A_GROUP {
                    GroupFit { cells: cells.len(), ..all.clone() }
                } else {
                    group_fit(&fits, &cells, true)
                };
                (code, fit)
            })
            .collect();
        Ok(Groups { by_code, pools: BTreeMap::new(), all, spreads })
    }

    /// The priors of a group; those of all cells where it has none of its own.
    pub fn of(&self, code: Option<i32>) -> &GroupFit {
        let pool = code.and_then(|code| self.pools.get(&code));
        pool.or_else(|| self.by_code.get(&code)).unwrap_or(&self.all)
    }

    /// Number of places that [`Self::position`] gives.
    pub fn count(&self) -> usize {
        self.by_code.len() + 1 + usize::from(!self.pools.is_empty())
    }

    /// The place of a group among those that have priors; the number of those for any other, whose priors are those of all cells. All
    /// pools with a level share the last place.
    pub fn position(&self, code: Option<i32>) -> usize {
        if code.is_some_and(|code| self.pools.contains_key(&code)) {
            return self.by_code.len() + 1;
        }
        self.by_code.keys().position(|known| *known == code).unwrap_or(self.by_code.len())
    }

    /// Groups that have cells in the sample, with their fits; pools with a level last.
    pub fn iter(&self) -> impl Iterator<Item = (Option<i32>, &GroupFit)> {
        let classes = self.by_code.iter().map(|(code, fit)| (*code, fit));
        classes.chain(self.pools.iter().map(|(code, fit)| (Some(*code), fit)))
    }

    /// Priors over all groups together.
    pub fn all(&self) -> &GroupFit {
        &self.all
    }

    /// Fits one cell with the prior of a group, at a ground (`of`: code; metres, NaN where it is not known); says whether b was held at 0.
    pub fn fit_cell(
        &self,
        design: &Design,
        observed: Bits,
        wet: Bits,
        of: (Option<i32>, f64),
        months: &mut Months,
    ) -> (Beta, bool) {
        months.read(design, observed, wet);
        self.fit_months(of, months)
    }

    /// As [`Groups::fit_cell`], with the covariance of the coefficients; `months` then holds the cell's months.
    pub fn fit_cell_whole(
        &self,
        design: &Design,
        observed: Bits,
        wet: Bits,
        of: (Option<i32>, f64),
        months: &mut Months,
    ) -> Fit<4> {
        months.read(design, observed, wet);
        self.fit_whole(of, months)
    }

    pub(super) fn fit_months(&self, of: (Option<i32>, f64), months: &Months) -> (Beta, bool) {
        let fitted = self.fit_whole(of, months);
        (fitted.beta, fitted.clamped)
    }

    fn fit_whole(&self, (code, ground): (Option<i32>, f64), months: &Months) -> Fit<4> {
        self.of(code).fit(self.spreads, ground, months)
    }
}

impl GroupFit {
    /// Coefficients of a cell by these priors, at a ground (metres, NaN where it is not known); its observed months and its wet ones.
    pub fn fit_cell(
        &self,
        spreads: Spreads,
        design: &Design,
        (observed, wet): (Bits, Bits),
        ground: f64,
        months: &mut Months,
    ) -> Beta {
        months.read(design, observed, wet);
        self.fit(spreads, ground, months).beta
    }

    /// Fits months by these priors, at a ground (metres, NaN where it is not known).
    fn fit(&self, spreads: Spreads, ground: f64, months: &Months) -> Fit<4> {
        let mut prior =
            Prior { mean: self.mean, sd: [spreads.intercept, spreads.index, spreads.season, spreads.season] };
        if let Some(by_ground) = self.ground.filter(|_| ground.is_finite()) {
            prior.mean[0] = by_ground.intercept(ground);
            prior.sd[0] = by_ground.sd;
        }
        fit_with_slope(months.rows(self.weight), &prior)
    }
}

/// Coefficients of each cell by itself, with the lagged products of its residuals.
pub(super) fn free_fits<'d>(
    design_of: impl Fn(&SampleCell) -> &'d Design + Sync,
    axis: &MonthAxis,
    cells: &[SampleCell],
) -> Vec<(Beta, Lagged)> {
    let wide = Prior { mean: [0.0; 4], sd: WIDE_SD };
    cells
        .par_iter()
        .map_init(Months::default, |months, cell| {
            let design = design_of(cell);
            months.read(design, &cell.observed, &cell.wet);
            let beta = fit(months.rows(1.0), &wide).beta;
            (beta, lagged(design, axis, months, &beta))
        })
        .collect()
}

pub(super) fn group_fit(fits: &[(Beta, Lagged)], cells: &[usize], own: bool) -> GroupFit {
    let middle = |k: usize| {
        let values: Vec<f64> = cells.iter().map(|at| fits[*at].0[k]).collect();
        median(&values).unwrap_or(0.0)
    };
    let mut totals: Lagged = [(0.0, 0); LAGS + 1];
    for at in cells {
        for (total, part) in totals.iter_mut().zip(&fits[*at].1) {
            total.0 += part.0;
            total.1 += part.1;
        }
    }
    let mean = |lag: usize| totals[lag].0 / totals[lag].1 as f64;
    let mut autocorrelation = 0.0;
    for lag in 1..=LAGS {
        let r = mean(lag) / mean(0);
        // NaN (no pairs at this lag) ends the sum as well
        if r > 0.0 {
            autocorrelation += r;
        } else {
            break;
        }
    }
    GroupFit {
        cells: cells.len(),
        own,
        mean: [0.0, middle(1), middle(2), middle(3)],
        autocorrelation,
        // without pairs of months it is not known: none is taken
        lag1: Some(mean(1) / mean(0)).filter(|r| !r.is_nan()).unwrap_or(0.0).clamp(0.0, 1.0),
        weight: (1.0 / (1.0 + 2.0 * autocorrelation)).clamp(0.1, 1.0),
        ground: None,
    }
}

fn lagged(design: &Design, axis: &MonthAxis, months: &Months, beta: &Beta) -> Lagged {
    // 0 in months not seen and before the first, which add nothing to a sum of products
    let (mut residuals, mut seen) = (vec![0.0; LAGS + axis.len], vec![0.0; LAGS + axis.len]);
    for (i, at) in design.months.at.iter().enumerate() {
        if months.is_seen(design, i) {
            let eta: f64 = design.row(i).iter().zip(beta).map(|(x, b)| x * b).sum();
            let p = inverse_logit(eta).clamp(EDGE, 1.0 - EDGE);
            residuals[LAGS + *at] = (months.wet(design, i) - p) / (p * (1.0 - p)).sqrt();
            seen[LAGS + *at] = 1.0;
        }
    }
    // all lags of a month at once, the longest first
    let [sums, pairs] = wide(
        #[inline(always)]
        || {
            let mut totals = [[0.0; LAGS + 1]; 2];
            for (total, values) in totals.iter_mut().zip([&residuals, &seen]) {
                for earlier in values.windows(LAGS + 1) {
                    for lane in 0..=LAGS {
                        total[lane] += earlier[LAGS] * earlier[lane];
                    }
                }
            }
            totals
        },
    );
    std::array::from_fn(|lag| (sums[LAGS - lag], pairs[LAGS - lag] as u64))
}
