//! The months that have a z, and what coefficients make of them.

use super::{Beta, inverse_logit};
use crate::water::{MonthAxis, fill_round_the_year};
use lentic_numerics::portable::{self, wide};
use lentic_numerics::season::{BLOCK, Block, MONTHS, base, by_calendar};
use std::f64::consts::TAU;
use std::sync::Arc;

/// The months that have a z. What does not hang on z is shared by the designs of a run, of which there is one for each
/// climate and scenario.
#[derive(Clone, Debug)]
pub struct Design {
    /// z of the months in blocks of whole years; 0 in months that have none.
    pub(super) z: Vec<Block>,
    pub(super) months: Arc<DesignMonths>,
}

/// Which months a design has.
#[derive(Debug, PartialEq)]
pub(super) struct DesignMonths {
    /// Positions on the axis.
    pub(super) at: Vec<usize>,
    /// Calendar months from 0.
    pub(super) calendar: Vec<usize>,
    /// Places in the blocks.
    pub(super) slots: Vec<usize>,
    /// 1 in the blocks where a month is, else 0.
    pub(super) is_month: Vec<Block>,
    per_calendar: [usize; 12],
    /// Sine and cosine by calendar month.
    pub(super) season: [[f64; 2]; 12],
}

impl Design {
    /// The design of `z` by month of the axis; months without z are left out.
    pub fn new(axis: &MonthAxis, z: &[Option<f64>]) -> Self {
        let season = std::array::from_fn(|m| {
            let angle = TAU * (m + 1) as f64 / 12.0;
            [angle.sin(), angle.cos()]
        });
        let known = |at: usize| z.get(at).copied().flatten();
        let first = axis.first.calendar() as usize - 1;
        let blocks = (first + axis.len).div_ceil(BLOCK);
        let mut months = DesignMonths {
            at: Vec::new(),
            calendar: Vec::new(),
            slots: Vec::new(),
            is_month: vec![[0.0; BLOCK]; blocks],
            per_calendar: [0; 12],
            season,
        };
        let mut of_blocks = vec![[0.0; BLOCK]; blocks];
        for (at, z) in (0..axis.len).filter_map(|at| Some((at, known(at)?))) {
            let slot = first + at;
            let m = slot % MONTHS;
            months.at.push(at);
            months.calendar.push(m);
            months.slots.push(slot);
            months.is_month[slot / BLOCK][slot % BLOCK] = 1.0;
            months.per_calendar[m] += 1;
            of_blocks[slot / BLOCK][slot % BLOCK] = z;
        }
        Design { z: of_blocks, months: Arc::new(months) }
    }

    /// The same design, its months shared with `other` where they are the same ones: thousands of climates then take
    /// little more room than their z.
    #[must_use]
    pub fn sharing(mut self, other: &Design) -> Self {
        if self.months == other.months {
            self.months = Arc::clone(&other.months);
        }
        self
    }

    /// The row (1, z, sin, cos) of a design month.
    pub(super) fn row(&self, i: usize) -> Beta {
        let [sine, cosine] = self.months.season[self.months.calendar[i]];
        [1.0, self.of_month(&self.z, i), sine, cosine]
    }

    /// What blocks hold of the design month at a position.
    pub fn of_month(&self, blocks: &[Block], i: usize) -> f64 {
        blocks.as_flattened()[self.months.slots[i]]
    }

    /// What blocks hold of the design months, in order.
    pub fn of_months<'a>(&'a self, blocks: &'a [Block]) -> impl Iterator<Item = f64> + 'a {
        self.months.slots.iter().map(|slot| blocks.as_flattened()[*slot])
    }

    /// Design months.
    pub fn len(&self) -> usize {
        self.months.at.len()
    }

    /// Whether no month has a z.
    pub fn is_empty(&self) -> bool {
        self.months.at.is_empty()
    }

    /// The design months in order.
    pub fn months(&self) -> impl Iterator<Item = DesignMonth> + '_ {
        let places = self.months.at.iter().zip(&self.months.calendar);
        places.zip(self.of_months(&self.z)).map(|((at, calendar), z)| DesignMonth {
            at: *at,
            calendar: *calendar,
            z,
        })
    }

    /// p of a month under coefficients `beta` with `shift` logits added.
    pub fn probability(&self, month: &DesignMonth, beta: &Beta, shift: f64) -> f64 {
        let [sine, cosine] = self.months.season[month.calendar];
        inverse_logit(beta[0] + beta[2] * sine + beta[3] * cosine + shift + beta[1] * month.z)
    }

    /// z of the design months with their positions on the axis.
    pub fn z(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.months.at.iter().copied().zip(self.of_months(&self.z))
    }

    /// Calendar months of the design months, January 0, with their positions on the axis.
    pub fn calendar(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        self.months.at.iter().copied().zip(self.months.calendar.iter().copied())
    }

    /// Mean z by calendar month, January first; `None` for a month without design months.
    pub fn mean_z(&self) -> [Option<f64>; 12] {
        let DesignMonths { calendar, per_calendar, .. } = &*self.months;
        let mut sums = [0.0; 12];
        for (z, m) in self.of_months(&self.z).zip(calendar) {
            sums[*m] += z;
        }
        std::array::from_fn(|m| (per_calendar[m] > 0).then(|| sums[m] / per_calendar[m] as f64))
    }

    /// How many months of hydroperiod one unit of the index brings around 0: hydroperiod at z = 0.5 minus at z = -0.5.
    pub fn months_per_unit(&self, beta: &Beta) -> f64 {
        let at = |m: usize, z: f64| {
            let [sine, cosine] = self.months.season[m];
            inverse_logit(beta[0] + beta[1] * z + beta[2] * sine + beta[3] * cosine)
        };
        (0..12).map(|m| at(m, 0.5) - at(m, -0.5)).sum()
    }

    /// Expected hydroperiod, months per year, of coefficients `beta` with `shift` logits added:
    /// sum over calendar months of the mean of p over that month's design months.
    pub fn hydroperiod(&self, beta: &Beta, shift: f64) -> f64 {
        let base = base(beta, &self.months.season, shift);
        let z = self.z.iter();
        self.year(z.map(
            #[inline(always)]
            |z| std::array::from_fn(|at| base[at] + beta[1] * z[at]),
        ))
    }

    /// Hydroperiod of the logits of the blocks.
    #[inline(always)]
    pub(super) fn year(&self, logits: impl Iterator<Item = Block>) -> f64 {
        let sums = wide(
            #[inline(always)]
            || {
                let mut sums = [0.0; BLOCK];
                for (logits, is_month) in logits.zip(&self.months.is_month) {
                    for at in 0..BLOCK {
                        sums[at] += is_month[at] * portable::inverse_logit(logits[at]);
                    }
                }
                by_calendar(&sums)
            },
        );
        self.of_calendar(&sums)
    }

    /// Sum over calendar months of the mean over each one's design months, of the sums over these; a calendar month without design
    /// months is filled in.
    pub(super) fn of_calendar(&self, sums: &[f64; MONTHS]) -> f64 {
        let per_calendar = &self.months.per_calendar;
        if per_calendar.iter().all(|n| *n > 0) {
            return sums.iter().zip(per_calendar).map(|(s, n)| s / *n as f64).sum();
        }
        let means: [Option<f64>; 12] =
            std::array::from_fn(|m| (per_calendar[m] > 0).then(|| sums[m] / per_calendar[m] as f64));
        fill_round_the_year(&means).map_or(f64::NAN, |filled| filled.iter().sum())
    }

    /// Probabilities of the months of the blocks, of coefficients `beta` with `shift` logits added; what stands where no month is means
    /// nothing.
    pub fn probabilities(&self, beta: &Beta, shift: f64, p: &mut Vec<Block>) {
        let base = base(beta, &self.months.season, shift);
        p.resize(self.z.len(), [0.0; BLOCK]);
        wide(
            #[inline(always)]
            || {
                for (p, z) in p.iter_mut().zip(&self.z) {
                    for at in 0..BLOCK {
                        p[at] = portable::inverse_logit(base[at] + beta[1] * z[at]);
                    }
                }
            },
        );
    }
}

/// A month that has a z.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DesignMonth {
    /// Its position on the axis.
    pub at: usize,
    /// Its calendar month, 0 January to 11 December.
    pub calendar: usize,
    /// Its index.
    pub z: f64,
}
