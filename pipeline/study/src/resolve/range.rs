//! `[range]`.

use super::context::Context;
use crate::options::{GenerationSection, PlacesBy, Role};
use crate::settings::{Generation, Range};
use crate::source::{item, key};
use lentic_numerics::range_measures::{
    generation_of_life_table, generation_of_mortality, generation_of_span,
};

const AT: &str = "range.generation";

/// How range is told; `None` where the study does not ask, or a problem of it is told.
pub(super) fn range(context: &mut Context<'_>) -> Option<Range> {
    let section = context.file.range.as_ref()?;
    let before = context.problems.len();
    let generation = section.generation.as_ref().and_then(|g| generation(context, g));
    for (name, value) in [("viable_patch_ha", section.viable_patch_ha), ("dispersal_m", section.dispersal_m)]
    {
        let at = key("range", name);
        if value.is_some_and(|value| !(value >= 0.0 && value.is_finite())) && !context.spoilt.value(&at) {
            context.problem(&at, format!("{at} is no number of 0 or more"), "or leave it out");
        }
    }
    let alone = match (section.viable_patch_ha, section.dispersal_m) {
        (Some(_), None) => Some(("viable_patch_ha", "dispersal_m")),
        (None, Some(_)) => Some(("dispersal_m", "viable_patch_ha")),
        _ => None,
    };
    if let Some((given, missing)) = alone.filter(|(_, missing)| !context.spoilt.meant("range", missing)) {
        let message = format!("[range] has {given}, but no {missing}: the fragmented share needs both");
        context.warn(&key("range", given), message, format!("add {missing}, or take {given} out"));
    }
    let places = places(context, section.places);
    if section.generation.is_none() && !context.spoilt.meant("range", "generation") {
        let message = "[range] has no generation: reductions are told over ten years only".to_string();
        context.warn("range", message, "add [range.generation] with years, or with a life table");
    }
    let whole = !context.spoilt.within("range") && !context.spoilt.open("range");
    let sound = context.problems.len() == before && whole;
    sound.then_some(Range {
        generation,
        viable_patch_ha: section.viable_patch_ha,
        dispersal_m: section.dispersal_m,
        places,
    })
}

fn places(context: &mut Context<'_>, written: Option<PlacesBy>) -> Option<PlacesBy> {
    let role = |by| match by {
        PlacesBy::Pools => Role::Pools,
        PlacesBy::Zones => Role::Zones,
    };
    if let Some(by) = written {
        context.need_role("range.places", role(by), &format!("\"{}\"", by.word()));
    }
    let has = |by: &PlacesBy| context.roles.contains_key(&role(*by));
    written.or_else(|| [PlacesBy::Pools, PlacesBy::Zones].into_iter().find(has))
}

/// Length of a generation; a problem where it does not follow from what is given.
fn generation(context: &mut Context<'_>, section: &GenerationSection) -> Option<Generation> {
    if context.spoilt.within(AT) || context.spoilt.open(AT) {
        return None;
    }
    let before = context.problems.len();
    let ways = [
        ("years", section.years.is_some()),
        ("survival and offspring", section.survival.is_some() || section.offspring.is_some()),
        ("first_reproduction and adult_mortality", section.adult_mortality.is_some()),
        (
            "first_reproduction, z and reproductive_years",
            section.z.is_some() || section.reproductive_years.is_some(),
        ),
    ];
    let given: Vec<&str> = ways.iter().filter(|(_, given)| *given).map(|(way, _)| *way).collect();
    if given.len() != 1 {
        let found = if given.is_empty() { "nothing it follows from".to_string() } else { given.join("; ") };
        let all: Vec<&str> = ways.iter().map(|(way, _)| *way).collect();
        let help = format!("give one of: {}", all.join("; "));
        context.problem(AT, format!("[range.generation] has {found}; one way is expected"), help);
        return None;
    }
    let found = match given[0] {
        "years" => {
            section.years.filter(|years| checked(context, "years", *years, f64::MAX)).map(|y| (y, "given"))
        }
        "survival and offspring" => life_table(context, section).map(|years| (years, "from the life table")),
        "first_reproduction and adult_mortality" => {
            let first = needed(context, "first_reproduction", section.first_reproduction, f64::MAX)?;
            let mortality = needed(context, "adult_mortality", section.adult_mortality, 1.0)?;
            generation_of_mortality(first, mortality)
                .map(|years| (years, "age of first reproduction plus 1 / mortality of adults"))
        }
        _ => {
            let first = needed(context, "first_reproduction", section.first_reproduction, f64::MAX)?;
            let z = needed(context, "z", section.z, 1.0)?;
            let span = needed(context, "reproductive_years", section.reproductive_years, f64::MAX)?;
            generation_of_span(first, z, span)
                .map(|years| (years, "age of first reproduction plus z x years of reproduction"))
        }
    };
    let found = found.filter(|(years, _)| *years > 0.0 && years.is_finite());
    if found.is_none() && context.problems.len() == before {
        let message = "[range.generation] gives no length above 0".to_string();
        context.problem(
            AT,
            message,
            "adults must die and offspring be born for a generation to have a length",
        );
    }
    found.map(|(years, how)| Generation { years, how })
}

/// Whether a number is above 0 and at most `most`; else a problem.
fn checked(context: &mut Context<'_>, name: &str, value: f64, most: f64) -> bool {
    let sound = value > 0.0 && value <= most && value.is_finite();
    if !sound {
        let at = key(AT, name);
        let expected = if most == 1.0 {
            "a share above 0 and at most 1 is expected"
        } else {
            "a number above 0 is expected"
        };
        context.problem(&at, format!("{at} is {value}; {expected}"), "see docs/methods.md, Range");
    }
    sound
}

fn needed(context: &mut Context<'_>, name: &str, value: Option<f64>, most: f64) -> Option<f64> {
    match value {
        Some(value) => checked(context, name, value, most).then_some(value),
        None => {
            let message = format!("[range.generation] lacks {name}");
            context.problem(AT, message, "see docs/methods.md, Range");
            None
        }
    }
}

fn life_table(context: &mut Context<'_>, section: &GenerationSection) -> Option<f64> {
    let (Some(survival), Some(offspring)) = (&section.survival, &section.offspring) else {
        let missing = if section.survival.is_some() { "offspring" } else { "survival" };
        let message = format!("[range.generation] lacks {missing}: a life table has survival and offspring");
        context.problem(AT, message, "one number for each age, from 0 on");
        return None;
    };
    let before = context.problems.len();
    for (age, share) in survival.iter().enumerate().filter(|(_, s)| !(0.0..=1.0).contains(*s)) {
        let at = item(&key(AT, "survival"), age);
        context.problem(&at, format!("{at} is {share}; a share from 0 to 1 is expected"), "of a year");
    }
    for (age, born) in offspring.iter().enumerate().filter(|(_, m)| !(**m >= 0.0 && m.is_finite())) {
        let at = item(&key(AT, "offspring"), age);
        context.problem(&at, format!("{at} is {born}; 0 or more is expected"), "offspring a year");
    }
    if survival.len() != offspring.len() {
        let message = format!(
            "[range.generation] has survival of {} ages and offspring of {}; as many are expected",
            survival.len(),
            offspring.len()
        );
        context.problem(&key(AT, "offspring"), message, "one number for each age, from 0 on");
    }
    (context.problems.len() == before).then(|| generation_of_life_table(survival, offspring))?
}
