//! Water held by pools.

use super::{class_name, numbers, table, words};
use crate::stages::scenarios::Case;
use crate::stages::volume::CaseVolumes;
use lentic_habitat::volume::Volume;
use lentic_report::{Column, Table};
use lentic_study::settings::Role;

/// Volume, wet area and mean depth by scenario and pool.
pub fn volume(cases: &[Case], volumes: &CaseVolumes) -> Table {
    let baseline = &volumes.by_case[0];
    // ground in no pool is only told of where it holds water in some case; it comes last
    let holds = |code: &Option<i32>| {
        let volume = |case: &lentic_habitat::volume::Volumes| case.0.get(code).map_or(0.0, Volume::volume_m3);
        volumes.by_case.iter().any(|case| volume(case) > 0.0)
    };
    let mut codes: Vec<Option<i32>> = baseline.0.keys().copied().filter(Option::is_some).collect();
    codes.extend([None].into_iter().filter(|none| volumes.layer.is_none() || holds(none)));
    let rows: Vec<(usize, Option<i32>)> =
        (0..cases.len()).flat_map(|case| codes.iter().map(move |code| (case, *code))).collect();
    let of = |row: &(usize, Option<i32>)| volumes.by_case[row.0].0.get(&row.1).copied().unwrap_or_default();
    let (what, name) = match volumes.layer {
        Some(layer) if layer.role == Some(Role::Pools) => ("pool", "Pool"),
        Some(_) => ("zone", "Zone"),
        None => ("study area", "Study area"),
    };
    table(
        "volume",
        &format!("Water by {what}"),
        "Depth times area, over cells inside the study area whose depth and hydroperiod are known in every scenario; a cell holds water where its hydroperiod is above 0. Depths are \
         those usual while there is water, lowered by the fall of the water level; a rise never deepens.",
        vec![
            Column::text("scenario", "Scenario", words(&rows, |row| cases[row.0].name.clone())),
            Column::integer(
                "code",
                "",
                "Class code; empty where there is none",
                rows.iter().map(|row| row.1.map(i64::from)).collect(),
            ),
            Column::text(
                "name",
                name,
                words(&rows, |row| match volumes.layer {
                    None => "whole study area".into(),
                    layer => class_name(layer, row.1),
                }),
            ),
            Column::real("volume_m3", "m3", "Volume", numbers(&rows, |row| Some(of(row).volume_m3()))),
            Column::real(
                "volume_share",
                "",
                "Volume as a share of the baseline's",
                numbers(&rows, |row| volumes.by_case[row.0].share_of(baseline, row.1)),
            ),
            Column::real(
                "mean_depth_m",
                "m",
                "Mean depth where there is water",
                numbers(&rows, |row| of(row).mean_depth_m()),
            ),
            Column::real(
                "wet_area_ha",
                "ha",
                "Area that holds water",
                numbers(&rows, |row| Some(of(row).wet_area_m2() / 10_000.0)),
            ),
        ],
    )
}
