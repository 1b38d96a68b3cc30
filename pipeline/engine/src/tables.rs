//! The tables of a run, from what the stages left.

use crate::stages::patches::CasePatches;
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use crate::stages::suitability::{ScenarioAreas, SuitabilityProducts, TABLE_ROLES};
use lentic_habitat::change::{Areas, ha};
use lentic_habitat::climate::{ClimateModel, MonthIndex};
use lentic_habitat::drawdown::{Lines, Source};
use lentic_habitat::response::Groups;
use lentic_numerics::drought_events::{Event, events, interarrival, wetness_class};
use lentic_raster::{Grid, Point};
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::{Driver, Layer, Role};
use std::collections::BTreeMap;

fn table(name: &str, title: &str, note: &str, columns: Vec<Column>) -> Table {
    Table { name: name.into(), title: title.into(), note: note.into(), columns }
}

fn words<T>(rows: &[T], value: impl Fn(&T) -> String) -> Vec<Option<String>> {
    rows.iter().map(|row| Some(value(row))).collect()
}

fn numbers<T>(rows: &[T], value: impl Fn(&T) -> Option<f64>) -> Vec<Option<f64>> {
    rows.iter().map(value).collect()
}

/// What each word for a file of tables by role is.
pub fn role_word(role: Role) -> &'static str {
    match role {
        Role::Zones => "zone",
        Role::WetlandClass => "wetland_class",
        _ => "land_cover",
    }
}

/// Name of a class code: the legend's, else the code.
pub fn class_name(layer: Option<&Layer>, code: Option<i32>) -> String {
    let Some(code) = code else { return "none".into() };
    let legend = layer.and_then(|layer| layer.legend.as_ref());
    legend.and_then(|l| l.classes.get(&code)).map_or_else(|| code.to_string(), |c| c.name.clone())
}

/// Habitat by scenario. Ranges are empty until members of uncertainty are computed, the
/// connected area until connection is.
pub fn habitat_area(
    cases: &[Case],
    areas: &[ScenarioAreas],
    patches: &[CasePatches],
    extrapolated: &[usize],
) -> Table {
    let rows: Vec<usize> = (0..cases.len()).collect();
    let of = |at: &usize| &areas[*at].whole;
    let none = |_: &usize| None;
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
            Column::real("low_ha", "ha", "5 % of members", numbers(&rows, none)),
            Column::real("high_ha", "ha", "95 % of members", numbers(&rows, none)),
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
                "Equivalent connected area",
                numbers(&rows, none),
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
                "Months whose drought index lies outside the reference record",
                extrapolated.iter().map(|n| Some(*n as i64)).collect(),
            ),
        ],
    )
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

/// Patches of every case.
pub fn patches(study: &Study, grid: &Grid, cases: &[Case], found: &[CasePatches]) -> Table {
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
    table(
        "patches",
        "Patches of habitat",
        "Locations are sensitive: generalise before sharing. A patch that is cut touches ground that was not compared or the edge of the grid; its area and perimeter are lower bounds.",
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
    )
}

/// The index month by month: the record and every scenario.
pub fn drought_index(months: &[(String, Vec<MonthIndex>)]) -> Table {
    let rows: Vec<(&str, &MonthIndex)> =
        months.iter().flat_map(|(name, months)| months.iter().map(|m| (name.as_str(), m))).collect();
    table(
        "drought_index",
        "Drought index by month",
        "The scenario's months are the record's, changed, and read by the parameters of the reference period. Classes of WMO-No. 1090.",
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is the record",
                words(&rows, |row| row.0.to_string()),
            ),
            Column::text("month", "Month", words(&rows, |row| row.1.month.to_string())),
            Column::real(
                "sum_mm",
                "mm",
                "Balance summed over the index's months",
                numbers(&rows, |row| row.1.sum),
            ),
            Column::real(
                "index",
                "standard deviations",
                "Index, limited to -3.5 to 3.5",
                numbers(&rows, |row| row.1.shown),
            ),
            Column::text(
                "limited",
                "yes if the index was limited",
                words(&rows, |row| if row.1.limited { "yes" } else { "no" }.to_string()),
            ),
            Column::real(
                "response_index",
                "standard deviations",
                "Index used by the response, continued beyond -2.5 and 2.5",
                numbers(&rows, |row| row.1.z),
            ),
            Column::text(
                "class",
                "Class of the index",
                rows.iter().map(|row| row.1.shown.map(|i| wetness_class(i).name().to_string())).collect(),
            ),
        ],
    )
}

/// Drought events of a series of months.
pub fn events_of(months: &[MonthIndex]) -> Vec<Event> {
    let index: Vec<Option<f64>> = months.iter().map(|m| m.shown).collect();
    events(&index)
}

/// Droughts of the record and of every scenario.
pub fn drought_events(months: &[(String, Vec<MonthIndex>)]) -> Table {
    let mut rows = Vec::new();
    for (name, months) in months {
        let found = events_of(months);
        let between = interarrival(&found);
        for (at, event) in found.iter().enumerate() {
            let since = at.checked_sub(1).and_then(|b| between.get(b)).map(|n| *n as f64);
            let first = months[event.start].month;
            let last = months[event.end - 1].month;
            rows.push((name.clone(), first, last, event.clone(), since));
        }
    }
    table(
        "drought_events",
        "Droughts",
        "Run theory (Yevjevich 1967): -1 or less opens a drought, 0 or more closes it, and it reaches back to where the index fell below 0.",
        vec![
            Column::text("scenario", "Scenario; baseline is the record", words(&rows, |r| r.0.clone())),
            Column::text("first_month", "First month below 0", words(&rows, |r| r.1.to_string())),
            Column::text("last_month", "Last month below 0", words(&rows, |r| r.2.to_string())),
            Column::integer(
                "duration_months",
                "months",
                "Length",
                rows.iter().map(|r| Some(r.3.duration as i64)).collect(),
            ),
            Column::real(
                "severity",
                "standard deviations x months",
                "Sum of the index below 0, as a positive number",
                numbers(&rows, |r| Some(r.3.severity)),
            ),
            Column::real(
                "intensity",
                "standard deviations",
                "Severity by duration",
                numbers(&rows, |r| Some(r.3.intensity)),
            ),
            Column::real("peak", "standard deviations", "Lowest index", numbers(&rows, |r| Some(r.3.peak))),
            Column::real(
                "since_previous_months",
                "months",
                "From the start of the drought before",
                numbers(&rows, |r| r.4),
            ),
            Column::text(
                "open_ended",
                "yes if the record ends within it",
                words(&rows, |r| if r.3.open_ended { "yes" } else { "no" }.to_string()),
            ),
        ],
    )
}

/// How the response was fitted, group by group.
pub fn inundation_fit(study: &Study, groups: &Groups, response: &ResponseProducts, lines: &Lines) -> Table {
    let layer = study.inundation.groups.as_ref().and_then(|name| study.layer(name));
    let mut codes: BTreeMap<Option<i32>, ()> = response.counts.keys().map(|code| (*code, ())).collect();
    codes.extend(groups.iter().map(|(code, _)| (code, ())));
    let rows: Vec<Option<i32>> = codes.into_keys().collect();
    let count = |code: &Option<i32>| response.counts.get(code).copied().unwrap_or_default();
    let factor = |code: &Option<i32>| lines.of(None, *code);
    let integer = |value: &dyn Fn(&Option<i32>) -> u64| rows.iter().map(|c| Some(value(c) as i64)).collect();
    let cells =
        |code: &Option<i32>| groups.iter().find(|(c, _)| c == code).map_or(0, |(_, f)| f.cells as u64);
    let index_used = study.inundation.driver == Driver::Index;
    table(
        "inundation_fit",
        "Response of water by wetland class",
        "logit p = a + b z + c sin(2 pi m/12) + d cos(2 pi m/12). Slopes are medians of fits of single cells; water that ignores rain has b near 0.",
        vec![
            Column::integer(
                "code",
                "",
                "Class code; empty for cells without a class",
                rows.iter().map(|c| c.map(i64::from)).collect(),
            ),
            Column::text(
                "name",
                "Response group",
                words(&rows, |c| if layer.is_none() { "all cells".into() } else { class_name(layer, *c) }),
            ),
            Column::integer(
                "cells_fitted",
                "cells",
                "Cells with water fitted, inside the study area",
                integer(&|c| count(c).fitted),
            ),
            Column::integer(
                "prior_cells",
                "cells",
                "Cells wet in 10 to 90 % of their months behind the priors",
                integer(&cells),
            ),
            Column::text(
                "prior_of",
                "own, or all where the group is too small",
                words(&rows, |c| if groups.of(*c).own { "own" } else { "all" }.to_string()),
            ),
            Column::real(
                "slope_on_index",
                "logits per standard deviation",
                "Prior mean of b",
                numbers(&rows, |c| index_used.then(|| groups.of(*c).mean[1])),
            ),
            Column::real(
                "season_sine",
                "logits",
                "Prior mean of c",
                numbers(&rows, |c| Some(groups.of(*c).mean[2])),
            ),
            Column::real(
                "season_cosine",
                "logits",
                "Prior mean of d",
                numbers(&rows, |c| Some(groups.of(*c).mean[3])),
            ),
            Column::real(
                "residual_autocorrelation",
                "",
                "Sum of residual autocorrelations",
                numbers(&rows, |c| Some(groups.of(*c).autocorrelation)),
            ),
            Column::real(
                "likelihood_weight",
                "",
                "Weight of the months for their dependence",
                numbers(&rows, |c| Some(groups.of(*c).weight)),
            ),
            Column::integer(
                "slope_held_at_zero",
                "cells",
                "Cells whose slope would have been below 0",
                integer(&|c| count(c).held),
            ),
            Column::integer(
                "prior_only",
                "cells",
                "Cells never seen dry: response from prior only",
                integer(&|c| count(c).prior_only),
            ),
            Column::real(
                "logits_per_metre",
                "logits per metre",
                "How water follows its table, in pools without a line of their own",
                numbers(&rows, |c| factor(c).map(|f| f.g)),
            ),
            Column::text(
                "logits_per_metre_from",
                "Where that comes from",
                rows.iter().map(|c| factor(c).map(|f| source_word(f.source).to_string())).collect(),
            ),
        ],
    )
}

fn source_word(source: Source) -> &'static str {
    match source {
        Source::Pool => "pool",
        Source::Group => "own cells",
        Source::Study => "study file",
        Source::All => "all pools",
    }
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

/// Cells that could not be fully answered, by scenario, as sentences.
pub fn held_notes(cases: &[Case], water: &[CaseWater]) -> Vec<String> {
    let mut notes = Vec::new();
    for (case, water) in cases.iter().zip(water) {
        if water.depth_held > 0 {
            notes.push(format!(
                "scenario \"{}\": depth not changed in {} wet cells, for it is not known how their water follows its table",
                case.name, water.depth_held
            ));
        }
        if water.rise_unknown > 0 {
            notes.push(format!(
                "scenario \"{}\": {} cells never seen wet stay dry under a rise of the water table, for lack of ground elevation or of a line to place them on",
                case.name, water.rise_unknown
            ));
        }
    }
    notes
}

/// The index of every case over its months: the whole record for the baseline, the baseline months for
/// scenarios that change climate.
pub fn index_months(
    model: &ClimateModel,
    cases: &[Case],
    shift_of: impl Fn(&Case) -> Option<lentic_habitat::climate::Shift>,
) -> Vec<(String, Vec<MonthIndex>)> {
    cases
        .iter()
        .filter_map(|case| shift_of(case).map(|shift| (case.name.clone(), model.months(&shift))))
        .collect()
}
