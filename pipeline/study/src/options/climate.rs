//! `[climate]`: monthly series and the drought index.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The drought index.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum IndexKind {
    /// Standardized precipitation index.
    Spi,
    /// Standardized precipitation evapotranspiration index.
    Spei,
    /// Anomalies of the study's own, read from `anomaly`.
    Given,
}

/// What the numbers of a given anomaly are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum AnomalyScale {
    /// Standard deviations from the mean.
    #[serde(rename = "standardised")]
    Standardised,
    /// 100 in a normal month; becomes standard deviations by the gamma distribution of its calendar month.
    #[serde(rename = "percent of normal")]
    PercentOfNormal,
}

/// The word of `months`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ChooseWord {
    /// The length that best predicts water in years left out.
    #[serde(rename = "choose")]
    Choose,
}

/// Months summed, or "choose".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum IndexMonths {
    /// So many.
    Number(#[schemars(range(min = 1, max = 60))] u32),
    /// "choose"
    Word(ChooseWord),
}

/// What a zero precipitation sum reads as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ZeroRule {
    /// The centre of the probability mass at zero, q/2.
    Centre,
    /// The whole mass, q (McKee et al. 1993).
    Mass,
}

/// A monthly series: `file` and `column` (a CSV with columns `year` and `month`), or `layer` (a raster
/// for each month).
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SeriesSection {
    /// The CSV, relative to the study file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// The column.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// Column of zone codes, where the file holds a series for each zone of the layer `zones`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_column: Option<String>,
    /// A continuous layer with `files` or `first_month`; each cell takes the climate cell its centre
    /// lies in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer: Option<String>,
}

/// `[climate]`: one series for the whole study, one for each zone, or rasters.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ClimateSection {
    /// Monthly precipitation, mm; needed by "spi" and "spei".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<SeriesSection>,
    /// Monthly mean temperature, degrees Celsius; "spei" needs it, or both extremes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature: Option<SeriesSection>,
    /// Monthly mean of the daily lowest temperature, degrees Celsius. With both extremes
    /// evapotranspiration is Hargreaves and Samani's, else Thornthwaite's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_min: Option<SeriesSection>,
    /// Monthly mean of the daily highest temperature, degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_max: Option<SeriesSection>,
    /// Ready-made anomalies; needed by "given".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub anomaly: Option<SeriesSection>,
    /// What the numbers of `anomaly` are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale_kind: Option<AnomalyScale>,
    /// Class layer of the zones of `zone_column` (the layer with role `zones`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zones: Option<String>,
    /// Which index.
    pub index: IndexKind,
    /// Months summed (of "given": the months the anomalies were summed over), or "choose".
    pub months: IndexMonths,
    /// With "choose": the lengths tried (1, 2, 3, 6, 9, 12, 18, 24, 36, 48).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub choose_from: Option<Vec<u32>>,
    /// Degrees north, for day length (centre of the grid, the zone or the climate cell).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -66.0, max = 66.0))]
    pub latitude: Option<f64>,
    /// What a zero sum reads as ("centre").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zero: Option<ZeroRule>,
}
