//! From a measure to a score.

use std::collections::BTreeMap;

/// From measure to score in [0, 1].
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// Straight lines between points of rising measure, flat outside.
    Points(Vec<[f64; 2]>),
    /// 0 at a, 1 from b to c, 0 from d.
    Trapezoid([f64; 4]),
    /// exp(-(x - best)^2 / (2 spread^2))
    Gaussian {
        /// Where the score is 1.
        best: f64,
        /// Standard deviation.
        spread: f64,
    },
    /// 1 / (1 + exp(-steepness (x - middle)))
    Logistic {
        /// Where the score is 0.5.
        middle: f64,
        /// Logits per unit.
        steepness: f64,
    },
    /// Score by class code; a code without a score is an error when met.
    Classes(BTreeMap<i32, f64>),
}
