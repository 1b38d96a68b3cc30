//! `[suitability]` resolved.

use super::{Combine, ThresholdRule};

/// From requisites to habitat.
#[derive(Clone, Debug, PartialEq)]
pub struct Suitability {
    /// How requisites combine.
    pub combine: Combine,
    /// Habitat begins here; NaN (so that nothing is habitat) until the records set it where there is a rule.
    pub threshold: f64,
    /// How the records set the threshold, if they do.
    pub threshold_rule: Option<ThresholdRule>,
    /// Consistency ratio of the requisites' pairwise weights, if they are used.
    pub consistency_ratio: Option<f64>,
    /// Names of mask layers that make a cell unsuitable.
    pub barriers: Vec<String>,
}
