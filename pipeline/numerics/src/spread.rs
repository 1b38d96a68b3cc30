//! Numbers of given distributions from numbers spread evenly over (0, 1), by the quantile function, so that a stratified or
//! quasi-random sample stays one.

use statrs::distribution::{ContinuousCDF, Gamma};

/// The quantile of a triangular distribution from `low` to `high` with its peak at `peak`, at `u` in [0, 1]. Kotz and van Dorp
/// 2004, "Beyond Beta", chapter 1. All three equal: that number. NaN where `low <= peak <= high` does not hold.
///
/// ```
/// use lentic_numerics::spread::triangular;
/// assert_eq!(triangular(0.0, 1.0, 4.0, 0.25), 1.0);
/// ```
pub fn triangular(low: f64, peak: f64, high: f64, u: f64) -> f64 {
    let ordered = low <= peak && peak <= high;
    if !ordered {
        return f64::NAN;
    }
    if low == high {
        return peak;
    }
    let turn = (peak - low) / (high - low);
    if u <= turn {
        low + ((high - low) * (peak - low) * u).sqrt()
    } else {
        high - ((high - low) * (high - peak) * (1.0 - u)).sqrt()
    }
}

/// Weights that sum to 1, Dirichlet with concentration `concentration` x weight: gamma quantiles at `u`, over their sum
/// (Devroye 1986, "Non-Uniform Random Variate Generation", XI.4). Their means are the weights given. A weight of 0 stays 0; a single one stays
/// 1. `u` in (0, 1), as many as weights; weights are read as shares of their sum.
///
/// The numbers of one weight alone fill its own gamma distribution evenly, whatever the others are.
pub fn dirichlet(weights: &[f64], concentration: f64, u: &[f64]) -> Vec<f64> {
    let whole: f64 = weights.iter().sum();
    let drawn: Vec<f64> = weights
        .iter()
        .zip(u)
        .map(|(weight, u)| match Gamma::new(concentration * weight / whole, 1.0) {
            Ok(gamma) => gamma.inverse_cdf(*u),
            // not above 0
            Err(_) => 0.0,
        })
        .collect();
    let sum: f64 = drawn.iter().sum();
    if sum > 0.0 && sum.is_finite() {
        drawn.iter().map(|value| value / sum).collect()
    } else {
        weights.iter().map(|weight| weight / whole).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::latin_hypercube::latin_hypercube;

    #[test]
    fn a_triangle_has_its_moments() {
        // mean (a + b + c)/3; variance (a2 + b2 + c2 - ab - ac - bc)/18 (handbook formulas)
        let (a, c, b) = (-30.0, -20.0, -5.0);
        let n = 20_000;
        let values: Vec<f64> = (0..n).map(|i| triangular(a, c, b, (i as f64 + 0.5) / n as f64)).collect();
        let mean = values.iter().sum::<f64>() / n as f64;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n as f64;
        assert!((mean - (a + b + c) / 3.0).abs() < 1e-4);
        assert!((variance - (a * a + b * b + c * c - a * b - a * c - b * c) / 18.0).abs() < 1e-2);
        assert_eq!((triangular(a, c, b, 0.0), triangular(a, c, b, 1.0)), (a, b));
        assert_eq!(triangular(2.0, 2.0, 2.0, 0.3), 2.0);
        assert!(triangular(2.0, 1.0, 3.0, 0.3).is_nan());
    }

    #[test]
    fn weights_keep_their_means_and_spread() {
        // Dirichlet: mean w, variance w (1 - w)/(concentration + 1)
        let weights = [0.5, 0.3, 0.2];
        let n = 4000;
        let drawn: Vec<Vec<f64>> =
            latin_hypercube(n, 3, 5).iter().map(|u| dirichlet(&weights, 50.0, u)).collect();
        for (at, weight) in weights.iter().enumerate() {
            let mean = drawn.iter().map(|w| w[at]).sum::<f64>() / n as f64;
            let variance = drawn.iter().map(|w| (w[at] - mean).powi(2)).sum::<f64>() / n as f64;
            assert!((mean - weight).abs() < 2e-3, "{at}: {mean}");
            let expected = weight * (1.0 - weight) / 51.0;
            assert!((variance / expected - 1.0).abs() < 0.08, "{at}: {variance}, {expected}");
        }
        assert!(drawn.iter().all(|w| (w.iter().sum::<f64>() - 1.0).abs() < 1e-12));
        assert_eq!(dirichlet(&[3.0], 50.0, &[0.9]), [1.0]);
        assert_eq!(dirichlet(&[1.0, 0.0], 50.0, &[0.9, 0.2]), [1.0, 0.0]);
    }
}
