//! Tables of records and of suitability held against them.

use super::{numbers, table, words};
use crate::records::judge::{Row, paired};
use crate::records::novelty::CaseNovelty;
use crate::records::{Prepared, SetAside, Status, Vetted};
use crate::stages::scenarios::Case;
use lentic_habitat::change::{ha, is_habitat};
use lentic_habitat::novelty::{Envelope, Known};
use lentic_habitat::validation::{FoundThreshold, Importance};
use lentic_numerics::accuracy::{Confusion, Range};
use lentic_numerics::boyce::Boyce;
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::ThresholdRule;

/// Records used, with their places: sensitive.
pub fn records(vetted: &Vetted, prepared: &Prepared, threshold: f64) -> Table {
    let drawn = &prepared.drawn;
    let folds = &prepared.folds;
    let present =
        paired(&vetted.presences, &drawn.kept, &drawn.presences).enumerate().map(|(at, (record, score))| {
            let fold = (folds.count > 0).then(|| folds.presences[at] as i64 + 1);
            (record, score, Status::Present, fold)
        });
    let absent = paired(&vetted.absences, &drawn.kept_absences, &drawn.absences)
        .map(|(record, score)| (record, score, Status::Absent, None));
    let mut rows: Vec<_> = present.chain(absent).collect();
    rows.sort_by_key(|row| row.0.line);
    table(
        "records",
        "Records used, with their places",
        "SENSITIVE: places of a rare animal. Keep this table to those who need it, and generalise before anything of it is shared. One record stands for each cell.",
        vec![
            Column::integer(
                "line",
                "",
                "Line of the table of records",
                rows.iter().map(|r| Some(r.0.line as i64)).collect(),
            ),
            Column::text(
                "occurrence_id",
                "occurrenceID, if it has one",
                rows.iter().map(|r| Some(r.0.id.clone()).filter(|id| !id.is_empty())).collect(),
            ),
            Column::text("status", "present or absent", words(&rows, |r| r.2.word().into())),
            Column::text(
                "date",
                "eventDate as written",
                rows.iter().map(|r| Some(r.0.date.clone()).filter(|d| !d.is_empty())).collect(),
            ),
            Column::real(
                "uncertainty_m",
                "m",
                "Radius the place is known to",
                numbers(&rows, |r| Some(r.0.uncertainty_m)),
            ),
            Column::real(
                "x",
                "m",
                "Eastwards in the grid's reference system",
                numbers(&rows, |r| Some(r.0.x)),
            ),
            Column::real("y", "m", "Northwards", numbers(&rows, |r| Some(r.0.y))),
            Column::real(
                "suitability",
                "",
                "Suitability of its cell in the baseline",
                numbers(&rows, |r| Some(f64::from(r.1))),
            ),
            Column::text(
                "habitat",
                "yes if that reaches the threshold",
                words(&rows, |r| if is_habitat(r.1, threshold) { "yes" } else { "no" }.into()),
            ),
            Column::integer(
                "fold",
                "",
                "Fold it is tested in; empty where records are not parted",
                rows.iter().map(|r| r.3).collect(),
            ),
        ],
    )
}

/// Records set aside, with reasons and without places.
pub fn set_aside(rows: &[SetAside]) -> Table {
    table(
        "records_set_aside",
        "Records set aside",
        "Rows of the table of records that are not used, each with the first reason that holds. Places are not shown.",
        vec![
            Column::integer(
                "line",
                "",
                "Line of the table of records",
                rows.iter().map(|r| Some(r.line as i64)).collect(),
            ),
            Column::text("reason", "Why", words(rows, |r| r.reason.words().into())),
            Column::text("detail", "More on it", words(rows, |r| r.detail.clone())),
        ],
    )
}

/// How suitability tells records from other places.
pub fn validation(rows: &[Row]) -> Table {
    let of = |name: &str, description: &str, value: &dyn Fn(&Row) -> Option<f64>| {
        Column::real(name, "", description, numbers(rows, value))
    };
    let table_of =
        |row: &Row, value: fn(&Confusion) -> Option<f64>| row.tested.confusion.as_ref().and_then(value);
    let count = |value: fn(&Row) -> usize| rows.iter().map(|r| Some(value(r) as i64)).collect();
    table(
        "validation",
        "Suitability held against records",
        "Each fold is judged by thresholds from the other folds; in the row of all folds every cell is judged by the threshold of its own fold. Against background, sensitivity means what it says, but specificity, true skill and kappa \
         count some occupied cells as wrong: compare models of one study with them, nothing else. Empty cells have no value, or need 20 records.",
        vec![
            Column::text("part", "Fold, all of them, or recorded absences", words(rows, |r| r.part.clone())),
            Column::text("against", "What records are told from", words(rows, |r| r.against.into())),
            Column::integer("records", "", "Records tested", count(|r| r.tested.presences)),
            Column::integer("others", "", "Cells they are told from", count(|r| r.tested.background)),
            of(
                "auc",
                "Area under the ROC curve: chance that a record scores higher than another cell",
                &|r| r.tested.auc.map(|a| a.value),
            ),
            of("auc_standard_error", "Its standard error (Hanley and McNeil 1982)", &|r| {
                r.tested.auc.map(|a| a.error)
            }),
            of("boyce_index", "Continuous Boyce index (Hirzel et al. 2006)", &|r| r.tested.boyce),
            of("boyce_low", "5th percentile of the index over draws of blocks of records", &|r| {
                r.range.map(|r| r.low)
            }),
            of("boyce_high", "95th percentile", &|r| r.range.map(|r| r.high)),
            of(
                "threshold",
                "Threshold judged by: largest sum of sensitivity and specificity in training; against absences the study's own",
                &|r| r.tested.threshold,
            ),
            of("sensitivity", "Share of records at or above it", &|r| table_of(r, Confusion::sensitivity)),
            of("specificity", "Share of the others below it", &|r| table_of(r, Confusion::specificity)),
            of("true_skill", "True skill statistic: sensitivity + specificity - 1", &|r| {
                table_of(r, Confusion::true_skill)
            }),
            of("kappa", "Cohen's kappa", &|r| table_of(r, Confusion::kappa)),
            of(
                "reached_tenth_percentile",
                "Share of the records that reach the tenth percentile of those trained on; 0.9 if they are alike",
                &|r| r.tested.reached_tenth,
            ),
        ],
    )
}

/// Thresholds from records beside the one used.
pub fn thresholds(
    study: &Study,
    found: &[FoundThreshold],
    used: Option<ThresholdRule>,
    presences: &[f64],
    background: &[f64],
) -> Table {
    struct Row {
        rule: &'static str,
        value: f64,
        range: Option<Range>,
        used: bool,
    }
    let own = Row { rule: "set in the study", value: study.suitability.threshold, range: None, used: true };
    let mut rows: Vec<Row> = used.is_none().then_some(own).into_iter().collect();
    rows.extend(found.iter().map(|one| Row {
        rule: one.rule.words(),
        value: one.value,
        range: one.range,
        used: used == Some(one.rule),
    }));
    // habitat is told as stored: in 32-bit floats
    let of = |row: &Row, value: fn(&Confusion) -> Option<f64>| {
        value(&Confusion::at(f64::from(row.value as f32), presences, background))
    };
    table(
        "thresholds",
        "Where habitat begins, by rule",
        "Ranges are 5 to 95 % over 1000 draws of blocks of records (of single records where they are not parted). Accuracy is over all records and the whole background, with no fold left out.",
        vec![
            Column::text("rule", "Rule", words(&rows, |r| r.rule.into())),
            Column::real(
                "threshold",
                "",
                "Suitability at which habitat begins",
                numbers(&rows, |r| Some(r.value)),
            ),
            Column::real("low", "", "5th percentile", numbers(&rows, |r| r.range.map(|r| r.low))),
            Column::real("high", "", "95th percentile", numbers(&rows, |r| r.range.map(|r| r.high))),
            Column::text(
                "used",
                "yes for the one this run used",
                words(&rows, |r| if r.used { "yes" } else { "no" }.into()),
            ),
            Column::real(
                "sensitivity",
                "",
                "Share of records at or above it",
                numbers(&rows, |r| of(r, Confusion::sensitivity)),
            ),
            Column::real(
                "specificity",
                "",
                "Share of the background below it",
                numbers(&rows, |r| of(r, Confusion::specificity)),
            ),
            Column::real(
                "true_skill",
                "",
                "True skill statistic",
                numbers(&rows, |r| of(r, Confusion::true_skill)),
            ),
            Column::real("kappa", "", "Cohen's kappa", numbers(&rows, |r| of(r, Confusion::kappa))),
        ],
    )
}

/// The curve of the Boyce index.
pub fn boyce_curve(boyce: &Boyce) -> Table {
    let steps = &boyce.steps;
    table(
        "boyce_curve",
        "Records against suitability",
        "Windows a tenth of the range of the scores wide, both ends included. Ratio: share of the records over share of the background; 1 where records are as common as ground. The Boyce index is the rank correlation of ratio and suitability over windows with background.",
        vec![
            Column::real("suitability", "", "Middle of the window", numbers(steps, |s| Some(s.middle))),
            Column::integer(
                "records",
                "",
                "Records in it",
                steps.iter().map(|s| Some(s.presences as i64)).collect(),
            ),
            Column::integer(
                "background",
                "",
                "Background cells in it",
                steps.iter().map(|s| Some(s.background as i64)).collect(),
            ),
            Column::real(
                "ratio",
                "",
                "Share of the records over share of the background",
                numbers(steps, |s| s.ratio),
            ),
        ],
    )
}

/// What each variable gives.
pub fn importance(study: &Study, found: &[Importance]) -> Table {
    let rows: Vec<_> = study.variables().zip(found).collect();
    table(
        "variable_importance",
        "What each variable gives to telling records from background",
        "Fall of the area under the ROC curve when the variable's values are shuffled over all records and background cells, mean of ten shuffles (Breiman 2001). Variables that tell the same story share their importance, so that none may look needed.",
        vec![
            Column::text("requisite", "Requisite", words(&rows, |r| r.0.0.name.clone())),
            Column::text("variable", "Variable", words(&rows, |r| r.0.1.name.clone())),
            Column::real(
                "auc_shuffled",
                "",
                "Area with the variable shuffled",
                numbers(&rows, |r| Some(r.1.shuffled)),
            ),
            Column::real(
                "fall",
                "",
                "Fall of the area; below 0 the variable misleads",
                numbers(&rows, |r| Some(r.1.fall)),
            ),
            Column::real(
                "fall_sd",
                "",
                "Standard deviation of the fall over shuffles",
                numbers(&rows, |r| Some(r.1.spread)),
            ),
        ],
    )
}

/// How much of each case lies outside the conditions at records.
pub fn novelty(study: &Study, cases: &[Case], found: &[CaseNovelty], envelope: &Envelope) -> Table {
    let names: Vec<&str> = study.variables().map(|(_, v)| v.name.as_str()).collect();
    let rows: Vec<(usize, usize)> =
        (0..found.len()).flat_map(|case| (0..=names.len()).map(move |row| (case, row))).collect();
    let known = |row: &(usize, usize)| row.1.checked_sub(1).and_then(|at| envelope.0.get(at));
    let end = |row: &(usize, usize), high: bool| match known(row) {
        Some(Known::Between(low, top)) => Some(plain(if high { *top } else { *low })),
        _ => None,
    };
    let areas = |row: &(usize, usize)| found[row.0].areas[row.1];
    let share = |part: f64, whole: f64| (whole > 0.0).then(|| 100.0 * part / whole);
    table(
        "novelty",
        "Ground outside the conditions at records",
        "Over compared cells. A cell is outside where a variable lies beyond its range at the records, or in a class where none stands; there no record bears suitability out. Raster novelty_SCENARIO says how far: the largest distance beyond the range, as a share of the range.",
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is today",
                words(&rows, |r| cases[r.0].name.clone()),
            ),
            Column::integer(
                "number",
                "",
                "Number of the variable in band 2 of the raster; 0 for any of them",
                rows.iter().map(|r| Some(r.1 as i64)).collect(),
            ),
            Column::text(
                "variable",
                "Variable; any: at least one of them",
                words(&rows, |r| r.1.checked_sub(1).map_or("any", |at| names[at]).to_string()),
            ),
            Column::real(
                "low",
                "",
                "Lowest measure at a record; empty for classes",
                numbers(&rows, |r| end(r, false)),
            ),
            Column::real("high", "", "Highest measure at a record", numbers(&rows, |r| end(r, true))),
            Column::real("outside_ha", "ha", "Area outside", numbers(&rows, |r| Some(ha(&areas(r).all)))),
            Column::real(
                "outside_percent",
                "percent",
                "Share of the compared area",
                numbers(&rows, |r| share(ha(&areas(r).all), ha(&found[r.0].compared.all))),
            ),
            Column::real(
                "habitat_outside_ha",
                "ha",
                "Habitat of the scenario outside",
                numbers(&rows, |r| Some(ha(&areas(r).habitat))),
            ),
            Column::real(
                "habitat_outside_percent",
                "percent",
                "Share of the scenario's habitat",
                numbers(&rows, |r| share(ha(&areas(r).habitat), ha(&found[r.0].compared.habitat))),
            ),
        ],
    )
}

/// A number that was held in 32 bits, with no more decimals than that gives.
fn plain(held: f64) -> f64 {
    (held as f32).to_string().parse().unwrap_or(held)
}
