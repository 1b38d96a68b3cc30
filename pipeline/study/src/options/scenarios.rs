//! `[[scenarios]]`: the futures compared with the baseline.

use super::SpreadSection;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One number, or twelve from January on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum YearOrMonths {
    /// The same all year.
    Year(f64),
    /// January to December.
    Months([f64; 12]),
}

/// Water years of the record that come again, named by the calendar year they begin in: `years`, or all years `from` ... `to`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReplaySection {
    /// The years, in the order they come; one may come more than once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub years: Option<Vec<i32>>,
    /// The first of a run of years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<i32>,
    /// The last of a run of years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<i32>,
}

/// A fall of the water table (negative: a rise).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum DrawdownSection {
    /// Metres, everywhere.
    Everywhere(f64),
    /// Metres by zone code (layer with role `zones`); other zones 0.
    ByZone(BTreeMap<String, f64>),
    /// A continuous layer of metres.
    Layer(String),
}

/// Why the water table falls.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum DrawdownCause {
    /// Pumping or drainage: adds to the answer to climate.
    Abstraction,
    /// Less recharge: stands in place of the answer to climate.
    Climate,
}

/// `[[scenarios]]`
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ScenarioSection {
    /// Short name, for file names: small letters, digits, hyphens. Not "baseline".
    pub name: String,
    /// One line for the report.
    #[serde(default)]
    pub title: String,
    /// Name shared by scenarios that tell the same future in other ways, such as one for each climate model: letters, digits, hyphens.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ensemble: Option<String>,
    /// Name of another scenario that this one answers by management, such as a rise in one zone; table `management` tells what it saves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instead_of: Option<String>,
    /// Year reached.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub horizon: Option<i32>,
    /// Change of precipitation, percent: one number or twelve.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precipitation: Option<YearOrMonths>,
    /// Change of temperature, degrees Celsius: one number or twelve.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<YearOrMonths>,
    /// Shift of a given index, standard deviations: one number or twelve.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub index_shift: Option<YearOrMonths>,
    /// Water years of the record that come again; with precipitation or temperature_c, as changed by them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replay: Option<ReplaySection>,
    /// Whether the trend of the water that climate does not explain goes on to the horizon, in groups where it is significant.
    #[serde(default)]
    pub continue_trend: bool,
    /// Fall of the water table, metres: one number, by zone, or a layer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawdown_m: Option<DrawdownSection>,
    /// Why it falls; needed beside a climate change.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<DrawdownCause>,
    /// How far the numbers of the scenario may lie off, for `[uncertainty]`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spread: Option<SpreadSection>,
    /// A class layer that takes the place of the land cover.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub land_cover: Option<String>,
    /// Factor on the concentrations of a layer of water quality, by layer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_quality: Option<BTreeMap<String, f64>>,
}
