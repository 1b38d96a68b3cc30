//! Habitat by year, and when patches are lost.

use super::{numbers, table, words};
use crate::costs::Costs;
use crate::costs::ladder::{NEVER, NONE_TODAY, PatchMargin};
use crate::costs::past::YearAreas;
use crate::ranges::{Ranges, Spread};
use crate::stages::scenarios::Case;
use lentic_habitat::change::ha;
use lentic_report::{ClassStyle, Column, Ramp, Rgb, Table};
use std::collections::BTreeMap;

/// One row of a table by year.
struct Row<'a> {
    range: Option<Spread>,
    series: &'a str,
    year: i32,
    habitat: Option<f64>,
    kept: Option<f64>,
    first_lost: Option<f64>,
    habitat_seen: Option<f64>,
    seen: Option<f64>,
}

/// Habitat by year of the past and along the scenarios.
pub fn by_year(
    cases: &[Case],
    costs: &Costs,
    past: &BTreeMap<i32, YearAreas>,
    ranges: Option<&Ranges>,
) -> Table {
    // the first row is the modelled baseline, the last the scenario
    let ends = |at: usize, count: usize, case: usize| match at {
        0 => Some(0),
        at if at + 1 == count => Some(case),
        _ => None,
    };
    let mut rows: Vec<Row> = Vec::new();
    for (year, areas) in past {
        rows.push(Row {
            series: "past",
            year: *year,
            habitat: areas.habitat_ha(),
            kept: None,
            first_lost: None,
            range: None,
            habitat_seen: Some(areas.seen_ha()),
            seen: areas.seen_share(),
        });
    }
    for (case, (years, way)) in &costs.ways {
        for (at, (year, areas)) in years.iter().zip(&way.steps).enumerate() {
            rows.push(Row {
                series: &cases[*case].name,
                year: *year,
                habitat: Some(ha(&areas.habitat)),
                kept: Some(ha(&areas.kept)),
                first_lost: (at > 0).then(|| ha(&areas.first_failing)),
                range: ends(at, years.len(), *case).and_then(|case| ranges?.habitat_ha(case)),
                habitat_seen: None,
                seen: None,
            });
        }
    }
    table(
        "habitat_by_year",
        "Habitat by year",
        "past: by the water seen in that year, depth held as usual, what was not assessed of the baseline's habitat being taken to fare as what was; single years are more unlike than the means that scenarios are. Scenarios: the \
         expected water when the change has come about in part, growing evenly from the end of the baseline to the horizon; the first row is the modelled baseline, the last the scenario itself.",
        vec![
            Column::text("series", "past, or the scenario", words(&rows, |row| row.series.to_string())),
            Column::integer("year", "", "Year", rows.iter().map(|row| Some(i64::from(row.year))).collect()),
            Column::real("habitat_ha", "ha", "Habitat", numbers(&rows, |row| row.habitat)),
            Column::real(
                "low_ha",
                "ha",
                "5th percentile over members of uncertainty, today and at the horizon; empty without [uncertainty]",
                numbers(&rows, |row| row.range.map(|range| range.low)),
            ),
            Column::real(
                "high_ha",
                "ha",
                "95th percentile over members of uncertainty, today and at the horizon; empty without [uncertainty]",
                numbers(&rows, |row| row.range.map(|range| range.high)),
            ),
            Column::real(
                "kept_ha",
                "ha",
                "Habitat of the baseline that is habitat still",
                numbers(&rows, |row| row.kept),
            ),
            Column::real(
                "first_lost_ha",
                "ha",
                "Habitat of the baseline that is none for the first time",
                numbers(&rows, |row| row.first_lost),
            ),
            Column::real(
                "habitat_seen_ha",
                "ha",
                "Habitat of a year of the past on the ground assessed in it",
                numbers(&rows, |row| row.habitat_seen),
            ),
            Column::real(
                "today_assessed_share",
                "",
                "Share of the habitat of the baseline that is assessed in that year; under 0.5 no habitat is told",
                numbers(&rows, |row| row.seen),
            ),
        ],
    )
}

/// When the patches of the baseline are lost on the way of each scenario.
pub fn patches(cases: &[Case], costs: &Costs) -> Option<Table> {
    let rows: Vec<(&str, &[i32], &PatchMargin)> = costs
        .ways
        .iter()
        .flat_map(|(case, (years, way))| {
            way.patches.iter().map(|patch| (cases[*case].name.as_str(), &years[..], patch))
        })
        .collect();
    if costs.ways.is_empty() {
        return None;
    }
    let found = |row: &(&str, &[i32], &PatchMargin)| row.2.first_failing().filter(|at| *at > 0);
    let year = |row: &(&str, &[i32], &PatchMargin), back: usize| {
        found(row).and_then(|at| row.1.get(at - back)).map(|year| i64::from(*year))
    };
    Some(table(
        "patch_time_of_loss",
        "When today's patches are lost",
        "On the even way of a scenario from the end of the baseline to its horizon, the first time looked at when less than half the area of a patch's footprint is habitat: it falls below between the two years. Empty years: not by the horizon. The span is that of the times looked \
         at; it holds no uncertainty of the water, the climate or the curves.",
        vec![
            Column::text("scenario", "Scenario", words(&rows, |row| row.0.to_string())),
            Column::integer(
                "patch",
                "",
                "Number in the baseline",
                rows.iter().map(|row| Some(i64::from(row.2.patch))).collect(),
            ),
            Column::real(
                "area_ha",
                "ha",
                "Area in the baseline",
                numbers(&rows, |row| Some(row.2.area_m2 / 10_000.0)),
            ),
            Column::integer(
                "after",
                "",
                "Last year before that it keeps half",
                rows.iter().map(|row| year(row, 1)).collect(),
            ),
            Column::integer(
                "by",
                "",
                "First year at which it keeps less",
                rows.iter().map(|row| year(row, 0)).collect(),
            ),
            Column::real(
                "kept_at_horizon",
                "",
                "Share of its area kept at the horizon",
                numbers(&rows, |row| row.2.kept.last().copied()),
            ),
        ],
    ))
}

/// Codes of a map of the time of loss: cells lost sooner lighter.
pub fn classes(years: &[i32]) -> Vec<ClassStyle> {
    let colours = Ramp::Margin.colours(years.len().max(2));
    let style = |code: u8, name: String, colour: Rgb| ClassStyle { code, name, colour };
    let mut all = vec![style(NONE_TODAY, "no habitat today".into(), Rgb::new(0xece7de))];
    for (at, pair) in years.windows(2).enumerate() {
        all.push(style(at as u8 + 1, format!("lost between {} and {}", pair[0], pair[1]), colours[at]));
    }
    let last = years.last().map_or_else(String::new, |year| format!("kept at {year}"));
    all.push(style(NEVER, last, Rgb::new(0x034b45)));
    all
}
