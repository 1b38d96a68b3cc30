//! What the page of a comparison shows.

use super::Compared;
use super::load::Loaded;
use super::words::inputs_in_words;
use lentic_report::{ChangesShown, ComparisonMap, ComparisonPage, ComparisonRecord, ScenarioAreas, Table};

/// Collects it.
pub fn page<'a>(
    record: &'a ComparisonRecord,
    first: &Loaded,
    compared: &[Compared<'_>],
    tables: &'a [Table],
) -> ComparisonPage<'a> {
    let [left, _, right, _] = first.record.grid.bounds;
    let mut maps = Vec::new();
    let mut changes = Vec::new();
    for one in compared {
        let (a, b) = (first.label, one.run.label);
        for cells in &one.scenarios {
            let [before, after] = cells.habitat_ha();
            maps.push(ComparisonMap {
                scenario: first.title(&cells.scenario),
                labels: [a, b],
                habitat_ha: [before, after],
                width: cells.width,
                height: cells.height,
                codes: cells.codes.clone(),
                differences: cells.differences.clone(),
            });
        }
        changes.push(ChangesShown {
            labels: [a, b],
            inputs: inputs_in_words(&one.changes.inputs),
            inputs_same: one.changes.inputs_same,
            settings: one.changes.settings.len(),
            program: one
                .changes
                .program
                .iter()
                .map(|change| {
                    let version = |of: &Option<String>| of.clone().unwrap_or_else(|| "none".into());
                    format!(
                        "{} {} in run {a}, {} in run {b}",
                        change.key,
                        version(&change.before),
                        version(&change.after)
                    )
                })
                .collect(),
        });
    }
    ComparisonPage {
        record,
        study: first.record.study.name.clone(),
        mark: mark(first, compared),
        ground_width_m: right - left,
        areas: areas(first, compared),
        maps,
        changes,
        tables,
    }
}

/// The mark of the first of the runs that tell exact places.
fn mark(first: &Loaded, compared: &[Compared<'_>]) -> String {
    let runs = std::iter::once(first).chain(compared.iter().map(|one| one.run));
    runs.map(|run| run.record.edition.mark.clone()).find(|mark| !mark.is_empty()).unwrap_or_default()
}

/// Habitat of the first run's scenarios in all runs.
fn areas(first: &Loaded, compared: &[Compared<'_>]) -> Vec<ScenarioAreas> {
    let runs = || std::iter::once(first).chain(compared.iter().map(|one| one.run));
    let of = |run: &Loaded, scenario: &str| {
        let row = run.row(scenario)?;
        let range = row.get("low_ha").zip(row.get("high_ha")).map(|(low, high)| [low, high]);
        Some((run.label, row.get("habitat_ha")?, range))
    };
    let one = |scenario: &str| ScenarioAreas {
        scenario: first.title(scenario),
        runs: runs().filter_map(|run| of(run, scenario)).collect(),
    };
    first.areas.iter().map(|row| one(&row.scenario)).collect()
}
