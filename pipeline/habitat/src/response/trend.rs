//! A trend of the residuals carried on: the shift of logits that moves a group's mean hydroperiod by so many months.

use super::quality::looked_at;
use super::{Beta, Design, Groups, Months, SampleCell};

/// A mean hydroperiod is carried no nearer to 0 or 12 months than this (ours): beyond, logits would run off to infinity.
pub const EDGE_MONTHS: f64 = 0.01;
/// Logits beyond this make a month wet or dry whatever else holds.
const MOST_LOGITS: f64 = 60.0;
/// The shift is found to so many logits.
const PRECISION: f64 = 1e-12;

/// What carrying a trend on does to the cells it was seen on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Carried {
    /// Logits added to every wet cell of the group.
    pub logits: f64,
    /// Their mean expected hydroperiod under the baseline climate, months per year.
    pub before: f64,
    /// The same after the shift.
    pub after: f64,
}

impl Groups {
    /// The logits that move the mean expected hydroperiod of a group by `months`, over the cells that [`Groups::quality`] looks
    /// at and under the baseline climate; `designs` has one design for each climate. `None` for a group without such cells.
    ///
    /// Logits rather than months (ours): a shift keeps every cell within 0 and 12, moves most the cells that are sometimes wet,
    /// and is what a falling water table does to a cell.
    pub fn carry(
        &self,
        designs: &[Design],
        sample: &[SampleCell],
        code: Option<i32>,
        months: f64,
    ) -> Option<Carried> {
        let cells = looked_at(sample).remove(&code)?;
        let mut room = Months::default();
        let fitted: Vec<(usize, Beta)> = cells
            .iter()
            .map(|cell| {
                let design = &designs[cell.climate];
                (
                    cell.climate,
                    self.fit_cell(design, &cell.observed, &cell.wet, (code, cell.ground), &mut room).0,
                )
            })
            .collect();
        let mean = |logits: f64| {
            let all = fitted.iter().map(|(climate, beta)| designs[*climate].hydroperiod(beta, logits));
            all.sum::<f64>() / fitted.len() as f64
        };
        let before = mean(0.0);
        let wanted = (before + months).clamp(EDGE_MONTHS, 12.0 - EDGE_MONTHS);
        // the mean rises with the shift: halve the range that holds the one wanted
        let (mut low, mut high) = (-MOST_LOGITS, MOST_LOGITS);
        while high - low > PRECISION {
            let middle = 0.5 * (low + high);
            if middle <= low || middle >= high {
                break;
            }
            if mean(middle) < wanted { low = middle } else { high = middle }
        }
        let logits = 0.5 * (low + high);
        Some(Carried { logits, before, after: mean(logits) })
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SPREADS, axis, drawn, waves};
    use super::*;

    fn fitted(beta: Beta) -> (Design, Vec<SampleCell>, Groups) {
        let design = Design::new(&axis(), &waves());
        let sample: Vec<SampleCell> = (0..700).map(|c| drawn(&design, &beta, c)).collect();
        let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
        (design, sample, groups)
    }

    #[test]
    fn the_mean_moves_by_the_months_asked_for() {
        let (design, sample, groups) = fitted([0.3, 1.2, 0.4, -0.8]);
        let carry = |months| groups.carry(std::slice::from_ref(&design), &sample, Some(1), months).unwrap();
        for months in [-3.0, -0.4, 0.7] {
            let found = carry(months);
            assert!((found.after - found.before - months).abs() < 1e-9, "{found:?}");
            assert!(found.logits * months > 0.0, "{found:?}");
        }
        assert!(carry(0.0).logits.abs() < 1e-11);
        // carried far beyond, the group is all but dry, and no more
        let dry = carry(-50.0);
        assert!((dry.after - EDGE_MONTHS).abs() < 1e-9 && dry.logits.is_finite(), "{dry:?}");
        assert!((carry(50.0).after - 12.0 + EDGE_MONTHS).abs() < 1e-9);
        assert_eq!(groups.carry(std::slice::from_ref(&design), &sample, Some(2), 1.0), None);
    }

    /// By hand: where every cell has p = 1/2 in every month, losing 3 of 6 months takes the logit of 1/4.
    #[test]
    fn a_shift_by_hand() {
        let design = Design::new(&axis(), &vec![Some(0.0); 360]);
        // wet in every second year: each calendar month wet in half of its years
        let mut rows = crate::water::BitRows::new(&axis(), 1);
        (0..360).for_each(|t| rows.set(0, t, t / 12 % 2 == 0));
        let cell = SampleCell {
            group: Some(1),
            climate: 0,
            pool: None,
            ground: f64::NAN,
            observed: rows.observed(0).to_vec(),
            wet: rows.wet(0).to_vec(),
        };
        let sample = vec![cell; 40];
        let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
        let found = groups.carry(std::slice::from_ref(&design), &sample, Some(1), -3.0).unwrap();
        assert!((found.before - 6.0).abs() < 1e-6, "{found:?}");
        assert!((found.logits + 3.0f64.ln()).abs() < 1e-6, "{found:?}");
    }
}
