//! How much water brings back what scenarios lose.

use super::{class_name, numbers, table, words};
use crate::costs::Costs;
use crate::costs::supply::{Gains, PlaceGains};
use crate::stages::scenarios::Case;
use lentic_habitat::change::ha;
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::{Role, Supply};

/// Share of the lost habitat of a patch that is to come back.
const HALF: f64 = 0.5;
/// All of it, but for rounding of sums.
const ALL: f64 = 1.0 - 1e-12;

/// Name of the columns of steps.
fn name(supply: &Supply) -> &'static str {
    match supply {
        Supply::Rise(_) => "rise_m",
        Supply::Rain(_) => "precipitation_percent",
    }
}

/// What each patch needs, and what each zone gives back for its water; `None` where it is not asked for.
pub fn supplies(study: &Study, cases: &[Case], costs: &Costs) -> Option<[Table; 2]> {
    let supply = &study.water_requirement.as_ref()?.supply;
    Some([patches(study, supply, cases, costs), zones(study, supply, cases, costs)])
}

/// A step of supply by the position among the steps with the scenario itself.
fn step_at(supply: &Supply, at: Option<usize>) -> Option<f64> {
    supply.steps().get(at?.checked_sub(1)?).copied()
}

fn patches(study: &Study, supply: &Supply, cases: &[Case], costs: &Costs) -> Table {
    let of_case = |(case, gains): (&usize, &Gains)| {
        let name = cases[*case].name.clone();
        let places: Vec<(String, u32, PlaceGains)> =
            gains.patches.iter().map(|(patch, gains)| (name.clone(), *patch, gains.clone())).collect();
        places
    };
    let rows: Vec<(String, u32, PlaceGains)> = costs.supplies.iter().flat_map(of_case).collect();
    let with_depth = study.layer_with(Role::Depth).is_some();
    type Row = (String, u32, PlaceGains);
    let step = |row: &Row, share: f64| row.2.first_restoring(share);
    let water = |row: &Row, share: f64| step(row, share).and_then(|at| row.2.more_water(at));
    let restorable = |row: &Row| row.2.steps.last().map(|step| ha(&step.restored_by));
    let mut columns = vec![
        Column::text("scenario", "Scenario", words(&rows, |row| row.0.clone())),
        Column::integer(
            "patch",
            "",
            "Number in the baseline",
            rows.iter().map(|row| Some(i64::from(row.1))).collect(),
        ),
        Column::real("area_ha", "ha", "Area in the baseline", numbers(&rows, |row| Some(ha(&row.2.before)))),
        Column::real("lost_ha", "ha", "Lost in the scenario", numbers(&rows, |row| Some(ha(&row.2.lost)))),
        Column::real(
            "restorable_ha",
            "ha",
            "Lost habitat that comes back at some step, each cell at the least step that restores it",
            numbers(&rows, restorable),
        ),
        Column::real(
            &format!("half_{}", name(supply)),
            supply.unit(),
            "Least step by which half of what is lost has come back; empty where nothing is lost or no step is enough",
            numbers(&rows, |row| step_at(supply, step(row, HALF))),
        ),
        Column::real(
            &format!("all_{}", name(supply)),
            supply.unit(),
            "Least step by which every lost cell has come back; empty where nothing is lost or no step is enough",
            numbers(&rows, |row| step_at(supply, step(row, ALL))),
        ),
    ];
    if with_depth {
        let volume = |of: &str, share: f64| {
            let name = format!("{of}_volume_m3");
            let words = "Water that the patch holds more than in the scenario at that step, at a time when there is water";
            Column::real(&name, "m3", words, numbers(&rows, |row| water(row, share)))
        };
        columns.push(volume("half", HALF));
        columns.push(volume("all", ALL));
    }
    table(
        "water_requirement",
        "Water that brings back lost patches",
        "Steps of supply come on top of the scenario everywhere at once. A volume is the water standing more in the patch, not what must be let in to hold it there: seepage and evaporation are not in it. Before water is moved a licensed hydrologist must look at it.",
        columns,
    )
}

/// One zone at one step.
struct ZoneRow {
    scenario: String,
    zone: String,
    lost: f64,
    step: f64,
    restored: f64,
    volume: Option<f64>,
}

fn zones(study: &Study, supply: &Supply, cases: &[Case], costs: &Costs) -> Table {
    let layer = study.layer_with(Role::Zones);
    let with_depth = study.layer_with(Role::Depth).is_some();
    let mut rows: Vec<ZoneRow> = Vec::new();
    let mut ranks = Vec::new();
    for (case, gains) in &costs.supplies {
        let mut of_case = Vec::new();
        for (zone, gains) in gains.zones.iter().filter(|(_, gains)| ha(&gains.lost) > 0.0) {
            for (at, step) in supply.steps().iter().enumerate() {
                of_case.push(ZoneRow {
                    scenario: cases[*case].name.clone(),
                    zone: layer.map_or("whole study area".into(), |layer| class_name(Some(layer), *zone)),
                    lost: ha(&gains.lost),
                    step: *step,
                    restored: gains.steps.get(at + 1).map_or(f64::NAN, |step| ha(&step.restored)),
                    volume: gains.more_water(at + 1).filter(|_| with_depth),
                });
            }
        }
        // stable: of equals the first zone and the smallest step
        of_case.sort_by(|a, b| (b.restored / b.step).total_cmp(&(a.restored / a.step)));
        ranks.extend((1..=of_case.len()).map(|rank| Some(rank as i64)));
        rows.extend(of_case);
    }
    let per_unit = match supply {
        Supply::Rise(_) => ("ha_per_metre", "ha/m", "Hectares brought back per metre of rise"),
        Supply::Rain(_) => ("ha_per_percent", "ha/percent", "Hectares brought back per percent of rain"),
    };
    let mut columns = vec![
        Column::text("scenario", "Scenario", words(&rows, |row| row.scenario.clone())),
        Column::integer(
            "rank",
            "",
            "Within the scenario, by hectares brought back per unit of supply",
            ranks,
        ),
        Column::text("zone", "Zone", words(&rows, |row| row.zone.clone())),
        Column::real(name(supply), supply.unit(), "Step of supply", numbers(&rows, |row| Some(row.step))),
        Column::real(
            "lost_ha",
            "ha",
            "Habitat that the zone loses in the scenario",
            numbers(&rows, |row| Some(row.lost)),
        ),
        Column::real(
            "restored_ha",
            "ha",
            "The part of it that is habitat at this step",
            numbers(&rows, |row| Some(row.restored)),
        ),
        Column::real(per_unit.0, per_unit.1, per_unit.2, numbers(&rows, |row| Some(row.restored / row.step))),
    ];
    if with_depth {
        let per_volume = |row: &ZoneRow| row.volume.filter(|v| *v > 0.0).map(|v| 1000.0 * row.restored / v);
        columns.push(Column::real(
            "volume_m3",
            "m3",
            "Water that the zone holds more than in the scenario, at a time when there is water",
            numbers(&rows, |row| row.volume),
        ));
        columns.push(Column::real(
            "ha_per_1000_m3",
            "ha/1000 m3",
            "Hectares brought back per thousand cubic metres held",
            numbers(&rows, per_volume),
        ));
    }
    table(
        "what_water_where",
        "What water where brings back most habitat",
        "Every step of supply in every zone that loses habitat, ranked within a scenario. Steps come everywhere at once, so that a zone's gain may owe a little to its neighbours (distances and shares look across their borders). Volumes are water standing more, not water to be let in. Before water is \
         moved a licensed hydrologist must look at it.",
        columns,
    )
}
