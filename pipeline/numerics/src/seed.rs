//! Reproducible pseudo-random numbers that belong to a place, not to a moment.
//!
//! A number drawn for a cell must be the same whatever thread, tile or machine draws it, so it is computed
//! from (seed, cell, member) instead of being taken from a running stream.

/// Step of SplitMix64: the odd integer nearest to 2^64 divided by the golden ratio.
const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

/// One output of SplitMix64 from state `state`: Steele, Lea and Flood 2014, "Fast splittable pseudorandom
/// number generators", OOPSLA 2014, doi:10.1145/2660193.2660195 (mixing constants of Stafford's variant 13).
pub fn split_mix(state: u64) -> u64 {
    let mut z = state.wrapping_add(STEP);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A number from 64 random bits for (`seed`, `a`, `b`), for example (study seed, cell, member): each part is
/// mixed in through [`split_mix`] in turn, so that swapped or neighbouring parts give unrelated numbers.
pub fn hash64(seed: u64, a: u64, b: u64) -> u64 {
    split_mix(split_mix(split_mix(seed) ^ a) ^ b)
}

/// The upper 53 bits as a number in [0, 1).
pub fn unit(bits: u64) -> f64 {
    (bits >> 11) as f64 / (1u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stream_of_seed_1234567() {
        // First five outputs of SplitMix64 for seed 1234567, widely reprinted; from memory.
        let expected = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        for (i, value) in expected.into_iter().enumerate() {
            let state = 1_234_567u64.wrapping_add(STEP.wrapping_mul(i as u64));
            assert_eq!(split_mix(state), value);
        }
    }

    #[test]
    fn parts_are_told_apart() {
        let base = hash64(1, 2, 3);
        for other in [hash64(1, 3, 2), hash64(2, 1, 3), hash64(1, 2, 4), hash64(0, 2, 3)] {
            assert_ne!(base, other);
        }
    }

    #[test]
    fn neighbouring_cells_give_even_numbers() {
        // Mean 1/2 and variance 1/12 of a uniform number; 5 standard errors at n = 100,000.
        let n = 100_000u64;
        let draws: Vec<f64> = (0..n).map(|cell| unit(hash64(7, cell, 0))).collect();
        let mean = draws.iter().sum::<f64>() / n as f64;
        let variance = draws.iter().map(|u| (u - mean).powi(2)).sum::<f64>() / n as f64;
        let lag = draws.windows(2).map(|w| (w[0] - 0.5) * (w[1] - 0.5)).sum::<f64>() / n as f64;
        assert!((mean - 0.5).abs() < 5.0 * (1.0f64 / 12.0 / n as f64).sqrt());
        assert!((variance - 1.0 / 12.0).abs() < 5.0 * (1.0f64 / 180.0 / n as f64).sqrt());
        assert!(lag.abs() < 5.0 / 12.0 / (n as f64).sqrt());
        assert_eq!(unit(0), 0.0);
        assert!(unit(u64::MAX) < 1.0);
    }
}
