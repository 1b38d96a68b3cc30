//! Water history as bits: per cell one row of observed months and one of wet months, and the masks
//! that turn calendar months and years into popcounts.

use lentic_study::Month;

/// The months of the baseline, in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MonthAxis {
    /// First month.
    pub first: Month,
    /// How many months.
    pub len: usize,
}

impl MonthAxis {
    /// The axis from `first` to `last`, both included; empty if `last` is earlier.
    pub fn new(first: Month, last: Month) -> Self {
        let len = usize::try_from(last.since(first) + 1).unwrap_or(0);
        MonthAxis { first, len }
    }

    /// Position of a month, if it lies on the axis.
    pub fn position(&self, month: Month) -> Option<usize> {
        usize::try_from(month.since(self.first)).ok().filter(|at| *at < self.len)
    }

    /// The months in order.
    pub fn months(&self) -> impl Iterator<Item = Month> + '_ {
        (0..self.len as i32).map(|at| self.first.plus(at))
    }

    /// 64-bit words in one bit row.
    pub fn words(&self) -> usize {
        self.len.div_ceil(64)
    }
}

/// Months of one cell as bits, lowest bit of the first word first.
pub type Bits<'a> = &'a [u64];

/// Whether month `at` is set.
pub fn bit(bits: Bits, at: usize) -> bool {
    bits[at / 64] >> (at % 64) & 1 == 1
}

/// How many months of `mask` are set in `bits`.
#[inline(always)]
pub fn count(bits: Bits, mask: Bits) -> u32 {
    bits.iter().zip(mask).map(|(b, m)| (b & m).count_ones()).sum()
}

/// How many months are set.
#[inline(always)]
pub fn count_all(bits: Bits) -> u32 {
    bits.iter().map(|b| b.count_ones()).sum()
}

/// The bits of up to 16 months from month `at` on.
#[inline(always)]
pub fn cut(bits: Bits, at: usize) -> u16 {
    let (word, shift) = (at / 64, at % 64);
    let low = bits.get(word).copied().unwrap_or(0) >> shift;
    let high = match shift {
        0 => 0,
        _ => bits.get(word + 1).copied().unwrap_or(0) << (64 - shift),
    };
    (low | high) as u16
}

/// Word `at` of bits moved `by` months (under 64) towards later ones.
#[inline(always)]
pub(crate) fn later(bits: Bits, at: usize, by: usize) -> u64 {
    let from_before = if at == 0 { 0 } else { bits[at - 1] >> (64 - by) };
    bits[at] << by | from_before
}

/// Word `at` of bits moved `by` months (under 64) towards earlier ones.
#[inline(always)]
pub(crate) fn earlier(bits: Bits, at: usize, by: usize) -> u64 {
    let from_next = bits.get(at + 1).map_or(0, |next| next << (64 - by));
    bits[at] >> by | from_next
}

/// Sets in word `at` of `ones`, all of them observed months, the unobserved months of gaps of one or two between two of them.
#[inline(always)]
pub(crate) fn bridged(ones: Bits, observed: Bits, at: usize) -> u64 {
    let hidden = !observed[at];
    let hidden_next = !earlier(observed, at, 1);
    let hidden_before = !later(observed, at, 1);
    let (before, next) = (later(ones, at, 1), earlier(ones, at, 1));
    // a gap of one; the first and the second of a gap of two
    let gaps = (before & next)
        | (before & hidden_next & earlier(ones, at, 2))
        | (next & hidden_before & later(ones, at, 2));
    ones[at] | (hidden & gaps)
}

/// Bit rows of the cells of one tile, cell after cell.
#[derive(Clone, Debug)]
pub struct BitRows {
    words: usize,
    observed: Vec<u64>,
    wet: Vec<u64>,
}

impl BitRows {
    /// `cells` rows, nothing observed.
    pub fn new(axis: &MonthAxis, cells: usize) -> Self {
        let words = axis.words();
        BitRows { words, observed: vec![0; cells * words], wet: vec![0; cells * words] }
    }

    /// Cells held.
    pub fn cells(&self) -> usize {
        self.observed.len().checked_div(self.words).unwrap_or(0)
    }

    /// Marks month `at` of a cell as observed, and wet or dry.
    pub fn set(&mut self, cell: usize, at: usize, wet: bool) {
        let word = cell * self.words + at / 64;
        let mask = 1u64 << (at % 64);
        self.observed[word] |= mask;
        if wet {
            self.wet[word] |= mask;
        } else {
            self.wet[word] &= !mask;
        }
    }

    /// Sets the months of a cell from 64 times `word` on, by the bits of two words: observed, and wet among them.
    pub fn set_word(&mut self, cell: usize, word: usize, observed: u64, wet: u64) {
        let at = cell * self.words + word;
        self.observed[at] = observed;
        self.wet[at] = wet & observed;
    }

    /// Observed months of a cell.
    pub fn observed(&self, cell: usize) -> Bits<'_> {
        &self.observed[cell * self.words..(cell + 1) * self.words]
    }

    /// Wet months of a cell.
    pub fn wet(&self, cell: usize) -> Bits<'_> {
        &self.wet[cell * self.words..(cell + 1) * self.words]
    }

    /// Appends a cell with the rows of another.
    pub fn push(&mut self, observed: Bits, wet: Bits) {
        self.observed.extend_from_slice(observed);
        self.wet.extend_from_slice(wet);
    }

    /// All words, observed rows then wet rows, for keeping on disk.
    pub fn parts(&self) -> (&[u64], &[u64]) {
        (&self.observed, &self.wet)
    }

    /// Rows from kept words; both slices hold `cells * axis.words()` words.
    pub fn from_parts(axis: &MonthAxis, observed: Vec<u64>, wet: Vec<u64>) -> Self {
        BitRows { words: axis.words(), observed, wet }
    }
}

/// Masks over the month axis: one per calendar month, one per calendar year.
#[derive(Clone, Debug)]
pub struct Masks {
    /// January to December.
    pub calendar: Vec<Vec<u64>>,
    /// One per year, with the year.
    pub years: Vec<(i32, Vec<u64>)>,
    /// Where each year lies.
    pub spans: Vec<YearSpan>,
    /// The first and the second half of the years; the middle year belongs to the second.
    pub halves: [Vec<u64>; 2],
}

/// The months of a calendar year on the axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct YearSpan {
    /// The year.
    pub year: i32,
    /// Position of its first month.
    pub at: usize,
    /// Calendar month of that, 0 January.
    pub calendar: usize,
    /// How many.
    pub len: usize,
}

impl YearSpan {
    /// The bits of the year's months.
    #[inline(always)]
    pub fn cut(&self, bits: Bits) -> u16 {
        cut(bits, self.at) & ((1u32 << self.len) - 1) as u16
    }
}

impl Masks {
    /// The masks of an axis.
    pub fn new(axis: &MonthAxis) -> Self {
        let words = axis.words();
        let mut calendar = vec![vec![0u64; words]; 12];
        let mut years: Vec<(i32, Vec<u64>)> = Vec::new();
        let mut spans: Vec<YearSpan> = Vec::new();
        for (at, month) in axis.months().enumerate() {
            let mask = 1u64 << (at % 64);
            let m = month.calendar() as usize - 1;
            calendar[m][at / 64] |= mask;
            if years.last().is_none_or(|(year, _)| *year != month.year()) {
                years.push((month.year(), vec![0; words]));
                spans.push(YearSpan { year: month.year(), at, calendar: m, len: 0 });
            }
            if let Some((_, bits)) = years.last_mut() {
                bits[at / 64] |= mask;
            }
            if let Some(span) = spans.last_mut() {
                span.len += 1;
            }
        }
        let mut halves = [vec![0u64; words], vec![0u64; words]];
        for (at, (_, mask)) in years.iter().enumerate() {
            let half = &mut halves[usize::from(at >= years.len() / 2)];
            half.iter_mut().zip(mask).for_each(|(half, mask)| *half |= mask);
        }
        Masks { calendar, years, spans, halves }
    }
}

/// A value per calendar month where some are missing: each missing one takes the mean of the nearest
/// known before and after it, round the year (ours). `None` if all are missing.
pub fn fill_round_the_year(values: &[Option<f64>; 12]) -> Option<[f64; 12]> {
    let near = |from: usize, step: usize| (1..12).find_map(|n| values[(from + n * step) % 12]);
    let mut filled = [0.0; 12];
    for (m, slot) in filled.iter_mut().enumerate() {
        *slot = match values[m] {
            Some(value) => value,
            // a step of 11 months forward is one month back
            None => 0.5 * (near(m, 11)? + near(m, 1)?),
        };
    }
    Some(filled)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn axis(first: &str, last: &str) -> MonthAxis {
        MonthAxis::new(first.parse().unwrap(), last.parse().unwrap())
    }

    #[test]
    fn the_axis_counts_both_ends() {
        let axis = axis("1991-01", "2020-12");
        assert_eq!((axis.len, axis.words()), (360, 6));
        assert_eq!(axis.position("1992-02".parse().unwrap()), Some(13));
        assert_eq!(axis.position("2021-01".parse().unwrap()), None);
        assert_eq!(axis.position("1990-12".parse().unwrap()), None);
    }

    #[test]
    fn missing_calendar_months_take_their_neighbours() {
        let mut values = [Some(1.0); 12];
        values[0] = None;
        values[1] = Some(0.5);
        values[11] = None;
        values[10] = Some(0.25);
        let filled = fill_round_the_year(&values).unwrap();
        assert_eq!(filled[0], 0.375);
        assert_eq!(filled[11], 0.375);
        assert_eq!(fill_round_the_year(&[None; 12]), None);
        let mut one = [None; 12];
        one[4] = Some(0.7);
        assert_eq!(fill_round_the_year(&one), Some([0.7; 12]));
    }

    proptest! {
        /// Popcounts under masks equal a plain loop over months, on any axis.
        #[test]
        fn masks_equal_a_plain_loop(start in 0i32..12, states in prop::collection::vec(0u8..3, 1..200)) {
            let first = Month::new(1990, 1).unwrap().plus(start);
            let axis = MonthAxis { first, len: states.len() };
            let masks = Masks::new(&axis);
            let mut rows = BitRows::new(&axis, 2);
            for (at, state) in states.iter().enumerate() {
                if *state < 2 {
                    rows.set(1, at, *state == 1);
                }
            }
            prop_assert_eq!(count_all(rows.observed(0)), 0);
            for calendar in 1..=12u32 {
                let months: Vec<usize> = axis.months().enumerate()
                    .filter(|(_, m)| m.calendar() == calendar).map(|(at, _)| at).collect();
                let wet = months.iter().filter(|at| states[**at] == 1).count() as u32;
                let seen = months.iter().filter(|at| states[**at] < 2).count() as u32;
                prop_assert_eq!(count(rows.wet(1), &masks.calendar[calendar as usize - 1]), wet);
                prop_assert_eq!(count(rows.observed(1), &masks.calendar[calendar as usize - 1]), seen);
            }
            for (year, mask) in &masks.years {
                let wet = axis.months().enumerate()
                    .filter(|(at, m)| m.year() == *year && states[*at] == 1).count() as u32;
                prop_assert_eq!(count(rows.wet(1), mask), wet);
            }
            for (at, state) in states.iter().enumerate() {
                prop_assert_eq!(bit(rows.observed(1), at), *state < 2);
                prop_assert_eq!(bit(rows.wet(1), at), *state == 1);
            }
        }
    }
}
