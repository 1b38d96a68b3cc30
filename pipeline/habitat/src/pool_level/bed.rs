//! The bed of a pool: how much water it holds at which level.

use super::balance::{Forcing, Rates};

/// Even steps of volume that the bed is tabled by.
const STEPS: usize = 300;
/// Steps of the balance in a month: the area under water changes within it.
const STEPS_OF_A_MONTH: usize = 3;

/// A bed below a brim. Volumes are metres of water over the whole pool.
#[derive(Clone, Debug, PartialEq)]
pub struct Bed {
    /// Heights where the area under water changes, metres, rising; the last is the brim.
    heights: Vec<f64>,
    /// Share of the pool under water at each, and the volume held there.
    shares: Vec<f64>,
    held: Vec<f64>,
    /// Level and share under water at even steps of volume.
    levels: Vec<f64>,
    areas: Vec<f64>,
}

impl Bed {
    /// The bed of these heights of ground (metres, rising) up to a brim; `None` where nothing lies below it.
    pub fn new(ground: &[f64], brim: f64) -> Option<Self> {
        let mut heights: Vec<f64> = ground.iter().copied().filter(|height| *height <= brim).collect();
        heights.push(brim);
        heights.dedup();
        let n = ground.len() as f64;
        let under = |level: f64| ground.partition_point(|height| *height <= level) as f64 / n;
        let shares: Vec<f64> = heights.iter().map(|level| under(*level)).collect();
        let mut held = vec![0.0];
        for (at, pair) in heights.windows(2).enumerate() {
            held.push(held[at] + shares[at] * (pair[1] - pair[0]));
        }
        let full = *held.last()?;
        if !(full > 0.0 && full.is_finite()) {
            return None;
        }
        let levels: Vec<f64> =
            (0..=STEPS).map(|step| interpolate(full * step as f64 / STEPS as f64, &held, &heights)).collect();
        let mut areas: Vec<f64> = levels.iter().map(|level| interpolate(*level, &heights, &shares)).collect();
        areas[0] = 0.0;
        Some(Bed { heights, shares, held, levels, areas })
    }

    /// The lowest ground, metres.
    pub fn lowest(&self) -> f64 {
        self.heights.first().copied().unwrap_or(f64::NAN)
    }

    /// The brim, metres.
    pub fn brim(&self) -> f64 {
        self.heights.last().copied().unwrap_or(f64::NAN)
    }

    /// Share of the pool under water at a level, between heights linear.
    pub fn share(&self, level: f64) -> f64 {
        interpolate(level, &self.heights, &self.shares)
    }

    /// Water held at a level, metres over the whole pool.
    pub fn volume(&self, level: f64) -> f64 {
        interpolate(level, &self.heights, &self.held)
    }

    /// Level at the end of each month of a forcing, metres; full before the first.
    pub fn levels(&self, rates: &Rates, forcing: &Forcing) -> Vec<f64> {
        let [rain, evaporation, seepage, runoff, inflow] = rates.all();
        let full = self.held.last().copied().unwrap_or(0.0);
        let place = |volume: f64| {
            let x = volume / full * STEPS as f64;
            let at = (x as usize).min(STEPS - 1);
            (at, x - at as f64)
        };
        let between =
            |values: &[f64], (at, part): (usize, f64)| values[at] + part * (values[at + 1] - values[at]);
        let steps = STEPS_OF_A_MONTH as f64;
        let mut volume = full;
        let months = forcing.rain.iter().zip(&forcing.demand).zip(&forcing.surplus);
        months
            .map(|((p, e), q)| {
                let over_water = (rain * p - evaporation * e - seepage) / steps;
                let over_pool = (runoff * q + inflow) / steps;
                for _ in 0..STEPS_OF_A_MONTH {
                    let area = between(&self.areas, place(volume));
                    volume = (volume + area * over_water + over_pool).clamp(0.0, full);
                }
                between(&self.levels, place(volume))
            })
            .collect()
    }
}

/// Linear between points whose x rise; beyond the ends the end values.
fn interpolate(x: f64, xs: &[f64], ys: &[f64]) -> f64 {
    let after = xs.partition_point(|known| *known <= x);
    match (after.checked_sub(1), after < xs.len()) {
        (None, _) => ys.first().copied().unwrap_or(f64::NAN),
        (Some(before), false) => ys[before],
        (Some(before), true) => {
            let part = (x - xs[before]) / (xs[after] - xs[before]);
            ys[before] + part * (ys[after] - ys[before])
        }
    }
}
