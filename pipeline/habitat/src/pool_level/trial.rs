//! Whether a level tells more of years left out than the drought index does.

use super::{PoolLevel, Record};
use crate::response::{Beta, Design, GroupFit, Groups, Months, SampleCell, Spreads};
use crate::water::{MonthAxis, bit};
use std::collections::BTreeSet;

/// Cells of a pool that the trial looks at, at most (ours).
pub const CELLS: usize = 30;
/// Years left out either side of the predicted one, at least (ours): a pool remembers.
const EITHER_SIDE: i32 = 3;
/// Years that a record needs for a trial (ours).
const YEARS: usize = 20;
/// Probabilities are held this far from 0 and 1.
const EDGE: f64 = 1e-3;
/// A level takes the place of the index where its deviance is at most this share of the index's (ours): one that tells a little more is
/// no warrant for weather never seen.
pub const AT_MOST: f64 = 2.0 / 3.0;

/// Mean deviance per month of a cell, predicted from other years.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    /// By the drought index.
    pub index: f64,
    /// By the level.
    pub level: f64,
}

impl Trial {
    /// Whether the level takes the place of the index.
    pub fn is_won(&self) -> bool {
        self.level <= AT_MOST * self.index
    }
}

/// What both are tried on.
pub struct Tried<'a> {
    /// Months of the baseline.
    pub axis: &'a MonthAxis,
    /// The design of the pool's climate.
    pub index: &'a Design,
    /// Priors of the response groups.
    pub groups: &'a Groups,
    /// Prior spreads.
    pub spreads: Spreads,
    /// Months of the index.
    pub index_months: usize,
    /// Position of the first month of the axis among the months of the weather.
    pub offset: usize,
    /// The pool's record.
    pub record: Record<'a>,
}

impl Tried<'_> {
    /// The design of the level in the record, in the months the index has.
    pub fn design(&self, level: &PoolLevel) -> Design {
        level.design(self.axis, self.index, self.record.weather, self.offset)
    }

    /// Tries a level on cells of its pool, whose groups are their classes; `None` where the record is too short or a year cannot be foretold.
    pub fn run(&self, level: &PoolLevel, cells: &[SampleCell]) -> Option<Trial> {
        let first = self.axis.first;
        let year_of = |at: usize| first.plus(at as i32).year();
        let years: BTreeSet<i32> = self.index.z().map(|(at, _)| year_of(at)).collect();
        if years.len() < YEARS {
            return None;
        }
        let either_side = EITHER_SIDE.max(self.index_months.div_ceil(12) as i32);
        let (mut by_index, mut by_level, mut months) = (0.0, 0.0, 0u64);
        for year in years {
            let training = |at: usize| (year_of(at) - year).abs() > either_side;
            let mut used = vec![false; self.record.fitted.len()];
            let axis = used.iter_mut().skip(self.offset).take(self.axis.len).enumerate();
            axis.for_each(|(at, used)| *used = training(at));
            let level = level.refit(&self.record, &used)?;
            let design = self.design(&level);
            let masked: Vec<SampleCell> =
                cells.iter().map(|cell| masked(cell, self.axis, training)).collect();
            let group = GroupFit::of_pool(&design, self.axis, &masked, (level.mean, level.sd))?;
            let mut room = Months::default();
            for (cell, masked) in cells.iter().zip(&masked) {
                let (observed, wet) = (&masked.observed[..], &masked.wet[..]);
                let own = (cell.group, cell.ground);
                let index = self.groups.fit_cell(self.index, observed, wet, own, &mut room).0;
                let of_level = group.fit_cell(self.spreads, &design, (observed, wet), cell.ground, &mut room);
                let within = |at: usize| year_of(at) == year;
                by_index += deviance(self.index, &index, cell, within).0;
                let (sum, n) = deviance(&design, &of_level, cell, within);
                by_level += sum;
                months += n;
            }
        }
        (months > 0).then(|| Trial { index: by_index / months as f64, level: by_level / months as f64 })
    }
}

/// The cell as if it had been seen in these months only.
fn masked(cell: &SampleCell, axis: &MonthAxis, kept: impl Fn(usize) -> bool) -> SampleCell {
    let mut mask = vec![0u64; cell.observed.len()];
    (0..axis.len).filter(|at| kept(*at)).for_each(|at| mask[at / 64] |= 1 << (at % 64));
    let of = |bits: &[u64]| bits.iter().zip(&mask).map(|(bits, mask)| bits & mask).collect();
    SampleCell { observed: of(&cell.observed), wet: of(&cell.wet), ..cell.clone() }
}

/// Sum of -2 ln of the probability of what was seen, and the months it is over.
fn deviance(design: &Design, beta: &Beta, cell: &SampleCell, within: impl Fn(usize) -> bool) -> (f64, u64) {
    let seen = design.months().filter(|month| within(month.at) && bit(&cell.observed, month.at));
    seen.fold((0.0, 0), |(sum, n), month| {
        let p = design.probability(&month, beta, 0.0).clamp(EDGE, 1.0 - EDGE);
        let told = if bit(&cell.wet, month.at) { p } else { 1.0 - p };
        (sum - 2.0 * told.ln(), n + 1)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_third_less_deviance_wins() {
        assert!(Trial { index: 0.3, level: 0.19 }.is_won());
        assert!(!Trial { index: 0.3, level: 0.21 }.is_won());
        assert!(!Trial { index: f64::NAN, level: 0.1 }.is_won());
    }
}
