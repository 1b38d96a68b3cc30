//! Terms by which a density may follow a number: linear, quadratic and hinge terms, all on one scale.

use crate::stats::quantile_of_sorted;

/// Spread (standard deviation over the background) below which a term says nothing.
const LEAST_SPREAD: f64 = 1e-9;

/// What a term is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Term {
    /// The number itself.
    Linear,
    /// Its square, from the low end of its range.
    Quadratic,
    /// 0 up to this value, rising from there.
    Hinge(f64),
}

/// The terms of one number: each is centred and scaled to mean 0 and standard deviation 1 over the background, so that one
/// penalty weighs them alike. Outside the range they were made for they keep the values of its ends.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseTerms {
    /// Lowest value.
    pub low: f64,
    /// Highest value.
    pub high: f64,
    /// The terms.
    pub terms: Vec<Term>,
    /// Mean and standard deviation of each over the background, before centring.
    pub scales: Vec<(f64, f64)>,
}

impl ResponseTerms {
    /// Terms for a number whose values at presences and background are given; NaN is missing. The range is that of both.
    /// Hinges lie at the quartiles of the presences and at the thirds of the range (ours), those that coincide once. `None`
    /// where the number is the same everywhere or known nowhere in the background.
    pub fn new(presences: &[f64], background: &[f64]) -> Option<Self> {
        let known = |values: &[f64]| {
            let mut known: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
            known.sort_unstable_by(f64::total_cmp);
            known
        };
        let (presences, background) = (known(presences), known(background));
        let low = background.first()?.min(*presences.first().unwrap_or(&f64::INFINITY));
        let high = background.last()?.max(*presences.last().unwrap_or(&f64::NEG_INFINITY));
        let span = high - low;
        if span.is_nan() || span <= 0.0 {
            return None;
        }
        let mut knots: Vec<f64> =
            [0.25, 0.5, 0.75].iter().filter_map(|share| quantile_of_sorted(&presences, *share)).collect();
        knots.extend([low + span / 3.0, low + 2.0 * span / 3.0]);
        knots.sort_unstable_by(f64::total_cmp);
        // hinges nearer than a fiftieth of the range cannot be told apart
        let mut apart: Vec<f64> = Vec::new();
        for knot in knots {
            let clear = |from: f64| (knot - from).abs() >= span / 50.0;
            if clear(low) && clear(high) && apart.last().is_none_or(|last| clear(*last)) {
                apart.push(knot);
            }
        }
        let mut made = ResponseTerms { low, high, terms: Vec::new(), scales: Vec::new() };
        let all = [Term::Linear, Term::Quadratic].into_iter().chain(apart.into_iter().map(Term::Hinge));
        for term in all {
            let values: Vec<f64> = background.iter().map(|x| made.raw(term, *x)).collect();
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64;
            if variance.sqrt() > LEAST_SPREAD {
                made.terms.push(term);
                made.scales.push((mean, variance.sqrt()));
            }
        }
        (!made.terms.is_empty()).then_some(made)
    }

    /// A term before centring, from 0 to 1 over the range.
    fn raw(&self, term: Term, x: f64) -> f64 {
        let span = self.high - self.low;
        let share = (x.clamp(self.low, self.high) - self.low) / span;
        match term {
            Term::Linear => share,
            Term::Quadratic => share * share,
            Term::Hinge(knot) => {
                let knot = (knot - self.low) / span;
                (share - knot).max(0.0) / (1.0 - knot)
            }
        }
    }

    /// Number of terms.
    pub fn len(&self) -> usize {
        self.terms.len()
    }

    /// Whether there are none; never so.
    pub fn is_empty(&self) -> bool {
        self.terms.is_empty()
    }

    /// Appends the terms of a value; of a missing one (NaN) those of the background's mean, which are 0.
    pub fn extend(&self, x: f64, row: &mut Vec<f64>) {
        row.extend(self.terms.iter().zip(&self.scales).map(|(term, (mean, spread))| {
            if x.is_nan() { 0.0 } else { (self.raw(*term, x) - mean) / spread }
        }));
    }

    /// Places that show the whole shape: `steps` even steps over the range, and every hinge.
    pub fn places(&self, steps: usize) -> Vec<f64> {
        let even = (0..=steps).map(|at| self.low + (self.high - self.low) * at as f64 / steps.max(1) as f64);
        let hinges = self.terms.iter().filter_map(|term| match term {
            Term::Hinge(knot) => Some(*knot),
            _ => None,
        });
        let mut places: Vec<f64> = even.chain(hinges).collect();
        places.sort_unstable_by(f64::total_cmp);
        places.dedup();
        places
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn terms_are_centred_and_scaled_over_the_background() {
        let background: Vec<f64> = (0..=120).map(|i| f64::from(i) / 10.0).collect();
        let presences = [6.0, 8.0, 8.0, 10.0, 12.0];
        let terms = ResponseTerms::new(&presences, &background).unwrap();
        assert_eq!(
            terms.terms,
            // quartiles of the presences 8, 8 and 10; thirds of the range 4 and 8
            [Term::Linear, Term::Quadratic, Term::Hinge(4.0), Term::Hinge(8.0), Term::Hinge(10.0)]
        );
        let mut all = Vec::new();
        background.iter().for_each(|x| terms.extend(*x, &mut all));
        for j in 0..terms.len() {
            let column: Vec<f64> = all.iter().skip(j).step_by(terms.len()).copied().collect();
            let mean = column.iter().sum::<f64>() / column.len() as f64;
            let square = column.iter().map(|v| v * v).sum::<f64>() / column.len() as f64;
            assert!(mean.abs() < 1e-12 && (square - 1.0).abs() < 1e-12, "{j}: {mean} {square}");
        }
        // flat outside, nothing for what is missing
        let row = |x: f64| {
            let mut row = Vec::new();
            terms.extend(x, &mut row);
            row
        };
        assert_eq!(row(15.0), row(12.0));
        assert_eq!(row(-3.0), row(0.0));
        assert_eq!(row(f64::NAN), [0.0; 5]);
        // a hinge is flat below its knot and straight above: raw (x - 8) / 4
        assert_eq!(row(1.0)[3], row(7.9)[3]);
        let rise = |a: f64, b: f64| row(b)[3] - row(a)[3];
        assert!((rise(9.0, 10.0) - rise(11.0, 12.0)).abs() < 1e-12);
        assert_eq!(terms.places(4), [0.0, 3.0, 4.0, 6.0, 8.0, 9.0, 10.0, 12.0]);
    }

    #[test]
    fn what_does_not_vary_has_no_terms() {
        assert_eq!(ResponseTerms::new(&[1.0], &[1.0, 1.0]), None);
        assert_eq!(ResponseTerms::new(&[1.0], &[]), None);
        assert_eq!(ResponseTerms::new(&[f64::NAN], &[f64::NAN]), None);
        assert!(ResponseTerms::new(&[], &[0.0, 1.0, 2.0]).is_some());
    }
}
