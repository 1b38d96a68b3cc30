//! Draws the years of a cell, from the hash of its place and the probability of water in each month.

use super::Tally;
use super::plan::{Span, YearPlan};
use crate::response::{Beta, Design};
use lentic_numerics::season::Block;
use lentic_numerics::seed::{hash64, split_mix};
use lentic_study::settings::Measure;

/// A probability is compared as a count of 2^-32.
const UNITS: f64 = 4_294_967_296.0;

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
    pub(super) fn probabilities(&self, design: &Design, blocks: &[Block], p: &mut Vec<f64>) {
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
pub(super) fn units(probability: f64) -> u64 {
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
pub(super) fn draw(key: u64, first: u64, keep: u64, limits: &[u64], bits: &mut Vec<u64>) {
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
