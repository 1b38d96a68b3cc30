//! Years one by one: the longest wet spell of a year, its wet and warm months, whether a spell is long enough.
//!
//! An expected hydroperiod says how long water stays on the mean; an animal lives through single years. Years are drawn
//! from the fitted probability of water month by month, with the dependence between a month and the next that the
//! group's residuals show: a number U in [0, 1) is kept from the month before with probability r, else drawn anew, and the
//! month is wet where U lies under p (ours). U is even in every month, so that the mean of the drawn years is the expected hydroperiod;
//! where p is steady, wetness of a month and the next is correlated by r.

use crate::response::{Beta, Design};
use crate::water::{Bits, MonthAxis, bit, bridged, count_all, cut};
use lentic_numerics::season::Block;
use lentic_numerics::seed::{hash64, split_mix};
use lentic_study::settings::Measure;

/// Months of a year.
pub const YEAR: usize = 12;
/// A probability is compared as a count of 2^-32.
const UNITS: f64 = 4_294_967_296.0;

/// The longest run of set bits in every pattern of twelve.
static LONGEST_RUNS: [u8; 1 << YEAR] = longest_runs();

const fn longest_runs() -> [u8; 1 << YEAR] {
    let mut table = [0; 1 << YEAR];
    let mut pattern = 0;
    while pattern < table.len() {
        // each step shortens every run by one
        let (mut left, mut steps) = (pattern, 0);
        while left > 0 {
            left &= left >> 1;
            steps += 1;
        }
        table[pattern] = steps;
        pattern += 1;
    }
    table
}

/// The longest run of wet months in a year whose months are the lowest twelve bits.
#[inline(always)]
pub fn longest_run(year: u16) -> u8 {
    LONGEST_RUNS[usize::from(year) & (LONGEST_RUNS.len() - 1)]
}

/// How often each number of months occurred: position m counts the years with m months.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally(pub [u32; YEAR + 1]);

impl Tally {
    /// Years counted.
    pub fn years(&self) -> u32 {
        self.0.iter().sum()
    }

    /// Mean over the years of `value` by months; NaN without a year.
    pub fn mean(&self, value: impl Fn(usize) -> f64) -> f64 {
        let sum: f64 = self.0.iter().enumerate().map(|(m, n)| value(m) * f64::from(*n)).sum();
        sum / f64::from(self.years())
    }

    /// Mean months; for a spell that is required, the share of years that reach it. NaN without a year.
    pub fn measure(&self) -> f64 {
        self.mean(|months| months as f64)
    }
}

/// A stretch of months that counts as one year.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Year {
    /// Position of its first month.
    at: usize,
    /// Its months, as the lowest bits.
    months: u16,
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
    years: Vec<Year>,
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
    fn years(&self, start: usize, len: usize) -> impl Iterator<Item = usize> + use<> {
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
    fn add(&self, wet: Bits, tally: &mut Tally) {
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

/// Draws years of one climate.
#[derive(Clone, Debug)]
pub struct Drawer {
    span: Span,
    plans: Vec<YearPlan>,
    realisations: u32,
}

/// Room for the months of one cell, reused from cell to cell.
#[derive(Default)]
pub struct Room {
    blocks: Vec<Block>,
    p: Vec<f64>,
    limits: Vec<u64>,
    tops: Tops,
    bits: Vec<u64>,
    tallies: Vec<Tally>,
}

impl Drawer {
    /// Draws `realisations` series of the months of a design for these measures (those that are not yearly are passed over);
    /// `temperature` as in [`YearPlan::new`].
    pub fn new(
        design: &Design,
        measures: &[&Measure],
        water_year_starts: u32,
        temperature: &[f64],
        realisations: u32,
    ) -> Self {
        let span = Span::of_design(design).unwrap_or(Span { first: 0, calendar: 0, len: 0 });
        let plan = |measure: &&Measure| YearPlan::new(measure, span, water_year_starts, temperature);
        Drawer { span, plans: measures.iter().filter_map(plan).collect(), realisations }
    }

    /// One tally per measure for the cell of coefficients `beta` with `shift` logits added.
    pub fn cell<'r>(
        &self,
        design: &Design,
        beta: &Beta,
        shift: f64,
        chance: Chance,
        room: &'r mut Room,
    ) -> &'r [Tally] {
        design.probabilities(beta, shift, &mut room.blocks);
        self.tally(design, chance, room)
    }

    /// As [`Drawer::cell`], for the logits of the design months.
    pub fn cell_of_logits<'r>(
        &self,
        design: &Design,
        logits: &[Block],
        chance: Chance,
        room: &'r mut Room,
    ) -> &'r [Tally] {
        design.probabilities_of(logits, &mut room.blocks);
        self.tally(design, chance, room)
    }

    /// Draws by the probabilities of the room's blocks.
    fn tally<'r>(&self, design: &Design, chance: Chance, room: &'r mut Room) -> &'r [Tally] {
        room.tallies.clear();
        room.tallies.resize(self.plans.len(), Tally::default());
        self.probabilities(design, &room.blocks, &mut room.p);
        room.limits.clear();
        room.limits.extend(room.p.iter().map(|p| units(*p)));
        let known = chance.numbers.filter(|known| known.len() == self.numbers_of_a_cell());
        match known {
            Some(known) if self.span.len > 0 => {
                room.tops.read(&room.limits);
                for numbers in known.chunks_exact(self.span.len) {
                    room.tops.draw(numbers, &mut room.bits);
                    for (plan, tally) in self.plans.iter().zip(&mut room.tallies) {
                        plan.add(&room.bits, tally);
                    }
                }
            }
            _ => {
                let keep = units(chance.lag1);
                for realisation in 0..u64::from(self.realisations) {
                    let key = key_of(chance.cell, realisation);
                    draw(key, self.span.first as u64, keep, &room.limits, &mut room.bits);
                    for (plan, tally) in self.plans.iter().zip(&mut room.tallies) {
                        plan.add(&room.bits, tally);
                    }
                }
            }
        }
        &room.tallies
    }

    /// How many numbers [`Self::numbers`] gives.
    pub fn numbers_of_a_cell(&self) -> usize {
        self.realisations as usize * self.span.len
    }

    /// Whether another drawer takes the same numbers: it draws as many years of the same months.
    pub fn takes_numbers_of(&self, other: &Drawer) -> bool {
        self.span == other.span && self.realisations == other.realisations
    }

    /// Adds the numbers of a cell, series by series, in units of 2^-32, for a cell that is drawn again and again.
    pub fn numbers(&self, lag1: f64, cell: u64, to: &mut Vec<u32>) {
        let keep = units(lag1);
        for realisation in 0..u64::from(self.realisations) {
            let months =
                Months { key: key_of(cell, realisation), t: self.span.first as u64, keep, state: None };
            to.extend(months.take(self.span.len));
        }
    }

    /// p of every month of the span. A month without z takes the mean of the nearest before and after that have one (ours).
    fn probabilities(&self, design: &Design, blocks: &[Block], p: &mut Vec<f64>) {
        p.clear();
        p.resize(self.span.len, f64::NAN);
        let mut last: Option<usize> = None;
        for ((month, _), of_month) in design.z().zip(design.of_months(blocks)) {
            let at = month - self.span.first;
            p[at] = of_month;
            if let Some(before) = last.filter(|before| before + 1 < at) {
                let mean = f64::midpoint(p[before], p[at]);
                p[before + 1..at].fill(mean);
            }
            last = Some(at);
        }
    }
}

/// The hash of a cell of the grid under a seed, from which its years are drawn.
pub fn cell_hash(seed: u64, row: usize, col: usize) -> u64 {
    hash64(seed, row as u64, col as u64)
}

/// A probability in units of 2^-32, rounded up: a whole number of units lies under it if and only if it lies under
/// `probability`.
fn units(probability: f64) -> u64 {
    let scaled = probability * UNITS;
    // the next whole number: rounding by a call costs more than all the rest of a draw
    let below = scaled as u64;
    below + u64::from(scaled > below as f64)
}

/// What the years of a cell are drawn by.
#[derive(Clone, Copy, Debug)]
pub struct Chance<'n> {
    /// Share of months that keep the number of the month before.
    pub lag1: f64,
    /// The cell's own hash, see [`cell_hash`].
    pub cell: u64,
    /// Its numbers, as [`Drawer::numbers`] gives them, where they are at hand; they follow from the two.
    pub numbers: Option<&'n [u32]>,
}

/// Under which numbers a month is wet, made ready for many series.
#[derive(Default)]
struct Tops {
    /// The largest such number, in units of 2^-32; 0 where there is none.
    tops: Vec<u32>,
    /// Bits of the months that have one.
    may: Vec<u64>,
}

impl Tops {
    fn read(&mut self, limits: &[u64]) {
        self.tops.clear();
        // a limit is at most 2^32
        self.tops.extend(limits.iter().map(|limit| limit.saturating_sub(1) as u32));
        self.may.clear();
        self.may.extend(limits.chunks(64).map(|part| {
            part.iter().enumerate().fold(0, |word, (bit, limit)| word | u64::from(*limit > 0) << bit)
        }));
    }

    /// Bits of the months whose number lies under their limit.
    fn draw(&self, numbers: &[u32], bits: &mut Vec<u64>) {
        bits.clear();
        for ((numbers, tops), may) in numbers.chunks(64).zip(self.tops.chunks(64)).zip(&self.may) {
            let mut under = [0u8; 64];
            for ((under, number), top) in under.iter_mut().zip(numbers).zip(tops) {
                *under = u8::from(number <= top);
            }
            let mut word = 0;
            for (at, eight) in under.chunks_exact(8).enumerate() {
                let eight = eight.iter().rev().fold(0u64, |all, one| all << 8 | u64::from(*one));
                // gathers the lowest bits of eight bytes in the uppermost byte, the first lowest
                word |= (eight.wrapping_mul(0x0102_0408_1020_4080) >> 56) << (8 * at);
            }
            bits.push(word & may);
        }
    }
}

/// The key of one of a cell's series.
fn key_of(cell: u64, realisation: u64) -> u64 {
    split_mix(cell ^ (realisation + 1))
}

/// The numbers of a series, month by month, as [`draw`] takes them.
struct Months {
    key: u64,
    t: u64,
    keep: u64,
    /// The number of the month before.
    state: Option<u64>,
}

impl Iterator for Months {
    type Item = u32;

    fn next(&mut self) -> Option<u32> {
        let hash = split_mix(self.key ^ self.t);
        self.t += 1;
        let number = match self.state {
            Some(before) if hash & 0xFFFF_FFFF < self.keep => before,
            _ => hash >> 32,
        };
        self.state = Some(number);
        Some(number as u32)
    }
}

/// Draws one series: bits by position. The month at position t of the axis has the hash h = mix(key xor t): its lower half decides
/// whether the number of the month before is kept, its upper half is a new number.
fn draw(key: u64, first: u64, keep: u64, limits: &[u64], bits: &mut Vec<u64>) {
    bits.clear();
    let mut number = 0;
    // nothing can be kept in the first month
    let mut stays_under = 0;
    let mut t = first;
    for part in limits.chunks(64) {
        let mut word = 0u64;
        for (bit, limit) in part.iter().enumerate() {
            let hash = split_mix(key ^ t);
            number = if hash & 0xFFFF_FFFF < stays_under { number } else { hash >> 32 };
            stays_under = keep;
            word |= u64::from(number < *limit) << bit;
            t += 1;
        }
        bits.push(word);
    }
}

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

#[cfg(test)]
mod tests;
