//! Wet spells of the years of a record.

use super::{Span, YEAR, longest_run};
use crate::water::{Bits, MonthAxis, bit, bridged, count_all, cut};

/// The wet months of a record with gaps closed: up to two months in a row that were not seen count as wet between wet months;
/// others not seen count as not wet.
pub fn filled(observed: Bits, wet: Bits) -> Vec<u64> {
    let wet: Vec<u64> = wet.iter().zip(observed).map(|(wet, observed)| wet & observed).collect();
    (0..wet.len()).map(|at| bridged(&wet, observed, at)).collect()
}

/// The longest wet spells of a record's water years.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WetSpells {
    /// Mean over the years, months.
    pub mean: f64,
    /// Median calendar month of drying, 1 January to 12 December; `None` where no year dried.
    pub drying: Option<u32>,
    /// Share of the years that dried.
    pub dried: f64,
}

/// Wet spells of a record, over water years with at least half their months observed; `None` without such a year. A year dries
/// in the month after its longest spell (the last of equals), where that month was seen dry; the month may be the first of
/// the next year.
#[inline(always)]
pub fn wet_spells(observed: Bits, wet: Bits, axis: &MonthAxis, water_year_starts: u32) -> Option<WetSpells> {
    let span = Span::of_axis(axis);
    // most cells of a basin were never wet
    let filled = if count_all(wet) == 0 { Vec::new() } else { filled(observed, wet) };
    let start = water_year_starts as usize - 1;
    // how many years dried how many months after their start
    let (mut years, mut months, mut drying) = (0u32, 0u32, [0u32; YEAR + 1]);
    for at in span.years(start, YEAR) {
        let all = (1u16 << YEAR) - 1;
        if (cut(observed, at) & all).count_ones() < YEAR as u32 / 2 {
            continue;
        }
        years += 1;
        if filled.is_empty() {
            continue;
        }
        let year = cut(&filled, at) & all;
        let spell = longest_run(year);
        months += u32::from(spell);
        let Some(end) = end_of_run(year, spell) else { continue };
        let next = at + end;
        if next < axis.len && bit(observed, next) && !bit(&filled, next) {
            drying[end] += 1;
        }
    }
    if years == 0 {
        return None;
    }
    let dried: u32 = drying.iter().sum();
    // of an even number the earlier of the two in the middle
    let mut left = dried.div_ceil(2);
    let middle = (dried > 0).then(|| {
        drying.iter().position(|count| {
            let found = *count >= left;
            left = left.saturating_sub(*count);
            found
        })
    });
    Some(WetSpells {
        mean: f64::from(months) / f64::from(years),
        drying: middle.flatten().map(|end| ((start + end) % YEAR) as u32 + 1),
        dried: f64::from(dried) / f64::from(years),
    })
}

/// One past the last month of the last run of `length` months; `None` for a length of 0.
fn end_of_run(year: u16, length: u8) -> Option<usize> {
    let mut starts = year;
    for _ in 1..length {
        starts &= starts >> 1;
    }
    let first = (length > 0).then(|| starts.checked_ilog2()).flatten()?;
    Some(first as usize + usize::from(length))
}
