//! Tables of habitat: areas, losses, patches.

use super::connection::{equivalent_ha, patch_columns};
use super::{class_name, numbers, role_word, table, words};
use crate::ranges::Ranges;
use crate::stages::connection::CaseConnection;
use crate::stages::patches::CasePatches;
use crate::stages::scenarios::Case;
use crate::stages::suitability::{ScenarioAreas, SuitabilityProducts, TABLE_ROLES};
use lentic_habitat::change::{Areas, ha};
use lentic_raster::{Grid, Point};
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::Role;

/// Share of the baseline habitat, percent, from which it is said that it was never seen dry (ours).
const PRIOR_ONLY: f64 = 50.0;

/// Habitat by scenario. Ranges are empty where the study asks for no members of uncertainty, the connected area where it asks
/// for no connection.
pub fn habitat_area(
    cases: &[Case],
    areas: &[ScenarioAreas],
    patches: &[CasePatches],
    connections: Option<&[CaseConnection]>,
    extrapolated: &[usize],
    ranges: Option<&Ranges>,
) -> Table {
    let rows: Vec<usize> = (0..cases.len()).collect();
    let of = |at: &usize| &areas[*at].whole;
    let range = |at: usize| ranges.and_then(|ranges| ranges.habitat_ha(at));
    let patch_ha =
        |at: &usize| -> f64 { patches[*at].patches.iter().map(|p| p.area_m2).sum::<f64>() / 10_000.0 };
    let count = |at: &usize| patches[*at].patches.len();
    table(
        "habitat_area",
        "Habitat area by scenario",
        "Over cells assessed in the baseline and in every scenario. baseline habitat = kept + lost; scenario habitat = kept + gained; degraded is part of kept. \
         Empty cells are not computed in this run.",
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is today",
                words(&rows, |at| cases[*at].name.clone()),
            ),
            Column::real("habitat_ha", "ha", "Habitat", numbers(&rows, |at| Some(of(at).habitat_ha()))),
            Column::real(
                "low_ha",
                "ha",
                "5th percentile over members of uncertainty; empty without [uncertainty]",
                numbers(&rows, |at| range(*at).map(|spread| spread.low)),
            ),
            Column::real(
                "high_ha",
                "ha",
                "95th percentile over members of uncertainty; empty without [uncertainty]",
                numbers(&rows, |at| range(*at).map(|spread| spread.high)),
            ),
            Column::real(
                "kept_ha",
                "ha",
                "Habitat in the baseline and here",
                numbers(&rows, |at| Some(of(at).kept_ha())),
            ),
            Column::real(
                "lost_ha",
                "ha",
                "Habitat in the baseline only",
                numbers(&rows, |at| Some(ha(&of(at).lost))),
            ),
            Column::real(
                "gained_ha",
                "ha",
                "Habitat here only",
                numbers(&rows, |at| Some(ha(&of(at).gained))),
            ),
            Column::real(
                "degraded_ha",
                "ha",
                "Kept, but suitability lower by 0.1 or more",
                numbers(&rows, |at| Some(ha(&of(at).degraded))),
            ),
            Column::real(
                "lost_percent",
                "percent",
                "Lost share of the baseline habitat",
                numbers(&rows, |at| of(at).lost_percent()),
            ),
            Column::real(
                "not_assessed_ha",
                "ha",
                "Study area left out of the comparison",
                numbers(&rows, |at| Some(ha(&of(at).not_assessed))),
            ),
            Column::integer(
                "patches",
                "",
                "Patches of at least the minimum area",
                rows.iter().map(|at| Some(count(at) as i64)).collect(),
            ),
            Column::real(
                "mean_patch_ha",
                "ha",
                "Mean patch area",
                numbers(&rows, |at| (count(at) > 0).then(|| patch_ha(at) / count(at) as f64)),
            ),
            Column::real(
                "equivalent_connected_area_ha",
                "ha",
                "Equivalent connected area: of the one patch that would hold together as well; empty without [patches.crossing]",
                numbers(&rows, |at| connections.map(|all| equivalent_ha(&all[*at]))),
            ),
            Column::real(
                "prior_only_ha",
                "ha",
                "Baseline habitat whose response rests on the prior only (never seen dry)",
                numbers(&rows, |at| Some(ha(&of(at).prior_only))),
            ),
            Column::integer(
                "extrapolated_months",
                "months",
                "Months whose drought index lies outside the reference record, the most of any climate",
                extrapolated.iter().map(|n| Some(*n as i64)).collect(),
            ),
        ],
    )
}

/// Says what share of the baseline habitat was never seen dry, where it is large.
pub fn prior_only_note(suitability: &SuitabilityProducts) -> Option<String> {
    let whole = &suitability.areas.first()?.whole;
    let percent = 100.0 * ha(&whole.prior_only) / whole.habitat_ha();
    (percent > PRIOR_ONLY).then(|| {
        format!("{percent:.0} % of the baseline habitat was never seen dry: when it would fall dry rests on what is known of other cells (prior_only_ha in the tables).")
    })
}

/// Habitat and loss by class, one table per role the study has.
pub fn loss_by_class(study: &Study, cases: &[Case], areas: &[ScenarioAreas]) -> Vec<Table> {
    let mut tables = Vec::new();
    for (at, role) in TABLE_ROLES.into_iter().enumerate() {
        let Some(layer) = study.layer_with(role) else { continue };
        let rows: Vec<(&str, Option<i32>, &Areas)> = cases
            .iter()
            .zip(areas)
            .flat_map(|(case, areas)| {
                // no class comes last
                let by = &areas.by[at].0;
                let named = by.iter().filter(|(code, _)| code.is_some());
                let unnamed = by.iter().filter(|(code, _)| code.is_none());
                named.chain(unnamed).map(|(code, areas)| (case.name.as_str(), *code, areas))
            })
            .collect();
        let word = role_word(role);
        let title = format!("Habitat and loss by {}", word.replace('_', " "));
        let real = |name: &str, description: &str, value: &dyn Fn(&Areas) -> f64| {
            Column::real(name, "ha", description, numbers(&rows, |row| Some(value(row.2))))
        };
        tables.push(table(
            &format!("habitat_loss_by_{word}"),
            &title,
            "Over cells assessed in the baseline and in every scenario; classes as they are today. degraded is part of kept.",
            vec![
                Column::text("scenario", "Scenario", words(&rows, |row| row.0.to_string())),
                Column::integer("code", "", "Class code; empty where no class is mapped", rows.iter().map(|row| row.1.map(i64::from)).collect()),
                Column::text("name", "Class", words(&rows, |row| class_name(Some(layer), row.1))),
                real("baseline_ha", "Habitat in the baseline", &Areas::baseline_ha),
                real("habitat_ha", "Habitat in the scenario", &Areas::habitat_ha),
                real("kept_ha", "Habitat in both", &Areas::kept_ha),
                real("degraded_ha", "Kept, but suitability lower by 0.1 or more", &|a| ha(&a.degraded)),
                real("lost_ha", "Habitat in the baseline only", &|a| ha(&a.lost)),
                real("gained_ha", "Habitat in the scenario only", &|a| ha(&a.gained)),
                Column::real("lost_percent", "percent", "Lost share of the baseline habitat", numbers(&rows, |row| row.2.lost_percent())),
                real("not_assessed_ha", "Area left out of the comparison", &|a| ha(&a.not_assessed)),
                real("prior_only_ha", "Baseline habitat whose response rests on the prior only", &|a| ha(&a.prior_only)),
            ],
        ));
    }
    tables
}

/// Patches of every case, with their part in the connection where that is computed.
pub fn patches(
    study: &Study,
    grid: &Grid,
    cases: &[Case],
    found: &[CasePatches],
    connections: Option<&[CaseConnection]>,
) -> Table {
    let rows: Vec<(&str, &CasePatches, usize)> = cases
        .iter()
        .zip(found)
        .flat_map(|(case, found)| (0..found.patches.len()).map(move |at| (case.name.as_str(), found, at)))
        .collect();
    let centre = |row: &(&str, &CasePatches, usize)| {
        let patch = &row.1.patches[row.2];
        Point { x: grid.left + patch.centre_col * grid.cell_m, y: grid.top - patch.centre_row * grid.cell_m }
    };
    let zones = study.layer_with(Role::Zones);
    let patch = |row: &(&str, &CasePatches, usize)| row.1.patches[row.2].clone();
    let mut all = table(
        "patches",
        "Patches of habitat",
        "Locations are sensitive: generalise before sharing. A patch that is cut touches ground that was not compared or the edge of the grid; its area is a lower bound, and perimeter and core do not count the side that is cut.",
        vec![
            Column::text("scenario", "Scenario", words(&rows, |row| row.0.to_string())),
            Column::integer(
                "patch",
                "",
                "Number within the scenario",
                rows.iter().map(|r| Some(i64::from(patch(r).number))).collect(),
            ),
            Column::real("area_ha", "ha", "Area", numbers(&rows, |r| Some(patch(r).area_m2 / 10_000.0))),
            Column::real(
                "core_ha",
                "ha",
                "Area farther than the edge depth from non-habitat",
                numbers(&rows, |r| r.1.core.as_ref().map(|c| c[r.2] / 10_000.0)),
            ),
            Column::real(
                "perimeter_m",
                "m",
                "Length of cell sides towards non-habitat",
                numbers(&rows, |r| Some(patch(r).sides as f64 * grid.cell_m)),
            ),
            Column::real(
                "mean_suitability",
                "",
                "Mean suitability",
                numbers(&rows, |r| Some(patch(r).suitability)),
            ),
            Column::real(
                "mean_hydroperiod_months",
                "months per year",
                "Mean hydroperiod",
                numbers(&rows, |r| Some(patch(r).hydroperiod)),
            ),
            Column::real(
                "centroid_x",
                "m",
                "Mean of cell centres, eastwards",
                numbers(&rows, |r| Some(centre(r).x)),
            ),
            Column::real(
                "centroid_y",
                "m",
                "Mean of cell centres, northwards",
                numbers(&rows, |r| Some(centre(r).y)),
            ),
            Column::text(
                "zone",
                "Zone with most of its cells",
                rows.iter().map(|r| patch(r).zone.map(|z| class_name(zones, Some(z.0)))).collect(),
            ),
            Column::real(
                "zone_share",
                "",
                "Share of its cells in that zone",
                numbers(&rows, |r| patch(r).zone.map(|z| z.1)),
            ),
            Column::real(
                "nearest_neighbour_m",
                "m",
                "Distance to the nearest other patch, cell centre to cell centre",
                numbers(&rows, |r| r.1.nearest[r.2]),
            ),
            Column::text(
                "cut",
                "yes if it touches ground not compared",
                words(&rows, |r| if patch(r).cut { "yes" } else { "no" }.to_string()),
            ),
        ],
    );
    all.columns.extend(connections.into_iter().flat_map(patch_columns));
    all
}

/// Baseline habitat by observed against modelled hydroperiod.
pub fn baseline_check(products: &SuitabilityProducts) -> Table {
    let check = &products.check;
    let rows = [
        ("by both", ha(&check.both)),
        ("by observed hydroperiod only", ha(&check.observed_only)),
        ("by modelled hydroperiod only", ha(&check.modelled_only)),
    ];
    table(
        "baseline_check",
        "Baseline habitat by observed and by modelled hydroperiod",
        "Scenarios are compared with the modelled baseline; where the two differ, a change of the model is not a change of the wetland.",
        vec![
            Column::text("habitat", "Which hydroperiod makes it habitat", words(&rows, |r| r.0.to_string())),
            Column::real("area_ha", "ha", "Area", numbers(&rows, |r| Some(r.1))),
        ],
    )
}

/// Share of baseline habitat (either way) on which observed and modelled disagree, percent.
pub fn disagreement_percent(products: &SuitabilityProducts) -> Option<f64> {
    let check = &products.check;
    let apart = ha(&check.observed_only) + ha(&check.modelled_only);
    let larger = ha(&check.both) + ha(&check.observed_only).max(ha(&check.modelled_only));
    (larger > 0.0).then(|| 100.0 * apart / larger)
}
