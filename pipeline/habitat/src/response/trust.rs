//! What the fit of one cell is worth: how far its coefficients and its hydroperiod may be off, and what it saves against
//! the calendar.

use super::{Beta, Design, Months};
use lentic_numerics::logistic::Fit;
use lentic_numerics::portable::{inverse_logit, wide};
use lentic_numerics::season::{BLOCK, Block, MONTHS, base, by_calendar};

/// Lower triangle L of the covariance of a cell's coefficients, L L' = covariance, row by row: aa, ba, bb, ca, cb, cc, da, db,
/// dc, dd. The covariance is the inverse of the weighted, penalised Hessian at the fit; row and column of b are 0 where b is
/// held at 0. All NaN where it is not known.
///
/// A draw of the cell is its estimate plus L u with standard-normal u.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CovarianceRoot(pub [f32; 10]);

/// Where row `k` begins.
const fn row_of(k: usize) -> usize {
    k * (k + 1) / 2
}

impl CovarianceRoot {
    /// Not known.
    pub const UNKNOWN: CovarianceRoot = CovarianceRoot([f32::NAN; 10]);

    /// Of a fit.
    pub fn of(fit: &Fit<4>) -> Self {
        let Some(lower) = fit.cholesky() else { return CovarianceRoot::UNKNOWN };
        let mut packed = [0.0; 10];
        for (k, row) in lower.iter().enumerate() {
            for (to, from) in packed[row_of(k)..].iter_mut().zip(&row[..=k]) {
                *to = *from as f32;
            }
        }
        CovarianceRoot(packed)
    }

    fn row(&self, k: usize) -> &[f32] {
        &self.0[row_of(k)..row_of(k + 1)]
    }

    /// Standard deviation of coefficient `k` (0 a ... 3 d); 0 for b held at 0.
    pub fn sd(&self, k: usize) -> f64 {
        self.row(k).iter().map(|l| f64::from(*l).powi(2)).sum::<f64>().sqrt()
    }

    /// L u.
    pub fn times(&self, u: &[f64; 4]) -> Beta {
        std::array::from_fn(|k| self.row(k).iter().zip(u).map(|(l, u)| f64::from(*l) * u).sum())
    }

    /// Standard deviation of a sum of coefficients with these weights.
    fn sd_along(&self, weights: &Beta) -> f64 {
        // L' weights
        let across = |at: usize| -> f64 { (at..4).map(|k| weights[k] * f64::from(self.row(k)[at])).sum() };
        (0..4).map(|at| across(at).powi(2)).sum::<f64>().sqrt()
    }
}

impl Design {
    /// Expected hydroperiod as [`Design::hydroperiod`], and its standard deviation by the delta method: the square root of
    /// G' S G, G its slope on the coefficients, S their covariance. Errors of `shift` are not in it.
    pub fn hydroperiod_with_sd(&self, beta: &Beta, shift: f64, root: &CovarianceRoot) -> (f64, f64) {
        let base = base(beta, &self.months.season, shift);
        let z = self.z.iter();
        self.year_with_sd(
            z.map(
                #[inline(always)]
                |z| std::array::from_fn(|at| base[at] + beta[1] * z[at]),
            ),
            root,
        )
    }

    /// Hydroperiod and its standard deviation of the logits of the blocks.
    #[inline(always)]
    pub(super) fn year_with_sd(
        &self,
        logits: impl Iterator<Item = Block>,
        root: &CovarianceRoot,
    ) -> (f64, f64) {
        let [sums, bends, bends_z] = wide(
            #[inline(always)]
            || {
                let (mut sums, mut bends, mut bends_z) = ([0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK]);
                for ((logits, z), is_month) in logits.zip(&self.z).zip(&self.months.is_month) {
                    for at in 0..BLOCK {
                        let p = inverse_logit(logits[at]);
                        let one = is_month[at] * p;
                        let bend = one * (1.0 - p);
                        sums[at] += one;
                        bends[at] += bend;
                        bends_z[at] += bend * z[at];
                    }
                }
                [by_calendar(&sums), by_calendar(&bends), by_calendar(&bends_z)]
            },
        );
        let season = &self.months.season;
        let slope = [
            self.of_calendar(&bends),
            self.of_calendar(&bends_z),
            self.of_calendar(&std::array::from_fn(|m| bends[m] * season[m][0])),
            self.of_calendar(&std::array::from_fn(|m| bends[m] * season[m][1])),
        ];
        (self.of_calendar(&sums), root.sd_along(&slope))
    }

    /// Share of the Brier score of the cell's own calendar-month means that coefficients `beta` save, over the months they were
    /// fitted on: 1 - sum (y - p)^2 / sum (y - mean)^2. `None` where those means are never wrong.
    ///
    /// In sample: twelve means have more freedom than four coefficients, so that the share is on the low side; years left out are
    /// judged by [`super::Groups::quality`].
    pub fn brier_saved(&self, beta: &Beta, months: &Months) -> Option<f64> {
        let base = base(beta, &self.months.season, 0.0);
        let [own, wet, seen] = wide(
            #[inline(always)]
            || {
                let (mut own, mut wet, mut seen) = ([0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK]);
                let rows = self.z.iter().zip(months.trials.iter().zip(&months.successes));
                for (z, (trials, successes)) in rows {
                    for at in 0..BLOCK {
                        let off = inverse_logit(base[at] + beta[1] * z[at]) - successes[at];
                        own[at] += trials[at] * (off * off);
                        wet[at] += successes[at];
                        seen[at] += trials[at];
                    }
                }
                [by_calendar(&own), by_calendar(&wet), by_calendar(&seen)]
            },
        );
        let own: f64 = own.iter().sum();
        let by_calendar: [(f64, f64); MONTHS] = std::array::from_fn(|m| (wet[m], seen[m]));
        // of states 0 and 1 about their mean w/n: w - w^2/n
        let spread = |(wet, seen): &(f64, f64)| if *seen > 0.0 { wet - wet * wet / seen } else { 0.0 };
        let calendar: f64 = by_calendar.iter().map(spread).sum();
        (calendar > 0.0).then(|| 1.0 - own / calendar)
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SPREADS, axis, drawn, waves};
    use super::super::{Groups, SampleCell};
    use super::*;

    fn one(design: &Design, beta: Beta) -> (Fit<4>, Months) {
        let sample: Vec<SampleCell> = (0..40).map(|c| drawn(design, &beta, c)).collect();
        let groups = Groups::fit(std::slice::from_ref(design), &axis(), &sample, SPREADS).unwrap();
        let mut months = Months::default();
        let cell = &sample[0];
        let fit = groups.fit_cell_whole(design, &cell.observed, &cell.wet, (Some(1), f64::NAN), &mut months);
        (fit, months)
    }

    #[test]
    fn the_root_multiplies_back_to_the_covariance() {
        let design = Design::new(&axis(), &waves());
        for beta in [[0.3, 1.2, 0.4, -0.8], [0.0, -1.5, 0.0, 0.0]] {
            let (fit, _) = one(&design, beta);
            let root = CovarianceRoot::of(&fit);
            for i in 0..4 {
                assert!((root.sd(i).powi(2) - fit.covariance[i][i]).abs() < 1e-6);
                for j in 0..4 {
                    // row i of L times row j
                    let unit = |k: usize| std::array::from_fn(|at| f64::from(u8::from(at == k)));
                    let product: f64 =
                        (0..4).map(|k| root.times(&unit(k))[i] * root.times(&unit(k))[j]).sum();
                    assert!((product - fit.covariance[i][j]).abs() < 1e-6, "{i} {j} {fit:?}");
                }
            }
            assert_eq!(fit.clamped, root.sd(1) == 0.0);
        }
    }

    /// The slope behind the standard deviation against differences of the hydroperiod itself, one coefficient at a time; months
    /// without z included.
    #[test]
    fn the_delta_method_uses_the_slope_of_the_hydroperiod() {
        let mut gaps = waves();
        gaps.iter_mut().skip(3).step_by(12).for_each(|z| *z = None);
        for z in [waves(), gaps] {
            let design = Design::new(&axis(), &z);
            let (fit, _) = one(&design, [0.3, 1.2, 0.4, -0.8]);
            for shift in [0.0, -1.7] {
                for k in 0..4 {
                    let mut packed = [0.0f32; 10];
                    packed[row_of(k + 1) - 1] = 0.5;
                    let (months, sd) = design.hydroperiod_with_sd(&fit.beta, shift, &CovarianceRoot(packed));
                    assert_eq!(months.to_bits(), design.hydroperiod(&fit.beta, shift).to_bits());
                    let moved = |by: f64| {
                        let mut beta = fit.beta;
                        beta[k] += by;
                        design.hydroperiod(&beta, shift)
                    };
                    let slope = (moved(1e-5) - moved(-1e-5)) / 2e-5;
                    assert!((sd - 0.5 * slope.abs()).abs() < 1e-7, "{k}: {sd} {slope}");
                }
            }
        }
    }

    /// The delta method against the spread of the hydroperiod of 4,000 draws of the coefficients.
    #[test]
    fn draws_spread_as_the_delta_method_says() {
        use lentic_numerics::normal::quantile;
        use lentic_numerics::seed::{hash64, unit};
        let design = Design::new(&axis(), &waves());
        let (fit, _) = one(&design, [0.3, 1.2, 0.4, -0.8]);
        let root = CovarianceRoot::of(&fit);
        let draws: Vec<f64> = (0..4000u64)
            .map(|n| {
                let u =
                    std::array::from_fn(|k| quantile(unit(hash64(5, n, k as u64)).max(f64::MIN_POSITIVE)));
                let off = root.times(&u);
                let beta: Beta = std::array::from_fn(|k| fit.beta[k] + off[k]);
                design.hydroperiod(&beta, 0.0)
            })
            .collect();
        let mean = draws.iter().sum::<f64>() / 4000.0;
        let sd = (draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / 3999.0).sqrt();
        let (_, found) = design.hydroperiod_with_sd(&fit.beta, 0.0, &root);
        // the standard error of a standard deviation of 4,000 draws is 1.1 %
        assert!((found / sd - 1.0).abs() < 0.05, "{found} {sd}");
    }

    #[test]
    fn brier_saved_by_a_plain_loop() {
        let design = Design::new(&axis(), &waves());
        let (fit, months) = one(&design, [0.2, 2.0, 0.5, -0.5]);
        let z = waves();
        let (mut own, mut calendar) = (0.0, 0.0);
        for m in 0..12 {
            let of_month: Vec<usize> = (0..360).filter(|t| t % 12 == m).collect();
            let mean = of_month.iter().map(|t| months.wet(&design, *t)).sum::<f64>() / 30.0;
            let angle = std::f64::consts::TAU * (m + 1) as f64 / 12.0;
            for t in of_month {
                let eta = fit.beta[0]
                    + fit.beta[1] * z[t].unwrap()
                    + fit.beta[2] * angle.sin()
                    + fit.beta[3] * angle.cos();
                own += (inverse_logit(eta) - months.wet(&design, t)).powi(2);
                calendar += (mean - months.wet(&design, t)).powi(2);
            }
        }
        let saved = design.brier_saved(&fit.beta, &months).unwrap();
        assert!((saved - (1.0 - own / calendar)).abs() < 1e-12 && saved > 0.2, "{saved}");
        // always wet: the calendar is never wrong
        let mut always = Months::default();
        always.read(&design, &[u64::MAX; 6], &[u64::MAX; 6]);
        assert_eq!(design.brier_saved(&fit.beta, &always), None);
    }
}
