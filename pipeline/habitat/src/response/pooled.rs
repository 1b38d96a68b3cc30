//! One fit for several cells together: what the ground of a bin says of its water.

use super::{Beta, Design, Groups, Months};
use crate::water::{Bits, bit};
use serde::{Deserialize, Serialize};

/// How many of several cells of one climate were seen, and seen wet, in each month of the baseline. Whole numbers, so that the order of
/// cells does not matter.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct MonthCounts {
    seen: Vec<u32>,
    wet: Vec<u32>,
}

impl MonthCounts {
    /// Cells seen and cells wet in a month.
    pub fn at(&self, month: usize) -> (u32, u32) {
        let of = |counts: &[u32]| counts.get(month).copied().unwrap_or(0);
        (of(&self.seen), of(&self.wet))
    }

    /// Adds a cell with its months, of which the axis has `months`.
    pub fn add(&mut self, observed: Bits, wet: Bits, months: usize) {
        self.seen.resize(months, 0);
        self.wet.resize(months, 0);
        for (at, (seen, with_water)) in self.seen.iter_mut().zip(&mut self.wet).enumerate() {
            let known = bit(observed, at);
            *seen += u32::from(known);
            *with_water += u32::from(known && bit(wet, at));
        }
    }

    /// Adds the cells of another.
    pub fn merge(&mut self, other: &MonthCounts) {
        let add = |to: &mut Vec<u32>, from: &[u32]| {
            to.resize(to.len().max(from.len()), 0);
            to.iter_mut().zip(from).for_each(|(to, from)| *to += from);
        };
        add(&mut self.seen, &other.seen);
        add(&mut self.wet, &other.wet);
    }
}

impl Groups {
    /// Coefficients of `cells` cells together, given by climate, with the prior of a group at their ground (metres, NaN where it is not known): share wet of each month, its weight the group's
    /// times cells seen / cells, so that the whole weighs as one cell. Climates of one weather are one, to the last digit. b is at least 0.
    pub fn fit_together(
        &self,
        (code, ground): (Option<i32>, f64),
        cells: u64,
        parts: &[(&Design, &MonthCounts)],
    ) -> Beta {
        let mut months = Months::default();
        let share =
            |counts: &[u32], at: usize| f64::from(counts.get(at).copied().unwrap_or(0)) / cells.max(1) as f64;
        let mut weathers: Vec<(&Design, MonthCounts)> = Vec::new();
        for (design, counts) in parts {
            match weathers.iter_mut().find(|(other, _)| other.z == design.z && other.months == design.months)
            {
                Some((_, held)) => held.merge(counts),
                None => weathers.push((design, (*counts).clone())),
            }
        }
        for (design, counts) in &weathers {
            months.x.extend((0..design.len()).map(|i| design.row(i)));
            months.trials.extend(design.months.at.iter().map(|at| share(&counts.seen, *at)));
            months.successes.extend(design.months.at.iter().map(|at| share(&counts.wet, *at)));
        }
        self.fit_months((code, ground), &months).0
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SPREADS, axis, drawn, waves};
    use super::*;

    /// Two copies of a cell are that cell; parts in any order are the whole; a cell never seen changes nothing but the weight.
    #[test]
    fn copies_of_a_cell_weigh_as_one() {
        let design = Design::new(&axis(), &waves());
        let sample: Vec<_> = (0..40).map(|c| drawn(&design, &[0.3, 1.2, 0.4, -0.8], c)).collect();
        let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
        let (one, other) = (&sample[0], &sample[1]);
        let alone =
            groups.fit_cell(&design, &one.observed, &one.wet, (Some(1), f64::NAN), &mut Months::default()).0;
        let counts = |cells: &[&super::super::SampleCell]| {
            let mut counts = MonthCounts::default();
            cells.iter().for_each(|cell| counts.add(&cell.observed, &cell.wet, 360));
            counts
        };
        let fit = |cells: u64, parts: &[(&Design, &MonthCounts)]| {
            groups.fit_together((Some(1), f64::NAN), cells, parts)
        };
        assert_eq!(fit(2, &[(&design, &counts(&[one, one]))]), alone);
        let both = counts(&[one, other]);
        assert_eq!(both, counts(&[other, one]));
        let mut merged = MonthCounts::default();
        merged.merge(&counts(&[other]));
        merged.merge(&counts(&[one]));
        assert_eq!(merged, both);
        let whole = fit(2, &[(&design, &both)]);
        assert!(whole[1] > 0.0 && whole != alone);
        // two climates of one weather are one, to the bit; of nearly one weather nearly one
        let close =
            |z: f64| Design::new(&axis(), &waves().iter().map(|v| v.map(|v| v + z)).collect::<Vec<_>>());
        let apart =
            |other_design: &Design| fit(2, &[(&design, &counts(&[one])), (other_design, &counts(&[other]))]);
        assert_eq!(apart(&close(0.0)), whole);
        let near = apart(&close(1e-9));
        assert!(near != whole && (0..4).all(|k| (whole[k] - near[k]).abs() < 1e-6), "{whole:?} {near:?}");
    }
}
