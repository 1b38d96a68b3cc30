//! Years one by one: the longest wet spell of a year, its wet and warm months, whether a spell is long enough.
//!
//! An expected hydroperiod says how long water stays on the mean; an animal lives through single years. Years are drawn
//! from the fitted probability of water month by month, with the dependence between a month and the next that the
//! group's residuals show: a number U in [0, 1) is kept from the month before with probability r, else drawn anew, and the
//! month is wet where U lies under p (ours). U is even in every month, so that the mean of the drawn years is the expected hydroperiod;
//! where p is steady, wetness of a month and the next is correlated by r.

mod draw;
mod plan;
mod spells;
#[cfg(test)]
mod tests;

pub use draw::{Chance, Drawer, Room, cell_hash};
pub use plan::{Span, YearPlan};
pub use spells::{WetSpells, filled, wet_spells};

/// Months of a year.
pub const YEAR: usize = 12;

/// The longest run of set bits in every pattern of twelve.
static LONGEST_RUNS: [u8; 1 << YEAR] = longest_runs();

const fn longest_runs() -> [u8; 1 << YEAR] {
    let mut table = [0; 1 << YEAR];
    let mut pattern = 0;
    while pattern < table.len() {
        // each step shortens every run by one
        let (mut left, mut steps) = (pattern, 0);
        while left > 0 {
            left &= left >> 1;
            steps += 1;
        }
        table[pattern] = steps;
        pattern += 1;
    }
    table
}

/// The longest run of wet months in a year whose months are the lowest twelve bits.
#[inline(always)]
pub fn longest_run(year: u16) -> u8 {
    LONGEST_RUNS[usize::from(year) & (LONGEST_RUNS.len() - 1)]
}

/// How often each number of months occurred: position m counts the years with m months.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally(pub [u32; YEAR + 1]);

impl Tally {
    /// Years counted.
    pub fn years(&self) -> u32 {
        self.0.iter().sum()
    }

    /// Mean over the years of `value` by months; NaN without a year.
    pub fn mean(&self, value: impl Fn(usize) -> f64) -> f64 {
        let sum: f64 = self.0.iter().enumerate().map(|(m, n)| value(m) * f64::from(*n)).sum();
        sum / f64::from(self.years())
    }

    /// Mean months; for a spell that is required, the share of years that reach it. NaN without a year.
    pub fn measure(&self) -> f64 {
        self.mean(|months| months as f64)
    }
}
