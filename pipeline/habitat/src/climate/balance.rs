//! Weather month by month, and the water balance whose sums the index is read from: rain, less evapotranspiration where that counts.

use super::{IndexSettings, Series, Shift, Weather};
use lentic_numerics::evapotranspiration::{HargreavesSamani, Thornthwaite};
use lentic_numerics::standard_index::rolling_sums;
use lentic_study::Month;
use lentic_study::settings::IndexKind;

/// Evapotranspiration under a change of temperature, month by month.
enum Demand<'a> {
    /// Rain alone counts.
    None,
    /// By mean temperature.
    Mean(Thornthwaite, &'a [f64]),
    /// By both extremes, which move together.
    Extremes(HargreavesSamani, &'a [Vec<f64>; 2]),
}

impl<'a> Demand<'a> {
    /// As far as the series knows temperatures.
    fn new(series: &'a Series, latitude: f64, normals: Option<[f64; 12]>, shift: &Shift) -> Self {
        match (&series.extremes, normals.zip(series.temperature.as_deref())) {
            (Some(extremes), _) => Demand::Extremes(HargreavesSamani::new(latitude), extremes),
            (None, Some((normals, temperature))) => {
                let shifted = std::array::from_fn(|m| normals[m] + shift.temperature[m]);
                Demand::Mean(Thornthwaite::new(shifted, latitude), temperature)
            }
            (None, None) => Demand::None,
        }
    }

    /// mm of the month at a position, its temperature changed by so many degrees; none where it does not count.
    fn month(&self, at: usize, month: Month, warmer: f64) -> Option<f64> {
        match self {
            Demand::None => None,
            Demand::Mean(pet, temperature) => {
                Some(pet.month(temperature[at] + warmer, month.calendar(), month.days()))
            }
            Demand::Extremes(pet, [low, high]) => {
                Some(pet.month(low[at] + warmer, high[at] + warmer, month.calendar(), month.days()))
            }
        }
    }
}

/// Sums of the balance over the months of the index, mm, by the month each ends in, under a change of climate; `normals` are the
/// mean temperatures by calendar month over the reference period.
pub(super) fn sums_of(
    series: &Series,
    settings: &IndexSettings,
    normals: Option<[f64; 12]>,
    shift: &Shift,
) -> Vec<Option<f64>> {
    let demand = match settings.index {
        IndexKind::Spei => Demand::new(series, settings.latitude, normals, shift),
        IndexKind::Spi | IndexKind::Given => Demand::None,
    };
    let balance: Vec<f64> = series
        .axis()
        .months()
        .enumerate()
        .map(|(at, month)| {
            let m = month.calendar() as usize - 1;
            let rain = series.precipitation[at] * shift.precipitation[m];
            match demand.month(at, month, shift.temperature[m]) {
                Some(pet) => rain - pet,
                None => rain,
            }
        })
        .collect();
    rolling_sums(&balance, settings.months)
}

/// Rain and evapotranspiration of every month of the series under a change of climate; none where it knows no rain or no temperature.
pub(super) fn weather_of(
    series: &Series,
    latitude: f64,
    normals: Option<[f64; 12]>,
    shift: &Shift,
) -> Option<Weather> {
    let demand = Demand::new(series, latitude, normals, shift);
    let months = series.axis();
    let mut weather = Weather::default();
    for (at, (month, rain)) in months.months().zip(&series.precipitation).enumerate() {
        let m = month.calendar() as usize - 1;
        weather.precipitation.push(rain * shift.precipitation[m]);
        weather.evapotranspiration.push(demand.month(at, month, shift.temperature[m])?);
    }
    (!weather.precipitation.is_empty()).then_some(weather)
}
