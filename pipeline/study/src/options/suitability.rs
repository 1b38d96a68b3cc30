//! `[suitability]`: how scores are combined, and where habitat begins.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How scores are combined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Combine {
    /// Weighted arithmetic mean.
    #[serde(rename = "arithmetic mean")]
    ArithmeticMean,
    /// Weighted geometric mean; any 0 gives 0.
    #[serde(rename = "geometric mean")]
    GeometricMean,
    /// The lowest score.
    #[serde(rename = "minimum")]
    Minimum,
    /// The product of the scores.
    #[serde(rename = "product")]
    Product,
}

/// Where habitat begins.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Threshold {
    /// A suitability from 0 to 1.
    Number(#[schemars(range(min = 0.0, max = 1.0))] f64),
    /// A rule; needs `[records]`.
    Rule(ThresholdRule),
}

/// How records set the threshold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ThresholdRule {
    /// The suitability with the largest sum of sensitivity (share of records at or above it) and specificity (share of the
    /// background below it); needs 20 records.
    #[serde(rename = "max sensitivity and specificity")]
    Best,
    /// The suitability that nine tenths of the records reach.
    #[serde(rename = "tenth percentile of records")]
    TenthPercentile,
}

impl ThresholdRule {
    /// The words of the rule in a study file.
    pub fn words(self) -> &'static str {
        match self {
            ThresholdRule::Best => "max sensitivity and specificity",
            ThresholdRule::TenthPercentile => "tenth percentile of records",
        }
    }
}

/// `[suitability]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SuitabilitySection {
    /// How requisites are combined.
    pub combine: Combine,
    /// Habitat begins at this suitability: a number, or the words of a rule by which the records set it.
    pub threshold: Threshold,
    /// Weights of the requisites from pairwise comparison, in the order of `order`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pairwise: Option<Vec<Vec<f64>>>,
    /// The requisites in the order of the pairwise comparison.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub order: Vec<String>,
    /// Take the pairwise weights even where the consistency ratio is 0.10 or more.
    #[serde(default)]
    pub accept_inconsistent: bool,
    /// Mask layers that make a cell unsuitable.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub barriers: Vec<String>,
}
