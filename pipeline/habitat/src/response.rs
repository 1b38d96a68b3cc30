//! How water follows drought and season, cell by cell:
//! logit p(t) = a + b z(t) + c sin(2 pi m/12) + d cos(2 pi m/12), by penalised maximum likelihood with
//! priors shared by a response group.

use crate::water::{Bits, MonthAxis, bit, fill_round_the_year};
use lentic_numerics::logistic::{Fit, Prior};
use lentic_numerics::portable::{self, wide};
use lentic_numerics::season::{BLOCK, Block, MONTHS, SeasonRows, base, by_calendar, fit, fit_with_slope};
use lentic_numerics::stats::median;
use pool::GroundPrior;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::Arc;

/// Coefficients a, b, c, d.
pub type Beta = [f64; 4];

/// Prior sd of a, b, c, d in the fits that make the group priors.
const WIDE_SD: Beta = [10.0, 5.0, 5.0, 5.0];
/// Cells a group needs for priors of its own.
pub const CELLS_FOR_A_GROUP: usize = 30;
/// Lags of the residuals looked at, months.
const LAGS: usize = 12;
/// Probabilities are held this far from 0 and 1 in residuals.
const EDGE: f64 = 1e-6;

/// The months that have a z. What does not hang on z is shared by the designs of a run, of which there is one for each
/// climate and scenario.
#[derive(Clone, Debug)]
pub struct Design {
    /// z of the months in blocks of whole years; 0 in months that have none.
    z: Vec<Block>,
    months: Arc<DesignMonths>,
}

/// Which months a design has.
#[derive(Debug, PartialEq)]
struct DesignMonths {
    /// Positions on the axis.
    at: Vec<usize>,
    /// Calendar months from 0.
    calendar: Vec<usize>,
    /// Places in the blocks.
    slots: Vec<usize>,
    /// 1 in the blocks where a month is, else 0.
    is_month: Vec<Block>,
    per_calendar: [usize; 12],
    /// Sine and cosine by calendar month.
    season: [[f64; 2]; 12],
}

impl Design {
    /// The design of `z` by month of the axis; months without z are left out.
    pub fn new(axis: &MonthAxis, z: &[Option<f64>]) -> Self {
        let season = std::array::from_fn(|m| {
            let angle = TAU * (m + 1) as f64 / 12.0;
            [angle.sin(), angle.cos()]
        });
        let known = |at: usize| z.get(at).copied().flatten();
        let first = axis.first.calendar() as usize - 1;
        let blocks = (first + axis.len).div_ceil(BLOCK);
        let mut months = DesignMonths {
            at: Vec::new(),
            calendar: Vec::new(),
            slots: Vec::new(),
            is_month: vec![[0.0; BLOCK]; blocks],
            per_calendar: [0; 12],
            season,
        };
        let mut of_blocks = vec![[0.0; BLOCK]; blocks];
        for (at, z) in (0..axis.len).filter_map(|at| Some((at, known(at)?))) {
            let slot = first + at;
            let m = slot % MONTHS;
            months.at.push(at);
            months.calendar.push(m);
            months.slots.push(slot);
            months.is_month[slot / BLOCK][slot % BLOCK] = 1.0;
            months.per_calendar[m] += 1;
            of_blocks[slot / BLOCK][slot % BLOCK] = z;
        }
        Design { z: of_blocks, months: Arc::new(months) }
    }

    /// The same design, its months shared with `other` where they are the same ones: thousands of climates then take
    /// little more room than their z.
    #[must_use]
    pub fn sharing(mut self, other: &Design) -> Self {
        if self.months == other.months {
            self.months = Arc::clone(&other.months);
        }
        self
    }

    /// The row (1, z, sin, cos) of a design month.
    fn row(&self, i: usize) -> Beta {
        let [sine, cosine] = self.months.season[self.months.calendar[i]];
        [1.0, self.of_month(&self.z, i), sine, cosine]
    }

    /// What blocks hold of the design month at a position.
    pub fn of_month(&self, blocks: &[Block], i: usize) -> f64 {
        blocks.as_flattened()[self.months.slots[i]]
    }

    /// What blocks hold of the design months, in order.
    pub fn of_months<'a>(&'a self, blocks: &'a [Block]) -> impl Iterator<Item = f64> + 'a {
        self.months.slots.iter().map(|slot| blocks.as_flattened()[*slot])
    }

    /// Design months.
    pub fn len(&self) -> usize {
        self.months.at.len()
    }

    /// Whether no month has a z.
    pub fn is_empty(&self) -> bool {
        self.months.at.is_empty()
    }

    /// The design months in order.
    pub fn months(&self) -> impl Iterator<Item = DesignMonth> + '_ {
        let places = self.months.at.iter().zip(&self.months.calendar);
        places.zip(self.of_months(&self.z)).map(|((at, calendar), z)| DesignMonth {
            at: *at,
            calendar: *calendar,
            z,
        })
    }

    /// p of a month under coefficients `beta` with `shift` logits added.
    pub fn probability(&self, month: &DesignMonth, beta: &Beta, shift: f64) -> f64 {
        let [sine, cosine] = self.months.season[month.calendar];
        inverse_logit(beta[0] + beta[2] * sine + beta[3] * cosine + shift + beta[1] * month.z)
    }

    /// z of the design months with their positions on the axis.
    pub fn z(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.months.at.iter().copied().zip(self.of_months(&self.z))
    }

    /// Calendar months of the design months, January 0, with their positions on the axis.
    pub fn calendar(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        self.months.at.iter().copied().zip(self.months.calendar.iter().copied())
    }

    /// Mean z by calendar month, January first; `None` for a month without design months.
    pub fn mean_z(&self) -> [Option<f64>; 12] {
        let DesignMonths { calendar, per_calendar, .. } = &*self.months;
        let mut sums = [0.0; 12];
        for (z, m) in self.of_months(&self.z).zip(calendar) {
            sums[*m] += z;
        }
        std::array::from_fn(|m| (per_calendar[m] > 0).then(|| sums[m] / per_calendar[m] as f64))
    }

    /// How many months of hydroperiod one unit of the index brings around 0: hydroperiod at z = 0.5 minus at z = -0.5.
    pub fn months_per_unit(&self, beta: &Beta) -> f64 {
        let at = |m: usize, z: f64| {
            let [sine, cosine] = self.months.season[m];
            inverse_logit(beta[0] + beta[1] * z + beta[2] * sine + beta[3] * cosine)
        };
        (0..12).map(|m| at(m, 0.5) - at(m, -0.5)).sum()
    }

    /// Expected hydroperiod, months per year, of coefficients `beta` with `shift` logits added:
    /// sum over calendar months of the mean of p over that month's design months.
    pub fn hydroperiod(&self, beta: &Beta, shift: f64) -> f64 {
        let base = base(beta, &self.months.season, shift);
        let z = self.z.iter();
        self.year(z.map(
            #[inline(always)]
            |z| std::array::from_fn(|at| base[at] + beta[1] * z[at]),
        ))
    }

    /// Hydroperiod of the logits of the blocks.
    #[inline(always)]
    fn year(&self, logits: impl Iterator<Item = Block>) -> f64 {
        let sums = wide(
            #[inline(always)]
            || {
                let mut sums = [0.0; BLOCK];
                for (logits, is_month) in logits.zip(&self.months.is_month) {
                    for at in 0..BLOCK {
                        sums[at] += is_month[at] * portable::inverse_logit(logits[at]);
                    }
                }
                by_calendar(&sums)
            },
        );
        self.of_calendar(&sums)
    }

    /// Sum over calendar months of the mean over each one's design months, of the sums over these; a calendar month without design
    /// months is filled in.
    fn of_calendar(&self, sums: &[f64; MONTHS]) -> f64 {
        let per_calendar = &self.months.per_calendar;
        if per_calendar.iter().all(|n| *n > 0) {
            return sums.iter().zip(per_calendar).map(|(s, n)| s / *n as f64).sum();
        }
        let means: [Option<f64>; 12] =
            std::array::from_fn(|m| (per_calendar[m] > 0).then(|| sums[m] / per_calendar[m] as f64));
        fill_round_the_year(&means).map_or(f64::NAN, |filled| filled.iter().sum())
    }

    /// Probabilities of the months of the blocks, of coefficients `beta` with `shift` logits added; what stands where no month is means
    /// nothing.
    pub fn probabilities(&self, beta: &Beta, shift: f64, p: &mut Vec<Block>) {
        let base = base(beta, &self.months.season, shift);
        p.resize(self.z.len(), [0.0; BLOCK]);
        wide(
            #[inline(always)]
            || {
                for (p, z) in p.iter_mut().zip(&self.z) {
                    for at in 0..BLOCK {
                        p[at] = portable::inverse_logit(base[at] + beta[1] * z[at]);
                    }
                }
            },
        );
    }
}

/// A month that has a z.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DesignMonth {
    /// Its position on the axis.
    pub at: usize,
    /// Its calendar month, 0 January to 11 December.
    pub calendar: usize,
    /// Its index.
    pub z: f64,
}

/// Room for the observed months of one cell, reused from cell to cell.
#[derive(Default)]
pub struct Months {
    z: Vec<Block>,
    trials: Vec<Block>,
    successes: Vec<Block>,
    season: [[f64; 2]; MONTHS],
}

impl Months {
    fn read(&mut self, design: &Design, observed: Bits, wet: Bits) {
        self.clear();
        self.add(design, |at| {
            let seen = bit(observed, at);
            (f64::from(u8::from(seen)), f64::from(u8::from(seen && bit(wet, at))))
        });
    }

    fn clear(&mut self) {
        self.z.clear();
        self.trials.clear();
        self.successes.clear();
    }

    /// Adds the months of a design, with trials and successes by position on the axis.
    fn add(&mut self, design: &Design, of: impl Fn(usize) -> (f64, f64)) {
        self.season = design.months.season;
        let before = self.z.len();
        self.z.extend_from_slice(&design.z);
        self.trials.resize(self.z.len(), [0.0; BLOCK]);
        self.successes.resize(self.z.len(), [0.0; BLOCK]);
        let trials = self.trials[before..].as_flattened_mut();
        let successes = self.successes[before..].as_flattened_mut();
        for (at, slot) in design.months.at.iter().zip(&design.months.slots) {
            (trials[*slot], successes[*slot]) = of(*at);
        }
    }

    /// Fills `others` with these months of a design, those left out counting as not seen.
    fn without(&self, design: &Design, left_out: impl Fn(usize) -> bool, others: &mut Months) {
        others.z.clone_from(&self.z);
        others.trials.clone_from(&self.trials);
        others.successes.clone_from(&self.successes);
        others.season = self.season;
        let (trials, successes) = (others.trials.as_flattened_mut(), others.successes.as_flattened_mut());
        for (_, slot) in design.months.slots.iter().enumerate().filter(|(i, _)| left_out(*i)) {
            (trials[*slot], successes[*slot]) = (0.0, 0.0);
        }
    }

    /// Whether the month of a design at a position was seen.
    fn is_seen(&self, design: &Design, i: usize) -> bool {
        design.of_month(&self.trials, i) > 0.0
    }

    /// Successes of the month of a design at a position.
    fn wet(&self, design: &Design, i: usize) -> f64 {
        design.of_month(&self.successes, i)
    }

    fn rows(&self, weight: f64) -> SeasonRows<'_> {
        SeasonRows {
            z: &self.z,
            trials: &self.trials,
            successes: &self.successes,
            season: &self.season,
            weight,
        }
    }
}

/// 1 / (1 + exp(-eta))
pub fn inverse_logit(eta: f64) -> f64 {
    portable::inverse_logit(eta)
}

/// Prior spreads of a study.
#[derive(Clone, Copy, Debug)]
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
#[derive(Clone, Debug, PartialEq)]
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
#[derive(Clone, Debug)]
pub struct Groups {
    /// Groups with cells in the sample.
    by_code: BTreeMap<Option<i32>, GroupFit>,
    /// Groups that are pools with a level.
    pools: BTreeMap<i32, GroupFit>,
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

    /// Fits one cell with the prior of its group, at its ground (metres, NaN where it is not known); says whether b was held at 0.
    pub fn fit_cell(
        &self,
        design: &Design,
        observed: Bits,
        wet: Bits,
        (code, ground): (Option<i32>, f64),
        months: &mut Months,
    ) -> (Beta, bool) {
        let fitted = self.fit_cell_whole(design, observed, wet, (code, ground), months);
        (fitted.beta, fitted.clamped)
    }

    /// As [`Groups::fit_cell`], with the covariance of the coefficients; `months` then holds the cell's months.
    pub fn fit_cell_whole(
        &self,
        design: &Design,
        observed: Bits,
        wet: Bits,
        (code, ground): (Option<i32>, f64),
        months: &mut Months,
    ) -> Fit<4> {
        months.read(design, observed, wet);
        self.fit_whole((code, ground), months)
    }

    fn fit_months(&self, of: (Option<i32>, f64), months: &Months) -> (Beta, bool) {
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
fn free_fits<'d>(
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

fn group_fit(fits: &[(Beta, Lagged)], cells: &[usize], own: bool) -> GroupFit {
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
    let mut residuals = vec![f64::NAN; axis.len];
    for (i, at) in design.months.at.iter().enumerate() {
        if months.is_seen(design, i) {
            let eta: f64 = design.row(i).iter().zip(beta).map(|(x, b)| x * b).sum();
            let p = inverse_logit(eta).clamp(EDGE, 1.0 - EDGE);
            residuals[*at] = (months.wet(design, i) - p) / (p * (1.0 - p)).sqrt();
        }
    }
    std::array::from_fn(|lag| {
        let pairs = residuals.iter().skip(lag).zip(&residuals);
        pairs.fold((0.0, 0), |(sum, n), (later, earlier)| {
            let product = later * earlier;
            if product.is_nan() { (sum, n) } else { (sum + product, n + 1) }
        })
    })
}

pub mod choice;
pub mod moved;
pub mod pool;
pub mod pooled;
pub mod quality;
pub mod trend;
pub mod trust;

#[cfg(test)]
pub(crate) mod tests;
