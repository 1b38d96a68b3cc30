//! Water of today's habitat, year by year of the record.

use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::suitability::SuitabilityProducts;
use lentic_habitat::patches::Standing;
use lentic_habitat::record::{Enough, read_record, yearly_hydroperiod};
use lentic_numerics::exact_sum::ExactSum;
use lentic_numerics::trend::{mann_kendall, theil_sen};
use std::collections::BTreeMap;

/// Fewest years for a trend to be told; as for the trend of a cell.
const YEARS: usize = 8;

/// A year of the record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaterYear {
    /// The calendar year.
    pub year: i32,
    /// Mean hydroperiod over the habitat seen in it, months.
    pub months: f64,
    /// Area of that habitat, hectares.
    pub seen_ha: f64,
}

/// A decline told from years.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decline {
    /// First year looked at.
    pub first: i32,
    /// Last year.
    pub last: i32,
    /// Years in between that are known.
    pub years: usize,
    /// Theil-Sen slope a year, in the unit of the values.
    pub per_year: f64,
    /// The same in percent of the median; `None` where that is 0.
    pub percent_per_year: Option<f64>,
    /// Two-sided p of the Mann-Kendall test.
    pub p: f64,
}

/// Yearly hydroperiod (as for the trend of a cell) of the baseline habitat that ever held water, mean by area over the cells
/// that know the year.
///
/// # Errors
/// When the disk refuses.
pub fn water_years(
    context: &Context,
    suitability: &SuitabilityProducts,
) -> Result<Vec<WaterYear>, EngineError> {
    let study = context.study;
    let enough = Enough {
        months: study.inundation.minimum_months,
        calendar_months: study.inundation.minimum_calendar_months,
    };
    let standing = &suitability.standing[0];
    let tiles = context.over_tiles("reading the years of habitat", |tile, window| {
        let standing = standing.read(&window)?;
        let wet = context.files.wet(tile, &context.axis)?;
        let mut sums: BTreeMap<i32, [ExactSum; 2]> = BTreeMap::new();
        for (at, cell) in wet.cells.iter().enumerate() {
            let cell = *cell as usize;
            if standing[cell] != Standing::Habitat as u8 {
                continue;
            }
            let (observed, months) = (wet.rows.observed(at), wet.rows.wet(at));
            let Some(record) = read_record(observed, months, &context.masks, enough) else { continue };
            let area = context.areas.area_m2(window.row + cell / window.cols);
            for (year, months) in yearly_hydroperiod(observed, months, &context.masks, &record) {
                let [sum, seen] = sums.entry(year).or_default();
                sum.add(area * months);
                seen.add(area);
            }
        }
        Ok(sums)
    })?;
    let mut all: BTreeMap<i32, [ExactSum; 2]> = BTreeMap::new();
    for (year, sums) in tiles.into_iter().flatten() {
        let total = all.entry(year).or_default();
        total.iter_mut().zip(&sums).for_each(|(total, sum)| total.merge(sum));
    }
    let year = |(year, [sum, seen]): (&i32, &[ExactSum; 2])| {
        let (sum, seen) = (sum.value()?, seen.value()?);
        (seen > 0.0).then(|| WaterYear { year: *year, months: sum / seen, seen_ha: seen / 10_000.0 })
    };
    Ok(all.iter().filter_map(year).collect())
}

/// Decline over the last `span` years of the record; `None` with fewer than eight years.
pub fn decline(years: &[WaterYear], span: f64) -> Option<Decline> {
    let last = years.last()?.year;
    let within: Vec<&WaterYear> = years.iter().filter(|y| f64::from(last - y.year) < span).collect();
    if within.len() < YEARS {
        return None;
    }
    let t: Vec<f64> = within.iter().map(|y| f64::from(y.year)).collect();
    // years that are equal but for rounding are ties
    let values: Vec<f64> = within.iter().map(|y| (y.months * 1e9).round() / 1e9).collect();
    let line = theil_sen(&t, &values)?;
    let median = lentic_numerics::stats::median(&values)?;
    Some(Decline {
        first: within.first()?.year,
        last,
        years: within.len(),
        per_year: line.slope,
        percent_per_year: (median > 0.0).then(|| 100.0 * line.slope / median),
        p: mann_kendall(&values)?.p,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(values: &[f64]) -> Vec<WaterYear> {
        let year =
            |(at, months): (usize, &f64)| WaterYear { year: 1991 + at as i32, months: *months, seen_ha: 1.0 };
        values.iter().enumerate().map(year).collect()
    }

    /// By hand: 0.1 months a year fewer over the last ten of thirty years, median 5.45.
    #[test]
    fn a_decline_of_the_last_ten_years() {
        let mut values = vec![6.0; 20];
        values.extend((0..10).map(|at| 5.9 - 0.1 * f64::from(at)));
        let found = decline(&record(&values), 10.0).unwrap();
        assert_eq!((found.first, found.last, found.years), (2011, 2020, 10));
        assert!((found.per_year + 0.1).abs() < 1e-9);
        assert!((found.percent_per_year.unwrap() + 10.0 / 5.45).abs() < 1e-6);
        assert!(found.p < 0.001);
        // over three generations of twelve years the whole record counts
        assert_eq!(decline(&record(&values), 36.0).unwrap().years, 30);
        assert_eq!(decline(&record(&values[..7]), 10.0), None);
    }
}
