//! Where a fit starts: near its maximum, from the shares of wet months by calendar month, at a small part of the cost of a step.

use super::{BLOCK, MONTHS, SeasonRows, by_calendar, gradient_and_hessian};
use crate::logistic::{Prior, climb, with_prior};
use crate::portable::{exp, inverse_logit};

/// The slope on z, which this fit holds at its prior mean.
const SLOPE: usize = 1;

/// Logits beyond which a start is not trusted: where the prior holds nothing, always wet months lead to infinity.
const FAR: f64 = 30.0;

/// Averaging over a normal z of variance 1 brings logits nearer to 0 by the root of 1 + 0.346 b^2, 0.346 the square of
/// 16 sqrt(3) / (15 pi) (Zeger, Liang and Albert 1988, Biometrics 44:1049-1060; from memory). It decides how many steps a fit takes,
/// not where it ends.
const SPREAD: f64 = 0.346;

/// Coefficients near the maximum: intercept and season fitted to the sums by calendar month as if z were 0. The prior mean where
/// they lead nowhere.
#[inline(always)]
pub(super) fn near(rows: SeasonRows<'_>, prior: &Prior<4>) -> [f64; 4] {
    let months = Months::of(rows);
    let wet: f64 = months.successes.iter().sum();
    let dry = months.trials.iter().sum::<f64>() - wet;
    let mut beta = prior.mean;
    // rounded, so that the last digit of the system's logarithm decides nothing
    beta[0] = (64.0 * ((wet + 0.5) / (dry + 0.5)).ln()).round() / 64.0;
    let found = climb(
        beta,
        Some(SLOPE),
        #[inline(always)]
        |beta| with_prior(rows.weight, prior, beta, Some(SLOPE), months.gradient_and_hessian(beta)),
        |step| (0..MONTHS).map(|m| months.logit(step, m).abs()).fold(0.0, f64::max),
        #[inline(always)]
        |beta| {
            let off = |j: usize| ((beta[j] - prior.mean[j]) / prior.sd[j]).powi(2);
            rows.weight * months.log_likelihood(beta) - 0.5 * (off(0) + off(2) + off(3))
        },
    );
    let stretch = (1.0 + SPREAD * prior.mean[SLOPE].powi(2)).sqrt();
    let start =
        [found.beta[0] * stretch, prior.mean[SLOPE], found.beta[2] * stretch, found.beta[3] * stretch];
    let is_near = (0..MONTHS).all(|m| months.logit(&start, m).abs() <= FAR);
    if found.converged && is_near { start } else { prior.mean }
}

/// Sums by calendar month.
struct Months<'a> {
    trials: [f64; MONTHS],
    successes: [f64; MONTHS],
    season: &'a [[f64; 2]; MONTHS],
}

impl<'a> Months<'a> {
    #[inline(always)]
    fn of(rows: SeasonRows<'a>) -> Self {
        let (mut trials, mut successes) = ([0.0; BLOCK], [0.0; BLOCK]);
        for (of_trials, of_successes) in rows.trials.iter().zip(rows.successes) {
            for at in 0..BLOCK {
                trials[at] += of_trials[at];
                successes[at] += of_successes[at];
            }
        }
        Months { trials: by_calendar(&trials), successes: by_calendar(&successes), season: rows.season }
    }

    /// The logit of a calendar month at z = 0.
    #[inline(always)]
    fn logit(&self, beta: &[f64; 4], m: usize) -> f64 {
        beta[0] + beta[2] * self.season[m][0] + beta[3] * self.season[m][1]
    }

    #[inline(always)]
    fn gradient_and_hessian(&self, beta: &[f64; 4]) -> ([f64; 4], [[f64; 4]; 4]) {
        let (mut residuals, mut variances) = ([0.0; MONTHS], [0.0; MONTHS]);
        for m in 0..MONTHS {
            let p = inverse_logit(self.logit(beta, m));
            let expected = self.trials[m] * p;
            residuals[m] = self.successes[m] - expected;
            variances[m] = expected * (1.0 - p);
        }
        let none = [0.0; MONTHS];
        gradient_and_hessian([residuals, none, variances, none, none], self.season)
    }

    #[inline(always)]
    fn log_likelihood(&self, beta: &[f64; 4]) -> f64 {
        let of_month = |m: usize| {
            let eta = self.logit(beta, m);
            self.successes[m] * eta - self.trials[m] * (eta.max(0.0) + exp(-eta.abs()).ln_1p())
        };
        (0..MONTHS).map(of_month).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::fit;

    const SEASON: [[f64; 2]; MONTHS] = [[0.0; 2]; MONTHS];

    fn rows<'a>(
        [z, trials, successes]: &'a [[f64; BLOCK]; 3],
        season: &'a [[f64; 2]; MONTHS],
    ) -> SeasonRows<'a> {
        let of = std::slice::from_ref;
        SeasonRows { z: of(z), trials: of(trials), successes: of(successes), season, weight: 1.0 }
    }

    #[test]
    fn near_the_maximum() {
        let mut blocks = [[0.0; BLOCK], [1.0; BLOCK], [0.0; BLOCK]];
        let season = std::array::from_fn(|m| {
            let angle = std::f64::consts::TAU * (m + 1) as f64 / 12.0;
            [angle.sin(), angle.cos()]
        });
        for at in 0..BLOCK {
            blocks[0][at] = 1.5 * (at as f64 / 5.0).sin();
            // wet half the year, in years of a high index longer
            blocks[2][at] = f64::from(u8::from((at % MONTHS) as f64 + 2.0 * blocks[0][at] < 6.0));
        }
        let prior = Prior { mean: [0.0, 0.0, 0.0, 0.0], sd: [10.0, 0.5, 1.0, 1.0] };
        let rows = rows(&blocks, &season);
        let (start, found) = (near(rows, &prior), fit(rows, &prior));
        assert!(found.converged && found.iterations <= 6, "{found:?}");
        let off = |from: &[f64; 4]| (0..4).map(|j| (from[j] - found.beta[j]).powi(2)).sum::<f64>().sqrt();
        assert!(off(&start) < 0.5 * off(&prior.mean), "{start:?} {found:?}");
    }

    #[test]
    fn the_prior_where_months_lead_nowhere() {
        let unbounded = Prior { mean: [0.5, 1.0, 0.0, 0.0], sd: [f64::INFINITY, 1.0, 1.0, 1.0] };
        // always wet, and nothing that holds the intercept
        let always = [[0.0; BLOCK], [1.0; BLOCK], [1.0; BLOCK]];
        assert_eq!(near(rows(&always, &SEASON), &unbounded), unbounded.mean);
        // nothing seen: a prior alone
        let prior = Prior { mean: [0.5, 1.0, 0.0, 0.0], sd: [2.0, 1.0, 1.0, 1.0] };
        let nothing = [[0.0; BLOCK]; 3];
        let found = fit(rows(&nothing, &SEASON), &prior);
        assert!(found.converged && (found.beta[0] - 0.5).abs() < 1e-9, "{found:?}");
    }
}
