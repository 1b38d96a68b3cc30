//! Suitability fitted to records: a penalised presence-background point process over what the study's variables measure,
//! turned back into response curves that a person can read and edit.

mod layout;
mod shape;

pub use layout::{ClassTerms, FittedMeasure, Layout, Shape};
pub use shape::{Bend, deviation, simplified};

use crate::folds::{Folds, Parting};
use crate::suitability::Measured;
use crate::validation::{FEW, Part, Places};
use lentic_numerics::point_process::{PointProcess, PointProcessError, Terms, fit};
use rayon::prelude::*;

/// Penalties tried, strongest first: the precision (1 / variance) of a normal prior on each coefficient of a term scaled to
/// standard deviation 1.
pub const PENALTIES: [f64; 9] = [1000.0, 300.0, 100.0, 30.0, 10.0, 3.0, 1.0, 0.3, 0.1];

/// Why records give no calibration.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// Too few records.
    #[error(
        "{0} records stand in assessed cells of their own; calibration needs {FEW}: with fewer, curves would follow single finds. Percentiles and the Boyce index of a run need no more"
    )]
    Few(usize),
    /// Nothing to test on.
    #[error(
        "all {0} records stand together, none farther than block_m from the others: a fit could not be tested anywhere else. Add records from other places, or make block_m smaller if the variables do not look that far"
    )]
    Together(usize),
    /// No variable differs from place to place.
    #[error(
        "no variable differs from place to place: there is nothing to fit. Take other variables into the study"
    )]
    Constant,
    /// The fit fails.
    #[error(transparent)]
    Fit(#[from] PointProcessError),
}

/// A fitted model.
#[derive(Clone, Debug)]
pub struct Model {
    /// Which terms stand in which columns.
    pub layout: Layout,
    /// The fitted process; one unit of ground is the whole background.
    pub process: PointProcess,
    /// Largest response of each measure over its range.
    pub tops: Vec<f64>,
}

impl Model {
    fn new(layout: Layout, process: PointProcess) -> Model {
        let responses = |measure: &FittedMeasure| {
            let of = |bend: Bend| bend.response;
            shape::bends(measure, &process).into_iter().map(of).fold(f64::NEG_INFINITY, f64::max)
        };
        let tops = layout.measures.iter().map(responses).collect();
        Model { layout, process, tops }
    }

    /// Fitted suitability of a row of terms: the geometric mean over the measures of exp(response - largest response). As the
    /// n-th root of the density over its largest possible value it ranks places as the density does.
    pub fn suitability(&self, terms: &[f64]) -> f64 {
        let best: f64 = self.tops.iter().sum();
        ((self.process.response(terms) - best) / self.tops.len() as f64).exp()
    }

    fn scores(&self, rows: &[f64]) -> Vec<f64> {
        rows.chunks_exact(self.layout.columns).map(|row| self.suitability(row)).collect()
    }

    /// The response of a measure from end to end (numbers) or class by class.
    pub fn bends(&self, measure: usize) -> Vec<Bend> {
        shape::bends(&self.layout.measures[measure], &self.process)
    }
}

/// How the fit did on one fold, by a model that never saw it.
#[derive(Clone, Debug)]
pub struct FoldScore {
    /// The fitted model.
    pub fitted: Part,
    /// The study's own suitability on the same fold.
    pub expert: Part,
}

/// A calibration.
#[derive(Clone, Debug)]
pub struct Calibration {
    /// Fitted to all records.
    pub model: Model,
    /// The penalty chosen.
    pub penalty: f64,
    /// Each penalty with what it gains on records left out: mean log density at a record over the mean density of its fold's
    /// ground; 0 is no better than an even density.
    pub gains: Vec<(f64, f64)>,
    /// Folds.
    pub folds: Vec<FoldScore>,
    /// How the ground was parted.
    pub parting: Parting,
    /// Fitted suitability of presences and of background.
    pub scores: (Vec<f64>, Vec<f64>),
}

/// What a fit is made from.
#[derive(Clone, Copy, Debug)]
pub struct Data<'a> {
    /// Presences with their measures.
    pub presences: &'a Places,
    /// Background with its measures.
    pub background: &'a Places,
    /// The study's own suitability of both.
    pub expert: (&'a [f64], &'a [f64]),
    /// Folds of both.
    pub folds: &'a Folds,
}

/// Fits the model: the penalty that gains most on folds left out (the stronger of equals), then a fit to all records.
///
/// # Errors
/// [`CalibrationError`].
pub fn calibrate(layout: Layout, data: Data<'_>) -> Result<Calibration, CalibrationError> {
    let count = data.presences.barrier.len();
    if count < FEW {
        return Err(CalibrationError::Few(count));
    }
    if data.folds.count == 0 {
        return Err(CalibrationError::Together(count));
    }
    if layout.measures.is_empty() {
        return Err(CalibrationError::Constant);
    }
    let presences = layout.rows(&data.presences.measured, count);
    let background = layout.rows(&data.background.measured, data.background.barrier.len());
    let tried: Vec<Vec<(f64, PointProcess)>> = (0..data.folds.count)
        .into_par_iter()
        .map(|fold| {
            let train_p = picked(&presences, layout.columns, &data.folds.presences, |f| f != fold);
            let train_b = picked(&background, layout.columns, &data.folds.background, |f| f != fold);
            let test_p = picked(&presences, layout.columns, &data.folds.presences, |f| f == fold);
            let test_b = picked(&background, layout.columns, &data.folds.background, |f| f == fold);
            let path = path(&layout, &train_p, &train_b, &PENALTIES)?;
            let gain = |process: &PointProcess| gain(process, layout.columns, &test_p, &test_b);
            Ok(path.into_iter().map(|process| (gain(&process), process)).collect())
        })
        .collect::<Result<_, PointProcessError>>()?;
    let gains: Vec<(f64, f64)> = PENALTIES
        .iter()
        .enumerate()
        .map(|(at, penalty)| (*penalty, tried.iter().map(|fold| fold[at].0).sum::<f64>() / count as f64))
        .collect();
    let mut best = 0;
    for at in 1..gains.len() {
        if gains[at].1 > gains[best].1 {
            best = at;
        }
    }
    let folds = tried
        .into_iter()
        .enumerate()
        .map(|(fold, mut path)| {
            let model = Model::new(layout.clone(), path.swap_remove(best).1);
            let scores = (model.scores(&presences), model.scores(&background));
            let judge = |scores: (&[f64], &[f64])| {
                let pick = |scores: &[f64], of: &[usize], wanted: bool| -> Vec<f64> {
                    let pairs = scores.iter().zip(of).filter(|(_, f)| (**f == fold) == wanted);
                    pairs.map(|(score, _)| *score).collect()
                };
                let side = |wanted| {
                    (
                        pick(scores.0, &data.folds.presences, wanted),
                        pick(scores.1, &data.folds.background, wanted),
                    )
                };
                let (train, test) = (side(false), side(true));
                Part::judge((&train.0, &train.1), (&test.0, &test.1))
            };
            FoldScore { fitted: judge((&scores.0, &scores.1)), expert: judge(data.expert) }
        })
        .collect();
    let process = path(&layout, &presences, &background, &PENALTIES[..=best])?.pop();
    let process = process.ok_or(PointProcessError::Unsettled)?;
    let model = Model::new(layout, process);
    let scores = (model.scores(&presences), model.scores(&background));
    let (penalty, parting) = (PENALTIES[best], data.folds.parting);
    Ok(Calibration { model, penalty, gains, folds, parting, scores })
}

/// Rows of the places whose fold is wanted.
fn picked(rows: &[f64], columns: usize, folds: &[usize], wanted: impl Fn(usize) -> bool) -> Vec<f64> {
    let chosen = rows.chunks_exact(columns).zip(folds).filter(|(_, fold)| wanted(**fold));
    chosen.flat_map(|(row, _)| row.iter().copied()).collect()
}

/// Fits along penalties, each from the one before.
fn path(
    layout: &Layout,
    presences: &[f64],
    background: &[f64],
    penalties: &[f64],
) -> Result<Vec<PointProcess>, PointProcessError> {
    let columns = layout.columns;
    let places = background.len() / columns;
    let weights = vec![1.0 / places as f64; places];
    let mut fits: Vec<PointProcess> = Vec::new();
    for penalty in penalties {
        let precision = vec![*penalty; columns];
        let start = fits.last().map(|fit| fit.coefficients.as_slice());
        fits.push(fit(
            Terms::new(presences, columns),
            presences.len() / columns,
            Terms::new(background, columns),
            &weights,
            &precision,
            start,
        )?);
    }
    Ok(fits)
}

/// Sum over test presences of ln(density / mean density of the test ground).
fn gain(process: &PointProcess, columns: usize, presences: &[f64], background: &[f64]) -> f64 {
    let ground: Vec<f64> = background.chunks_exact(columns).map(|row| process.response(row)).collect();
    if ground.is_empty() {
        return 0.0;
    }
    let top = ground.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mean = top + (ground.iter().map(|g| (g - top).exp()).sum::<f64>() / ground.len() as f64).ln();
    presences.chunks_exact(columns).map(|row| process.response(row) - mean).sum()
}

/// What a measured value is called among [`Measured`]: `None` where it is missing.
pub(crate) fn number(measured: &Measured, at: usize) -> Option<f64> {
    match measured {
        Measured::Numbers(values) | Measured::Years { measure: values, .. } => {
            Some(f64::from(values[at])).filter(|v| !v.is_nan())
        }
        Measured::Codes(codes) => (codes[at] != crate::measure::NO_CLASS).then(|| f64::from(codes[at])),
    }
}

#[cfg(test)]
mod tests;
