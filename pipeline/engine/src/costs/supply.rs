//! How much water brings back what a scenario loses: steps of supply on top of it, by patch and by zone.

use super::Facts;
use super::steps::Steps;
use crate::stages::what_if::Found;
use lentic_habitat::drawdown::depth_after;
use lentic_numerics::exact_sum::ExactSum;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What a place gets back at one step; the first step is the scenario itself.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct StepGain {
    /// Lost habitat that is habitat here, square metres.
    pub restored: ExactSum,
    /// Lost habitat that is habitat here or at a smaller step.
    pub restored_by: ExactSum,
    /// Water held, cubic metres; 0 in a study without depths.
    pub volume: ExactSum,
}

/// A patch or zone under all steps.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PlaceGains {
    /// Habitat today, square metres.
    pub before: ExactSum,
    /// The part of it that the scenario loses.
    pub lost: ExactSum,
    /// By step.
    pub steps: Vec<StepGain>,
}

impl PlaceGains {
    fn new(steps: usize) -> Self {
        let (before, lost) = Default::default();
        PlaceGains { before, lost, steps: vec![StepGain::default(); steps] }
    }

    fn merge(&mut self, other: &PlaceGains) {
        self.before.merge(&other.before);
        self.lost.merge(&other.lost);
        for (total, step) in self.steps.iter_mut().zip(&other.steps) {
            total.restored.merge(&step.restored);
            total.restored_by.merge(&step.restored_by);
            total.volume.merge(&step.volume);
        }
    }

    /// The first step by which at least a share of the lost habitat has come back; `None` where no step brings so much, or nothing
    /// is lost.
    pub fn first_restoring(&self, share: f64) -> Option<usize> {
        let lost = self.lost.value().filter(|lost| *lost > 0.0)?;
        let restored = |step: &StepGain| step.restored_by.value().is_some_and(|area| area >= share * lost);
        self.steps.iter().position(restored)
    }

    /// Water held at a step beyond that of the scenario itself, cubic metres.
    pub fn more_water(&self, step: usize) -> Option<f64> {
        Some(self.steps.get(step)?.volume.value()? - self.steps.first()?.volume.value()?)
    }
}

/// Places under all steps, by their codes.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Gains {
    /// Patches of the baseline, by number.
    pub patches: BTreeMap<u32, PlaceGains>,
    /// Zones; `None` for ground in no zone, and for all of it in a study without zones.
    pub zones: BTreeMap<Option<i32>, PlaceGains>,
}

impl Gains {
    /// Adds those of another tile.
    pub fn merge(&mut self, other: &Gains) {
        for (patch, gains) in &other.patches {
            self.patches.entry(*patch).or_insert_with(|| PlaceGains::new(gains.steps.len())).merge(gains);
        }
        for (zone, gains) in &other.zones {
            self.zones.entry(*zone).or_insert_with(|| PlaceGains::new(gains.steps.len())).merge(gains);
        }
    }
}

/// The cells of a tile under all steps of supply on top of one scenario.
pub struct SupplyTile {
    steps: Steps,
    gains: Gains,
}

impl SupplyTile {
    /// A tile of so many cells; the steps with the scenario itself.
    pub fn new(steps: usize, cells: usize) -> Self {
        SupplyTile { steps: Steps::new(steps, cells), gains: Gains::default() }
    }

    /// Takes a step.
    pub fn see(&mut self, step: usize, facts: &Facts, found: &Found) {
        self.steps.see(step, facts, &|cell| found.habitat(cell));
        let Some(depth) = &facts.depth else { return };
        let count = self.steps.count();
        for cell in (0..depth.len()).filter(|cell| facts.compared[*cell] && !depth[*cell].is_nan()) {
            let fall = found.fall.as_ref().map_or(0.0, |fall| fall[cell]);
            let depth = if found.hydroperiod[cell] > 0.0 { depth_after(depth[cell], fall) } else { 0.0 };
            if depth > 0.0 {
                let volume = f64::from(depth) * facts.area(cell);
                places(&mut self.gains, count, facts, cell, |place| place.steps[step].volume.add(volume));
            }
        }
    }

    /// What the tile gets back.
    pub fn finish(self, facts: &Facts) -> Gains {
        let SupplyTile { steps, mut gains } = self;
        let count = steps.count();
        for cell in steps.cells(facts).filter(|cell| facts.before[*cell]) {
            let area = facts.area(cell);
            let lost = !steps.is(cell, 0);
            let first = steps.first_with(cell, 1).filter(|_| lost);
            places(&mut gains, count, facts, cell, |place| {
                place.before.add(area);
                if lost {
                    place.lost.add(area);
                }
                for (step, gain) in place.steps.iter_mut().enumerate().skip(1).filter(|_| lost) {
                    if steps.is(cell, step) {
                        gain.restored.add(area);
                    }
                    if first.is_some_and(|first| first <= step) {
                        gain.restored_by.add(area);
                    }
                }
            });
        }
        gains
    }
}

/// Calls `add` for the zone of a cell, and for its patch if it lies in one.
fn places(gains: &mut Gains, steps: usize, facts: &Facts, cell: usize, mut add: impl FnMut(&mut PlaceGains)) {
    let zone = facts.zone.as_ref().and_then(|zones| zones[cell]);
    add(gains.zones.entry(zone).or_insert_with(|| PlaceGains::new(steps)));
    if facts.patch[cell] > 0 {
        add(gains.patches.entry(facts.patch[cell]).or_insert_with(|| PlaceGains::new(steps)));
    }
}
