//! The gamma distribution with a share of zeros, for sums of rain.

use crate::normal::{self, Tails};
use statrs::function::gamma;

/// Fewest values (positive ones for the gamma distribution) a distribution is fitted to.
pub const FEWEST: usize = 10;

/// What a sum of exactly zero reads as.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ZeroMass {
    /// Half the share of zeros: the centre of its probability mass, so that zeros do not read as wet where they
    /// are common (ours).
    #[default]
    Centre,
    /// The whole share of zeros (McKee, Doesken and Kleist 1993, as written out by Edwards and McKee 1997).
    Mass,
}

/// Values no distribution can be fitted to.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DistributionError {
    /// Too few values that count.
    #[error("{found} usable values: a distribution needs at least {FEWEST}")]
    TooFew {
        /// How many there are.
        found: usize,
    },
    /// No spread.
    #[error("all usable values are equal: a distribution needs values that differ")]
    AllEqual,
    /// NaN or infinity.
    #[error("value {position} (counted from 1) is not a finite number")]
    NotFinite {
        /// Which value.
        position: usize,
    },
    /// Rain below zero.
    #[error("value {position} (counted from 1) is {value}: a sum of precipitation cannot be below 0")]
    Negative {
        /// Which value.
        position: usize,
        /// What it is.
        value: f64,
    },
}

/// A gamma distribution of the positive values, mixed with the share of zeros.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GammaFit {
    /// Shape (no unit).
    pub shape: f64,
    /// Scale, in the unit of the values.
    pub scale: f64,
    /// Zeros among all values, q = m / n.
    pub zero_share: f64,
    /// Number of values, zeros included.
    pub n: usize,
}

/// Mean and A = ln(mean) - mean(ln) of the positive values, with counts of all and of positive values.
struct Summary {
    n: usize,
    positive: usize,
    mean: f64,
    log_gap: f64,
}

/// Fits by maximum likelihood: ln(shape) - digamma(shape) = A, scale = mean / shape over positive values; zeros are
/// mixed in by their share.
///
/// # Errors
/// [`DistributionError`] for a negative or non-finite value, fewer than [`FEWEST`] positive ones, or no spread.
///
/// ```
/// use lentic_numerics::gamma_fit::fit_gamma;
/// let sums = [0.0, 3.0, 8.0, 1.0, 4.0, 12.0, 6.0, 2.0, 9.0, 5.0, 7.0, 0.0];
/// let fit = fit_gamma(&sums).unwrap();
/// assert!((fit.shape * fit.scale - 5.7).abs() < 1e-9); // the mean is kept
/// assert_eq!(fit.zero_share, 2.0 / 12.0);
/// ```
pub fn fit_gamma(values: &[f64]) -> Result<GammaFit, DistributionError> {
    let summary = summarise(values)?;
    Ok(summary.with_shape(likelihood_shape(summary.log_gap)))
}

/// Fits with the closed approximation of Thom 1958, Monthly Weather Review 86:117-122:
/// shape = (1 + sqrt(1 + 4A/3)) / (4A).
///
/// # Errors
/// As [`fit_gamma`].
pub fn fit_gamma_thom(values: &[f64]) -> Result<GammaFit, DistributionError> {
    let summary = summarise(values)?;
    Ok(summary.with_shape(thom_shape(summary.log_gap)))
}

impl Summary {
    fn with_shape(&self, shape: f64) -> GammaFit {
        GammaFit {
            shape,
            scale: self.mean / shape,
            zero_share: (self.n - self.positive) as f64 / self.n as f64,
            n: self.n,
        }
    }
}

fn summarise(values: &[f64]) -> Result<Summary, DistributionError> {
    let (mut positive, mut sum, mut logs) = (0usize, 0.0, 0.0);
    let (mut least, mut most) = (f64::INFINITY, 0.0f64);
    for (i, value) in values.iter().copied().enumerate() {
        if !value.is_finite() {
            return Err(DistributionError::NotFinite { position: i + 1 });
        }
        if value < 0.0 {
            return Err(DistributionError::Negative { position: i + 1, value });
        }
        if value > 0.0 {
            positive += 1;
            sum += value;
            logs += value.ln();
            least = least.min(value);
            most = most.max(value);
        }
    }
    if positive < FEWEST {
        return Err(DistributionError::TooFew { found: positive });
    }
    let mean = sum / positive as f64;
    let log_gap = mean.ln() - logs / positive as f64;
    // By Jensen's inequality A is above 0 unless all values are equal; within rounding they are.
    if least == most || log_gap <= 1e-12 || !mean.is_finite() {
        return Err(DistributionError::AllEqual);
    }
    Ok(Summary { n: values.len(), positive, mean, log_gap })
}

fn thom_shape(log_gap: f64) -> f64 {
    (1.0 + (1.0 + 4.0 * log_gap / 3.0).sqrt()) / (4.0 * log_gap)
}

/// Solves ln a - digamma(a) = A by Newton's method on 1/a from Thom's value, which is within 2 percent.
fn likelihood_shape(log_gap: f64) -> f64 {
    let mut shape = thom_shape(log_gap);
    for _ in 0..50 {
        let error = shape.ln() - gamma::digamma(shape) - log_gap;
        // In 1/a the left side is nearly a straight line, so that steps stay on the positive side.
        let slope = shape * (1.0 - shape * trigamma(shape));
        let inverse = 1.0 / shape + error / slope;
        let next = 1.0 / inverse;
        if !(next.is_finite() && next > 0.0) {
            break;
        }
        let change = (next - shape).abs();
        shape = next;
        if change <= 1e-14 * shape {
            break;
        }
    }
    shape
}

/// Derivative of digamma for x > 0: recurrence up to 20, then the asymptotic series (Abramowitz and Stegun 1964,
/// 6.4.6 and 6.4.12).
fn trigamma(mut x: f64) -> f64 {
    let mut sum = 0.0;
    while x < 20.0 {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let inverse = 1.0 / x;
    let square = inverse * inverse;
    sum + inverse
        * (1.0
            + inverse
                * (0.5
                    + inverse * (1.0 / 6.0 - square * (1.0 / 30.0 - square * (1.0 / 42.0 - square / 30.0)))))
}

impl GammaFit {
    /// Tails of the mixed distribution at a sum `x`; a sum at or below 0 reads as zero rain by `zero`. Without zeros
    /// in the fit a sum of 0 lies outside the support: its lower tail is 0.
    pub fn tails(&self, x: f64, zero: ZeroMass) -> Tails {
        if x.is_nan() {
            return Tails { lower: f64::NAN, upper: f64::NAN };
        }
        if x <= 0.0 {
            let lower = match zero {
                ZeroMass::Centre => self.zero_share / 2.0,
                ZeroMass::Mass => self.zero_share,
            };
            return Tails { lower, upper: 1.0 - lower };
        }
        let scaled = x / self.scale;
        let (lower, upper) = if scaled.is_infinite() {
            (1.0, 0.0)
        } else if scaled == 0.0 {
            (0.0, 1.0)
        } else {
            (gamma::gamma_lr(self.shape, scaled), gamma::gamma_ur(self.shape, scaled))
        };
        let wet = 1.0 - self.zero_share;
        Tails { lower: self.zero_share + wet * lower, upper: wet * upper }
    }

    /// The standardised index of a sum: the normal value with the same tails, without limits.
    pub fn index(&self, x: f64, zero: ZeroMass) -> f64 {
        self.tails(x, zero).normal_value()
    }

    /// Density of the mixed distribution at x > 0, per unit of x.
    pub fn density(&self, x: f64) -> f64 {
        let scaled = x / self.scale;
        let log = (self.shape - 1.0) * scaled.ln() - scaled - gamma::ln_gamma(self.shape);
        (1.0 - self.zero_share) * log.exp() / self.scale
    }

    /// The sum x > 0 whose index is `z`; `None` where the zeros alone reach that far.
    pub fn sum_at(&self, z: f64) -> Option<f64> {
        if !z.is_finite() || self.zero_share >= normal::tails(z).lower {
            return None;
        }
        // Bracketed bisection on a logarithmic scale: slow, sure, and done once per fit.
        let mut low = self.shape * self.scale;
        let mut high = low;
        while self.index(low, ZeroMass::Mass) > z {
            low /= 2.0;
            if low == 0.0 {
                return None;
            }
        }
        while self.index(high, ZeroMass::Mass) < z {
            high *= 2.0;
            if high.is_infinite() {
                return None;
            }
        }
        for _ in 0..200 {
            let middle = (low * high).sqrt();
            if middle <= low || middle >= high {
                break;
            }
            if self.index(middle, ZeroMass::Mass) < z {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SUMS: [f64; 12] = [0.0, 3.0, 8.0, 1.0, 4.0, 12.0, 6.0, 2.0, 9.0, 5.0, 7.0, 0.0];

    #[test]
    fn trigamma_matches_scipy() {
        // scipy 1.17.1 special.polygamma(1, x)
        for (x, expected) in [
            (0.01, 10_001.621_213_528_313),
            (0.5, 4.934_802_200_544_679),
            (3.76, 0.3044171662664832),
            (100.0, 0.010_050_166_663_333_57),
        ] {
            let found = trigamma(x);
            assert!((found / expected - 1.0).abs() < 1e-12, "{x} {found}");
        }
    }

    #[test]
    fn shapes_solve_the_likelihood_equation() {
        for log_gap in [1e-8, 1e-3, 0.139, 0.5, 2.0, 20.0, 200.0] {
            let shape = likelihood_shape(log_gap);
            let left = shape.ln() - gamma::digamma(shape);
            // For large shapes ln and digamma cancel: 1e-15 of 20 is left
            assert!((left - log_gap).abs() <= 1e-12 * log_gap + 1e-14, "{log_gap} {shape}");
        }
    }

    #[test]
    fn tails_match_scipy() {
        // scipy 1.17.1: stats.gamma.cdf / sf / pdf (5, 2.5, scale=3)
        let fit = GammaFit { shape: 2.5, scale: 3.0, zero_share: 0.0, n: 30 };
        let tails = fit.tails(5.0, ZeroMass::Centre);
        assert!((tails.lower - 0.351_257_641_332_406_6).abs() < 1e-13);
        assert!((tails.lower + tails.upper - 1.0).abs() < 1e-15);
        assert!((fit.density(5.0) - 0.101_904_070_843_116_53).abs() < 1e-13);
    }

    #[test]
    fn zeros_read_by_rule() {
        let fit = fit_gamma(&SUMS).unwrap();
        let q = 2.0 / 12.0;
        assert_eq!(fit.tails(0.0, ZeroMass::Mass).lower, q);
        assert_eq!(fit.tails(0.0, ZeroMass::Centre).lower, q / 2.0);
        assert!((fit.tails(1e-9, ZeroMass::Centre).lower - q).abs() < 1e-6);
        assert_eq!(fit.index(f64::INFINITY, ZeroMass::Mass), f64::INFINITY);
        assert!(fit.index(f64::NAN, ZeroMass::Mass).is_nan());
        let no_zero = GammaFit { zero_share: 0.0, ..fit };
        assert_eq!(no_zero.index(0.0, ZeroMass::Centre), f64::NEG_INFINITY);
    }

    #[test]
    fn sums_and_indices_turn_into_each_other() {
        let fit = fit_gamma(&SUMS).unwrap();
        for z in [-0.5, 0.0, 1.3, 2.5] {
            let sum = fit.sum_at(z).unwrap();
            assert!((fit.index(sum, ZeroMass::Centre) - z).abs() < 1e-10);
        }
        // One sixth of the sums is zero: no positive sum lies below -0.967.
        assert_eq!(fit.sum_at(-1.0), None);
        let wild = GammaFit { shape: 0.02, scale: 500.0, zero_share: 0.0, n: 30 };
        let dry = wild.sum_at(-2.5).unwrap();
        assert!((wild.index(dry, ZeroMass::Centre) + 2.5).abs() < 1e-9);
    }

    #[test]
    fn values_that_cannot_be_fitted() {
        assert_eq!(fit_gamma(&SUMS[..11]).map(|f| f.n), Ok(11));
        assert_eq!(fit_gamma(&SUMS[..10]), Err(DistributionError::TooFew { found: 9 }));
        assert_eq!(fit_gamma(&[3.3; 20]), Err(DistributionError::AllEqual));
        assert_eq!(fit_gamma(&[1.0, f64::NAN]), Err(DistributionError::NotFinite { position: 2 }));
        assert_eq!(
            fit_gamma_thom(&[1.0, -2.0]),
            Err(DistributionError::Negative { position: 2, value: -2.0 })
        );
    }
}
