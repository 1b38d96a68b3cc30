//! How the water of one pool differs from ground to ground. Level water stands h above a cell as it now stands above ground h
//! higher: under a fall of h metres a cell answers as that ground does today (space for time). Unlike a line, a curve knows the
//! brim, above which water never stood.

use crate::response::Beta;
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;
use std::collections::BTreeMap;

/// Tenths of a millimetre in a metre.
const TENTHS: f64 = 1e4;
/// Cells seen wet, of known ground, that a pool needs for a curve.
pub const CELLS_FOR_A_CURVE: usize = 30;
/// A bin of ground is at least so high, tenths of a millimetre (0.05 m),
pub const BIN_HEIGHT: i64 = 500;
/// and holds at least so many cells.
pub const BIN_CELLS: u64 = 5;
/// A surface of water in the ground layer: so many cells share one height,
pub const SURFACE_CELLS: u64 = 10;
/// one in so many of the pool's,
pub const SURFACE_SHARE: u64 = 5;
/// and half of them or more are wet in more than this share of their months.
pub const LASTING: f64 = 0.9;
/// Intercept of ground never seen wet, logits: about a month in 1,800 years.
pub const NEVER_WET: f64 = -10.0;
/// The quantile of the ground beside a pool that stands for all of it: water runs out where it is low.
pub const BESIDE: f64 = 0.1;

/// Ground to the nearest tenth of a millimetre: the last digit of a 32-bit float must not decide in which bin a cell lies.
/// `None` for ground not known.
pub fn tenths(metres: f64) -> Option<i64> {
    metres.is_finite().then(|| (TENTHS * metres + 0.5).floor() as i64)
}

/// Back to metres.
pub fn metres(tenths: i64) -> f64 {
    tenths as f64 / TENTHS
}

/// Ground to the nearest tenth of a millimetre, metres; NaN where it is not known.
pub fn to_tenth(ground: f64) -> f64 {
    tenths(ground).map_or(f64::NAN, metres)
}

/// An assessed cell of a pool.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PoolCell {
    /// Ground elevation, see [`tenths`].
    pub ground: i64,
    /// Row in the grid.
    pub row: usize,
    /// Column in the grid.
    pub col: usize,
    /// Whether it was ever seen wet.
    pub wet: bool,
    /// Whether it was wet in more than [`LASTING`] of the months seen.
    pub lasting: bool,
}

impl PoolCell {
    /// From low to high ground; equal ground in reading order, so that tiles do not matter.
    fn order(&self, other: &PoolCell) -> Ordering {
        (self.ground, self.row, self.col).cmp(&(other.ground, other.row, other.col))
    }
}

/// Ground of a pool that is as flat as a surface of water, with its cells: the ground layer shows the water there, not the bed (ours).
/// Heights that [`SURFACE_CELLS`] cells and one in [`SURFACE_SHARE`] share, half of them or more of lasting water.
pub fn surfaces(cells: &[PoolCell]) -> BTreeMap<i64, u64> {
    let mut heights: BTreeMap<i64, (u64, u64)> = BTreeMap::new();
    for cell in cells {
        let (all, lasting) = heights.entry(cell.ground).or_default();
        *all += 1;
        *lasting += u64::from(cell.lasting);
    }
    let least = SURFACE_CELLS.max((cells.len() as u64).div_ceil(SURFACE_SHARE));
    let flat = heights.into_iter().filter(|(_, (all, lasting))| *all >= least && 2 * lasting >= *all);
    flat.map(|(ground, (all, _))| (ground, all)).collect()
}

/// A bin of the ground of a pool.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bin {
    /// Lowest ground, metres.
    pub low: f64,
    /// Highest ground, metres.
    pub high: f64,
    /// Mean ground, metres.
    pub mean: f64,
    /// Cells.
    pub cells: u64,
    /// Cells ever seen wet.
    pub wet: u64,
}

/// The bins of a pool, rising.
#[derive(Clone, Debug, PartialEq)]
pub struct Bins {
    bins: Vec<Bin>,
    /// First cell of each bin.
    firsts: Vec<PoolCell>,
}

impl Bins {
    /// Bins of the assessed cells of a pool, in any order: rising in ground a bin closes once it spans [`BIN_HEIGHT`] and holds
    /// [`BIN_CELLS`]; a last bin of fewer cells joins the one before. `None` with fewer than [`CELLS_FOR_A_CURVE`] cells seen wet.
    pub fn of(mut cells: Vec<PoolCell>) -> Option<Self> {
        if cells.iter().filter(|cell| cell.wet).count() < CELLS_FOR_A_CURVE {
            return None;
        }
        cells.sort_unstable_by(PoolCell::order);
        let mut starts = vec![0];
        let mut first = 0;
        for (at, cell) in cells.iter().enumerate() {
            let spans = cell.ground - cells[first].ground >= BIN_HEIGHT;
            if spans && (at - first) as u64 >= BIN_CELLS {
                starts.push(at);
                first = at;
            }
        }
        if starts.len() > 1 && ((cells.len() - first) as u64) < BIN_CELLS {
            starts.pop();
        }
        let ends = starts.iter().skip(1).copied().chain(std::iter::once(cells.len()));
        let bins = starts.iter().zip(ends).map(|(start, end)| bin(&cells[*start..end])).collect();
        Some(Bins { bins, firsts: starts.iter().map(|start| cells[*start]).collect() })
    }

    /// Which bin a cell of the pool lies in.
    pub fn place(&self, cell: &PoolCell) -> usize {
        self.firsts.partition_point(|first| first.order(cell).is_le()).saturating_sub(1)
    }

    /// The bins from the lowest ground to the highest.
    pub fn bins(&self) -> &[Bin] {
        &self.bins
    }

    /// The highest ground of the pool, metres.
    pub fn top(&self) -> f64 {
        self.bins.last().map_or(f64::NAN, |bin| bin.high)
    }
}

/// A bin of these cells, which rise in ground; at least one.
fn bin(cells: &[PoolCell]) -> Bin {
    let ground = |cell: Option<&PoolCell>| cell.map_or(f64::NAN, |cell| metres(cell.ground));
    let sum: i64 = cells.iter().map(|cell| cell.ground).sum();
    Bin {
        low: ground(cells.first()),
        high: ground(cells.last()),
        mean: sum as f64 / (TENTHS * cells.len() as f64),
        cells: cells.len() as u64,
        wet: cells.iter().filter(|cell| cell.wet).count() as u64,
    }
}

/// The response of a pool's water at one height of its ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Knot {
    /// Ground, metres.
    pub ground: f64,
    /// Coefficients, b at least 0.
    pub beta: Beta,
}

/// The response of a pool against its ground, linear between knots.
#[derive(Clone, Debug, PartialEq)]
pub struct PoolCurve {
    knots: Vec<Knot>,
}

/// Which of several responses holds in a month.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bound {
    /// The driest: under a fall.
    Lowest,
    /// The wettest: under a rise.
    Highest,
}

impl Bound {
    /// Of a fall of `h` metres (negative: a rise).
    pub fn of(h: f64) -> Self {
        if h < 0.0 { Bound::Highest } else { Bound::Lowest }
    }
}

impl PoolCurve {
    /// A curve through knots that rise in ground, at least one.
    pub fn new(knots: Vec<Knot>) -> Option<Self> {
        let rises = knots.windows(2).all(|pair| pair[0].ground < pair[1].ground);
        (rises && !knots.is_empty()).then_some(PoolCurve { knots })
    }

    /// Its knots.
    pub fn knots(&self) -> &[Knot] {
        &self.knots
    }

    /// Coefficients of ground at this height, metres; beyond the ends the intercept goes on with `g` logits per metre.
    pub fn at(&self, ground: f64, g: f64) -> Beta {
        let above = self.knots.partition_point(|knot| knot.ground <= ground);
        let beyond = |knot: &Knot| {
            let [a, b, c, d] = knot.beta;
            [a - g * (ground - knot.ground), b, c, d]
        };
        match (above.checked_sub(1).and_then(|at| self.knots.get(at)), self.knots.get(above)) {
            (Some(low), Some(high)) => {
                between(&low.beta, &high.beta, (ground - low.ground) / (high.ground - low.ground))
            }
            (Some(end), None) | (None, Some(end)) => beyond(end),
            (None, None) => [f64::NAN; 4],
        }
    }

    /// The responses a cell passes through while the level falls by `h` metres (negative: rises): its coefficients `own` moved by
    /// curve(ground + x) - curve(ground), or, for a cell without any, those of the curve itself, at x = 0, at every knot passed
    /// and at x = h. In every month the lowest of them holds (under a rise the highest, [`Bound::of`]), because in no month does water
    /// stand on higher and not on lower ground, although the bins of a curve, each fitted by itself, may say so (ours).
    ///
    /// b is held at 0 or above (ours: more rain is never less water); where it would pass through 0 between two knots, that
    /// response is one more. So logits are linear in x between neighbours, and the lowest of these is the lowest of all
    /// x from 0 to h: a deeper fall never gives more water.
    pub fn moved(&self, own: Option<&Beta>, ground: f64, h: f64, g: f64, out: &mut Vec<Beta>) {
        out.clear();
        let here = self.at(ground, g);
        let moved = |there: Beta| -> Beta {
            own.map_or(there, |own| std::array::from_fn(|k| own[k] + (there[k] - here[k])))
        };
        let end = ground + h;
        let (low, high) = (ground.min(end), ground.max(end));
        let passed = self.knots.iter().filter(|knot| low < knot.ground && knot.ground < high);
        out.push(moved(here));
        out.extend(passed.map(|knot| moved(knot.beta)));
        out.push(moved(self.at(end, g)));
        if h < 0.0 {
            // knots were met from low to high, the level passes them from high to low
            let last = out.len() - 1;
            out[1..last].reverse();
        }
        if own.is_some() {
            hold_slopes(out);
        }
    }
}

/// Coefficients a share of the way from one to another.
fn between(from: &Beta, to: &Beta, share: f64) -> Beta {
    std::array::from_fn(|k| from[k] + share * (to[k] - from[k]))
}

/// Holds b at 0 or above, with one more response where it passes through 0.
fn hold_slopes(responses: &mut Vec<Beta>) {
    let crossings: Vec<Beta> = responses
        .windows(2)
        .filter(|pair| pair[0][1] * pair[1][1] < 0.0)
        .map(|pair| between(&pair[0], &pair[1], pair[0][1] / (pair[0][1] - pair[1][1])))
        .collect();
    responses.extend(crossings);
    responses.iter_mut().for_each(|beta| beta[1] = beta[1].max(0.0));
}

#[cfg(test)]
mod tests;
