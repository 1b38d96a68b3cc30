//! Tables of a calibration.

use super::{class_name, numbers, table, words};
use crate::calibrate::{Comparison, FittedCurves};
use lentic_habitat::calibration::{Calibration, FoldScore, Shape};
use lentic_habitat::suitability::score;
use lentic_habitat::validation::{FoundThreshold, Part};
use lentic_numerics::accuracy::Confusion;
use lentic_numerics::response_terms::Term;
use lentic_report::{Column, Table};
use lentic_study::Study;
use lentic_study::settings::{Curve, Variable};

fn variables(study: &Study) -> Vec<&Variable> {
    study.variables().map(|(_, v)| v).collect()
}

fn class_of(study: &Study, variable: &Variable, code: i32) -> String {
    let layer = variable.measure.layer().and_then(|name| study.layer(name));
    class_name(layer, Some(code))
}

/// A term with its coefficient.
struct Coefficient {
    variable: String,
    term: String,
    at: Option<f64>,
    value: f64,
    error: f64,
    scale: Option<(f64, f64)>,
    range: Option<(f64, f64)>,
}

fn coefficient_rows(study: &Study, found: &Calibration) -> Vec<Coefficient> {
    let all = variables(study);
    let process = &found.model.process;
    let mut rows = vec![Coefficient {
        variable: String::new(),
        term: "intercept".into(),
        at: None,
        value: process.intercept,
        error: process.intercept_error(),
        scale: None,
        range: None,
    }];
    for measure in &found.model.layout.measures {
        let variable = all[measure.variable];
        let mut add = |offset: usize, term: String, at: Option<f64>, scale, range| {
            let column = measure.first + offset;
            rows.push(Coefficient {
                variable: variable.name.clone(),
                term,
                at,
                value: process.coefficients[column],
                error: process.error(column),
                scale: Some(scale),
                range,
            });
        };
        match &measure.shape {
            Shape::Number(terms) => {
                for (offset, (term, scale)) in terms.terms.iter().zip(&terms.scales).enumerate() {
                    let (word, at) = match term {
                        Term::Linear => ("linear", None),
                        Term::Quadratic => ("quadratic", None),
                        Term::Hinge(at) => ("hinge", Some(*at)),
                    };
                    add(offset, word.into(), at, *scale, Some((terms.low, terms.high)));
                }
            }
            Shape::Class(terms) => {
                for (offset, (code, scale)) in terms.codes.iter().zip(&terms.scales).enumerate() {
                    let word = format!("class {}", class_of(study, variable, *code));
                    add(offset, word, Some(f64::from(*code)), *scale, None);
                }
            }
        }
    }
    rows
}

/// Coefficients with their errors, and all that is needed to compute the density from them.
pub fn coefficients(study: &Study, found: &Calibration) -> Table {
    let rows = coefficient_rows(study, found);
    table(
        "coefficients",
        "Fitted coefficients",
        "ln(density of records) = intercept + sum of coefficient x (term - mean) / spread, the whole background being one unit of ground. With u = (value - low) / (high - low), held within 0 and 1: linear u, quadratic u squared, hinge max(0, u - k) / (1 - k) with k the hinge's own u; class 1 in the class, else 0. Standard errors are those of a ridge penalty: honest about spread, not about its pull towards 0.",
        vec![
            Column::text(
                "variable",
                "Variable whose measure it is",
                rows.iter().map(|r| Some(r.variable.clone()).filter(|v| !v.is_empty())).collect(),
            ),
            Column::text("term", "Term", words(&rows, |r| r.term.clone())),
            Column::real("at", "", "Where a hinge begins, or the code of a class", numbers(&rows, |r| r.at)),
            Column::real("coefficient", "", "Coefficient", numbers(&rows, |r| Some(r.value))),
            Column::real("standard_error", "", "Its standard error", numbers(&rows, |r| Some(r.error))),
            Column::real(
                "mean",
                "",
                "Mean of the term over the background",
                numbers(&rows, |r| r.scale.map(|s| s.0)),
            ),
            Column::real(
                "spread",
                "",
                "Standard deviation of the term over the background",
                numbers(&rows, |r| r.scale.map(|s| s.1)),
            ),
            Column::real("low", "", "Low end of the range", numbers(&rows, |r| r.range.map(|s| s.0))),
            Column::real("high", "", "High end of the range", numbers(&rows, |r| r.range.map(|s| s.1))),
        ],
    )
}

/// Fitted responses with errors, beside the curves written into the fragment and the study's own.
pub fn curves(study: &Study, found: &Calibration, curves: &FittedCurves) -> Table {
    let all = variables(study);
    let mut rows = Vec::new();
    for (at, measure) in found.model.layout.measures.iter().enumerate() {
        let variable = all[measure.variable];
        let is_class = matches!(measure.shape, Shape::Class(_));
        for bend in found.model.bends(at) {
            let of = |curve: &Curve| match curve {
                Curve::Classes(scores) => scores.get(&(bend.value as i32)).copied(),
                curve => score(curve, bend.value),
            };
            let class = is_class.then(|| class_of(study, variable, bend.value as i32));
            let written = of(&curves.curves[at]);
            rows.push((variable, class, bend, found.model.tops[at], written, of(&variable.curve)));
        }
    }
    table(
        "curves",
        "Fitted response curves",
        "Response: log density of records against the mean of the background, all else equal; standard error from the penalised fit. Score: exp(response - largest response). In the fragment: the score by the straight lines written there. Of the study: the score by the study's own curve.",
        vec![
            Column::text("variable", "Variable", words(&rows, |r| r.0.name.clone())),
            Column::text(
                "class",
                "Class, where classes are measured",
                rows.iter().map(|r| r.1.clone()).collect(),
            ),
            Column::real("value", "", "Measure; the code of a class", numbers(&rows, |r| Some(r.2.value))),
            Column::real(
                "response",
                "",
                "Log density against the mean of the background",
                numbers(&rows, |r| Some(r.2.response)),
            ),
            Column::real("standard_error", "", "Its standard error", numbers(&rows, |r| Some(r.2.error))),
            Column::real("score", "", "Fitted score", numbers(&rows, |r| Some((r.2.response - r.3).exp()))),
            Column::real("score_in_fragment", "", "Score in the fragment", numbers(&rows, |r| r.4)),
            Column::real("score_of_study", "", "Score of the study", numbers(&rows, |r| r.5)),
        ],
    )
}

/// What each penalty gained on records left out.
pub fn penalties(found: &Calibration) -> Table {
    let rows = &found.gains;
    table(
        "penalties",
        "Penalties tried",
        "Gain: mean over records left out of ln(density at the record / mean density of its fold). 0 is no better than an even density. The penalty with the largest gain is used (the stronger of equals).",
        vec![
            Column::real(
                "penalty",
                "",
                "Precision of the prior on every coefficient",
                numbers(rows, |r| Some(r.0)),
            ),
            Column::real("gain", "", "Gain per record", numbers(rows, |r| Some(r.1))),
            Column::text(
                "used",
                "yes for the one used",
                words(rows, |r| if r.0 == found.penalty { "yes" } else { "no" }.into()),
            ),
        ],
    )
}

/// Mean over folds, each weighing as many as its records.
pub fn mean_by_records(
    found: &Calibration,
    part: fn(&FoldScore) -> &Part,
    value: impl Fn(&Part) -> Option<f64>,
) -> Option<f64> {
    let mut sums = (0.0, 0.0);
    for part in found.folds.iter().map(part) {
        if let Some(value) = value(part) {
            sums.0 += value * part.presences as f64;
            sums.1 += part.presences as f64;
        }
    }
    (sums.1 > 0.0).then(|| sums.0 / sums.1)
}

/// Fold by fold, by fitted and by the study's own suitability.
pub fn cross_validation(found: &Calibration) -> Table {
    type Pick = fn(&FoldScore) -> &Part;
    let picks: [(&str, Pick); 2] = [("fitted", |f| &f.fitted), ("study", |f| &f.expert)];
    let mut rows: Vec<(String, &str, Option<&Part>, Pick)> = Vec::new();
    for (model, pick) in picks {
        for (at, fold) in found.folds.iter().enumerate() {
            rows.push((format!("fold {}", at + 1), model, Some(pick(fold)), pick));
        }
        rows.push(("mean by records".into(), model, None, pick));
    }
    let real = |name: &str, description: &str, value: fn(&Part) -> Option<f64>| {
        let of = |row: &(String, &str, Option<&Part>, Pick)| match row.2 {
            Some(part) => value(part),
            None => mean_by_records(found, row.3, value),
        };
        Column::real(name, "", description, numbers(&rows, of))
    };
    let count = |value: fn(&Part) -> usize| {
        rows.iter()
            .map(|row| match row.2 {
                Some(part) => Some(value(part) as i64),
                None => Some(found.folds.iter().map(|f| value((row.3)(f)) as i64).sum()),
            })
            .collect()
    };
    table(
        "cross_validation",
        "Fitted and own suitability on records left out",
        "Each fold is scored by a fit that never saw it, and by the study's own curves; both by thresholds from the other folds. The study's curves may have been drawn with these records in mind: then they have seen them.",
        vec![
            Column::text("part", "Fold", words(&rows, |r| r.0.clone())),
            Column::text("model", "fitted, or the study's own", words(&rows, |r| r.1.into())),
            Column::integer("records", "", "Records tested", count(|p| p.presences)),
            Column::integer("background", "", "Background cells", count(|p| p.background)),
            real("auc", "Area under the ROC curve", |p| p.auc.map(|a| a.value)),
            real("auc_standard_error", "Its standard error; in the row of means their mean", |p| {
                p.auc.map(|a| a.error)
            }),
            real("boyce_index", "Continuous Boyce index", |p| p.boyce),
            real("threshold", "Largest sum of sensitivity and specificity in training", |p| p.threshold),
            real("sensitivity", "Share of records at or above it", |p| {
                p.confusion.and_then(|c| c.sensitivity())
            }),
            real("specificity", "Share of the background below it", |p| {
                p.confusion.and_then(|c| c.specificity())
            }),
            real("true_skill", "True skill statistic", |p| {
                p.confusion.as_ref().and_then(Confusion::true_skill)
            }),
            real(
                "reached_tenth_percentile",
                "Share of records that reach the tenth percentile of those trained on",
                |p| p.reached_tenth,
            ),
        ],
    )
}

/// The two maps against each other.
pub fn comparison(found: &Comparison, own: f64, fitted: Option<FoundThreshold>) -> Table {
    let [both, own_only, fitted_only] = found.habitat_ha();
    let rows = [
        ("cells compared", Some(found.cells as f64), "cells"),
        ("rank correlation of suitability", found.rank_correlation, ""),
        ("threshold of the study", Some(own), ""),
        ("threshold of the fit", fitted.map(|t| t.value), ""),
        ("threshold of the fit, 5th percentile", fitted.and_then(|t| t.range).map(|r| r.low), ""),
        ("threshold of the fit, 95th percentile", fitted.and_then(|t| t.range).map(|r| r.high), ""),
        ("habitat by both", Some(both), "ha"),
        ("habitat by the study only", Some(own_only), "ha"),
        ("habitat by the fit only", Some(fitted_only), "ha"),
        ("habitat by neither", Some(found.neither_ha()), "ha"),
    ];
    table(
        "comparison",
        "Maps by the study's own curves and by fitted ones",
        "Baseline, over cells assessed by both. Rank correlation: Spearman, suitability taken to the nearest thousandth. The fit is the curves as written into the fragment.",
        vec![
            Column::text("what", "What is compared", words(&rows, |r| r.0.into())),
            Column::real("value", "", "Its value", numbers(&rows, |r| r.1)),
            Column::text("unit", "Its unit", words(&rows, |r| r.2.into())),
        ],
    )
}
