//! Tables of how far the response can be trusted.

use super::{classes_first, group_columns, group_name, numbers, table};
use lentic_habitat::response::quality::{Quality, ResidualTrend};
use lentic_report::{Column, Table};
use lentic_study::Study;
use std::collections::BTreeMap;

type ByGroup = BTreeMap<Option<i32>, Quality>;

fn in_order(quality: &ByGroup) -> Vec<(Option<i32>, &Quality)> {
    let mut codes: Vec<Option<i32>> = quality.keys().copied().collect();
    classes_first(&mut codes);
    codes.into_iter().filter_map(|code| Some((code, quality.get(&code)?))).collect()
}

/// Quality by group.
pub fn inundation_quality(study: &Study, quality: &ByGroup) -> Table {
    let rows = in_order(quality);
    let real = |n: &str, unit: &str, description: &str, value: &dyn Fn(&Quality) -> Option<f64>| {
        Column::real(n, unit, description, numbers(&rows, |row| value(row.1)))
    };
    let [code, name] = group_columns(study, rows.iter().map(|row| row.0));
    table(
        "inundation_quality",
        "How well the response predicts water",
        "Each year predicted from the others (years around it left out too, as far as the index reaches), against calendar-month means of the same years. Skill is the share of their Brier score \
         that the response saves; 0 or less: no better than the calendar. The drier half of the years is predicted from the wetter half.",
        vec![
            code,
            name,
            Column::integer(
                "cells",
                "cells",
                "Cells looked at",
                rows.iter().map(|r| Some(r.1.cells as i64)).collect(),
            ),
            real("brier", "", "Brier score of the response, years left out", &|q| Some(q.brier)),
            real("brier_climatology", "", "Brier score of calendar-month means", &|q| {
                Some(q.brier_climatology)
            }),
            real("skill", "", "1 - brier / brier_climatology", &Quality::skill),
            real("auc", "", "Area under the ROC curve, years left out", &|q| q.auc),
            real("deviance", "", "Mean deviance per cell-month, years left out", &|q| Some(q.deviance)),
            real("drier_half_brier", "", "Brier score in the drier half, fitted on the wetter", &|q| {
                q.drier_half.map(|h| h.brier)
            }),
            real(
                "drier_half_brier_climatology",
                "",
                "The same by calendar-month means of the wetter half",
                &|q| q.drier_half.map(|h| h.brier_climatology),
            ),
            real(
                "drier_half_bias_months",
                "months per year",
                "Predicted minus observed hydroperiod in the drier half",
                &|q| q.drier_half.map(|h| h.bias_months),
            ),
            real(
                "residual_trend_per_decade",
                "months per decade",
                "Trend of observed minus modelled hydroperiod",
                &|q| q.residual_trend.map(|t| t.per_decade),
            ),
            real("residual_trend_p", "", "p of its Mann-Kendall test", &|q| q.residual_trend.map(|t| t.p)),
        ],
    )
}

/// Reliability by tenths of the predictions.
pub fn inundation_reliability(study: &Study, quality: &ByGroup) -> Table {
    let rows: Vec<(Option<i32>, usize, _)> = in_order(quality)
        .into_iter()
        .flat_map(|(code, q)| q.reliability.iter().enumerate().map(move |(at, tenth)| (code, at + 1, *tenth)))
        .collect();
    let [code, name] = group_columns(study, rows.iter().map(|row| row.0));
    table(
        "inundation_reliability",
        "Reliability of predicted water",
        "Predictions of years left out, ranked and cut into tenths. In a reliable model the share that was wet is the mean predicted.",
        vec![
            code,
            name,
            Column::integer(
                "tenth",
                "",
                "Tenth of the predictions, lowest first",
                rows.iter().map(|r| Some(r.1 as i64)).collect(),
            ),
            Column::real(
                "predicted",
                "",
                "Mean predicted probability",
                numbers(&rows, |r| Some(r.2.predicted)),
            ),
            Column::real("observed", "", "Share that was wet", numbers(&rows, |r| Some(r.2.observed))),
            Column::integer(
                "months",
                "cell-months",
                "Predictions",
                rows.iter().map(|r| Some(r.2.months as i64)).collect(),
            ),
        ],
    )
}

/// What a reader must know of the quality: warnings where the response is no better than the calendar, and trends that climate
/// does not explain.
pub fn quality_warnings(study: &Study, quality: &ByGroup) -> Vec<String> {
    let mut warnings = Vec::new();
    for (code, q) in quality {
        let group = group_name(study, *code);
        if q.skill().is_some_and(|skill| skill <= 0.0) {
            warnings.push(format!(
                "response group \"{group}\": the response predicts years left out no better than calendar-month means; do not read its losses under climate scenarios (table inundation_quality)"
            ));
        }
        if let Some(trend) = q.residual_trend.filter(ResidualTrend::is_significant) {
            let direction = if trend.per_decade < 0.0 { "faster" } else { "slower" };
            warnings.push(format!(
                "response group \"{group}\": water falls {direction} than climate explains, {:+.2} months per decade (p = {:.3}); pumping, drainage, sediment or new dams may be behind it",
                trend.per_decade, trend.p
            ));
        }
    }
    warnings
}
