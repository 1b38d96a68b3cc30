//! Steps of drying, changes of climate and supplies of water looked at besides the scenarios.

use super::{Drawdown, Scenario, precipitation_factor};

/// Rising steps of drying; the first is 0, which changes nothing.
#[derive(Clone, Debug, PartialEq)]
pub enum DryingLadder {
    /// Loss of precipitation in every month, percent.
    PrecipitationLoss(Vec<f64>),
    /// Fall of the water table everywhere, metres.
    Drawdown(Vec<f64>),
}

impl DryingLadder {
    /// The steps.
    pub fn steps(&self) -> &[f64] {
        match self {
            DryingLadder::PrecipitationLoss(steps) | DryingLadder::Drawdown(steps) => steps,
        }
    }

    /// Unit of the steps.
    pub fn unit(&self) -> &'static str {
        match self {
            DryingLadder::PrecipitationLoss(_) => "percent",
            DryingLadder::Drawdown(_) => "m",
        }
    }

    /// What the steps are.
    pub fn in_words(&self) -> &'static str {
        match self {
            DryingLadder::PrecipitationLoss(_) => "loss of precipitation",
            DryingLadder::Drawdown(_) => "fall of the water table",
        }
    }

    /// The scenario of a step.
    pub fn scenario(&self, step: f64) -> Scenario {
        let mut scenario = Scenario::unchanged("drying-ladder");
        match self {
            // written as a scenario of this change is read, so that both are the same to the bit
            DryingLadder::PrecipitationLoss(_) => {
                scenario.precipitation_factor = [precipitation_factor(-step); 12];
            }
            DryingLadder::Drawdown(_) => scenario.drawdown = Drawdown::Everywhere(step),
        }
        scenario
    }
}

/// Changes of climate looked at together, the same in all months; each list rises.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseSurface {
    /// Changes of precipitation, percent.
    pub precipitation: Vec<f64>,
    /// Changes of temperature, degrees Celsius.
    pub temperature_c: Vec<f64>,
}

impl ResponseSurface {
    /// The scenario of a point.
    pub fn scenario(&self, precipitation: f64, temperature_c: f64) -> Scenario {
        Scenario {
            precipitation_factor: [precipitation_factor(precipitation); 12],
            temperature_c: [temperature_c; 12],
            ..Scenario::unchanged("response-surface")
        }
    }
}

/// How much water brings back what a scenario loses.
#[derive(Clone, Debug, PartialEq)]
pub struct WaterRequirement {
    /// What is supplied.
    pub supply: Supply,
    /// Names of the scenarios looked at.
    pub scenarios: Vec<String>,
}

/// Steps of supply, rising, above 0.
#[derive(Clone, Debug, PartialEq)]
pub enum Supply {
    /// Rise of the water table everywhere, metres.
    Rise(Vec<f64>),
    /// More rain than the scenario leaves, percent of today's, in every month.
    Rain(Vec<f64>),
}

impl Supply {
    /// The steps.
    pub fn steps(&self) -> &[f64] {
        match self {
            Supply::Rise(steps) | Supply::Rain(steps) => steps,
        }
    }

    /// Unit of the steps.
    pub fn unit(&self) -> &'static str {
        match self {
            Supply::Rise(_) => "m",
            Supply::Rain(_) => "percent",
        }
    }

    /// A scenario with a step of supply.
    pub fn on_top_of(&self, scenario: &Scenario, step: f64) -> Scenario {
        match self {
            Supply::Rise(_) => Scenario { rise_m: step, ..scenario.clone() },
            Supply::Rain(_) => Scenario {
                precipitation_factor: scenario.precipitation_factor.map(|factor| factor + step / 100.0),
                ..scenario.clone()
            },
        }
    }
}
