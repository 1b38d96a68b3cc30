//! Seeded draws and smooth noise. Every purpose has its own stream, so that one more draw in one place
//! changes nothing elsewhere.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream of draws is for; the number is the ChaCha stream.
#[derive(Clone, Copy)]
pub(super) enum Purpose {
    Relief = 1,
    Places = 2,
    Beds = 3,
    Weather = 4,
    LandCover = 5,
    Records = 6,
    Gaps = 7,
    /// One stream per month from here on.
    Sky = 1000,
}

/// A stream of draws.
pub(super) struct Draws(ChaCha8Rng);

impl Draws {
    /// The stream of a purpose, `part` apart (0 where there is one part only).
    pub(super) fn new(seed: u64, purpose: Purpose, part: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(purpose as u64 + part);
        Draws(rng)
    }

    /// Uniform in [0, 1), 53 bits.
    pub(super) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform between two numbers.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number from 0 to `count` - 1.
    pub(super) fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// Standard normal (Box and Muller 1958).
    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// Smooth noise in [-1, 1]: random values on a coarse lattice, joined by smooth steps.
pub(super) struct Noise {
    octaves: Vec<Lattice>,
}

struct Lattice {
    step: f64,
    columns: usize,
    weight: f64,
    values: Vec<f32>,
}

impl Noise {
    /// Noise for `rows` x `cols` cells; the longest wave is `wave` cells, each further octave half as long
    /// and half as strong.
    pub(super) fn new(draws: &mut Draws, rows: usize, cols: usize, wave: f64, octaves: u32) -> Self {
        let total: f64 = (0..octaves).map(|o| 0.5f64.powi(o as i32)).sum();
        let octaves = (0..octaves)
            .map(|octave| {
                let step = (wave * 0.5f64.powi(octave as i32)).max(1.0);
                let lines = (rows as f64 / step) as usize + 2;
                let columns = (cols as f64 / step) as usize + 2;
                let values = (0..lines * columns).map(|_| draws.between(-1.0, 1.0) as f32).collect();
                Lattice { step, columns, weight: 0.5f64.powi(octave as i32) / total, values }
            })
            .collect();
        Noise { octaves }
    }

    /// The noise at a cell.
    pub(super) fn at(&self, row: usize, col: usize) -> f64 {
        self.octaves.iter().map(|o| o.weight * o.at(row, col)).sum()
    }
}

impl Lattice {
    fn at(&self, row: usize, col: usize) -> f64 {
        let (line, down) = split(row as f64 / self.step);
        let (column, across) = split(col as f64 / self.step);
        let corner = |l: usize, c: usize| f64::from(self.values[(line + l) * self.columns + column + c]);
        let top = corner(0, 0) + (corner(0, 1) - corner(0, 0)) * across;
        let bottom = corner(1, 0) + (corner(1, 1) - corner(1, 0)) * across;
        top + (bottom - top) * down
    }
}

fn split(position: f64) -> (usize, f64) {
    let whole = position.floor();
    let part = position - whole;
    (whole as usize, part * part * (3.0 - 2.0 * part))
}
