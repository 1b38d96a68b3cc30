//! Response curves: from a measure to a score. A NaN measure gives a NaN score.

/// Straight lines between `points` ([measure, score], measures not falling), flat outside them. Where two
/// points share a measure the later one holds there. No points: NaN.
///
/// ```
/// use lentic_numerics::curve::piecewise_linear;
/// assert_eq!(piecewise_linear(&[[0.0, 0.0], [25.0, 1.0]], 10.0), 0.4);
/// ```
pub fn piecewise_linear(points: &[[f64; 2]], x: f64) -> f64 {
    if x.is_nan() {
        return f64::NAN;
    }
    let after = points.partition_point(|p| p[0] <= x);
    match (after.checked_sub(1).and_then(|i| points.get(i)), points.get(after)) {
        (Some([x0, y0]), Some([x1, y1])) => y0 + (y1 - y0) * ((x - x0) / (x1 - x0)),
        (Some([_, y]), None) | (None, Some([_, y])) => *y,
        (None, None) => f64::NAN,
    }
}

/// 0 up to a, rising to 1 at b, 1 up to c, falling to 0 at d, for `corners` = [a, b, c, d] not falling.
/// With a = b (c = d) the score steps and is 1 at the step.
pub fn trapezoid(corners: [f64; 4], x: f64) -> f64 {
    let [a, b, c, d] = corners;
    if x.is_nan() {
        f64::NAN
    } else if x >= b && x <= c {
        1.0
    } else if x <= a || x >= d {
        0.0
    } else if x < b {
        (x - a) / (b - a)
    } else {
        (d - x) / (d - c)
    }
}

/// exp(-(x - best)^2 / (2 spread^2)); `spread` > 0 in the units of x.
pub fn gaussian(best: f64, spread: f64, x: f64) -> f64 {
    let distance = (x - best) / spread;
    (-0.5 * distance * distance).exp()
}

/// 1 / (1 + exp(-steepness (x - middle))); `steepness` in logits per unit of x, negative for a falling curve.
pub fn logistic(middle: f64, steepness: f64, x: f64) -> f64 {
    1.0 / (1.0 + (-steepness * (x - middle)).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn piecewise_linear_matches_numpy_interp() {
        // numpy.interp(x, [0, 25, 75, 100], [0, 1, 1, .2]) for these x.
        let points = [[0.0, 0.0], [25.0, 1.0], [75.0, 1.0], [100.0, 0.2]];
        let cases =
            [(-5.0, 0.0), (10.0, 0.4), (25.0, 1.0), (50.0, 1.0), (80.0, 0.84), (100.0, 0.2), (120.0, 0.2)];
        for (x, score) in cases {
            assert!((piecewise_linear(&points, x) - score).abs() < 1e-12, "{x}");
        }
        assert!(piecewise_linear(&points, f64::NAN).is_nan());
        assert!(piecewise_linear(&[], 1.0).is_nan());
        assert_eq!(piecewise_linear(&[[3.0, 0.7]], 1.0), 0.7);
    }

    #[test]
    fn a_step_takes_the_later_point() {
        let step = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [2.0, 1.0]];
        assert_eq!(piecewise_linear(&step, 1.0), 1.0);
        assert_eq!(piecewise_linear(&step, 0.999), 0.0);
    }

    #[test]
    fn trapezoids_by_hand() {
        let corners = [2.0, 4.0, 6.0, 10.0];
        let cases = [(1.0, 0.0), (2.0, 0.0), (3.0, 0.5), (4.0, 1.0), (6.0, 1.0), (7.0, 0.75), (10.0, 0.0)];
        for (x, score) in cases {
            assert_eq!(trapezoid(corners, x), score, "{x}");
        }
        assert_eq!(trapezoid([0.0, 0.0, 1.0, 1.0], 0.0), 1.0);
        assert_eq!(trapezoid([0.0, 0.0, 1.0, 1.0], 1.0), 1.0);
        assert_eq!(trapezoid([0.0, 0.0, 1.0, 1.0], 1.1), 0.0);
        assert!(trapezoid(corners, f64::NAN).is_nan());
    }

    #[test]
    fn smooth_curves_at_known_points() {
        assert_eq!(gaussian(3.0, 2.0, 3.0), 1.0);
        // scipy 1.17.1: norm.pdf(5, 3, 2) / norm.pdf(3, 3, 2) and special.expit(0.7)
        assert!((gaussian(3.0, 2.0, 5.0) - 0.606_530_659_712_633).abs() < 1e-14);
        assert_eq!(logistic(3.0, 2.0, 3.0), 0.5);
        assert!((logistic(0.0, 0.7, 1.0) - 0.668_187_772_168_166).abs() < 1e-14);
        assert_eq!(logistic(0.0, 1.0, -1e6), 0.0);
        assert!(gaussian(3.0, 2.0, f64::NAN).is_nan() && logistic(3.0, 2.0, f64::NAN).is_nan());
    }
}
