//! Tables of water: drought index, droughts, response.

use super::{group_columns, group_name, numbers, table, words};
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use lentic_habitat::climate::MonthIndex;
use lentic_habitat::drawdown::{Lines, Source};
use lentic_habitat::response::{CELLS_FOR_A_GROUP, Groups};
use lentic_numerics::drought_events::{Event, events, interarrival, wetness_class};
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::Driver;
use std::collections::BTreeMap;

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
            rows.push((name.clone(), first, last, *event, since));
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
                "Severity by observed month",
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

/// Names the groups whose water does not follow the drought index: there a drier climate changes little, which must not
/// be read as safety.
pub fn unanswering(study: &Study, response: &ResponseProducts) -> Vec<String> {
    if study.inundation.driver != Driver::Index {
        return Vec::new();
    }
    let weak = response
        .counts
        .iter()
        .filter(|(_, count)| count.fitted >= CELLS_FOR_A_GROUP as u64 && 2 * count.held > count.fitted);
    weak.map(|(code, count)| {
        let name = group_name(study, *code);
        format!(
            "response group \"{name}\": in {} of {} cells water is no rarer in drought, so a drier climate changes nothing there; check that the climate belongs to the basin and that climate.months suits its water",
            count.held, count.fitted
        )
    })
    .collect()
}

/// How the response was fitted, group by group.
pub fn inundation_fit(study: &Study, groups: &Groups, response: &ResponseProducts, lines: &Lines) -> Table {
    let mut codes: BTreeMap<Option<i32>, ()> = response.counts.keys().map(|code| (*code, ())).collect();
    codes.extend(groups.iter().map(|(code, _)| (code, ())));
    let rows: Vec<Option<i32>> = codes.into_keys().collect();
    let count = |code: &Option<i32>| response.counts.get(code).copied().unwrap_or_default();
    let factor = |code: &Option<i32>| lines.of(None, *code);
    let integer = |value: &dyn Fn(&Option<i32>) -> u64| rows.iter().map(|c| Some(value(c) as i64)).collect();
    let cells =
        |code: &Option<i32>| groups.iter().find(|(c, _)| c == code).map_or(0, |(_, f)| f.cells as u64);
    let index_used = study.inundation.driver == Driver::Index;
    let [code, name] = group_columns(study, rows.iter().copied());
    table(
        "inundation_fit",
        "Response of water by wetland class",
        "logit p = a + b z + c sin(2 pi m/12) + d cos(2 pi m/12). Slopes are medians of fits of single cells; water that ignores rain has b near 0.",
        vec![
            code,
            name,
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
                "index_led_share",
                "",
                "Share of the usual wet area where one unit of the index brings at least half a month of water",
                numbers(&rows, |c| count(c).index_led_share().filter(|_| index_used)),
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

/// Cells that could not be fully answered, by scenario, as sentences.
pub fn held_notes(cases: &[Case], water: &[CaseWater]) -> Vec<String> {
    let mut notes = Vec::new();
    for (case, water) in cases.iter().zip(water) {
        if water.depth_held > 0 {
            notes.push(format!(
                "Scenario {}: depth not changed in {} wet cells, for it is not known how their water follows its table.",
                case.name, water.depth_held
            ));
        }
        if water.rise_unknown > 0 {
            notes.push(format!(
                "Scenario {}: {} cells never seen wet stay dry under a rise of the water table, for lack of ground elevation or of a line to place them on.",
                case.name, water.rise_unknown
            ));
        }
    }
    notes
}

/// The index of every case over its months, as `months_of` gives them: the whole record for the baseline and for scenarios
/// that change climate, the runs of years for those that replay some.
pub fn index_months(
    cases: &[Case],
    months_of: impl Fn(&Case) -> Vec<Vec<MonthIndex>>,
) -> Vec<(String, Vec<MonthIndex>)> {
    let of = |case: &Case| months_of(case).into_iter().map(|months| (case.name.clone(), months)).collect();
    cases.iter().flat_map(|case| -> Vec<_> { of(case) }).collect()
}
