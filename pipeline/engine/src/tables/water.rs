//! Tables of water: how the response was fitted.

use super::{classes_first, group_columns, group_name, numbers, table, words};
use crate::stages::response::ResponseProducts;
use crate::stages::scenarios::{Case, CaseWater};
use lentic_habitat::drawdown::{Lines, Source};
use lentic_habitat::response::pool::pool_of_group;
use lentic_habitat::response::{CELLS_FOR_A_GROUP, Groups};
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::Driver;
use std::collections::BTreeMap;

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
    let mut rows: Vec<Option<i32>> = codes.into_keys().collect();
    classes_first(&mut rows);
    let count = |code: &Option<i32>| response.counts.get(code).copied().unwrap_or_default();
    let factor = |code: &Option<i32>| lines.of(pool_of_group(*code), *code);
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
                "How water follows its table, in pools without a curve or a line of their own",
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
        Source::Level => "level of the pool",
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
