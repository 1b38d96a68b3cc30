//! `curve`: from a measure to a score.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A response curve: exactly one of the keys.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CurveSection {
    /// Straight lines between [measure, score] points, flat outside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub points: Option<Vec<[f64; 2]>>,
    /// 0 up to the first, 1 from the second to the third, 0 from the fourth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trapezoid: Option<[f64; 4]>,
    /// Bell about a best value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gaussian: Option<GaussianCurve>,
    /// S-shaped rise (or fall, with a negative steepness).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub logistic: Option<LogisticCurve>,
    /// Score by class code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub classes: Option<BTreeMap<String, f64>>,
    /// Score by class from this column of the layer's legend.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub legend: Option<String>,
}

/// exp(-(x - best)^2 / (2 spread^2))
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GaussianCurve {
    /// Where the score is 1.
    pub best: f64,
    /// Standard deviation.
    pub spread: f64,
}

/// 1 / (1 + exp(-steepness (x - middle)))
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LogisticCurve {
    /// Where the score is 0.5.
    pub middle: f64,
    /// Logits per unit of the measure.
    pub steepness: f64,
}
