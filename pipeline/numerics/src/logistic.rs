//! Logistic regression with a normal prior on each coefficient, for very many small fits.
//!
//! The coefficients b maximise
//!
//! ```text
//! weight * sum over rows of [successes * x.b - trials * ln(1 + exp(x.b))] - 1/2 sum over j of ((b_j - mean_j) / sd_j)^2
//! ```
//!
//! by Newton's method with step halving. Rows with the same x may be given as one with their trials added up.
//! Nothing is allocated.

// Indices of small square matrices read as in the formulas; iterators would hide them.
#![allow(clippy::needless_range_loop)]

use crate::small_matrix::{cholesky, inverse, solve};

/// Steps of Newton's method before a fit is given up.
const MOST_STEPS: usize = 100;

/// Halvings of one step before it is given up: 2^-60 of a step moves no digit of an `f64`.
const MOST_HALVINGS: usize = 60;

/// Squared length of a step in standard errors at which the fit has converged. Newton's method doubles the right
/// digits with each step, so after taking a step of 1e-5 standard errors about 1e-10 are missing.
const CONVERGED: f64 = 1e-10;

/// Change of any row's logit in the last step of a converged fit. Where a line separates successes from failures the
/// maximum lies at infinity: steps shrink in standard errors, but each still moves logits by about 1.
const CONVERGED_LOGIT: f64 = 1e-3;

/// A Newton step that moves no row's logit by more than this cannot overshoot so far that the log-posterior falls. Where
/// logits move by at most R, curvature grows by at most exp(R) (Bach 2010, Electronic J. Statistics 4:384-414), so
/// the rise is at least that of the first order times 1 - (exp(R) - 1 - R) / R^2, which is 0 at R = 1.79.
const SAFE_LOGIT: f64 = 1.7;

/// Rows whose probabilities are computed before any is used: calls of `exp` between the sums would push those out
/// of their registers (a fit takes 0.7 of the time this way).
const BLOCK: usize = 8;

/// Normal prior of the coefficients.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior<const P: usize> {
    /// Prior means.
    pub mean: [f64; P],
    /// Prior standard deviations, above 0; infinite: no prior on this coefficient.
    pub sd: [f64; P],
}

impl<const P: usize> Prior<P> {
    /// No prior at all: plain maximum likelihood.
    pub fn none() -> Self {
        Prior { mean: [0.0; P], sd: [f64::INFINITY; P] }
    }
}

/// The observations of a fit: `x`, `trials` and `successes` have one length; trials >= successes >= 0, whole
/// numbers or not.
#[derive(Clone, Copy, Debug)]
pub struct Rows<'a, const P: usize> {
    /// Design rows; put a 1 first for an intercept.
    pub x: &'a [[f64; P]],
    /// Trials of each row.
    pub trials: &'a [f64],
    /// Successes of each row.
    pub successes: &'a [f64],
    /// Weight of the whole likelihood against the prior, for dependent observations; usually 1.
    pub weight: f64,
}

/// A fitted regression.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit<const P: usize> {
    /// Coefficients.
    pub beta: [f64; P],
    /// Inverse of the negative Hessian of the weighted, penalised log-likelihood at `beta`; row and column of a
    /// coefficient held at its bound are 0. NaN if the Hessian cannot be inverted.
    pub covariance: [[f64; P]; P],
    /// Newton steps taken (both fits where a bound was met).
    pub iterations: usize,
    /// Whether the maximum was reached: not so for data that a line separates, without a prior.
    pub converged: bool,
    /// Whether a coefficient is held at its lower bound.
    pub clamped: bool,
}

impl<const P: usize> Fit<P> {
    /// Lower triangle L with L L' = covariance, for drawing beta + L u with standard-normal u. `None` if the covariance
    /// is not known. A coefficient held at its bound has a row of 0.
    pub fn cholesky(&self) -> Option<[[f64; P]; P]> {
        cholesky(&self.covariance, true)
    }
}

/// Fits the regression. See the module for what is maximised.
///
/// ```
/// use lentic_numerics::logistic::{Prior, Rows, fit};
/// // One coefficient, 30 successes in 40 trials: the logit of 3/4.
/// let rows = Rows { x: &[[1.0]], trials: &[40.0], successes: &[30.0], weight: 1.0 };
/// assert!((fit(rows, &Prior::none()).beta[0] - 3.0f64.ln()).abs() < 1e-12);
/// ```
pub fn fit<const P: usize>(rows: Rows<'_, P>, prior: &Prior<P>) -> Fit<P> {
    newton(rows, prior, prior.mean, None)
}

/// As [`fit`], but with `beta[index] >= bound`: where the free fit falls below, the coefficient is set to the
/// bound and the others are fitted again. An index that does not exist sets no bound.
pub fn fit_with_lower_bound<const P: usize>(
    rows: Rows<'_, P>,
    prior: &Prior<P>,
    index: usize,
    bound: f64,
) -> Fit<P> {
    let free = fit(rows, prior);
    if index >= P || free.beta[index] >= bound {
        return free;
    }
    let mut start = free.beta;
    if start.iter().any(|b| !b.is_finite()) {
        start = prior.mean;
    }
    start[index] = bound;
    let mut held = newton(rows, prior, start, Some(index));
    held.iterations += free.iterations;
    held.clamped = true;
    held
}

/// The log-likelihood of the rows at `beta` (weighted, without the prior).
pub fn log_likelihood<const P: usize>(rows: Rows<'_, P>, beta: &[f64; P]) -> f64 {
    let sum: f64 = rows
        .x
        .iter()
        .zip(rows.trials.iter().zip(rows.successes))
        .map(|(x, (trials, successes))| {
            let eta = dot(x, beta);
            successes * eta - trials * (eta.max(0.0) + (-eta.abs()).exp().ln_1p())
        })
        .sum();
    rows.weight * sum
}

fn log_posterior<const P: usize>(rows: Rows<'_, P>, prior: &Prior<P>, beta: &[f64; P]) -> f64 {
    let penalty: f64 = (0..P).map(|j| ((beta[j] - prior.mean[j]) / prior.sd[j]).powi(2)).sum();
    log_likelihood(rows, beta) - 0.5 * penalty
}

fn dot<const P: usize>(a: &[f64; P], b: &[f64; P]) -> f64 {
    let mut sum = 0.0;
    for j in 0..P {
        sum += a[j] * b[j];
    }
    sum
}

/// Gradient and negative Hessian of the log-posterior. A held coefficient has gradient 0 and a unit row.
fn slope_and_bend<const P: usize>(
    rows: Rows<'_, P>,
    prior: &Prior<P>,
    beta: &[f64; P],
    held: Option<usize>,
) -> ([f64; P], [[f64; P]; P]) {
    let mut gradient = [0.0; P];
    let mut hessian = [[0.0; P]; P];
    let counts = rows.trials.chunks(BLOCK).zip(rows.successes.chunks(BLOCK));
    for (x, (trials, successes)) in rows.x.chunks(BLOCK).zip(counts) {
        let mut probabilities = [0.0; BLOCK];
        for (probability, x) in probabilities.iter_mut().zip(x) {
            *probability = 1.0 / (1.0 + (-dot(x, beta)).exp());
        }
        for ((x, probability), (trials, successes)) in
            x.iter().zip(probabilities).zip(trials.iter().zip(successes))
        {
            let expected = trials * probability;
            let residual = successes - expected;
            let variance = expected * (1.0 - probability);
            for j in 0..P {
                gradient[j] += residual * x[j];
                // The whole matrix, not its half: full rows take fewer (vector) instructions.
                let scaled = variance * x[j];
                for k in 0..P {
                    hessian[j][k] += scaled * x[k];
                }
            }
        }
    }
    with_prior(rows.weight, prior, beta, held, (gradient, hessian))
}

/// Brings weight and prior to the gradient and negative Hessian of a log-likelihood. A held coefficient gets gradient 0 and a unit row.
#[inline(always)]
pub(crate) fn with_prior<const P: usize>(
    weight: f64,
    prior: &Prior<P>,
    beta: &[f64; P],
    held: Option<usize>,
    (mut gradient, mut hessian): ([f64; P], [[f64; P]; P]),
) -> ([f64; P], [[f64; P]; P]) {
    for j in 0..P {
        let precision = prior.sd[j].powi(-2);
        gradient[j] = weight * gradient[j] - (beta[j] - prior.mean[j]) * precision;
        hessian[j].iter_mut().for_each(|h| *h *= weight);
        hessian[j][j] += precision;
    }
    if let Some(h) = held {
        gradient[h] = 0.0;
        for j in 0..P {
            hessian[h][j] = 0.0;
            hessian[j][h] = 0.0;
        }
        hessian[h][h] = 1.0;
    }
    (gradient, hessian)
}

fn newton<const P: usize>(
    rows: Rows<'_, P>,
    prior: &Prior<P>,
    start: [f64; P],
    held: Option<usize>,
) -> Fit<P> {
    climb(
        start,
        held,
        |beta| slope_and_bend(rows, prior, beta, held),
        |step| rows.x.iter().map(|x| dot(x, step).abs()).fold(0.0, f64::max),
        |beta| log_posterior(rows, prior, beta),
    )
}

/// Climbs to the maximum of a log-posterior from `start`, by its gradient and negative Hessian; `moved` is the largest change
/// of a row's logit along a step. A held coefficient stays.
#[inline(always)]
pub(crate) fn climb<const P: usize>(
    start: [f64; P],
    held: Option<usize>,
    slope_and_bend: impl Fn(&[f64; P]) -> ([f64; P], [[f64; P]; P]),
    moved: impl Fn(&[f64; P]) -> f64,
    log_posterior: impl Fn(&[f64; P]) -> f64,
) -> Fit<P> {
    let mut fit =
        Fit { beta: start, covariance: [[f64::NAN; P]; P], iterations: 0, converged: false, clamped: false };
    let (mut gradient, mut hessian) = slope_and_bend(&fit.beta);
    while !fit.converged && fit.iterations < MOST_STEPS {
        let Some(lower) = cholesky(&hessian, false) else {
            break;
        };
        let step = solve(&lower, &gradient);
        let rise = dot(&step, &gradient);
        let moved = moved(&step);
        let Some(taken) = take_step(fit.beta, &step, moved, &slope_and_bend, &log_posterior) else {
            break;
        };
        fit.iterations += 1;
        fit.beta = taken.beta;
        gradient = taken.gradient;
        hessian = taken.hessian;
        fit.converged = taken.whole && rise <= CONVERGED && moved <= CONVERGED_LOGIT;
    }
    if let Some(lower) = cholesky(&hessian, false) {
        fit.covariance = inverse(&lower);
        if let Some(h) = held {
            fit.covariance[h] = [0.0; P];
            fit.covariance.iter_mut().for_each(|row| row[h] = 0.0);
        }
    }
    fit
}

/// Where a step led.
struct Taken<const P: usize> {
    beta: [f64; P],
    gradient: [f64; P],
    hessian: [[f64; P]; P],
    /// Whether the step was taken in full.
    whole: bool,
}

/// Takes the step, which moves logits by at most `moved`, halved until the log-posterior does not fall; `None` if no
/// part of it will do.
///
/// The log-posterior itself costs as much as the rest of an iteration, so it is computed last: a short step is safe
/// (see [`SAFE_LOGIT`]), and since the log-posterior is concave, one that still rises at its end has risen all the way.
#[inline(always)]
fn take_step<const P: usize>(
    from: [f64; P],
    step: &[f64; P],
    moved: f64,
    slope_and_bend: &impl Fn(&[f64; P]) -> ([f64; P], [[f64; P]; P]),
    log_posterior: &impl Fn(&[f64; P]) -> f64,
) -> Option<Taken<P>> {
    let mut before = None;
    let mut share = 1.0;
    for _ in 0..MOST_HALVINGS {
        let mut beta = from;
        for j in 0..P {
            beta[j] += share * step[j];
        }
        let (gradient, hessian) = slope_and_bend(&beta);
        let risen = share * moved <= SAFE_LOGIT || dot(step, &gradient) >= 0.0 || {
            let before = *before.get_or_insert_with(|| log_posterior(&from));
            log_posterior(&beta) >= before
        };
        if risen {
            let whole = share == 1.0;
            return Some(Taken { beta, gradient, hessian, whole });
        }
        share *= 0.5;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn example() -> (Vec<[f64; 2]>, Vec<f64>, Vec<f64>) {
        let x = (0..12).map(|i| [1.0, f64::from(i) / 4.0 - 1.0]).collect();
        let successes = vec![0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0, 1.0, 1.0];
        (x, vec![1.0; 12], successes)
    }

    #[test]
    fn prior_and_weight_match_scipy() {
        // scipy 1.17.1 optimize.minimize (BFGS, gtol 1e-12) of
        // -(0.5 * sum(y*eta - log1p(exp(eta))) - 0.5*((b0-0.3)/2)**2 - 0.5*((b1-1)/0.5)**2) for the rows of `example`
        let (x, trials, successes) = example();
        let rows = Rows { x: &x, trials: &trials, successes: &successes, weight: 0.5 };
        let found = fit(rows, &Prior { mean: [0.3, 1.0], sd: [2.0, 0.5] });
        assert!(found.converged);
        let expected = [0.060_102_598_3, 1.039_971_626_0];
        for j in 0..2 {
            assert!((found.beta[j] - expected[j]).abs() < 1e-7, "{:?}", found.beta);
        }
    }

    #[test]
    fn separated_data_need_a_prior() {
        let x = [[1.0, -1.0], [1.0, -0.5], [1.0, 0.5], [1.0, 1.0]];
        let successes = [0.0, 0.0, 1.0, 1.0];
        let rows = Rows { x: &x, trials: &[1.0; 4], successes: &successes, weight: 1.0 };
        assert!(!fit(rows, &Prior::none()).converged);
        let kept = fit(rows, &Prior { mean: [0.0; 2], sd: [5.0; 2] });
        assert!(kept.converged && kept.beta[1] > 0.0 && kept.beta[1] < 20.0);
    }

    #[test]
    fn no_rows_leave_the_prior() {
        let rows = Rows { x: &[], trials: &[], successes: &[], weight: 1.0 };
        let found = fit(rows, &Prior { mean: [1.0, -2.0], sd: [3.0, 0.5] });
        assert!(found.converged);
        assert_eq!(found.beta, [1.0, -2.0]);
        assert_eq!(found.covariance, [[9.0, 0.0], [0.0, 0.25]]);
        assert_eq!(found.cholesky(), Some([[3.0, 0.0], [0.0, 0.5]]));
        let nothing = fit(rows, &Prior::none());
        assert!(!nothing.converged && nothing.cholesky().is_none());
    }

    #[test]
    fn a_doubled_column_is_not_fitted_without_a_prior() {
        let (x, trials, successes) = example();
        let doubled: Vec<[f64; 3]> = x.iter().map(|r| [r[0], r[1], r[1]]).collect();
        let rows = Rows { x: &doubled, trials: &trials, successes: &successes, weight: 1.0 };
        assert!(!fit(rows, &Prior::none()).converged);
        assert!(fit(rows, &Prior { mean: [0.0; 3], sd: [10.0; 3] }).converged);
    }

    #[test]
    fn a_bound_holds_and_the_rest_is_refitted() {
        let (x, trials, successes) = example();
        let failures: Vec<f64> = successes.iter().map(|s| 1.0 - s).collect();
        let rows = Rows { x: &x, trials: &trials, successes: &failures, weight: 1.0 };
        let prior = Prior { mean: [0.0; 2], sd: [f64::INFINITY, 10.0] };
        let found = fit_with_lower_bound(rows, &prior, 1, 0.0);
        assert!(found.clamped && found.converged);
        assert_eq!(found.beta[1], 0.0);
        // With the slope at 0 only the share 5/12 is left, with variance 1 / (n p (1 - p)).
        assert!((found.beta[0] - (5.0f64 / 7.0).ln()).abs() < 1e-9);
        assert!((found.covariance[0][0] - 12.0 / 35.0).abs() < 1e-9);
        let lower = found.cholesky().unwrap();
        assert_eq!((lower[1], lower[0][1]), ([0.0; 2], 0.0));
        let rising = Rows { successes: &successes, ..rows };
        let free = fit_with_lower_bound(rising, &prior, 1, 0.0);
        assert!(!free.clamped);
        assert_eq!(free, fit(rising, &prior));
    }

    #[test]
    fn a_far_start_is_no_trap() {
        // From a prior mean this far out, full Newton steps alternate and never settle.
        let (x, trials, successes) = example();
        let rows = Rows { x: &x, trials: &trials, successes: &successes, weight: 1.0 };
        let far = fit(rows, &Prior { mean: [30.0, -20.0], sd: [1e6, 1e6] });
        let near = fit(rows, &Prior::none());
        assert!(far.converged && near.converged);
        for j in 0..2 {
            assert!((far.beta[j] - near.beta[j]).abs() < 1e-6);
        }
    }

    proptest! {
        #[test]
        fn the_gradient_is_zero_and_grouping_does_not_matter(
            rows in prop::collection::vec(((-2i32..3, -2i32..3), any::<bool>()), 1..60),
            sd in 0.3f64..8.0,
            weight in 0.1f64..1.0,
        ) {
            let x: Vec<[f64; 3]> = rows.iter().map(|((a, b), _)| [1.0, f64::from(*a), f64::from(*b)]).collect();
            let y: Vec<f64> = rows.iter().map(|(_, wet)| f64::from(u8::from(*wet))).collect();
            let ones = vec![1.0; x.len()];
            let prior = Prior { mean: [0.0, 0.5, -0.5], sd: [10.0, sd, sd] };
            let single = Rows { x: &x, trials: &ones, successes: &y, weight };
            let found = fit(single, &prior);
            prop_assert!(found.converged);
            let (gradient, _) = slope_and_bend(single, &prior, &found.beta, None);
            prop_assert!(gradient.iter().all(|g| g.abs() < 1e-6), "{:?}", gradient);
            let mut grouped: Vec<([f64; 3], f64, f64)> = Vec::new();
            for (row, wet) in x.iter().zip(&y) {
                match grouped.iter_mut().find(|g| g.0 == *row) {
                    Some(g) => { g.1 += 1.0; g.2 += wet; }
                    None => grouped.push((*row, 1.0, *wet)),
                }
            }
            let gx: Vec<_> = grouped.iter().map(|g| g.0).collect();
            let gn: Vec<_> = grouped.iter().map(|g| g.1).collect();
            let gs: Vec<_> = grouped.iter().map(|g| g.2).collect();
            let again = fit(Rows { x: &gx, trials: &gn, successes: &gs, weight }, &prior);
            let lower = found.cholesky().unwrap();
            for j in 0..3 {
                prop_assert!((found.beta[j] - again.beta[j]).abs() < 1e-6);
                for k in 0..3 {
                    let product: f64 = (0..3).map(|m| lower[j][m] * lower[k][m]).sum();
                    prop_assert!((product - found.covariance[j][k]).abs() < 1e-9);
                }
            }
        }
    }
}
