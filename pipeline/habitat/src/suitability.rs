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
    /// Years one by one, NaN where missing.
    Years {
        /// Mean of the measure over the years.
        measure: Vec<f32>,
        /// Mean of the scores of the years.
        score: Vec<f32>,
    },
}

impl Measured {
    /// Whether a cell has the measure.
    pub fn is_known(&self, cell: usize) -> bool {
        match self {
            Measured::Numbers(values) | Measured::Years { measure: values, .. } => !values[cell].is_nan(),
            Measured::Codes(codes) => codes[cell] != NO_CLASS,
        }
    }
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

/// Scores of a variable over cells; NaN where the measure is missing.
///
/// # Errors
/// A code without a score.
pub fn scores(name: &str, response: &Curve, measured: &Measured) -> Result<Vec<f64>, UnscoredClass> {
    let missing = |score: Option<f64>| score.unwrap_or(f64::NAN);
    match (measured, response) {
        (Measured::Numbers(values), _) => {
            // cells in a row are often alike: dry, or farther than a limit
            let mut before = (f32::NAN, f64::NAN);
            let of = |value: &f32| {
                if *value != before.0 {
                    before = (*value, missing(score(response, f64::from(*value))));
                }
                before.1
            };
            Ok(values.iter().map(of).collect())
        }
        (Measured::Years { score, .. }, _) => Ok(score.iter().map(|s| f64::from(*s)).collect()),
        (Measured::Codes(codes), Curve::Classes(table)) => codes
            .iter()
            .map(|code| match (*code, table.get(code)) {
                (NO_CLASS, _) => Ok(f64::NAN),
                (_, Some(score)) => Ok(*score),
                (code, None) => Err(UnscoredClass { variable: name.to_string(), code }),
            })
            .collect(),
        (Measured::Codes(codes), _) => Ok(codes
            .iter()
            .map(|code| if *code == NO_CLASS { f64::NAN } else { missing(score(response, f64::from(*code))) })
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

/// Scores that count with their weights, reused from cell to cell.
#[derive(Clone, Debug, Default)]
pub struct Counted {
    /// Scores; those given for missing measures among them.
    pub scores: Vec<f64>,
    /// Their weights.
    pub weights: Vec<f64>,
    /// Which variable of the requisite each belongs to.
    pub of: Vec<usize>,
}

impl Counted {
    /// Takes the scores of a requisite's variables, NaN where missing; false where it is not assessed.
    pub fn take(&mut self, requisite: &Requisite, scores: &[f64]) -> bool {
        self.scores.clear();
        self.weights.clear();
        self.of.clear();
        for (at, (variable, score)) in requisite.variables.iter().zip(scores).enumerate() {
            let score = match variable.if_missing {
                _ if !score.is_nan() => *score,
                Missing::Score(score) => score,
                Missing::Omit => continue,
                Missing::NotAssessed => return false,
            };
            self.scores.push(score);
            self.weights.push(variable.weight);
            self.of.push(at);
        }
        let by_weight = matches!(requisite.combine, Combine::ArithmeticMean | Combine::GeometricMean);
        !self.scores.is_empty() && (!by_weight || self.weights.iter().sum::<f64>() > 0.0)
    }

    /// What they come to.
    pub fn combined(&self, requisite: &Requisite) -> f64 {
        combined(requisite.combine, &self.scores, &self.weights)
    }
}

/// A requisite's score from those of its variables, NaN where missing; NaN where it is not assessed.
pub fn requisite_score(requisite: &Requisite, scores: &[f64], room: &mut Counted) -> f64 {
    if room.take(requisite, scores) { room.combined(requisite) } else { f64::NAN }
}

/// A requisite's score over cells; `scores` has one entry per variable. `before` are the scores of the variables and of the requisite
/// in another case: a cell whose variables score the same there keeps that.
pub fn requisite_scores(
    requisite: &Requisite,
    scores: &[&[f64]],
    before: Option<(&[&[f64]], &[f64])>,
) -> Vec<f64> {
    let cells = scores.first().map_or(0, |scores| scores.len());
    let mut room = Counted::default();
    let mut row = vec![f64::NAN; scores.len()];
    let weights: Vec<f64> = requisite.variables.iter().map(|variable| variable.weight).collect();
    (0..cells)
        .map(|cell| {
            if let Some((others, known)) = before
                && scores
                    .iter()
                    .zip(others)
                    .all(|(here, there)| here[cell].to_bits() == there[cell].to_bits())
            {
                return known[cell];
            }
            row.iter_mut().zip(scores).for_each(|(slot, scores)| *slot = scores[cell]);
            // where nothing is missing every variable counts
            match row.iter().any(|score| score.is_nan()) {
                false => combined(requisite.combine, &row, &weights),
                true => requisite_score(requisite, &row, &mut room),
            }
        })
        .collect()
}

/// Weights of a study's requisites, in its order.
pub fn requisite_weights(study: &Study) -> Vec<f64> {
    study.requisites.iter().map(|requisite| requisite.weight).collect()
}

/// Suitability of every cell from what the variables measure there, in the order of the study. `nearness` holds each
/// requisite's factor of nearness by cell; where it is empty (or there is none) the factor is 1.
///
/// # Errors
/// A code without a score.
pub fn suitability_of(
    study: &Study,
    measured: &[&Measured],
    nearness: &[Vec<f64>],
    barrier: &[bool],
) -> Result<Vec<f32>, UnscoredClass> {
    let of_variables = study
        .variables()
        .zip(measured)
        .map(|((_, variable), measured)| scores(&variable.name, &variable.curve, measured))
        .collect::<Result<Vec<_>, _>>()?;
    let mut rest = &of_variables[..];
    let mut of_requisites = Vec::with_capacity(study.requisites.len());
    for (at, requisite) in study.requisites.iter().enumerate() {
        let (own, others) = rest.split_at(requisite.variables.len());
        rest = others;
        let rows: Vec<&[f64]> = own.iter().map(|scores| &scores[..]).collect();
        let mut found = requisite_scores(requisite, &rows, None);
        if let Some(factors) = nearness.get(at).filter(|factors| !factors.is_empty()) {
            found.iter_mut().zip(factors).for_each(|(score, factor)| *score *= factor);
        }
        of_requisites.push(found);
    }
    let rows: Vec<&[f64]> = of_requisites.iter().map(|scores| &scores[..]).collect();
    Ok(suitability(study, &rows, barrier))
}

/// Suitability of every cell from the scores of the requisites, NaN where one is not assessed; `barrier` is true where a
/// barrier lies.
pub fn suitability(study: &Study, requisites: &[&[f64]], barrier: &[bool]) -> Vec<f32> {
    let weights = requisite_weights(study);
    let mut row = vec![f64::NAN; requisites.len()];
    (0..barrier.len())
        .map(|cell| {
            row.iter_mut().zip(requisites).for_each(|(slot, scores)| *slot = scores[cell]);
            match combined(study.suitability.combine, &row, &weights) {
                _ if row.iter().any(|score| score.is_nan()) => f32::NAN,
                _ if barrier[cell] => 0.0,
                suitability => suitability as f32,
            }
        })
        .collect()
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
        Requisite { name: "r".into(), combine, weight: 1.0, consistency_ratio: None, near: None, variables }
    }

    /// Arithmetic of CHECKS 8e: weights 0.6 and 0.4 of 0.4 and 0.9 (recomputed there with Python).
    #[test]
    fn weighted_means() {
        let variables = vec![variable(0.6, Missing::NotAssessed), variable(0.4, Missing::NotAssessed)];
        let scores = [0.4, 0.9];
        let requisite_score = |requisite: &Requisite, scores: &[f64]| {
            super::requisite_score(requisite, scores, &mut Counted::default())
        };
        let geometric = requisite(Combine::GeometricMean, variables.clone());
        let got = requisite_score(&geometric, &scores);
        assert!((got - 0.553_264_746_9).abs() < 1e-9);
        let arithmetic = requisite(Combine::ArithmeticMean, variables.clone());
        assert!((requisite_score(&arithmetic, &scores) - 0.6).abs() < 1e-12);
        assert_eq!(requisite_score(&requisite(Combine::Minimum, variables), &scores), 0.4);
    }

    /// Two levels as in USFWS 1981, 103 ESM: variables make life requisites, the index is the lowest of them ("the lowest of the
    /// ratings", limiting factor) or their geometric mean. Worked with numpy: sqrt(.25 x 1) = .5, (.4^2 x .9)^(1/3) =
    /// .5241482788, their minimum and sqrt(.5 x .5241482788) = .5119317722.
    #[test]
    fn requisites_of_two_levels() {
        let twice = |weight| variable(weight, Missing::NotAssessed);
        let water = requisite(Combine::GeometricMean, vec![twice(0.5), twice(0.5)]);
        let cover = requisite(Combine::GeometricMean, vec![twice(2.0 / 3.0), twice(1.0 / 3.0)]);
        let mut room = Counted::default();
        let scores = [
            requisite_score(&water, &[0.25, 1.0], &mut room),
            requisite_score(&cover, &[0.4, 0.9], &mut room),
        ];
        assert!((scores[0] - 0.5).abs() < 1e-12 && (scores[1] - 0.524_148_278_8).abs() < 1e-9);
        assert_eq!(combined(Combine::Minimum, &scores, &[0.5, 0.5]), scores[0]);
        let mean = combined(Combine::GeometricMean, &scores, &[0.5, 0.5]);
        assert!((mean - 0.511_931_772_2).abs() < 1e-9);
        // any 0 gives 0
        assert_eq!(requisite_score(&water, &[0.0, 1.0], &mut room), 0.0);
    }

    proptest::proptest! {
        /// What another case scored is taken for cells alike there, and for no other.
        #[test]
        fn another_case_changes_no_score(
            cells in proptest::collection::vec((0..4usize, 0..4usize, 0..4usize), 0..40),
            geometric in proptest::bool::ANY,
        ) {
            let of = |at: usize| [0.0, 0.3, 1.0, f64::NAN][at];
            let combine = if geometric { Combine::GeometricMean } else { Combine::ArithmeticMean };
            let requisite = requisite(combine, vec![variable(0.6, Missing::NotAssessed), variable(0.4, Missing::Omit)]);
            let column = |pick: &dyn Fn(&(usize, usize, usize)) -> usize| -> Vec<f64> { cells.iter().map(|cell| of(pick(cell))).collect() };
            let (same, here, there) = (column(&|c| c.0), column(&|c| c.1), column(&|c| c.2));
            let before = requisite_scores(&requisite, &[&same, &there], None);
            let with = requisite_scores(&requisite, &[&same, &here], Some((&[&same, &there], &before)));
            let without = requisite_scores(&requisite, &[&same, &here], None);
            let bits = |scores: Vec<f64>| scores.into_iter().map(f64::to_bits).collect::<Vec<_>>();
            proptest::prop_assert_eq!(bits(with), bits(without));
        }

        /// Cells in a row that are alike are scored once.
        #[test]
        fn one_cell_at_a_time(values in proptest::collection::vec(proptest::sample::select(vec![0.0f32, -0.0, 2.5, 7.0, f32::NAN]), 0..40)) {
            let curve = Curve::Points(vec![[0.0, 0.1], [5.0, 1.0]]);
            let all = scores("v", &curve, &Measured::Numbers(values.clone())).unwrap();
            for (value, found) in values.into_iter().zip(all) {
                let alone = score(&curve, f64::from(value)).unwrap_or(f64::NAN);
                proptest::prop_assert_eq!(found.to_bits(), alone.to_bits());
            }
        }
    }

    #[test]
    fn the_three_ways_of_missing() {
        let scores = [f64::NAN, 0.8];
        let with = |missing| {
            let variables = vec![variable(0.5, missing), variable(0.5, Missing::NotAssessed)];
            let requisite = requisite(Combine::ArithmeticMean, variables);
            requisite_score(&requisite, &scores, &mut Counted::default())
        };
        assert!(with(Missing::NotAssessed).is_nan());
        assert_eq!(with(Missing::Omit), 0.8);
        assert_eq!(with(Missing::Score(0.2)), 0.5);
        let alone = requisite(Combine::Minimum, vec![variable(1.0, Missing::Omit)]);
        assert!(requisite_score(&alone, &[f64::NAN], &mut Counted::default()).is_nan());
    }

    #[test]
    fn an_unscored_class_is_an_error_and_no_class_is_missing() {
        let table = Curve::Classes([(1, 0.5)].into());
        let codes = Measured::Codes(vec![1, NO_CLASS]);
        let found = scores("cover", &table, &codes).unwrap();
        assert!(found[0] == 0.5 && found[1].is_nan());
        let unknown = scores("cover", &table, &Measured::Codes(vec![2])).unwrap_err();
        assert_eq!((unknown.variable.as_str(), unknown.code), ("cover", 2));
    }
}
