//! Deterministic changes of seeds: what a fuzzer does blindly, without a fuzzer.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Bytes that often stand where something begins, ends or overflows.
const TELLING: [&[u8]; 22] = [
    b"\0",
    b"\r",
    b"\n",
    b"\"",
    b"'''",
    b"[[",
    b"]",
    b"{",
    b"}",
    b",",
    b";",
    b"=",
    b"*",
    b"..",
    b"\xff\xfe",
    b"\xc3",
    b"\xef\xbb\xbf",
    b"nan",
    b"1e999",
    b"-9223372036854775808",
    b"18446744073709551616",
    b"0.0000000000000000000000000000001",
];

/// Changed copies of seeds, the same each time.
pub struct Changes<'a> {
    seeds: &'a [Vec<u8>],
    random: ChaCha8Rng,
}

impl<'a> Changes<'a> {
    /// Of these seeds, at least one.
    pub fn new(seeds: &'a [Vec<u8>], seed: u64) -> Self {
        assert!(!seeds.is_empty());
        Changes { seeds, random: ChaCha8Rng::seed_from_u64(seed) }
    }

    /// A number below `limit`; 0 for a limit of 0.
    fn below(&mut self, limit: usize) -> usize {
        (self.random.next_u64() % limit.max(1) as u64) as usize
    }

    /// A piece of some seed, at most `most` bytes.
    fn piece(&mut self, most: usize) -> Vec<u8> {
        let seeds = self.seeds;
        let seed = &seeds[self.below(seeds.len())];
        let start = self.below(seed.len());
        let end = (start + self.below(most)).min(seed.len());
        seed[start..end].to_vec()
    }

    /// The next one: a seed with one to six changes.
    pub fn next_bytes(&mut self) -> Vec<u8> {
        let seeds = self.seeds;
        let mut bytes = seeds[self.below(seeds.len())].clone();
        for _ in 0..=self.below(6) {
            self.change(&mut bytes);
        }
        bytes
    }

    fn change(&mut self, bytes: &mut Vec<u8>) {
        let at = self.below(bytes.len());
        match self.below(8) {
            0 if !bytes.is_empty() => bytes[at] ^= 1 << self.below(8),
            1 => bytes.truncate(at),
            2 => {
                let end = (at + self.below(40)).min(bytes.len());
                bytes.drain(at..end);
            }
            3 => {
                let piece = self.piece(60);
                bytes.splice(at..at, piece);
            }
            4 => {
                let piece = self.piece(60);
                let end = (at + piece.len()).min(bytes.len());
                bytes.splice(at..end, piece);
            }
            5 => self.change_number(bytes, at),
            6 => {
                // a line moved to another place
                let start = bytes[..at].iter().rposition(|b| *b == b'\n').map_or(0, |before| before + 1);
                let end = bytes[at..].iter().position(|b| *b == b'\n').map_or(bytes.len(), |n| at + n + 1);
                let line: Vec<u8> = bytes.drain(start..end).collect();
                let to = self.below(bytes.len());
                bytes.splice(to..to, line);
            }
            _ => bytes.splice(at..at, TELLING[self.below(TELLING.len())].iter().copied()).for_each(drop),
        }
    }

    /// Another number in place of the next one.
    fn change_number(&mut self, bytes: &mut Vec<u8>, at: usize) {
        let numeric = |b: &u8| b.is_ascii_digit() || *b == b'.' || *b == b'-';
        let Some(start) = bytes[at..].iter().position(numeric).map(|n| at + n) else { return };
        let end = bytes[start..].iter().position(|b| !numeric(b)).map_or(bytes.len(), |n| start + n);
        let other: &[&[u8]] =
            &[b"0", b"-1", b"1e308", b"0.5", b"4294967296", b"13", b"-0.0", b"nan", b"1", b"99999"];
        let other = other[self.below(other.len())].to_vec();
        bytes.splice(start..end, other);
    }
}
