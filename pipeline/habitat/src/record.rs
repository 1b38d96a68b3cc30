//! What the water record of one cell says by itself: hydroperiod, frequency, recurrence, trend.

mod dry;

use crate::spells::{DryRun, half_change, longest_dry_run};
use crate::water::{Bits, Masks, MonthAxis, count, count_all, fill_round_the_year};
use crate::yearly::{WetSpells, wet_spells};
use lentic_numerics::portable::wide;
use lentic_numerics::trend::{mann_kendall, theil_sen};

/// Observed months a year needs to count in recurrence and trend.
pub const MONTHS_FOR_A_YEAR: u32 = 6;
/// Years a trend needs.
pub const YEARS_FOR_A_TREND: usize = 8;

/// What a record must hold to be assessed.
#[derive(Clone, Copy, Debug)]
pub struct Enough {
    /// Observed months.
    pub months: u32,
    /// Calendar months seen at least once.
    pub calendar_months: u32,
}

/// The record of one assessed cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Record {
    /// Observed months.
    pub observed: u32,
    /// Wet months among them.
    pub wet: u32,
    /// Months per year, 0 to 12: sum of the share of wet months of each calendar month.
    pub hydroperiod: f64,
    /// Share of observed months that are wet.
    pub frequency: f64,
    /// Share of years with a wet month, among years with enough observed months.
    pub recurrence: Option<f64>,
    /// Years with enough observed months.
    pub years: u32,
    /// Share of wet months by calendar month, gaps filled.
    pub by_calendar_month: [f64; 12],
}

/// Trend of the yearly hydroperiod.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Theil-Sen slope, months per decade.
    pub per_decade: f64,
    /// Two-sided p of the Mann-Kendall test.
    pub p: f64,
    /// Years used.
    pub years: usize,
}

/// Reads the record of a cell; `None` when it is too short to assess.
#[inline(always)]
pub fn read_record(observed: Bits, wet: Bits, masks: &Masks, enough: Enough) -> Option<Record> {
    let seen = count_all(observed);
    let wet_months = count_all(wet);
    let mut shares = [None; 12];
    for (share, mask) in shares.iter_mut().zip(&masks.calendar) {
        let n = count(observed, mask);
        if n > 0 {
            *share = Some(f64::from(count(wet, mask)) / f64::from(n));
        }
    }
    let calendar_months = shares.iter().flatten().count() as u32;
    if seen < enough.months || seen == 0 || calendar_months < enough.calendar_months {
        return None;
    }
    let by_calendar_month = fill_round_the_year(&shares)?;
    let (mut years, mut with_water) = (0u32, 0u32);
    for span in &masks.spans {
        if span.cut(observed).count_ones() >= MONTHS_FOR_A_YEAR {
            years += 1;
            with_water += u32::from(span.cut(wet) > 0);
        }
    }
    Some(Record {
        observed: seen,
        wet: wet_months,
        hydroperiod: by_calendar_month.iter().sum(),
        frequency: f64::from(wet_months) / f64::from(seen),
        recurrence: (years > 0).then(|| f64::from(with_water) / f64::from(years)),
        years,
        by_calendar_month,
    })
}

/// Hydroperiod year by year (year, months): 12 x mean of (state - usual share of that calendar
/// month) + hydroperiod, limited to 0-12, over years with enough observed months.
pub fn yearly_hydroperiod(observed: Bits, wet: Bits, masks: &Masks, record: &Record) -> Vec<(i32, f64)> {
    let mut years = Vec::with_capacity(masks.spans.len());
    for span in &masks.spans {
        let (seen, wet) = (span.cut(observed), span.cut(wet));
        let n = seen.count_ones();
        if n < MONTHS_FOR_A_YEAR {
            continue;
        }
        let mut sum = 0.0;
        for at in (0..span.len).filter(|at| seen >> at & 1 == 1) {
            sum += f64::from(wet >> at & 1) - record.by_calendar_month[span.calendar + at];
        }
        let months = 12.0 * sum / f64::from(n) + record.hydroperiod;
        // years equal but for rounding must count as ties in the trend test
        let rounded = (months * 1e9).round() / 1e9;
        years.push((span.year, rounded.clamp(0.0, 12.0)));
    }
    years
}

/// Trend of the yearly hydroperiod, where there are years enough.
pub fn trend(observed: Bits, wet: Bits, masks: &Masks, record: &Record) -> Option<Trend> {
    if record.wet == 0 || record.wet == record.observed {
        // most cells of a basin: the same every year, so that counting the years is enough
        let years = record.years as usize;
        return (years >= YEARS_FOR_A_TREND).then_some(Trend { per_decade: 0.0, p: 1.0, years });
    }
    let years = yearly_hydroperiod(observed, wet, masks, record);
    if years.len() < YEARS_FOR_A_TREND {
        return None;
    }
    let at: Vec<f64> = years.iter().map(|(year, _)| f64::from(*year)).collect();
    let months: Vec<f64> = years.iter().map(|(_, months)| *months).collect();
    // A record without any change has no variance to test: no slope, no evidence.
    let p = mann_kendall(&months).map_or(1.0, |test| test.p);
    let slope = theil_sen(&at, &months)?.slope;
    Some(Trend { per_decade: 10.0 * slope, p, years: years.len() })
}

/// What the record of a cell says by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// The record.
    pub record: Record,
    /// Trend of the yearly hydroperiod.
    pub trend: Option<Trend>,
    /// The longest dry run.
    pub dry_run: DryRun,
    /// Hydroperiod of the second half of the years minus the first, months per year.
    pub half_change: Option<f64>,
    /// Wet spells of the water years.
    pub spells: Option<WetSpells>,
}

/// All that the record of a cell says; `None` when it is too short to assess.
pub fn told(
    observed: Bits,
    wet: Bits,
    axis: &MonthAxis,
    masks: &Masks,
    enough: Enough,
    water_year_starts: u32,
) -> Option<Told> {
    // for the counting of bits
    wide(
        #[inline(always)]
        || {
            if count_all(wet) == 0 {
                return dry::told((observed, wet), axis, masks, enough, water_year_starts);
            }
            let record = read_record(observed, wet, masks, enough)?;
            Some(Told {
                trend: trend(observed, wet, masks, &record),
                dry_run: longest_dry_run(observed, wet, axis.len),
                half_change: half_change(observed, wet, masks, enough),
                spells: wet_spells(observed, wet, axis, water_year_starts),
                record,
            })
        },
    )
}

/// Permanence classes by hydroperiod.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Permanence {
    /// Never seen wet.
    Dry = 0,
    /// Under 3 months per year.
    Temporary = 1,
    /// 3 months or more.
    Seasonal = 2,
    /// 8 months or more.
    SemiPermanent = 3,
    /// 11 months or more.
    Permanent = 4,
}

impl Permanence {
    /// The class of a hydroperiod in months per year.
    pub fn of(hydroperiod: f64) -> Self {
        match hydroperiod {
            h if h >= 11.0 => Permanence::Permanent,
            h if h >= 8.0 => Permanence::SemiPermanent,
            h if h >= 3.0 => Permanence::Seasonal,
            h if h > 0.0 => Permanence::Temporary,
            _ => Permanence::Dry,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::BitRows;

    const ENOUGH: Enough = Enough { months: 24, calendar_months: 6 };

    fn axis(years: usize) -> MonthAxis {
        MonthAxis { first: "1991-01".parse().unwrap(), len: 12 * years }
    }

    /// A cell wet from January to April of every year, by hand: 4 months per year, frequency 1/3,
    /// every year wet, no trend.
    #[test]
    fn four_wet_months_a_year() {
        let axis = axis(10);
        let masks = Masks::new(&axis);
        let mut rows = BitRows::new(&axis, 1);
        for at in 0..axis.len {
            rows.set(0, at, at % 12 < 4);
        }
        let record = read_record(rows.observed(0), rows.wet(0), &masks, ENOUGH).unwrap();
        assert_eq!(record.hydroperiod, 4.0);
        assert_eq!(record.frequency, 1.0 / 3.0);
        assert_eq!(record.recurrence, Some(1.0));
        let trend = trend(rows.observed(0), rows.wet(0), &masks, &record).unwrap();
        assert_eq!((trend.per_decade, trend.p, trend.years), (0.0, 1.0, 10));
    }

    /// Clouds in the wet season do not shorten the hydroperiod, as plain frequency would.
    #[test]
    fn gaps_in_the_wet_season_do_not_bias() {
        let axis = axis(10);
        let masks = Masks::new(&axis);
        let mut rows = BitRows::new(&axis, 1);
        for at in 0..axis.len {
            let cloudy = at % 12 < 4 && (at / 12) % 2 == 0;
            if !cloudy {
                rows.set(0, at, at % 12 < 4);
            }
        }
        let record = read_record(rows.observed(0), rows.wet(0), &masks, ENOUGH).unwrap();
        assert_eq!(record.hydroperiod, 4.0);
        assert_eq!(record.frequency, 20.0 / 100.0);
    }

    /// One month less each year: -10 months per decade until the record ends dry.
    #[test]
    fn a_steady_fall_is_found() {
        let axis = axis(9);
        let masks = Masks::new(&axis);
        let mut rows = BitRows::new(&axis, 1);
        for at in 0..axis.len {
            rows.set(0, at, at % 12 < 10 - at / 12);
        }
        let record = read_record(rows.observed(0), rows.wet(0), &masks, ENOUGH).unwrap();
        let yearly = yearly_hydroperiod(rows.observed(0), rows.wet(0), &masks, &record);
        let expected: Vec<f64> = (0..9).map(|y| f64::from(10 - y)).collect();
        for ((_, got), want) in yearly.iter().zip(&expected) {
            assert!((got - want).abs() < 1e-12, "{got} {want}");
        }
        let trend = trend(rows.observed(0), rows.wet(0), &masks, &record).unwrap();
        assert!((trend.per_decade + 10.0).abs() < 1e-9);
        assert!(trend.p < 0.001);
    }

    #[test]
    fn a_short_record_is_not_assessed() {
        let axis = axis(3);
        let masks = Masks::new(&axis);
        let mut rows = BitRows::new(&axis, 2);
        for at in 0..23 {
            rows.set(0, at, true);
        }
        for at in (0..axis.len).filter(|at| at % 12 < 5) {
            rows.set(1, at, true);
        }
        assert!(read_record(rows.observed(0), rows.wet(0), &masks, ENOUGH).is_none());
        assert!(read_record(rows.observed(1), rows.wet(1), &masks, ENOUGH).is_none());
    }

    #[test]
    fn permanence_boundaries() {
        let classes: Vec<u8> = [0.0, 0.1, 2.99, 3.0, 7.99, 8.0, 10.99, 11.0, 12.0]
            .iter()
            .map(|h| Permanence::of(*h) as u8)
            .collect();
        assert_eq!(classes, [0, 1, 1, 2, 2, 3, 3, 4, 4]);
    }

    /// Hydroperiod, frequency, recurrence, hydroperiod by year.
    type Slow = (f64, f64, Option<f64>, Vec<(i32, f64)>);

    /// The record of plain month states (0 dry, 1 wet, 2 not seen), month by month, from January 1990.
    fn slow_record(states: &[u8]) -> Option<Slow> {
        let seen = states.iter().filter(|s| **s < 2).count();
        let shares: Vec<Option<f64>> = (0..12)
            .map(|m| {
                let months: Vec<u8> = states.iter().skip(m).step_by(12).copied().filter(|s| *s < 2).collect();
                (!months.is_empty())
                    .then(|| months.iter().map(|s| f64::from(*s)).sum::<f64>() / months.len() as f64)
            })
            .collect();
        if seen < 24 || shares.iter().flatten().count() < 6 {
            return None;
        }
        let filled: Vec<f64> = (0..12)
            .map(|m| {
                let near = |step: i32| {
                    (1..12).find_map(|n| shares[(m as i32 + n * step).rem_euclid(12) as usize]).unwrap()
                };
                shares[m].unwrap_or_else(|| 0.5 * (near(-1) + near(1)))
            })
            .collect();
        let hydroperiod: f64 = filled.iter().sum();
        let (mut with_water, mut enough, mut yearly) = (0, 0, Vec::new());
        for (year, months) in states.chunks(12).enumerate() {
            let known: Vec<(usize, u8)> =
                months.iter().copied().enumerate().filter(|(_, s)| *s < 2).collect();
            if known.len() >= 6 {
                enough += 1;
                with_water += usize::from(known.iter().any(|(_, s)| *s == 1));
                let anomaly: f64 = known.iter().map(|(m, s)| f64::from(*s) - filled[*m]).sum();
                let value = (12.0 * anomaly / known.len() as f64 + hydroperiod).clamp(0.0, 12.0);
                yearly.push((1990 + year as i32, value));
            }
        }
        let wet = states.iter().filter(|s| **s == 1).count();
        let recurrence = (enough > 0).then(|| f64::from(with_water as u32) / f64::from(enough));
        Some((hydroperiod, wet as f64 / seen as f64, recurrence, yearly))
    }

    proptest::proptest! {
        /// Every bit formula equals the plain loop, up to a hundred years of months.
        #[test]
        fn bits_equal_plain_loops(states in proptest::collection::vec(0u8..3, 1..1200)) {
            let axis = MonthAxis { first: "1990-01".parse().unwrap(), len: states.len() };
            let masks = Masks::new(&axis);
            let mut rows = BitRows::new(&axis, 1);
            for (at, state) in states.iter().enumerate().filter(|(_, s)| **s < 2) {
                rows.set(0, at, *state == 1);
            }
            let record = read_record(rows.observed(0), rows.wet(0), &masks, ENOUGH);
            let slow = slow_record(&states);
            proptest::prop_assert_eq!(record.is_some(), slow.is_some());
            if let (Some(record), Some((hydroperiod, frequency, recurrence, yearly))) = (record, slow) {
                proptest::prop_assert!((record.hydroperiod - hydroperiod).abs() < 1e-9);
                proptest::prop_assert_eq!(record.frequency, frequency);
                proptest::prop_assert_eq!(record.recurrence, recurrence);
                let fast = yearly_hydroperiod(rows.observed(0), rows.wet(0), &masks, &record);
                proptest::prop_assert_eq!(fast.len(), yearly.len());
                for ((year, months), (slow_year, slow_months)) in fast.iter().zip(&yearly) {
                    proptest::prop_assert_eq!(year, slow_year);
                    proptest::prop_assert!((months - slow_months).abs() < 1e-8);
                }
            }
        }

        /// A cell never wet is told the same the short way.
        #[test]
        fn never_wet_the_short_way(seen in proptest::collection::vec(proptest::bool::weighted(0.6), 1..500), first in 0i32..12, starts in 1u32..13) {
            let first = lentic_study::Month::new(1990, 1).unwrap().plus(first);
            let axis = MonthAxis { first, len: seen.len() };
            let masks = Masks::new(&axis);
            let mut rows = BitRows::new(&axis, 1);
            for (at, _) in seen.iter().enumerate().filter(|(_, seen)| **seen) {
                rows.set(0, at, false);
            }
            let (observed, wet) = (rows.observed(0), rows.wet(0));
            let short = told(observed, wet, &axis, &masks, ENOUGH, starts);
            let long = read_record(observed, wet, &masks, ENOUGH).map(|record| Told {
                trend: trend(observed, wet, &masks, &record),
                dry_run: longest_dry_run(observed, wet, axis.len),
                half_change: half_change(observed, wet, &masks, ENOUGH),
                spells: wet_spells(observed, wet, &axis, starts),
                record,
            });
            proptest::prop_assert_eq!(short, long);
        }
    }
}
