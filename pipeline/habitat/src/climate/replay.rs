//! Observed years that come again: water years of the series, whole, each with the index it had.

use super::{ClimateModel, MonthIndex, Series, Shift};
use lentic_study::Month;

/// Years named in a message before the rest is only counted.
const SHOWN: usize = 6;

/// The first month of a water year, which is named by the calendar year it begins in (ours).
pub fn begins(year: i32, water_year_starts: u32) -> Option<Month> {
    Month::new(year, water_year_starts)
}

/// The last month of a water year.
pub fn ends(year: i32, water_year_starts: u32) -> Option<Month> {
    begins(year, water_year_starts).map(|month| month.plus(11))
}

/// First and last water year that a series of `months` months from `first` can replay: all their months lie in it, and so do the
/// months before them that sums over `index_months` need. `None` if there is no such year.
pub fn replayable(
    first: Month,
    months: usize,
    index_months: usize,
    water_year_starts: u32,
) -> Option<(i32, i32)> {
    let whole = |count: usize| i32::try_from(count).ok();
    let first_sum = first.plus(whole(index_months)?.saturating_sub(1));
    // the last month a year may begin in and still be whole
    let last_begin = first.plus(whole(months)? - 12);
    let from = first_sum.year() + i32::from(first_sum.calendar() > water_year_starts);
    let to = last_begin.year() - i32::from(last_begin.calendar() < water_year_starts);
    (from <= to).then_some((from, to))
}

/// Years in runs of years that follow one another.
pub fn runs(years: &[i32]) -> impl Iterator<Item = &[i32]> {
    years.chunk_by(|before, after| before.checked_add(1) == Some(*after))
}

/// The months of water years out of those of a series, in the order given; a part for each run of years that follow one another. Years
/// beyond the series are left out.
pub fn parts(months: &[MonthIndex], years: &[i32], water_year_starts: u32) -> Vec<Vec<MonthIndex>> {
    let of_year = |year: &i32| {
        let since = begins(*year, water_year_starts).zip(months.first());
        let at = since.and_then(|(begin, first)| usize::try_from(begin.since(first.month)).ok());
        at.and_then(|at| months.get(at..at + 12)).unwrap_or_default()
    };
    runs(years).map(|run| run.iter().flat_map(of_year).copied().collect()).collect()
}

impl Series {
    /// Which of these water years cannot be replayed, and which could be, in words; `None` where all can.
    pub fn refuses_replay(
        &self,
        years: &[i32],
        index_months: usize,
        water_year_starts: u32,
    ) -> Option<String> {
        let axis = self.axis();
        let usable = replayable(axis.first, axis.len, index_months, water_year_starts);
        let mut beyond: Vec<i32> = years.to_vec();
        beyond.retain(|year| usable.is_none_or(|(from, to)| !(from..=to).contains(year)));
        beyond.sort_unstable();
        beyond.dedup();
        let more = beyond.len().saturating_sub(SHOWN);
        let mut named: Vec<String> = beyond.iter().take(SHOWN).map(ToString::to_string).collect();
        if more > 0 {
            named.push(format!("{more} more"));
        }
        let last = axis.first.plus(axis.len as i32 - 1);
        let can = match usable {
            Some((from, to)) => format!("the water years that can be are {from} to {to}"),
            None => "no water year is whole in it".into(),
        };
        (!beyond.is_empty()).then(|| {
            format!(
                "{} cannot be replayed: a water year begins in calendar month {water_year_starts} of the year that names it, its index looks back {index_months} month(s), and the \
                 climate series holds {} to {last}; {can}",
                named.join(", "),
                axis.first
            )
        })
    }
}

impl ClimateModel {
    /// As [`Series::refuses_replay`], of the series the index was fitted on.
    pub fn refuses_replay(&self, years: &[i32], water_year_starts: u32) -> Option<String> {
        self.series.refuses_replay(years, self.settings.months, water_year_starts)
    }

    /// The index of the months of water years, in the order given, under a change of climate; a part for each run of years
    /// that follow one another. A run brings its own months before it: its sums are those of the series. Years beyond the series
    /// are left out.
    pub fn replayed(&self, years: &[i32], water_year_starts: u32, shift: &Shift) -> Vec<Vec<MonthIndex>> {
        parts(&self.months(shift), years, water_year_starts)
    }

    /// Temperature of the months of water years, in the order given, under a change, degrees Celsius; NaN where it is not known.
    pub fn replayed_temperature(&self, years: &[i32], water_year_starts: u32, shift: &Shift) -> Vec<f64> {
        let all = self.temperature_on(&self.series.axis(), shift);
        let axis = self.series.axis();
        let month = |year: &i32, m: i32| {
            let at = begins(*year, water_year_starts).and_then(|first| axis.position(first.plus(m)));
            at.and_then(|at| all.get(at)).copied().unwrap_or(f64::NAN)
        };
        years.iter().flat_map(|year| (0..12).map(move |m| month(year, m))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn month(text: &str) -> Month {
        text.parse().unwrap()
    }

    /// Counted by hand on a calendar.
    #[test]
    fn years_that_can_be_replayed() {
        // 1986-01 to 2020-12; a sum over 12 months ends first in 1986-12
        let all = |index_months, starts| replayable(month("1986-01"), 420, index_months, starts);
        assert_eq!(all(1, 1), Some((1986, 2020)));
        assert_eq!(all(2, 1), Some((1987, 2020)));
        assert_eq!(all(12, 1), Some((1987, 2020)));
        assert_eq!(all(14, 1), Some((1988, 2020)));
        // the water year 1986 of October begins before the first sum, that of 2020 is not over
        assert_eq!(all(12, 10), Some((1987, 2019)));
        assert_eq!(all(10, 10), Some((1986, 2019)));
        assert_eq!(all(12, 12), Some((1986, 2019)));
        let short = |months| replayable(month("1990-07"), months, 3, 9);
        // 1990-09 to 1991-08: the 14th month is the last, and the first sum ends in 1990-09
        assert_eq!(short(14), Some((1990, 1990)));
        assert_eq!(short(13), None);
        assert_eq!(replayable(month("1990-07"), 0, 3, 9), None);
        assert_eq!(replayable(month("1990-07"), 12, 60, 9), None);
    }

    #[test]
    fn a_refusal_names_what_can_be_replayed() {
        let series = Series {
            first: month("1986-01"),
            precipitation: vec![1.0; 420],
            temperature: None,
            extremes: None,
            anomaly: Vec::new(),
        };
        let said = series.refuses_replay(&[2021, 1990, 1986, 2021], 12, 1).unwrap();
        assert!(said.starts_with("1986, 2021 cannot be replayed"), "{said}");
        assert!(said.contains("1986-01 to 2020-12") && said.ends_with("are 1987 to 2020"), "{said}");
        assert_eq!(series.refuses_replay(&[1990, 2020], 12, 1), None);
        let many: Vec<i32> = (2015..2035).collect();
        let said = series.refuses_replay(&many, 12, 10).unwrap();
        assert!(said.starts_with("2020, 2021, 2022, 2023, 2024, 2025, 9 more cannot"), "{said}");
        let short = Series { precipitation: vec![1.0; 12], ..series };
        assert!(short.refuses_replay(&[1986], 12, 10).unwrap().contains("no water year is whole"));
    }

    #[test]
    fn runs_of_years() {
        let found: Vec<&[i32]> = runs(&[2006, 2007, 2009, 2010, 2011, 2009, 2009]).collect();
        assert_eq!(found, [&[2006, 2007][..], &[2009, 2010, 2011], &[2009], &[2009]]);
        assert_eq!(runs(&[]).count(), 0);
    }
}
