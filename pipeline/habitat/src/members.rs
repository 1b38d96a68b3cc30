//! Members: studies like the one given, each with what is not known for sure drawn anew.
//!
//! A member is a point of a unit cube whose columns belong to parts of the uncertainty. A point may come from a Latin hypercube (ranges)
//! or from a design for Sobol indices. Break points lie off evenly within a share of the span of their curve; weights follow a
//! Dirichlet distribution about the given ones; the threshold lies off evenly; numbers of scenarios by triangles;
//! coefficients of the response by one standard normal vector for each response group, since the errors of its
//! cells are shared: independent ones would cancel in areas and promise more than is known.

use lentic_numerics::normal::quantile;
use lentic_numerics::seed::{hash64, unit};
use lentic_numerics::spread::{dirichlet, triangular};
use lentic_study::Study;
use lentic_study::settings::{Combine, Curve, Drawdown, Requisite, Scenario, Uncertainty};

/// Coefficients of a response.
const COEFFICIENTS: usize = 4;
/// Share of the variance of depths' error that all cells of a pool have in common.
const SHARED: f64 = 0.8;

/// A part of the uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Response curves and scores of classes.
    Curves,
    /// Weights of variables and requisites.
    Weights,
    /// The threshold.
    Threshold,
    /// Coefficients of the response of water.
    Response,
    /// Numbers of the scenarios.
    Scenarios,
    /// Depths.
    Depths,
}

impl Part {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Part::Curves => "response curves",
            Part::Weights => "weights",
            Part::Threshold => "threshold",
            Part::Response => "response of water",
            Part::Scenarios => "numbers of the scenarios",
            Part::Depths => "depths",
        }
    }
}

/// Which columns of a point belong to which part; parts without spread have none.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    parts: Vec<(Part, usize)>,
    groups: usize,
    uncertainty: Uncertainty,
}

/// One member.
#[derive(Clone, Debug)]
pub struct Member {
    /// Curves, weights, threshold and scenarios as drawn.
    pub study: Study,
    /// By response group, the standard normal numbers that its cells' coefficients lie off by; empty where they do not.
    pub response: Vec<[f64; COEFFICIENTS]>,
    /// How depths lie off.
    pub depths: DepthError,
}

/// Error of depths, metres: one shared by the cells of a pool, and one of each cell.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DepthError {
    /// Standard deviation of both together, metres; 0: none.
    pub metres: f64,
    seed: u64,
}

impl DepthError {
    /// Error of a cell, metres. `pool` is its pool (or zone), `at` a number of the cell that does not depend on tiles.
    pub fn of(&self, pool: i32, at: u64) -> f64 {
        let normal = |a: u64, b: u64| {
            // the middle of a step, so that neither end comes out
            quantile(unit(hash64(self.seed, a, b)) + 0.5 / (1u64 << 53) as f64)
        };
        let own = |share: f64| share.sqrt() * self.metres;
        own(SHARED) * normal(0, pool as u32 as u64) + own(1.0 - SHARED) * normal(1, at)
    }
}

impl Layout {
    /// The columns of a study with response coefficients in so many groups; `None` without `[uncertainty]`.
    pub fn of(study: &Study, groups: usize) -> Option<Self> {
        let uncertainty = study.uncertainty.clone()?;
        let mut curves = 0;
        let mut weights = 0;
        for requisite in &study.requisites {
            curves += requisite.variables.iter().map(|variable| break_points(&variable.curve)).sum::<usize>();
            curves += requisite.near.iter().flat_map(|near| &near.curve).map(break_points).sum::<usize>();
            if weighted(requisite.combine) && requisite.variables.len() > 1 {
                weights += requisite.variables.len();
            }
        }
        if weighted(study.suitability.combine) && study.requisites.len() > 1 {
            weights += study.requisites.len();
        }
        let scenarios: usize =
            study.scenarios.iter().map(|scenario| ranges(scenario).iter().flatten().count()).sum();
        let columns = [
            (Part::Curves, if uncertainty.curves > 0.0 { curves } else { 0 }),
            (Part::Weights, if uncertainty.weights > 0.0 { weights } else { 0 }),
            (Part::Threshold, usize::from(uncertainty.threshold > 0.0)),
            (Part::Response, if uncertainty.response { COEFFICIENTS * groups } else { 0 }),
            (Part::Scenarios, scenarios),
            (Part::Depths, usize::from(uncertainty.vertical_m > 0.0)),
        ];
        let parts = columns.into_iter().filter(|(_, columns)| *columns > 0).collect();
        Some(Layout { parts, groups, uncertainty })
    }

    /// The parts that lie off, with their columns, in their order.
    pub fn parts(&self) -> &[(Part, usize)] {
        &self.parts
    }

    /// Number of columns.
    pub fn columns(&self) -> usize {
        self.parts.iter().map(|(_, columns)| columns).sum()
    }

    /// The member at a point of (0, 1) in every column. A study without spread comes back as it is.
    pub fn member(&self, study: &Study, point: &[f64]) -> Member {
        let mut member = Member { study: study.clone(), response: Vec::new(), depths: DepthError::default() };
        let mut rest = point;
        for (part, columns) in &self.parts {
            let (mut own, others) = rest.split_at((*columns).min(rest.len()));
            rest = others;
            match part {
                Part::Curves => self.curves(&mut member.study, &mut own),
                Part::Weights => self.weights(&mut member.study, &mut own),
                Part::Threshold => {
                    let off = self.uncertainty.threshold * (2.0 * own[0] - 1.0);
                    let threshold = &mut member.study.suitability.threshold;
                    // habitat of suitability 0 would be everywhere
                    *threshold = (*threshold + off).clamp(f64::EPSILON, 1.0);
                }
                Part::Response => {
                    member.response = own
                        .chunks_exact(COEFFICIENTS)
                        .map(|u| [quantile(u[0]), quantile(u[1]), quantile(u[2]), quantile(u[3])])
                        .collect();
                }
                Part::Scenarios => {
                    for scenario in &mut member.study.scenarios {
                        lie_off(scenario, &mut own);
                    }
                }
                Part::Depths => {
                    member.depths =
                        DepthError { metres: self.uncertainty.vertical_m, seed: own[0].to_bits() };
                }
            }
        }
        member
    }

    fn curves(&self, study: &mut Study, u: &mut &[f64]) {
        for requisite in &mut study.requisites {
            for variable in &mut requisite.variables {
                shift_curve(&mut variable.curve, self.uncertainty.curves, u);
            }
            if let Some(curve) = requisite.near.as_mut().and_then(|near| near.curve.as_mut()) {
                shift_curve(curve, self.uncertainty.curves, u);
            }
        }
    }

    fn weights(&self, study: &mut Study, u: &mut &[f64]) {
        // a Dirichlet weight w has the variance w (1 - w)/(concentration + 1)
        let concentration = 0.25 / (self.uncertainty.weights * self.uncertainty.weights) - 1.0;
        let mut draw = |weights: Vec<f64>| {
            let (own, others) = u.split_at(weights.len());
            *u = others;
            dirichlet(&weights, concentration, own)
        };
        for requisite in &mut study.requisites {
            if weighted(requisite.combine) && requisite.variables.len() > 1 {
                let drawn = draw(requisite.variables.iter().map(|variable| variable.weight).collect());
                requisite
                    .variables
                    .iter_mut()
                    .zip(drawn)
                    .for_each(|(variable, weight)| variable.weight = weight);
            }
        }
        if weighted(study.suitability.combine) && study.requisites.len() > 1 {
            let drawn = draw(study.requisites.iter().map(|requisite: &Requisite| requisite.weight).collect());
            study.requisites.iter_mut().zip(drawn).for_each(|(requisite, weight)| requisite.weight = weight);
        }
    }

    /// Response groups.
    pub fn groups(&self) -> usize {
        self.groups
    }
}

fn weighted(combine: Combine) -> bool {
    matches!(combine, Combine::ArithmeticMean | Combine::GeometricMean)
}

/// Numbers of a curve that may lie off.
fn break_points(curve: &Curve) -> usize {
    match curve {
        Curve::Points(points) => points.len(),
        Curve::Trapezoid(corners) => corners.len(),
        Curve::Gaussian { .. } | Curve::Logistic { .. } => 1,
        Curve::Classes(scores) => scores.len(),
    }
}

/// Moves the break points of a curve by up to `share` of its span, either way, and puts them in order again. The span of a bell is four
/// standard deviations, of an S that between scores of 0.02 and 0.98 (both ours). Scores of classes move by up to `share` and stay in
/// [0, 1]; a class that scores 0 keeps it (ours: what is excluded stays so).
fn shift_curve(curve: &mut Curve, share: f64, u: &mut &[f64]) {
    let count = break_points(curve);
    let (own, others) = u.split_at(count);
    *u = others;
    let off = |span: f64, u: f64| share * span * (2.0 * u - 1.0);
    match curve {
        Curve::Points(points) => {
            let span =
                points.last().map_or(0.0, |last| last[0]) - points.first().map_or(0.0, |first| first[0]);
            let mut places: Vec<f64> =
                points.iter().zip(own).map(|(point, u)| point[0] + off(span, *u)).collect();
            places.sort_by(f64::total_cmp);
            points.iter_mut().zip(places).for_each(|(point, place)| point[0] = place);
        }
        Curve::Trapezoid(corners) => {
            let span = corners[3] - corners[0];
            corners.iter_mut().zip(own).for_each(|(corner, u)| *corner += off(span, *u));
            corners.sort_by(f64::total_cmp);
        }
        Curve::Gaussian { best, spread } => *best += off(4.0 * *spread, own[0]),
        Curve::Logistic { middle, steepness } => *middle += off(2.0 * 49f64.ln() / steepness.abs(), own[0]),
        Curve::Classes(scores) => {
            for (score, u) in scores.values_mut().zip(own).filter(|(score, _)| **score > 0.0) {
                *score = (*score + off(1.0, *u)).clamp(0.0, 1.0);
            }
        }
    }
}

/// The ranges of a scenario's numbers, those that have any, in order.
fn ranges(scenario: &Scenario) -> [Option<[f64; 2]>; 4] {
    let spread = &scenario.spread;
    [spread.precipitation, spread.temperature_c, spread.index_shift, spread.drawdown_percent]
        .map(|range| (range[0] < range[1]).then_some(range))
}

fn lie_off(scenario: &mut Scenario, u: &mut &[f64]) {
    let [rain, warmth, index, fall] = ranges(scenario).map(|range| {
        let Some([low, high]) = range else { return 0.0 };
        let Some((own, others)) = u.split_first() else { return 0.0 };
        *u = others;
        triangular(low, 0.0, high, *own)
    });
    scenario.precipitation_factor.iter_mut().for_each(|factor| *factor = (*factor + rain / 100.0).max(0.0));
    scenario.temperature_c.iter_mut().for_each(|degrees| *degrees += warmth);
    scenario.index_shift.iter_mut().for_each(|shift| *shift += index);
    if scenario.drawdown != Drawdown::None {
        scenario.drawdown_share *= 1.0 + fall / 100.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moved(curve: &Curve, u: &[f64]) -> Curve {
        let mut curve = curve.clone();
        let mut rest = u;
        shift_curve(&mut curve, 0.1, &mut rest);
        assert!(rest.is_empty(), "all numbers are used");
        curve
    }

    #[test]
    fn break_points_move_within_a_share_of_the_span_and_stay_in_order() {
        let points = Curve::Points(vec![[0.0, 0.0], [5.0, 1.0], [5.5, 0.2], [10.0, 0.0]]);
        assert_eq!(moved(&points, &[0.5; 4]), points);
        // 5 moves to 6 and 5.5 to 4.5: put in order again, scores stay where they were
        let Curve::Points(found) = moved(&points, &[0.0, 1.0, 0.0, 1.0]) else { panic!("points") };
        assert_eq!(found, [[-1.0, 0.0], [4.5, 1.0], [6.0, 0.2], [11.0, 0.0]]);
        assert_eq!(
            moved(&Curve::Trapezoid([0.0, 1.0, 2.0, 4.0]), &[1.0, 0.5, 0.5, 0.0]),
            Curve::Trapezoid([0.4, 1.0, 2.0, 3.6])
        );
        let bell = Curve::Gaussian { best: 3.0, spread: 0.5 };
        assert_eq!(moved(&bell, &[1.0]), Curve::Gaussian { best: 3.2, spread: 0.5 });
        // scores of 0.02 and 0.98 lie ln 49 / 2 = 1.946 either side of the middle
        let Curve::Logistic { middle, .. } = moved(&Curve::Logistic { middle: 1.0, steepness: -2.0 }, &[0.0])
        else {
            panic!("logistic")
        };
        assert!((middle - (1.0 - 0.1 * 49f64.ln())).abs() < 1e-12);
        let classes = Curve::Classes([(1, 0.0), (2, 0.5), (3, 0.98)].into());
        let expected = Curve::Classes([(1, 0.0), (2, 0.4), (3, 1.0)].into());
        assert_eq!(moved(&classes, &[1.0, 0.0, 1.0]), expected);
    }

    #[test]
    fn depths_of_a_pool_share_most_of_their_error() {
        let (mut own, mut shared, mut pools) = (0.0, 0.0, 0.0);
        let n = 2000u64;
        for seed in 0..n {
            let error = DepthError { metres: 0.2, seed };
            let [a, b, c] = [error.of(1, 5), error.of(1, 6), error.of(2, 7)];
            own += a * a;
            shared += a * b;
            pools += a * c;
        }
        let of = |sum: f64| sum / n as f64 / 0.04;
        // variance 1, correlation 0.8 within a pool and 0 between; standard errors about 0.03
        assert!((of(own) - 1.0).abs() < 0.12, "{}", of(own));
        assert!((of(shared) - 0.8).abs() < 0.12, "{}", of(shared));
        assert!(of(pools).abs() < 0.1, "{}", of(pools));
    }

    #[test]
    fn numbers_of_a_scenario_move_within_their_spread() {
        let mut scenario = Scenario::unchanged("drier");
        scenario.precipitation_factor = [0.05; 12];
        scenario.drawdown = Drawdown::Everywhere(0.4);
        scenario.spread.precipitation = [-10.0, 5.0];
        scenario.spread.drawdown_percent = [-30.0, 30.0];
        let at = |u: f64| {
            let mut found = scenario.clone();
            let point = [u, u];
            let mut rest = &point[..];
            lie_off(&mut found, &mut rest);
            assert!(rest.is_empty());
            (found.precipitation_factor[3], found.drawdown_share)
        };
        // no less than no rain at all
        assert_eq!(at(0.0), (0.0, 0.7));
        assert_eq!(at(1.0), (0.05 + 5.0 / 100.0, 1.3));
        // the peak, at what is stated, lies 10/15 of the way for rain
        assert!((at(10.0 / 15.0).0 - 0.05).abs() < 1e-12 && (at(0.5).1 - 1.0).abs() < 1e-12);
    }
}
