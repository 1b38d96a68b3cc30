//! Which length of the index the study takes, where it is to be chosen.

use super::Climates;
use crate::error::EngineError;
use crate::stages::Context;
use lentic_habitat::climate::Shift;
use lentic_habitat::response::choice::{Candidate, best, cells, tried};
use lentic_habitat::response::{ResponseError, SampleCell, Spreads};
use lentic_study::settings::IndexMonths;
use std::collections::BTreeMap;

/// The length chosen, and how every length did.
#[derive(Debug)]
pub struct Choice {
    /// The climates with the index of that length.
    pub climates: Climates,
    /// Every length of the study, rising.
    pub candidates: Vec<Candidate>,
}

/// Chooses the length of the index by how well it predicts years of the sample that are left out; `None` where the study
/// says how long it is.
///
/// # Errors
/// When there is nothing to choose by.
pub fn choose(
    context: &Context,
    sample: &[SampleCell],
    spreads: Spreads,
) -> Result<Option<Choice>, EngineError> {
    let climates = context.climates;
    let Some(IndexMonths::Choose(all)) = context.study.climate.as_ref().map(|climate| &climate.months) else {
        return Ok(None);
    };
    if sample.is_empty() {
        return Err(ResponseError::NoCells.into());
    }
    let mut cells = cells(sample);
    // only climates that some cell has, renumbered
    let mut used: BTreeMap<usize, usize> = cells.iter().map(|cell| (cell.climate, 0)).collect();
    used.values_mut().enumerate().for_each(|(new, at)| *at = new);
    cells.iter_mut().for_each(|cell| cell.climate = used[&cell.climate]);
    let z = |models: &[_]| -> Vec<Vec<Option<f64>>> {
        let of = |at: &usize| -> Option<Vec<Option<f64>>> {
            let model: &lentic_habitat::climate::ClimateModel = models.get(*at)?;
            Some(model.z_on(&context.axis, &Shift::NONE, climates.water_year_starts))
        };
        used.keys().filter_map(of).collect()
    };
    let lengths: Vec<(usize, Vec<Vec<Option<f64>>>)> =
        climates.lengths.iter().map(|(months, models)| (*months, z(models))).collect();
    let done = tried(&lengths, &context.axis, &cells, spreads);
    let chosen = best(&done).ok_or_else(|| EngineError::NoLength {
        tried: all.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "),
    })?;
    let of = |months: usize| done.iter().find(|candidate| candidate.months == months).copied();
    let candidates = all.iter().map(|m| of(*m).unwrap_or(Candidate { months: *m, left_out: None })).collect();
    Ok(Some(Choice { climates: Climates { chosen, ..climates.clone() }, candidates }))
}

impl Choice {
    /// The choice in a sentence.
    pub fn note(&self) -> String {
        let months = self.climates.months();
        let deviance =
            |candidate: &Candidate| candidate.left_out.map(|left| (candidate.months, left.deviance));
        let of =
            |wanted: usize| self.candidates.iter().filter_map(deviance).find(|(months, _)| *months == wanted);
        let others = self.candidates.iter().filter_map(deviance).filter(|(other, _)| *other != months);
        let next = others.min_by(|a, b| a.1.total_cmp(&b.1));
        let beside = next
            .map_or_else(String::new, |(months, deviance)| format!("; next best {months}, {deviance:.4}"));
        let tried: Vec<String> =
            self.candidates.iter().map(|candidate| candidate.months.to_string()).collect();
        format!(
            "The drought index sums {months} month(s), chosen among {} because it best predicts years left out (deviance per month of a cell {:.4}{beside}; table index_choice).",
            tried.join(", "),
            of(months).map_or(f64::NAN, |(_, deviance)| deviance)
        )
    }
}
