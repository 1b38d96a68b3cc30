//! Scenarios: what changes, and how far it has come about.

use super::Spread;
use std::collections::BTreeMap;

/// A scenario.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Name for files.
    pub name: String,
    /// Line for the report (the name where none is given).
    pub title: String,
    /// Name shared by scenarios that tell the same future in other ways.
    pub ensemble: Option<String>,
    /// Name of the scenario that this one answers by management.
    pub instead_of: Option<String>,
    /// Year reached.
    pub horizon: Option<i32>,
    /// Factor on precipitation by calendar month, January first (1.0 = no change).
    pub precipitation_factor: [f64; 12],
    /// Degrees added by calendar month.
    pub temperature_c: [f64; 12],
    /// Standard deviations added to a given index by calendar month.
    pub index_shift: [f64; 12],
    /// Water years of the record that come again, in order, each named by the calendar year it begins in; empty: the baseline's.
    pub replay: Vec<i32>,
    /// Whether the residual trend goes on to the horizon.
    pub continue_trend: bool,
    /// Fall of the water table.
    pub drawdown: Drawdown,
    /// Share of that fall that has come about; 1 but on the way to a horizon.
    pub drawdown_share: f64,
    /// A rise of the water table everywhere that stands against the fall, metres; 0 but where water is supplied.
    pub rise_m: f64,
    /// How far its numbers may lie off.
    pub spread: Spread,
    /// The fall stands in place of the answer to climate.
    pub drawdown_replaces_climate: bool,
    /// Class layer in place of the land cover.
    pub land_cover: Option<String>,
    /// Factor on the concentrations of layers of water quality, by layer.
    pub water_quality: BTreeMap<String, f64>,
}

impl Scenario {
    /// A scenario that changes nothing yet.
    pub fn unchanged(name: &str) -> Self {
        Scenario {
            name: name.to_string(),
            title: name.to_string(),
            ensemble: None,
            instead_of: None,
            horizon: None,
            precipitation_factor: [1.0; 12],
            temperature_c: [0.0; 12],
            index_shift: [0.0; 12],
            replay: Vec::new(),
            continue_trend: false,
            drawdown: Drawdown::None,
            drawdown_share: 1.0,
            rise_m: 0.0,
            spread: Spread::default(),
            drawdown_replaces_climate: false,
            land_cover: None,
            water_quality: BTreeMap::new(),
        }
    }

    /// Whether it goes evenly from today to a horizon. Years that come again, another land cover and other water come at once.
    pub fn has_path(&self) -> bool {
        let comes_at_once =
            !self.replay.is_empty() || self.land_cover.is_some() || !self.water_quality.is_empty();
        self.horizon.is_some() && !comes_at_once
    }

    /// The scenario when a share of its change has come about.
    #[must_use]
    pub fn on_the_way(&self, share: f64) -> Scenario {
        Scenario {
            precipitation_factor: self.precipitation_factor.map(|factor| 1.0 + share * (factor - 1.0)),
            temperature_c: self.temperature_c.map(|change| share * change),
            index_shift: self.index_shift.map(|shift| share * shift),
            drawdown_share: share,
            ..self.clone()
        }
    }

    /// Whether the scenario changes precipitation, temperature or a given index, or which years come.
    pub fn changes_climate(&self) -> bool {
        !self.replay.is_empty()
            || self.precipitation_factor.iter().any(|f| *f != 1.0)
            || self.temperature_c.iter().chain(&self.index_shift).any(|t| *t != 0.0)
    }
}

/// A fall of the water table in metres (negative: a rise).
#[derive(Clone, Debug, PartialEq)]
pub enum Drawdown {
    /// No change.
    None,
    /// Everywhere the same.
    Everywhere(f64),
    /// By zone code; other zones 0.
    ByZone(BTreeMap<i32, f64>),
    /// A continuous layer, by name.
    Layer(String),
}

/// The factor of a change of precipitation in percent.
pub fn precipitation_factor(percent: f64) -> f64 {
    1.0 + percent / 100.0
}
