//! `[range]` as written.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What one drying event hits together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PlacesBy {
    /// A pool of the layer with role `pools`.
    Pools,
    /// A zone of the layer with role `zones`.
    Zones,
}

impl PlacesBy {
    /// The word of the study file.
    pub fn word(self) -> &'static str {
        match self {
            PlacesBy::Pools => "pools",
            PlacesBy::Zones => "zones",
        }
    }
}

/// `[range]`: how wide the animal is spread and how fast that shrinks, beside published thresholds. Evidence for assessors, never
/// a category.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RangeSection {
    /// Length of a generation; left out, reductions are told over ten years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub generation: Option<GenerationSection>,
    /// Patches under this area cannot hold a population for long, hectares; with `dispersal_m` it gives the fragmented share.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub viable_patch_ha: Option<f64>,
    /// Beyond this from the nearest other patch no animal comes, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub dispersal_m: Option<f64>,
    /// What one drying event hits together: "pools" or "zones" ("pools" where the study has them, else "zones").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub places: Option<PlacesBy>,
}

/// `[range.generation]`: give `years`, or what one of three published ways needs.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GenerationSection {
    /// Mean age of the parents of the newborn, years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub years: Option<f64>,
    /// Life table: share of those of age 0, 1, 2 ... that live another year; with `offspring`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub survival: Option<Vec<f64>>,
    /// Life table: offspring a year of one of age 0, 1, 2 ...
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offspring: Option<Vec<f64>>,
    /// Age of first reproduction, years; with `adult_mortality`, or with `z` and `reproductive_years`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_reproduction: Option<f64>,
    /// Share of the adults that die in a year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub adult_mortality: Option<f64>,
    /// Where within the years of reproduction the mean parent stands, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub z: Option<f64>,
    /// Years from the first to the last reproduction.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reproductive_years: Option<f64>,
}
