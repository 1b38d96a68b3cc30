//! The record of a cell never seen wet, as most cells of a basin are: all that matters is when it was seen.

use super::{Enough, MONTHS_FOR_A_YEAR, Record, Told, Trend, YEARS_FOR_A_TREND};
use crate::spells::longest_dry_run;
use crate::water::{Bits, Masks, MonthAxis};
use crate::yearly::wet_spells;

/// Observed months of a half of the years, and the calendar months among them as bits, January lowest.
#[derive(Clone, Copy, Default)]
struct Half {
    months: u32,
    calendar: u16,
}

/// As [`super::told`] of a cell whose months are all dry or not seen.
#[inline(always)]
pub(super) fn told(
    (observed, wet): (Bits, Bits),
    axis: &MonthAxis,
    masks: &Masks,
    enough: Enough,
    water_year_starts: u32,
) -> Option<Told> {
    let mut halves = [Half::default(); 2];
    let mut years = 0;
    for (at, span) in masks.spans.iter().enumerate() {
        let seen = span.cut(observed);
        let half = &mut halves[usize::from(at >= masks.spans.len() / 2)];
        half.months += seen.count_ones();
        half.calendar |= seen << span.calendar;
        years += u32::from(seen.count_ones() >= MONTHS_FOR_A_YEAR);
    }
    let [first, second] = halves;
    let seen = first.months + second.months;
    let calendar_months = (first.calendar | second.calendar).count_ones();
    if seen < enough.months || seen == 0 || calendar_months < enough.calendar_months {
        return None;
    }
    let sufficient = |half: Half| {
        let calendar_months = half.calendar.count_ones();
        2 * half.months >= enough.months && calendar_months > 0 && calendar_months >= enough.calendar_months
    };
    let trend = Trend { per_decade: 0.0, p: 1.0, years: years as usize };
    Some(Told {
        record: Record {
            observed: seen,
            wet: 0,
            hydroperiod: 0.0,
            frequency: 0.0,
            recurrence: (years > 0).then_some(0.0),
            years,
            by_calendar_month: [0.0; 12],
        },
        trend: (trend.years >= YEARS_FOR_A_TREND).then_some(trend),
        dry_run: longest_dry_run(observed, wet, axis.len),
        half_change: (sufficient(first) && sufficient(second)).then_some(0.0),
        spells: wet_spells(observed, wet, axis, water_year_starts),
    })
}
