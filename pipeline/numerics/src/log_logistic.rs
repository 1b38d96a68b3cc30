//! The three-parameter log-logistic distribution, for climatic water balances.
//!
//! It is kept in its generalised logistic form (Hosking and Wallis 1997, Regional Frequency Analysis, appendix A.7),
//! F(x) = 1 / (1 + exp(-y)) with y = -ln(1 - k (x - location) / scale) / k. The two are one distribution: shape
//! beta = -1/k, origin gamma = location + scale / k, alpha = -scale / k. This form stays finite where the sample
//! has no skew (k = 0, the logistic distribution) and needs no case for negative skew.

use crate::gamma_fit::{DistributionError, FEWEST};
use crate::normal::Tails;

/// Skewness below which k counts as 0 in the fit: terms of order k^2 vanish in `f64`.
const NO_SKEW: f64 = 1e-8;

/// A fitted distribution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LogLogistic {
    /// Median, in the unit of the values.
    pub location: f64,
    /// Scale > 0, in the unit of the values.
    pub scale: f64,
    /// k in (-1, 1), minus the L-skewness.
    pub k: f64,
    /// Number of values.
    pub n: usize,
}

/// Probability-weighted moments w_s, the mean of x (1 - F)^s for s = 0, 1, 2, without bias: Hosking 1990, J. R. Stat.
/// Soc. B 52:105-124; used for water balances by Begueria et al. 2014, Int. J. Climatol. 34:3001-3023.
/// `sorted` rises and holds at least 3 values (`None` otherwise).
pub fn weighted_moments(sorted: &[f64]) -> Option<[f64; 3]> {
    let n = sorted.len();
    if n < 3 {
        return None;
    }
    let mut moments = [0.0; 3];
    for (i, value) in sorted.iter().enumerate() {
        let above = (n - 1 - i) as f64;
        moments[0] += value;
        moments[1] += value * above;
        moments[2] += value * above * (above - 1.0);
    }
    let n = n as f64;
    moments[0] /= n;
    moments[1] /= n * (n - 1.0);
    moments[2] /= n * (n - 1.0) * (n - 2.0);
    Some(moments)
}

/// Fits by unbiased probability-weighted moments (Vicente-Serrano, Begueria and Lopez-Moreno 2010, J. Climate
/// 23:1696-1718, for the distribution).
///
/// # Errors
/// [`DistributionError`] for a value that is not finite, fewer than [`FEWEST`] values, or no spread.
pub fn fit_log_logistic(values: &[f64]) -> Result<LogLogistic, DistributionError> {
    if let Some(i) = values.iter().position(|v| !v.is_finite()) {
        return Err(DistributionError::NotFinite { position: i + 1 });
    }
    if values.len() < FEWEST {
        return Err(DistributionError::TooFew { found: values.len() });
    }
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let [w0, w1, w2] = weighted_moments(&sorted).ok_or(DistributionError::TooFew { found: values.len() })?;
    let spread = w0 - 2.0 * w1;
    let size = values.iter().fold(0.0f64, |most, v| most.max(v.abs()));
    if sorted.first() == sorted.last() || spread <= 1e-12 * size {
        return Err(DistributionError::AllEqual);
    }
    let k = -((w0 - 6.0 * w1 + 6.0 * w2) / spread);
    let (scale, location) = if k.abs() < NO_SKEW {
        (spread, w0)
    } else {
        let angle = k * std::f64::consts::PI;
        let scale = spread * angle.sin() / angle;
        (scale, w0 - scale * (1.0 / k - std::f64::consts::PI / angle.sin()))
    };
    Ok(LogLogistic { location, scale, k, n: values.len() })
}

impl LogLogistic {
    /// Shape beta of the log-logistic form: negative for negative skew, infinite without skew.
    pub fn beta(&self) -> f64 {
        -1.0 / self.k
    }

    /// Scale alpha of the log-logistic form, of the sign of [`beta`](Self::beta).
    pub fn alpha(&self) -> f64 {
        -self.scale / self.k
    }

    /// Origin gamma of the log-logistic form: the end of the support.
    pub fn gamma(&self) -> f64 {
        self.location + self.scale / self.k
    }

    /// Least and greatest possible value; one end is infinite, both are without skew.
    pub fn support(&self) -> (f64, f64) {
        if self.k < 0.0 {
            (self.gamma(), f64::INFINITY)
        } else if self.k > 0.0 {
            (f64::NEG_INFINITY, self.gamma())
        } else {
            (f64::NEG_INFINITY, f64::INFINITY)
        }
    }

    /// Logit of the probability below x; infinite outside the support.
    fn logit(&self, x: f64) -> f64 {
        let standard = (x - self.location) / self.scale;
        if self.k == 0.0 {
            return standard;
        }
        let inside = -self.k * standard;
        if inside <= -1.0 {
            return if self.k < 0.0 { f64::NEG_INFINITY } else { f64::INFINITY };
        }
        // ln_1p keeps its digits where k is next to 0.
        -inside.ln_1p() / self.k
    }

    /// Both tails at x.
    pub fn tails(&self, x: f64) -> Tails {
        let logit = self.logit(x);
        Tails { lower: 1.0 / (1.0 + (-logit).exp()), upper: 1.0 / (1.0 + logit.exp()) }
    }

    /// The standardised index of x, without limits: -inf below the support, inf above it.
    pub fn index(&self, x: f64) -> f64 {
        self.tails(x).normal_value()
    }

    /// Density at x, per unit of x; 0 outside the support.
    pub fn density(&self, x: f64) -> f64 {
        let inside = 1.0 - self.k * (x - self.location) / self.scale;
        if inside <= 0.0 {
            return 0.0;
        }
        let tails = self.tails(x);
        tails.lower * tails.upper / (self.scale * inside)
    }

    /// The x with these tails.
    pub fn value_at(&self, tails: Tails) -> f64 {
        let logit = tails.lower.ln() - tails.upper.ln();
        let standard = if self.k == 0.0 { logit } else { -(-self.k * logit).exp_m1() / self.k };
        self.location + self.scale * standard
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::normal;

    #[test]
    fn moments_by_hand() {
        // n = 3, values 1 2 4: w0 = 7/3, w1 = (1*2 + 2*1) / (3*2), w2 = (1*2*1) / (3*2*1)
        let moments = weighted_moments(&[1.0, 2.0, 4.0]).unwrap();
        for (found, expected) in moments.iter().zip([7.0 / 3.0, 4.0 / 6.0, 2.0 / 6.0]) {
            assert!((found - expected).abs() < 1e-15);
        }
        assert_eq!(weighted_moments(&[1.0, 2.0]), None);
    }

    #[test]
    fn both_forms_are_one_distribution() {
        // F(x) = [1 + (alpha / (x - gamma))^beta]^-1, Vicente-Serrano et al. 2010
        for k in [-0.3, -0.01, 0.02, 0.4] {
            let fit = LogLogistic { location: 12.0, scale: 5.0, k, n: 30 };
            for x in [4.0, 12.0, 20.0] {
                let power = (fit.alpha() / (x - fit.gamma())).powf(fit.beta());
                let tails = fit.tails(x);
                assert!((tails.lower - 1.0 / (1.0 + power)).abs() < 1e-12, "{k} {x}");
                assert!((fit.value_at(tails) - x).abs() < 1e-10, "{k} {x}");
                let step = 1e-5;
                let slope = (fit.tails(x + step).lower - fit.tails(x - step).lower) / (2.0 * step);
                assert!((fit.density(x) - slope).abs() < 1e-8, "{k} {x}");
            }
        }
    }

    #[test]
    fn without_skew_it_is_logistic() {
        // Symmetric values: the L-skewness is 0 up to rounding
        let values: Vec<f64> = (-6..=6).map(f64::from).collect();
        let fit = fit_log_logistic(&values).unwrap();
        assert!(fit.k.abs() < 1e-12 && fit.location.abs() < 1e-12);
        assert!(fit.index(0.0).abs() < 1e-12);
        assert!((fit.index(3.0) + fit.index(-3.0)).abs() < 1e-10);
        let logistic = LogLogistic { k: 0.0, ..fit };
        assert_eq!(logistic.support(), (f64::NEG_INFINITY, f64::INFINITY));
        assert!((logistic.index(3.0) - fit.index(3.0)).abs() < 1e-10);
        let nearly = LogLogistic { k: 1e-9, ..fit };
        assert!((nearly.index(4.0) - logistic.index(4.0)).abs() < 1e-7);
    }

    #[test]
    fn outside_the_support_the_index_is_infinite() {
        let right = LogLogistic { location: 10.0, scale: 2.0, k: -0.2, n: 30 };
        assert_eq!(right.support(), (0.0, f64::INFINITY));
        assert_eq!(right.index(-1.0), f64::NEG_INFINITY);
        assert_eq!(right.density(-1.0), 0.0);
        let left = LogLogistic { k: 0.2, ..right };
        assert_eq!(left.support(), (f64::NEG_INFINITY, 20.0));
        assert_eq!(left.index(21.0), f64::INFINITY);
        assert!((left.value_at(normal::tails(-2.5)) - 10.0).is_sign_negative());
    }

    #[test]
    fn values_that_cannot_be_fitted() {
        assert_eq!(fit_log_logistic(&[1.0; 9]), Err(DistributionError::TooFew { found: 9 }));
        assert_eq!(fit_log_logistic(&[-4.2; 12]), Err(DistributionError::AllEqual));
        assert_eq!(fit_log_logistic(&[f64::INFINITY; 12]), Err(DistributionError::NotFinite { position: 1 }));
    }
}
