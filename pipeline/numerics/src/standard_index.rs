//! Standardised drought indices: the sum of k months as a standard normal value, by calendar month.
//!
//! Precipitation: McKee, Doesken and Kleist 1993 (8th Conf. Applied Climatology, 179-184), gamma distribution by maximum
//! likelihood with the share of zeros. Water balance (precipitation minus evapotranspiration): Vicente-Serrano,
//! Begueria and Lopez-Moreno 2010, log-logistic distribution by unbiased probability-weighted moments.

pub use crate::gamma_fit::ZeroMass;
use crate::gamma_fit::{DistributionError, GammaFit, fit_gamma};
use crate::log_logistic::{LogLogistic, fit_log_logistic};
use crate::normal;
use std::ops::Range;

/// The index shown, and used for drought events, stays within plus and minus this.
pub const SHOWN_LIMIT: f64 = 3.5;

/// Beyond plus and minus this the index handed to the water response continues as a straight line in the sum
/// (ours), so that a loss of 60 percent of the rain is not silently the same as one of 40.
pub const STRAIGHT_FROM: f64 = 2.5;

/// What is summed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Balance {
    /// Precipitation, mm: gamma distribution.
    Precipitation,
    /// Precipitation minus potential evapotranspiration, mm: log-logistic distribution.
    WaterBalance,
}

/// A fitted distribution of the sums of one calendar month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Distribution {
    /// Precipitation.
    Gamma(GammaFit, ZeroMass),
    /// Water balance.
    LogLogistic(LogLogistic),
}

/// A sum and the slope of the index there, where the straight part begins.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Bend {
    sum: f64,
    /// Index per unit of the sum.
    slope: f64,
}

/// The index of one calendar month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonthFit {
    /// The distribution.
    pub distribution: Distribution,
    /// `None` where zero rain alone has a probability above that of an index of -2.5.
    dry_bend: Option<Bend>,
    wet_bend: Option<Bend>,
}

/// An index with the note whether it was brought within the limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    /// The index, within [`SHOWN_LIMIT`] of 0.
    pub index: f64,
    /// Whether the raw index lies outside.
    pub limited: bool,
}

impl Distribution {
    fn index(&self, sum: f64) -> f64 {
        match self {
            Distribution::Gamma(fit, zero) => fit.index(sum, *zero),
            Distribution::LogLogistic(fit) => fit.index(sum),
        }
    }

    /// Where the index is `z`, with its slope there, dz/dx = f(x) / phi(z).
    fn bend_at(&self, z: f64) -> Option<Bend> {
        let (sum, density) = match self {
            Distribution::Gamma(fit, _) => {
                let sum = fit.sum_at(z)?;
                (sum, fit.density(sum))
            }
            Distribution::LogLogistic(fit) => {
                let sum = fit.value_at(normal::tails(z));
                (sum, fit.density(sum))
            }
        };
        let slope = density / normal::density(z);
        (sum.is_finite() && slope.is_finite()).then_some(Bend { sum, slope })
    }
}

impl MonthFit {
    /// Fits the sums of one calendar month over the reference years.
    ///
    /// # Errors
    /// [`DistributionError`] where no distribution can be fitted.
    pub fn new(sums: &[f64], balance: Balance, zero: ZeroMass) -> Result<Self, DistributionError> {
        let distribution = match balance {
            Balance::Precipitation => Distribution::Gamma(fit_gamma(sums)?, zero),
            Balance::WaterBalance => Distribution::LogLogistic(fit_log_logistic(sums)?),
        };
        Ok(MonthFit {
            distribution,
            dry_bend: distribution.bend_at(-STRAIGHT_FROM),
            wet_bend: distribution.bend_at(STRAIGHT_FROM),
        })
    }

    /// The index of a sum, without limits: infinite outside the support of the distribution.
    pub fn index(&self, sum: f64) -> f64 {
        self.distribution.index(sum)
    }

    /// The index as shown and as used for drought events, within plus and minus [`SHOWN_LIMIT`].
    pub fn shown(&self, sum: f64) -> Shown {
        let raw = self.index(sum);
        Shown { index: raw.clamp(-SHOWN_LIMIT, SHOWN_LIMIT), limited: raw.abs() > SHOWN_LIMIT }
    }

    /// The index as the water response takes it: as [`index`](Self::index) within plus and minus [`STRAIGHT_FROM`], beyond
    /// it a straight line in the sum with the slope the index has there. Where zero rain is so common that no
    /// positive sum reads below -2.5, there is nothing to continue at the dry end.
    pub fn response(&self, sum: f64) -> f64 {
        match (self.dry_bend, self.wet_bend) {
            (Some(bend), _) if sum < bend.sum => -STRAIGHT_FROM + bend.slope * (sum - bend.sum),
            (_, Some(bend)) if sum > bend.sum => STRAIGHT_FROM + bend.slope * (sum - bend.sum),
            _ => self.index(sum),
        }
    }
}

/// What a model cannot be fitted to.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FitError {
    /// One sum and one calendar month per month.
    #[error("{sums} sums but {months} calendar months: each sum needs one")]
    Lengths {
        /// Number of sums.
        sums: usize,
        /// Number of calendar months.
        months: usize,
    },
    /// Not a calendar month.
    #[error("month {position} (counted from 1) is calendar month {found}: expected 1 to 12")]
    CalendarMonth {
        /// Which month of the series.
        position: usize,
        /// What it says.
        found: u32,
    },
    /// The reference period lies outside the series.
    #[error("the reference period ends after month {end}, but the series has {months} months")]
    Reference {
        /// End of the period.
        end: usize,
        /// Length of the series.
        months: usize,
    },
    /// A sum that cannot be: not finite, or rain below 0.
    #[error("calendar month {calendar} of the reference period: {problem}")]
    Sum {
        /// Calendar month.
        calendar: u32,
        /// What is wrong with it.
        problem: DistributionError,
    },
}

/// The index of all calendar months, fitted on a reference period.
#[derive(Clone, Debug, PartialEq)]
pub struct IndexModel {
    months: [Option<MonthFit>; 12],
    reference_years: usize,
}

impl IndexModel {
    /// Fits each calendar month on its own. `sums[i]` is the k-month sum ending in month i (`None` where incomplete), in
    /// mm; `calendar[i]` its calendar month, 1 to 12; `reference` the months of the series to fit on. A calendar month with
    /// too few (positive) sums, or no spread, gets no index.
    ///
    /// # Errors
    /// [`FitError`].
    pub fn fit(
        sums: &[Option<f64>],
        calendar: &[u32],
        reference: Range<usize>,
        balance: Balance,
        zero: ZeroMass,
    ) -> Result<Self, FitError> {
        if sums.len() != calendar.len() {
            return Err(FitError::Lengths { sums: sums.len(), months: calendar.len() });
        }
        if let Some(i) = calendar.iter().position(|m| !(1..=12).contains(m)) {
            return Err(FitError::CalendarMonth { position: i + 1, found: calendar[i] });
        }
        let end = reference.end;
        let Some(reference_sums) = sums.get(reference.clone()) else {
            return Err(FitError::Reference { end, months: sums.len() });
        };
        let mut model = IndexModel { months: [None; 12], reference_years: 0 };
        for (slot, month) in model.months.iter_mut().zip(1..=12) {
            let own: Vec<f64> = reference_sums
                .iter()
                .zip(&calendar[reference.clone()])
                .filter(|(_, m)| **m == month)
                .filter_map(|(sum, _)| *sum)
                .collect();
            model.reference_years = model.reference_years.max(own.len());
            *slot = match MonthFit::new(&own, balance, zero) {
                Ok(fit) => Some(fit),
                Err(DistributionError::TooFew { .. } | DistributionError::AllEqual) => None,
                Err(problem) => return Err(FitError::Sum { calendar: month, problem }),
            };
        }
        Ok(model)
    }

    /// The fit of a calendar month (1 to 12), if it has one.
    pub fn month(&self, calendar: u32) -> Option<&MonthFit> {
        self.months.get((calendar as usize).checked_sub(1)?)?.as_ref()
    }

    /// Most sums any calendar month was given: the years of the reference period.
    pub fn reference_years(&self) -> usize {
        self.reference_years
    }

    /// Whether a calendar month (1 to 12) has an index.
    pub fn is_fitted(&self, calendar: u32) -> bool {
        self.month(calendar).is_some()
    }

    /// [`MonthFit::shown`] of a sum ending in a calendar month; `None` without a sum or an index.
    pub fn shown(&self, calendar: u32, sum: Option<f64>) -> Option<Shown> {
        Some(self.month(calendar)?.shown(sum?))
    }

    /// [`MonthFit::response`] of a sum ending in a calendar month; `None` without a sum or an index.
    pub fn response(&self, calendar: u32, sum: Option<f64>) -> Option<f64> {
        Some(self.month(calendar)?.response(sum?))
    }
}

/// Sums of `k` months ending in each month: `None` for the first k - 1, where any of the months is NaN, and for
/// k = 0. Each sum is added up anew, so that months without rain sum to exactly 0.
pub fn rolling_sums(values: &[f64], k: usize) -> Vec<Option<f64>> {
    (1..=values.len())
        .map(|end| {
            let start = end.checked_sub(k).filter(|_| k > 0)?;
            let sum: f64 = values[start..end].iter().sum();
            (!sum.is_nan()).then_some(sum)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Thirty years of sums, in mm, that rise and fall without order.
    fn thirty(offset: f64) -> Vec<f64> {
        (0..30).map(|i| offset + f64::from((i * 37) % 101)).collect()
    }

    /// The slope of `f` at x by differences, from one side.
    fn slope(f: impl Fn(f64) -> f64, x: f64, step: f64) -> f64 {
        (f(x + step) - f(x)) / step
    }

    #[test]
    fn rolling_sums_by_hand() {
        let values = [1.0, 2.0, f64::NAN, 4.0, 5.0, 0.0];
        assert_eq!(rolling_sums(&values, 2), [None, Some(3.0), None, None, Some(9.0), Some(5.0)]);
        assert_eq!(rolling_sums(&values[..2], 1), [Some(1.0), Some(2.0)]);
        assert_eq!(rolling_sums(&values[..2], 0), [None, None]);
        assert_eq!(rolling_sums(&[0.1, 0.2, -0.3, 0.0, 0.0], 2)[4], Some(0.0));
    }

    #[test]
    fn the_response_is_the_index_inside_and_straight_outside() {
        for (balance, offset) in [(Balance::Precipitation, 5.0), (Balance::WaterBalance, -60.0)] {
            let fit = MonthFit::new(&thirty(offset), balance, ZeroMass::Centre).unwrap();
            let (dry, wet) = (fit.dry_bend.unwrap(), fit.wet_bend.unwrap());
            assert!((fit.index(dry.sum) + 2.5).abs() < 1e-9 && (fit.index(wet.sum) - 2.5).abs() < 1e-9);
            assert_eq!(fit.response(offset + 50.0), fit.index(offset + 50.0));
            for bend in [dry, wet] {
                // Smooth where it turns straight: the slope of the line is that of the index there
                let step = 1e-5 * bend.sum.abs();
                let inner = slope(|x| fit.index(x), bend.sum, step);
                assert!((inner / bend.slope - 1.0).abs() < 1e-3, "{inner} {}", bend.slope);
            }
            for sum in [dry.sum - 30.0, wet.sum + 30.0, wet.sum + 3000.0] {
                let bend = if sum < dry.sum { dry } else { wet };
                assert!((slope(|x| fit.response(x), sum, 1.0) / bend.slope - 1.0).abs() < 1e-9);
            }
            let far = fit.response(-1e5);
            assert!(far.is_finite() && far < -2.5);
        }
    }

    #[test]
    fn the_response_rises_with_the_sum() {
        for (balance, offset) in [(Balance::Precipitation, 5.0), (Balance::WaterBalance, -60.0)] {
            let fit = MonthFit::new(&thirty(offset), balance, ZeroMass::Centre).unwrap();
            let z: Vec<f64> = (-300..900).map(|x| fit.response(f64::from(x))).collect();
            assert!(z.windows(2).all(|w| w[0] < w[1]), "{balance:?}");
        }
    }

    #[test]
    fn where_zero_is_common_nothing_lies_below_it() {
        let mut sums = thirty(5.0);
        sums[..6].fill(0.0);
        let centre = MonthFit::new(&sums, Balance::Precipitation, ZeroMass::Centre).unwrap();
        let mass = MonthFit::new(&sums, Balance::Precipitation, ZeroMass::Mass).unwrap();
        assert!(centre.dry_bend.is_none());
        // scipy 1.17.1: norm.ppf(0.1), norm.ppf(0.2)
        assert!((centre.response(0.0) + 1.281_551_565_544_6).abs() < 1e-12);
        assert!((mass.response(0.0) + 0.841_621_233_572_914).abs() < 1e-12);
        assert_eq!(centre.response(0.0), centre.index(0.0));
    }

    #[test]
    fn zero_outside_the_support_continues_straight() {
        let fit = MonthFit::new(&thirty(5.0), Balance::Precipitation, ZeroMass::Centre).unwrap();
        assert_eq!(fit.index(0.0), f64::NEG_INFINITY);
        assert_eq!(fit.shown(0.0), Shown { index: -3.5, limited: true });
        assert!(fit.response(0.0).is_finite() && fit.response(0.0) < -2.5);
        assert!(!fit.shown(50.0).limited);
    }

    #[test]
    fn calendar_months_are_fitted_apart() {
        let years = 12;
        let calendar: Vec<u32> = (0..years * 12).map(|i| i % 12 + 1).collect();
        let sums: Vec<Option<f64>> = calendar
            .iter()
            .enumerate()
            .map(|(i, month)| match month {
                7 => Some(0.0),
                8 => (i > 60).then_some(3.0 + i as f64),
                _ => Some(f64::from(*month) * 10.0 + ((i * 37) % 101) as f64),
            })
            .collect();
        let fit = |reference| {
            IndexModel::fit(&sums, &calendar, reference, Balance::Precipitation, ZeroMass::Centre)
        };
        let model = fit(0..144).unwrap();
        assert_eq!(model.reference_years(), 12);
        let without: Vec<u32> = (0..=13).filter(|m| !model.is_fitted(*m)).collect();
        assert_eq!(without, [0, 7, 8, 13]);
        let december: Vec<f64> = sums.iter().skip(11).step_by(12).filter_map(|s| *s).collect();
        let alone = MonthFit::new(&december, Balance::Precipitation, ZeroMass::Centre).unwrap();
        assert_eq!(model.month(12), Some(&alone));
        assert_eq!(model.response(12, Some(150.0)), Some(alone.response(150.0)));
        assert_eq!(model.shown(12, Some(150.0)), Some(alone.shown(150.0)));
        assert_eq!(model.response(12, None), None);
        assert_eq!(model.response(7, Some(1.0)), None);
        assert_eq!((model.month(0), model.month(13)), (None, None));
        assert!((1..=12).all(|m| !fit(0..108).unwrap().is_fitted(m))); // nine years
    }

    #[test]
    fn a_wrong_series_is_refused() {
        let sums = vec![Some(1.0); 24];
        let calendar: Vec<u32> = (0..24).map(|i| i % 12 + 1).collect();
        let fit = |sums: &[Option<f64>], calendar: &[u32], reference| {
            IndexModel::fit(sums, calendar, reference, Balance::Precipitation, ZeroMass::Mass)
        };
        assert!(matches!(fit(&sums, &calendar[..5], 0..5), Err(FitError::Lengths { .. })));
        assert!(matches!(
            fit(&sums, &[0; 24], 0..24),
            Err(FitError::CalendarMonth { position: 1, found: 0 })
        ));
        assert!(matches!(fit(&sums, &calendar, 0..25), Err(FitError::Reference { end: 25, months: 24 })));
        let error = fit(&[Some(-4.0); 24], &calendar, 0..24).unwrap_err();
        assert_eq!(
            error.to_string(),
            "calendar month 1 of the reference period: value 1 (counted from 1) is -4: a sum of precipitation cannot be below 0"
        );
    }
}
