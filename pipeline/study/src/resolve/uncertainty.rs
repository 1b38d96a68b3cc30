//! `[uncertainty]`, and the spread of a scenario.

use super::context::Context;
use crate::options::{Role, ScenarioSection, SpreadSection};
use crate::settings::{Sensitivity, Spread, Uncertainty};
use crate::source::key;

const AT: &str = "uncertainty";
/// Spreads where none is given: ours, but for the members (common practice).
const MEMBERS: u32 = 200;
const CURVES: f64 = 0.1;
const WEIGHTS: f64 = 0.07;
const THRESHOLD: f64 = 0.05;
const SAMPLES: u32 = 256;
const CELLS: u32 = 20_000;

/// The uncertainty; `None` where none is asked for, or a problem of it is told.
pub(super) fn uncertainty(context: &mut Context<'_>) -> Option<Uncertainty> {
    let section = context.file.uncertainty.as_ref()?;
    let before = context.problems.len();
    let members = section.members.unwrap_or(MEMBERS);
    if !(20..=10_000).contains(&members) {
        let at = key(AT, "members");
        let message = format!("{at} is {members}; 20 to 10000 are expected");
        context.problem(&at, message, "200 tell the 5 and 95 % to about a twentieth of the range");
    }
    let curves = share(
        context,
        "curves",
        section.curves,
        CURVES,
        0.5,
        "0.1 moves break points by up to a tenth of the curve's span",
    );
    let weights = share(
        context,
        "weights",
        section.weights,
        WEIGHTS,
        0.3,
        "the standard deviation of a weight of one half",
    );
    let threshold = share(
        context,
        "threshold",
        section.threshold,
        THRESHOLD,
        0.3,
        "how far the threshold may lie off, either way",
    );
    let vertical_m =
        share(context, "vertical_m", section.vertical_m, 0.0, f64::INFINITY, "metres, standard deviation");
    if vertical_m > 0.0 && !context.may_have(Role::Depth) {
        let at = key(AT, "vertical_m");
        let message = format!("{at} is {vertical_m}, but the study has no layer of depth it could lie in");
        context.problem(&at, message, "add [layers.depth], or take it out");
    }
    let response = section.response.unwrap_or(true);
    let spread = context.file.scenarios.iter().any(|scenario| scenario.spread.is_some());
    let any = response || spread || curves > 0.0 || weights > 0.0 || threshold > 0.0 || vertical_m > 0.0;
    if !any && !context.spoilt.within(AT) {
        let message = "[uncertainty] leaves everything as it is: all members are the same".to_string();
        context.warn(
            AT,
            message,
            "give one of curves, weights, threshold, response, vertical_m, or a spread to scenarios",
        );
    }
    let sensitivity = section.sensitivity.as_ref().map(|section| {
        let samples = section.samples.unwrap_or(SAMPLES);
        if !(16..=16_384).contains(&samples) || !samples.is_power_of_two() {
            let at = key(&key(AT, "sensitivity"), "samples");
            let message = format!("{at} is {samples}; a power of two from 16 to 16384 is expected");
            context.problem(&at, message, "for example 256: the points then fill their space evenly");
        }
        let cells = section.cells.unwrap_or(CELLS);
        if cells < 100 {
            let at = key(&key(AT, "sensitivity"), "cells");
            context.problem(
                &at,
                format!("{at} is {cells}; at least 100 are expected"),
                "20000 stand for most basins",
            );
        }
        Sensitivity { samples: samples as usize, cells: cells as usize }
    });
    let sound = context.problems.len() == before && !context.spoilt.within(AT) && !context.spoilt.open(AT);
    sound.then_some(Uncertainty {
        members: members as usize,
        curves,
        weights,
        threshold,
        response,
        vertical_m,
        sensitivity,
    })
}

fn share(
    context: &mut Context<'_>,
    name: &str,
    written: Option<f64>,
    default: f64,
    most: f64,
    help: &'static str,
) -> f64 {
    let value = written.unwrap_or(default);
    if !(0.0..=most).contains(&value) {
        let at = key(AT, name);
        let expected = if most.is_finite() {
            format!("a number from 0 to {most}")
        } else {
            "a number of 0 or more".into()
        };
        context.problem(&at, format!("{at} is {value}; {expected} is expected"), help);
    }
    value
}

/// How far the numbers of a scenario may lie off.
pub(super) fn spread(context: &mut Context<'_>, at: &str, section: &ScenarioSection) -> Spread {
    let Some(written) = &section.spread else { return Spread::default() };
    let at = key(at, "spread");
    if context.file.uncertainty.is_none() && !context.spoilt.within(AT) {
        let message = format!("{at} is given, but the study has no [uncertainty], so nothing follows");
        context.warn(&at, message, "add [uncertainty], or take the spread out");
    }
    let SpreadSection { precipitation, temperature_c, index_shift, drawdown_percent } = written;
    let stated = [
        ("precipitation", precipitation, section.precipitation.is_some()),
        ("temperature_c", temperature_c, section.temperature_c.is_some()),
        ("index_shift", index_shift, section.index_shift.is_some()),
        ("drawdown_percent", drawdown_percent, section.drawdown_m.is_some()),
    ];
    let of = stated.map(|(name, range, stated)| {
        let Some([low, high]) = *range else { return [0.0; 2] };
        let at = key(&at, name);
        if !(low <= 0.0 && 0.0 <= high && low.is_finite() && high.is_finite()) {
            let message =
                format!("{at} is [{low}, {high}]; the least and the largest departure about 0 are expected");
            context.problem(&at, message, "for example [-10, 5]: from 10 less to 5 more than what is stated");
        } else if name == "drawdown_percent" && low < -100.0 {
            let message = format!("{at} is [{low}, {high}]; no less than -100 is expected");
            context.problem(&at, message, "-100 means no fall at all");
        }
        if !stated {
            let of = if name == "drawdown_percent" { "drawdown_m" } else { name };
            let message = format!("{at}: the scenario has no {of} that could lie off");
            context.problem(&at, message, format!("state {of}, or take this out"));
        }
        [low, high]
    });
    let [precipitation, temperature_c, index_shift, drawdown_percent] = of;
    Spread { precipitation, temperature_c, index_shift, drawdown_percent }
}
