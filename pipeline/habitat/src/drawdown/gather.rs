//! From what was seen on the cells of a pool, bin by bin, to its curve.

use super::curve::{BESIDE, Bin, Bins, Knot, NEVER_WET, PoolCurve, metres};
use crate::response::pooled::MonthCounts;
use crate::response::{Beta, Design, Groups};
use crate::water::{Bits, count_all};
use lentic_numerics::stats::quantile_of_sorted;
use serde::{Deserialize, Serialize};
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// What was seen on the cells of a bin. Whole numbers, so that the order of cells does not matter.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Seen {
    groups: BTreeMap<Option<i32>, u64>,
    months: u64,
    wet_months: u64,
    /// By climate; left empty in a bin never seen wet.
    counts: BTreeMap<usize, MonthCounts>,
}

impl Seen {
    /// Adds a cell of a bin: its response group, its climate, its months, of which the axis has `months`.
    pub fn add(
        &mut self,
        bin: &Bin,
        group: Option<i32>,
        climate: usize,
        (observed, wet): (Bits, Bits),
        months: usize,
    ) {
        *self.groups.entry(group).or_default() += 1;
        self.months += u64::from(count_all(observed));
        self.wet_months += u64::from(count_all(wet));
        if bin.wet > 0 {
            self.counts.entry(climate).or_default().add(observed, wet, months);
        }
    }

    /// Adds the cells of another.
    pub fn merge(&mut self, other: &Seen) {
        self.months += other.months;
        self.wet_months += other.wet_months;
        for (code, cells) in &other.groups {
            *self.groups.entry(*code).or_default() += cells;
        }
        for (climate, counts) in &other.counts {
            self.counts.entry(*climate).or_default().merge(counts);
        }
    }

    /// The group most cells are of; of equals the lowest code, cells without a class last.
    fn group(&self) -> Option<i32> {
        let rank = |(code, cells): &(&Option<i32>, &u64)| (Reverse(**cells), code.is_none(), **code);
        self.groups.iter().min_by_key(rank).and_then(|(code, _)| *code)
    }
}

/// What one knot of a curve was made from.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Whether this is ground beside the pool.
    pub beside: bool,
    /// Lowest ground, metres.
    pub low: f64,
    /// The ground it stands for, metres: the mean of a bin; of ground beside the pool its lower tenth.
    pub ground: f64,
    /// Highest ground, metres.
    pub high: f64,
    /// Cells.
    pub cells: u64,
    /// Cell-months seen; none for ground beside the pool.
    pub seen: Option<u64>,
    /// The part of them seen wet.
    pub wet: Option<u64>,
    /// Coefficients.
    pub beta: Beta,
}

/// The knots of a pool with what they come from: a bin's coefficients are fitted to its cells' months together; ground never seen wet has an
/// intercept of [`NEVER_WET`] and the rest from the ground below. `beside` is the ground ([`tenths`](super::curve::tenths)) of cells never wet that touch the pool and
/// belong to none; of it counts what lies above the whole pool. `designs` are those of the baseline, by climate.
pub fn parts(
    bins: &Bins,
    seen: &BTreeMap<usize, Seen>,
    beside: &[i64],
    designs: &[Design],
    groups: &Groups,
) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::with_capacity(bins.bins().len() + 1);
    // dry in the wettest month of the record; z of a level goes with steep slopes
    let level = seen.values().find_map(|seen| groups.of(seen.group()).ground);
    let highest_z = level.map_or(0.0, |level| level.highest_z);
    let never_wet = |below: Option<&Part>, otherwise: Beta| {
        let [_, b, c, d] = below.map_or(otherwise, |part| part.beta);
        [NEVER_WET - b * highest_z, b, c, d]
    };
    for (at, bin) in bins.bins().iter().enumerate() {
        let Some(seen) = seen.get(&at) else { continue };
        let group = seen.group();
        let [_, b, c, d] = groups.of(group).mean;
        let beta = if bin.wet == 0 {
            never_wet(parts.last(), [NEVER_WET, b.max(0.0), c, d])
        } else {
            let of_climates: Vec<(&Design, &MonthCounts)> =
                seen.counts.iter().map(|(climate, counts)| (&designs[*climate], counts)).collect();
            groups.fit_together((group, bin.mean), bin.cells, &of_climates)
        };
        parts.push(Part {
            beside: false,
            low: bin.low,
            ground: bin.mean,
            high: bin.high,
            cells: bin.cells,
            seen: Some(seen.months),
            wet: Some(seen.wet_months),
            beta,
        });
    }
    let mut above: Vec<f64> =
        beside.iter().map(|ground| metres(*ground)).filter(|ground| *ground > bins.top()).collect();
    above.sort_unstable_by(f64::total_cmp);
    if let (Some(low), Some(high), Some(ground)) =
        (above.first(), above.last(), quantile_of_sorted(&above, BESIDE))
    {
        parts.push(Part {
            beside: true,
            low: *low,
            ground,
            high: *high,
            cells: above.len() as u64,
            seen: None,
            wet: None,
            beta: never_wet(parts.last(), [NEVER_WET, 0.0, 0.0, 0.0]),
        });
    }
    parts
}

/// The curve through these knots; `None` without any.
pub fn curve(parts: &[Part]) -> Option<PoolCurve> {
    PoolCurve::new(parts.iter().map(|part| Knot { ground: part.ground, beta: part.beta }).collect())
}

#[cfg(test)]
mod tests {
    use super::super::curve::PoolCell;
    use super::*;
    use crate::response::tests::{SPREADS, axis, drawn, waves};
    use crate::response::{Months, SampleCell};

    const MONTHS: usize = 360;

    /// A pool of 40 wet cells, drier the higher they lie, and 10 never wet above them; each with its group.
    fn pool(design: &Design) -> Vec<(PoolCell, Option<i32>, SampleCell)> {
        let cell = |i: usize| {
            let a = 4.0 - 0.2 * i as f64;
            let mut sample = drawn(design, &[a, 1.0, 0.3, -0.6], i as u64);
            if i >= 40 {
                sample.wet.iter_mut().for_each(|word| *word = 0);
            }
            let ground = 100_000 + 200 * i as i64;
            let cell = PoolCell { ground, row: i / 7, col: i % 7, wet: i < 40, lasting: false };
            (cell, [None, Some(1), Some(3)][i % 3], sample)
        };
        (0..50).map(cell).collect()
    }

    fn gathered<'a>(
        bins: &Bins,
        cells: impl Iterator<Item = &'a (PoolCell, Option<i32>, SampleCell)>,
    ) -> BTreeMap<usize, Seen> {
        let mut seen: BTreeMap<usize, Seen> = BTreeMap::new();
        for (cell, group, sample) in cells {
            let at = bins.place(cell);
            let months = (&sample.observed[..], &sample.wet[..]);
            seen.entry(at).or_default().add(&bins.bins()[at], *group, 0, months, MONTHS);
        }
        seen
    }

    #[test]
    fn a_curve_from_the_cells_of_a_pool_in_any_order_and_parts() {
        let designs = [Design::new(&axis(), &waves())];
        let cells = pool(&designs[0]);
        let sample: Vec<SampleCell> = cells[5..40].iter().map(|(_, _, sample)| sample.clone()).collect();
        let groups = Groups::fit(&designs, &axis(), &sample, SPREADS).unwrap();
        let bins = Bins::of(cells.iter().map(|(cell, ..)| *cell).collect()).unwrap();
        assert_eq!(bins.bins().len(), 10);
        let whole = gathered(&bins, cells.iter());
        let mut joined = gathered(&bins, cells[30..].iter().rev());
        for (at, seen) in gathered(&bins, cells[..30].iter()) {
            joined.entry(at).or_default().merge(&seen);
        }
        assert_eq!(whole, joined);
        // of the lower ground beside the pool (10.5 m is below its top) nothing counts
        let beside = [114_000, 105_000, 110_000, 112_000];
        let found = parts(&bins, &whole, &beside, &designs, &groups);
        assert_eq!(found.len(), 11);
        // numpy 2.4: np.percentile([11, 11.2, 11.4], 10)
        assert!((found[10].ground - 11.04).abs() < 1e-12, "{:?}", found[10]);
        assert_eq!((found[10].beside, found[10].cells, found[10].seen), (true, 3, None));
        assert_eq!(found[10].beta, found[9].beta);
        assert_eq!(
            (found[8].wet, found[8].beta[0], found[8].beta[1..] == found[7].beta[1..]),
            (Some(0), NEVER_WET, true)
        );
        assert_eq!(found[0].seen, Some(5 * MONTHS as u64));
        // each bin lies near what its cells were drawn from, in the middle
        for (at, part) in found[..8].iter().enumerate() {
            let drawn_from = 4.0 - 0.2 * (5 * at + 2) as f64;
            assert!((part.beta[0] - drawn_from).abs() < 0.7, "bin {at}: {part:?}, drawn from {drawn_from}");
            assert!(part.beta[1] > 0.0);
        }
        let curve = curve(&found).unwrap();
        assert_eq!(curve.knots().len(), 11);
        assert!(parts(&bins, &BTreeMap::new(), &[], &designs, &groups).is_empty());
    }

    /// A bin of one cell five times over is that cell (equal months weigh as one).
    #[test]
    fn a_bin_of_equals_is_one_of_them() {
        let designs = [Design::new(&axis(), &waves())];
        let cells = pool(&designs[0]);
        let sample: Vec<SampleCell> = cells[5..40].iter().map(|(_, _, sample)| sample.clone()).collect();
        let groups = Groups::fit(&designs, &axis(), &sample, SPREADS).unwrap();
        let same = |i: usize| {
            (
                PoolCell { ground: 30_000, row: 0, col: i, wet: true, lasting: false },
                Some(1),
                cells[12].2.clone(),
            )
        };
        let copies: Vec<_> = (0..32).map(same).collect();
        let bins = Bins::of(copies.iter().map(|(cell, ..)| *cell).collect()).unwrap();
        let found = parts(&bins, &gathered(&bins, copies.iter()), &[], &designs, &groups);
        let one = &cells[12].2;
        let own = groups
            .fit_cell(&designs[0], &one.observed, &one.wet, (Some(1), f64::NAN), &mut Months::default())
            .0;
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].beta, own);
    }

    #[test]
    fn most_cells_tell_the_group() {
        let bin = Bin { low: 0.0, high: 0.0, mean: 0.0, cells: 0, wet: 0 };
        let group = |codes: &[Option<i32>]| {
            let mut seen = Seen::default();
            codes.iter().for_each(|code| seen.add(&bin, *code, 0, (&[0; 6], &[0; 6]), MONTHS));
            seen.group()
        };
        assert_eq!(group(&[Some(4), Some(2), Some(4)]), Some(4));
        assert_eq!(group(&[Some(4), Some(2), None]), Some(2));
        assert_eq!(group(&[None, Some(9)]), Some(9));
        assert_eq!(group(&[None, None, Some(9)]), None);
    }
}
