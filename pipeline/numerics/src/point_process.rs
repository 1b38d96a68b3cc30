//! A Poisson point process whose density of presences is exp(intercept + terms . coefficients), with a ridge penalty.
//!
//! The coefficients maximise
//!
//! ```text
//! sum over presences of ln(density) - sum over background of weight * density - 1/2 sum over j of precision_j * b_j^2
//! ```
//!
//! by Newton's method with step halving. The second sum stands for the integral of the density over the ground, the weights
//! being areas (Berman and Turner 1992, Applied Statistics 41:31-38); with evenly drawn background of equal weights the same
//! fit is known as presence-background regression (Warton and Shepherd 2010, Annals of Applied Statistics 4:1383-1402; Renner et
//! al. 2015, Methods in Ecology and Evolution 6:366-379). The intercept is not penalised.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Steps of Newton's method before a fit is given up.
const MOST_STEPS: usize = 100;
/// Halvings of one step before it is given up.
const MOST_HALVINGS: usize = 60;
/// Rise of the log-likelihood that the last step still promised: Newton's method doubles the right digits with each step,
/// so of a coefficient less than 1e-8 of its standard error is missing.
const CONVERGED: f64 = 1e-16;

/// Rows of terms, one after the other; the constant is not among them.
#[derive(Clone, Copy, Debug)]
pub struct Terms<'a> {
    /// Terms of each place, row after row.
    pub values: &'a [f64],
    /// Terms of one place.
    pub columns: usize,
}

impl<'a> Terms<'a> {
    /// Rows of `columns` terms.
    pub fn new(values: &'a [f64], columns: usize) -> Self {
        Terms { values, columns }
    }

    /// The places one by one; nothing where a place has no terms.
    fn rows(&self) -> impl Iterator<Item = &'a [f64]> {
        self.values.chunks_exact(self.columns.max(1))
    }
}

/// Why there is no fit.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PointProcessError {
    /// Nothing to fit to.
    #[error("there are {presences} presences and {background} background places: both are needed")]
    Empty {
        /// Presences.
        presences: usize,
        /// Background places.
        background: usize,
    },
    /// Lengths that do not fit together, or numbers that are none.
    #[error("the {0} do not fit the number of terms and places, or hold what is no finite number")]
    Shape(&'static str),
    /// Terms that depend on one another, or a maximum at infinity.
    #[error(
        "the fit does not settle: some terms depend on one another or tell all presences from all background; a penalty above 0 mends it"
    )]
    Unsettled,
}

/// A fitted process.
#[derive(Clone, Debug, PartialEq)]
pub struct PointProcess {
    /// Intercept: log presences per unit of weight where all terms are 0.
    pub intercept: f64,
    /// Coefficients of the terms.
    pub coefficients: Vec<f64>,
    /// Inverse of the negative Hessian of the penalised log-likelihood, row by row; the intercept comes first.
    pub covariance: Vec<f64>,
    /// Log-likelihood, without the penalty.
    pub log_likelihood: f64,
    /// Newton steps taken.
    pub steps: usize,
}

impl PointProcess {
    /// Terms . coefficients of one place: its log density up to the intercept.
    pub fn response(&self, terms: &[f64]) -> f64 {
        dot(terms, &self.coefficients)
    }

    /// Standard error of terms . coefficients, the intercept left out.
    pub fn response_error(&self, terms: &[f64]) -> f64 {
        let size = self.coefficients.len() + 1;
        let mut sum = 0.0;
        for (i, a) in terms.iter().enumerate() {
            let row = &self.covariance[(i + 1) * size + 1..(i + 2) * size];
            sum += a * dot(row, terms);
        }
        sum.max(0.0).sqrt()
    }

    /// Standard error of a coefficient.
    pub fn error(&self, coefficient: usize) -> f64 {
        let size = self.coefficients.len() + 1;
        self.covariance[(coefficient + 1) * (size + 1)].sqrt()
    }

    /// Standard error of the intercept.
    pub fn intercept_error(&self) -> f64 {
        self.covariance[0].sqrt()
    }
}

/// Fits the process; see the module for what is maximised. `weights` has one number above 0 per background place,
/// `precision` one of 0 or more per term. `start` may hold the coefficients of a similar fit.
///
/// ```
/// use lentic_numerics::point_process::{Terms, fit};
/// // No terms: the density is presences over area, here 6 on an area of 2.
/// let found = fit(Terms::new(&[], 0), 6, Terms::new(&[], 0), &[0.5; 4], &[], None)?;
/// assert!((found.intercept - 3.0f64.ln()).abs() < 1e-9);
/// # Ok::<(), lentic_numerics::point_process::PointProcessError>(())
/// ```
///
/// # Errors
/// [`PointProcessError`].
pub fn fit(
    presences: Terms<'_>,
    count: usize,
    background: Terms<'_>,
    weights: &[f64],
    precision: &[f64],
    start: Option<&[f64]>,
) -> Result<PointProcess, PointProcessError> {
    let columns = precision.len();
    check(presences, count, background, weights, precision, start)?;
    // Only the sum of the presences' terms is needed.
    let mut sums = vec![0.0; columns + 1];
    sums[0] = count as f64;
    for row in presences.rows() {
        sums[1..].iter_mut().zip(row).for_each(|(sum, x)| *sum += x);
    }
    let problem = Problem { sums, background, weights, precision };
    let mut beta = vec![0.0; columns + 1];
    if let Some(start) = start {
        beta[1..].copy_from_slice(start);
    }
    problem.settle_intercept(&mut beta);
    newton(&problem, beta)
}

fn check(
    presences: Terms<'_>,
    count: usize,
    background: Terms<'_>,
    weights: &[f64],
    precision: &[f64],
    start: Option<&[f64]>,
) -> Result<(), PointProcessError> {
    let columns = precision.len();
    let finite = |values: &[f64]| values.iter().all(|v| v.is_finite());
    if count == 0 || weights.is_empty() {
        return Err(PointProcessError::Empty { presences: count, background: weights.len() });
    }
    let fits = |terms: Terms<'_>, places: usize| {
        terms.columns == columns && terms.values.len() == places * columns && finite(terms.values)
    };
    if !fits(presences, count) {
        return Err(PointProcessError::Shape("terms of the presences"));
    }
    if !fits(background, weights.len()) {
        return Err(PointProcessError::Shape("terms of the background"));
    }
    if !weights.iter().all(|w| w.is_finite() && *w > 0.0) {
        return Err(PointProcessError::Shape("weights"));
    }
    if !precision.iter().all(|p| p.is_finite() && *p >= 0.0) {
        return Err(PointProcessError::Shape("precisions"));
    }
    match start {
        Some(start) if start.len() != columns || !finite(start) => {
            Err(PointProcessError::Shape("starting coefficients"))
        }
        _ => Ok(()),
    }
}

struct Problem<'a> {
    /// Number of presences, then the sum of each of their terms.
    sums: Vec<f64>,
    background: Terms<'a>,
    weights: &'a [f64],
    precision: &'a [f64],
}

impl Problem<'_> {
    /// Weight times density of every background place.
    fn masses(&self, beta: &[f64]) -> Vec<f64> {
        if self.precision.is_empty() {
            return self.weights.iter().map(|w| w * beta[0].exp()).collect();
        }
        let density = |row: &[f64]| (beta[0] + dot(row, &beta[1..])).exp();
        self.background.rows().zip(self.weights).map(|(row, w)| w * density(row)).collect()
    }

    /// Sets the intercept at its best for the other coefficients.
    fn settle_intercept(&self, beta: &mut [f64]) {
        beta[0] = 0.0;
        let total: f64 = self.masses(beta).iter().sum();
        if total.is_finite() && total > 0.0 {
            beta[0] = (self.sums[0] / total).ln();
        } else {
            beta.fill(0.0);
            beta[0] = (self.sums[0] / self.weights.iter().sum::<f64>()).ln();
        }
    }

    fn penalty(&self, beta: &[f64]) -> f64 {
        0.5 * beta[1..].iter().zip(self.precision).map(|(b, p)| p * b * b).sum::<f64>()
    }

    fn log_likelihood(&self, beta: &[f64], masses: &[f64]) -> f64 {
        dot(&self.sums, beta) - masses.iter().sum::<f64>()
    }

    fn gradient_and_hessian(&self, beta: &[f64], masses: &[f64]) -> (DVector<f64>, DMatrix<f64>) {
        let size = beta.len();
        let mut gradient = DVector::from_column_slice(&self.sums);
        // Lower triangle by rows: the row of term i meets terms 0 to i.
        let mut triangle = vec![0.0; size * size];
        for mass in masses {
            gradient[0] -= mass;
            triangle[0] += mass;
        }
        let rows = self.background.rows().take(if size > 1 { masses.len() } else { 0 });
        for (row, mass) in rows.zip(masses) {
            for (i, x) in row.iter().enumerate() {
                let scaled = mass * x;
                gradient[i + 1] -= scaled;
                let line = &mut triangle[(i + 1) * size..];
                line[0] += scaled;
                for (sum, other) in line[1..=i + 1].iter_mut().zip(row) {
                    *sum += scaled * other;
                }
            }
        }
        for (j, precision) in self.precision.iter().enumerate() {
            gradient[j + 1] -= precision * beta[j + 1];
            triangle[(j + 1) * (size + 1)] += precision;
        }
        let hessian = DMatrix::from_fn(size, size, |r, c| triangle[r.max(c) * size + r.min(c)]);
        (gradient, hessian)
    }
}

fn newton(problem: &Problem<'_>, mut beta: Vec<f64>) -> Result<PointProcess, PointProcessError> {
    let mut masses = problem.masses(&beta);
    let mut value = problem.log_likelihood(&beta, &masses) - problem.penalty(&beta);
    for taken in 0..MOST_STEPS {
        let (gradient, hessian) = problem.gradient_and_hessian(&beta, &masses);
        let factor = factor(hessian).ok_or(PointProcessError::Unsettled)?;
        let step = factor.solve(&gradient);
        let promised = step.dot(&gradient);
        if !promised.is_finite() {
            return Err(PointProcessError::Unsettled);
        }
        if promised <= CONVERGED {
            let size = beta.len();
            let inverse = factor.inverse();
            let covariance = (0..size * size).map(|at| inverse[(at / size, at % size)]).collect();
            let log_likelihood = problem.log_likelihood(&beta, &masses);
            let (intercept, coefficients) = (beta[0], beta.split_off(1));
            return Ok(PointProcess { intercept, coefficients, covariance, log_likelihood, steps: taken });
        }
        let mut size = 1.0;
        let mut better = None;
        for _ in 0..MOST_HALVINGS {
            let trial: Vec<f64> = beta.iter().zip(&step).map(|(b, s)| b + size * s).collect();
            let trial_masses = problem.masses(&trial);
            let trial_value = problem.log_likelihood(&trial, &trial_masses) - problem.penalty(&trial);
            // near the top rounding hides a rise smaller than the last digits of the sums
            let slack = 1e-13 * (1.0 + value.abs());
            if trial_value.is_finite() && trial_value >= value - slack {
                better = Some((trial, trial_masses, trial_value));
                break;
            }
            size /= 2.0;
        }
        let (next, next_masses, next_value) = better.ok_or(PointProcessError::Unsettled)?;
        (beta, masses, value) = (next, next_masses, next_value);
    }
    Err(PointProcessError::Unsettled)
}

/// Cholesky factor; `None` where the matrix is not clearly positive definite.
fn factor(hessian: DMatrix<f64>) -> Option<Cholesky<f64, Dyn>> {
    let diagonal = hessian.diagonal();
    let factor = Cholesky::new(hessian)?;
    // What rounding leaves of a pivot that should be 0 must not pass for a positive one.
    let lower = factor.l_dirty();
    let sound = (0..diagonal.len()).all(|i| lower[(i, i)] * lower[(i, i)] > 1e-13 * diagonal[i]);
    sound.then_some(factor)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::{hash64, unit};

    /// Presences on the unit interval with density 200 exp(1.5 x - 2 x^2), by thinning; background evenly spaced.
    fn interval(seed: u64) -> (Vec<f64>, usize, Vec<f64>, Vec<f64>) {
        let mut presences = Vec::new();
        let mut count = 0;
        for draw in 0..400 {
            let x = unit(hash64(seed, draw, 0));
            // the density is at most 400
            if unit(hash64(seed, draw, 1)) < 0.5 * (1.5 * x - 2.0 * x * x).exp() {
                presences.extend([x, x * x]);
                count += 1;
            }
        }
        let background: Vec<f64> = (0..2000)
            .flat_map(|i| {
                let x = (f64::from(i) + 0.5) / 2000.0;
                [x, x * x]
            })
            .collect();
        (presences, count, background, vec![1.0 / 2000.0; 2000])
    }

    #[test]
    fn the_truth_is_found_within_its_errors() {
        let mut off = Vec::new();
        for seed in 0..40 {
            let (presences, count, background, weights) = interval(seed);
            let found =
                fit(Terms::new(&presences, 2), count, Terms::new(&background, 2), &weights, &[0.0; 2], None)
                    .unwrap();
            for (j, truth) in [1.5, -2.0].into_iter().enumerate() {
                off.push((found.coefficients[j] - truth) / found.error(j));
            }
        }
        // 80 deviations in standard errors: mean square 1 +- 3 sqrt(2/80)
        let mean_square = off.iter().map(|z| z * z).sum::<f64>() / off.len() as f64;
        assert!((mean_square - 1.0).abs() < 0.5, "{mean_square}");
        assert!(off.iter().all(|z| z.abs() < 4.0));
    }

    #[test]
    fn at_the_maximum_sums_agree_and_the_gradient_is_zero() {
        let (presences, count, background, weights) = interval(3);
        let precision = [2.0, 0.5];
        let found =
            fit(Terms::new(&presences, 2), count, Terms::new(&background, 2), &weights, &precision, None)
                .unwrap();
        let density = |row: &[f64]| (found.intercept + found.response(row)).exp();
        let mass: f64 = background.chunks(2).zip(&weights).map(|(row, w)| w * density(row)).sum();
        assert!((mass - count as f64).abs() < 1e-6, "{mass}");
        for j in 0..2 {
            let seen: f64 = presences.chunks(2).map(|row| row[j]).sum();
            let expected: f64 =
                background.chunks(2).zip(&weights).map(|(row, w)| w * density(row) * row[j]).sum();
            assert!((seen - expected - precision[j] * found.coefficients[j]).abs() < 1e-6);
        }
        // A start elsewhere leads to the same place, and a stronger penalty nearer to 0.
        let again = fit(
            Terms::new(&presences, 2),
            count,
            Terms::new(&background, 2),
            &weights,
            &precision,
            Some(&[30.0, -20.0]),
        )
        .unwrap();
        assert!((again.coefficients[0] - found.coefficients[0]).abs() < 1e-6);
        let held = fit(
            Terms::new(&presences, 2),
            count,
            Terms::new(&background, 2),
            &weights,
            &[2000.0, 2000.0],
            None,
        )
        .unwrap();
        assert!(held.coefficients.iter().all(|b| b.abs() < 0.05));
        // Error of one term alone is that of its coefficient.
        assert!((found.response_error(&[0.0, 1.0]) - found.error(1)).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_fitted_is_told() {
        let fit2 = |presences: &[f64], count, background: &[f64], precision: &[f64]| {
            let weights = vec![1.0; background.len() / 2];
            fit(Terms::new(presences, 2), count, Terms::new(background, 2), &weights, precision, None)
        };
        let background = [0.0, 0.0, 1.0, 2.0, 2.0, 4.0, 3.0, 6.0];
        // the second term is twice the first
        assert_eq!(fit2(&[1.0, 2.0], 1, &background, &[0.0; 2]), Err(PointProcessError::Unsettled));
        assert!(fit2(&[1.0, 2.0], 1, &background, &[1.0; 2]).is_ok());
        assert!(matches!(fit2(&[], 0, &background, &[1.0; 2]), Err(PointProcessError::Empty { .. })));
        assert!(matches!(fit2(&[1.0], 1, &background, &[1.0; 2]), Err(PointProcessError::Shape(_))));
        assert!(matches!(
            fit2(&[1.0, f64::NAN], 1, &background, &[1.0; 2]),
            Err(PointProcessError::Shape(_))
        ));
        assert!(matches!(fit2(&[1.0, 2.0], 1, &background, &[-1.0; 2]), Err(PointProcessError::Shape(_))));
    }
}
