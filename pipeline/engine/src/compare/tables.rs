//! The tables of a comparison.

use super::Compared;
use super::cells::{BOTH, FIRST, NEITHER, OTHER};
use super::changes::{KeyChange, parts};
use super::load::Loaded;
use lentic_report::{Column, Input, Table};

/// All of them, in the order of the page.
pub fn all(first: &Loaded, compared: &[Compared<'_>]) -> Vec<Table> {
    vec![
        areas(first, compared),
        changed_cells(compared),
        inputs(compared),
        keys(
            "settings_changed",
            "Settings that changed",
            "Keys of the study file by their path; entries of lists go by their name.",
            compared,
            |one| &one.changes.settings,
        ),
        programs(first, compared),
    ]
}

fn words<T>(rows: &[T], value: impl Fn(&T) -> Option<String>) -> Vec<Option<String>> {
    rows.iter().map(value).collect()
}

/// Habitat and loss of every run side by side.
fn areas(first: &Loaded, compared: &[Compared<'_>]) -> Table {
    let runs: Vec<&Loaded> = std::iter::once(first).chain(compared.iter().map(|one| one.run)).collect();
    // all runs of a scenario together, scenarios as in the first run, then those it has not
    let mut names: Vec<&str> = Vec::new();
    for name in runs.iter().flat_map(|run| run.areas.iter().map(|row| row.scenario.as_str())) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let rows: Vec<(&str, &Loaded)> = names
        .iter()
        .flat_map(|name| runs.iter().filter(|run| run.row(name).is_some()).map(|run| (*name, *run)))
        .collect();
    let of = |row: &(&str, &Loaded), column: &str| row.1.row(row.0).and_then(|areas| areas.get(column));
    let against = |row: &(&str, &Loaded), column: &str| {
        let before = first.row(row.0)?.get(column)?;
        Some((before, of(row, column)?)).filter(|_| row.1.label != first.label)
    };
    let number =
        |name: &str, unit: &str, description: &str, value: &dyn Fn(&(&str, &Loaded)) -> Option<f64>| {
            Column::real(name, unit, description, rows.iter().map(value).collect())
        };
    Table {
        name: "areas_of_runs".into(),
        title: "Habitat and loss of the runs side by side".into(),
        note: "As each run's own table habitat_area has them. Empty cells are not computed in that run, or have nothing to be compared with.".into(),
        columns: vec![
            Column::text("scenario", "Scenario; baseline is today", words(&rows, |r| Some(r.0.to_string()))),
            Column::text("run", "Letter of the run", words(&rows, |r| Some(r.1.label.to_string()))),
            Column::text("run_id", "Identifier of the run", words(&rows, |r| Some(r.1.record.run_id.clone()))),
            number("habitat_ha", "ha", "Habitat", &|r| of(r, "habitat_ha")),
            number("low_ha", "ha", "5th percentile of the habitat over members of uncertainty", &|r| of(r, "low_ha")),
            number("high_ha", "ha", "95th percentile of the habitat over members of uncertainty", &|r| of(r, "high_ha")),
            number("difference_ha", "ha", "Habitat of this run minus that of the first", &|r| {
                against(r, "habitat_ha").map(|(before, after)| after - before)
            }),
            number("difference_percent", "percent", "The same as a share of the first run's; empty where that is 0", &|r| {
                against(r, "habitat_ha").filter(|(before, _)| *before > 0.0).map(|(before, after)| 100.0 * (after - before) / before)
            }),
            number("lost_ha", "ha", "Habitat of the run's baseline that is lost in the scenario", &|r| of(r, "lost_ha")),
            number("lost_percent", "percent", "The same as a share of the run's baseline habitat", &|r| of(r, "lost_percent")),
            number("lost_difference_ha", "ha", "Lost habitat of this run minus that of the first", &|r| {
                against(r, "lost_ha").map(|(before, after)| after - before)
            }),
            number("not_assessed_ha", "ha", "Study area that the run left out of its comparison", &|r| of(r, "not_assessed_ha")),
        ],
    }
}

/// Habitat in which run, by area.
fn changed_cells(compared: &[Compared<'_>]) -> Table {
    let rows: Vec<(&Loaded, &super::cells::ScenarioCells)> =
        compared.iter().flat_map(|one| one.scenarios.iter().map(move |cells| (one.run, cells))).collect();
    let area = |name: &str, description: &str, code: u8| {
        Column::real(name, "ha", description, rows.iter().map(|row| Some(row.1.ha(code))).collect())
    };
    Table {
        name: "changed_cells".into(),
        title: "Ground that is habitat in one run only".into(),
        note: "Over cells that both runs assessed; maps of them are in the folder rasters.".into(),
        columns: vec![
            Column::text(
                "scenario",
                "Scenario; baseline is today",
                words(&rows, |r| Some(r.1.scenario.clone())),
            ),
            Column::text(
                "run",
                "Letter of the run compared with the first",
                words(&rows, |r| Some(r.0.label.to_string())),
            ),
            area("both_ha", "Habitat in both runs", BOTH),
            area("first_only_ha", "Habitat in the first run only", FIRST),
            area("this_only_ha", "Habitat in this run only", OTHER),
            area("neither_ha", "Habitat in neither", NEITHER),
            Column::real(
                "first_alone_assessed_ha",
                "ha",
                "Ground that only the first run assessed",
                rows.iter().map(|row| Some(row.1.assessed_alone_ha()[0])).collect(),
            ),
            Column::real(
                "this_alone_assessed_ha",
                "ha",
                "Ground that only this run assessed",
                rows.iter().map(|row| Some(row.1.assessed_alone_ha()[1])).collect(),
            ),
            Column::real(
                "mean_difference",
                "",
                "Mean by area of the suitability of this run minus that of the first",
                rows.iter().map(|row| row.1.mean_difference()).collect(),
            ),
        ],
    }
}

fn inputs(compared: &[Compared<'_>]) -> Table {
    let rows: Vec<_> = compared
        .iter()
        .flat_map(|one| one.changes.inputs.iter().map(move |change| (one.run, change)))
        .collect();
    let bytes = |input: &Option<Input>| input.as_ref().map(|input| input.bytes as i64);
    let digest = |input: &Option<Input>| input.as_ref().map(Input::content);
    let file = |input: &Option<Input>| input.as_ref().map(|input| input.file.clone());
    Table {
        name: "inputs_changed".into(),
        title: "Inputs that changed".into(),
        note: "By their checksums. An input not named here is the same in both runs.".into(),
        columns: vec![
            Column::text(
                "run",
                "Letter of the run compared with the first",
                words(&rows, |r| Some(r.0.label.to_string())),
            ),
            Column::text("layer", "Layer or table it serves", words(&rows, |r| Some(r.1.layer.clone()))),
            Column::text(
                "change",
                "added, gone, changed, or renamed (the same content under another name)",
                words(&rows, |r| Some(r.1.how.word().into())),
            ),
            Column::text("file_before", "File in the first run", words(&rows, |r| file(&r.1.before))),
            Column::text("file_after", "File in this run", words(&rows, |r| file(&r.1.after))),
            Column::integer(
                "bytes_before",
                "bytes",
                "Its size in the first run",
                rows.iter().map(|r| bytes(&r.1.before)).collect(),
            ),
            Column::integer(
                "bytes_after",
                "bytes",
                "Its size in this run",
                rows.iter().map(|r| bytes(&r.1.after)).collect(),
            ),
            Column::text(
                "blake3_before",
                "BLAKE3 of its content in the first run; of a file on a server what the server told",
                words(&rows, |r| digest(&r.1.before)),
            ),
            Column::text(
                "blake3_after",
                "BLAKE3 of its content in this run; of a file on a server what the server told",
                words(&rows, |r| digest(&r.1.after)),
            ),
        ],
    }
}

fn keys(
    name: &str,
    title: &str,
    note: &str,
    compared: &[Compared<'_>],
    of: impl for<'a> Fn(&'a Compared<'_>) -> &'a Vec<KeyChange>,
) -> Table {
    let rows: Vec<(char, &KeyChange)> =
        compared.iter().flat_map(|one| of(one).iter().map(move |change| (one.run.label, change))).collect();
    Table {
        name: name.into(),
        title: title.into(),
        note: note.into(),
        columns: vec![
            Column::text(
                "run",
                "Letter of the run compared with the first",
                words(&rows, |r| Some(r.0.to_string())),
            ),
            Column::text("key", "Key path in the study file", words(&rows, |r| Some(r.1.key.clone()))),
            Column::text("change", "added, gone or changed", words(&rows, |r| Some(r.1.how.word().into()))),
            Column::text(
                "before",
                "Value in the first run; empty where it has none",
                words(&rows, |r| r.1.before.clone()),
            ),
            Column::text(
                "after",
                "Value in this run; empty where it has none",
                words(&rows, |r| r.1.after.clone()),
            ),
        ],
    }
}

/// Versions of every run, changed or not.
fn programs(first: &Loaded, compared: &[Compared<'_>]) -> Table {
    let runs: Vec<&Loaded> = std::iter::once(first).chain(compared.iter().map(|one| one.run)).collect();
    let before = parts(&first.record);
    let rows: Vec<(char, String, String, &str)> = runs
        .iter()
        .flat_map(|run| parts(&run.record).into_iter().map(|(name, version)| (run.label, name, version)))
        .map(|(label, name, version)| {
            let same = before.get(&name) == Some(&version);
            (label, name, version, if same { "no" } else { "yes" })
        })
        .collect();
    Table {
        name: "programs".into(),
        title: "Program and libraries of the runs".into(),
        note: "Other versions may differ in the last digits without any other change.".into(),
        columns: vec![
            Column::text("run", "Letter of the run", words(&rows, |r| Some(r.0.to_string()))),
            Column::text("part", "Program or library", words(&rows, |r| Some(r.1.clone()))),
            Column::text("version", "Its version", words(&rows, |r| Some(r.2.clone()))),
            Column::text(
                "changed",
                "yes if it is another than in the first run",
                words(&rows, |r| Some(r.3.to_string())),
            ),
        ],
    }
}
