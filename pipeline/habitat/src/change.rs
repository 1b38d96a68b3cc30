//! What becomes of each cell between the baseline and a scenario, and the areas that add up.

use lentic_numerics::exact_sum::ExactSum;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A fall of suitability this large degrades a cell that stays habitat.
pub const DEGRADED_BY: f64 = 0.1;

/// Codes of the change rasters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Change {
    /// Habitat in neither.
    Outside = 0,
    /// Habitat in both.
    Kept = 1,
    /// Habitat in both, but worse.
    Degraded = 2,
    /// Habitat in the baseline only.
    Lost = 3,
    /// Habitat in the scenario only.
    Gained = 4,
    /// Not compared.
    NotAssessed = 255,
}

impl Change {
    /// The change of a compared cell from its stored suitabilities.
    pub fn of(baseline: f32, scenario: f32, threshold: f64) -> Self {
        let before = is_habitat(baseline, threshold);
        let after = is_habitat(scenario, threshold);
        match (before, after) {
            (false, false) => Change::Outside,
            (true, false) => Change::Lost,
            (false, true) => Change::Gained,
            (true, true) if f64::from(baseline) - f64::from(scenario) >= DEGRADED_BY => Change::Degraded,
            (true, true) => Change::Kept,
        }
    }
}

/// Whether a stored suitability is habitat. Compared as 32-bit floats, so that a suitability equal to the
/// threshold counts whatever its decimals.
pub fn is_habitat(suitability: f32, threshold: f64) -> bool {
    suitability >= threshold as f32
}

/// Areas of one scenario in one part of the study area, square metres.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Areas {
    /// Kept, degraded cells not among them.
    pub kept: ExactSum,
    /// Kept but worse.
    pub degraded: ExactSum,
    /// Lost.
    pub lost: ExactSum,
    /// Gained.
    pub gained: ExactSum,
    /// Inside the study area, but not compared.
    pub not_assessed: ExactSum,
    /// Habitat in neither.
    pub outside: ExactSum,
    /// Baseline habitat whose answer rests on the prior.
    pub prior_only: ExactSum,
}

impl Areas {
    /// Adds a cell of `area` square metres.
    pub fn add(&mut self, change: Change, prior_only: bool, area: f64) {
        let sum = match change {
            Change::Outside => &mut self.outside,
            Change::Kept => &mut self.kept,
            Change::Degraded => &mut self.degraded,
            Change::Lost => &mut self.lost,
            Change::Gained => &mut self.gained,
            Change::NotAssessed => &mut self.not_assessed,
        };
        sum.add(area);
        if prior_only && matches!(change, Change::Kept | Change::Degraded | Change::Lost) {
            self.prior_only.add(area);
        }
    }

    /// Adds the areas of another part.
    pub fn merge(&mut self, other: &Areas) {
        self.kept.merge(&other.kept);
        self.degraded.merge(&other.degraded);
        self.lost.merge(&other.lost);
        self.gained.merge(&other.gained);
        self.not_assessed.merge(&other.not_assessed);
        self.outside.merge(&other.outside);
        self.prior_only.merge(&other.prior_only);
    }

    /// Kept with degraded, hectares.
    pub fn kept_ha(&self) -> f64 {
        ha(&self.kept) + ha(&self.degraded)
    }

    /// Habitat of the baseline, hectares.
    pub fn baseline_ha(&self) -> f64 {
        self.kept_ha() + ha(&self.lost)
    }

    /// Habitat of the scenario, hectares.
    pub fn habitat_ha(&self) -> f64 {
        self.kept_ha() + ha(&self.gained)
    }

    /// Lost share of the baseline, percent; `None` without baseline habitat.
    pub fn lost_percent(&self) -> Option<f64> {
        let baseline = self.baseline_ha();
        (baseline > 0.0).then(|| 100.0 * ha(&self.lost) / baseline)
    }
}

/// Square metres to hectares; NaN for a sum beyond 1e20 square metres, which no basin reaches.
pub fn ha(sum: &ExactSum) -> f64 {
    sum.value().map_or(f64::NAN, |area| area / 10_000.0)
}

/// Areas by class code (`None`: no class), for one scenario.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct ByClass(pub BTreeMap<Option<i32>, Areas>);

impl ByClass {
    /// Adds a cell.
    pub fn add(&mut self, code: Option<i32>, change: Change, prior_only: bool, area: f64) {
        self.0.entry(code).or_default().add(change, prior_only, area);
    }

    /// Adds the areas of another part.
    pub fn merge(&mut self, other: &ByClass) {
        for (code, areas) in &other.0 {
            self.0.entry(*code).or_default().merge(areas);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_five_changes() {
        let of = |a, b| Change::of(a, b, 0.5);
        assert_eq!(of(0.5, 0.5), Change::Kept);
        assert_eq!(of(0.75, 0.625), Change::Degraded);
        assert_eq!(of(0.625, 0.75), Change::Kept);
        assert_eq!(of(0.5, 0.49), Change::Lost);
        assert_eq!(of(0.49, 0.5), Change::Gained);
        assert_eq!(of(0.49, 0.0), Change::Outside);
        assert_eq!(Change::of(0.7, 0.7, 0.7), Change::Kept);
    }

    /// Hectares by hand: 4 kept (1 of them degraded), 1 lost, 2 gained.
    #[test]
    fn areas_balance() {
        let mut areas = Areas::default();
        for change in [
            Change::Kept,
            Change::Kept,
            Change::Kept,
            Change::Degraded,
            Change::Lost,
            Change::Gained,
            Change::Gained,
            Change::NotAssessed,
            Change::Outside,
        ] {
            areas.add(change, change == Change::Lost || change == Change::Gained, 10_000.0);
        }
        assert_eq!((areas.baseline_ha(), areas.habitat_ha(), areas.kept_ha()), (5.0, 6.0, 4.0));
        assert_eq!(areas.lost_percent(), Some(20.0));
        assert_eq!((ha(&areas.not_assessed), ha(&areas.prior_only)), (1.0, 1.0));
        assert_eq!(Areas::default().lost_percent(), None);
    }
}
