//! Random numbers and series of simulated basins, by hash, so that a test draws the same each time.

use lentic_numerics::normal::quantile;
use lentic_numerics::seed::{hash64, unit};

/// A standard normal number of (`a`, `b`) under a seed.
pub fn normal(seed: u64, a: u64, b: u64) -> f64 {
    quantile(unit(hash64(seed, a, b)).max(f64::MIN_POSITIVE))
}

/// A first-order autoregressive series of variance 1, of so many months; `stays` is the share that a month keeps of the one before.
pub fn persistent(seed: u64, key: u64, stays: f64, months: usize) -> Vec<f64> {
    let mut value = normal(seed, key, 0);
    (1..=months as u64)
        .map(|t| {
            value = stays * value + (1.0 - stays * stays).sqrt() * normal(seed, key, t);
            value
        })
        .collect()
}
