//! Which terms a calibration has, and in which columns they stand.

use super::number;
use crate::suitability::Measured;
use lentic_numerics::response_terms::ResponseTerms;
use lentic_study::settings::Measure;

/// Terms of a class: one per class, 1 in it and 0 elsewhere, centred and scaled over the background.
#[derive(Clone, Debug, PartialEq)]
pub struct ClassTerms {
    /// Classes met.
    pub codes: Vec<i32>,
    /// Mean and standard deviation of each over the background.
    pub scales: Vec<(f64, f64)>,
}

/// Terms of a measure.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// Linear, quadratic and hinge terms of a number.
    Number(ResponseTerms),
    /// Classes.
    Class(ClassTerms),
}

/// A measure in the fit.
#[derive(Clone, Debug, PartialEq)]
pub struct FittedMeasure {
    /// Position of its variable in `Study::variables`.
    pub variable: usize,
    /// Its terms.
    pub shape: Shape,
    /// Column of its first term.
    pub first: usize,
}

impl FittedMeasure {
    /// Number of terms.
    pub fn len(&self) -> usize {
        match &self.shape {
            Shape::Number(terms) => terms.len(),
            Shape::Class(terms) => terms.codes.len(),
        }
    }

    /// Whether there are none; never so in a layout.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Appends the terms of a value (a class code as a number); zeros, which is the mean of the background, where it is missing
    /// or a class not met.
    pub fn extend(&self, value: Option<f64>, row: &mut Vec<f64>) {
        match (&self.shape, value) {
            (Shape::Number(terms), value) => terms.extend(value.unwrap_or(f64::NAN), row),
            (Shape::Class(terms), Some(code)) if terms.codes.contains(&(code as i32)) => {
                row.extend(terms.codes.iter().zip(&terms.scales).map(|(own, (mean, spread))| {
                    (f64::from(u8::from(f64::from(*own) == code)) - mean) / spread
                }));
            }
            (Shape::Class(terms), _) => row.extend(terms.codes.iter().map(|_| 0.0)),
        }
    }
}

/// All measures of a fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    /// In the order of the study.
    pub measures: Vec<FittedMeasure>,
    /// Terms altogether.
    pub columns: usize,
    /// Variables left out, by position: the same measure stands already in the fit, or it is the same everywhere.
    pub left_out: Vec<usize>,
}

impl Layout {
    /// The terms of what a study's variables measure, over presences and background. A measure that several variables score
    /// in different ways takes part once.
    pub fn new(measures: &[&Measure], presences: &[Measured], background: &[Measured]) -> Layout {
        let mut layout = Layout { measures: Vec::new(), columns: 0, left_out: Vec::new() };
        for (at, (own, background)) in measures.iter().zip(background).enumerate() {
            let again = measures[..at].contains(own);
            let shape = presences.get(at).filter(|_| !again).and_then(|p| shape(p, background));
            match shape {
                Some(shape) => {
                    let measure = FittedMeasure { variable: at, shape, first: layout.columns };
                    layout.columns += measure.len();
                    layout.measures.push(measure);
                }
                None => layout.left_out.push(at),
            }
        }
        layout
    }

    /// Rows of terms of the first `count` places.
    pub fn rows(&self, measured: &[Measured], count: usize) -> Vec<f64> {
        let mut rows = Vec::with_capacity(count * self.columns);
        for at in 0..count {
            for measure in &self.measures {
                measure.extend(number(&measured[measure.variable], at), &mut rows);
            }
        }
        rows
    }
}

fn shape(presences: &Measured, background: &Measured) -> Option<Shape> {
    match (presences, background) {
        (Measured::Numbers(p), Measured::Numbers(b)) => {
            let wide = |values: &[f32]| values.iter().map(|v| f64::from(*v)).collect::<Vec<_>>();
            ResponseTerms::new(&wide(p), &wide(b)).map(Shape::Number)
        }
        (_, Measured::Codes(codes)) => {
            let known: Vec<f64> = (0..codes.len()).filter_map(|at| number(background, at)).collect();
            let mut classes: Vec<i32> = known.iter().map(|c| *c as i32).collect();
            classes.sort_unstable();
            classes.dedup();
            let scales = classes
                .iter()
                .map(|code| {
                    let share =
                        known.iter().filter(|c| **c == f64::from(*code)).count() as f64 / known.len() as f64;
                    (share, (share * (1.0 - share)).sqrt())
                })
                .collect();
            // one class everywhere says nothing
            (classes.len() > 1).then_some(Shape::Class(ClassTerms { codes: classes, scales }))
        }
        _ => None,
    }
}
