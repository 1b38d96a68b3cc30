//! `[[scenarios]]`

use super::climate::{driver, may_have_climate};
use super::context::Context;
use super::grid::Months;
use super::past;
use crate::options::{
    DrawdownCause, DrawdownSection, Driver, IndexKind, LayerKind, MeasureKind, Role, ScenarioSection,
    YearOrMonths,
};
use crate::settings::{Drawdown, Scenario, precipitation_factor};
use crate::source::{item, key};
use std::collections::BTreeMap;

pub(super) fn scenarios(context: &mut Context<'_>, baseline: Option<Months>) -> Vec<Scenario> {
    let sections = &context.file.scenarios;
    let mut list = Vec::new();
    for (i, section) in sections.iter().enumerate() {
        let at = item("scenarios", i);
        let earlier = sections[..i].iter().any(|s| s.name == section.name);
        name(context, &at, &section.name, earlier);
        list.push(scenario(context, &at, section, baseline));
    }
    list
}

/// Longest name of a scenario: file systems take names of files of 255 bytes, and other words stand beside it.
const LONGEST_NAME: usize = 80;

fn name(context: &mut Context<'_>, at: &str, name: &str, earlier: bool) {
    let at = key(at, "name");
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if name.is_empty() || !name.chars().all(plain) {
        let words: Vec<String> = name
            .to_lowercase()
            .split(|c| !plain(c))
            .filter(|word| !word.is_empty())
            .map(str::to_string)
            .collect();
        let help = match words.join("-").as_str() {
            "" => "for example \"drier\"; title may hold any text".to_string(),
            slug => format!("for example \"{slug}\"; title may hold any text"),
        };
        let message = format!("{at} is {name:?}; small letters, digits and hyphens are expected");
        context.problem(&at, message, help);
    } else if name.starts_with('-') || name.len() > LONGEST_NAME {
        let message = format!(
            "{at} is {name:?}, of {} characters; up to {LONGEST_NAME} are expected, the first no hyphen, since files are named by it",
            name.len()
        );
        context.problem(&at, message, "for example \"drier\"; title may hold any text");
    } else if name == "baseline" {
        let message = format!("{at} is \"baseline\", which names today's habitat");
        context.problem(&at, message, "give the scenario another name");
    } else if earlier {
        let message = format!("{at}: there is a scenario {name:?} before this one");
        context.problem(&at, message, "names of scenarios are unique");
    }
}

fn scenario(
    context: &mut Context<'_>,
    at: &str,
    section: &ScenarioSection,
    baseline: Option<Months>,
) -> Scenario {
    let precipitation = months(section.precipitation.as_ref());
    let temperature_c = months(section.temperature_c.as_ref());
    let index_shift = months(section.index_shift.as_ref());
    for (i, percent) in precipitation.iter().enumerate() {
        if *percent < -100.0 {
            let mut at = key(at, "precipitation");
            if matches!(section.precipitation, Some(YearOrMonths::Months(_))) {
                at = item(&at, i);
            } else if i > 0 {
                break;
            }
            let message = format!("{at} is {percent} percent; no less than -100 is expected");
            context.problem(&at, message, "-15 means 15 percent less rain");
        }
    }
    let changes_rain = precipitation.iter().any(|p| *p != 0.0);
    let changes_heat = temperature_c.iter().any(|t| *t != 0.0);
    let shifts_index = index_shift.iter().any(|shift| *shift != 0.0);
    let changed = [
        ("precipitation", changes_rain),
        ("temperature_c", changes_heat),
        ("index_shift", shifts_index),
        ("replay", section.replay.is_some()),
    ];
    climate_rules(context, at, &changed);
    let changes_climate = changed.iter().any(|(_, changes)| *changes);
    let replay = past::replay(context, at, section.replay.as_ref());
    let continue_trend = past::continue_trend(context, at, section, baseline);
    let drawdown = drawdown(context, at, section.drawdown_m.as_ref());
    cause_rules(context, at, section, changes_climate);
    if let Some(layer) = &section.land_cover {
        land_cover(context, at, layer);
    }
    let water_quality = section.water_quality.clone().unwrap_or_default();
    quality(context, at, &water_quality);
    let falls = drawdown.as_ref().is_none_or(|drawdown| match drawdown {
        Drawdown::None => false,
        Drawdown::Everywhere(fall) => *fall != 0.0,
        Drawdown::ByZone(zones) => zones.values().any(|fall| *fall != 0.0),
        Drawdown::Layer(_) => true,
    });
    let changes = [
        "precipitation",
        "temperature_c",
        "index_shift",
        "replay",
        "continue_trend",
        "drawdown_m",
        "land_cover",
        "water_quality",
    ];
    let unknown =
        changes.iter().any(|name| context.spoilt.meant(at, name) || context.spoilt.within(&key(at, name)));
    let other = section.land_cover.is_some() || water_quality.values().any(|factor| *factor != 1.0);
    if !(changes_climate || continue_trend || falls || other || unknown) {
        let message = format!("{at} changes nothing: it will be the baseline again");
        let help = "add precipitation, temperature_c, replay, continue_trend, drawdown_m, land_cover or water_quality, or take it out";
        context.warn(&key(at, "name"), message, help);
    }
    let spread = super::uncertainty::spread(context, at, section);
    ensemble(context, at, section);
    instead_of(context, at, section);
    let title = section.title.trim();
    Scenario {
        name: section.name.clone(),
        title: if title.is_empty() { section.name.clone() } else { title.to_string() },
        ensemble: section.ensemble.clone(),
        instead_of: section.instead_of.clone(),
        horizon: section.horizon,
        precipitation_factor: precipitation.map(precipitation_factor),
        temperature_c,
        index_shift,
        replay,
        continue_trend,
        drawdown: drawdown.unwrap_or(Drawdown::None),
        drawdown_share: 1.0,
        rise_m: 0.0,
        spread,
        drawdown_replaces_climate: section.cause == Some(DrawdownCause::Climate),
        land_cover: section.land_cover.clone(),
        water_quality,
    }
}

/// A name that can stand in a file's, shared by two scenarios or more.
fn ensemble(context: &mut Context<'_>, at: &str, section: &ScenarioSection) {
    let Some(name) = &section.ensemble else { return };
    let at = key(at, "ensemble");
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if name.is_empty() || !name.chars().all(plain) {
        let message = format!("{at} is {name:?}; small letters, digits and hyphens are expected");
        context.problem(&at, message, "for example \"models-2050\"");
    } else if context.file.scenarios.iter().filter(|other| other.ensemble.as_ref() == Some(name)).count() < 2
    {
        let message = format!("{at}: no other scenario is of the ensemble {name:?}");
        context.warn(&at, message, "name it alike in every scenario of the ensemble, or take it out");
    }
}

/// Another scenario of the study.
fn instead_of(context: &mut Context<'_>, at: &str, section: &ScenarioSection) {
    let Some(name) = &section.instead_of else { return };
    let at = key(at, "instead_of");
    let others =
        context.file.scenarios.iter().map(|other| &other.name).filter(|other| **other != section.name);
    let others: Vec<String> = others.cloned().collect();
    if !others.contains(name) {
        let message = format!("{at} is {name:?}; another scenario of the study is expected");
        let help = match others.is_empty() {
            true => "add the scenario that it answers".to_string(),
            false => format!("one of {}", others.join(", ")),
        };
        context.problem(&at, message, &help);
    }
}

/// Factors on concentrations: layers that some variable measures as water quality.
fn quality(context: &mut Context<'_>, at: &str, factors: &BTreeMap<String, f64>) {
    let at = key(at, "water_quality");
    for (layer, factor) in factors {
        let at_layer = key(&at, layer);
        if *factor < 0.0 {
            let message = format!("{at_layer} is {factor}; a factor of 0 or more is expected");
            context.problem(&at_layer, message, "1.5 means half as much again");
        }
        if context.layer(&at_layer, layer, &[LayerKind::Continuous]).is_none() {
            continue;
        }
        let mut variables = context.file.requisites.values().flat_map(|r| &r.variables);
        let measured = variables
            .any(|v| v.measure == MeasureKind::WaterQuality && v.layer.as_deref() == Some(layer.as_str()));
        if context.spoilt.is_empty() && !measured {
            let message = format!(
                "{at_layer}: no variable measures \"water quality\" of layer {layer:?}, so nothing follows"
            );
            context.warn(&at_layer, message, "measure it in a variable, or take this out");
        }
    }
}

fn months(written: Option<&YearOrMonths>) -> [f64; 12] {
    match written {
        None => [0.0; 12],
        Some(YearOrMonths::Year(value)) => [*value; 12],
        Some(YearOrMonths::Months(values)) => *values,
    }
}

/// Refuses climate changes that could not reach the water.
fn climate_rules(context: &mut Context<'_>, at: &str, changed: &[(&str, bool)]) {
    for (name, _) in changed.iter().filter(|(_, changes)| *changes) {
        let at = key(at, name);
        match &context.file.climate {
            None if may_have_climate(context) => {}
            None => {
                let message = format!("{at}: the study has no [climate] that could change");
                let help = "add [climate], or describe the change as drawdown_m";
                context.problem_at_key(&at, message, help);
            }
            Some(_) if driver(context) == Some(Driver::Season) => {
                let message = format!(
                    "{at}: water answers to the season only (inundation.driver is \"season\"), \
                     so this change would not reach it"
                );
                let help = "use driver = \"index\", or describe the change as drawdown_m";
                context.problem_at_key(&at, message, help);
            }
            Some(_) if context.spoilt.value("climate.index") => {}
            Some(climate) => {
                let refused = match (climate.index, *name) {
                    (IndexKind::Spi, "temperature_c") => Some((
                        "index \"spi\" does not know temperature",
                        "use climate.index = \"spei\", or take the change out",
                    )),
                    (IndexKind::Given, "precipitation" | "temperature_c") => Some((
                        "the study's index is given ready-made (climate.index is \"given\"), and what it would be with \
                         other weather cannot be known from it",
                        "give index_shift, the shift of the index itself in standard deviations, or the series and index \
                         = \"spi\" or \"spei\"",
                    )),
                    (IndexKind::Spi | IndexKind::Spei, "index_shift") => Some((
                        "only an index that is given ready-made is shifted; this one follows from the weather",
                        "give precipitation or temperature_c",
                    )),
                    _ => None,
                };
                if let Some((reason, help)) = refused {
                    context.problem_at_key(&at, format!("{at}: {reason}"), help);
                }
            }
        }
    }
}

/// The fall of the water table; `None` once its problem is told.
fn drawdown(context: &mut Context<'_>, at: &str, section: Option<&DrawdownSection>) -> Option<Drawdown> {
    let Some(section) = section else {
        return Some(Drawdown::None);
    };
    let at = key(at, "drawdown_m");
    let logits = context.file.inundation.logits_per_metre.is_some()
        || context.spoilt.meant("inundation", "logits_per_metre");
    if !context.may_have(Role::Ground) && !logits {
        let message = format!("{at}: nothing says how water follows the water table");
        let help = "add [layers.ground], or inundation.logits_per_metre";
        context.problem_at_key(&at, message, help);
    }
    match section {
        DrawdownSection::Everywhere(fall) => Some(Drawdown::Everywhere(*fall)),
        DrawdownSection::ByZone(zones) => by_zone(context, &at, zones),
        DrawdownSection::Layer(layer) => {
            context.layer(&at, layer, &[LayerKind::Continuous]).map(|_| Drawdown::Layer(layer.clone()))
        }
    }
}

fn by_zone(context: &mut Context<'_>, at: &str, zones: &BTreeMap<String, f64>) -> Option<Drawdown> {
    context.need_role(at, Role::Zones, "a drawdown by zone");
    let layer = context.roles.get(&Role::Zones).cloned();
    let mut falls = BTreeMap::new();
    for (written, fall) in zones {
        let at_zone = key(at, written);
        match written.trim().parse::<i32>() {
            Ok(code) => {
                if let Some(layer) = &layer {
                    context.known_code(&at_zone, layer, code);
                }
                if falls.insert(code, *fall).is_some() {
                    let message = format!("{at}: zone {code} is written twice");
                    context.problem_at_key(&at_zone, message, "keep one of the two");
                }
            }
            Err(_) => {
                let message = format!("{at}: {written:?} is not a zone code");
                let help = "write codes and metres: { 1 = 0.5, 2 = 1.0 }";
                context.problem_at_key(&at_zone, message, help);
            }
        }
    }
    Some(Drawdown::ByZone(falls))
}

/// A drawdown beside a climate change says whether it adds to it or stands in its place.
fn cause_rules(context: &mut Context<'_>, at: &str, section: &ScenarioSection, climate: bool) {
    match (&section.drawdown_m, section.cause) {
        (Some(_), None) if climate && !context.spoilt.meant(at, "cause") => {
            let message = format!("{at} has a drawdown beside a climate change but no cause");
            let help = "add cause = \"abstraction\" (pumping: adds to the climate change) or cause = \
                        \"climate\" (less recharge: stands in its place)";
            context.problem_at_key(&key(at, "drawdown_m"), message, help);
        }
        (None, Some(_)) if !context.spoilt.meant(at, "drawdown_m") => {
            let at_cause = key(at, "cause");
            let message = format!("{at_cause} is given without drawdown_m");
            context.problem_at_key(&at_cause, message, "it says why the water table falls");
        }
        _ => {}
    }
}

fn land_cover(context: &mut Context<'_>, at: &str, layer: &str) {
    let at = key(at, "land_cover");
    context.layer(&at, layer, &[LayerKind::Class]);
    context.need_role(&at, Role::LandCover, "a change of land cover");
    let Some(today) = context.roles.get(&Role::LandCover) else {
        return;
    };
    if today == layer {
        let message = format!("{at}: layer {layer:?} is today's land cover already");
        context.problem(&at, message, "name the layer of the land cover to come");
        return;
    }
    let mut variables = context.file.requisites.values().flat_map(|r| &r.variables);
    if context.spoilt.is_empty() && !variables.any(|variable| variable.layer.as_ref() == Some(today)) {
        let message = format!("{at}: no variable measures layer {today:?}, so nothing follows from it");
        context.warn(&at, message, "use the land cover in a variable, or take this out");
    }
}
