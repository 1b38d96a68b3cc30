//! Monthly climate to the drought index, for the record and under a scenario.

pub mod replay;

use crate::water::MonthAxis;
use lentic_numerics::evapotranspiration::Thornthwaite;
use lentic_numerics::standard_index::{Balance, FitError, IndexModel, ZeroMass, rolling_sums};
use lentic_study::Month;
use lentic_study::settings::{IndexKind, Scenario, ZeroRule};

/// Reference years under which the WMO guide to the index is not met: a warning.
pub const YEARS_ADVISED: usize = 30;
/// Reference years under which there is no index.
pub const YEARS_NEEDED: usize = 10;

/// A monthly series without gaps.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// First month.
    pub first: Month,
    /// Precipitation, mm per month.
    pub precipitation: Vec<f64>,
    /// Mean temperature, degrees Celsius, of the same months; needed for a water balance.
    pub temperature: Option<Vec<f64>>,
}

impl Series {
    fn axis(&self) -> MonthAxis {
        MonthAxis { first: self.first, len: self.precipitation.len() }
    }
}

/// How the index is made.
#[derive(Clone, Copy, Debug)]
pub struct IndexSettings {
    /// Precipitation alone or water balance.
    pub index: IndexKind,
    /// Months summed.
    pub months: usize,
    /// What a zero sum reads as.
    pub zero: ZeroRule,
    /// Degrees north, for day length.
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
}

impl Shift {
    /// The climate as recorded.
    pub const NONE: Shift = Shift { precipitation: [1.0; 12], temperature: [0.0; 12] };

    /// The change of a scenario.
    pub fn of(scenario: &Scenario) -> Self {
        Shift { precipitation: scenario.precipitation_factor, temperature: scenario.temperature_c }
    }
}

/// Why there is no index.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ClimateError {
    /// A water balance without temperature.
    #[error("the index \"spei\" needs a temperature series")]
    NoTemperature,
    /// The reference months are not all in the series.
    #[error(
        "the climate series covers {first} to {last}, but the reference period is {wanted_first} to {wanted_last}"
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
    /// No calendar month can be fitted.
    #[error("the index cannot be fitted: {0}")]
    Fit(#[from] FitError),
}

/// The index fitted on the reference period.
#[derive(Clone, Debug)]
pub struct ClimateModel {
    series: Series,
    settings: IndexSettings,
    normals: Option<[f64; 12]>,
    fitted: IndexModel,
    z_range: (f64, f64),
}

/// The index of one month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonthIndex {
    /// The month.
    pub month: Month,
    /// Sum over the index's months ending here, mm.
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
    pub fn fit(series: Series, settings: IndexSettings) -> Result<Self, ClimateError> {
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
        let normals = series.temperature.as_ref().map(|temperature| {
            let mut sums = [(0.0, 0u32); 12];
            for at in reference.clone() {
                let slot = &mut sums[axis.first.plus(at as i32).calendar() as usize - 1];
                slot.0 += temperature[at];
                slot.1 += 1;
            }
            sums.map(|(sum, n)| sum / f64::from(n))
        });
        let balance = match settings.index {
            IndexKind::Spi => Balance::Precipitation,
            IndexKind::Spei => Balance::WaterBalance,
        };
        let zero = match settings.zero {
            ZeroRule::Centre => ZeroMass::Centre,
            ZeroRule::Mass => ZeroMass::Mass,
        };
        if settings.index == IndexKind::Spei && normals.is_none() {
            return Err(ClimateError::NoTemperature);
        }
        let sums = sums_of(&series, &settings, normals, &Shift::NONE);
        let calendar: Vec<u32> = axis.months().map(Month::calendar).collect();
        let fitted = IndexModel::fit(&sums, &calendar, reference.clone(), balance, zero)?;
        let mut model = ClimateModel { series, settings, normals, fitted, z_range: (0.0, 0.0) };
        let months = model.months(&Shift::NONE);
        let z = months[reference].iter().filter_map(|month| month.z);
        model.z_range =
            z.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), z| (low.min(z), high.max(z)));
        Ok(model)
    }

    /// Whole years of the reference period.
    pub fn reference_years(&self) -> usize {
        let (first, last) = self.settings.reference;
        usize::try_from(last.since(first) + 1).unwrap_or(0) / 12
    }

    /// Calendar months without an index.
    pub fn unfitted(&self) -> Vec<u32> {
        (1..=12).filter(|m| !self.fitted.is_fitted(*m)).collect()
    }

    /// The index of every month of the series under a change of climate, by the reference parameters.
    pub fn months(&self, shift: &Shift) -> Vec<MonthIndex> {
        let sums = sums_of(&self.series, &self.settings, self.normals, shift);
        self.series
            .axis()
            .months()
            .zip(sums)
            .map(|(month, sum)| {
                let calendar = month.calendar();
                let shown = self.fitted.shown(calendar, sum);
                MonthIndex {
                    month,
                    sum,
                    shown: shown.map(|s| s.index),
                    limited: shown.is_some_and(|s| s.limited),
                    z: self.fitted.response(calendar, sum),
                }
            })
            .collect()
    }

    /// z on a baseline axis. Where the series does not reach far enough back for the first months, all
    /// months up to the first complete water year are left out.
    pub fn z_on(&self, axis: &MonthAxis, shift: &Shift, water_year_starts: u32) -> Vec<Option<f64>> {
        let months = self.months(shift);
        let series = self.series.axis();
        let first_sum = series.first.plus(self.settings.months as i32 - 1);
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

    /// How many of these z lie outside the range of the reference months.
    pub fn extrapolated(&self, z: impl Iterator<Item = f64>) -> usize {
        z.filter(|z| *z < self.z_range.0 || *z > self.z_range.1).count()
    }
}

fn sums_of(
    series: &Series,
    settings: &IndexSettings,
    normals: Option<[f64; 12]>,
    shift: &Shift,
) -> Vec<Option<f64>> {
    let pet = match (settings.index, normals) {
        (IndexKind::Spei, Some(normals)) => {
            let shifted = std::array::from_fn(|m| normals[m] + shift.temperature[m]);
            Some(Thornthwaite::new(shifted, settings.latitude))
        }
        _ => None,
    };
    let balance: Vec<f64> = series
        .axis()
        .months()
        .enumerate()
        .map(|(at, month)| {
            let m = month.calendar() as usize - 1;
            let rain = series.precipitation[at] * shift.precipitation[m];
            match (&pet, &series.temperature) {
                (Some(pet), Some(temperature)) => {
                    let warm = temperature[at] + shift.temperature[m];
                    rain - pet.month(warm, month.calendar(), month.days())
                }
                _ => rain,
            }
        })
        .collect();
    rolling_sums(&balance, settings.months)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 35 years of rain with a season and a repeatable wobble; no real place.
    fn series() -> Series {
        let first: Month = "1986-01".parse().unwrap();
        let axis = MonthAxis { first, len: 35 * 12 };
        let wobble = |at: usize| ((at * 7919 + 13) % 101) as f64 / 101.0;
        Series {
            first,
            precipitation: (0..axis.len)
                .map(|at| (20.0 + 15.0 * ((at % 12) as f64 - 5.5).abs()) * (0.4 + wobble(at)))
                .collect(),
            temperature: Some(
                (0..axis.len)
                    .map(|at| 22.0 - 1.5 * ((at % 12) as f64 - 5.5).abs() + wobble(at / 3))
                    .collect(),
            ),
        }
    }

    fn settings(index: IndexKind, months: usize) -> IndexSettings {
        IndexSettings {
            index,
            months,
            zero: ZeroRule::Centre,
            latitude: -31.0,
            reference: ("1991-01".parse().unwrap(), "2020-12".parse().unwrap()),
        }
    }

    #[test]
    fn no_change_gives_the_same_z_to_the_bit() {
        for index in [IndexKind::Spi, IndexKind::Spei] {
            let model = ClimateModel::fit(series(), settings(index, 12)).unwrap();
            let same = Shift { precipitation: [1.0; 12], temperature: [0.0; 12] };
            assert_eq!(model.months(&Shift::NONE), model.months(&same));
        }
    }

    /// Less rain or more warmth lowers z in every month; a deep loss goes on falling beyond -2.5.
    #[test]
    fn drying_lowers_z_everywhere() {
        let model = ClimateModel::fit(series(), settings(IndexKind::Spei, 12)).unwrap();
        let axis = MonthAxis::new("1991-01".parse().unwrap(), "2020-12".parse().unwrap());
        let z = |rain: f64, warm: f64| {
            let shift = Shift { precipitation: [rain; 12], temperature: [warm; 12] };
            model.z_on(&axis, &shift, 1)
        };
        let base = z(1.0, 0.0);
        assert!(base.iter().all(Option::is_some));
        for (less, more) in [(z(0.6, 0.0), &base), (z(1.0, 2.0), &base), (z(0.4, 0.0), &z(0.6, 0.0))] {
            assert!(less.iter().zip(more).all(|(a, b)| a.unwrap() < b.unwrap()));
        }
        let deep = z(0.4, 0.0);
        assert!(deep.iter().flatten().any(|z| *z < -2.5));
        assert!(model.extrapolated(deep.iter().flatten().copied()) > 100);
        assert_eq!(model.extrapolated(base.iter().flatten().copied()), 0);
    }

    #[test]
    fn the_first_incomplete_water_year_is_left_out() {
        let model = ClimateModel::fit(series(), settings(IndexKind::Spi, 12)).unwrap();
        let axis = MonthAxis::new("1986-01".parse().unwrap(), "1990-12".parse().unwrap());
        let from = |starts| model.z_on(&axis, &Shift::NONE, starts).iter().position(Option::is_some);
        // the first 12-month sum ends in December 1986
        assert_eq!(from(1), Some(12));
        assert_eq!(from(12), Some(11));
        assert_eq!(from(10), Some(21));
    }

    /// A replay of years gives z and sums of those very months, perturbed ones those of the perturbed record.
    #[test]
    fn replayed_months_keep_their_index() {
        let model = ClimateModel::fit(series(), settings(IndexKind::Spei, 12)).unwrap();
        let drier = Shift { precipitation: [0.8; 12], temperature: [1.0; 12] };
        for shift in [Shift::NONE, drier] {
            let record = model.months(&shift);
            let parts = model.replayed(&[1995, 1996, 1990, 2030], 10, &shift);
            assert_eq!(parts.len(), 3);
            // October 1995 is month 117 of a series from January 1986
            assert_eq!(parts[0], record[117..141]);
            assert_eq!(parts[1], record[57..69]);
            assert_eq!(parts[1][0].month.to_string(), "1990-10");
            assert!(parts[2].is_empty());
        }
    }

    #[test]
    fn short_or_missing_reference_is_refused() {
        let mut short = settings(IndexKind::Spi, 3);
        short.reference = ("1991-01".parse().unwrap(), "1999-12".parse().unwrap());
        assert_eq!(ClimateModel::fit(series(), short).unwrap_err(), ClimateError::Years { years: 9 });
        short.reference = ("1980-01".parse().unwrap(), "2009-12".parse().unwrap());
        let message = ClimateModel::fit(series(), short).unwrap_err().to_string();
        assert!(message.contains("1986-01 to 2020-12"), "{message}");
        let mut dry = series();
        dry.temperature = None;
        let refused = ClimateModel::fit(dry, settings(IndexKind::Spei, 12));
        assert_eq!(refused.unwrap_err(), ClimateError::NoTemperature);
    }
}
