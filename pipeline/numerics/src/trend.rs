//! Trend and change point of a short series, without assuming a distribution.
//!
//! Values must be finite; a series with NaN or infinity gives `None`. Leave missing years out beforehand.

use crate::normal;
use crate::stats;

/// Result of [`mann_kendall`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MannKendall {
    /// Pairs that rise minus pairs that fall.
    pub s: i64,
    /// Variance of s without a trend, corrected for ties.
    pub variance: f64,
    /// s brought one step towards 0 (continuity), over its standard deviation; 0 where all values tie.
    pub z: f64,
    /// Two-sided p of z by the normal distribution.
    pub p: f64,
}

/// Mann-Kendall test for a monotone trend of values in order of time: Mann 1945, Econometrica 13:245-259; Kendall
/// 1975, Rank Correlation Methods. `None` for fewer than 2 values or any that is not finite.
///
/// ```
/// use lentic_numerics::trend::mann_kendall;
/// assert_eq!(mann_kendall(&[10.0, 15.0, 14.0, 20.0]).unwrap().s, 4);
/// ```
pub fn mann_kendall(values: &[f64]) -> Option<MannKendall> {
    if values.len() < 2 || !all_finite(values) {
        return None;
    }
    let s: i64 = values
        .iter()
        .enumerate()
        .map(|(i, early)| values[i + 1..].iter().map(|late| sign(late - early)).sum::<i64>())
        .sum();
    let variance = (pairs_term(values.len()) - ties_term(values)) / 18.0;
    let z = if variance > 0.0 { (s - s.signum()) as f64 / variance.sqrt() } else { 0.0 };
    let p = (2.0 * normal::tails(z.abs()).upper).min(1.0);
    Some(MannKendall { s, variance, z, p })
}

/// A straight line by Theil and Sen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TheilSen {
    /// Median slope over all pairs of points.
    pub slope: f64,
    /// Median of y minus slope times median of t.
    pub intercept: f64,
}

/// Median of the slopes between all pairs of points with different t: Theil 1950; Sen 1968, JASA 63:1379-1389. `None`
/// if lengths differ, a value is not finite, or no two points differ in t.
pub fn theil_sen(t: &[f64], y: &[f64]) -> Option<TheilSen> {
    let slope = stats::median_in_place(&mut slopes(t, y)?)?;
    let intercept = stats::median(y)? - slope * stats::median(t)?;
    Some(TheilSen { slope, intercept })
}

/// Lower and upper bound of the Theil-Sen slope at `confidence` in (0, 1), for example 0.95, from the normal
/// approximation of Kendall's S with ties in y (Sen 1968). `None` as [`theil_sen`], or for another confidence.
pub fn slope_interval(t: &[f64], y: &[f64], confidence: f64) -> Option<(f64, f64)> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let mut slopes = slopes(t, y)?;
    slopes.sort_unstable_by(f64::total_cmp);
    let variance = (pairs_term(y.len()) - ties_term(y) - ties_term(t)) / 18.0;
    let z = -normal::quantile((1.0 - confidence) / 2.0);
    let spread = z * variance.max(0.0).sqrt();
    let count = slopes.len() as f64;
    // Ranks count from 1; the nearest whole rank is taken, and ranks beyond the slopes mean the outermost.
    let rank = |r: f64| (r.max(1.0) as usize).min(slopes.len()) - 1;
    let low = rank(((count - spread) / 2.0).round_ties_even());
    let high = rank(((count + spread) / 2.0).round_ties_even() + 1.0);
    Some((*slopes.get(low)?, *slopes.get(high)?))
}

/// Result of [`pettitt`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pettitt {
    /// Largest absolute value of U.
    pub k: i64,
    /// How many values lie before the change: the last of them ends the first part.
    pub before: usize,
    /// Approximate two-sided p, good up to 0.5, at most 1.
    pub p: f64,
}

/// Pettitt 1979, Applied Statistics 28:126-135: test for one change of level at an unknown time. Of equal maxima the
/// first is taken. `None` for fewer than 2 values or any that is not finite.
pub fn pettitt(values: &[f64]) -> Option<Pettitt> {
    if values.len() < 2 || !all_finite(values) {
        return None;
    }
    let mut u = 0i64;
    let mut found = Pettitt { k: -1, before: 0, p: 1.0 };
    for (i, value) in values[..values.len() - 1].iter().enumerate() {
        // U_t = U_(t-1) + sum over j of sign(x_t - x_j)
        u += values.iter().map(|other| sign(value - other)).sum::<i64>();
        if u.abs() > found.k {
            found = Pettitt { k: u.abs(), before: i + 1, p: 1.0 };
        }
    }
    let n = values.len() as f64;
    let k = found.k as f64;
    found.p = (2.0 * (-6.0 * k * k / (n * n * n + n * n)).exp()).min(1.0);
    Some(found)
}

fn all_finite(values: &[f64]) -> bool {
    values.iter().all(|v| v.is_finite())
}

fn sign(difference: f64) -> i64 {
    i64::from(difference > 0.0) - i64::from(difference < 0.0)
}

/// n (n - 1) (2n + 5)
fn pairs_term(n: usize) -> f64 {
    let n = n as f64;
    n * (n - 1.0) * (2.0 * n + 5.0)
}

/// Sum over groups of t tied values of t (t - 1) (2t + 5). Taken value by value, so that nothing is sorted or
/// allocated for the many short series of a raster.
fn ties_term(values: &[f64]) -> f64 {
    values
        .iter()
        .map(|value| {
            let t = values.iter().filter(|other| *other == value).count() as f64;
            (t - 1.0) * (2.0 * t + 5.0)
        })
        .sum()
}

/// Slopes between all pairs of points with different t.
fn slopes(t: &[f64], y: &[f64]) -> Option<Vec<f64>> {
    if t.len() != y.len() || !all_finite(t) || !all_finite(y) {
        return None;
    }
    let mut slopes = Vec::with_capacity(t.len() * t.len().saturating_sub(1) / 2);
    for i in 0..t.len() {
        for j in i + 1..t.len() {
            if t[i] != t[j] {
                slopes.push((y[j] - y[i]) / (t[j] - t[i]));
            }
        }
    }
    (!slopes.is_empty()).then_some(slopes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gilbert_examples() {
        // Gilbert 1987, Statistical Methods for Environmental Pollution Monitoring, ch. 16, from memory; s and z
        // recomputed with numpy
        let four = mann_kendall(&[10.0, 15.0, 14.0, 20.0]).unwrap();
        assert_eq!(four.s, 4);
        assert!((four.z - 1.019_049_3).abs() < 1e-6);
        let tied = mann_kendall(&[23.0, 24.0, 29.0, 6.0, 29.0, 24.0, 24.0, 29.0, 23.0]).unwrap();
        assert_eq!(tied.s, 3);
        assert!((tied.variance - 83.667).abs() < 5e-4);
        assert!((tied.z - 0.218_652_2).abs() < 1e-6);
    }

    #[test]
    fn sen_1968_example() {
        // Sen 1968, as used in the tests of scipy: slope 4, 93 % interval 26/7 to 35/8
        let t = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
        let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
        assert_eq!(theil_sen(&t, &y), Some(TheilSen { slope: 4.0, intercept: 4.0 }));
        let (low, high) = slope_interval(&t, &y, 0.93).unwrap();
        assert!((low - 26.0 / 7.0).abs() < 1e-12 && (high - 35.0 / 8.0).abs() < 1e-12);
    }

    #[test]
    fn constant_short_and_broken_series() {
        let flat = mann_kendall(&[2.0; 5]).unwrap();
        assert_eq!((flat.s, flat.variance, flat.z, flat.p), (0, 0.0, 0.0, 1.0));
        assert_eq!(mann_kendall(&[1.0]), None);
        assert_eq!(mann_kendall(&[1.0, f64::NAN]), None);
        assert_eq!(theil_sen(&[1.0, 1.0], &[1.0, 2.0]), None);
        assert_eq!(theil_sen(&[1.0], &[1.0, 2.0]), None);
        assert_eq!(slope_interval(&[1.0, 2.0], &[1.0, 2.0], 1.0), None);
        assert_eq!(slope_interval(&[1.0, 2.0], &[1.0, 2.0], 0.95), Some((1.0, 1.0)));
        assert_eq!(pettitt(&[]), None);
        assert_eq!(pettitt(&[3.0; 4]), Some(Pettitt { k: 0, before: 1, p: 1.0 }));
    }
}
