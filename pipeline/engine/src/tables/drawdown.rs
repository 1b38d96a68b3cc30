//! The table of the curves a drawdown follows.

use super::{class_name, numbers, table, words};
use crate::stages::curves::Curves;
use lentic_habitat::drawdown::gather::Part;
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::Role;
use std::collections::BTreeMap;

/// The curve of every pool that has one, from low to high ground; none where no pool has one.
pub fn drawdown_curves(study: &Study, curves: &Curves) -> Option<Table> {
    let rows = &curves.parts;
    let layer = study.layer_with(Role::Pools);
    let integer = |value: &dyn Fn(&Part) -> Option<u64>| {
        rows.iter().map(|(_, part)| value(part).map(|n| n as i64)).collect()
    };
    let share = |(_, part): &(i32, Part)| {
        let (wet, seen) = (part.wet?, part.seen.filter(|seen| *seen > 0)?);
        Some(wet as f64 / seen as f64)
    };
    let columns = vec![
        Column::integer("code", "", "Code of the pool", rows.iter().map(|r| Some(i64::from(r.0))).collect()),
        Column::text("name", "Pool", words(rows, |r| class_name(layer, Some(r.0)))),
        Column::text("ground", "Where the ground lies", words(rows, |r| place(&r.1).to_string())),
        Column::real("lowest_m", "m", "Lowest ground of the bin", numbers(rows, |r| Some(r.1.low))),
        Column::real(
            "stands_at_m",
            "m",
            "Ground it stands for: the mean of the bin; beside the pool the lower tenth",
            numbers(rows, |r| Some(r.1.ground)),
        ),
        Column::real("highest_m", "m", "Highest ground of the bin", numbers(rows, |r| Some(r.1.high))),
        Column::integer("cells", "cells", "Cells", integer(&|r| Some(r.cells))),
        Column::integer(
            "months_seen",
            "cell-months",
            "Months seen, all cells together",
            integer(&|r| r.seen),
        ),
        Column::real("share_wet", "", "Share of them seen wet", numbers(rows, share)),
        Column::real("intercept", "logits", "a of the bin", numbers(rows, |r| Some(r.1.beta[0]))),
        Column::real(
            "slope_on_index",
            "logits per standard deviation",
            "b of the bin",
            numbers(rows, |r| Some(r.1.beta[1])),
        ),
        Column::real("season_sine", "logits", "c of the bin", numbers(rows, |r| Some(r.1.beta[2]))),
        Column::real("season_cosine", "logits", "d of the bin", numbers(rows, |r| Some(r.1.beta[3]))),
    ];
    (!rows.is_empty()).then(|| {
        table(
            "drawdown_curves",
            "Water against ground, pool by pool",
            "Under a fall of h metres a cell answers as ground h higher in its pool does now: the curve at its ground + h, minus the curve at its ground, is added to its own coefficients. \
             Pools that are not here follow a straight line (logits per metre). A curve is no better than the ground it stands on: look for bins that are wetter than the one below, and for one bin \
             that holds much of a pool, as where the ground under lasting water was never surveyed.",
            columns,
        )
    })
}

fn place(part: &Part) -> &'static str {
    match part {
        Part { beside: true, .. } => "beside the pool and never seen wet",
        Part { wet: Some(0), .. } => "in the pool and never seen wet",
        _ => "in the pool",
    }
}

/// Names the pools whose ground is in part a surface of water; none without one.
pub fn surface_warning(study: &Study, curves: &Curves) -> Option<String> {
    let layer = study.layer_with(Role::Pools);
    let of = |(code, flat): (&i32, &BTreeMap<i64, u64>)| {
        let cells: u64 = flat.values().sum();
        format!("{} ({cells} cells)", class_name(layer, Some(*code)))
    };
    let pools: Vec<String> = curves.surfaces.iter().map(of).collect();
    (!pools.is_empty()).then(|| {
        format!(
            "the ground of {} is in part as flat as a surface of water, where water lasts: the layer seems to show the water and not the bed. How far it is down to the bed is not known there, so a falling \
             water table is answered by a straight line, and what falls dry is a guess; a survey of the bed would tell",
            pools.join(", ")
        )
    })
}
