//! The level that a month's water shows: wet ground below it, dry ground above.

use crate::drawdown::curve::metres;
use crate::response::pooled::MonthCounts;
use std::collections::BTreeMap;

/// Bins of ground of a pool, at most about.
const BINS: usize = 100;
/// Cells of a pool, and the share of them, that must be seen for a month's level.
const CELLS_SEEN: u64 = 5;
const SHARE_SEEN: f64 = 0.2;

/// The cells of a pool from low to high ground, in bins of about equally many; cells of equal ground share a bin.
#[derive(Clone, Debug, PartialEq)]
pub struct GroundBins {
    /// Lowest and highest ground of each bin, tenths of a millimetre.
    ends: Vec<[i64; 2]>,
    cells: u64,
}

impl GroundBins {
    /// Of the ground of a pool's cells (tenths of a millimetre, rising); `None` without cells.
    pub fn new(ground: &[i64]) -> Option<Self> {
        let each = ground.len().div_ceil(BINS).max(1);
        let mut ends: Vec<[i64; 2]> = Vec::new();
        let mut held = each;
        for height in ground {
            match ends.last_mut() {
                Some(last) if held < each || last[1] == *height => {
                    last[1] = *height;
                    held += 1;
                }
                _ => {
                    ends.push([*height; 2]);
                    held = 1;
                }
            }
        }
        (!ends.is_empty()).then_some(GroundBins { ends, cells: ground.len() as u64 })
    }

    /// The bin of a cell of this ground.
    pub fn place(&self, ground: i64) -> usize {
        self.ends.partition_point(|[_, high]| *high < ground).min(self.ends.len() - 1)
    }

    /// The level of each of so many months: the height that leaves the fewest seen cells on the wrong side, of equals the middle one;
    /// none where too few cells are seen. `counts` are the months of the cells by bin.
    pub fn levels(&self, counts: &BTreeMap<usize, MonthCounts>, months: usize) -> Vec<Option<f64>> {
        let least = (SHARE_SEEN * self.cells as f64).max(CELLS_SEEN as f64);
        let level = |at: usize| {
            let of = |bin: usize| counts.get(&bin).map_or((0, 0), |counts| counts.at(at));
            let all: Vec<(i64, i64)> =
                (0..self.ends.len()).map(of).map(|(seen, wet)| (i64::from(seen), i64::from(wet))).collect();
            if (all.iter().map(|(seen, _)| seen).sum::<i64>() as f64) < least {
                return None;
            }
            // with no bin under water all wet cells are wrong
            let mut wrong = vec![all.iter().map(|(_, wet)| wet).sum::<i64>()];
            for (seen, wet) in &all {
                let last = wrong.last().copied().unwrap_or(0);
                wrong.push(last + seen - 2 * wet);
            }
            let fewest = wrong.iter().min()?;
            let best: Vec<usize> = (0..wrong.len()).filter(|at| wrong[*at] == *fewest).collect();
            Some(self.edge(best[best.len() / 2]))
        };
        (0..months).map(level).collect()
    }

    /// The height between so many bins and those above them, metres.
    fn edge(&self, under: usize) -> f64 {
        match (under.checked_sub(1).map(|at| self.ends[at][1]), self.ends.get(under)) {
            (Some(below), Some([above, _])) => (metres(below) + metres(*above)) / 2.0,
            (None, Some([lowest, _])) => metres(*lowest),
            (Some(highest), None) => metres(highest),
            (None, None) => f64::NAN,
        }
    }
}
