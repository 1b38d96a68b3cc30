//! `[records]`.

use super::context::Context;
use crate::Month;
use crate::options::{LayerKind, ThresholdRule};
use crate::settings::Records;
use crate::source::key;

/// Common practice: a record is used where it is placed to within its cell, or to within a hundred metres where cells are
/// finer, which is what a map read in the field or a poor satellite fix gives.
const LEAST_UNCERTAINTY_M: f64 = 100.0;
const BACKGROUND: u32 = 10_000;

const EFFORT_KINDS: [LayerKind; 3] = [LayerKind::Continuous, LayerKind::Fraction, LayerKind::Mask];

/// A problem if a rule for the threshold has no records to go by.
pub(super) fn need(context: &mut Context<'_>, at: &str, rule: ThresholdRule) {
    if context.file.records.is_none() && !context.spoilt.meant("", "records") {
        let message = format!("{at} is \"{}\", but the study has no [records]", rule.words());
        context.problem(at, message, "add [records] with file, or set a number from 0 to 1");
    }
}

/// The records; `None` where there are none, or a problem of them is told.
pub(super) fn records(context: &mut Context<'_>) -> Option<Records> {
    let section = context.file.records.as_ref()?;
    let before = context.problems.len();
    let file = context.existing("records.file", &section.file);
    let from = month(context, "from", section.from.as_deref());
    let to = month(context, "to", section.to.as_deref());
    if let (Some(first), Some(last)) = (from, to)
        && first > last
    {
        let message = format!("[records] runs from {first} back to {last}");
        context.problem("records.to", message, "from is the first month used, to the last");
    }
    if section.crs.as_ref().is_some_and(|crs| crs.trim().is_empty()) {
        let help = "name that of the degrees, for example \"EPSG:4326\" (WGS 84)";
        context.problem("records.crs", "records.crs is empty".into(), help);
    }
    for (name, value) in
        [("maximum_uncertainty_m", section.maximum_uncertainty_m), ("block_m", section.block_m)]
    {
        if value == Some(0.0) {
            let at = key("records", name);
            context.problem(&at, format!("{at} is 0; metres above 0 are expected"), "or leave it out");
        }
    }
    let least = LEAST_UNCERTAINTY_M.max(context.file.grid.cell_m);
    let maximum_uncertainty_m = section.maximum_uncertainty_m.unwrap_or(least);
    if let Some(assumed) = section.assumed_uncertainty_m.filter(|assumed| *assumed > maximum_uncertainty_m) {
        let at = "records.assumed_uncertainty_m";
        let message = format!(
            "{at} is {assumed}, above the maximum of {maximum_uncertainty_m} m: records that state none are set aside all the same"
        );
        context.warn(at, message, "lower it, or leave it out");
    }
    if let Some(layer) = &section.effort_layer {
        context.layer("records.effort_layer", layer, &EFFORT_KINDS);
    }
    let whole = !context.spoilt.within("records") && !context.spoilt.open("records");
    let sound = context.problems.len() == before && whole;
    sound.then(|| Records {
        file,
        crs: section.crs.clone(),
        maximum_uncertainty_m,
        assumed_uncertainty_m: section.assumed_uncertainty_m,
        from,
        to,
        effort: section.effort_layer.clone(),
        block_m: section.block_m,
        background: section.background.unwrap_or(BACKGROUND) as usize,
        source: section.source.clone().unwrap_or_default(),
        licence: section.licence.clone().unwrap_or_default(),
    })
}

fn month(context: &mut Context<'_>, name: &str, written: Option<&str>) -> Option<Month> {
    match written?.parse::<Month>() {
        Ok(month) => Some(month),
        Err(error) => {
            let at = key("records", name);
            context.problem(&at, format!("{at}: {error}"), "months run from 01 to 12");
            None
        }
    }
}
