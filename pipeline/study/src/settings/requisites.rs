//! Requisites and their variables.

use super::{Combine, Curve, Measure};

/// A requisite with weights normalised to sum 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Requisite {
    /// Name.
    pub name: String,
    /// How its variables combine.
    pub combine: Combine,
    /// Its weight among requisites (all sum to 1).
    pub weight: f64,
    /// Consistency ratio of its variables' pairwise weights, if they are used.
    pub consistency_ratio: Option<f64>,
    /// Another requisite that must be met nearby.
    pub near: Option<Near>,
    /// Variables.
    pub variables: Vec<Variable>,
}

/// A requisite counts only within reach of another.
#[derive(Clone, Debug, PartialEq)]
pub struct Near {
    /// Position of the other among the requisites.
    pub requisite: usize,
    /// How far it may be, metres.
    pub within_m: f64,
    /// Score from which a cell meets the other.
    pub at_least: f64,
    /// Factor by distance; `None`: 1 within reach, 0 beyond.
    pub curve: Option<Curve>,
}

/// A variable.
#[derive(Clone, Debug, PartialEq)]
pub struct Variable {
    /// Name, unique in the study.
    pub name: String,
    /// What is measured.
    pub measure: Measure,
    /// From measure to score.
    pub curve: Curve,
    /// Weight in its requisite (they sum to 1).
    pub weight: f64,
    /// What a missing value does.
    pub if_missing: Missing,
}

/// What a missing value does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Missing {
    /// The cell is not assessed.
    NotAssessed,
    /// The other weights fill its place.
    Omit,
    /// It scores this.
    Score(f64),
}
