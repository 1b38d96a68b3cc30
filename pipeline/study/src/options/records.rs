//! `[records]`: findings of the animal.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// `[records]`: a table of findings with Darwin Core terms as column names: decimalLatitude, decimalLongitude, and as far
/// as known geodeticDatum, coordinateUncertaintyInMeters, eventDate, occurrenceStatus, individualCount, occurrenceID.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RecordsSection {
    /// CSV (commas, semicolons or tabs), relative to the study file.
    pub file: String,
    /// Reference system of the degrees, for example "EPSG:4326"; needed where rows have no geodeticDatum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crs: Option<String>,
    /// Records vaguer than this are set aside, metres (the cell side, at least 100).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub maximum_uncertainty_m: Option<f64>,
    /// What a record that states no uncertainty is taken to have, metres; left out, such records are set aside as vague.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub assumed_uncertainty_m: Option<f64>,
    /// First month of the findings used, as "1991-01"; with it or `to`, undated records are set aside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Last month of the findings used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Continuous, fraction or mask layer of survey effort, 0 or more: background is drawn in proportion to it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effort_layer: Option<String>,
    /// Side of the squares that are tested together, metres (the farthest reach of the variables, at least ten cells).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub block_m: Option<f64>,
    /// Assessed cells that stand for the ground at large (10000).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 100, max = 1_000_000))]
    pub background: Option<u32>,
    /// Where the records come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Their licence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub licence: Option<String>,
}
