//! The logistic regression of wet months on an index and the season, for very many cells that share their months:
//! logit p = a + b z + c sin + d cos, with z by month and sine and cosine by calendar month.
//!
//! What [`crate::logistic`] maximises, by the same steps, but with sums by calendar month first: sine and cosine are the
//! same in every January, so five sums a month (of residual and variance, and of those times z) stand for the fourteen of a plain row. Months lie year by year, so
//! that all is worked on several months at once; results do not depend on how many (see [`crate::portable`]).

// Indices of small arrays read as in the formulas; iterators would hide them.
#![allow(clippy::needless_range_loop)]

mod start;

use crate::logistic::{Fit, Prior, climb, with_prior};
use crate::portable::{exp, inverse_logit, wide};

/// Calendar months.
pub const MONTHS: usize = 12;
/// Years of a block.
pub const YEARS: usize = 6;
/// Months of a block.
pub const BLOCK: usize = MONTHS * YEARS;
/// Months of six years, January first. What is no month of the record has 0 trials.
pub type Block = [f64; BLOCK];

/// Blocks whose factors are multiplied before the logarithm is taken: each lies from 1 to 2, so that 864 of them stay finite.
const FACTORS: usize = 12;

/// The months of a fit. `z`, `trials` and `successes` have one length; trials >= successes >= 0, whole numbers or not.
#[derive(Clone, Copy, Debug)]
pub struct SeasonRows<'a> {
    /// Index of each month.
    pub z: &'a [Block],
    /// Trials of each month.
    pub trials: &'a [Block],
    /// Successes of each month.
    pub successes: &'a [Block],
    /// Sine and cosine by calendar month.
    pub season: &'a [[f64; 2]; MONTHS],
    /// Weight of the whole likelihood against the prior.
    pub weight: f64,
}

/// Logits at z = 0 of the months of a block.
#[inline(always)]
pub fn base(beta: &[f64; 4], season: &[[f64; 2]; MONTHS], shift: f64) -> Block {
    let year: [f64; MONTHS] =
        std::array::from_fn(|m| beta[0] + beta[2] * season[m][0] + beta[3] * season[m][1] + shift);
    std::array::from_fn(|at| year[at % MONTHS])
}

/// Sums of a block by calendar month.
#[inline(always)]
pub fn by_calendar(block: &Block) -> [f64; MONTHS] {
    let mut sums = [0.0; MONTHS];
    for year in block.chunks_exact(MONTHS) {
        for m in 0..MONTHS {
            sums[m] += year[m];
        }
    }
    sums
}

/// As [`crate::logistic::fit`].
///
/// ```
/// use lentic_numerics::logistic::Prior;
/// use lentic_numerics::season::{BLOCK, SeasonRows, fit};
/// // Index and season at 0: the logit of 3/4.
/// let mut rows = [[0.0; BLOCK]; 3];
/// rows[1] = [4.0; BLOCK];
/// rows[2] = [3.0; BLOCK];
/// let [z, trials, successes] = &rows;
/// let of = |block| std::slice::from_ref(block);
/// let rows = SeasonRows { z: of(z), trials: of(trials), successes: of(successes), season: &[[0.0; 2]; 12], weight: 1.0 };
/// let prior = Prior { mean: [0.0; 4], sd: [f64::INFINITY, 1.0, 1.0, 1.0] };
/// assert!((fit(rows, &prior).beta[0] - 3.0f64.ln()).abs() < 1e-12);
/// ```
pub fn fit(rows: SeasonRows<'_>, prior: &Prior<4>) -> Fit<4> {
    wide(
        #[inline(always)]
        || newton(rows, prior, start::near(rows, prior), None),
    )
}

/// As [`crate::logistic::fit_with_lower_bound`] for the slope on the index: where it falls below 0 it is held there.
pub fn fit_with_slope(rows: SeasonRows<'_>, prior: &Prior<4>) -> Fit<4> {
    const SLOPE: usize = 1;
    let free = fit(rows, prior);
    if free.beta[SLOPE] >= 0.0 {
        return free;
    }
    let mut start = free.beta;
    if start.iter().any(|b| !b.is_finite()) {
        start = prior.mean;
    }
    start[SLOPE] = 0.0;
    let mut held = wide(
        #[inline(always)]
        || newton(rows, prior, start, Some(SLOPE)),
    );
    held.iterations += free.iterations;
    held.clamped = true;
    held
}

#[inline(always)]
fn newton(rows: SeasonRows<'_>, prior: &Prior<4>, start: [f64; 4], held: Option<usize>) -> Fit<4> {
    let range = range_of_z(rows);
    let moved = |step: &[f64; 4]| -> f64 {
        // along z a logit changes evenly, so that the ends of its range move most
        let mut most = 0.0f64;
        for (m, [low, high]) in range.iter().enumerate().filter(|(_, [low, high])| low <= high) {
            let level = step[0] + step[2] * rows.season[m][0] + step[3] * rows.season[m][1];
            most = most.max((level + step[1] * low).abs()).max((level + step[1] * high).abs());
        }
        most
    };
    climb(
        start,
        held,
        #[inline(always)]
        |beta| slope_and_bend(rows, prior, beta, held),
        moved,
        #[inline(always)]
        |beta| log_posterior(rows, prior, beta),
    )
}

/// Least and largest z by calendar month, of the months with trials; least above largest where there are none.
#[inline(always)]
fn range_of_z(rows: SeasonRows<'_>) -> [[f64; 2]; MONTHS] {
    let (mut low, mut high) = ([f64::INFINITY; BLOCK], [f64::NEG_INFINITY; BLOCK]);
    for (z, trials) in rows.z.iter().zip(rows.trials) {
        for at in 0..BLOCK {
            let (least, most) =
                if trials[at] > 0.0 { (z[at], z[at]) } else { (f64::INFINITY, f64::NEG_INFINITY) };
            low[at] = if least < low[at] { least } else { low[at] };
            high[at] = if most > high[at] { most } else { high[at] };
        }
    }
    std::array::from_fn(|m| {
        (m..BLOCK).step_by(MONTHS).fold([f64::INFINITY, f64::NEG_INFINITY], |[least, most], at| {
            [least.min(low[at]), most.max(high[at])]
        })
    })
}

/// Gradient and negative Hessian of the log-posterior. A held coefficient has gradient 0 and a unit row.
#[inline(always)]
fn slope_and_bend(
    rows: SeasonRows<'_>,
    prior: &Prior<4>,
    beta: &[f64; 4],
    held: Option<usize>,
) -> ([f64; 4], [[f64; 4]; 4]) {
    let base = base(beta, rows.season, 0.0);
    let mut r = [0.0; BLOCK];
    let mut rz = [0.0; BLOCK];
    let mut v = [0.0; BLOCK];
    let mut vz = [0.0; BLOCK];
    let mut vzz = [0.0; BLOCK];
    for (z, (trials, successes)) in rows.z.iter().zip(rows.trials.iter().zip(rows.successes)) {
        for at in 0..BLOCK {
            let p = inverse_logit(base[at] + beta[1] * z[at]);
            let expected = trials[at] * p;
            let residual = successes[at] - expected;
            let variance = expected * (1.0 - p);
            let along = variance * z[at];
            r[at] += residual;
            rz[at] += residual * z[at];
            v[at] += variance;
            vz[at] += along;
            vzz[at] += along * z[at];
        }
    }
    let [r, rz, v, vz, vzz] =
        [by_calendar(&r), by_calendar(&rz), by_calendar(&v), by_calendar(&vz), by_calendar(&vzz)];
    let sums = gradient_and_hessian([r, rz, v, vz, vzz], rows.season);
    with_prior(rows.weight, prior, beta, held, sums)
}

/// Gradient and negative Hessian of the log-likelihood from its sums by calendar month: of residuals, residuals times z, variances,
/// variances times z and times its square.
#[inline(always)]
fn gradient_and_hessian(
    [r, rz, v, vz, vzz]: [[f64; MONTHS]; 5],
    season: &[[f64; 2]; MONTHS],
) -> ([f64; 4], [[f64; 4]; 4]) {
    let mut gradient = [0.0; 4];
    let mut hessian = [[0.0; 4]; 4];
    for m in 0..MONTHS {
        let [sine, cosine] = season[m];
        gradient[0] += r[m];
        gradient[1] += rz[m];
        gradient[2] += r[m] * sine;
        gradient[3] += r[m] * cosine;
        hessian[0][0] += v[m];
        hessian[1][0] += vz[m];
        hessian[1][1] += vzz[m];
        hessian[2][0] += v[m] * sine;
        hessian[2][1] += vz[m] * sine;
        hessian[2][2] += v[m] * sine * sine;
        hessian[3][0] += v[m] * cosine;
        hessian[3][1] += vz[m] * cosine;
        hessian[3][2] += v[m] * sine * cosine;
        hessian[3][3] += v[m] * cosine * cosine;
    }
    for j in 0..4 {
        for k in 0..j {
            hessian[k][j] = hessian[j][k];
        }
    }
    (gradient, hessian)
}

/// The log-posterior but for a constant.
#[inline(always)]
fn log_posterior(rows: SeasonRows<'_>, prior: &Prior<4>, beta: &[f64; 4]) -> f64 {
    let base = base(beta, rows.season, 0.0);
    let mut sums = [0.0; BLOCK];
    // ln of a product is the sum of the ln: of trials 0 and 1, factors are multiplied
    let mut products = [1.0; BLOCK];
    let (mut factors, mut logarithms) = (0, 0.0);
    for (z, (trials, successes)) in rows.z.iter().zip(rows.trials.iter().zip(rows.successes)) {
        let mut tails = [0.0; BLOCK];
        for at in 0..BLOCK {
            let eta = base[at] + beta[1] * z[at];
            let above = if eta > 0.0 { eta } else { 0.0 };
            sums[at] += successes[at] * eta - trials[at] * above;
            tails[at] = exp(-eta.abs());
        }
        if trials.iter().all(|trials| *trials == 0.0 || *trials == 1.0) {
            for at in 0..BLOCK {
                products[at] *= 1.0 + trials[at] * tails[at];
            }
            factors += 1;
        } else {
            logarithms += trials.iter().zip(&tails).map(|(trials, tail)| trials * tail.ln_1p()).sum::<f64>();
        }
        if factors == FACTORS {
            logarithms += products.iter().product::<f64>().ln();
            (products, factors) = ([1.0; BLOCK], 0);
        }
    }
    logarithms += products.iter().product::<f64>().ln();
    let penalty: f64 = (0..4).map(|j| ((beta[j] - prior.mean[j]) / prior.sd[j]).powi(2)).sum();
    rows.weight * (by_calendar(&sums).iter().sum::<f64>() - logarithms) - 0.5 * penalty
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::logistic::{Rows, fit as fit_rows, fit_with_lower_bound};
    use proptest::prelude::*;
    use std::f64::consts::TAU;

    fn season() -> [[f64; 2]; MONTHS] {
        std::array::from_fn(|m| {
            let angle = TAU * (m + 1) as f64 / 12.0;
            [angle.sin(), angle.cos()]
        })
    }

    proptest! {
        /// The same maximum as row by row, whatever is seen and how often.
        #[test]
        fn equal_to_plain_rows(
            months in prop::collection::vec((-2.5f64..2.5, 0u8..4, 0.0f64..1.0), 1..200),
            shares in any::<bool>(),
            a in -3.0f64..3.0,
            weight in 0.1f64..1.0,
        ) {
            let season = season();
            let blocks = months.len().div_ceil(BLOCK);
            let [mut z, mut trials, mut successes] = [vec![[0.0; BLOCK]; blocks], vec![[0.0; BLOCK]; blocks], vec![[0.0; BLOCK]; blocks]];
            let mut x = Vec::new();
            let mut plain = (Vec::new(), Vec::new());
            for (at, (of_z, kind, share)) in months.iter().enumerate() {
                let n = if *kind == 0 { 0.0 } else if shares { 0.3 * f64::from(*kind) } else { 1.0 };
                let wet = if shares { n * share } else { n * f64::from(u8::from(*share < 0.5)) };
                z[at / BLOCK][at % BLOCK] = *of_z;
                trials[at / BLOCK][at % BLOCK] = n;
                successes[at / BLOCK][at % BLOCK] = wet;
                let [sine, cosine] = season[at % MONTHS];
                x.push([1.0, *of_z, sine, cosine]);
                plain.0.push(n);
                plain.1.push(wet);
            }
            let prior = Prior { mean: [a, 0.4, -0.3, 0.2], sd: [10.0, 0.5, 1.0, 1.0] };
            let rows = Rows { x: &x, trials: &plain.0, successes: &plain.1, weight };
            let by_season = SeasonRows { z: &z, trials: &trials, successes: &successes, season: &season, weight };
            let close = |one: &Fit<4>, other: &Fit<4>| {
                one.clamped == other.clamped
                    && (0..4).all(|j| (one.beta[j] - other.beta[j]).abs() < 1e-9)
                    && (0..4).all(|j| (0..4).all(|k| (one.covariance[j][k] - other.covariance[j][k]).abs() < 1e-7))
            };
            let (one, other) = (fit(by_season, &prior), fit_rows(rows, &prior));
            prop_assert!(one.converged && close(&one, &other), "{:?} {:?}", one, other);
            let (one, other) = (fit_with_slope(by_season, &prior), fit_with_lower_bound(rows, &prior, 1, 0.0));
            prop_assert!(one.converged && close(&one, &other), "{:?} {:?}", one, other);
            let beta = [0.3, -0.2, 1.0, 0.1];
            let by_rows = crate::logistic::log_likelihood(rows, &beta)
                - 0.5 * (0..4).map(|j| ((beta[j] - prior.mean[j]) / prior.sd[j]).powi(2)).sum::<f64>();
            prop_assert!((log_posterior(by_season, &prior, &beta) - by_rows).abs() < 1e-9);
        }
    }

    #[test]
    fn a_far_start_is_no_trap() {
        let season = season();
        let (mut z, mut wet) = ([0.0; BLOCK], [0.0; BLOCK]);
        for at in 0..BLOCK {
            z[at] = (at as f64 / 9.0).sin();
            wet[at] = f64::from(u8::from(at % 5 < 3));
        }
        let of = |block| std::slice::from_ref(block);
        let rows = SeasonRows {
            z: of(&z),
            trials: of(&[1.0; BLOCK]),
            successes: of(&wet),
            season: &season,
            weight: 1.0,
        };
        let sd = [1e6; 4];
        let far = fit(rows, &Prior { mean: [30.0, -20.0, 3.0, 9.0], sd });
        let near = fit(rows, &Prior { mean: [0.0; 4], sd });
        assert!(far.converged && near.converged);
        assert!((0..4).all(|j| (far.beta[j] - near.beta[j]).abs() < 1e-6), "{far:?} {near:?}");
    }
}
