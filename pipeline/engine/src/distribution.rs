//! How often each value of a measure occurs over the compared cells: exact counts in fixed bins.

use lentic_habitat::suitability::{Measured, score};
use lentic_study::settings::{Curve, Measure, Variable};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

use crate::layers::NO_CLASS;

/// Bins of a measure.
pub const BINS: usize = 40;

/// The span of measures over which a variable is shown: all it can hold where that is known, else what its curve tells apart and
/// a little more. `None` for classes.
pub fn span(variable: &Variable) -> Option<[f64; 2]> {
    let curve = around(&variable.curve)?;
    Some(match &variable.measure {
        Measure::Hydroperiod | Measure::LongestWetSpell { .. } | Measure::WetAndWarmMonths { .. } => {
            [0.0, 12.0]
        }
        Measure::ShareOfClass { .. } | Measure::ShareOfWater { .. } | Measure::YearsWithSpell { .. } => {
            [0.0, 1.0]
        }
        Measure::DistanceToClass { limit_m, .. } | Measure::DistanceToWater { limit_m } => [0.0, *limit_m],
        Measure::Depth | Measure::Slope | Measure::WaterQuality(_) => [curve[0].max(0.0), curve[1]],
        Measure::Layer(_) | Measure::Class(_) => curve,
    })
}

/// Where a curve changes, with a margin on both sides.
fn around(curve: &Curve) -> Option<[f64; 2]> {
    let wider = |low: f64, high: f64, share: f64| {
        let margin = share * (high - low);
        [low - margin, high + margin]
    };
    Some(match curve {
        Curve::Points(points) => {
            let (first, last) = (points.first()?, points.last()?);
            wider(first[0], last[0], 0.05)
        }
        Curve::Trapezoid([a, .., d]) => wider(*a, *d, 0.1),
        Curve::Gaussian { best, spread } => [best - 4.0 * spread, best + 4.0 * spread],
        Curve::Logistic { middle, steepness } => {
            [middle - 6.0 / steepness.abs(), middle + 6.0 / steepness.abs()]
        }
        Curve::Classes(_) => return None,
    })
}

/// The curve over its span as points to join: its own corners where it has some, else evenly spaced.
pub fn line(variable: &Variable, steps: usize) -> Vec<[f64; 2]> {
    let Some([low, high]) = span(variable) else { return Vec::new() };
    let curve = &variable.curve;
    let mut at: Vec<f64> = match curve {
        Curve::Points(points) => points.iter().map(|point| point[0]).collect(),
        Curve::Trapezoid(corners) => corners.to_vec(),
        _ => (0..=steps).map(|step| low + (high - low) * step as f64 / steps as f64).collect(),
    };
    at.retain(|x| low < *x && *x < high);
    at.insert(0, low);
    at.push(high);
    // a step of a trapezoid has its foot beside it
    let foot = |x: f64, d: f64| (x + d * (high - low) * 1e-9).clamp(low, high);
    if let Curve::Trapezoid([a, b, c, d]) = *curve {
        at.extend((a == b).then(|| foot(a, -1.0)));
        at.extend((c == d).then(|| foot(d, 1.0)));
    }
    at.sort_by(f64::total_cmp);
    at.dedup();
    at.into_iter().filter_map(|x| score(curve, x).map(|y| [x, y])).collect()
}

/// Counts of one variable.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Cells by bin, from the low end of the span to the high one.
    pub bins: Vec<u64>,
    /// Cells below the span and above it.
    pub beyond: [u64; 2],
    /// Cells by class code.
    pub classes: BTreeMap<i32, u64>,
    /// Cells without the measure.
    pub missing: u64,
}

impl Default for Counts {
    fn default() -> Self {
        Counts { bins: vec![0; BINS], beyond: [0; 2], classes: BTreeMap::new(), missing: 0 }
    }
}

impl Counts {
    /// Counts the cells that are `wanted`.
    pub fn add(&mut self, variable: &Variable, measured: &Measured, wanted: &[bool]) {
        let wanted = |cell: &usize| wanted[*cell];
        match measured {
            Measured::Codes(codes) => {
                for cell in (0..codes.len()).filter(wanted) {
                    match codes[cell] {
                        NO_CLASS => self.missing += 1,
                        code => *self.classes.entry(code).or_default() += 1,
                    }
                }
            }
            Measured::Numbers(values) | Measured::Years { measure: values, .. } => {
                let Some([low, high]) = span(variable) else { return };
                for cell in (0..values.len()).filter(wanted) {
                    self.number(f64::from(values[cell]), low, high);
                }
            }
        }
    }

    fn number(&mut self, value: f64, low: f64, high: f64) {
        if value.is_nan() {
            self.missing += 1;
        } else if value < low {
            self.beyond[0] += 1;
        } else if value > high {
            self.beyond[1] += 1;
        } else {
            let bin = ((value - low) / (high - low) * BINS as f64) as usize;
            self.bins[bin.min(BINS - 1)] += 1;
        }
    }

    /// Adds the counts of another tile.
    pub fn merge(&mut self, other: &Counts) {
        self.bins.iter_mut().zip(&other.bins).for_each(|(a, b)| *a += b);
        self.beyond.iter_mut().zip(&other.beyond).for_each(|(a, b)| *a += b);
        self.missing += other.missing;
        for (code, cells) in &other.classes {
            *self.classes.entry(*code).or_default() += cells;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_study::settings::Missing;

    fn variable(measure: Measure, curve: Curve) -> Variable {
        Variable { name: "v".into(), measure, curve, weight: 1.0, if_missing: Missing::NotAssessed }
    }

    #[test]
    fn every_cell_is_counted_once() {
        let months = variable(Measure::Hydroperiod, Curve::Points(vec![[0.0, 0.0], [9.0, 1.0]]));
        let values = Measured::Numbers(vec![0.0, 0.29, 0.3, 12.0, f32::NAN, 5.0]);
        let mut counts = Counts::default();
        counts.add(&months, &values, &[true, true, true, true, true, false]);
        assert_eq!((counts.bins[0], counts.bins[1], counts.bins[39]), (2, 1, 1));
        assert_eq!((counts.missing, counts.beyond), (1, [0, 0]));
        let depth = variable(Measure::Depth, Curve::Trapezoid([0.1, 0.3, 1.0, 2.0]));
        assert_eq!(span(&depth), Some([0.0, 2.19]));
        let mut deep = Counts::default();
        deep.add(&depth, &Measured::Numbers(vec![-0.5, 9.0, 9.0]), &[true; 3]);
        assert_eq!(deep.beyond, [1, 2]);
        let both = |a: &Counts, b: &Counts| {
            let mut sum = a.clone();
            sum.merge(b);
            sum
        };
        assert_eq!(both(&counts, &deep), both(&deep, &counts));
        let cover = variable(Measure::Class("cover".into()), Curve::Classes([(3, 0.5)].into()));
        let mut classes = Counts::default();
        classes.add(&cover, &Measured::Codes(vec![3, 3, NO_CLASS]), &[true; 3]);
        assert_eq!((classes.classes[&3], classes.missing), (2, 1));
    }

    #[test]
    fn lines_keep_corners_and_steps() {
        let months = variable(Measure::Hydroperiod, Curve::Points(vec![[0.0, 0.0], [9.0, 1.0]]));
        assert_eq!(line(&months, 80), [[0.0, 0.0], [9.0, 1.0], [12.0, 1.0]]);
        let step = variable(Measure::Hydroperiod, Curve::Trapezoid([3.0, 3.0, 9.0, 12.0]));
        let found = line(&step, 80);
        assert_eq!(found.iter().map(|p| p[1]).collect::<Vec<_>>(), [0.0, 0.0, 1.0, 1.0, 0.0]);
        assert!(found[1][0] < 3.0 && found[1][0] > 2.999);
        let bell = variable(Measure::Depth, Curve::Gaussian { best: 1.0, spread: 0.5 });
        assert_eq!(line(&bell, 80).len(), 81);
        assert!(line(&variable(Measure::Class("c".into()), Curve::Classes([].into())), 80).is_empty());
    }
}
