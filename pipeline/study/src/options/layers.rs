//! `[layers]`: what files there are and what their cells hold.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the cells of a layer hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LayerKind {
    /// Codes with a legend; never averaged.
    Class,
    /// Numbers with a unit.
    Continuous,
    /// 0 or 1; a vector file is burnt wherever it touches a cell.
    Mask,
    /// Shares from 0 to 1.
    Fraction,
    /// The monthly stack of surface water.
    WaterHistory,
}

/// What the layer is for, where a stage needs to know.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Monthly surface water.
    Water,
    /// Ground elevation, metres.
    Ground,
    /// Usual water depth, metres.
    Depth,
    /// Zones for tables and for drawdown by zone.
    Zones,
    /// Wetland classes for tables and, unless set otherwise, response groups.
    WetlandClass,
    /// Land cover for tables.
    LandCover,
    /// Pools whose water level is one surface.
    Pools,
}

/// What the monthly files of a water history hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WaterContent {
    /// 0 dry, 1 wet, no data where not seen.
    Mask,
    /// Share of the cell under water; wet at `wet_at` (0.5) or more.
    Fraction,
    /// Water depth in any unit; wet where it is above `wet_at` (0).
    Depth,
}

/// `[layers.NAME]`: give `file` or `files`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LayerSection {
    /// One file, relative to the study file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// A pattern with {year} and, unless each file holds twelve bands, {month}; {day} too where a
    /// month may have several dates. For water histories, and for the continuous layers of `[climate]`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub files: Option<String>,
    /// Continuous layers of `[climate]` in one file: the month of its first band, as "1988-01"; each
    /// band is a month.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_month: Option<String>,
    /// What the cells hold.
    pub kind: LayerKind,
    /// What the layer is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// Band to read, from 1 (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub band: Option<usize>,
    /// CSV with columns code, name and, if wanted, scores.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub legend: Option<String>,
    /// Water histories: what the files hold ("mask").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holds: Option<WaterContent>,
    /// Water histories of fractions or depths: where wet begins.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wet_at: Option<f64>,
    /// Water histories: codes that mean "not seen", besides no data.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unobserved: Vec<f64>,
    /// Values that mean "no data", besides what the file declares.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub no_data: Vec<f64>,
    /// Multiply values by this on reading (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// Unit after scaling.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Where the layer comes from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Its licence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub licence: Option<String>,
    /// Its date.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
}
