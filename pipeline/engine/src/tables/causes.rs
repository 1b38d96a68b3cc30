//! Loss by cause, and refuges.

use super::{class_name, numbers, table, words};
use crate::costs::Costs;
use crate::costs::causes::{ABSTRACTION, BOTH, CLIMATE, Losses, WHOLE};
use crate::costs::refuges::Refuges;
use crate::stages::connection::CaseConnection;
use crate::stages::scenarios::Case;
use crate::tables::costs::{margin_words, step_name};
use lentic_habitat::change::ha;
use lentic_habitat::patches::Patch;
use lentic_raster::{Grid, Point};
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::Role;

/// Loss by climate alone, by the fall of the water table alone and by both; none without a scenario that has both.
pub fn causes(cases: &[Case], costs: &Costs) -> Option<Table> {
    let rows: Vec<(&str, &Losses)> =
        costs.causes.iter().map(|(case, losses)| (cases[*case].name.as_str(), losses)).collect();
    if rows.is_empty() {
        return None;
    }
    let real = |name: &str, description: &str, value: &dyn Fn(&Losses) -> f64| {
        Column::real(name, "ha", description, numbers(&rows, |row| Some(value(row.1))))
    };
    let lost = |losses: &Losses, step: usize| ha(&losses.lost[step]);
    Some(table(
        "loss_attribution",
        "Loss by climate and by abstraction",
        "Today's habitat lost where only the change of climate comes about, only the fall of the water table, and both, on the land as it is today. Where the same ground is lost by either, both lose less than \
         the sum: the interaction is below 0; where it takes both, it is above.",
        vec![
            Column::text("scenario", "Scenario", words(&rows, |row| row.0.to_string())),
            real("climate_ha", "Lost by the change of climate alone", &|l| lost(l, CLIMATE)),
            real("abstraction_ha", "Lost by the fall of the water table alone", &|l| lost(l, ABSTRACTION)),
            real("both_ha", "Lost by both together", &|l| lost(l, BOTH)),
            real("interaction_ha", "both - climate - abstraction", &|l| {
                lost(l, BOTH) - lost(l, CLIMATE) - lost(l, ABSTRACTION)
            }),
            real(
                "only_climate_ha",
                "Of what both lose: climate alone is enough, abstraction alone is not",
                &|l| ha(&l.climate_only),
            ),
            real(
                "only_abstraction_ha",
                "Of what both lose: abstraction alone is enough, climate alone is not",
                &|l| ha(&l.abstraction_only),
            ),
            real("either_ha", "Of what both lose: either alone is enough", &|l| ha(&l.either)),
            real("only_together_ha", "Of what both lose: neither alone is enough", &|l| ha(&l.together)),
            real("scenario_ha", "Lost in the scenario with all else that it changes", &|l| lost(l, WHOLE)),
        ],
    ))
}

/// Refuges, the largest first.
pub fn refuges(
    study: &Study,
    grid: &Grid,
    refuges: &Refuges,
    margins: Option<&[Option<usize>]>,
    connection: Option<&CaseConnection>,
) -> Table {
    let mut rows: Vec<&Patch> = refuges.patches.patches.iter().collect();
    rows.sort_by(|a, b| b.area_m2.total_cmp(&a.area_m2).then(a.number.cmp(&b.number)));
    let zones = study.layer_with(Role::Zones);
    let centre = |patch: &Patch| Point {
        x: grid.left + patch.centre_col * grid.cell_m,
        y: grid.top - patch.centre_row * grid.cell_m,
    };
    let columns = vec![
        Column::integer(
            "rank",
            "",
            "By area, the largest first",
            (1..=rows.len()).map(|n| Some(n as i64)).collect(),
        ),
        Column::integer(
            "refuge",
            "",
            "Number, by first cell in reading order",
            rows.iter().map(|patch| Some(i64::from(patch.number))).collect(),
        ),
        Column::real("area_ha", "ha", "Area", numbers(&rows, |patch| Some(patch.area_m2 / 10_000.0))),
        Column::real(
            "mean_lowest_suitability",
            "",
            "Mean over its cells of the lowest suitability in the baseline and all scenarios",
            numbers(&rows, |patch| Some(patch.suitability)),
        ),
        Column::real(
            "mean_hydroperiod_months",
            "months per year",
            "Mean hydroperiod of the baseline",
            numbers(&rows, |patch| Some(patch.hydroperiod)),
        ),
        Column::text(
            "zone",
            "Zone with most of its cells",
            rows.iter().map(|patch| patch.zone.map(|zone| class_name(zones, Some(zone.0)))).collect(),
        ),
        Column::real(
            "centroid_x",
            "m",
            "Mean of cell centres, eastwards",
            numbers(&rows, |p| Some(centre(p).x)),
        ),
        Column::real(
            "centroid_y",
            "m",
            "Mean of cell centres, northwards",
            numbers(&rows, |p| Some(centre(p).y)),
        ),
        Column::text(
            "cut",
            "yes if it touches ground not compared",
            words(&rows, |patch| if patch.cut { "yes" } else { "no" }.to_string()),
        ),
    ];
    let mut columns = columns;
    if let (Some(drying), Some(margins)) = (&study.drying_ladder, margins) {
        let step = |patch: &Patch| margins.get(patch.number as usize - 1).copied().flatten();
        let of_step = |patch: &Patch| step(patch).and_then(|step| drying.steps().get(step)).copied();
        columns.push(Column::real(
            step_name(drying),
            drying.unit(),
            "First step of drying at which less than half of its cells have never failed; empty where more have not at the last",
            numbers(&rows, |patch| of_step(patch)),
        ));
        columns.push(Column::text(
            "margin",
            "The same in words",
            words(&rows, |patch| margin_words(drying, step(patch))),
        ));
    }
    if let Some(found) = connection {
        let share = |patch: &Patch| found.connection.shares.get(patch.number as usize - 1);
        columns.push(Column::real(
            "share_by_removal_percent",
            "percent",
            "Share of the connection of all refuges, over the land of today, that would go with it",
            numbers(&rows, |patch| share(patch).map(|share| share.by_removal())),
        ));
    }
    table(
        "refuges",
        "Refuges: habitat today and in every scenario",
        "Patches of the cells that are habitat in the baseline and in all scenarios of this study, of at least the minimum area. Another scenario may leave less. Locations are sensitive: generalise before sharing.",
        columns,
    )
}
