//! The mean fall of the index over the wet months of a cell.

use lentic_habitat::water::Bits;
use lentic_numerics::portable::wide;

/// Months added up side by side.
const LANES: usize = 8;

/// Falls of z of one climate by month of the axis, in words as bits have them.
pub(super) struct Falls {
    /// 0 where there is none.
    by_month: Vec<[f64; 64]>,
    known: Vec<u64>,
}

impl Falls {
    /// Falls by position on the axis.
    pub fn new(falls: &[(usize, f64)]) -> Self {
        let words = falls.iter().map(|(at, _)| at / 64 + 1).max().unwrap_or(0);
        let (mut by_month, mut known) = (vec![[0.0; 64]; words], vec![0u64; words]);
        for (at, fall) in falls {
            by_month[at / 64][at % 64] = *fall;
            known[at / 64] |= 1 << (at % 64);
        }
        Falls { by_month, known }
    }

    /// Mean over the wet months of a cell that have a fall; 0 without any.
    pub fn mean(&self, wet: Bits) -> f64 {
        wide(
            #[inline(always)]
            || {
                let (mut sums, mut n) = ([0.0; LANES], 0);
                for (falls, bits) in self.by_month.iter().zip(self.known.iter().zip(wet).map(|(k, w)| k & w))
                {
                    n += bits.count_ones();
                    for (at, falls) in falls.as_chunks::<LANES>().0.iter().enumerate() {
                        for (lane, sum) in sums.iter_mut().enumerate() {
                            let is_wet = bits >> (LANES * at + lane) & 1 == 1;
                            *sum += if is_wet { falls[lane] } else { 0.0 };
                        }
                    }
                }
                if n == 0 { 0.0 } else { sums.iter().sum::<f64>() / f64::from(n) }
            },
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn equal_to_a_plain_loop(months in prop::collection::vec((any::<bool>(), any::<bool>(), -3.0f64..3.0), 0..400)) {
            let mut wet = vec![0u64; months.len().div_ceil(64)];
            for (at, _) in months.iter().enumerate().filter(|(_, (is_wet, ..))| *is_wet) {
                wet[at / 64] |= 1 << (at % 64);
            }
            let falls: Vec<(usize, f64)> =
                months.iter().enumerate().filter(|(_, (_, known, _))| *known).map(|(at, (.., fall))| (at, *fall)).collect();
            let of_wet: Vec<f64> = falls.iter().filter(|(at, _)| months[*at].0).map(|(_, fall)| *fall).collect();
            let mean = if of_wet.is_empty() { 0.0 } else { of_wet.iter().sum::<f64>() / of_wet.len() as f64 };
            prop_assert!((Falls::new(&falls).mean(&wet) - mean).abs() < 1e-12);
        }
    }
}
