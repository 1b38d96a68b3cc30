//! The balance of a pool's water, dV = A(V) (r P - e PET - s) + q Q + i a month, and the fit of its rates.

use super::bed::Bed;
use crate::climate::Weather;
use lentic_numerics::nonnegative::nonnegative;

/// Capacities of the soil store that are tried, mm (ours).
pub const CAPACITIES_MM: [f64; 7] = [0.0, 25.0, 50.0, 75.0, 100.0, 150.0, 200.0];
/// What the rates are taken to be before anything is seen, and the standard deviations about that (ours): rain falls on water as it is measured, a pool
/// evaporates about what grass would; nothing is known of the rest.
const BEFORE: [f64; 5] = [1.0, 1.0, 0.0, 0.0, 0.0];
const SPREAD: [f64; 5] = [0.5, 0.5, 0.04, 10.0, 0.04];
/// Pairs of months that the rates need (ours).
const PAIRS: usize = 24;
/// A level this near the lowest ground or the brim may stand for one beyond it, metres.
const NEAR_BED_M: f64 = 0.02;
const NEAR_BRIM_M: f64 = 0.01;
/// The error of a month's change counts for at least so much, metres over the area under water.
const LEAST_ERROR_M: f64 = 0.005;
/// Share under water that an error is told over, at least.
const LEAST_AREA: f64 = 0.1;
/// Rounds of fit and error.
const ROUNDS: usize = 3;

/// Rates of a balance, none below 0.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rates {
    /// Share of the rain that reaches the water.
    pub rain: f64,
    /// Evaporation from the water over potential evapotranspiration.
    pub evaporation: f64,
    /// Lost through the bed under water, metres a month.
    pub seepage: f64,
    /// Ground that sheds into the pool, over the area of the pool.
    pub runoff: f64,
    /// Coming in whatever the weather, metres a month over the whole pool.
    pub inflow: f64,
}

impl Rates {
    /// In this order: rain, evaporation, seepage, runoff, inflow.
    pub fn all(&self) -> [f64; 5] {
        [self.rain, self.evaporation, self.seepage, self.runoff, self.inflow]
    }

    fn of([rain, evaporation, seepage, runoff, inflow]: [f64; 5]) -> Self {
        Rates { rain, evaporation, seepage, runoff, inflow }
    }
}

/// What drives a balance, metres a month.
#[derive(Clone, Debug, PartialEq)]
pub struct Forcing {
    /// Rain.
    pub rain: Vec<f64>,
    /// Potential evapotranspiration.
    pub demand: Vec<f64>,
    /// What the soil sheds.
    pub surplus: Vec<f64>,
}

impl Forcing {
    /// Of a weather, with a soil store of this capacity.
    ///
    /// The store is full before the first month; a deficit draws it down exponentially. Source: Thornthwaite and Mather (1955), The
    /// water balance, Publications in Climatology 8(1).
    pub fn new(weather: &Weather, capacity_mm: f64) -> Self {
        let mut held = capacity_mm;
        let surplus = weather.precipitation.iter().zip(&weather.evapotranspiration).map(|(rain, need)| {
            let gain = rain - need;
            let shed = if gain < 0.0 {
                if capacity_mm > 0.0 {
                    held *= (gain / capacity_mm).exp();
                }
                0.0
            } else {
                let shed = (held + gain - capacity_mm).max(0.0);
                held = (held + gain).min(capacity_mm);
                shed
            };
            shed / 1000.0
        });
        let metres = |values: &[f64]| values.iter().map(|mm| mm / 1000.0).collect();
        Forcing {
            surplus: surplus.collect(),
            rain: metres(&weather.precipitation),
            demand: metres(&weather.evapotranspiration),
        }
    }
}

/// Rates by least squares on the change of volume between neighbouring months whose levels lie off the bed and off the brim, with
/// what is held before; `None` where too few months tell.
///
/// `seen` are levels by month, metres, between bed and brim; only months that are both `fitted` and `used` count.
pub fn fit_rates(
    bed: &Bed,
    seen: &[Option<f64>],
    fitted: &[bool],
    used: &[bool],
    forcing: &Forcing,
) -> Option<Rates> {
    let level =
        |at: usize| seen[at].filter(|level| fitted[at] && used[at] && *level > bed.lowest() + NEAR_BED_M);
    let mut rows: Vec<([f64; 5], f64)> = Vec::new();
    for at in 1..seen.len() {
        let Some((before, after)) = level(at - 1).zip(level(at)) else { continue };
        if after >= bed.brim() - NEAR_BRIM_M {
            continue;
        }
        let area = (bed.share(before) + bed.share(after)) / 2.0;
        // an error of level counts alike in a small and in a large water
        let per = 1.0 / area.max(LEAST_AREA);
        let row = [area * forcing.rain[at], -area * forcing.demand[at], -area, forcing.surplus[at], 1.0];
        rows.push((row.map(|x| x * per), (bed.volume(after) - bed.volume(before)) * per));
    }
    if rows.len() < PAIRS {
        return None;
    }
    let mut rates = BEFORE;
    for _ in 0..ROUNDS {
        let off = |(row, rise): &([f64; 5], f64)| {
            let told: f64 = row.iter().zip(&rates).map(|(x, rate)| x * rate).sum();
            (told - rise).powi(2)
        };
        let error = (rows.iter().map(off).sum::<f64>() / rows.len() as f64).sqrt().max(LEAST_ERROR_M);
        let mut hessian = [[0.0; 5]; 5];
        let mut gradient = [0.0; 5];
        for k in 0..5 {
            hessian[k][k] = SPREAD[k].powi(-2);
            gradient[k] = BEFORE[k] * SPREAD[k].powi(-2);
        }
        for (row, rise) in &rows {
            for i in 0..5 {
                gradient[i] += row[i] * rise / error.powi(2);
                for j in 0..5 {
                    hessian[i][j] += row[i] * row[j] / error.powi(2);
                }
            }
        }
        rates = nonnegative(&hessian, &gradient)?;
    }
    Some(Rates::of(rates))
}
