//! The continuous Boyce index: do presences crowd where scores are high?

use crate::rank::spearman;

/// Windows along the scores: one more than this.
pub const STEPS: usize = 100;
/// Width of a window as a share of the range of the scores.
pub const WIDTH: f64 = 0.1;

/// One window of scores, both ends included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Middle of the window.
    pub middle: f64,
    /// Presences in it.
    pub presences: usize,
    /// Background places in it.
    pub background: usize,
    /// Share of the presences over share of the background: 1 where presences are as common as places, above where they
    /// crowd. `None` where there is no background.
    pub ratio: Option<f64>,
}

/// The index and the curve behind it.
#[derive(Clone, Debug, PartialEq)]
pub struct Boyce {
    /// Spearman's correlation of ratio and middle over windows with background: 1 where presences crowd ever more with the
    /// score, 0 where they stand anywhere, below where they shun high scores. `None` where the ratio is constant.
    pub index: Option<f64>,
    /// Windows from low to high scores.
    pub steps: Vec<Step>,
}

/// Continuous Boyce index (Hirzel, Le Lay, Helfer, Randin and Guisan 2006, Ecological Modelling 199:142-152): 101 windows, each
/// a tenth of the range of all scores wide, evenly spaced from the lowest to the highest score. Windows without background are
/// left out; equal ratios are ties (both ours: the paper leaves them open). `None` without presences or background, with a
/// NaN, or where all scores are equal.
pub fn boyce(presences: &[f64], background: &[f64]) -> Option<Boyce> {
    Background::new(background)?.boyce(presences)
}

/// Background scores ready for many sets of presences, as a bootstrap draws them.
#[derive(Clone, Debug)]
pub struct Background {
    sorted: Vec<f64>,
}

impl Background {
    /// Sorts the background; `None` if it is empty or holds a NaN.
    pub fn new(scores: &[f64]) -> Option<Self> {
        if scores.is_empty() || scores.iter().any(|s| s.is_nan()) {
            return None;
        }
        let mut sorted = scores.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        Some(Background { sorted })
    }

    /// As [`boyce`].
    pub fn boyce(&self, presences: &[f64]) -> Option<Boyce> {
        let mut sorted = presences.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let (first, last) = (*sorted.first()?, *sorted.last()?);
        let low = first.min(*self.sorted.first()?);
        let high = last.max(*self.sorted.last()?);
        // a NaN sorts to an end and spoils the range
        if !(high - low > 0.0 && first <= last) {
            return None;
        }
        let width = WIDTH * (high - low);
        let step = (high - low - width) / STEPS as f64;
        let within = |scores: &[f64], from: f64, to: f64| {
            scores.partition_point(|s| *s <= to) - scores.partition_point(|s| *s < from)
        };
        let steps: Vec<Step> = (0..=STEPS)
            .map(|at| {
                let from = low + step * at as f64;
                // rounding must not lose the highest score
                let to = if at == STEPS { high } else { from + width };
                let (presences, background) = (within(&sorted, from, to), within(&self.sorted, from, to));
                let share = presences as f64 / sorted.len() as f64;
                let expected = background as f64 / self.sorted.len() as f64;
                Step {
                    middle: from + width / 2.0,
                    presences,
                    background,
                    ratio: (background > 0).then(|| share / expected),
                }
            })
            .collect();
        let (middles, ratios): (Vec<f64>, Vec<f64>) =
            steps.iter().filter_map(|s| Some((s.middle, s.ratio?))).unzip();
        Some(Boyce { index: spearman(&ratios, &middles), steps })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn presences_as_common_as_places_everywhere() {
        let scores: Vec<f64> = (0..1000).map(|i| f64::from(i) / 999.0).collect();
        let found = boyce(&scores, &scores).unwrap();
        assert_eq!(found.steps.len(), 101);
        assert!(found.steps.iter().all(|s| s.ratio == Some(1.0)));
        assert_eq!(found.index, None);
    }

    #[test]
    fn crowding_and_shunning() {
        let background: Vec<f64> = (0..1000).map(|i| f64::from(i) / 999.0).collect();
        let high: Vec<f64> = background.iter().map(|s| s.sqrt()).collect();
        let low: Vec<f64> = high.iter().map(|s| 1.0 - s).collect();
        assert!(boyce(&high, &background).unwrap().index.unwrap() > 0.99);
        assert!(boyce(&low, &background).unwrap().index.unwrap() < -0.99);
    }

    #[test]
    fn windows_without_background_are_left_out() {
        // scores only at both ends: windows between hold nothing
        let found = boyce(&[1.0, 1.0, 0.0], &[0.0, 0.0, 0.0, 1.0]).unwrap();
        let known: Vec<f64> = found.steps.iter().filter_map(|s| s.ratio).collect();
        assert!(known.iter().all(|r| (r - 4.0 / 9.0).abs() < 1e-12 || (r - 8.0 / 3.0).abs() < 1e-12));
        assert!(known.len() < 30);
        assert!(found.index.unwrap() > 0.5);
    }

    #[test]
    fn what_has_no_index() {
        assert_eq!(boyce(&[], &[1.0]), None);
        assert_eq!(boyce(&[1.0], &[]), None);
        assert_eq!(boyce(&[0.5], &[0.5, 0.5]), None);
        assert_eq!(boyce(&[f64::NAN], &[0.5, 0.6]), None);
        assert_eq!(boyce(&[0.5, -f64::NAN], &[0.5, 0.6]), None);
        assert_eq!(boyce(&[0.5], &[f64::NAN, 0.6]), None);
    }
}
