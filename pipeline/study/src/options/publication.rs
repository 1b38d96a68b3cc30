//! `[publication]` as written.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// `[publication]`: how sensitive the places of this study are, and how exactly its public edition tells them (`lentic report --public`).
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PublicationSection {
    /// Whether a run tells exact places that may harm the animal: its files are for their owner only and its page is marked (true).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sensitive: Option<bool>,
    /// How exactly places are told in public: "extreme" (not at all), "high" (10 km), "medium" (1 km), "low" (100 m), or the side
    /// of a cell, metres ("high").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub generalise: Option<Generalise>,
    /// Patches smaller than this are withheld from the public edition, hectares (1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.0))]
    pub withhold_under_ha: Option<f64>,
}

/// How exactly places are told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Generalise {
    /// Side of a cell, metres.
    Metres(#[schemars(range(min = 1.0))] f64),
    /// By category.
    Category(SensitivityWord),
}

/// Categories of sensitivity (Chapman 2020, doi 10.15468/doc-5jp4-5g10, table 7).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum SensitivityWord {
    /// Category 1: no place is told.
    Extreme,
    /// Category 2: about 10 km.
    High,
    /// Category 3: about 1 km.
    Medium,
    /// Category 4: about 100 m.
    Low,
}
