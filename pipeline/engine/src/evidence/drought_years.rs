//! Drought years of every case, by the index of the whole study area.

use crate::climates::{Shown, whole_index};
use crate::error::EngineError;
use crate::stages::Context;
use crate::stages::scenarios::Case;
use crate::stages::water::WaterProducts;
use lentic_habitat::climate::{MonthIndex, Shift};
use lentic_study::Month;
use std::collections::BTreeMap;

/// Months with an index that a water year needs (ours).
const MONTHS: usize = 6;

/// Whether each water year of a case is a drought year: its mean index is `at` or lower. By case; a case that does not change the
/// climate has the baseline's years. Empty lists where the study has no climate.
///
/// # Errors
/// A layer that cannot be read, or a disk that refuses.
pub fn drought_years(
    context: &Context,
    water: &WaterProducts,
    cases: &[Case],
    at: f64,
) -> Result<Vec<Vec<bool>>, EngineError> {
    let shown: Vec<Shown> = cases
        .iter()
        .map(|case| Shown {
            name: case.name.clone(),
            shift: case.scenario.map_or(Shift::NONE, Shift::of),
            replay: case.scenario.map_or_else(Vec::new, |s| s.replay.clone()),
        })
        .collect();
    let (first, last) = context.study.period.baseline;
    let starts = context.study.period.water_year_starts;
    let found = whole_index(context, water, &shown)?;
    let of = |(case, parts): (&Case, Vec<Vec<MonthIndex>>)| {
        let replays = case.scenario.is_some_and(|s| !s.replay.is_empty());
        let within = |month: &MonthIndex| replays || (month.month >= first && month.month <= last);
        let parts = parts.iter().map(|months| months.iter().filter(|m| within(m)).copied().collect());
        parts.flat_map(|months: Vec<MonthIndex>| years(&months, starts, at)).collect()
    };
    let years: Vec<Vec<bool>> = cases.iter().zip(found).map(of).collect();
    Ok(if years.is_empty() { vec![Vec::new(); cases.len()] } else { years })
}

/// Whole water years of months in order, and whether each is a drought year; years with too few months with an index are left
/// out.
fn years(months: &[MonthIndex], starts: u32, at: f64) -> Vec<bool> {
    let mut by_year: BTreeMap<i32, Vec<Option<f64>>> = BTreeMap::new();
    for month in months {
        by_year.entry(water_year(month.month, starts)).or_default().push(month.shown);
    }
    let whole = by_year.values().filter(|months| months.len() == 12);
    let mean = |months: &Vec<Option<f64>>| {
        let known: Vec<f64> = months.iter().flatten().copied().collect();
        (known.len() >= MONTHS).then(|| known.iter().sum::<f64>() / known.len() as f64)
    };
    whole.filter_map(mean).map(|index| index <= at).collect()
}

/// Calendar year in which the water year of a month begins.
fn water_year(month: Month, starts: u32) -> i32 {
    if month.calendar() >= starts { month.year() } else { month.year() - 1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn months(first: &str, values: &[Option<f64>]) -> Vec<MonthIndex> {
        let first: Month = first.parse().unwrap();
        let month = |(at, shown): (usize, &Option<f64>)| MonthIndex {
            month: first.plus(at as i32),
            sum: None,
            shown: *shown,
            limited: false,
            z: None,
        };
        values.iter().enumerate().map(month).collect()
    }

    /// By hand: water years from October; the first nine months belong to no whole year.
    #[test]
    fn whole_water_years_by_their_mean() {
        let mut values = vec![Some(-3.0); 9];
        values.extend(vec![Some(-1.0); 12]);
        values.extend((0..12).map(|m| (m >= 5).then_some(-0.9)));
        values.extend((0..12).map(|m| (m >= 7).then_some(-3.0)));
        values.extend(vec![Some(-3.0); 11]);
        assert_eq!(years(&months("1990-01", &values), 10, -1.0), [true, false]);
        assert_eq!(years(&months("1990-01", &values[..12]), 1, -1.0), [true]);
        assert_eq!(years(&[], 1, -1.0), Vec::<bool>::new());
    }
}
