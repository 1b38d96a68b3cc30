//! The standard normal distribution, accurate in both tails.

use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma;

/// A probability with its complement, each computed on its own so that neither tail loses digits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tails {
    /// P(X <= x).
    pub lower: f64,
    /// P(X > x).
    pub upper: f64,
}

impl Tails {
    /// The standard normal value that has these tails: -inf where `lower` is 0, inf where `upper` is 0.
    pub fn normal_value(self) -> f64 {
        if self.lower <= self.upper { quantile(self.lower) } else { -quantile(self.upper) }
    }
}

/// The standard normal value below which the share `probability` lies; NaN outside [0, 1].
pub fn quantile(probability: f64) -> f64 {
    match probability {
        0.0 => f64::NEG_INFINITY,
        1.0 => f64::INFINITY,
        p if p > 0.0 && p < 1.0 => Normal::standard().inverse_cdf(p),
        _ => f64::NAN,
    }
}

/// Both tails at `z`: P(Z > |z|) is half the upper tail of chi squared with 1 degree of freedom at z^2.
pub fn tails(z: f64) -> Tails {
    if z.is_nan() {
        return Tails { lower: f64::NAN, upper: f64::NAN };
    }
    let half_square = z * z / 2.0;
    // Beyond 745 the tail is below the smallest positive f64.
    let outer = if half_square > 745.0 {
        0.0
    } else if half_square == 0.0 {
        0.5
    } else {
        0.5 * gamma::gamma_ur(0.5, half_square)
    };
    if z < 0.0 {
        Tails { lower: outer, upper: 1.0 - outer }
    } else {
        Tails { lower: 1.0 - outer, upper: outer }
    }
}

/// The density at `z`.
pub fn density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_match_scipy() {
        // scipy 1.17.1 special.ndtri
        let cases = [
            (1e-300, -37.047_096_299_361_21),
            (1e-10, -6.361_340_902_404_057),
            (0.001, -3.090_232_306_167_813),
            (0.02, -2.053_748_910_631_823_4),
            (0.3, -0.524_400_512_708_041),
            (0.9, 1.281_551_565_544_600_4),
        ];
        for (p, z) in cases {
            assert!((quantile(p) - z).abs() <= 1e-13 * z.abs(), "{p}");
        }
        assert_eq!(quantile(0.5), 0.0);
        assert_eq!((quantile(0.0), quantile(1.0)), (f64::NEG_INFINITY, f64::INFINITY));
        assert!(quantile(1.1).is_nan() && quantile(f64::NAN).is_nan());
    }

    #[test]
    fn published_probabilities() {
        // Index against cumulative probability as printed in table 1 of the article 2157-7617-6-319.
        for (z, p) in
            [(-2.5, 0.0062), (-2.0, 0.0228), (-1.5, 0.0668), (-1.0, 0.1587), (0.5, 0.6915), (2.0, 0.9772)]
        {
            assert!((tails(z).lower - p).abs() <= 5.1e-5, "{z}");
        }
    }

    #[test]
    fn tails_turn_back_into_values() {
        for z in [-30.0, -8.0, -2.5, -0.1, 0.0, 0.3, 4.0, 12.0, 37.0] {
            let back = tails(z).normal_value();
            assert!((back - z).abs() < 1e-12 * z.abs().max(1.0), "{z} {back}");
        }
        assert_eq!(tails(f64::INFINITY), Tails { lower: 1.0, upper: 0.0 });
        assert!(tails(f64::NAN).lower.is_nan());
    }

    #[test]
    fn density_matches_scipy() {
        // scipy 1.17.1: norm.pdf(-2.5), norm.pdf(0)
        assert!((density(-2.5) - 0.017_528_300_493_568_54).abs() < 1e-16);
        assert!((density(0.0) - 0.398_942_280_401_432_7).abs() < 1e-15);
    }
}
