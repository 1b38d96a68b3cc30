//! What a satellite would have seen: monthly masks with clouds, gaps and errors.

use super::climate::{BASELINE_START, Climate, MONTHS};
use super::cover::around;
use super::draws::{Draws, Noise, Purpose};
use super::terrain::Terrain;
use super::water::{History, is_wet};

/// Mask value of a cell not seen.
pub(super) const NOT_SEEN: u8 = 255;
/// Chance that a cell at the water's edge is seen in the other state.
const EDGE_ERROR: f64 = 0.01;
/// The satellite failed from this baseline month on (counted from 0) ...
const FAILURE: usize = 148;
/// ... for so many months.
const FAILURE_MONTHS: usize = 5;
/// Single months lost besides.
const LOST_MONTHS: usize = 4;

/// Baseline months (counted from 0) without any image.
pub(super) fn blind_months(seed: u64) -> Vec<usize> {
    let mut draws = Draws::new(seed, Purpose::Gaps, 0);
    let mut blind: Vec<usize> = (FAILURE..FAILURE + FAILURE_MONTHS).collect();
    blind.extend((0..LOST_MONTHS).map(|_| draws.below(MONTHS - BASELINE_START)));
    blind.sort_unstable();
    blind.dedup();
    blind
}

/// The mask of a baseline month (counted from 0): 0 dry, 1 wet, 255 not seen.
pub(super) fn mask(
    seed: u64,
    terrain: &Terrain,
    histories: &[History],
    climate: &Climate,
    month: usize,
    blind: &[usize],
) -> Vec<u8> {
    let (rows, cols) = (terrain.rows, terrain.cols);
    if blind.contains(&month) {
        return vec![NOT_SEEN; rows * cols];
    }
    let t = BASELINE_START + month;
    let mut draws = Draws::new(seed, Purpose::Sky, month as u64);
    let truth: Vec<bool> = (0..rows * cols).map(|cell| is_wet(terrain, histories, cell, t, 0.0)).collect();
    let mut seen: Vec<u8> = truth.iter().map(|w| u8::from(*w)).collect();
    for cell in 0..rows * cols {
        if terrain.pool[cell] != 0
            && around(rows, cols, cell, 1).any(|n| truth[n] != truth[cell])
            && draws.unit() < EDGE_ERROR
        {
            seen[cell] = 1 - seen[cell];
        }
    }
    // 10 to 25 % of the sky, more in wet months.
    let wetness = (climate.rain[t] / 90.0).min(1.0);
    let share = 0.10 + 0.10 * wetness + 0.05 * draws.unit();
    let clouds = Noise::new(&mut draws, rows, cols, (cols as f64 / 5.0).min(70.0), 3);
    let sky: Vec<f32> = (0..rows * cols).map(|c| clouds.at(c / cols, c % cols) as f32).collect();
    let mut sorted = sky.clone();
    let nth = (((1.0 - share) * sky.len() as f64) as usize).min(sky.len() - 1);
    let (_, limit, _) = sorted.select_nth_unstable_by(nth, f32::total_cmp);
    for (cell, value) in seen.iter_mut().enumerate() {
        if sky[cell] >= *limit {
            *value = NOT_SEEN;
        }
    }
    seen
}
