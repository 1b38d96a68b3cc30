//! The fitted response of one measure, and curves of few points that follow it.

use super::layout::{FittedMeasure, Shape};
use lentic_numerics::point_process::PointProcess;

/// Even steps along the range of a number; hinges come on top.
const STEPS: usize = 60;

/// The response at one value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bend {
    /// The value; a class code as a number.
    pub value: f64,
    /// Log density against the mean of the background.
    pub response: f64,
    /// Its standard error.
    pub error: f64,
}

/// The response over the range of a number, or by class.
pub(super) fn bends(measure: &FittedMeasure, process: &PointProcess) -> Vec<Bend> {
    let values: Vec<f64> = match &measure.shape {
        Shape::Number(terms) => terms.places(STEPS),
        Shape::Class(terms) => terms.codes.iter().map(|code| f64::from(*code)).collect(),
    };
    values
        .into_iter()
        .map(|value| {
            let mut row = vec![0.0; measure.first];
            measure.extend(Some(value), &mut row);
            row.resize(process.coefficients.len(), 0.0);
            Bend { value, response: process.response(&row), error: process.response_error(&row) }
        })
        .collect()
}

/// Scores below this are as good as it when deviations are taken as shares.
const FLOOR: f64 = 0.01;

/// How far a score lies from the one it stands for: as a share of that, or of 0.01 where that is lower.
pub fn deviation(found: f64, meant: f64) -> f64 {
    (found - meant).abs() / meant.max(FLOOR)
}

/// Few points, found by halving (Ramer 1972; Douglas and Peucker 1973, with [`deviation`] as the distance), whose straight lines
/// stay within `tolerance` of all `points`, which must rise in their first number. Both ends stay.
pub fn simplified(points: &[[f64; 2]], tolerance: f64) -> Vec<[f64; 2]> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    let mut kept = vec![*first];
    halve(points, tolerance, &mut kept);
    if points.len() > 1 {
        kept.push(*last);
    }
    kept
}

fn halve(points: &[[f64; 2]], tolerance: f64, kept: &mut Vec<[f64; 2]>) {
    let [[x0, y0], .., [x1, y1]] = points else { return };
    let mut farthest = (tolerance, None);
    for (at, [x, y]) in points.iter().enumerate().skip(1).take(points.len().saturating_sub(2)) {
        let off = deviation(y0 + (y1 - y0) * (x - x0) / (x1 - x0), *y);
        if off > farthest.0 {
            farthest = (off, Some(at));
        }
    }
    if let (_, Some(at)) = farthest {
        halve(&points[..=at], tolerance, kept);
        kept.push(points[at]);
        halve(&points[at..], tolerance, kept);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_numerics::curve::piecewise_linear;

    #[test]
    fn few_points_follow_a_smooth_curve() {
        let points: Vec<[f64; 2]> = (0..=100)
            .map(|i| f64::from(i) / 10.0)
            .map(|x| [x, (-(x - 4.0) * (x - 4.0) / 6.0).exp()])
            .collect();
        let few = simplified(&points, 0.05);
        assert!(few.len() < 20, "{}", few.len());
        for [x, y] in &points {
            assert!(deviation(piecewise_linear(&few, *x), *y) <= 0.05 + 1e-12);
        }
        assert_eq!(simplified(&[[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]], 0.01), [[0.0, 0.0], [2.0, 2.0]]);
        assert_eq!(simplified(&[[1.0, 0.5]], 0.01), [[1.0, 0.5]]);
        assert!(simplified(&[], 0.01).is_empty());
    }
}
