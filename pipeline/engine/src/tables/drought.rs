//! Tables and words of the climate: drought index, droughts, the choice of the index.

use super::{numbers, table, words};
use crate::climates::{Choice, Climates, Droughts};
use crate::stages::scenarios::Case;
use lentic_habitat::climate::{Evapotranspiration, MonthIndex};
use lentic_numerics::drought_events::{Event, events, interarrival, wetness_class};
use lentic_report::{Column, Table};

/// What the column of climates holds.
const CLIMATE: &str = "Climate: a zone, a climate cell by row and column of its raster, the mean of many, or all where there is one";

/// What is to know where the climate shown is the mean of many.
const MEAN: &str = " The index shown is the mean over climate cells by the area of the study in each; it is calmer than that of a single cell.";

/// Whether the climate shown is the mean of many.
pub fn is_mean(climates: &Climates, droughts: &[Droughts]) -> bool {
    droughts.len() < climates.models().len()
}

/// The index month by month: the record and every scenario, climate by climate.
pub fn drought_index(droughts: &[Droughts], mean: bool) -> Table {
    let rows: Vec<(&str, &str, &MonthIndex)> = droughts
        .iter()
        .flat_map(|one| one.by_case.iter().map(move |(case, months)| (one, case, months)))
        .flat_map(|(one, case, months)| {
            months.iter().map(move |m| (case.as_str(), one.label.name.as_str(), m))
        })
        .collect();
    let note = "The scenario's months are the record's, changed, and read by the parameters of the reference period. Classes of WMO-No. 1090.";
    table(
        "drought_index",
        "Drought index by month",
        &format!("{note}{}", if mean { MEAN } else { "" }),
        vec![
            Column::text(
                "scenario",
                "Scenario; baseline is the record",
                words(&rows, |row| row.0.to_string()),
            ),
            Column::text("climate", CLIMATE, words(&rows, |row| row.1.to_string())),
            Column::text("month", "Month", words(&rows, |row| row.2.month.to_string())),
            Column::real(
                "sum_mm",
                "mm",
                "Balance summed over the index's months; empty for an index given ready-made",
                numbers(&rows, |row| row.2.sum),
            ),
            Column::real(
                "index",
                "standard deviations",
                "Index, limited to -3.5 to 3.5",
                numbers(&rows, |row| row.2.shown),
            ),
            Column::text(
                "limited",
                "yes if the index was limited",
                words(&rows, |row| if row.2.limited { "yes" } else { "no" }.to_string()),
            ),
            Column::real(
                "response_index",
                "standard deviations",
                "Index used by the response, continued beyond -2.5 and 2.5",
                numbers(&rows, |row| row.2.z),
            ),
            Column::text(
                "class",
                "Class of the index",
                rows.iter().map(|row| row.2.shown.map(|i| wetness_class(i).name().to_string())).collect(),
            ),
        ],
    )
}

/// Drought events of a series of months.
pub fn events_of(months: &[MonthIndex]) -> Vec<Event> {
    let index: Vec<Option<f64>> = months.iter().map(|m| m.shown).collect();
    events(&index)
}

/// Droughts of the record and of every scenario, climate by climate.
pub fn drought_events(droughts: &[Droughts], mean: bool) -> Table {
    let mut rows = Vec::new();
    for one in droughts {
        for (case, months) in &one.by_case {
            let found = events_of(months);
            let between = interarrival(&found);
            for (at, event) in found.iter().enumerate() {
                let since = at.checked_sub(1).and_then(|b| between.get(b)).map(|n| *n as f64);
                let first = months[event.start].month;
                let last = months[event.end - 1].month;
                rows.push((case.clone(), one.label.name.clone(), first, last, *event, since));
            }
        }
    }
    let note = "Run theory (Yevjevich 1967): -1 or less opens a drought, 0 or more closes it, and it reaches back to where the index fell below 0.";
    table(
        "drought_events",
        "Droughts",
        &format!("{note}{}", if mean { MEAN } else { "" }),
        vec![
            Column::text("scenario", "Scenario; baseline is the record", words(&rows, |r| r.0.clone())),
            Column::text("climate", CLIMATE, words(&rows, |r| r.1.clone())),
            Column::text("first_month", "First month below 0", words(&rows, |r| r.2.to_string())),
            Column::text("last_month", "Last month below 0", words(&rows, |r| r.3.to_string())),
            Column::integer(
                "duration_months",
                "months",
                "Length",
                rows.iter().map(|r| Some(r.4.duration as i64)).collect(),
            ),
            Column::real(
                "severity",
                "standard deviations x months",
                "Sum of the index below 0, as a positive number",
                numbers(&rows, |r| Some(r.4.severity)),
            ),
            Column::real(
                "intensity",
                "standard deviations",
                "Severity by observed month",
                numbers(&rows, |r| Some(r.4.intensity)),
            ),
            Column::real("peak", "standard deviations", "Lowest index", numbers(&rows, |r| Some(r.4.peak))),
            Column::real(
                "since_previous_months",
                "months",
                "From the start of the drought before",
                numbers(&rows, |r| r.5),
            ),
            Column::text(
                "open_ended",
                "yes if the record ends within it",
                words(&rows, |r| if r.4.open_ended { "yes" } else { "no" }.to_string()),
            ),
        ],
    )
}

/// How the lengths did among which that of the index was chosen.
pub fn index_choice(choice: &Choice) -> Table {
    let rows = &choice.candidates;
    let chosen = choice.climates.months();
    table(
        "index_choice",
        "Length of the drought index",
        "Each year predicted from the others (years around it left out too, as far as the index reaches), on the same cells and months for every length. The lowest deviance is taken, of \
         equals the shortest. Skill is the share of the Brier score of calendar-month means that is saved. A length without numbers could not be fitted.",
        vec![
            Column::integer(
                "months",
                "months",
                "Months summed",
                rows.iter().map(|c| Some(c.months as i64)).collect(),
            ),
            Column::real(
                "deviance",
                "",
                "Mean deviance per cell-month, years left out",
                numbers(rows, |c| c.left_out.map(|left| left.deviance)),
            ),
            Column::real(
                "skill",
                "",
                "1 - Brier score / Brier score of calendar-month means",
                numbers(rows, |c| c.left_out.and_then(|left| left.skill())),
            ),
            Column::integer(
                "cell_months",
                "cell-months",
                "Predictions",
                rows.iter().map(|c| c.left_out.map(|left| left.months as i64)).collect(),
            ),
            Column::text(
                "chosen",
                "yes for the length taken",
                words(rows, |c| if c.months == chosen { "yes" } else { "no" }.to_string()),
            ),
        ],
    )
}

/// Calendar months that have no index, where there are such, as warnings.
pub fn unfitted_warnings(climates: &Climates) -> Vec<String> {
    let why = "(too many dry or equal sums) and are left out of the response";
    let lacking: Vec<(usize, Vec<u32>)> = climates
        .models()
        .iter()
        .enumerate()
        .map(|(at, model)| (at, model.unfitted()))
        .filter(|(_, unfitted)| !unfitted.is_empty())
        .collect();
    let of = |at: usize| climates.labels().get(at).map_or("", |label| label.name.as_str());
    if climates.are_grid() {
        let first = lacking.first().map(|(at, unfitted)| {
            format!(
                "in {} of {} climate cells some calendar months have no drought index {why}; the first is {}, months {unfitted:?}",
                lacking.len(),
                climates.models().len(),
                of(*at)
            )
        });
        return first.into_iter().collect();
    }
    lacking
        .into_iter()
        .map(|(at, unfitted)| {
            let whose =
                if climates.are_zones() { format!("climate \"{}\": ", of(at)) } else { String::new() };
            format!("{whose}calendar months {unfitted:?} have no drought index {why}")
        })
        .collect()
}

/// Says in which scenarios the index lies outside the reference record.
pub fn extrapolated_notes(climates: &Climates, cases: &[Case]) -> Vec<String> {
    let several = climates.models().len() > 1;
    cases
        .iter()
        .map(|case| (case, climates.extrapolated(&case.designs)))
        .filter(|(_, (n, _))| *n > 0)
        .map(|(case, (n, of))| {
            format!(
                "Scenario {}: the drought index of {n} of {of} months lies outside the reference record{}; the response there is extrapolated.",
                case.name,
                if several { ", in the climate with the most such months" } else { "" }
            )
        })
        .collect()
}

/// What a reader must know of scenarios that warm a water balance.
pub fn warming_warning(climates: &Climates, cases: &[Case]) -> Option<String> {
    let formula = match climates.evapotranspiration()? {
        Evapotranspiration::Thornthwaite => "Thornthwaite's formula",
        Evapotranspiration::HargreavesSamani => "Hargreaves and Samani's formula",
    };
    let warms = |case: &&Case| case.scenario.is_some_and(|s| s.temperature_c.iter().any(|t| *t > 0.0));
    let names: Vec<&str> = cases.iter().filter(warms).map(|case| case.name.as_str()).collect();
    (!names.is_empty()).then(|| {
        format!(
            "Scenarios with warming ({}): evapotranspiration is found from temperature alone ({formula}), which can overstate drying under strong warming.",
            names.join(", ")
        )
    })
}
