//! The observed months of one cell, as the fit takes them.

use super::Design;
use crate::water::{Bits, bit};
use lentic_numerics::season::{BLOCK, Block, MONTHS, SeasonRows};

/// Room for the observed months of one cell, reused from cell to cell.
#[derive(Default)]
pub struct Months {
    z: Vec<Block>,
    pub(super) trials: Vec<Block>,
    pub(super) successes: Vec<Block>,
    season: [[f64; 2]; MONTHS],
}

impl Months {
    /// Takes the observed months of a cell.
    pub(super) fn read(&mut self, design: &Design, observed: Bits, wet: Bits) {
        self.clear();
        self.add(design, |at| {
            let seen = bit(observed, at);
            (f64::from(u8::from(seen)), f64::from(u8::from(seen && bit(wet, at))))
        });
    }

    fn clear(&mut self) {
        self.z.clear();
        self.trials.clear();
        self.successes.clear();
    }

    /// Adds the months of a design, with trials and successes by position on the axis.
    pub(super) fn add(&mut self, design: &Design, of: impl Fn(usize) -> (f64, f64)) {
        self.season = design.months.season;
        let before = self.z.len();
        self.z.extend_from_slice(&design.z);
        self.trials.resize(self.z.len(), [0.0; BLOCK]);
        self.successes.resize(self.z.len(), [0.0; BLOCK]);
        let trials = self.trials[before..].as_flattened_mut();
        let successes = self.successes[before..].as_flattened_mut();
        for (at, slot) in design.months.at.iter().zip(&design.months.slots) {
            (trials[*slot], successes[*slot]) = of(*at);
        }
    }

    /// Fills `others` with these months of a design, those left out counting as not seen.
    pub(super) fn without(&self, design: &Design, left_out: impl Fn(usize) -> bool, others: &mut Months) {
        others.z.clone_from(&self.z);
        others.trials.clone_from(&self.trials);
        others.successes.clone_from(&self.successes);
        others.season = self.season;
        let (trials, successes) = (others.trials.as_flattened_mut(), others.successes.as_flattened_mut());
        for (_, slot) in design.months.slots.iter().enumerate().filter(|(i, _)| left_out(*i)) {
            (trials[*slot], successes[*slot]) = (0.0, 0.0);
        }
    }

    /// Whether the month of a design at a position was seen.
    pub(super) fn is_seen(&self, design: &Design, i: usize) -> bool {
        design.of_month(&self.trials, i) > 0.0
    }

    /// Successes of the month of a design at a position.
    pub(super) fn wet(&self, design: &Design, i: usize) -> f64 {
        design.of_month(&self.successes, i)
    }

    pub(super) fn rows(&self, weight: f64) -> SeasonRows<'_> {
        SeasonRows {
            z: &self.z,
            trials: &self.trials,
            successes: &self.successes,
            season: &self.season,
            weight,
        }
    }
}
