//! `[habitat_over_time]` and `[water_requirement]`.

use super::context::{Context, quoted};
use super::grid::Months;
use super::ladder::{climate, rises, whole};
use crate::nearest::did_you_mean;
use crate::options::Role;
use crate::settings::{Supply, WaterRequirement};
use crate::source::item;

/// Common practice: climate projections are told by five or ten years.
const EVERY_YEARS: u32 = 5;
/// Most times looked at along one scenario.
const MOST_TIMES: i64 = 60;
/// Common practice: what weirs, ditches and pumps raise water in shallow wetlands by, metres.
const RISES: [f64; 5] = [0.1, 0.2, 0.3, 0.5, 0.8];
/// Most steps of supply.
const MOST_STEPS: usize = 20;

/// Years between the times looked at; `None` where habitat along the years is not wanted, or a problem of it is told.
pub(super) fn over_time(context: &mut Context<'_>, baseline: Option<Months>) -> Option<i32> {
    let section = context.file.habitat_over_time.as_ref()?;
    let before = context.problems.len();
    let every = section.every_years.unwrap_or(EVERY_YEARS);
    let file = context.file;
    let end = baseline.map(|(_, last)| i64::from(last.year()));
    for (at, scenario) in file.scenarios.iter().enumerate() {
        let (Some(horizon), Some(end)) = (scenario.horizon, end) else { continue };
        let years = i64::from(horizon) - end;
        let at = item("scenarios", at) + ".horizon";
        if years < 1 {
            let message =
                format!("{at} is {horizon}, but the baseline ends in {end}: nothing lies on the way to it");
            context.problem(&at, message, "correct horizon, or take [habitat_over_time] out");
        } else if every > 0 && years / i64::from(every) > MOST_TIMES {
            let message = format!(
                "habitat_over_time: from {end} to {horizon} there are more than {MOST_TIMES} steps of {every} year(s)"
            );
            context.problem_at_key("habitat_over_time", message, "raise every_years");
        }
    }
    let any = file.scenarios.iter().any(|scenario| scenario.horizon.is_some());
    if !any && context.spoilt.is_empty() {
        let message =
            "[habitat_over_time]: no scenario has a horizon, so that only the past is looked at".to_string();
        context.warn("habitat_over_time", message, "add for example horizon = 2050 to a scenario");
    }
    whole(context, "habitat_over_time", before).then_some(every as i32)
}

/// The supply of water looked at; `None` where there is none, or a problem of it is told.
pub(super) fn water_requirement(context: &mut Context<'_>) -> Option<WaterRequirement> {
    let section = context.file.water_requirement.as_ref()?;
    let before = context.problems.len();
    let supply = match (&section.rise_m, &section.precipitation) {
        (Some(_), Some(_)) => {
            let message = "[water_requirement] has rise_m beside precipitation".to_string();
            context.problem_at_key(
                "water_requirement.precipitation",
                message,
                "give the steps of one of the two",
            );
            return None;
        }
        (None, Some(steps)) => {
            let at = "water_requirement.precipitation";
            climate(context, at, "precipitation");
            above_nothing(context, at, steps);
            Supply::Rain(steps.clone())
        }
        (rises, None) => {
            let at = if rises.is_some() { "water_requirement.rise_m" } else { "water_requirement" };
            let logits = context.file.inundation.logits_per_metre.is_some()
                || context.spoilt.meant("inundation", "logits_per_metre");
            if !context.may_have(Role::Ground) && !logits {
                let message = format!("{at}: nothing says how water follows the water table");
                context.problem_at_key(at, message, "add [layers.ground], or inundation.logits_per_metre");
            }
            let steps = rises.clone().unwrap_or_else(|| RISES.to_vec());
            above_nothing(context, at, &steps);
            Supply::Rise(steps)
        }
    };
    let known: Vec<&str> = context.file.scenarios.iter().map(|scenario| scenario.name.as_str()).collect();
    let wanted: Vec<&str> = match &section.scenarios {
        Some(names) => names.iter().map(String::as_str).collect(),
        None => known.clone(),
    };
    for (at, name) in wanted.iter().enumerate() {
        let at = item("water_requirement.scenarios", at);
        if !known.contains(name) && !context.spoilt.within("scenarios") && !context.spoilt.open("") {
            let help = match known.len() {
                0..=8 => format!("the scenarios are {}", quoted(&known)),
                _ => did_you_mean(name, known.iter().copied(), "scenario"),
            };
            context.problem(&at, format!("{at}: there is no scenario {name:?}"), help);
        }
    }
    let scenarios = wanted.iter().map(|name| name.to_string()).collect();
    whole(context, "water_requirement", before).then_some(WaterRequirement { supply, scenarios })
}

/// Steps above 0, rising, not too many.
fn above_nothing(context: &mut Context<'_>, at: &str, steps: &[f64]) {
    if context.spoilt.within(at) {
        return;
    }
    if steps.is_empty() {
        context.problem(at, format!("{at} has no step"), "for example [0.1, 0.2, 0.5]");
    } else if steps[0] <= 0.0 {
        let message = format!("{at} begins with {}; steps above 0 are expected", steps[0]);
        context.problem(at, message, "the scenario itself is looked at anyway");
    } else if steps.len() > MOST_STEPS {
        let message = format!("{at} has {} steps; at most {MOST_STEPS} are expected", steps.len());
        context.problem(at, message, "each is computed for every scenario looked at; take wider steps");
    }
    rises(context, at, steps);
}
