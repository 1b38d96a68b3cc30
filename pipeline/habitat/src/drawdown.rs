//! How water follows a falling water table: logit p'(t) = logit p(t) - g h. The factor g (logits per
//! metre) is read off the space-for-depth line: the fitted intercepts of cells on higher and lower ground.

use lentic_numerics::exact_sum::ExactSum;
use std::collections::BTreeMap;

/// Cells a line needs.
pub const CELLS_FOR_A_LINE: u64 = 30;
/// Elevation range a line needs, metres.
pub const RANGE_FOR_A_LINE: f64 = 0.3;

/// Sums for the regression of intercept on elevation; the order of cells does not matter.
#[derive(Clone, Debug)]
pub struct LineSums {
    n: u64,
    x: ExactSum,
    y: ExactSum,
    xx: ExactSum,
    xy: ExactSum,
    low: f64,
    high: f64,
}

impl Default for LineSums {
    fn default() -> Self {
        LineSums {
            n: 0,
            x: ExactSum::default(),
            y: ExactSum::default(),
            xx: ExactSum::default(),
            xy: ExactSum::default(),
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
        }
    }
}

/// A fitted line: intercept = `intercept` - `g` x (elevation - `elevation`).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Cells.
    pub cells: u64,
    /// Elevation range, metres.
    pub range: f64,
    /// Logits per metre.
    pub g: f64,
    /// Mean elevation, metres.
    pub elevation: f64,
    /// Mean intercept, logits.
    pub intercept: f64,
}

impl Line {
    /// The intercept a cell of this elevation would have.
    pub fn intercept_at(&self, elevation: f64) -> f64 {
        self.intercept - self.g * (elevation - self.elevation)
    }
}

impl LineSums {
    /// Adds a cell: ground elevation in metres, fitted intercept in logits. Non-finite values are left out.
    pub fn add(&mut self, elevation: f64, intercept: f64) {
        if !(elevation.is_finite() && intercept.is_finite()) {
            return;
        }
        self.n += 1;
        self.x.add(elevation);
        self.y.add(intercept);
        self.xx.add(elevation * elevation);
        self.xy.add(elevation * intercept);
        self.low = self.low.min(elevation);
        self.high = self.high.max(elevation);
    }

    /// Adds the cells of another.
    pub fn merge(&mut self, other: &LineSums) {
        self.n += other.n;
        self.x.merge(&other.x);
        self.y.merge(&other.y);
        self.xx.merge(&other.xx);
        self.xy.merge(&other.xy);
        self.low = self.low.min(other.low);
        self.high = self.high.max(other.high);
    }

    /// Cells added.
    pub fn cells(&self) -> u64 {
        self.n
    }

    /// The line, if cells, range and sign allow one.
    pub fn line(&self) -> Option<Line> {
        if self.n < CELLS_FOR_A_LINE || self.high - self.low < RANGE_FOR_A_LINE {
            return None;
        }
        let mean = |sum: &ExactSum| sum.value().map(|total| total / self.n as f64);
        let (x, y) = (mean(&self.x)?, mean(&self.y)?);
        let spread = mean(&self.xx)? - x * x;
        let slope = (mean(&self.xy)? - x * y) / spread;
        (spread > 0.0 && slope < 0.0).then_some(Line {
            cells: self.n,
            range: self.high - self.low,
            g: -slope,
            elevation: x,
            intercept: y,
        })
    }
}

/// Where a cell's g comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// Its pool.
    Pool,
    /// Its response group.
    Group,
    /// The study file.
    Study,
    /// All cells together.
    All,
}

/// Line sums of every pool and group.
#[derive(Clone, Debug, Default)]
pub struct LineTable {
    pools: BTreeMap<i32, LineSums>,
    groups: BTreeMap<Option<i32>, LineSums>,
    all: LineSums,
}

impl LineTable {
    /// Adds a cell.
    pub fn add(&mut self, pool: Option<i32>, group: Option<i32>, elevation: f64, intercept: f64) {
        if let Some(pool) = pool {
            self.pools.entry(pool).or_default().add(elevation, intercept);
        }
        self.groups.entry(group).or_default().add(elevation, intercept);
        self.all.add(elevation, intercept);
    }

    /// Adds the cells of another table.
    pub fn merge(&mut self, other: &LineTable) {
        for (pool, sums) in &other.pools {
            self.pools.entry(*pool).or_default().merge(sums);
        }
        for (group, sums) in &other.groups {
            self.groups.entry(*group).or_default().merge(sums);
        }
        self.all.merge(&other.all);
    }

    /// The lines, with the study's own value where no line holds.
    pub fn lines(&self, given: Option<f64>) -> Lines {
        let pools = self.pools.iter();
        let groups = self.groups.iter();
        Lines {
            pools: pools.filter_map(|(k, s)| Some((*k, s.line()?))).collect(),
            groups: groups.filter_map(|(k, s)| Some((*k, s.line()?))).collect(),
            all: self.all.line(),
            given,
        }
    }
}

/// The g of every cell: pool, else group, else the study's, else all cells.
#[derive(Clone, Debug)]
pub struct Lines {
    pools: BTreeMap<i32, Line>,
    groups: BTreeMap<Option<i32>, Line>,
    all: Option<Line>,
    given: Option<f64>,
}

/// The g of one cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Factor {
    /// Logits per metre.
    pub g: f64,
    /// The line of its own pool or group, for ground that was never wet. The line of all cells says nothing of
    /// such ground.
    pub line: Option<Line>,
    /// Where it comes from.
    pub source: Source,
}

impl Lines {
    /// The factor of a cell in a pool and group, if any is known.
    pub fn of(&self, pool: Option<i32>, group: Option<i32>) -> Option<Factor> {
        let fitted = |line: &Line, source| Factor { g: line.g, line: Some(*line), source };
        let pool = pool.and_then(|pool| self.pools.get(&pool));
        pool.map(|line| fitted(line, Source::Pool))
            .or_else(|| self.groups.get(&group).map(|line| fitted(line, Source::Group)))
            .or_else(|| self.given.map(|g| Factor { g, line: None, source: Source::Study }))
            .or_else(|| self.all.map(|line| Factor { g: line.g, line: None, source: Source::All }))
    }

    /// Fitted lines by pool.
    pub fn pools(&self) -> &BTreeMap<i32, Line> {
        &self.pools
    }
}

/// Fall of the water level that the change of probability stands for, metres, never below 0:
/// b x mean fall of z / g + the prescribed fall.
pub fn equivalent_fall(b: f64, mean_fall_of_z: f64, g: f64, prescribed: f64) -> f64 {
    (b * mean_fall_of_z / g + prescribed).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(points: &[(f64, f64)]) -> LineSums {
        let mut sums = LineSums::default();
        points.iter().for_each(|(x, y)| sums.add(*x, *y));
        sums
    }

    #[test]
    fn an_exact_line_is_recovered() {
        let points: Vec<(f64, f64)> =
            (0..40).map(|i| (100.0 + 0.02 * f64::from(i), 3.0 - 4.5 * 0.02 * f64::from(i))).collect();
        let line = table(&points).line().unwrap();
        assert!((line.g - 4.5).abs() < 1e-7, "{}", line.g);
        assert!((line.intercept_at(100.0) - 3.0).abs() < 1e-7);
        assert!((line.range - 0.78).abs() < 1e-9);
    }

    #[test]
    fn order_and_parts_do_not_matter() {
        let points: Vec<(f64, f64)> = (0..50)
            .map(|i| (f64::from(i * 37 % 50) / 31.0, (f64::from(i) * 0.7).sin() - 0.1 * f64::from(i)))
            .collect();
        let mut backwards = points.clone();
        backwards.reverse();
        let mut merged = table(&points[..20]);
        merged.merge(&table(&points[20..]));
        assert_eq!(table(&points).line(), table(&backwards).line());
        assert_eq!(table(&points).line(), merged.line());
    }

    #[test]
    fn too_few_too_flat_or_rising_gives_no_line() {
        let fall = |i: i32| (0.05 * f64::from(i), -f64::from(i));
        assert!(table(&(0..29).map(fall).collect::<Vec<_>>()).line().is_none());
        assert!(table(&(0..30).map(fall).collect::<Vec<_>>()).line().is_some());
        let flat = |i: i32| (0.01 * f64::from(i % 30), -f64::from(i));
        assert!(table(&(0..90).map(flat).collect::<Vec<_>>()).line().is_none());
        let rising = |i: i32| (f64::from(i), f64::from(i));
        assert!(table(&(0..90).map(rising).collect::<Vec<_>>()).line().is_none());
    }

    #[test]
    fn pool_then_group_then_study_then_all() {
        let mut sums = LineTable::default();
        for i in 0..40 {
            let x = 0.05 * f64::from(i);
            sums.add(Some(1), Some(7), x, -2.0 * x);
            sums.add(None, Some(8), x, -6.0 * x);
        }
        let lines = sums.lines(Some(3.0));
        let source = |pool, group| lines.of(pool, group).map(|f| f.source);
        assert_eq!(source(Some(1), Some(8)), Some(Source::Pool));
        assert_eq!(source(Some(2), Some(8)), Some(Source::Group));
        assert_eq!(source(None, None), Some(Source::Study));
        assert_eq!(sums.lines(None).of(None, None).map(|f| f.source), Some(Source::All));
        assert!(LineTable::default().lines(None).of(None, None).is_none());
    }

    #[test]
    fn a_rise_never_deepens() {
        assert_eq!(equivalent_fall(1.0, 0.5, 2.0, 0.25), 0.5);
        assert_eq!(equivalent_fall(1.0, 0.0, 2.0, -0.25), 0.0);
    }
}
