//! The fall of the water table that a scenario prescribes, cell by cell.

use crate::error::EngineError;
use crate::layers::NO_CLASS;
use crate::stages::Context;
use lentic_raster::Window;
use lentic_study::settings::{Drawdown, Role, Scenario};

/// Fall of the water table in a window, metres (NaN where its layer or the zones have no data: not assessed); `None`
/// where the scenario has none.
pub(crate) fn prescribed(
    context: &Context,
    scenario: Option<&Scenario>,
    window: Window,
) -> Result<Option<Vec<f64>>, EngineError> {
    let Some(scenario) = scenario else { return Ok(None) };
    let (share, rise) = (scenario.drawdown_share, scenario.rise_m);
    Ok(match whole_fall(context, scenario, window)? {
        None if rise != 0.0 => Some(vec![-rise; window.len()]),
        falls => falls.map(|falls| falls.into_iter().map(|h| share * h - rise).collect()),
    })
}

/// The fall that a scenario ends with, before water is supplied against it.
fn whole_fall(
    context: &Context,
    scenario: &Scenario,
    window: Window,
) -> Result<Option<Vec<f64>>, EngineError> {
    match &scenario.drawdown {
        Drawdown::None => Ok(None),
        Drawdown::Everywhere(h) => Ok(Some(vec![*h; window.len()])),
        Drawdown::ByZone(by_zone) => {
            let zones = context.layers.codes_with(Role::Zones, window)?.unwrap_or_default();
            // a zone not named keeps its level; a cell without a zone cannot be told
            let fall = |zone: &i32| match *zone {
                NO_CLASS => f64::NAN,
                zone => by_zone.get(&zone).copied().unwrap_or(0.0),
            };
            Ok(Some(zones.iter().map(fall).collect()))
        }
        Drawdown::Layer(name) => match context.study.layer(name) {
            Some(layer) => {
                let values = context.layers.numbers(layer, window)?;
                Ok(Some(values.into_iter().map(f64::from).collect()))
            }
            None => Ok(None),
        },
    }
}
