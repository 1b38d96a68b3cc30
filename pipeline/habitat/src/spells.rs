//! Spells of a record: the longest dry run, and how the second half of the record differs from the first.

use crate::record::Enough;
use crate::water::{Bits, Masks, bit, bridged, count, cut, fill_round_the_year};

/// Unobserved months in a row that a dry run may hold; more end it.
pub const GAP: usize = 2;

/// The longest run of months without water.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DryRun {
    /// From its first to its last dry month, unobserved months between them included.
    pub months: usize,
    /// Whether it begins or ends at months not seen or at an end of the record, so that it may have been longer.
    pub censored: bool,
}

/// The longest dry run; of equals one that is not censored. 0 months if no month was seen dry.
#[inline(always)]
pub fn longest_dry_run(observed: Bits, wet: Bits, months: usize) -> DryRun {
    let mut longest = DryRun { months: 0, censored: false };
    let words = observed.len();
    let mut dry = [0u64; MOST_WORDS];
    let mut runs = [0u64; MOST_WORDS];
    let Some((dry, runs)) = dry.get_mut(..words).zip(runs.get_mut(..words)) else {
        return longest_of_many(observed, wet, months);
    };
    for at in 0..words {
        dry[at] = observed[at] & !wet[at];
    }
    for (at, runs) in runs.iter_mut().enumerate() {
        *runs = bridged(dry, observed, at);
    }
    // every run begins and ends with a dry month, and a run under way is all ones
    let mut from = 0;
    while let Some(first) = next(runs, from, 0) {
        let end = next(runs, first, u64::MAX).unwrap_or(months);
        // what bounds a run is water, if anything was seen near enough: a dry month would belong to it
        let bounded = |near: u16| near & ((1 << (GAP + 1)) - 1) != 0;
        let before =
            if first > GAP { cut(observed, first - GAP - 1) } else { cut(observed, 0) & ((1 << first) - 1) };
        let run = DryRun { months: end - first, censored: !(bounded(before) && bounded(cut(observed, end))) };
        let longer = run.months > longest.months;
        if longer || (run.months == longest.months && longest.censored && !run.censored) {
            longest = run;
        }
        from = end;
    }
    longest
}

/// Words of a record that is looked at without taking memory: 85 years.
const MOST_WORDS: usize = 16;

/// As [`longest_dry_run`], for a longer record.
#[cold]
fn longest_of_many(observed: Bits, wet: Bits, months: usize) -> DryRun {
    let mut longest = DryRun { months: 0, censored: false };
    let mut keep = |run: DryRun| {
        let longer = run.months > longest.months;
        if longer || (run.months == longest.months && longest.censored && !run.censored) {
            longest = run;
        }
    };
    // first and last dry month of the run under way, and whether its beginning was seen
    let mut run: Option<(usize, usize, bool)> = None;
    let mut gap = usize::MAX;
    for at in 0..months {
        if !bit(observed, at) {
            gap = gap.saturating_add(1);
            if gap > GAP
                && let Some((first, last, _)) = run.take()
            {
                keep(DryRun { months: last - first + 1, censored: true });
            }
            continue;
        }
        if bit(wet, at) {
            if let Some((first, last, seen)) = run.take() {
                keep(DryRun { months: last - first + 1, censored: !seen });
            }
        } else {
            run = match run {
                Some((first, _, seen)) => Some((first, at, seen)),
                // a run that follows a wet month, but for a short gap, has a known beginning
                None => Some((at, at, gap <= GAP)),
            };
        }
        gap = 0;
    }
    if let Some((first, last, _)) = run {
        keep(DryRun { months: last - first + 1, censored: true });
    }
    longest
}

/// The first month from `from` on that is set, where `turned` is 0, or not set, where it is all ones.
#[inline(always)]
fn next(bits: Bits, from: usize, turned: u64) -> Option<usize> {
    let mut at = from / 64;
    let mut word = (bits.get(at)? ^ turned) & (u64::MAX << (from % 64));
    while word == 0 {
        at += 1;
        word = bits.get(at)? ^ turned;
    }
    Some(64 * at + word.trailing_zeros() as usize)
}

/// Hydroperiod of the second half of the years minus that of the first, months per year; `None` unless each half has half the
/// observed months and all the calendar months that a record needs.
#[inline(always)]
pub fn half_change(observed: Bits, wet: Bits, masks: &Masks, enough: Enough) -> Option<f64> {
    if masks.years.is_empty() {
        return None;
    }
    let both = |bits: Bits, half: &[u64], mask: &[u64]| -> u32 {
        bits.iter().zip(half.iter().zip(mask)).map(|(b, (h, m))| (b & h & m).count_ones()).sum()
    };
    let hydroperiod = |half: &[u64]| {
        let seen = count(observed, half);
        let shares: [Option<f64>; 12] = std::array::from_fn(|m| {
            let n = both(observed, half, &masks.calendar[m]);
            (n > 0).then(|| f64::from(both(wet, half, &masks.calendar[m])) / f64::from(n))
        });
        let calendar_months = shares.iter().flatten().count() as u32;
        let sufficient = 2 * seen >= enough.months && calendar_months >= enough.calendar_months;
        fill_round_the_year(&shares).filter(|_| sufficient).map(|filled| filled.iter().sum::<f64>())
    };
    Some(hydroperiod(&masks.halves[1])? - hydroperiod(&masks.halves[0])?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::{BitRows, MonthAxis};
    use proptest::prelude::*;

    fn rows(states: &[u8]) -> (MonthAxis, BitRows) {
        let axis = MonthAxis { first: "1990-01".parse().unwrap(), len: states.len() };
        let mut rows = BitRows::new(&axis, 1);
        for (at, state) in states.iter().enumerate().filter(|(_, s)| **s < 2) {
            rows.set(0, at, *state == 1);
        }
        (axis, rows)
    }

    /// `#` wet, `.` dry, `?` not seen.
    fn dry_run(record: &str) -> (usize, bool) {
        let states: Vec<u8> = record
            .bytes()
            .map(|b| match b {
                b'#' => 1,
                b'.' => 0,
                _ => 2,
            })
            .collect();
        let (_, rows) = rows(&states);
        let run = longest_dry_run(rows.observed(0), rows.wet(0), states.len());
        (run.months, run.censored)
    }

    #[test]
    fn runs_by_hand() {
        assert_eq!(dry_run("#...#"), (3, false));
        assert_eq!(dry_run("#..??.#"), (5, false));
        assert_eq!(dry_run("#..???.#"), (2, true));
        assert_eq!(dry_run("#??..#"), (2, false));
        assert_eq!(dry_run("#???..#"), (2, true));
        assert_eq!(dry_run("....#..#"), (4, true));
        assert_eq!(dry_run("#..?"), (2, true));
        assert_eq!(dry_run("..#..#"), (2, false));
        assert_eq!(dry_run("####"), (0, false));
        assert_eq!(dry_run("????"), (0, false));
        assert_eq!(dry_run("............"), (12, true));
    }

    #[test]
    fn halves_by_hand() {
        // ten years: six wet months a year, then four
        let states: Vec<u8> = (0..120).map(|t| u8::from(t % 12 < if t < 60 { 6 } else { 4 })).collect();
        let (axis, rows) = rows(&states);
        let enough = Enough { months: 24, calendar_months: 6 };
        let masks = Masks::new(&axis);
        let change = half_change(rows.observed(0), rows.wet(0), &masks, enough);
        assert_eq!(change, Some(-2.0));
        let short = Enough { months: 121, calendar_months: 6 };
        assert_eq!(half_change(rows.observed(0), rows.wet(0), &masks, short), None);
    }

    /// The same by looking at every pair of months: a run is a stretch that starts and ends dry, holds no wet
    /// month and no gap longer than allowed.
    fn slow(states: &[u8]) -> (usize, bool) {
        let n = states.len();
        let mut best = (0, false);
        for first in 0..n {
            for last in first..n {
                let part = &states[first..=last];
                let gap = part.split(|s| *s < 2).map(<[u8]>::len).max().unwrap_or(0);
                if states[first] != 0 || states[last] != 0 || part.contains(&1) || gap > GAP {
                    continue;
                }
                // can it grow, or is it bounded by water that was seen?
                let bound = |side: Vec<u8>| {
                    let hidden = side.iter().take_while(|s| **s == 2).count();
                    match side.get(hidden) {
                        _ if hidden > GAP => Some(false),
                        None => Some(false),
                        Some(1) => Some(true),
                        Some(_) => None,
                    }
                };
                let before = bound(states[..first].iter().rev().copied().collect());
                let after = bound(states[last + 1..].to_vec());
                let (Some(before), Some(after)) = (before, after) else { continue };
                let censored = !(before && after);
                let length = last - first + 1;
                if length > best.0 || (length == best.0 && best.1 && !censored) {
                    best = (length, censored);
                }
            }
        }
        best
    }

    proptest! {
        #[test]
        fn dry_runs_equal_a_plain_search(states in prop::collection::vec(0u8..3, 1..60)) {
            let (_, rows) = rows(&states);
            let run = longest_dry_run(rows.observed(0), rows.wet(0), states.len());
            prop_assert_eq!((run.months, run.censored), slow(&states));
        }

        #[test]
        fn words_equal_months(states in prop::collection::vec(0u8..12, 1..1300), sparse in any::<bool>()) {
            // mostly dry, now and then wet or not seen, so that runs cross words
            let states: Vec<u8> = states.iter().map(|s| if sparse { s.saturating_sub(9) } else { s % 3 }).collect();
            let (_, rows) = rows(&states);
            let (observed, wet) = (rows.observed(0), rows.wet(0));
            prop_assert_eq!(longest_dry_run(observed, wet, states.len()), longest_of_many(observed, wet, states.len()));
        }
    }
}
