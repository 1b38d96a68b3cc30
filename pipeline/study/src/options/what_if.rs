//! What drying costs: `[drying_ladder]`, `[response_surface]`, `[habitat_over_time]` and `[water_requirement]`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// `[drying_ladder]`: steps of one kind, from 0 on, rising; at most 40.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DryingLadderSection {
    /// Loss of precipitation in every month, percent (0, 5, 10 ... 60).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation_loss: Option<Vec<f64>>,
    /// Fall of the water table everywhere, metres, in place of the loss of precipitation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawdown_m: Option<Vec<f64>>,
}

/// `[response_surface]`: every change of precipitation with every change of temperature, each the same in all months.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ResponseSurfaceSection {
    /// Changes of precipitation, percent, rising (-40, -30, -20, -10, 0, 10).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<Vec<f64>>,
    /// Changes of temperature, degrees Celsius, rising (0, 1, 2, 3, 4).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<Vec<f64>>,
}

/// `[habitat_over_time]`: scenarios with a horizon grow evenly from the end of the baseline on.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HabitatOverTimeSection {
    /// Years between the times looked at (5).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 100))]
    pub every_years: Option<u32>,
}

/// `[water_requirement]`: steps of one kind of supply, rising, above 0; at most 20.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WaterRequirementSection {
    /// Rise of the water table everywhere, metres, on top of what a scenario does (0.1, 0.2, 0.3, 0.5, 0.8).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rise_m: Option<Vec<f64>>,
    /// More rain than a scenario leaves, percent of today's, in every month, in place of the rise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<Vec<f64>>,
    /// Names of the scenarios looked at (all).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scenarios: Option<Vec<String>>,
}
