//! `[patches.crossing]`: resistance of ground between patches.

use super::context::Context;
use super::legend::number;
use crate::options::{CrossingSection, LayerKind, PatchWeight, ResistanceOption};
use crate::settings::Crossing;
use crate::source::key;
use std::collections::BTreeMap;

const AT: &str = "patches.crossing";
/// The word in the study file and in legends.
const IMPASSABLE: &str = "impassable";

/// The crossing; `None` once a problem of it is told.
pub(super) fn crossing(context: &mut Context<'_>, section: &CrossingSection) -> Option<Crossing> {
    let layer = context.layer(&key(AT, "layer"), &section.layer, &[LayerKind::Class]).is_some();
    let barriers = barriers(context, section);
    distances(context, section);
    let resistance = resistance(context, section);
    if !layer || context.spoilt.within(AT) {
        return None;
    }
    Some(Crossing {
        layer: section.layer.clone(),
        resistance: resistance?,
        barriers: barriers?,
        effective_m: section.effective_m,
        limit_m: section.limit_m,
        weight: section.weight.unwrap_or(PatchWeight::Area),
    })
}

fn distances(context: &mut Context<'_>, section: &CrossingSection) {
    let (effective, limit) = (key(AT, "effective_m"), key(AT, "limit_m"));
    for (at, value) in [(&effective, section.effective_m), (&limit, section.limit_m)] {
        if value <= 0.0 {
            let message = format!("{at} is {value}; a number above 0 is expected");
            context.problem(at, message, "metres over the easiest ground");
        }
    }
    let sound = !context.spoilt.value(&effective) && !context.spoilt.value(&limit);
    if sound && section.limit_m > 0.0 && section.limit_m < section.effective_m {
        let message = format!(
            "{limit} is {} and lies below effective_m, {}: ways that are rather taken than not are cut off",
            section.limit_m, section.effective_m
        );
        context.warn(&limit, message, "about four times effective_m leaves out ways under 0.06");
    }
}

/// Resistance by class; `None` once its problem is told.
fn resistance(context: &mut Context<'_>, section: &CrossingSection) -> Option<BTreeMap<i32, f64>> {
    let before = context.problems.len();
    let (at, found) = match (&section.resistance, &section.legend) {
        (Some(classes), None) => {
            let at = key(AT, "resistance");
            let found = by_code(context, &at, section, classes);
            (at, Some(found))
        }
        (None, Some(column)) => {
            let at = key(AT, "legend");
            let found = by_legend(context, &at, section, column);
            (at, found)
        }
        (Some(_), Some(_)) => {
            let message = format!("{AT} has both resistance and legend");
            context.problem_at_key(&key(AT, "legend"), message, "keep one of the two");
            return None;
        }
        (None, None) => {
            if !context.spoilt.meant(AT, "resistance") && !context.spoilt.meant(AT, "legend") {
                let message = format!("{AT} does not say how hard ground is to cross");
                let help = "add resistance = { 1 = 1.0, 2 = \"impassable\" } by class code, or legend = \"a column\"";
                context.problem_at_key(AT, message, help);
            }
            return None;
        }
    };
    let found = found.filter(|_| context.problems.len() == before && !context.spoilt.within(&at))?;
    let lowest = found.values().copied().fold(f64::INFINITY, f64::min);
    if lowest != 1.0 {
        let message = if lowest.is_finite() {
            format!("{at}: the lowest resistance is {lowest}; 1 is expected")
        } else {
            format!("{at}: no class can be crossed; a lowest resistance of 1 is expected")
        };
        let help = "the easiest ground counts 1 and other ground as many times as much as it is harder, so that costs are metres";
        context.problem(&at, message, help);
        return None;
    }
    Some(found)
}

/// A resistance as a number; `None` where it is below 1, which is then told.
fn factor(context: &mut Context<'_>, at: &str, written: &ResistanceOption) -> Option<f64> {
    match written {
        ResistanceOption::Word(_) => Some(f64::INFINITY),
        ResistanceOption::Factor(factor) if *factor >= 1.0 => Some(*factor),
        ResistanceOption::Factor(factor) => {
            let message = format!("{at} is {factor}; a number of 1 or more is expected");
            context.problem(at, message, "1 is the easiest ground; ground never crossed is \"impassable\"");
            None
        }
    }
}

fn by_code(
    context: &mut Context<'_>,
    at: &str,
    section: &CrossingSection,
    classes: &BTreeMap<String, ResistanceOption>,
) -> BTreeMap<i32, f64> {
    let mut found = BTreeMap::new();
    for (written, resistance) in classes {
        let at_class = key(at, written);
        let Ok(code) = written.trim().parse::<i32>() else {
            let message = format!("{at}: {written:?} is not a class code");
            context.problem_at_key(&at_class, message, "write codes and resistances: { 1 = 1.0, 2 = 3.0 }");
            continue;
        };
        context.known_code(&at_class, &section.layer, code);
        let Some(factor) = factor(context, &at_class, resistance) else { continue };
        if found.insert(code, factor).is_some() {
            let message = format!("{at}: code {code} is written twice");
            context.problem_at_key(&at_class, message, "keep one of the two");
        }
    }
    if classes.is_empty() {
        context.problem(at, format!("{at} is empty"), "write codes and resistances: { 1 = 1.0, 2 = 3.0 }");
    }
    let lacking = context.legends.get(&section.layer).map(|legend| {
        let rows = legend.rows.iter().filter(|(code, _)| !found.contains_key(code));
        rows.map(|(code, row)| format!("{code} ({})", row.name)).collect::<Vec<_>>()
    });
    if let Some(lacking) = lacking.filter(|lacking| !lacking.is_empty() && !context.spoilt.within(at)) {
        let message = format!("{at} has no resistance for class {}", lacking.join(", "));
        context.warn(at, message, "a cell of such a class would stop the run");
    }
    found
}

fn by_legend(
    context: &mut Context<'_>,
    at: &str,
    section: &CrossingSection,
    column: &str,
) -> Option<BTreeMap<i32, f64>> {
    // A layer that is missing or of the wrong kind is told already.
    let layer = context.file.layers.get(&section.layer)?;
    let Some(legend) = context.legends.get(&section.layer) else {
        if layer.legend.is_none() && !context.spoilt.meant(&key("layers", &section.layer), "legend") {
            let message = format!("{at}: layer {:?} has no legend", section.layer);
            context.problem(at, message, "add legend to the layer, or give resistance by class code");
        }
        return None;
    };
    let Some(index) = legend.columns.iter().position(|c| c == column) else {
        let known = legend.columns.iter().map(String::as_str);
        let help = crate::nearest::did_you_mean(column, known, "column in it");
        let message = format!("{at}: the legend of layer {:?} has no column {column:?}", section.layer);
        context.problem(at, message, help);
        return None;
    };
    let mut found = BTreeMap::new();
    let mut bad = Vec::new();
    for (code, row) in &legend.rows {
        let cell = row.cells.get(index).map_or("", String::as_str);
        let factor =
            if cell == IMPASSABLE { Some(f64::INFINITY) } else { number(cell).filter(|f| *f >= 1.0) };
        match factor {
            Some(factor) => {
                found.insert(*code, factor);
            }
            None => {
                let message = format!(
                    "column {column:?} of class {code} is {cell:?}; a resistance of 1 or more or \"{IMPASSABLE}\" is expected"
                );
                let help = "every class needs one, as patches.crossing uses the column";
                bad.push(legend.problem(row.place, message, help));
            }
        }
    }
    context.problems.extend(bad);
    Some(found)
}

fn barriers(context: &mut Context<'_>, section: &CrossingSection) -> Option<BTreeMap<String, f64>> {
    let mut found = Some(BTreeMap::new());
    for (name, resistance) in &section.barriers {
        let at = key(&key(AT, "barriers"), name);
        let there = context.layer(&at, name, &[LayerKind::Mask]).is_some();
        match (factor(context, &at, resistance), &mut found) {
            (Some(factor), Some(all)) if there => {
                all.insert(name.clone(), factor);
            }
            _ => found = None,
        }
    }
    found
}
