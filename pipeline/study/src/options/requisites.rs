//! `[requisites]`: what the animal needs, and the variables it is measured by.

use super::{Combine, CurveSection};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// `[requisites.NAME]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RequisiteSection {
    /// How its variables are combined.
    pub combine: Combine,
    /// Weight among requisites (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub weight: Option<f64>,
    /// Weights of the variables from pairwise comparison, in their order, instead of `weight` keys.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pairwise: Option<Vec<Vec<f64>>>,
    /// Take the pairwise weights even where the consistency ratio is 0.10 or more.
    #[serde(default)]
    pub accept_inconsistent: bool,
    /// Another requisite that must be met nearby.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub near: Option<NearSection>,
    /// The variables.
    pub variables: Vec<VariableSection>,
}

/// `near`: the requisite counts only within reach of another.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NearSection {
    /// The other requisite.
    pub requisite: String,
    /// How far it may be, metres.
    #[schemars(range(min = 0.0))]
    pub within_m: f64,
    /// The score from which a cell meets it (0.5).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub at_least: Option<f64>,
    /// Factor on the score by metres to the nearest such cell, read no farther than `within_m` (1 within it, 0 beyond).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub curve: Option<CurveSection>,
}

/// What a variable measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum MeasureKind {
    /// The value of a continuous, fraction or mask layer.
    #[serde(rename = "layer")]
    Layer,
    /// The code of a class layer.
    #[serde(rename = "class")]
    Class,
    /// Hydroperiod, months per year.
    #[serde(rename = "hydroperiod")]
    Hydroperiod,
    /// Water depth, metres (layer with role `depth`).
    #[serde(rename = "depth")]
    Depth,
    /// Slope of the ground, degrees (layer with role `ground`).
    #[serde(rename = "slope")]
    Slope,
    /// Metres to the nearest cell of given classes.
    #[serde(rename = "distance to class")]
    DistanceToClass,
    /// Metres to the nearest water cell.
    #[serde(rename = "distance to water")]
    DistanceToWater,
    /// Share of given classes within a radius.
    #[serde(rename = "share of class")]
    ShareOfClass,
    /// Share of water cells within a radius.
    #[serde(rename = "share of water")]
    ShareOfWater,
    /// Longest unbroken wet spell of a water year, months; years one by one.
    #[serde(rename = "longest wet spell")]
    LongestWetSpell,
    /// Months of a water year that are wet and warm enough to be active; years one by one.
    #[serde(rename = "wet and warm months")]
    WetAndWarmMonths,
    /// Share of years with a wet spell of some months within a season.
    #[serde(rename = "share of years with a spell")]
    YearsWithSpell,
    /// A concentration in water that grows as a pool shrinks (continuous layer; layers with roles `depth` and `pools`).
    #[serde(rename = "water quality")]
    WaterQuality,
}

/// What is averaged over the years of a yearly measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Average {
    /// The scores of the single years.
    Score,
    /// The measures of the single years; the curve is applied to their mean.
    Measure,
}

/// What a missing value of a variable does to the cell: "not assessed", "omit" or a score.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum IfMissing {
    /// A score from 0 to 1.
    Score(f64),
    /// "not assessed" or "omit".
    Word(IfMissingWord),
}

/// The words of `if_missing`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum IfMissingWord {
    /// The cell is not assessed.
    #[serde(rename = "not assessed")]
    NotAssessed,
    /// The variable is left out and the other weights fill its place.
    #[serde(rename = "omit")]
    Omit,
}

/// `[[requisites.NAME.variables]]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct VariableSection {
    /// Name, unique in the study.
    pub name: String,
    /// What is measured.
    pub measure: MeasureKind,
    /// The layer measured, where the measure needs one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer: Option<String>,
    /// Class codes looked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub classes: Vec<i32>,
    /// Distances read no farther than this, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub limit_m: Option<f64>,
    /// Radius of shares, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub radius_m: Option<f64>,
    /// Lowest and highest monthly mean temperature at which the animal is active, degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub window_c: Option<[f64; 2]>,
    /// Months of the spell that a year must reach.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 12))]
    pub spell_months: Option<u32>,
    /// First and last calendar month of the season in which the spell must lie; [10, 3] runs over New Year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<[u32; 2]>,
    /// Yearly measures: what is averaged over the years ("score").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub average: Option<Average>,
    /// From measure to score.
    pub curve: CurveSection,
    /// Weight in the requisite (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub weight: Option<f64>,
    /// What a missing value does ("not assessed").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub if_missing: Option<IfMissing>,
}
