//! Words of options and answers, read or refused.

use super::refuse;
use lentic_engine::EngineError;
use lentic_study::fresh::{ClimateFrom, Template};
use lentic_study::options::WaterContent;
use std::collections::BTreeSet;

/// Where the climate may come from, with the word of the option and what it means.
pub(super) const CLIMATES: [(ClimateFrom, &str, &str); 5] = [
    (ClimateFrom::Table, "table", "one table of monthly rain and temperature"),
    (ClimateFrom::Zones, "zones", "a table with lines for each zone (needs the layer zones)"),
    (ClimateFrom::Rasters, "rasters", "monthly rasters of rain and temperature"),
    (ClimateFrom::Anomalies, "anomalies", "a table of ready-made anomalies, as of a river's level"),
    (ClimateFrom::None, "none", "none: water answers to the season only"),
];
/// What water files may hold, with the word of the option and what it means.
pub(super) const CONTENTS: [(WaterContent, &str, &str); 3] = [
    (WaterContent::Mask, "mask", "masks: 0 dry, 1 wet"),
    (WaterContent::Fraction, "fraction", "shares of the cell under water, 0 to 1"),
    (WaterContent::Depth, "depth", "depths of water"),
];

pub(super) fn template(word: &str) -> Result<Template, String> {
    let found = Template::ALL.into_iter().find(|template| template.name() == word);
    found.ok_or_else(|| format!("one of {} is expected", names(Template::ALL.map(Template::name))))
}

pub(super) fn climate(word: &str) -> Result<ClimateFrom, String> {
    let found = CLIMATES.iter().find(|(_, name, _)| *name == word).map(|(climate, ..)| *climate);
    found.ok_or_else(|| format!("one of {} is expected", names(CLIMATES.map(|(_, name, _)| name))))
}

pub(super) fn holds(word: &str) -> Result<WaterContent, String> {
    let found = CONTENTS.iter().find(|(_, name, _)| *name == word).map(|(holds, ..)| *holds);
    found.ok_or_else(|| format!("one of {} is expected", names(CONTENTS.map(|(_, name, _)| name))))
}

pub(super) fn names<const N: usize>(words: [&str; N]) -> String {
    words.join(", ")
}

pub(super) fn metres(word: &str) -> Result<f64, String> {
    let found = word.trim().parse::<f64>().ok().filter(|side| side.is_finite() && *side >= 0.001);
    found.ok_or_else(|| "a number of metres of 0.001 or more is expected".to_string())
}

pub(super) fn bounds(word: &str) -> Result<[f64; 4], String> {
    let numbers: Option<Vec<f64>> =
        word.split(',').map(|part| part.trim().parse::<f64>().ok().filter(|n| n.is_finite())).collect();
    let found = numbers.and_then(|numbers| <[f64; 4]>::try_from(numbers).ok());
    found.filter(|[left, bottom, right, top]| left < right && bottom < top).ok_or_else(|| {
        "left, bottom, right and top in metres are expected, as -1800,-1500,1800,1500".to_string()
    })
}

pub(super) fn years(word: &str) -> Result<(i32, i32), String> {
    let found = word
        .trim()
        .split_once('-')
        .and_then(|(first, last)| first.trim().parse().ok().zip(last.trim().parse().ok()));
    found
        .filter(|(first, last): &(i32, i32)| (1000..=9999).contains(first) && first <= last && *last <= 9999)
        .ok_or_else(|| "first and last year are expected, as 1991-2020".to_string())
}

pub(super) fn month(word: &str) -> Result<u32, String> {
    let found = word.trim().parse().ok().filter(|month| (1..=12).contains(month));
    found.ok_or_else(|| "a calendar month from 1 to 12 is expected".to_string())
}

/// Names with commas, "all" or "none".
pub(super) fn listed(option: &str, words: &str, known: &[String]) -> Result<BTreeSet<String>, EngineError> {
    match words.trim() {
        "all" => return Ok(known.iter().cloned().collect()),
        "none" | "" => return Ok(BTreeSet::new()),
        _ => {}
    }
    let names: BTreeSet<String> =
        words.split(',').map(|word| word.trim().to_string()).filter(|word| !word.is_empty()).collect();
    match names.iter().find(|name| !known.contains(name)) {
        None => Ok(names),
        Some(name) => Err(refuse(format!(
            "{option}: \"{name}\" is none of {}; give names of these with commas, all or none",
            known.join(", ")
        ))),
    }
}
