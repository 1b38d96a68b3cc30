//! `[uncertainty]`, and the spread of a scenario.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// `[uncertainty]`: what is not known for sure is drawn anew for every member, and ranges are told over the members. Each spread may be 0,
/// which leaves that part as it is.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UncertaintySection {
    /// Number of members (200).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 20, max = 10_000))]
    pub members: Option<u32>,
    /// How far break points of response curves may lie off, either way, as a share of the span of their curve; scores of classes by as
    /// much (0.1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 0.5))]
    pub curves: Option<f64>,
    /// Standard deviation of a weight of one half (0.07).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 0.3))]
    pub weights: Option<f64>,
    /// How far the threshold may lie off, either way (0.05).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 0.3))]
    pub threshold: Option<f64>,
    /// Whether the coefficients of the response of water are drawn from their fit (true).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub response: Option<bool>,
    /// Standard deviation of the error of depths, metres (0).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub vertical_m: Option<f64>,
    /// Which part of the uncertainty counts most: a further run over a sample of cells; left out, there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sensitivity: Option<SensitivitySection>,
}

/// `[uncertainty.sensitivity]`
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SensitivitySection {
    /// Rows of the design, a power of two (256): the study is computed that often, times the number of parts and 2.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 16, max = 16_384))]
    pub samples: Option<u32>,
    /// Cells of the sample at least, in whole blocks (20000).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 100))]
    pub cells: Option<u32>,
}

/// How far a scenario's own numbers may lie off: least and largest, about what is stated, most likely 0.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SpreadSection {
    /// Percent added to the change of precipitation in every month, for example [-10, 5].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<[f64; 2]>,
    /// Degrees Celsius added to the change of temperature in every month.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<[f64; 2]>,
    /// Standard deviations added to the shift of a ready-made index in every month.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub index_shift: Option<[f64; 2]>,
    /// Percent of the fall of the water table added to it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawdown_percent: Option<[f64; 2]>,
}
