//! Fitted responses as curves of a study: straight lines between few points, and a score for every class.

use super::{RULE, version};
use crate::error::EngineError;
use crate::records::Prepared;
use lentic_habitat::calibration::{Calibration, Model, Shape, deviation, simplified};
use lentic_habitat::suitability::{Measured, suitability_of};
use lentic_habitat::validation::{FoundThreshold, Places, threshold};
use lentic_numerics::curve::piecewise_linear;
use lentic_study::Study;
use lentic_study::fragment::{FITTED, FittedVariable, fragment};
use lentic_study::options::{CurveSection, StudyFile, Threshold};
use lentic_study::settings::{Combine, Curve, Missing, Requisite, Variable};
use std::collections::BTreeMap;

/// How far a curve may lie from the fitted response: a share of the score (of 0.01 where that is lower).
const TOLERANCE: f64 = 0.05;
/// Lowest score of a fitted curve: a 0 would rule a place out for good, which no number of records can show.
const LEAST: f64 = 1e-4;

/// Curves of the measures in a fit.
pub struct FittedCurves {
    /// Their variables, by position in the study.
    pub variables: Vec<usize>,
    /// The curve of each.
    pub curves: Vec<Curve>,
    /// Score of a missing value of each.
    pub missing: Vec<f64>,
    /// Largest deviation from the fitted response of each, as a share of the score.
    pub off: Vec<f64>,
    /// The study with these curves in place of its requisites.
    pub study: Study,
}

impl FittedCurves {
    /// Curves of a model. The score of a value is exp(response - largest response), so that the geometric mean of the scores ranks
    /// cells as the fitted density does.
    pub fn of(study: &Study, model: &Model) -> FittedCurves {
        let mut made = FittedCurves {
            variables: Vec::new(),
            curves: Vec::new(),
            missing: Vec::new(),
            off: Vec::new(),
            study: study.clone(),
        };
        for (at, measure) in model.layout.measures.iter().enumerate() {
            let top = model.tops[at];
            let score = |response: f64| (response - top).exp().max(LEAST);
            let bends: Vec<[f64; 2]> = model.bends(at).iter().map(|b| [b.value, score(b.response)]).collect();
            let (curve, off) = match &measure.shape {
                Shape::Number(terms) => {
                    let step = (terms.high - terms.low) / 1e4;
                    let few = rounded(&simplified(&bends, TOLERANCE), step);
                    let off = bends.iter().map(|[x, y]| deviation(piecewise_linear(&few, *x), *y));
                    let off = off.fold(0.0, f64::max);
                    (Curve::Points(few), off)
                }
                Shape::Class(_) => {
                    let layer = study.variables().nth(measure.variable).and_then(|(_, v)| v.measure.layer());
                    let legend = layer.and_then(|name| study.layer(name)).and_then(|l| l.legend.as_ref());
                    // classes that no sampled cell has are as good as the mean of the ground
                    let mut scores: BTreeMap<i32, f64> = legend
                        .map(|l| l.classes.keys().map(|code| (*code, plain(score(0.0)))).collect())
                        .unwrap_or_default();
                    scores.extend(bends.iter().map(|[code, score]| (*code as i32, plain(*score))));
                    (Curve::Classes(scores), 0.0)
                }
            };
            made.variables.push(measure.variable);
            made.curves.push(curve);
            made.missing.push(plain(score(0.0)));
            made.off.push(off);
        }
        made.study = with_curves(study, &made);
        made
    }

    /// Fitted suitability where the study's variables measure this.
    ///
    /// # Errors
    /// A class without a score: one that neither a legend nor a sampled cell names.
    pub fn suitability(&self, measured: &[Measured], barrier: &[bool]) -> Result<Vec<f32>, EngineError> {
        // fitted to the mean of the years, a curve scores that mean
        let mean = |measured: &Measured| match measured {
            Measured::Years { measure, .. } => Measured::Numbers(measure.clone()),
            other => other.clone(),
        };
        let own: Vec<Measured> = self.variables.iter().filter_map(|at| measured.get(*at)).map(mean).collect();
        let own: Vec<&Measured> = own.iter().collect();
        Ok(suitability_of(&self.study, &own, &[], barrier)?)
    }

    /// The threshold that the records give these curves.
    ///
    /// # Errors
    /// As [`FittedCurves::suitability`].
    pub fn threshold(
        &self,
        study: &Study,
        prepared: &Prepared,
    ) -> Result<Option<FoundThreshold>, EngineError> {
        let scores = |places: &Places| -> Result<Vec<f64>, EngineError> {
            Ok(self.suitability(&places.measured, &places.barrier)?.into_iter().map(f64::from).collect())
        };
        let presences = scores(&prepared.drawn.presences.places)?;
        let background = scores(&prepared.drawn.background.places)?;
        Ok(threshold(RULE, &presences, &background, &prepared.folds.groups, study.seed))
    }

    /// The part of a study with these curves, explained for its reader.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn fragment(
        &self,
        file: &StudyFile,
        found: &Calibration,
        threshold: Option<FoundThreshold>,
        id: &str,
        date: &str,
    ) -> Result<String, EngineError> {
        let names: Vec<String> = self.study.variables().map(|(_, v)| v.name.clone()).collect();
        let fitted: Vec<FittedVariable> = names
            .iter()
            .zip(&self.curves)
            .zip(&self.missing)
            .map(|((name, curve), missing)| FittedVariable {
                name: name.clone(),
                curve: section(curve),
                missing: *missing,
            })
            .collect();
        let body = fragment(file, &fitted, Threshold::Rule(RULE))?;
        let off = self.off.iter().copied().fold(0.0, f64::max);
        let at = threshold.map_or_else(String::new, |t| {
            let range = t.range.map_or_else(String::new, |r| format!(" ({:.3} to {:.3})", r.low, r.high));
            format!("\n# With these records the threshold comes to {:.3}{range}.", t.value)
        });
        let n = found.scores.0.len();
        Ok(format!(
            "# Curves fitted to {n} records by lentic {}, calibration {id} of {date}.
#
# To use them, copy the study to a new file, take its [requisites...] and [suitability] out, and paste these sections in
# their place. Read them first: curves follow where people looked as well as what the animal needs, and a rise or fall at
# the ends of a range may rest on few records (tables/curves.csv has standard errors). A curve that no biologist can
# explain is a reason to ask, not to use it. Every number may be edited.
#
# How they follow from the fit: the log density of records is a sum of one response per measure. The score of a value is
# exp(response - largest response of that measure), so the geometric mean of the scores ranks cells as the density does; 1 is the
# best there is, and no score is below {LEAST}, since no number of records shows that an animal never comes. Points are
# joined by straight lines that stay within {:.1} % of the fitted response; outside them scores stay as at the ends.
# Classes no sampled cell has score as the mean of the ground.{at}

{body}",
            version(),
            100.0 * off,
        ))
    }

    /// What the user should look into.
    pub fn warnings(&self, study: &Study, found: &Calibration) -> Vec<String> {
        let left: Vec<String> = found
            .model
            .layout
            .left_out
            .iter()
            .filter_map(|at| study.variables().nth(*at).map(|(_, v)| v.name.clone()))
            .collect();
        let mut warnings = Vec::new();
        if !left.is_empty() {
            warnings.push(format!(
                "left out of the fit: {} (the same everywhere, or measuring what another variable measures)",
                left.join(", ")
            ));
        }
        if found.gains.iter().all(|(_, gain)| *gain <= 0.0) {
            warnings.push(
                "on records left out the fit does no better than an even density: do not use its curves"
                    .into(),
            );
        }
        warnings
    }
}

fn with_curves(study: &Study, made: &FittedCurves) -> Study {
    let mut fitted = study.clone();
    let all: Vec<&Variable> = study.variables().map(|(_, v)| v).collect();
    let weight = 1.0 / made.variables.len().max(1) as f64;
    let variables = made
        .variables
        .iter()
        .enumerate()
        .filter_map(|(at, variable)| {
            let own = all.get(*variable)?;
            let if_missing = match own.if_missing {
                Missing::NotAssessed => Missing::NotAssessed,
                _ => Missing::Score(made.missing[at]),
            };
            Some(Variable { curve: made.curves[at].clone(), weight, if_missing, ..(*own).clone() })
        })
        .collect();
    fitted.requisites = vec![Requisite {
        name: FITTED.into(),
        combine: Combine::GeometricMean,
        weight: 1.0,
        consistency_ratio: None,
        near: None,
        variables,
    }];
    fitted.suitability.combine = Combine::GeometricMean;
    fitted
}

fn section(curve: &Curve) -> CurveSection {
    let mut section = CurveSection::default();
    match curve {
        Curve::Points(points) => section.points = Some(points.clone()),
        Curve::Classes(scores) => {
            section.classes = Some(scores.iter().map(|(code, score)| (code.to_string(), *score)).collect());
        }
        // fitted curves are of these two kinds
        _ => {}
    }
    section
}

/// Points a person can read: measures to about a ten-thousandth of the range (rising still), scores to four figures.
fn rounded(points: &[[f64; 2]], step: f64) -> Vec<[f64; 2]> {
    let unit = 10f64.powf(step.log10().floor());
    let mut all: Vec<[f64; 2]> = Vec::new();
    for [x, y] in points {
        let x = decimal((x / unit).round() * unit);
        if all.last().is_none_or(|last| last[0] < x) {
            all.push([x, plain(*y)]);
        }
    }
    all
}

/// A score to four figures, at most 1.
fn plain(score: f64) -> f64 {
    format!("{score:.3e}").parse::<f64>().unwrap_or(score).min(1.0)
}

/// Without the tail of digits that rounding to a power of ten leaves.
fn decimal(x: f64) -> f64 {
    format!("{x:.9}").parse().unwrap_or(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounded_points_still_rise() {
        let points = [[0.0, 0.123456], [0.000_004, 0.5], [1.234_567, 0.000_123_44], [12.0, 1.0]];
        assert_eq!(rounded(&points, 12.0 / 1e4), [[0.0, 0.1235], [1.235, 0.0001234], [12.0, 1.0]]);
        assert_eq!(plain(0.999_99), 1.0);
    }
}
