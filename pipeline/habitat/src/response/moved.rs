//! Months and hydroperiod of a cell whose level has moved: in every month the lowest, or the highest, of several responses holds.

use super::trust::CovarianceRoot;
use super::{Beta, Design};
use crate::drawdown::curve::Bound;
use lentic_numerics::portable::{inverse_logit, wide};
use lentic_numerics::season::{BLOCK, Block, base};

impl Design {
    /// Logits of the months of the blocks: the lowest or highest under any of `responses`, with `shift` added. NaN without a response.
    pub fn bounded_logits(&self, responses: &[Beta], bound: Bound, shift: f64, logits: &mut Vec<Block>) {
        logits.clear();
        logits.resize(self.z.len(), [f64::NAN; BLOCK]);
        for beta in responses {
            let base = base(beta, &self.months.season, shift);
            for (held, z) in logits.iter_mut().zip(&self.z) {
                for at in 0..BLOCK {
                    let logit = base[at] + beta[1] * z[at];
                    // of NaN and a number, both take the number
                    held[at] = match bound {
                        Bound::Lowest => held[at].min(logit),
                        Bound::Highest => held[at].max(logit),
                    };
                }
            }
        }
    }

    /// Expected hydroperiod, months per year, of these logits of the blocks.
    pub fn hydroperiod_of(&self, logits: &[Block]) -> f64 {
        self.year(logits.iter().copied())
    }

    /// As [`Design::hydroperiod_with_sd`], of these logits of the blocks. What moved them is taken as known.
    pub fn hydroperiod_with_sd_of(&self, logits: &[Block], root: &CovarianceRoot) -> (f64, f64) {
        self.year_with_sd(logits.iter().copied(), root)
    }

    /// Probabilities of these logits of the blocks.
    pub fn probabilities_of(&self, logits: &[Block], p: &mut Vec<Block>) {
        p.resize(logits.len(), [0.0; BLOCK]);
        wide(
            #[inline(always)]
            || {
                for (p, logits) in p.as_flattened_mut().iter_mut().zip(logits.as_flattened()) {
                    *p = inverse_logit(*logits);
                }
            },
        );
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{axis, waves};
    use super::*;

    const WETTER: Beta = [0.9, 0.4, 0.2, -0.5];
    const DRIER: Beta = [-0.6, 1.3, 0.2, -0.5];

    #[test]
    fn one_response_is_itself() {
        let design = Design::new(&axis(), &waves());
        let mut logits = Vec::new();
        for bound in [Bound::Lowest, Bound::Highest] {
            design.bounded_logits(&[DRIER], bound, 0.3, &mut logits);
            assert_eq!(design.hydroperiod_of(&logits).to_bits(), design.hydroperiod(&DRIER, 0.3).to_bits());
            let root = CovarianceRoot([0.3, 0.1, 0.2, 0.0, 0.1, 0.4, 0.1, 0.0, 0.2, 0.3]);
            let both = design.hydroperiod_with_sd_of(&logits, &root);
            assert_eq!(both, design.hydroperiod_with_sd(&DRIER, 0.3, &root));
        }
    }

    /// The two cross: in wet months the one with the steeper slope is the wetter.
    #[test]
    fn every_month_takes_its_own_bound() {
        let design = Design::new(&axis(), &waves());
        let of = |responses: &[Beta], bound| {
            let mut logits = Vec::new();
            design.bounded_logits(responses, bound, 0.0, &mut logits);
            (design.hydroperiod_of(&logits), logits)
        };
        let both = [WETTER, DRIER];
        let (lowest, low) = of(&both, Bound::Lowest);
        let (highest, high) = of(&both, Bound::Highest);
        let (wetter, _) = of(&[WETTER], Bound::Lowest);
        let (drier, _) = of(&[DRIER], Bound::Lowest);
        assert!(lowest < wetter.min(drier) && highest > wetter.max(drier));
        assert!((lowest + highest - wetter - drier).abs() < 1e-12);
        for (month, (low, high)) in design.months().zip(design.of_months(&low).zip(design.of_months(&high))) {
            let gap = (WETTER[0] - DRIER[0] + (WETTER[1] - DRIER[1]) * month.z).abs();
            assert!((high - low - gap).abs() < 1e-12);
        }
        assert!(of(&[], Bound::Lowest).0.is_nan());
    }
}
