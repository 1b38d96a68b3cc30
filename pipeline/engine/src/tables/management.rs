//! Table of what management saves.

use super::{numbers, table, words};
use crate::costs::management::Saving;
use crate::stages::scenarios::Case;
use crate::stages::volume::CaseVolumes;
use lentic_habitat::change::ha;
use lentic_habitat::volume::Volume;
use lentic_report::{Column, Table};

/// Rain of a case less than of another, percent of today's, mean over the calendar months.
fn more_rain(case: &Case, other: &Case) -> f64 {
    let of = |case: &Case| case.scenario.map_or(1.0, |s| s.precipitation_factor.iter().sum::<f64>() / 12.0);
    100.0 * (of(case) - of(other))
}

/// What each scenario of management saves, most per unit of what it does first within the scenario it answers; `None` without any.
pub fn management(cases: &[Case], savings: &[Saving], volumes: Option<&CaseVolumes>) -> Option<Table> {
    if savings.is_empty() {
        return None;
    }
    let net = |saving: &Saving| ha(&saving.saved) - ha(&saving.given_up);
    let mut rows: Vec<&Saving> = savings.iter().collect();
    // stable: of equals the first of the study
    rows.sort_by(|a, b| a.instead_of.cmp(&b.instead_of).then(net(b).total_cmp(&net(a))));
    let mut rank = 0;
    let mut last = None;
    let ranks = rows.iter().map(|row| {
        rank = if last == Some(row.instead_of) { rank + 1 } else { 1 };
        last = Some(row.instead_of);
        Some(rank)
    });
    let ranks: Vec<Option<i64>> = ranks.collect();
    let name = |case: usize| cases[case].name.clone();
    let rain = |row: &Saving| more_rain(&cases[row.case], &cases[row.instead_of]);
    let rain_differs = rows.iter().any(|row| rain(row).abs() > 1e-9);
    let per = |amount: Option<f64>, row: &Saving| {
        amount.filter(|amount| amount.abs() > 1e-9).map(|amount| net(row) / amount)
    };
    let held = |case: usize| {
        let volumes = volumes?.by_case.get(case)?;
        Some(volumes.0.values().map(Volume::volume_m3).sum::<f64>())
    };
    let water = |row: &Saving| Some(held(row.case)? - held(row.instead_of)?);
    let mut columns = vec![
        Column::text("instead_of", "The scenario it answers", words(&rows, |row| name(row.instead_of))),
        Column::integer(
            "rank",
            "",
            "Among those that answer the same scenario, by net hectares saved",
            ranks,
        ),
        Column::text("scenario", "Scenario of management", words(&rows, |row| name(row.case))),
        Column::real(
            "saved_ha",
            "ha",
            "Habitat here that is none in the scenario it answers",
            numbers(&rows, |row| Some(ha(&row.saved))),
        ),
        Column::real(
            "given_up_ha",
            "ha",
            "Habitat there that is none here",
            numbers(&rows, |row| Some(ha(&row.given_up))),
        ),
        Column::real("net_ha", "ha", "Saved less given up", numbers(&rows, |row| Some(net(row)))),
        Column::real(
            "moved_ha",
            "ha",
            "Compared ground on which the water table stands elsewhere",
            numbers(&rows, |row| Some(ha(&row.moved))),
        ),
        Column::real(
            "rise_m",
            "m",
            "Mean rise of the water table over that ground",
            numbers(&rows, |row| row.rise_m()),
        ),
        Column::real(
            "net_ha_per_metre",
            "ha/m",
            "Net hectares for each metre of that rise",
            numbers(&rows, |row| per(row.rise_m(), row)),
        ),
    ];
    if rain_differs {
        columns.push(Column::real(
            "precipitation_percent",
            "percent",
            "More rain, percent of today's",
            numbers(&rows, |row| Some(rain(row))),
        ));
        columns.push(Column::real(
            "net_ha_per_percent",
            "ha/percent",
            "Net hectares for each percent of rain",
            numbers(&rows, |row| per(Some(rain(row)), row)),
        ));
    }
    if volumes.is_some() {
        columns.push(Column::real(
            "volume_m3",
            "m3",
            "Water held more, at a time when there is water",
            numbers(&rows, |row| water(row)),
        ));
        let per_volume =
            |row: &Saving| water(row).filter(|water| *water > 0.0).map(|water| 1000.0 * net(row) / water);
        columns.push(Column::real(
            "net_ha_per_1000_m3",
            "ha/1000 m3",
            "Net hectares for each thousand cubic metres held",
            numbers(&rows, |row| per_volume(row)),
        ));
    }
    Some(table(
        "management",
        "What management saves",
        "Each scenario with instead_of beside the scenario it answers, cell by cell over the compared cells. Volumes are water standing more, not water to be let in: what seeps and evaporates is not in them. Before water is moved a licensed hydrologist must look at it.",
        columns,
    ))
}
