//! Which stretches of months count as years, and what is counted in them.

use super::{Tally, YEAR, longest_run};
use crate::response::Design;
use crate::water::{Bits, MonthAxis, cut};
use lentic_study::settings::Measure;

/// A stretch of months that counts as one year.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Year {
    /// Position of its first month.
    pub(super) at: usize,
    /// Its months, as the lowest bits.
    pub(super) months: u16,
    /// Those of them in which warmth allows activity.
    warm: u16,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Count {
    LongestSpell,
    WetAndWarm,
    /// 1 for a spell of at least so many months.
    Reached(u8),
}

/// What is counted in which years of a series of months, for one yearly measure.
#[derive(Clone, Debug, PartialEq)]
pub struct YearPlan {
    count: Count,
    pub(super) years: Vec<Year>,
}

/// A run of months without gaps: position on the axis of the first, its calendar month from 0, and how many.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// Position on the axis.
    pub first: usize,
    /// Calendar month of the first, 0 January to 11 December.
    pub calendar: usize,
    /// Months.
    pub len: usize,
}

impl Span {
    /// All months of an axis.
    pub fn of_axis(axis: &MonthAxis) -> Self {
        Span { first: 0, calendar: axis.first.calendar() as usize - 1, len: axis.len }
    }

    /// From the first to the last month of a design; `None` if it has none.
    pub fn of_design(design: &Design) -> Option<Self> {
        let mut months = design.months();
        let first = months.next()?;
        let last = months.last().map_or(first.at, |month| month.at);
        Some(Span { first: first.at, calendar: first.calendar, len: last + 1 - first.at })
    }

    /// Positions within the span at which stretches of `len` months from calendar month `start` (0 January) begin, whole ones
    /// only.
    pub(super) fn years(&self, start: usize, len: usize) -> impl Iterator<Item = usize> + use<> {
        let first = (start + YEAR - self.calendar) % YEAR;
        let end = (self.len + 1).saturating_sub(len);
        (first..end).step_by(YEAR)
    }
}

impl YearPlan {
    /// The plan of a yearly measure over a span; `None` for another measure. `temperature` gives degrees Celsius by position on
    /// the axis; a month without it is not warm.
    pub fn new(measure: &Measure, span: Span, water_year_starts: u32, temperature: &[f64]) -> Option<Self> {
        let (count, start, len) = match measure {
            Measure::LongestWetSpell { .. } => (Count::LongestSpell, water_year_starts, YEAR),
            Measure::WetAndWarmMonths { .. } => (Count::WetAndWarm, water_year_starts, YEAR),
            Measure::YearsWithSpell { months, season: [first, last] } => {
                let len = (*last as usize + YEAR - *first as usize) % YEAR + 1;
                (Count::Reached(*months as u8), *first, len)
            }
            _ => return None,
        };
        let is_warm = |at: usize| match (measure, temperature.get(span.first + at)) {
            (Measure::WetAndWarmMonths { window_c: [low, high], .. }, Some(t)) => *low <= *t && *t <= *high,
            _ => false,
        };
        let years = span
            .years(start as usize - 1, len)
            .map(|at| Year {
                at,
                months: ((1u32 << len) - 1) as u16,
                warm: (0..len).filter(|m| is_warm(at + m)).fold(0, |bits, m| bits | 1 << m),
            })
            .collect();
        Some(YearPlan { count, years })
    }

    /// Adds the years of a series of wet months (bits by position within the span) to a tally.
    pub(super) fn add(&self, wet: Bits, tally: &mut Tally) {
        for year in &self.years {
            tally.0[self.value(wet, year)] += 1;
        }
    }

    fn value(&self, wet: Bits, year: &Year) -> usize {
        let wet = cut(wet, year.at) & year.months;
        match self.count {
            Count::LongestSpell => usize::from(longest_run(wet)),
            Count::WetAndWarm => (wet & year.warm).count_ones() as usize,
            Count::Reached(months) => usize::from(longest_run(wet) >= months),
        }
    }

    /// Year by year what [`YearPlan::of_record`] counts: the position of the year's first month, and its months (1 or 0 for a
    /// spell that is required).
    pub fn each_of_record<'p>(
        &'p self,
        observed: Bits<'p>,
        filled: Bits<'p>,
    ) -> impl Iterator<Item = (usize, usize)> + 'p {
        let seen = |year: &&Year| {
            2 * (cut(observed, year.at) & year.months).count_ones() >= year.months.count_ones()
        };
        self.years.iter().filter(seen).map(move |year| (year.at, self.value(filled, year)))
    }

    /// The years of a record, those with at least half their months observed; bits by position on the axis, and the plan's
    /// span the whole axis.
    pub fn of_record(&self, observed: Bits, filled: Bits) -> Tally {
        let mut tally = Tally::default();
        self.each_of_record(observed, filled).for_each(|(_, months)| tally.0[months] += 1);
        tally
    }
}
