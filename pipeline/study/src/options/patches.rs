//! `[patches]`, and how ground between them is crossed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// `[patches]`
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PatchesSection {
    /// 8 (sides and corners) or 4 (sides) (8).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub neighbours: Option<u8>,
    /// Smallest patch, hectares (0).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub minimum_ha: Option<f64>,
    /// Core lies farther than this from non-habitat, metres (0: no core reported).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub edge_m: Option<f64>,
    /// How hard ground is to cross, for connection; left out, none is computed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crossing: Option<CrossingSection>,
}

/// The resistance of ground: a number of 1 or more, or "impassable".
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum ResistanceOption {
    /// Cost of a metre, against the easiest ground.
    Factor(f64),
    /// "impassable".
    Word(ResistanceWord),
}

/// The word of a resistance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ResistanceWord {
    /// Never crossed.
    #[serde(rename = "impassable")]
    Impassable,
}

/// What a patch counts for in its connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum PatchWeight {
    /// Its area.
    #[serde(rename = "area")]
    Area,
    /// Its area times its mean suitability.
    #[serde(rename = "area x suitability")]
    AreaTimesSuitability,
}

/// `[patches.crossing]`: resistance by class of a layer, given by `resistance` or `legend`.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CrossingSection {
    /// Class layer that says how hard ground is to cross; today's land cover gives way to a scenario's.
    pub layer: String,
    /// Resistance by class code: 1 for the easiest ground, more for harder, or "impassable".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resistance: Option<BTreeMap<String, ResistanceOption>>,
    /// Resistance by class from this column of the layer's legend.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub legend: Option<String>,
    /// Resistance by mask layer, wherever it touches a cell; the highest of a cell counts.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub barriers: BTreeMap<String, ResistanceOption>,
    /// Cost, metres over the easiest ground, that half of the animals overcome.
    #[schemars(range(min = 0.0))]
    pub effective_m: f64,
    /// Cost, metres over the easiest ground, that none overcomes.
    #[schemars(range(min = 0.0))]
    pub limit_m: f64,
    /// What a patch counts for ("area").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weight: Option<PatchWeight>,
}
