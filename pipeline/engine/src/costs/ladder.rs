//! The drying margin: the first step of a ladder of drying at which a cell is no habitat any more.

use super::Facts;
use super::steps::Steps;
use crate::error::EngineError;
use crate::stages::patches::CasePatches;
use lentic_numerics::exact_sum::ExactSum;
use lentic_raster::Scratch;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Code of cells that are no habitat at the first step. Codes from 1 on are positions of the first failing step.
pub const NONE_TODAY: u8 = 0;
/// Code of cells that are habitat at every step.
pub const NEVER: u8 = 254;
/// Code of cells not compared.
const NOT_COMPARED: u8 = 255;
/// A patch fails where its footprint keeps less than this share of its area.
const HALF: f64 = 0.5;

/// Areas at one step, square metres.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct StepAreas {
    /// Habitat.
    pub habitat: ExactSum,
    /// The part of it that is habitat at the first step.
    pub kept: ExactSum,
    /// Habitat of the first step that fails here for the first time.
    pub first_failing: ExactSum,
    /// Habitat of the first step that failed at an earlier step and is habitat again.
    pub returned: ExactSum,
    /// Habitat of the first step that has not failed so far.
    pub never_failed: ExactSum,
}

impl StepAreas {
    fn merge(&mut self, other: &StepAreas) {
        self.habitat.merge(&other.habitat);
        self.kept.merge(&other.kept);
        self.first_failing.merge(&other.first_failing);
        self.returned.merge(&other.returned);
        self.never_failed.merge(&other.never_failed);
    }
}

/// What a tile adds to the ladder.
#[derive(Serialize, Deserialize)]
pub struct LadderPart {
    steps: Vec<StepAreas>,
    /// By patch of the baseline, area kept at every step.
    patches: BTreeMap<u32, Vec<ExactSum>>,
}

/// Writes the margins of a tile and sums its areas.
///
/// # Errors
/// When the disk refuses.
pub fn finish(steps: &Steps, facts: &Facts, margin: &Scratch<u8>) -> Result<LadderPart, EngineError> {
    let mut part = LadderPart { steps: vec![StepAreas::default(); steps.count()], patches: BTreeMap::new() };
    let mut codes = vec![NOT_COMPARED; facts.compared.len()];
    for cell in steps.cells(facts) {
        // 0 for a cell that is none today; there are at most 64 steps
        codes[cell] = steps.first_without(cell).map_or(NEVER, |first| first as u8);
        part.add(steps, cell, codes[cell], facts);
    }
    margin.write(&facts.window, &codes)?;
    Ok(part)
}

impl LadderPart {
    fn add(&mut self, steps: &Steps, cell: usize, code: u8, facts: &Facts) {
        let area = facts.area(cell);
        let count = steps.count();
        let mut of_patch = match facts.patch[cell] {
            0 => None,
            patch => Some(self.patches.entry(patch).or_insert_with(|| vec![ExactSum::default(); count])),
        };
        for (step, areas) in self.steps.iter_mut().enumerate() {
            let is_habitat = steps.is(cell, step);
            if is_habitat {
                areas.habitat.add(area);
            }
            if code == NONE_TODAY {
                continue;
            }
            if is_habitat {
                areas.kept.add(area);
                of_patch.iter_mut().for_each(|kept| kept[step].add(area));
            }
            match step.cmp(&usize::from(code)) {
                std::cmp::Ordering::Less => areas.never_failed.add(area),
                std::cmp::Ordering::Equal => areas.first_failing.add(area),
                std::cmp::Ordering::Greater if is_habitat => areas.returned.add(area),
                std::cmp::Ordering::Greater => {}
            }
        }
    }
}

/// What a patch of the baseline keeps of its footprint.
#[derive(Clone, Debug, PartialEq)]
pub struct PatchMargin {
    /// Number of the patch in the baseline.
    pub patch: u32,
    /// Its area, square metres.
    pub area_m2: f64,
    /// Share kept at every step.
    pub kept: Vec<f64>,
}

impl PatchMargin {
    /// Position of the first step at which it keeps under half its area; `None` where it keeps more at every step.
    pub fn first_failing(&self) -> Option<usize> {
        self.kept.iter().position(|kept| *kept < HALF)
    }
}

/// A ladder of drying, answered.
pub struct Ladder {
    /// Areas by step.
    pub steps: Vec<StepAreas>,
    /// Patches of the baseline in number order.
    pub patches: Vec<PatchMargin>,
    /// Codes of the cells.
    pub margin: Scratch<u8>,
}

impl Ladder {
    /// From the parts of all tiles.
    pub fn of<'p>(
        steps: usize,
        parts: impl Iterator<Item = &'p LadderPart>,
        baseline: &CasePatches,
        margin: Scratch<u8>,
    ) -> Self {
        let mut areas = vec![StepAreas::default(); steps];
        let mut kept: BTreeMap<u32, Vec<ExactSum>> = BTreeMap::new();
        for part in parts {
            areas.iter_mut().zip(&part.steps).for_each(|(total, step)| total.merge(step));
            for (patch, steps) in &part.patches {
                let total = kept.entry(*patch).or_insert_with(|| vec![ExactSum::default(); steps.len()]);
                total.iter_mut().zip(steps).for_each(|(total, step)| total.merge(step));
            }
        }
        let share = |sum: &ExactSum, area: f64| sum.value().map_or(f64::NAN, |kept| kept / area);
        let margin_of = |patch: &lentic_habitat::patches::Patch| PatchMargin {
            patch: patch.number,
            area_m2: patch.area_m2,
            kept: kept
                .get(&patch.number)
                .map_or_else(Vec::new, |steps| steps.iter().map(|sum| share(sum, patch.area_m2)).collect()),
        };
        Ladder { steps: areas, patches: baseline.patches.iter().map(margin_of).collect(), margin }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_patch_fails_below_half() {
        let of = |kept: &[f64]| PatchMargin { patch: 1, area_m2: 1.0, kept: kept.to_vec() }.first_failing();
        assert_eq!(of(&[1.0, 0.5, 0.49, 0.6]), Some(2));
        assert_eq!(of(&[1.0, 0.9, 0.5]), None);
    }
}
