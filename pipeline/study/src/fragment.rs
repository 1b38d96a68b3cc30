//! Parts of a study file written by the program, for a person to read, edit and paste into a study.

use crate::options::{
    Average, Combine, CurveSection, IfMissing, IfMissingWord, MeasureKind, RequisiteSection, StudyFile,
    SuitabilitySection, Threshold, VariableSection,
};
use serde::Serialize;
use std::collections::BTreeMap;

/// Name of the one requisite of a fragment.
pub const FITTED: &str = "fitted";

/// Why no fragment could be written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FragmentError {
    /// No variable of this name.
    #[error("the study has no variable {0:?}; name one that stands in the study file")]
    Variable(String),
    /// The TOML library refused.
    #[error("the fragment cannot be written as TOML: {0}")]
    Toml(String),
}

/// A variable with the curve fitted to it.
#[derive(Clone, Debug)]
pub struct FittedVariable {
    /// Its name in the study.
    pub name: String,
    /// The curve that takes the place of its own.
    pub curve: CurveSection,
    /// Score of a missing value, where one does not leave the cell unassessed.
    pub missing: f64,
}

#[derive(Serialize)]
struct Fragment {
    requisites: BTreeMap<&'static str, RequisiteSection>,
    suitability: SuitabilitySection,
}

/// The sections `[requisites.fitted]` and `[suitability]` as TOML: variables of `study` with fitted curves, in the order given and
/// of equal weight, combined by the geometric mean. Barriers stay.
///
/// # Errors
/// A name that is no variable of the study.
pub fn fragment(
    study: &StudyFile,
    fitted: &[FittedVariable],
    threshold: Threshold,
) -> Result<String, FragmentError> {
    let mut variables = Vec::new();
    for one in fitted {
        let mut own = study.requisites.values().flat_map(|requisite| &requisite.variables);
        let found = own.find(|v| v.name == one.name);
        let written = found.ok_or_else(|| FragmentError::Variable(one.name.clone()))?;
        let if_missing = match written.if_missing {
            None | Some(IfMissing::Word(IfMissingWord::NotAssessed)) => None,
            Some(_) => Some(IfMissing::Score(one.missing)),
        };
        let curve = one.curve.clone();
        // the curve is fitted to the mean of the years
        let yearly = matches!(written.measure, MeasureKind::LongestWetSpell | MeasureKind::WetAndWarmMonths);
        let average = if yearly { Some(Average::Measure) } else { written.average };
        variables.push(VariableSection { curve, weight: None, if_missing, average, ..written.clone() });
    }
    let requisite = RequisiteSection {
        combine: Combine::GeometricMean,
        weight: None,
        pairwise: None,
        accept_inconsistent: false,
        near: None,
        variables,
    };
    let suitability = SuitabilitySection {
        combine: Combine::GeometricMean,
        threshold,
        pairwise: None,
        order: Vec::new(),
        accept_inconsistent: false,
        barriers: study.suitability.barriers.clone(),
    };
    let fragment = Fragment { requisites: [(FITTED, requisite)].into(), suitability };
    let text = toml::to_string(&fragment).map_err(|e| FragmentError::Toml(e.to_string()))?;
    // what is so without being said need not be said
    let lines = text.lines().filter(|line| *line != "accept_inconsistent = false");
    Ok(lines.flat_map(|line| [line, "\n"]).collect())
}
