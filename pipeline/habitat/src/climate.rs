//! Monthly climate to the drought index, for the record and under a scenario.

mod balance;
pub mod replay;
#[cfg(test)]
mod tests;

use crate::water::MonthAxis;
use balance::{sums_of, weather_of};
use lentic_numerics::standard_index::{Balance, FitError, IndexModel, SHOWN_LIMIT, ZeroMass};
use lentic_study::Month;
use lentic_study::settings::{AnomalyScale, IndexKind, Scenario, ZeroRule};
use std::sync::Arc;

/// Reference years under which the WMO guide to the index is not met: a warning.
pub const YEARS_ADVISED: usize = 30;
/// Reference years under which there is no index.
pub const YEARS_NEEDED: usize = 10;

/// A monthly series without gaps. All lists that are not empty have the same length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    /// First month.
    pub first: Month,
    /// Precipitation, mm per month; empty where the index is given ready-made.
    pub precipitation: Vec<f64>,
    /// Mean temperature, degrees Celsius; a water balance needs it or `extremes`.
    pub temperature: Option<Vec<f64>>,
    /// Monthly means of the daily lowest and highest temperature, degrees Celsius.
    pub extremes: Option<[Vec<f64>; 2]>,
    /// Ready-made anomalies; empty where the index follows from the weather.
    pub anomaly: Vec<f64>,
}

impl Series {
    /// The months of the series.
    pub fn axis(&self) -> MonthAxis {
        MonthAxis { first: self.first, len: self.precipitation.len().max(self.anomaly.len()) }
    }

    /// Mean temperature of a month by its position, degrees Celsius: as given, else the middle of the extremes.
    pub fn mean_temperature(&self, at: usize) -> Option<f64> {
        match (&self.temperature, &self.extremes) {
            (Some(temperature), _) => temperature.get(at).copied(),
            (None, Some([low, high])) => Some(0.5 * (low.get(at)? + high.get(at)?)),
            (None, None) => None,
        }
    }
}

/// How the index is made.
#[derive(Clone, Copy, Debug)]
pub struct IndexSettings {
    /// Precipitation alone, water balance, or given.
    pub index: IndexKind,
    /// Months summed; of a given index, the months it was summed over.
    pub months: usize,
    /// What a zero sum reads as.
    pub zero: ZeroRule,
    /// What the numbers of a given index are.
    pub scale: AnomalyScale,
    /// Degrees north, for day length and radiation.
    pub latitude: f64,
    /// First and last month the index is fitted on.
    pub reference: (Month, Month),
}

/// A change of climate by calendar month, January first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// Factor on precipitation.
    pub precipitation: [f64; 12],
    /// Degrees added.
    pub temperature: [f64; 12],
    /// Standard deviations added to an index given ready-made.
    pub index: [f64; 12],
}

impl Shift {
    /// The climate as recorded.
    pub const NONE: Shift = Shift { precipitation: [1.0; 12], temperature: [0.0; 12], index: [0.0; 12] };

    /// The change of a scenario.
    pub fn of(scenario: &Scenario) -> Self {
        Shift {
            precipitation: scenario.precipitation_factor,
            temperature: scenario.temperature_c,
            index: scenario.index_shift,
        }
    }
}

/// Why there is no index.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ClimateError {
    /// A water balance without temperature.
    #[error("the index \"spei\" needs a temperature series; add climate.temperature, or use index = \"spi\"")]
    NoTemperature,
    /// The reference months are not all in the series.
    #[error(
        "the climate series covers {first} to {last}, but the reference period is {wanted_first} to {wanted_last}; give a longer series or change period.reference"
    )]
    Reference {
        /// First month of the series.
        first: Month,
        /// Last month of the series.
        last: Month,
        /// First reference month.
        wanted_first: Month,
        /// Last reference month.
        wanted_last: Month,
    },
    /// Too few years to fit.
    #[error(
        "the reference period holds {years} whole years; an index needs at least {YEARS_NEEDED}, and {YEARS_ADVISED} are advised"
    )]
    Years {
        /// Whole years found.
        years: usize,
    },
    /// A series that never changes.
    #[error(
        "{what} is {value} in every month, which no weather is; check the column, its unit and what stands for no data"
    )]
    Constant {
        /// "precipitation", "temperature" or "the anomaly".
        what: &'static str,
        /// The value.
        value: f64,
    },
    /// No calendar month can be fitted.
    #[error(
        "no calendar month has a drought index: over the reference period each holds fewer than {YEARS_NEEDED} sums of {months} \
         month(s) that can be fitted (above 0 where rain is fitted), or all of them are equal; check the column and its unit"
    )]
    NoIndex {
        /// Months summed.
        months: usize,
    },
    /// Numbers that cannot be fitted.
    #[error("the index cannot be fitted: {0}")]
    Fit(#[from] FitError),
}

/// How potential evapotranspiration of a water balance is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evapotranspiration {
    /// From mean temperature: Thornthwaite (1948).
    Thornthwaite,
    /// From daily extremes: Hargreaves and Samani (1985), as in FAO-56.
    HargreavesSamani,
}

/// Weather month by month.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Weather {
    /// Rain, mm a month.
    pub precipitation: Vec<f64>,
    /// Potential evapotranspiration, mm a month.
    pub evapotranspiration: Vec<f64>,
}

/// From the numbers of a month to its index.
#[derive(Clone, Debug)]
enum Scale {
    /// Sums of the weather, by fitted distributions.
    Sums(IndexModel),
    /// Percent of normal, by fitted distributions, single months.
    Percent(IndexModel),
    /// Standard deviations already.
    Standardised,
}

/// The index fitted on the reference period.
#[derive(Clone, Debug)]
pub struct ClimateModel {
    series: Arc<Series>,
    settings: IndexSettings,
    normals: Option<[f64; 12]>,
    scale: Scale,
    z_range: (f64, f64),
}

/// The index of one month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonthIndex {
    /// The month.
    pub month: Month,
    /// Sum over the index's months ending here, mm; none for an index given ready-made.
    pub sum: Option<f64>,
    /// Index shown, limited to [-3.5, 3.5].
    pub shown: Option<f64>,
    /// Whether it was limited.
    pub limited: bool,
    /// The response's z, not limited.
    pub z: Option<f64>,
}

impl ClimateModel {
    /// Fits the index of a series.
    ///
    /// # Errors
    /// A missing temperature, a reference period outside the series or too short, or nothing to fit.
    pub fn fit(series: impl Into<Arc<Series>>, settings: IndexSettings) -> Result<Self, ClimateError> {
        let series = series.into();
        let axis = series.axis();
        let (first, last) = settings.reference;
        let reference = match (axis.position(first), axis.position(last)) {
            (Some(from), Some(to)) if from <= to => from..to + 1,
            _ => {
                return Err(ClimateError::Reference {
                    first: axis.first,
                    last: axis.first.plus(axis.len as i32 - 1),
                    wanted_first: first,
                    wanted_last: last,
                });
            }
        };
        let years = reference.len() / 12;
        if years < YEARS_NEEDED {
            return Err(ClimateError::Years { years });
        }
        never_changing(&series)?;
        let normals = series.temperature.as_ref().map(|temperature| {
            let mut sums = [(0.0, 0u32); 12];
            for at in reference.clone() {
                let slot = &mut sums[axis.first.plus(at as i32).calendar() as usize - 1];
                slot.0 += temperature[at];
                slot.1 += 1;
            }
            sums.map(|(sum, n)| sum / f64::from(n))
        });
        let zero = match settings.zero {
            ZeroRule::Centre => ZeroMass::Centre,
            ZeroRule::Mass => ZeroMass::Mass,
        };
        if settings.index == IndexKind::Spei && normals.is_none() && series.extremes.is_none() {
            return Err(ClimateError::NoTemperature);
        }
        let calendar: Vec<u32> = axis.months().map(Month::calendar).collect();
        let fit = |sums: &[Option<f64>], balance| {
            let fitted = IndexModel::fit(sums, &calendar, reference.clone(), balance, zero)?;
            let any = (1..=12).any(|m| fitted.is_fitted(m));
            if any { Ok(fitted) } else { Err(ClimateError::NoIndex { months: settings.months }) }
        };
        let scale = match (settings.index, settings.scale) {
            (IndexKind::Given, AnomalyScale::Standardised) => Scale::Standardised,
            (IndexKind::Given, AnomalyScale::PercentOfNormal) => {
                // A percentage of its calendar month's normal is the rain in another unit, and the gamma
                // distribution does not look at units: this is the index of the rain itself.
                let values: Vec<Option<f64>> = series.anomaly.iter().copied().map(Some).collect();
                Scale::Percent(fit(&values, Balance::Precipitation)?)
            }
            (index, _) => {
                let balance = match index {
                    IndexKind::Spei => Balance::WaterBalance,
                    _ => Balance::Precipitation,
                };
                Scale::Sums(fit(&sums_of(&series, &settings, normals, &Shift::NONE), balance)?)
            }
        };
        let mut model = ClimateModel { series, settings, normals, scale, z_range: (0.0, 0.0) };
        let months = model.months(&Shift::NONE);
        let z = months[reference].iter().filter_map(|month| month.z);
        model.z_range =
            z.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), z| (low.min(z), high.max(z)));
        Ok(model)
    }

    /// The months and weather the index is made of.
    pub fn series(&self) -> &Series {
        &self.series
    }

    /// Whole years of the reference period.
    pub fn reference_years(&self) -> usize {
        let (first, last) = self.settings.reference;
        usize::try_from(last.since(first) + 1).unwrap_or(0) / 12
    }

    /// How evapotranspiration is found; none where the index does not know it.
    pub fn evapotranspiration(&self) -> Option<Evapotranspiration> {
        (self.settings.index == IndexKind::Spei).then_some(match self.series.extremes {
            Some(_) => Evapotranspiration::HargreavesSamani,
            None => Evapotranspiration::Thornthwaite,
        })
    }

    /// Rain and evapotranspiration of every month of the series under a change of climate, whether or not the index looks at them;
    /// none where the series knows no rain or no temperature.
    pub fn weather(&self, shift: &Shift) -> Option<Weather> {
        weather_of(&self.series, self.settings.latitude, self.normals, shift)
    }

    /// Calendar months without an index.
    pub fn unfitted(&self) -> Vec<u32> {
        match &self.scale {
            Scale::Sums(fitted) | Scale::Percent(fitted) => {
                (1..=12).filter(|m| !fitted.is_fitted(*m)).collect()
            }
            Scale::Standardised => Vec::new(),
        }
    }

    /// The index of every month of the series under a change of climate, by the reference parameters.
    pub fn months(&self, shift: &Shift) -> Vec<MonthIndex> {
        match &self.scale {
            Scale::Sums(fitted) => self.months_of_sums(fitted, shift),
            scale => self.months_given(scale, shift),
        }
    }

    fn months_of_sums(&self, fitted: &IndexModel, shift: &Shift) -> Vec<MonthIndex> {
        let sums = sums_of(&self.series, &self.settings, self.normals, shift);
        self.series
            .axis()
            .months()
            .zip(sums)
            .map(|(month, sum)| {
                let calendar = month.calendar();
                let shown = fitted.shown(calendar, sum);
                MonthIndex {
                    month,
                    sum,
                    shown: shown.map(|s| s.index),
                    limited: shown.is_some_and(|s| s.limited),
                    z: fitted.response(calendar, sum),
                }
            })
            .collect()
    }

    fn months_given(&self, scale: &Scale, shift: &Shift) -> Vec<MonthIndex> {
        let months = self.series.axis();
        let given = months.months().zip(&self.series.anomaly);
        given
            .map(|(month, value)| {
                let calendar = month.calendar();
                let more = shift.index[calendar as usize - 1];
                let (raw, z) = match scale {
                    Scale::Percent(fitted) => (
                        fitted.month(calendar).map(|fit| fit.index(*value)),
                        fitted.response(calendar, Some(*value)),
                    ),
                    _ => (Some(*value), Some(*value)),
                };
                let raw = raw.map(|index| index + more);
                MonthIndex {
                    month,
                    sum: None,
                    shown: raw.map(|index| index.clamp(-SHOWN_LIMIT, SHOWN_LIMIT)),
                    limited: raw.is_some_and(|index| index.abs() > SHOWN_LIMIT),
                    z: z.map(|z| z + more),
                }
            })
            .collect()
    }

    /// z on a baseline axis. Where the series does not reach far enough back for the first months, all
    /// months up to the first complete water year are left out.
    pub fn z_on(&self, axis: &MonthAxis, shift: &Shift, water_year_starts: u32) -> Vec<Option<f64>> {
        let months = self.months(shift);
        let series = self.series.axis();
        // a given index needs no months before it
        let before = match self.scale {
            Scale::Sums(_) => self.settings.months as i32 - 1,
            Scale::Percent(_) | Scale::Standardised => 0,
        };
        let first_sum = series.first.plus(before);
        let start = if axis.first >= first_sum {
            axis.first
        } else {
            let mut start = first_sum;
            while start.calendar() != water_year_starts {
                start = start.plus(1);
            }
            start
        };
        axis.months()
            .map(|month| {
                let at = series.position(month).filter(|_| month >= start)?;
                months[at].z
            })
            .collect()
    }

    /// Temperature of the months of an axis under a change of climate, degrees Celsius; NaN where the series has none.
    pub fn temperature_on(&self, axis: &MonthAxis, shift: &Shift) -> Vec<f64> {
        let series = self.series.axis();
        let temperature = |month: Month| {
            let at = series.position(month)?;
            let recorded = match (&self.series.temperature, &self.series.extremes) {
                (Some(mean), _) => *mean.get(at)?,
                (None, Some([low, high])) => (low.get(at)? + high.get(at)?) / 2.0,
                (None, None) => return None,
            };
            Some(recorded + shift.temperature[month.calendar() as usize - 1])
        };
        axis.months().map(|month| temperature(month).unwrap_or(f64::NAN)).collect()
    }

    /// How many of these z lie outside the range of the reference months.
    pub fn extrapolated(&self, z: impl Iterator<Item = f64>) -> usize {
        z.filter(|z| *z < self.z_range.0 || *z > self.z_range.1).count()
    }
}

/// Refuses a series of one value.
fn never_changing(series: &Series) -> Result<(), ClimateError> {
    let extremes = series.extremes.iter().flatten();
    let temperatures = series.temperature.iter().chain(extremes).map(|values| ("temperature", values));
    let others = [("precipitation", &series.precipitation), ("the anomaly", &series.anomaly)];
    for (what, values) in others.into_iter().chain(temperatures) {
        if let [value, others @ ..] = &values[..]
            && others.iter().all(|other| other == value)
        {
            return Err(ClimateError::Constant { what, value: *value });
        }
    }
    Ok(())
}
