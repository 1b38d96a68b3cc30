//! The scenes file as written (TOML). Every key of the file is a field here, and its JSON Schema is made from these
//! structs. Nothing is checked beyond its type.

use crate::options::GridSection;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A whole scenes file.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ScenesFile {
    /// The grid the masks lie on; that of the study they are for.
    pub grid: GridSection,
    /// Where the scenes are.
    pub scenes: ScenesSection,
    /// Bands by a name of your own: a text in file names or an asset key, the number of a band in a file of
    /// several, or a table of both.
    pub bands: BTreeMap<String, BandSection>,
    /// How clouds and the like are known; left out, every cell with data counts as seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quality: Option<QualitySection>,
    /// What tells water, and where it begins.
    pub index: IndexSection,
    /// Where plants hide water: there a scene's dry counts as not seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hidden: Option<HiddenSection>,
    /// First and last month used; left out, all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub period: Option<LimitsSection>,
}

/// `[scenes]`: give `files` or `items`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ScenesSection {
    /// A pattern with {year}, {month} and {day} (or {year} and {day_of_year}), with {band} where each band is a
    /// file of its own, and * for anything.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub files: Option<String>,
    /// A STAC 1.0 item collection, one item, or a folder of items; assets must be local files.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub items: Option<String>,
    /// Multiply the values of every band by this, after the scale a file itself states (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// Then add this (0).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<f64>,
    /// Stored values of every band that mean "no data", besides what a file declares.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub no_data: Vec<f64>,
}

/// A band: text, a number, or a table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum BandSection {
    /// What stands for {band} in the file name, or the key of an asset.
    Token(String),
    /// The number, from 1, in a file of several bands.
    Number(u32),
    /// More to say.
    Table(BandTable),
}

/// `[bands.NAME]` as a table.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BandTable {
    /// What stands for {band} in the file name, or the key of an asset.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub token: Option<String>,
    /// The number, from 1, in the file (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub band: Option<u32>,
    /// Multiply by this (as under [scenes]).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// Then add this (as under [scenes]).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<f64>,
    /// Stored values that mean "no data" (as under [scenes]).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub no_data: Option<Vec<f64>>,
}

/// `[quality]`: a cell that any rule meets, or that has no quality value, is not seen.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct QualitySection {
    /// The band, by its name under [bands].
    pub band: String,
    /// What makes a cell not seen.
    pub rules: Vec<RuleSection>,
}

/// One rule: `bits`, alone or with `equals` or `at_least`, or `values`.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RuleSection {
    /// Bits counted from 0, the lowest: a list, or a range as "5-6". Alone: any of them set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bits: Option<BitsSection>,
    /// The bits of a range read as a number equal this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub equals: Option<u32>,
    /// The bits of a range read as a number are this or more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_least: Option<u32>,
    /// The whole value is one of these.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub values: Option<Vec<i32>>,
}

/// Bits of a rule.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum BitsSection {
    /// Single bits.
    List(Vec<u32>),
    /// First and last bit, as "5-6", or one, as "5".
    Range(String),
}

/// The indices that have a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum IndexName {
    /// (green - nir) / (green + nir), of the bands named green and nir.
    Ndwi,
    /// (green - swir) / (green + swir), of the bands named green and swir.
    Mndwi,
}

/// Where water begins.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum ThresholdSection {
    /// Water is above this.
    Fixed(f64),
    /// "otsu".
    Word(ThresholdWord),
}

/// The words of `threshold`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ThresholdWord {
    /// Otsu's threshold of each scene, where its values have two humps.
    Otsu,
}

/// `[index]`: give `kind`, `difference` or `ratio`. Water is above the threshold.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct IndexSection {
    /// An index with a name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<IndexName>,
    /// The normalised difference (first - second) / (first + second) of two bands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub difference: Option<[String; 2]>,
    /// The ratio first / second of two bands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ratio: Option<[String; 2]>,
    /// Where water begins: a number, or "otsu" (0 for differences, 1 for ratios).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub threshold: Option<ThresholdSection>,
    /// With "otsu": the threshold of scenes without two humps (0 for differences, 1 for ratios).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fixed: Option<f64>,
}

/// `[hidden]`: classes whose plants hide water.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HiddenSection {
    /// Raster of class codes.
    pub file: String,
    /// Its band, from 1 (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub band: Option<u32>,
    /// Codes whose dry counts as not seen.
    pub codes: Vec<i32>,
}

/// `[period]`: months as "1991-01".
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LimitsSection {
    /// First month used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first: Option<String>,
    /// Last month used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<String>,
}
