//! Tables of what makes the suitability: weights, limiting factors; and warnings where there is nothing to make it from.

use super::{numbers, table, words};
use crate::stages::scenarios::Case;
use crate::stages::suitability::SuitabilityProducts;
use lentic_habitat::change::ha;
use lentic_habitat::limiting::{BARRIER, NOTHING, factor_names};
use lentic_report::{ClassStyle, Column, Table, limiting_classes};
use lentic_study::Study;
use lentic_study::settings::{Combine, Missing};

/// Name of the code of a limiting factor.
pub fn limit_name(study: &Study, code: u8) -> String {
    match code {
        NOTHING => "nothing (suitability is 1)".into(),
        BARRIER => "barrier".into(),
        code => factor_names(&study.requisites)
            .into_iter()
            .nth(usize::from(code) - 1)
            .unwrap_or_else(|| code.to_string()),
    }
}

/// Classes of the maps of limiting factors.
pub fn limit_classes(study: &Study) -> Vec<ClassStyle> {
    let named = |code: u8| (code, limit_name(study, code));
    let factors = factor_names(&study.requisites).into_iter().zip(1..).map(|(name, code)| (code, name));
    limiting_classes(factors.collect(), named(NOTHING), named(BARRIER))
}

/// Codes of limiting factors in the order shown.
fn limit_codes(study: &Study) -> Vec<u8> {
    let factors = factor_names(&study.requisites).len() as u8;
    (1..=factors).chain([BARRIER, NOTHING]).collect()
}

/// Area by limiting factor.
pub fn limiting_factor(study: &Study, cases: &[Case], products: &SuitabilityProducts) -> Table {
    let codes = limit_codes(study);
    let rows: Vec<(usize, u8)> =
        (0..cases.len()).flat_map(|at| codes.iter().map(move |code| (at, *code))).collect();
    let area = |row: &(usize, u8), habitat: usize| {
        Some(ha(&products.limit_areas[row.0][usize::from(row.1)][habitat]))
    };
    table(
        "limiting_factor",
        "What limits the suitability",
        "Over compared cells. The limiting factor of a cell is the variable that would raise its suitability most if its score alone were 1; \"A near B\" is the nearness that \
         requisite A asks for. Of equal gains the lower score counts, then the first in the study.",
        vec![
            Column::text("scenario", "Scenario", words(&rows, |row| cases[row.0].name.clone())),
            Column::text("factor", "Limiting factor", words(&rows, |row| limit_name(study, row.1))),
            Column::integer(
                "code",
                "",
                "Its code in rasters/limiting_factor_SCENARIO.tif",
                rows.iter().map(|row| Some(i64::from(row.1))).collect(),
            ),
            Column::real(
                "not_habitat_ha",
                "ha",
                "Area it limits that is no habitat",
                numbers(&rows, |row| area(row, 0)),
            ),
            Column::real(
                "habitat_ha",
                "ha",
                "Area it limits that is habitat",
                numbers(&rows, |row| area(row, 1)),
            ),
        ],
    )
}

/// One row of the table of weights.
struct Weighed<'a> {
    what: &'static str,
    requisite: &'a str,
    variable: Option<&'a str>,
    weight: f64,
    combine: Combine,
    ratio: Option<f64>,
}

/// Weights of requisites and variables, and how consistent the comparisons behind them are.
pub fn weights(study: &Study) -> Table {
    let mut rows = Vec::new();
    for requisite in &study.requisites {
        rows.push(Weighed {
            what: "requisite",
            requisite: &requisite.name,
            variable: None,
            weight: requisite.weight,
            combine: study.suitability.combine,
            ratio: study.suitability.consistency_ratio,
        });
        rows.extend(requisite.variables.iter().map(|variable| Weighed {
            what: "variable",
            requisite: &requisite.name,
            variable: Some(&variable.name),
            weight: variable.weight,
            combine: requisite.combine,
            ratio: requisite.consistency_ratio,
        }));
    }
    let source = |row: &Weighed| match (row.combine, row.ratio) {
        (Combine::Minimum | Combine::Product, _) => "not used".to_string(),
        (_, Some(_)) => "pairwise comparison".to_string(),
        (_, None) => "given".to_string(),
    };
    table(
        "weights",
        "Weights of requisites and variables",
        "Requisites weigh in the suitability, variables in their requisite; each set sums to 1. The consistency ratio is that of the pairwise comparison of the set the row belongs to \
         (Saaty 1980); under 0.10 is usually accepted.",
        vec![
            Column::text("level", "requisite or variable", words(&rows, |row| row.what.to_string())),
            Column::text("requisite", "Requisite", words(&rows, |row| row.requisite.to_string())),
            Column::text(
                "variable",
                "Variable; empty for the requisite as a whole",
                rows.iter().map(|row| row.variable.map(str::to_string)).collect(),
            ),
            Column::real("weight", "", "Weight", numbers(&rows, |row| Some(row.weight))),
            Column::text(
                "source",
                "given: written in the study, equal where it says nothing; not used: the set combines without weights",
                words(&rows, source),
            ),
            Column::real(
                "consistency_ratio",
                "",
                "Consistency ratio of the comparison; empty where there is none",
                numbers(&rows, |row| row.ratio),
            ),
        ],
    )
}

/// Warns of variables without data anywhere in the study area.
pub fn without_data(study: &Study, products: &SuitabilityProducts) -> Vec<String> {
    let empty = study.variables().zip(&products.known).filter(|(_, known)| **known == 0);
    empty
        .map(|((requisite, variable), _)| {
            let follows = match variable.if_missing {
                Missing::NotAssessed => "no cell can be assessed".to_string(),
                Missing::Omit => "it is left out everywhere".to_string(),
                Missing::Score(score) => format!("its score is {score} everywhere"),
            };
            let layer = variable.measure.layer().map_or_else(String::new, |layer| format!(" (layer \"{layer}\")"));
            format!(
                "variable \"{}\" of requisite \"{}\"{layer} has no data anywhere in the study area, so {follows}; check the layer's extent and no_data, or set if_missing",
                variable.name, requisite.name
            )
        })
        .collect()
}

/// Warns where no cell is habitat in the baseline.
pub fn no_habitat(study: &Study, products: &SuitabilityProducts) -> Option<String> {
    let whole = &products.areas.first()?.whole;
    (whole.habitat_ha() <= 0.0).then(|| {
        format!(
            "no compared cell reaches the threshold of {} in the baseline: there is no habitat to lose; see the table limiting_factor for what holds it down",
            study.suitability.threshold
        )
    })
}
