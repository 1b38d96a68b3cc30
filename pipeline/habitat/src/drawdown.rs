//! How water follows a falling water table: logit p'(t) = logit p(t) - g h. The factor g (logits per
//! metre) is read off the space-for-depth line: the fitted intercepts of cells on higher and lower ground. Where a pool has
//! cells enough it has a [`curve`] in place of the line.

pub mod curve;
pub mod gather;

use lentic_numerics::exact_sum::ExactSum;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Cells a line needs.
pub const CELLS_FOR_A_LINE: u64 = 30;
/// Least g of a line, logits per metre (ours): cells of one and the same record have a slope of nothing but rounding, of
/// either sign.
pub const LEAST_G: f64 = 1e-3;
/// Elevation range a line needs, metres, unless it fits well.
pub const RANGE_FOR_A_LINE: f64 = 0.3;
/// Share of the variance of the intercepts that a line over less relief must explain (ours). The water of a spring
/// hardly moves: only a narrow band of ground is sometimes wet, and its line is steep and plain.
pub const FIT_FOR_A_LINE: f64 = 0.5;
/// Share that any line must explain (ours): over pools at different elevations, a line that explains next to nothing would
/// say that water hardly follows its table.
pub const LEAST_FIT: f64 = 0.1;

/// Sums for the regression of intercept on elevation; the order of cells does not matter.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct LineSums {
    n: u64,
    x: ExactSum,
    y: ExactSum,
    xx: ExactSum,
    xy: ExactSum,
    yy: ExactSum,
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
            yy: ExactSum::default(),
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
        }
    }
}

/// A line: intercept = `intercept` - `g` x (elevation - `elevation`).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
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
        self.yy.add(intercept * intercept);
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
        self.yy.merge(&other.yy);
        self.low = self.low.min(other.low);
        self.high = self.high.max(other.high);
    }

    fn mean(&self, sum: &ExactSum) -> Option<f64> {
        sum.value().filter(|_| self.n > 0).map(|total| total / self.n as f64)
    }

    /// Mean elevation and mean intercept.
    fn centre(&self) -> Option<(f64, f64)> {
        Some((self.mean(&self.x)?, self.mean(&self.y)?))
    }

    /// Sums about the means: squares of elevation, products with the intercept, squares of the intercept.
    fn about_means(&self) -> Option<[f64; 3]> {
        let (x, y) = self.centre()?;
        let n = self.n as f64;
        Some([
            n * (self.mean(&self.xx)? - x * x),
            n * (self.mean(&self.xy)? - x * y),
            n * (self.mean(&self.yy)? - y * y),
        ])
    }
}

/// The slope that sets of cells share, each set about its own means, so that pools at different elevations do not mix;
/// `None` unless cells, elevation range within a set (or fit) and sign allow one.
fn common_g<'a>(sets: impl Iterator<Item = &'a LineSums>) -> Option<f64> {
    let (mut cells, mut range, mut xx, mut xy, mut yy) = (0, 0.0f64, 0.0, 0.0, 0.0);
    for set in sets {
        let [own_xx, own_xy, own_yy] = set.about_means()?;
        cells += set.n;
        range = range.max(set.high - set.low);
        xx += own_xx;
        xy += own_xy;
        yy += own_yy;
    }
    let g = -xy / xx;
    let least = if range >= RANGE_FOR_A_LINE { LEAST_FIT } else { FIT_FOR_A_LINE };
    let explains = xy * xy >= least * xx * yy;
    (cells >= CELLS_FOR_A_LINE && explains && xx > 0.0 && g >= LEAST_G).then_some(g)
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
    /// What all pools share.
    All,
    /// The level of its pool, which it falls with.
    Level,
}

/// Line sums of every pool and group.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct LineTable {
    sets: BTreeMap<(Option<i32>, Option<i32>), LineSums>,
}

impl LineTable {
    /// Adds a cell.
    pub fn add(&mut self, pool: Option<i32>, group: Option<i32>, elevation: f64, intercept: f64) {
        self.sets.entry((pool, group)).or_default().add(elevation, intercept);
    }

    /// Adds the cells of another table.
    pub fn merge(&mut self, other: &LineTable) {
        for (key, sums) in &other.sets {
            self.sets.entry(*key).or_default().merge(sums);
        }
    }

    /// The lines, with the study's own value where no line holds. Where pools are known, groups and all cells share a
    /// slope within pools; cells in no pool then make no line.
    pub fn lines(&self, given: Option<f64>) -> Lines {
        let has_pools = self.sets.iter().any(|((pool, _), sums)| pool.is_some() && sums.n > 0);
        let mut pools: BTreeMap<i32, LineSums> = BTreeMap::new();
        let mut groups: BTreeMap<Option<i32>, Vec<&LineSums>> = BTreeMap::new();
        for ((pool, group), sums) in self.sets.iter().filter(|(_, sums)| sums.n > 0) {
            if let Some(pool) = pool {
                pools.entry(*pool).or_default().merge(sums);
            }
            if pool.is_some() == has_pools {
                groups.entry(*group).or_default().push(sums);
            }
        }
        let g_of_group = groups.iter().filter_map(|(k, sets)| Some((*k, common_g(sets.iter().copied())?)));
        let centre = |(k, sets): (&Option<i32>, &Vec<&LineSums>)| match sets[..] {
            [only] if !has_pools => Some((*k, only.centre()?)),
            _ => None,
        };
        Lines {
            groups: g_of_group.collect(),
            pools: pools
                .iter()
                .filter_map(|(k, sums)| Some((*k, common_g(std::iter::once(sums))?)))
                .collect(),
            all: common_g(pools.values()),
            pool_centres: pools.iter().filter_map(|(k, sums)| Some((*k, sums.centre()?))).collect(),
            group_centres: groups.iter().filter_map(centre).collect(),
            given,
            levels: BTreeMap::new(),
        }
    }
}

/// The g of every cell: the study's where it gives one, else of its pool, else its group, else what all pools share.
#[derive(Clone, Debug)]
pub struct Lines {
    pools: BTreeMap<i32, f64>,
    groups: BTreeMap<Option<i32>, f64>,
    all: Option<f64>,
    given: Option<f64>,
    /// Mean elevation and intercept of a pool.
    pool_centres: BTreeMap<i32, (f64, f64)>,
    /// Mean elevation and intercept of a group, in studies without pools.
    group_centres: BTreeMap<Option<i32>, (f64, f64)>,
    /// Lines of pools with a level of their own.
    levels: BTreeMap<i32, Line>,
}

/// The g of one cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Factor {
    /// Logits per metre.
    pub g: f64,
    /// The line that places ground never wet: through the means of its own pool, or of its group in studies without pools.
    pub line: Option<Line>,
    /// Where it comes from.
    pub source: Source,
}

impl Lines {
    /// These lines and those of pools with a level, whose water falls with it: `g` logits a metre. Where the study gives g they stay out.
    #[must_use]
    pub fn with_levels(mut self, levels: BTreeMap<i32, Line>) -> Self {
        if self.given.is_none() {
            self.levels = levels;
        }
        self
    }

    /// The factor of a cell in a pool and group, if any is known.
    pub fn of(&self, pool: Option<i32>, group: Option<i32>) -> Option<Factor> {
        if let Some(line) = pool.and_then(|pool| self.levels.get(&pool)) {
            return Some(Factor { g: line.g, line: Some(*line), source: Source::Level });
        }
        let given = self.given.map(|g| (g, Source::Study));
        let (g, source) = given
            .or_else(|| pool.and_then(|pool| self.pools.get(&pool)).map(|g| (*g, Source::Pool)))
            .or_else(|| self.groups.get(&group).map(|g| (*g, Source::Group)))
            .or_else(|| self.all.map(|g| (g, Source::All)))?;
        let centre = match pool {
            Some(pool) => self.pool_centres.get(&pool),
            None => self.group_centres.get(&group),
        };
        let line =
            centre.map(|(elevation, intercept)| Line { g, elevation: *elevation, intercept: *intercept });
        Some(Factor { g, line, source })
    }
}

/// Logits added to a cell under a fall of `h` metres (negative: a rise): -g h. A cell never seen dry is only known
/// to be wet enough: under a fall its intercept is at least that of its line at its elevation, so that ground deep under
/// water does not fall dry with the shore (ours).
pub fn shift(factor: &Factor, h: f64, intercept: f64, elevation: f64, never_dry: bool) -> f64 {
    let line = factor.line.filter(|_| never_dry && h > 0.0 && elevation.is_finite());
    let reserve = line.map_or(0.0, |line| (line.intercept_at(elevation) - intercept).max(0.0));
    if h > 0.0 { (reserve - factor.g * h).min(0.0) } else { -factor.g * h }
}

/// Fall of the water level that the change of probability stands for, metres, never below 0:
/// b x mean fall of z / g + the prescribed fall.
pub fn equivalent_fall(b: f64, mean_fall_of_z: f64, g: f64, prescribed: f64) -> f64 {
    (b * mean_fall_of_z / g + prescribed).max(0.0)
}

/// Depth after the level fell, metres, never below 0. No data stays no data.
pub fn depth_after(depth: f32, fall: f32) -> f32 {
    // f32::max would turn NaN into 0
    if depth.is_nan() { depth } else { (depth - fall).max(0.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines_of(points: &[(f64, f64)]) -> Lines {
        let mut table = LineTable::default();
        points.iter().for_each(|(x, y)| table.add(None, Some(1), *x, *y));
        table.lines(None)
    }

    fn factor(points: &[(f64, f64)]) -> Option<Factor> {
        lines_of(points).of(None, Some(1))
    }

    #[test]
    fn an_exact_line_is_recovered() {
        let points: Vec<(f64, f64)> =
            (0..40).map(|i| (100.0 + 0.02 * f64::from(i), 3.0 - 4.5 * 0.02 * f64::from(i))).collect();
        let found = factor(&points).unwrap();
        assert!((found.g - 4.5).abs() < 1e-7, "{}", found.g);
        assert!((found.line.unwrap().intercept_at(100.0) - 3.0).abs() < 1e-7);
    }

    #[test]
    fn order_and_parts_do_not_matter() {
        let points: Vec<(f64, f64)> = (0..50)
            .map(|i| {
                (f64::from(i * 37 % 50) / 31.0, (f64::from(i) * 0.7).sin() - 0.1 * f64::from(i * 37 % 50))
            })
            .collect();
        let mut backwards = points.clone();
        backwards.reverse();
        assert!(factor(&points).is_some());
        assert_eq!(factor(&points), factor(&backwards));
        let (mut one, mut two) = (LineTable::default(), LineTable::default());
        points[..20].iter().for_each(|(x, y)| one.add(None, Some(1), *x, *y));
        points[20..].iter().for_each(|(x, y)| two.add(None, Some(1), *x, *y));
        two.merge(&one);
        assert_eq!(factor(&points), two.lines(None).of(None, Some(1)));
    }

    #[test]
    fn too_few_too_flat_or_rising_gives_no_line() {
        let fall = |i: i32| (0.05 * f64::from(i), -f64::from(i));
        assert!(factor(&(0..29).map(fall).collect::<Vec<_>>()).is_none());
        assert!(factor(&(0..30).map(fall).collect::<Vec<_>>()).is_some());
        // 0.29 m of relief: only a line that explains half of the variance is taken
        let scattered = |i: i32| (0.01 * f64::from(i % 30), -f64::from(i % 30) + 30.0 * f64::from(i % 7));
        assert!(factor(&(0..90).map(scattered).collect::<Vec<_>>()).is_none());
        let plain = |i: i32| (0.01 * f64::from(i % 30), -f64::from(i % 30) + f64::from(i % 7));
        assert!(factor(&(0..90).map(plain).collect::<Vec<_>>()).is_some());
        // two pools a metre apart in one set, each with a slope of 5: together they explain next to nothing
        let perched = |i: i32| (f64::from(i / 45) + 0.01 * f64::from(i % 45), -0.05 * f64::from(i % 45));
        assert!(factor(&(0..90).map(perched).collect::<Vec<_>>()).is_none());
        let rising = |i: i32| (f64::from(i), f64::from(i));
        assert!(factor(&(0..90).map(rising).collect::<Vec<_>>()).is_none());
        let equal = |i: i32| (0.0371 * f64::from(i), 2.1 / 3.0);
        assert!(factor(&(0..301).map(equal).collect::<Vec<_>>()).is_none());
    }

    #[test]
    fn study_then_pool_then_group_then_all() {
        let mut sums = LineTable::default();
        for i in 0..40 {
            let x = 0.05 * f64::from(i);
            sums.add(Some(1), Some(7), x, -2.0 * x);
            sums.add(Some(2), Some(8), x, -6.0 * x);
        }
        sums.add(Some(3), Some(9), 0.0, 0.0);
        let given = sums.lines(Some(3.0)).of(Some(1), Some(8)).unwrap();
        assert_eq!((given.source, given.g), (Source::Study, 3.0));
        // its line still runs through the means of its pool: elevation 0.975 m, intercept -1.95
        assert!((given.line.unwrap().intercept_at(1.975) + 4.95).abs() < 1e-9);
        let lines = sums.lines(None);
        let source = |pool, group| lines.of(pool, group).map(|f| f.source);
        assert_eq!(source(Some(1), Some(8)), Some(Source::Pool));
        assert_eq!(source(Some(3), Some(8)), Some(Source::Group));
        assert_eq!(source(None, None), Some(Source::All));
        let shared = sums.lines(None).of(Some(3), Some(9)).unwrap();
        assert_eq!(shared.source, Source::All);
        assert!((shared.g - 4.0).abs() < 1e-9, "{}", shared.g);
        assert!(LineTable::default().lines(None).of(None, None).is_none());
    }

    /// Pools perched at different elevations, each with the same slope: plain regression over them would see almost none.
    #[test]
    fn a_group_shares_its_slope_within_pools() {
        let mut table = LineTable::default();
        for pool in 0..5 {
            for i in 0..8 {
                let depth = 0.05 * f64::from(i);
                table.add(Some(pool), Some(2), 100.0 + 3.0 * f64::from(pool) + depth, 1.0 - 7.0 * depth);
            }
        }
        let lines = table.lines(None);
        // eight cells are too few for a pool's own line
        let found = lines.of(Some(4), Some(2)).unwrap();
        assert_eq!(found.source, Source::Group);
        assert!((found.g - 7.0).abs() < 1e-6, "{}", found.g);
        assert!((found.line.unwrap().intercept_at(112.0) - 1.0).abs() < 1e-6);
        assert_eq!(lines.of(None, Some(2)).unwrap().line, None);
    }

    /// By hand: g = 10 and the line gives 12 logits at 98.8 m, where the cell itself only shows 5.
    #[test]
    fn ground_deep_under_water_keeps_its_reserve() {
        let line = Line { g: 10.0, elevation: 100.0, intercept: 0.0 };
        let factor = Factor { g: 10.0, line: Some(line), source: Source::Pool };
        let of = |h, never_dry| shift(&factor, h, 5.0, 98.8, never_dry);
        assert!((of(0.5, false) + 5.0).abs() < 1e-9);
        assert_eq!(of(0.5, true), 0.0);
        assert!((of(0.9, true) + 2.0).abs() < 1e-9);
        assert!((of(-0.5, true) - 5.0).abs() < 1e-9);
        // the cell knows better than a lower line
        assert!((shift(&factor, 0.5, 5.0, 99.9, true) + 5.0).abs() < 1e-9);
    }

    #[test]
    fn depth_falls_to_dry_ground_and_no_data_stays() {
        assert_eq!(depth_after(0.75, 0.5), 0.25);
        assert_eq!(depth_after(0.75, 1.0), 0.0);
        assert!(depth_after(f32::NAN, 0.5).is_nan());
    }

    #[test]
    fn a_rise_never_deepens() {
        assert_eq!(equivalent_fall(1.0, 0.5, 2.0, 0.25), 0.5);
        assert_eq!(equivalent_fall(1.0, 0.0, 2.0, -0.25), 0.0);
    }
}
