//! Parts of a study file written by the program, for a person to read, edit and paste into a study.

use crate::options::{
    Combine, CurveSection, RequisiteSection, StudyFile, SuitabilitySection, Threshold, VariableSection,
};
use serde::Serialize;
use std::collections::BTreeMap;

/// Name of the one requisite of a fragment.
pub const FITTED: &str = "fitted";

/// Why no fragment could be written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FragmentError {
    /// No variable of this name.
    #[error("the study has no variable {0:?}")]
    Variable(String),
    /// The TOML library refused.
    #[error("the fragment cannot be written as TOML: {0}")]
    Toml(String),
}

#[derive(Serialize)]
struct Fragment {
    requisites: BTreeMap<&'static str, RequisiteSection>,
    suitability: SuitabilitySection,
}

/// The sections `[requisites.fitted]` and `[suitability]` as TOML: variables of `study`, each by name with the curve that takes
/// the place of its own, in the order given and of equal weight, combined by the geometric mean. Barriers stay.
///
/// # Errors
/// A name that is no variable of the study.
pub fn fragment(
    study: &StudyFile,
    curves: &[(String, CurveSection)],
    threshold: Threshold,
) -> Result<String, FragmentError> {
    let mut variables = Vec::new();
    for (name, curve) in curves {
        let mut own = study.requisites.values().flat_map(|requisite| &requisite.variables);
        let written = own.find(|v| v.name == *name).ok_or_else(|| FragmentError::Variable(name.clone()))?;
        let variable = VariableSection { curve: curve.clone(), weight: None, ..written.clone() };
        variables.push(variable);
    }
    let requisite = RequisiteSection {
        combine: Combine::GeometricMean,
        weight: None,
        pairwise: None,
        accept_inconsistent: false,
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
