//! What a run compares: the baseline and every scenario, and the climates behind them.

use crate::check::Checked;
use crate::climates::Shown;
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::scenarios::{Case, CaseWater};
use lentic_habitat::climate::Shift;
use lentic_habitat::response::Spreads;
use lentic_study::settings::Scenario;
use std::collections::BTreeMap;

/// The baseline and every scenario, each with the months its water answers to.
///
/// # Errors
/// Years to replay that the climate does not hold.
pub(crate) fn cases<'a>(context: &Context<'a>) -> Result<Vec<Case<'a>>, EngineError> {
    let (climates, axis) = (context.climates, &context.axis);
    let warmth = context.study.needs_temperature();
    let mut cases = vec![Case {
        name: "baseline".into(),
        scenario: None,
        designs: climates.designs(axis, &Shift::NONE),
        temperature: if warmth { climates.temperatures(axis, &Shift::NONE) } else { Vec::new() },
        trend: BTreeMap::new(),
    }];
    for scenario in &context.study.scenarios {
        cases.push(case_of(context, scenario)?);
    }
    Ok(cases)
}

/// The case of a scenario, without a trend that goes on.
///
/// # Errors
/// Years to replay that the climate does not hold.
pub(crate) fn case_of<'a>(context: &Context, scenario: &'a Scenario) -> Result<Case<'a>, EngineError> {
    let (climates, axis) = (context.climates, &context.axis);
    let change = Shift::of(scenario);
    let replay = &scenario.replay[..];
    let designs = match replay {
        _ if scenario.drawdown_replaces_climate => climates.designs(axis, &Shift::NONE),
        [] => climates.designs(axis, &change),
        years => climates.replayed(years, &change)?,
    };
    let temperature = match replay {
        _ if !context.study.needs_temperature() => Vec::new(),
        // it grows warmer all the same where water answers to the fall alone
        years if !years.is_empty() && !scenario.drawdown_replaces_climate => {
            climates.replayed_temperatures(years, &change)
        }
        _ => climates.temperatures(axis, &change),
    };
    Ok(Case {
        name: scenario.name.clone(),
        scenario: Some(scenario),
        designs,
        temperature,
        trend: BTreeMap::new(),
    })
}

/// What the run record keeps of the dilution of the cases, for those that measure it.
pub(super) fn concentrations(cases: &[Case], water: &[CaseWater]) -> BTreeMap<String, BTreeMap<i32, f32>> {
    let kept = cases.iter().zip(water).filter(|(_, water)| !water.dilution.0.is_empty());
    kept.map(|(case, water)| (case.name.clone(), water.dilution.0.clone())).collect()
}

/// The record and every scenario that has a climate of its own.
pub(super) fn shown_climates(cases: &[Case]) -> Vec<Shown> {
    let of = |case: &Case| match case.scenario {
        None => Some((Shift::NONE, Vec::new())),
        Some(scenario) => scenario.changes_climate().then(|| (Shift::of(scenario), scenario.replay.clone())),
    };
    let shown = cases
        .iter()
        .filter_map(|case| of(case).map(|(shift, replay)| Shown { name: case.name.clone(), shift, replay }));
    shown.collect()
}

pub(crate) fn spreads(checked: &Checked) -> Spreads {
    let water = &checked.study.inundation;
    Spreads { intercept: water.intercept_sd, index: water.index_sd, season: water.season_sd }
}
