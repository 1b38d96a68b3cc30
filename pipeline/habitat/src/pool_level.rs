//! The level of a pool from a balance of its water: an index of the pool's own, which remembers what its bed holds.
//!
//! A drought index sums a fixed number of months; a pool remembers as long as its depth lets it, spills at its brim and shrinks as it
//! falls. Where pools, their ground, rain and temperature are known, a balance of five rates is fitted to the levels that the water
//! record shows ([`seen`], [`balance`]). It takes the place of the drought index in the response of a pool's cells where it explains
//! years left out much better ([`trial`]). Method: "Level of a pool" in docs/methods.md.

pub mod balance;
pub mod bed;
pub mod seen;
pub mod trial;

use crate::climate::Weather;
use crate::response::Design;
use crate::water::MonthAxis;
use balance::{CAPACITIES_MM, Forcing, Rates, fit_rates};
use bed::Bed;
use lentic_numerics::stats::quantile_of_sorted;

/// Cells sometimes wet (frequency 0.1 to 0.9) that a pool needs for a level (ours).
pub const CELLS_FOR_A_LEVEL: usize = 30;
/// Share of the levels seen that do not count as above the brim (ours): a few months are misread.
const BRIM: f64 = 0.995;

/// A pool's balance with its scale.
#[derive(Clone, Debug, PartialEq)]
pub struct PoolLevel {
    bed: Bed,
    /// Water that the soil around holds before it sheds any, mm.
    pub capacity_mm: f64,
    /// Rates of the balance.
    pub rates: Rates,
    /// Mean level over the months of the record, metres.
    pub mean: f64,
    /// Standard deviation of the level over them, metres.
    pub sd: f64,
}

/// What a pool's level is fitted to.
#[derive(Clone, Debug)]
pub struct Record<'a> {
    /// Ground of the pool's cells, metres, rising.
    pub ground: &'a [f64],
    /// Level seen in each month of the weather, metres; none where too little was seen.
    pub seen: &'a [Option<f64>],
    /// Whether a month of the weather is one that the response is fitted on.
    pub fitted: &'a [bool],
    /// The weather as it was.
    pub weather: &'a Weather,
}

impl PoolLevel {
    /// Fits a level; `used` says which months of the weather may be looked at. `None` where the water hardly moves or too little is seen.
    pub fn fit(record: &Record, used: &[bool]) -> Option<Self> {
        Self::with_one_of(&CAPACITIES_MM, record, used)
    }

    /// The same capacity with rates from other months.
    pub fn refit(&self, record: &Record, used: &[bool]) -> Option<Self> {
        Self::with_one_of(&[self.capacity_mm], record, used)
    }

    /// The best fit over these capacities, of equals the first.
    fn with_one_of(capacities: &[f64], record: &Record, used: &[bool]) -> Option<Self> {
        let (bed, seen) = bed_of(record)?;
        let each = capacities.iter().filter_map(|capacity| {
            let forcing = Forcing::new(record.weather, *capacity);
            let rates = fit_rates(&bed, &seen, record.fitted, used, &forcing)?;
            let levels = bed.levels(&rates, &forcing);
            let pairs = seen.iter().zip(&levels).zip(record.fitted.iter().zip(used));
            let misfit: f64 = pairs
                .filter(|(_, (fitted, used))| **fitted && **used)
                .filter_map(|((seen, level), _)| Some((level - (*seen)?).powi(2)))
                .sum();
            Some((misfit, *capacity, rates, levels))
        });
        let (_, capacity_mm, rates, levels) =
            each.reduce(|best, next| if next.0 < best.0 { next } else { best })?;
        PoolLevel { bed, capacity_mm, rates, mean: 0.0, sd: 0.0 }.scaled(&levels, record.fitted)
    }

    fn scaled(mut self, levels: &[f64], fitted: &[bool]) -> Option<Self> {
        let kept: Vec<f64> =
            levels.iter().zip(fitted).filter(|(_, f)| **f).map(|(level, _)| *level).collect();
        let n = kept.len() as f64;
        self.mean = kept.iter().sum::<f64>() / n;
        self.sd = (kept.iter().map(|level| (level - self.mean).powi(2)).sum::<f64>() / n).sqrt();
        (self.sd > 1e-4).then_some(self)
    }

    /// Level at the end of each month of a weather, metres. The pool is full before the first.
    pub fn levels(&self, weather: &Weather) -> Vec<f64> {
        self.bed.levels(&self.rates, &Forcing::new(weather, self.capacity_mm))
    }

    /// The level of each month in standard deviations from its mean: the z of the pool's cells.
    pub fn z(&self, weather: &Weather) -> Vec<f64> {
        self.levels(weather).into_iter().map(|level| (level - self.mean) / self.sd).collect()
    }

    /// The months of `index`, z being the level under a weather; `offset` is the position of the axis's first month among those of the
    /// weather.
    pub fn design(&self, axis: &MonthAxis, index: &Design, weather: &Weather, offset: usize) -> Design {
        let all = self.z(weather);
        let mut z = vec![None; axis.len];
        for (at, _) in index.z() {
            z[at] = all.get(offset + at).copied();
        }
        Design::new(axis, &z)
    }

    /// The highest level, metres: above it water runs off.
    pub fn brim(&self) -> f64 {
        self.bed.brim()
    }

    /// Root mean square of modelled minus seen level over the months of the response, metres.
    pub fn misfit(&self, record: &Record) -> f64 {
        let levels = self.levels(record.weather);
        let pairs = levels.iter().zip(record.seen).zip(record.fitted).filter(|(_, fitted)| **fitted);
        let off = pairs.filter_map(|((level, seen), _)| {
            Some((level - (*seen)?.clamp(self.bed.lowest(), self.brim())).powi(2))
        });
        let (sum, n) = off.fold((0.0, 0u32), |(sum, n), square| (sum + square, n + 1));
        (sum / f64::from(n)).sqrt()
    }

    /// Share of what the pool gains that comes in steadily, whatever the weather; over these months.
    pub fn steady_share(&self, weather: &Weather, fitted: &[bool]) -> f64 {
        let forcing = Forcing::new(weather, self.capacity_mm);
        let levels = self.bed.levels(&self.rates, &forcing);
        let [rain, _, _, runoff, inflow] = self.rates.all();
        let (mut weathered, mut steady) = (0.0, 0.0);
        for at in (0..levels.len()).filter(|at| fitted[*at]) {
            weathered += rain * self.bed.share(levels[at]) * forcing.rain[at] + runoff * forcing.surplus[at];
            steady += inflow;
        }
        if steady > 0.0 { steady / (steady + weathered) } else { 0.0 }
    }
}

/// The bed below the brim, and the levels seen held between its lowest ground and its brim.
fn bed_of(record: &Record) -> Option<(Bed, Vec<Option<f64>>)> {
    let mut found: Vec<f64> = record.seen.iter().flatten().copied().collect();
    found.sort_unstable_by(f64::total_cmp);
    let brim = quantile_of_sorted(&found, BRIM)?;
    let bed = Bed::new(record.ground, brim)?;
    let (low, high) = (bed.lowest(), bed.brim());
    let seen = record.seen.iter().map(|level| level.map(|level| level.clamp(low, high))).collect();
    Some((bed, seen))
}

#[cfg(test)]
mod tests;
