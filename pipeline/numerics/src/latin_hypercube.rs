//! Latin hypercube samples: McKay, Beckman and Conover 1979, Technometrics 21:239-245.

use crate::seed::{hash64, unit};

/// A sample of `members` points in `dimensions` dimensions, by member: each dimension is cut into as many equal parts as
/// there are members, and each part holds one of them, anywhere in it. Numbers lie in (0, 1).
///
/// Numbers depend on the seed, the dimension and the number of members only, so that more dimensions leave the others as they were.
///
/// ```
/// use lentic_numerics::latin_hypercube::latin_hypercube;
/// let sample = latin_hypercube(4, 2, 1);
/// let mut parts: Vec<usize> = sample.iter().map(|point| (point[1] * 4.0) as usize).collect();
/// parts.sort();
/// assert_eq!(parts, [0, 1, 2, 3]);
/// ```
pub fn latin_hypercube(members: usize, dimensions: usize, seed: u64) -> Vec<Vec<f64>> {
    let mut sample = vec![Vec::with_capacity(dimensions); members];
    for dimension in 0..dimensions as u64 {
        // numbers of one dimension: an order of the parts, and a place within each
        let own = hash64(seed, 0x006c_6174_696e, dimension);
        let mut order: Vec<usize> = (0..members).collect();
        order.sort_by_key(|part| (hash64(own, 0, *part as u64), *part));
        for (point, part) in sample.iter_mut().zip(order) {
            // the middle of a step of 2^-53, so that neither 0 nor 1 comes out
            let within = unit(hash64(own, 1, part as u64)) + 0.5 / (1u64 << 53) as f64;
            point.push(((part as f64 + within) / members as f64).min(1.0 - f64::EPSILON));
        }
    }
    sample
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean(values: &[f64]) -> f64 {
        values.iter().sum::<f64>() / values.len() as f64
    }

    #[test]
    fn every_part_of_every_dimension_holds_one() {
        for members in [1, 2, 7, 200] {
            let sample = latin_hypercube(members, 5, 3);
            for dimension in 0..5 {
                let mut parts: Vec<usize> =
                    sample.iter().map(|point| (point[dimension] * members as f64).floor() as usize).collect();
                parts.sort();
                assert_eq!(parts, (0..members).collect::<Vec<_>>());
            }
        }
    }

    #[test]
    fn dimensions_are_unrelated_and_more_change_nothing() {
        let sample = latin_hypercube(1000, 3, 3);
        let wider = latin_hypercube(1000, 9, 3);
        assert!(sample.iter().zip(&wider).all(|(a, b)| a[..] == b[..3]));
        let of = |d: usize| -> Vec<f64> { sample.iter().map(|p| p[d] - 0.5).collect() };
        let product: Vec<f64> = of(0).iter().zip(of(1)).map(|(a, b)| 12.0 * a * b).collect();
        // correlation of 1000 unrelated pairs: standard error 0.032; four of them
        assert!(mean(&product).abs() < 0.127);
        assert_ne!(latin_hypercube(10, 1, 3), latin_hypercube(10, 1, 4));
    }

    #[test]
    fn a_sum_is_known_far_better_than_by_chance() {
        // The mean of a sum of three: by chance its error is 0.5 / sqrt(n); stratified it falls with n^-1.5 (Stein 1987,
        // Technometrics 29:143-151).
        let sums: Vec<f64> = latin_hypercube(400, 3, 11).iter().map(|p| p.iter().sum()).collect();
        assert!((mean(&sums) - 1.5).abs() < 0.002);
    }
}
