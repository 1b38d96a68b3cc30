//! Monthly rain and temperature of the basin: semi-arid, winter-wet, southern hemisphere.

use super::draws::{Draws, Purpose};
use lentic_numerics::evapotranspiration::Thornthwaite;
use lentic_study::Month;

/// Degrees north, of the basin and of day length.
pub(super) const LATITUDE: f64 = -31.0;
/// First and last month of the series.
pub(super) const FIRST: (i32, u32) = (1988, 1);
pub(super) const MONTHS: usize = 33 * 12;
/// Month of the series at which the baseline (1991-01 to 2020-12) begins.
pub(super) const BASELINE_START: usize = 36;

/// Mean rain by calendar month, mm.
pub(super) const RAIN_MM: [f64; 12] = [9.0, 10.0, 16.0, 30.0, 55.0, 74.0, 78.0, 66.0, 45.0, 28.0, 18.0, 11.0];
/// Shape of the gamma distribution of rain by calendar month: summers are the most uneven.
const RAIN_SHAPE: [f64; 12] = [0.5, 0.5, 0.6, 1.0, 1.8, 2.6, 3.0, 2.8, 2.2, 1.4, 0.9, 0.6];
/// Rain falls by this share over the thirty baseline years.
const DRYING: f64 = 0.08;
/// Warming, degrees Celsius a year.
const WARMING: f64 = 0.02;

/// A monthly series.
#[derive(Clone)]
pub(super) struct Climate {
    pub months: Vec<Month>,
    /// mm
    pub rain: Vec<f64>,
    /// degrees Celsius
    pub temperature: Vec<f64>,
}

impl Climate {
    /// The weather of a seed.
    pub(super) fn new(seed: u64) -> Self {
        let mut draws = Draws::new(seed, Purpose::Weather, 0);
        let months = months();
        let mut spell = 0.0;
        let mut years = 0.0;
        let mut warmth = 0.0;
        let mut wetness = Vec::with_capacity(MONTHS);
        let mut warm = Vec::with_capacity(MONTHS);
        for _ in 0..MONTHS {
            // A month's own part, what stays from the last month, and runs of wet and dry years.
            spell = 0.25 * spell + (1.0f64 - 0.25 * 0.25).sqrt() * draws.normal();
            years = 0.95 * years + (1.0f64 - 0.95 * 0.95).sqrt() * draws.normal();
            warmth = 0.45 * warmth + (1.0f64 - 0.45 * 0.45).sqrt() * draws.normal();
            wetness.push(0.88 * spell + 0.475 * years);
            warm.push(warmth);
        }
        // The only trends are the ones stated above.
        remove_line(&mut warm);
        let rain = with_drying(&months, &wetness);
        let mut temperature = Vec::with_capacity(MONTHS);
        for (t, month) in months.iter().enumerate() {
            let m = month.calendar() as usize - 1;
            let years = (t as f64 - (BASELINE_START as f64 + 179.5)) / 12.0;
            let season = (std::f64::consts::TAU * (m as f64 - 0.4) / 12.0).cos();
            temperature.push(tenth(16.4 + 6.6 * season + 1.0 * warm[t] + WARMING * years));
        }
        Climate { months, rain, temperature }
    }

    /// The same months with rain times `factor` and `warmer` degrees added.
    pub(super) fn changed(&self, factor: f64, warmer: f64) -> Self {
        Climate {
            months: self.months.clone(),
            rain: self.rain.iter().map(|p| p * factor).collect(),
            temperature: self.temperature.iter().map(|t| t + warmer).collect(),
        }
    }

    /// The `count` calendar years of the baseline with the least rain, in order of time.
    pub(super) fn driest_years(&self, count: usize) -> Vec<i32> {
        let mut by_rain: Vec<(f64, i32)> = (BASELINE_START..MONTHS)
            .step_by(12)
            .map(|t| (self.rain[t..t + 12].iter().sum(), self.months[t].year()))
            .collect();
        by_rain.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut years: Vec<i32> = by_rain.into_iter().take(count).map(|(_, year)| year).collect();
        years.sort_unstable();
        years
    }

    /// Mean temperature by calendar month over the baseline, degrees Celsius.
    pub(super) fn normals(&self) -> [f64; 12] {
        let mut normals = [0.0; 12];
        for t in BASELINE_START..MONTHS {
            normals[t % 12] += self.temperature[t] / 30.0;
        }
        normals
    }

    /// Potential evapotranspiration of every month, mm, with the heat index of this series' own normals.
    pub(super) fn evapotranspiration(&self) -> Vec<f64> {
        let formula = Thornthwaite::new(self.normals(), LATITUDE);
        self.months
            .iter()
            .zip(&self.temperature)
            .map(|(month, t)| formula.month(*t, month.calendar(), month.days()))
            .collect()
    }
}

/// The months of the series.
fn months() -> Vec<Month> {
    let first = Month::new(FIRST.0, FIRST.1);
    first.map(|first| (0..MONTHS as i32).map(|i| first.plus(i)).collect()).unwrap_or_default()
}

/// Rain of every month, mm, from its standard normal; tilted so that the least-squares line through the departures from
/// the usual months falls by exactly the stated share.
fn with_drying(months: &[Month], wetness: &[f64]) -> Vec<f64> {
    let middle = (months.len() as f64 - 1.0) / 2.0;
    let slope = -DRYING / 360.0;
    let (mut wanted, mut square) = (0.0, 0.0);
    let mut rain = Vec::with_capacity(months.len());
    for (t, (month, z)) in months.iter().zip(wetness).enumerate() {
        let m = month.calendar() as usize - 1;
        let mm = RAIN_MM[m] * gamma_of_normal(RAIN_SHAPE[m], *z);
        let time = t as f64 - middle;
        wanted += slope * time * time * RAIN_MM[m] - time * (mm - RAIN_MM[m]);
        square += time * time * mm;
        rain.push(mm);
    }
    let tilt = wanted / square;
    for (t, mm) in rain.iter_mut().enumerate() {
        *mm = tenth(*mm * (1.0 + tilt * (t as f64 - middle)).max(0.0));
    }
    rain
}

/// A gamma value of mean 1 at a standard normal (Wilson and Hilferty 1931): the cube of a normal, so that low
/// values of an uneven month reach 0 exactly.
pub(super) fn gamma_of_normal(shape: f64, z: f64) -> f64 {
    let c = 1.0 / (9.0 * shape);
    (1.0 - c + z * c.sqrt()).max(0.0).powi(3)
}

/// Takes the least-squares line out of a series.
fn remove_line(values: &mut [f64]) {
    let n = values.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let mean = values.iter().sum::<f64>() / n;
    let (mut xy, mut xx) = (0.0, 0.0);
    for (i, v) in values.iter().enumerate() {
        xy += (i as f64 - middle) * v;
        xx += (i as f64 - middle).powi(2);
    }
    for (i, v) in values.iter_mut().enumerate() {
        *v -= mean + xy / xx * (i as f64 - middle);
    }
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
