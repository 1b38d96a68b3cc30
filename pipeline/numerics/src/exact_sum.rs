//! A sum of `f64` that does not depend on the order of its terms.
//!
//! Adding floating-point numbers in another order changes the last digits, so a total gathered from
//! tiles or threads would change with the schedule. Here every term is turned into fixed point (an
//! integer count of 2^-60) and integers are added, which is exact and commutes.

use serde::{Deserialize, Serialize};

/// 2^60: one unit of the fixed-point total is 2^-60, about 8.7e-19.
const SCALE: f64 = (1u64 << 60) as f64;

/// The sum of the sizes of all terms must stay below this.
pub const LIMIT: f64 = 1e20;

/// [`LIMIT`] in units of 2^-60.
const LIMIT_UNITS: u128 = 100_000_000_000_000_000_000u128 << 60;

/// An order-independent sum. Each term is rounded to the nearest 2^-60 (absolute, not relative).
///
/// A term that is not finite, or sizes of terms that together reach [`LIMIT`], spoil the sum: from then
/// on [`value`](Self::value) is `None`. Whether a sum is spoilt does not depend on order either.
///
/// ```
/// use lentic_numerics::exact_sum::ExactSum;
/// let mut sum = ExactSum::default();
/// for term in [1e16, 1.0, -1e16] {
///     sum.add(term);
/// }
/// assert_eq!(sum.value(), Some(1.0)); // plain f64 addition gives 0
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ExactSum {
    total: i128,
    /// Sum of absolute terms: a running total may pass the range and come back, this cannot.
    size: u128,
    spoilt: bool,
}

impl ExactSum {
    /// Adds one term.
    pub fn add(&mut self, term: f64) {
        if !term.is_finite() || term.abs() >= LIMIT {
            self.spoilt = true;
            return;
        }
        // Scaling by a power of two is exact; only the rounding to an integer can lose digits.
        let units = (term * SCALE).round_ties_even() as i128;
        self.total = self.total.wrapping_add(units);
        self.size = self.size.saturating_add(units.unsigned_abs());
    }

    /// Adds all terms of another sum.
    pub fn merge(&mut self, other: &ExactSum) {
        self.total = self.total.wrapping_add(other.total);
        self.size = self.size.saturating_add(other.size);
        self.spoilt |= other.spoilt;
    }

    /// The total, rounded once to `f64`; `None` if the sum is spoilt. The empty sum is 0.
    pub fn value(&self) -> Option<f64> {
        (!self.spoilt && self.size < LIMIT_UNITS).then(|| self.total as f64 / SCALE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sum_of(terms: &[f64]) -> ExactSum {
        let mut sum = ExactSum::default();
        terms.iter().for_each(|t| sum.add(*t));
        sum
    }

    #[test]
    fn small_terms_survive_large_ones() {
        assert_eq!(sum_of(&[1e16, 1.0, -1e16]).value(), Some(1.0));
        assert_eq!(sum_of(&[]).value(), Some(0.0));
        // Python 3.11: math.fsum([0.1] * 10) == 1.0, while adding in turn gives 0.9999999999999999.
        assert_eq!(sum_of(&[0.1; 10]).value(), Some(1.0));
    }

    #[test]
    fn terms_that_cannot_be_added_spoil_the_sum() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e20, -1e20] {
            assert_eq!(sum_of(&[1.0, bad]).value(), None, "{bad}");
        }
        // The total would fit again, but would it do so in every order?
        assert_eq!(sum_of(&[6e19, 6e19, -6e19]).value(), None);
        let mut spoilt = sum_of(&[f64::NAN]);
        spoilt.merge(&sum_of(&[1.0]));
        assert_eq!(spoilt.value(), None);
    }

    proptest! {
        #[test]
        fn order_and_grouping_do_not_matter(terms in prop::collection::vec(-1e9f64..1e9, 0..60), cut in 0usize..60) {
            let whole = sum_of(&terms);
            let backwards: Vec<f64> = terms.iter().rev().copied().collect();
            prop_assert_eq!(whole, sum_of(&backwards));
            let cut = cut.min(terms.len());
            let mut parts = sum_of(&terms[cut..]);
            parts.merge(&sum_of(&terms[..cut]));
            prop_assert_eq!(whole, parts);
            let plain: f64 = terms.iter().sum();
            prop_assert!((whole.value().unwrap() - plain).abs() <= 1e-4);
        }
    }
}
