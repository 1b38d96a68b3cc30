//! From measures to scores, requisites and suitability, cell by cell.

use crate::measure::NO_CLASS;
use lentic_numerics::{combine, curve};
use lentic_study::settings::{Combine, Curve, Missing, Requisite, Study};

/// Measured values of one variable over a block's inner cells.
#[derive(Clone, Debug)]
pub enum Measured {
    /// Numbers; NaN is missing.
    Numbers(Vec<f32>),
    /// Class codes; `NO_CLASS` is missing.
    Codes(Vec<i32>),
}

/// A class code that has no score.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "variable \"{variable}\": class {code} occurs in the layer but the curve gives it no score; add the class to the curve or the legend"
)]
pub struct UnscoredClass {
    /// The variable.
    pub variable: String,
    /// The code met.
    pub code: i32,
}

/// Score in [0, 1] of a number; `None` for a missing number or a class curve.
pub fn score(response: &Curve, value: f64) -> Option<f64> {
    if value.is_nan() {
        return None;
    }
    match response {
        Curve::Points(points) => Some(curve::piecewise_linear(points, value)),
        Curve::Trapezoid(corners) => Some(curve::trapezoid(*corners, value)),
        Curve::Gaussian { best, spread } => Some(curve::gaussian(*best, *spread, value)),
        Curve::Logistic { middle, steepness } => Some(curve::logistic(*middle, *steepness, value)),
        Curve::Classes(_) => None,
    }
}

/// Scores of a variable over cells; `None` where the measure is missing.
///
/// # Errors
/// A code without a score.
pub fn scores(name: &str, response: &Curve, measured: &Measured) -> Result<Vec<Option<f64>>, UnscoredClass> {
    match (measured, response) {
        (Measured::Numbers(values), _) => Ok(values.iter().map(|v| score(response, f64::from(*v))).collect()),
        (Measured::Codes(codes), Curve::Classes(table)) => codes
            .iter()
            .map(|code| match (*code, table.get(code)) {
                (NO_CLASS, _) => Ok(None),
                (_, Some(score)) => Ok(Some(*score)),
                (code, None) => Err(UnscoredClass { variable: name.to_string(), code }),
            })
            .collect(),
        (Measured::Codes(codes), _) => Ok(codes
            .iter()
            .map(|code| if *code == NO_CLASS { None } else { score(response, f64::from(*code)) })
            .collect()),
    }
}

/// Combines scores under weights by a rule.
pub fn combined(rule: Combine, scores: &[f64], weights: &[f64]) -> f64 {
    match rule {
        Combine::ArithmeticMean => combine::arithmetic(scores, weights),
        Combine::GeometricMean => combine::geometric(scores, weights),
        Combine::Minimum => combine::minimum(scores),
        Combine::Product => combine::product(scores),
    }
}

/// A requisite's score from those of its variables; `None` where it is not assessed.
pub fn requisite_score(requisite: &Requisite, scores: &[Option<f64>]) -> Option<f64> {
    let mut kept = Vec::with_capacity(scores.len());
    let mut weights = Vec::with_capacity(scores.len());
    for (variable, score) in requisite.variables.iter().zip(scores) {
        let score = match (score, variable.if_missing) {
            (Some(score), _) => *score,
            (None, Missing::Score(score)) => score,
            (None, Missing::Omit) => continue,
            (None, Missing::NotAssessed) => return None,
        };
        kept.push(score);
        weights.push(variable.weight);
    }
    let total: f64 = weights.iter().sum();
    let by_weight = matches!(requisite.combine, Combine::ArithmeticMean | Combine::GeometricMean);
    if kept.is_empty() || (by_weight && total <= 0.0) {
        return None;
    }
    Some(combined(requisite.combine, &kept, &weights))
}

/// Suitability of every cell, NaN where not assessed. `measured` holds one entry per variable in the
/// order of `Study::variables`, each over the same cells; `barrier` is true where a barrier lies.
///
/// # Errors
/// A class code without a score.
pub fn suitability(
    study: &Study,
    measured: &[&Measured],
    barrier: &[bool],
) -> Result<Vec<f32>, UnscoredClass> {
    let mut by_variable = Vec::with_capacity(measured.len());
    for ((_, variable), measured) in study.variables().zip(measured) {
        by_variable.push(scores(&variable.name, &variable.curve, measured)?);
    }
    let weights: Vec<f64> = study.requisites.iter().map(|r| r.weight).collect();
    let mut row = vec![None; by_variable.len()];
    let mut of_requisites = Vec::with_capacity(study.requisites.len());
    Ok((0..barrier.len())
        .map(|cell| {
            for (slot, scores) in row.iter_mut().zip(&by_variable) {
                *slot = scores[cell];
            }
            of_requisites.clear();
            let mut rest = &row[..];
            for requisite in &study.requisites {
                let (own, others) = rest.split_at(requisite.variables.len());
                rest = others;
                match requisite_score(requisite, own) {
                    Some(score) => of_requisites.push(score),
                    None => return f32::NAN,
                }
            }
            if barrier[cell] {
                return 0.0;
            }
            combined(study.suitability.combine, &of_requisites, &weights) as f32
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_study::settings::{Measure, Variable};

    fn variable(weight: f64, if_missing: Missing) -> Variable {
        Variable {
            name: "v".into(),
            measure: Measure::Hydroperiod,
            curve: Curve::Points(vec![[0.0, 0.0], [10.0, 1.0]]),
            weight,
            if_missing,
        }
    }

    fn requisite(combine: Combine, variables: Vec<Variable>) -> Requisite {
        Requisite { name: "r".into(), combine, weight: 1.0, consistency_ratio: None, variables }
    }

    /// Arithmetic of CHECKS 8e: weights 0.6 and 0.4 of 0.4 and 0.9 (recomputed there with Python).
    #[test]
    fn weighted_means() {
        let variables = vec![variable(0.6, Missing::NotAssessed), variable(0.4, Missing::NotAssessed)];
        let scores = [Some(0.4), Some(0.9)];
        let geometric = requisite(Combine::GeometricMean, variables.clone());
        let got = requisite_score(&geometric, &scores).unwrap();
        assert!((got - 0.553_264_746_9).abs() < 1e-9);
        let arithmetic = requisite(Combine::ArithmeticMean, variables.clone());
        assert!((requisite_score(&arithmetic, &scores).unwrap() - 0.6).abs() < 1e-12);
        assert_eq!(requisite_score(&requisite(Combine::Minimum, variables), &scores), Some(0.4));
    }

    #[test]
    fn the_three_ways_of_missing() {
        let scores = [None, Some(0.8)];
        let with = |missing| {
            let variables = vec![variable(0.5, missing), variable(0.5, Missing::NotAssessed)];
            requisite_score(&requisite(Combine::ArithmeticMean, variables), &scores)
        };
        assert_eq!(with(Missing::NotAssessed), None);
        assert_eq!(with(Missing::Omit), Some(0.8));
        assert_eq!(with(Missing::Score(0.2)), Some(0.5));
        let alone = requisite(Combine::Minimum, vec![variable(1.0, Missing::Omit)]);
        assert_eq!(requisite_score(&alone, &[None]), None);
    }

    #[test]
    fn an_unscored_class_is_an_error_and_no_class_is_missing() {
        let table = Curve::Classes([(1, 0.5)].into());
        let codes = Measured::Codes(vec![1, NO_CLASS]);
        assert_eq!(scores("cover", &table, &codes), Ok(vec![Some(0.5), None]));
        let unknown = scores("cover", &table, &Measured::Codes(vec![2])).unwrap_err();
        assert_eq!((unknown.variable.as_str(), unknown.code), ("cover", 2));
    }
}
