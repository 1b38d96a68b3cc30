//! `[inundation]`: how water is read and how it answers.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What drives water in the fitted response.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Driver {
    /// The drought index and the season.
    Index,
    /// The season only.
    Season,
}

/// `[inundation]`
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InundationSection {
    /// What drives water ("index" where there is a climate).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub driver: Option<Driver>,
    /// Class layer of response groups (the layer with role `wetland_class`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub groups: Option<String>,
    /// A cell is water, for distances and shares, from this many months per year (3).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 12.0))]
    pub water_limit_months: Option<f64>,
    /// Observed months a cell needs to be assessed (24).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub minimum_months: Option<u32>,
    /// Calendar months, of twelve, a cell needs seen to be assessed (6).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 12))]
    pub minimum_calendar_months: Option<u32>,
    /// Logits per metre of water table, where the study knows better than the fit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub logits_per_metre: Option<f64>,
    /// Fit a balance of its water to each pool, and take its level in place of the drought index where that explains years left out
    /// much better; needs roles pools and ground, precipitation and temperature (true).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pool_levels: Option<bool>,
    /// How many times the years are drawn for yearly measures (10).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 1000))]
    pub realisations: Option<u32>,
    /// Prior spreads of the response.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub prior: Option<PriorSection>,
}

/// `[inundation.prior]`: standard deviations.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PriorSection {
    /// Of the intercept, about 0 (10).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intercept_sd: Option<f64>,
    /// Of the slope on the index, about the group median (0.5).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub index_sd: Option<f64>,
    /// Of the two season terms, about the group medians (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season_sd: Option<f64>,
}
