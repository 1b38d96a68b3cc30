//! `[requisites.NAME]` and `[suitability]`.

use super::context::Context;
use super::curve::curve;
use super::measure::measure;
use super::near::nearness;
use super::weights::{Written, weights};
use crate::nearest::did_you_mean;
use crate::options::{
    IfMissing, IfMissingWord, LayerKind, RequisiteSection, SuitabilitySection, Threshold, VariableSection,
};
use crate::settings::{Missing, Requisite, Suitability, Variable};
use crate::source::{item, key};
use std::collections::BTreeMap;

/// Variables and requisites together: codes of a byte raster, less a few with a meaning of their own.
const MOST_FACTORS: usize = 250;

/// Requisites in file order.
pub(super) struct Requisites {
    pub list: Vec<Requisite>,
    /// Of the pairwise comparison of the requisites themselves.
    pub consistency_ratio: Option<f64>,
}

pub(super) fn requisites(context: &mut Context<'_>) -> Requisites {
    let names = context.source.keys(&["requisites"]);
    if names.is_empty() {
        let help = "add [requisites.NAME] with combine and variables";
        context.problem_at_key("requisites", "the study has no requisites".into(), help);
    }
    // Address of the first variable of each name, which must be unique in the study.
    let mut seen = BTreeMap::new();
    let mut list = Vec::new();
    for name in &names {
        if let Some(section) = context.file.requisites.get(*name) {
            list.push(requisite(context, name, section, &mut seen));
        }
    }
    nearness(context, &names, &mut list);
    let variables: usize = list.iter().map(|r| r.variables.len()).sum();
    if variables + list.len() > MOST_FACTORS {
        let message = format!(
            "the study has {variables} variables in {} requisites; {MOST_FACTORS} together can be told apart in a raster",
            list.len()
        );
        context.problem_at_key("requisites", message, "leave some out");
    }
    let consistency_ratio = weigh(context, &names, &mut list);
    Requisites { list, consistency_ratio }
}

fn requisite(
    context: &mut Context<'_>,
    name: &str,
    section: &RequisiteSection,
    seen: &mut BTreeMap<String, String>,
) -> Requisite {
    let at = key("requisites", name);
    let at_variables = key(&at, "variables");
    if name.trim().is_empty() {
        context.problem_at_key(&at, "a requisite has an empty name".into(), "name it");
    }
    if section.variables.is_empty() && !context.spoilt.meant(&at, "variables") {
        let message = format!("{at} has no variables");
        context.problem(&at_variables, message, "add [[requisites.NAME.variables]]");
    }
    let addresses: Vec<String> = (0..section.variables.len()).map(|i| item(&at_variables, i)).collect();
    let weight_keys: Vec<String> = addresses.iter().map(|at| key(at, "weight")).collect();
    let weighed = weights(
        context,
        &Written {
            at: &at,
            weight_keys: &weight_keys,
            weights: section.variables.iter().map(|v| v.weight).collect(),
            pairwise: section.pairwise.as_deref(),
            accept_inconsistent: section.accept_inconsistent,
            combine: section.combine,
            weighed: &at_variables,
            what: &format!("variables of {at}"),
        },
    );
    let variables = addresses
        .iter()
        .zip(&section.variables)
        .zip(weighed.values)
        .filter_map(|((at, written), weight)| variable(context, at, written, weight, seen))
        .collect();
    Requisite {
        name: name.to_string(),
        combine: section.combine,
        weight: 0.0, // Set once all requisites are known.
        consistency_ratio: weighed.consistency_ratio,
        near: None, // Likewise.
        variables,
    }
}

/// A variable; `None` once a problem of it is told.
fn variable(
    context: &mut Context<'_>,
    at: &str,
    written: &VariableSection,
    weight: f64,
    seen: &mut BTreeMap<String, String>,
) -> Option<Variable> {
    let at_name = key(at, "name");
    if written.name.trim().is_empty() {
        context.problem(&at_name, format!("{at_name} is empty"), "name the variable");
    } else if let Some(other) = seen.insert(written.name.clone(), at.to_string()) {
        let message = format!("{at} and {other} both have the name {:?}", written.name);
        context.problem(&at_name, message, "names of variables are unique in the study");
    }
    let measure = measure(context, at, written);
    let curve = curve(context, at, written);
    let if_missing = match &written.if_missing {
        None | Some(IfMissing::Word(IfMissingWord::NotAssessed)) => Missing::NotAssessed,
        Some(IfMissing::Word(IfMissingWord::Omit)) => Missing::Omit,
        Some(IfMissing::Score(score)) => {
            if !(0.0..=1.0).contains(score) {
                let at = key(at, "if_missing");
                let message = format!("{at}: score {score} is not between 0 and 1");
                context.problem(&at, message, "a score, \"omit\" or \"not assessed\"");
            }
            Missing::Score(*score)
        }
    };
    let sound = !context.spoilt.within(at);
    let name = written.name.clone();
    Some(Variable { name, measure: measure?, curve: curve?, weight, if_missing }).filter(|_| sound)
}

/// Gives the requisites their weights.
fn weigh(context: &mut Context<'_>, names: &[&str], list: &mut [Requisite]) -> Option<f64> {
    let section = &context.file.suitability;
    let order = order(context, section, names)?;
    let weight_keys: Vec<String> = order.iter().map(|name| key(&key("requisites", name), "weight")).collect();
    let written = |name: &str| context.file.requisites.get(name).and_then(|r| r.weight);
    let weighed = weights(
        context,
        &Written {
            at: "suitability",
            weight_keys: &weight_keys,
            weights: order.iter().map(|name| written(name)).collect(),
            pairwise: section.pairwise.as_deref(),
            accept_inconsistent: section.accept_inconsistent,
            combine: section.combine,
            weighed: "requisites",
            what: "requisites",
        },
    );
    for (name, weight) in order.iter().zip(weighed.values) {
        if let Some(requisite) = list.iter_mut().find(|r| r.name == *name) {
            requisite.weight = weight;
        }
    }
    weighed.consistency_ratio
}

/// The order in which requisites are weighed; `None` once its problem is told.
fn order<'a>(
    context: &mut Context<'_>,
    section: &'a SuitabilitySection,
    names: &[&'a str],
) -> Option<Vec<&'a str>> {
    let at = "suitability.order";
    if section.pairwise.is_none() {
        if !section.order.is_empty() {
            let message = format!("{at} is for pairwise, which is not given");
            if !context.spoilt.meant("suitability", "pairwise") {
                context.problem_at_key(at, message, "take it out, or add suitability.pairwise");
            }
        }
        return Some(names.to_vec());
    }
    if context.spoilt.open("requisites")
        || context.spoilt.within(at)
        || context.spoilt.meant("suitability", "order")
    {
        return None;
    }
    let before = context.problems.len();
    for (i, name) in section.order.iter().enumerate() {
        let at = item(at, i);
        if !names.contains(&name.as_str()) {
            let help = did_you_mean(name, names.iter().copied(), "requisite");
            context.problem(&at, format!("{at}: there is no requisite {name:?}"), help);
        } else if section.order[..i].contains(name) {
            let message = format!("{at} names {name:?} a second time");
            context.problem(&at, message, "name each requisite once");
        }
    }
    let missing: Vec<&str> =
        names.iter().filter(|name| !section.order.iter().any(|o| o == *name)).copied().collect();
    if !missing.is_empty() {
        let message = format!("{at} does not name {}", super::context::quoted(&missing));
        let help = "name every requisite, in the order of the rows of suitability.pairwise";
        context.problem(at, message, help);
    }
    (context.problems.len() == before).then(|| section.order.iter().map(String::as_str).collect())
}

pub(super) fn suitability(context: &mut Context<'_>, consistency_ratio: Option<f64>) -> Suitability {
    let section = &context.file.suitability;
    let (threshold, threshold_rule) = match section.threshold {
        Threshold::Number(number) => (number, None),
        Threshold::Rule(rule) => (f64::NAN, Some(rule)),
    };
    if let Some(rule) = threshold_rule {
        super::records::need(context, "suitability.threshold", rule);
    }
    if threshold == 0.0 {
        let message = "suitability.threshold is 0: every assessed cell is habitat".to_string();
        context.warn("suitability.threshold", message, "0.5 is a usual beginning");
    }
    for (i, name) in section.barriers.iter().enumerate() {
        context.layer(&item("suitability.barriers", i), name, &[LayerKind::Mask]);
    }
    Suitability {
        combine: section.combine,
        threshold,
        threshold_rule,
        consistency_ratio,
        barriers: section.barriers.clone(),
    }
}
