//! Records of the animal in words: how they were used, how a calibration was made.

use super::note;
use lentic_habitat::calibration::Calibration;
use lentic_report::{MethodNote, ProtocolPart as Part};
use lentic_study::settings::Records;

/// How records were used.
pub(super) fn records_note(records: &Records) -> MethodNote {
    let months = match (records.from, records.to) {
        (None, None) => "of any date".to_string(),
        (Some(from), None) => format!("from {from} on"),
        (None, Some(to)) => format!("up to {to}"),
        (Some(from), Some(to)) => format!("from {from} to {to}"),
    };
    let drawn = match &records.effort {
        Some(layer) => format!("drawn in proportion to survey effort (layer \"{layer}\")"),
        None => "drawn evenly".into(),
    };
    note(
        Part::Assessment,
        "Records and validation",
        format!(
            "Presences: records {months}, placed to within {} m, one per cell, against at most {} assessed cells {drawn}. Validation by squares of ground: area under the ROC curve with its standard error (Hanley and McNeil 1982), \
             true skill statistic (Allouche et al. 2006), kappa (Cohen 1960), continuous Boyce index (Hirzel et al. 2006). Thresholds for a fold come from the other folds. Importance: fall of the area under the ROC curve when a variable is \
             shuffled (Breiman 2001).",
            records.maximum_uncertainty_m, records.background
        ),
    )
}

/// How a calibration was made.
pub fn calibration(found: &Calibration) -> Vec<String> {
    let gain = found.gains.iter().find(|g| g.0 == found.penalty).map_or(0.0, |g| g.1);
    vec![format!(
        "Fit: Poisson point process of presences against background (Warton and Shepherd 2010; Renner et al. 2015) with linear, quadratic and hinge terms of every measure and one term per class, each scaled to standard deviation 1, and a ridge \
         penalty of {} chosen on folds left out, where it gains {gain:.2} per record over an even density. The study's own curves stay in force until somebody decides otherwise.",
        found.penalty
    )]
}
