//! `[population]`.

use super::climate::may_have_climate;
use super::context::Context;
use super::grid::Months;
use crate::options::{PopulationSection, StageSection};
use crate::settings::Population;
use crate::source::{item, key};
use lentic_numerics::population::{Stage, matrix};
use lentic_numerics::stage_matrix::{growth, stay_and_grow};

const DROUGHT_AT: f64 = -1.0;
const REPLICATES: u32 = 1000;
/// What rounding of written shares may add to 1.
const ROUNDING: f64 = 1e-9;

/// How a population is projected; `None` where the study does not ask, or a problem of it is told.
pub(super) fn population(context: &mut Context<'_>, baseline: Option<Months>) -> Option<Population> {
    let section = context.file.population.as_ref()?;
    let before = context.problems.len();
    let density = section.density_per_ha;
    for (name, value) in [("low", density.low), ("best", density.best), ("high", density.high)] {
        let at = key("population.density_per_ha", name);
        if !(value >= 0.0 && value.is_finite()) {
            context.problem(&at, format!("{at} is {value}; 0 or more is expected"), "animals a hectare");
        }
    }
    let rising = density.low <= density.best && density.best <= density.high && density.best > 0.0;
    if context.problems.len() == before && !rising && !context.spoilt.within("population.density_per_ha") {
        let message = format!(
            "population.density_per_ha is {}, {}, {}; low, best and high must not fall, best must be above 0",
            density.low, density.best, density.high
        );
        context.problem("population.density_per_ha", message, "animals older than hatchlings a hectare");
    }
    finite(context, "quasi_extinction", section.quasi_extinction);
    match section.dispersal_m {
        Some(metres) => finite(context, "dispersal_m", metres),
        None if context.file.patches.crossing.is_none()
            && !context.spoilt.meant("patches", "crossing")
            && !context.spoilt.meant("population", "dispersal_m") =>
        {
            let message = "[population] does not say between which patches animals move".to_string();
            let help =
                "add dispersal_m, metres from edge to edge, or [patches.crossing], whose ways then tell it";
            context.problem_at_key("population", message, help);
        }
        None => {}
    }
    if let Some(index) = section.drought_at.filter(|index| !(-3.5..=0.0).contains(index)) {
        let message = format!("population.drought_at is {index}; an index from -3.5 to 0 is expected");
        context.problem("population.drought_at", message, "-1 is where droughts are said to open");
    }
    horizons(context, section, baseline);
    let stages = stages(context, section);
    let whole = !context.spoilt.within("population") && !context.spoilt.open("population");
    if context.problems.len() != before || !whole {
        return None;
    }
    let Ok(growth) = growth(&matrix(&stages, false)) else {
        let message =
            "[population] has no growth: no animal comes back to the stage it was born in".to_string();
        context.problem(
            "population.stages",
            message,
            "every stage but the last must grow, and one must bear",
        );
        return None;
    };
    let found = Population {
        density_per_ha: [density.low, density.best, density.high],
        quasi_extinction: section.quasi_extinction,
        dispersal_m: section.dispersal_m,
        names: section.stages.iter().map(|s| s.name.trim().to_string()).collect(),
        stages,
        growth,
        drought_at: section.drought_at.unwrap_or(DROUGHT_AT),
        replicates: section.replicates.unwrap_or(REPLICATES) as usize,
        years: section.years.map(|years| years as usize),
        start_share: section.start_share.unwrap_or(1.0),
        rates_from: section.rates_from.clone().unwrap_or_default().trim().to_string(),
    };
    if found.feels_drought() && !may_have_climate(context) {
        let message =
            "[population] has drought factors, but the study has no [climate]: no year is a drought year";
        context.warn("population", message.into(), "add [climate], or take the factors out");
    }
    if found.growth.lambda < 1.0 {
        let message = format!(
            "[population] falls by {:.1} % a year even without drought or loss of habitat (lambda {:.3})",
            100.0 * (1.0 - found.growth.lambda),
            found.growth.lambda
        );
        context.warn("population.stages", message, "check the rates; they must come from a biologist");
    }
    Some(found)
}

fn finite(context: &mut Context<'_>, name: &str, value: f64) {
    if !(value >= 0.0 && value.is_finite()) {
        let at = key("population", name);
        context.problem(
            &at,
            format!("{at} is {value}; a number of 0 or more is expected"),
            "see docs/methods.md",
        );
    }
}

/// Every scenario needs a way in time.
fn horizons(context: &mut Context<'_>, section: &PopulationSection, baseline: Option<Months>) {
    let file = context.file;
    let given = section.years.is_some() || context.spoilt.meant("population", "years");
    let end = baseline.map(|(_, last)| last.year());
    for (i, scenario) in file.scenarios.iter().enumerate() {
        let at = item("scenarios", i);
        match (scenario.horizon, end) {
            (None, _) if !given && !context.spoilt.meant(&at, "horizon") => {
                let message = format!(
                    "scenario \"{}\" has no horizon, and [population] does not know how many years to go",
                    scenario.name
                );
                context.problem(&at, message, "give the scenario a horizon, or [population] years");
            }
            // of a trend carried on that is told already
            (Some(horizon), Some(end)) if horizon <= end && !scenario.continue_trend => {
                let at = key(&at, "horizon");
                let message =
                    format!("{at} is {horizon}, and [population] starts at the end of the baseline, {end}");
                context.problem(&at, message, "a horizon lies after the baseline");
            }
            (Some(horizon), Some(end)) if horizon - end > 1000 => {
                let at = key(&at, "horizon");
                let message = format!("{at} is {horizon}; [population] goes on for 1000 years at most");
                context.problem(&at, message, "horizons are calendar years");
            }
            _ => {}
        }
    }
    if file.scenarios.is_empty() && !given && !context.spoilt.open("") {
        let message = "[population] does not know how many years to go: there are no scenarios".to_string();
        context.problem("population", message, "give years");
    }
}

fn stages(context: &mut Context<'_>, section: &PopulationSection) -> Vec<Stage> {
    let list = &section.stages;
    let before = context.problems.len();
    if list.len() < 2 {
        let message = format!("population.stages is a list of {}; at least 2 are expected", list.len());
        context.problem("population.stages", message, "hatchlings, and those that bear them");
    }
    let mut stages = Vec::new();
    for (i, stage) in list.iter().enumerate() {
        let at = item("population.stages", i);
        if stage.name.trim().is_empty() || list[..i].iter().any(|s| s.name.trim() == stage.name.trim()) {
            let at = key(&at, "name");
            let message = format!("{at} is {:?}; a name that no stage before has is expected", stage.name);
            context.problem(&at, message, "for example \"adult\"");
        }
        let last = i + 1 == list.len();
        let (stay, grow) = shares(context, &at, stage, last).unwrap_or((0.0, 0.0));
        let offspring = number(context, &at, "offspring", stage.offspring, 0.0, f64::MAX);
        stages.push(Stage {
            stay,
            grow,
            offspring,
            moves: number(context, &at, "moves", stage.moves, 0.0, 1.0),
            drought_survival: number(context, &at, "drought_survival", stage.drought_survival, 1.0, 1.0),
            drought_offspring: number(context, &at, "drought_offspring", stage.drought_offspring, 1.0, 1.0),
        });
    }
    let meant = (0..list.len()).any(|i| context.spoilt.meant(&item("population.stages", i), "offspring"));
    let bears = list.iter().any(|stage| stage.offspring.is_some_and(|born| born > 0.0));
    if !bears && !meant && !list.is_empty() && context.problems.len() == before {
        let message = "no stage of [population] has offspring above 0".to_string();
        context.problem("population.stages", message, "give offspring to the stages that bear");
    }
    stages
}

/// Share that stays and share that grows; `None` where a problem is told.
fn shares(context: &mut Context<'_>, at: &str, stage: &StageSection, last: bool) -> Option<(f64, f64)> {
    if context.spoilt.within(at) || context.spoilt.open(at) {
        return None;
    }
    let entries = stage.stay.is_some() || stage.grow.is_some();
    let rates = stage.survival.is_some() || stage.years.is_some();
    if entries == rates {
        let found = if entries { "both" } else { "neither" };
        let message = format!(
            "stage \"{}\" of [population] gives {found} of stay and grow, and survival and years",
            stage.name
        );
        context.problem(at, message, "give stay and grow, or survival and years");
        return None;
    }
    let before = context.problems.len();
    let found = if entries {
        let stay = number(context, at, "stay", stage.stay, 0.0, 1.0);
        let grow = number(context, at, "grow", stage.grow, 0.0, 1.0);
        if last && grow > 0.0 {
            let at = key(at, "grow");
            context.problem(
                &at,
                format!("{at} is {grow}, but the last stage has no next"),
                "0, or leave it out",
            );
        }
        if context.problems.len() == before && stay + grow > 1.0 + ROUNDING {
            let message = format!(
                "survival of stage \"{}\" is above 1: stay {stay} and grow {grow} come to {}",
                stage.name,
                stay + grow
            );
            context.problem(at, message, "no more than all can live another year");
        }
        (stay, grow)
    } else {
        let Some(survival) = stage.survival else {
            let message = format!("stage \"{}\" of [population] has years, but no survival", stage.name);
            context.problem(at, message, "give survival, the share that lives another year");
            return None;
        };
        let survival = number(context, at, "survival", Some(survival), 0.0, 1.0);
        match stage.years {
            Some(years) if !(years >= 1.0 && years.is_finite()) => {
                let at = key(at, "years");
                context.problem(&at, format!("{at} is {years}; 1 or more is expected"), "years in the stage");
                return None;
            }
            Some(years) => {
                let (stay, grow) = stay_and_grow(survival, years)?;
                (stay, if last { 0.0 } else { grow })
            }
            None if last => (survival, 0.0),
            None => {
                let message = format!("stage \"{}\" of [population] has survival, but no years", stage.name);
                context.problem(at, message, "give years, how long an animal is in the stage");
                return None;
            }
        }
    };
    if context.problems.len() == before && !last && found.1 <= 0.0 {
        let message = format!("no animal grows out of stage \"{}\" of [population]", stage.name);
        context.problem(at, message, "every stage but the last must grow");
    }
    (context.problems.len() == before).then_some(found)
}

/// A number from 0 to `most`, or its default; told if it is not.
fn number(
    context: &mut Context<'_>,
    at: &str,
    name: &str,
    value: Option<f64>,
    otherwise: f64,
    most: f64,
) -> f64 {
    let value = value.unwrap_or(otherwise);
    if !((0.0..=most).contains(&value) && value.is_finite()) {
        let at = key(at, name);
        let expected = if most == 1.0 { "a share from 0 to 1" } else { "0 or more" };
        context.problem(
            &at,
            format!("{at} is {value}; {expected} is expected"),
            "see docs/methods.md, Population",
        );
    }
    value
}
