//! `[population]` as written.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// `[population]`: what loss of habitat and drought mean for the animals' number. EVERY RATE IS A PLACEHOLDER until a biologist
/// who knows the animal has set it.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PopulationSection {
    /// Animals older than hatchlings that a hectare holds at suitability 1, in ordinary years.
    pub density_per_ha: DensitySection,
    /// A group with fewer animals older than hatchlings is as good as lost.
    #[schemars(range(min = 1.0))]
    pub quasi_extinction: f64,
    /// Animals move between patches that lie no farther apart than this, edge to edge, metres; patches joined so, over others
    /// too, are one group. Left out, the ways of `[patches.crossing]` tell it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub dispersal_m: Option<f64>,
    /// Stages of life in order; the first holds the hatchlings.
    pub stages: Vec<StageSection>,
    /// A water year whose mean drought index is this or lower is a drought year (-1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drought_at: Option<f64>,
    /// How many courses are drawn (1000).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 10, max = 100_000))]
    pub replicates: Option<u32>,
    /// Years of the baseline's course, and of scenarios without a horizon (the longest way to a horizon).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 1000))]
    pub years: Option<u32>,
    /// Share of the room that is taken at the start (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub start_share: Option<f64>,
    /// Who set the rates, from what; left out, they count as placeholders.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rates_from: Option<String>,
}

/// Animals a hectare.
#[derive(Clone, Copy, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DensitySection {
    /// No lower.
    pub low: f64,
    /// Best guess.
    pub best: f64,
    /// No higher.
    pub high: f64,
}

/// `[[population.stages]]`: give `stay` and `grow`, or `survival` and `years`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StageSection {
    /// Name.
    pub name: String,
    /// Share that is alive and in the stage a year on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stay: Option<f64>,
    /// Share that is alive and in the next stage a year on; none of the last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grow: Option<f64>,
    /// Share that lives another year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub survival: Option<f64>,
    /// Years an animal is in the stage; of the last stage it may be left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub years: Option<f64>,
    /// Hatchlings a year of one animal, as they are counted a year on (0); of females only, count daughters only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offspring: Option<f64>,
    /// Share of those alive that move to another patch of the group in a year (0).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moves: Option<f64>,
    /// Factor on survival in a drought year (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drought_survival: Option<f64>,
    /// Factor on offspring in a drought year (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drought_offspring: Option<f64>,
}
