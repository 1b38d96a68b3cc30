//! Which factor limits a cell: the one that would raise its suitability most if it alone were as good as can be.

use crate::suitability::{Counted, combined};
use lentic_study::settings::{Combine, Requisite};

/// Nothing would raise it: suitability is 1.
pub const NOTHING: u8 = 0;
/// A barrier lies on the cell.
pub const BARRIER: u8 = 254;
/// Not assessed.
pub const UNKNOWN: u8 = 255;
/// Gains and scores that differ by less are equal, so that the last digit decides nothing (ours).
const EQUAL: f64 = 1e-9;

/// Names of the factors in the order of their codes, from 1: the variables of each requisite, then its nearness if it has to
/// be near another.
pub fn factor_names(requisites: &[Requisite]) -> Vec<String> {
    let mut names = Vec::new();
    for requisite in requisites {
        names.extend(requisite.variables.iter().map(|variable| variable.name.clone()));
        let other = requisite.near.as_ref().and_then(|near| requisites.get(near.requisite));
        names.extend(other.map(|other| format!("{} near {}", requisite.name, other.name)));
    }
    names
}

/// The limiting factor of a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Its code.
    pub code: u8,
    /// Suitability with its score raised to 1; that of the cell where nothing would raise it.
    pub raised: f64,
}

/// What is known of one cell.
#[derive(Clone, Copy, Debug)]
pub struct Site<'a> {
    /// Score of every variable in the order of the study; NaN where missing.
    pub variables: &'a [f64],
    /// Factor of nearness by requisite; 1 where it need not be near another.
    pub nearness: &'a [f64],
    /// Score of every requisite, nearness included.
    pub requisites: &'a [f64],
    /// Weights of the requisites.
    pub weights: &'a [f64],
}

/// Room for one cell's scores, reused from cell to cell.
#[derive(Clone, Debug, Default)]
pub struct Room {
    counted: Counted,
    requisites: Vec<f64>,
}

/// Finds the limiting factor of an assessed cell without a barrier. Of factors whose gains are equal it is the one of the
/// lower score, and of those the first in the study. `rule` combines the requisites. A variable left out for its missing measure is no factor there.
pub fn limiting(requisites: &[Requisite], rule: Combine, site: Site<'_>, room: &mut Room) -> Limit {
    let suitability = combined(rule, site.requisites, site.weights);
    if suitability >= 1.0 - EQUAL {
        return Limit { code: NOTHING, raised: suitability };
    }
    room.requisites.clear();
    room.requisites.extend_from_slice(site.requisites);
    // with two requisites of 0 nothing alone helps, with one only what raises that one
    let zeros = zeros(rule, site);
    let mut best = Choice { code: NOTHING, raised: f64::NEG_INFINITY, score: f64::INFINITY };
    let mut rest = site.variables;
    // code of the first factor of the requisite
    let mut first = 1;
    for (at, requisite) in requisites.iter().enumerate() {
        let (own, others) = rest.split_at(requisite.variables.len());
        rest = others;
        let hopeless = zeros > usize::from(is_zero(rule, site, at));
        let mut with = |score: f64| {
            room.requisites[at] = score;
            let raised = combined(rule, &room.requisites, site.weights);
            room.requisites[at] = site.requisites[at];
            raised
        };
        if room.counted.take(requisite, own) {
            for slot in 0..room.counted.scores.len() {
                let score = room.counted.scores[slot];
                let raised = if hopeless {
                    0.0
                } else {
                    room.counted.scores[slot] = 1.0;
                    let raised = with(room.counted.combined(requisite) * site.nearness[at]);
                    room.counted.scores[slot] = score;
                    raised
                };
                best.consider(first + room.counted.of[slot], raised, score);
            }
            if requisite.near.is_some() {
                let raised = if hopeless { 0.0 } else { with(room.counted.combined(requisite)) };
                best.consider(first + requisite.variables.len(), raised, site.nearness[at]);
            }
        }
        first += requisite.variables.len() + usize::from(requisite.near.is_some());
    }
    Limit { code: best.code, raised: best.raised }
}

/// Whether the score of a requisite alone makes suitability 0.
fn is_zero(rule: Combine, site: Site<'_>, at: usize) -> bool {
    let settles = match rule {
        Combine::ArithmeticMean => false,
        Combine::GeometricMean => site.weights[at] > 0.0,
        Combine::Minimum | Combine::Product => true,
    };
    settles && site.requisites[at] == 0.0
}

fn zeros(rule: Combine, site: Site<'_>) -> usize {
    (0..site.requisites.len()).filter(|at| is_zero(rule, site, *at)).count()
}

struct Choice {
    code: u8,
    raised: f64,
    score: f64,
}

impl Choice {
    fn consider(&mut self, code: usize, raised: f64, score: f64) {
        let more = raised - self.raised;
        if more > EQUAL || (more >= -EQUAL && score < self.score - EQUAL) {
            // codes end at 250, see the study
            *self = Choice { code: code as u8, raised, score };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lentic_study::settings::{Curve, Measure, Missing, Near, Variable};

    fn variable(name: &str, weight: f64, if_missing: Missing) -> Variable {
        let curve = Curve::Points(vec![[0.0, 0.0], [1.0, 1.0]]);
        Variable { name: name.into(), measure: Measure::Hydroperiod, curve, weight, if_missing }
    }

    fn requisite(name: &str, combine: Combine, weight: f64, variables: Vec<Variable>) -> Requisite {
        Requisite { name: name.into(), combine, weight, consistency_ratio: None, near: None, variables }
    }

    /// Water of two variables and nesting ground of one, which has to be near water if asked.
    fn study(water: Combine, near: bool, if_missing: Missing) -> Vec<Requisite> {
        let ground = variable("ground", 1.0, Missing::NotAssessed);
        let mut nesting = requisite("nesting", Combine::Minimum, 0.4, vec![ground]);
        nesting.near = near.then_some(Near { requisite: 0, within_m: 300.0, at_least: 0.5, curve: None });
        let months = variable("months", 0.6, Missing::NotAssessed);
        vec![requisite("water", water, 0.6, vec![months, variable("depth", 0.4, if_missing)]), nesting]
    }

    fn limit(study: &[Requisite], variables: [f64; 3], nearness: f64) -> (u8, f64) {
        let mut counted = Counted::default();
        let water = crate::suitability::requisite_score(&study[0], &variables[..2], &mut counted);
        let site = Site {
            variables: &variables,
            nearness: &[1.0, nearness],
            requisites: &[water, variables[2] * nearness],
            weights: &[0.6, 0.4],
        };
        let found = limiting(study, Combine::GeometricMean, site, &mut Room::default());
        (found.code, found.raised)
    }

    #[test]
    fn factors_by_hand() {
        let plain = study(Combine::GeometricMean, false, Missing::NotAssessed);
        assert_eq!(factor_names(&plain), ["months", "depth", "ground"]);
        // (0.5^0.6 0.9^0.4)^0.6 0.8^0.4; months raised: (0.9^0.4)^0.6 0.8^0.4, more than depth or ground raised
        let (code, raised) = limit(&plain, [0.5, 0.9, 0.8], 1.0);
        assert_eq!(code, 1);
        assert!((raised - 0.9f64.powf(0.24) * 0.8f64.powf(0.4)).abs() < 1e-12);
        assert_eq!(limit(&plain, [0.9, 0.9, 0.3], 1.0).0, 3);
        // one 0 hides what the others could bring
        assert_eq!(limit(&plain, [0.2, 0.0, 0.3], 1.0).0, 2);
        // two zeros: no single factor helps, the lower score and then the first is named
        assert_eq!(limit(&plain, [0.4, 0.0, 0.0], 1.0), (2, 0.0));
        assert_eq!(limit(&plain, [1.0, 1.0, 1.0], 1.0), (NOTHING, 1.0));
    }

    /// The least of a minimum limits, the second least where it is raised only up to it; equal gains go to the lower score.
    #[test]
    fn ties_go_to_the_lower_score_then_to_the_first() {
        let least = study(Combine::Minimum, false, Missing::NotAssessed);
        assert_eq!(limit(&least, [0.7, 0.4, 1.0], 1.0).0, 2);
        assert_eq!(limit(&least, [0.4, 0.4, 1.0], 1.0).0, 1);
        let product = study(Combine::Product, false, Missing::NotAssessed);
        assert_eq!(limit(&product, [0.5, 0.25, 0.9], 1.0).0, 2);
    }

    #[test]
    fn nearness_is_a_factor() {
        let near = study(Combine::GeometricMean, true, Missing::NotAssessed);
        assert_eq!(factor_names(&near), ["months", "depth", "ground", "nesting near water"]);
        let (code, raised) = limit(&near, [0.9, 0.9, 0.9], 0.0);
        assert_eq!(code, 4);
        assert!((raised - 0.9).abs() < 1e-12);
        assert_eq!(limit(&near, [0.2, 0.9, 0.9], 1.0).0, 1);
    }

    proptest::proptest! {
        /// Where a 0 settles it and where not, as every factor raised in turn says.
        #[test]
        fn as_every_factor_raised_says(
            scores in proptest::collection::vec(proptest::sample::select(vec![0.0, 0.2, 0.2 + 1e-12, 0.7, 1.0]), 5),
            nearness in proptest::sample::select(vec![0.0, 0.4, 1.0]),
            rules in proptest::collection::vec(0..4usize, 3),
            weight in proptest::sample::select(vec![0.0, 0.5]),
        ) {
            const RULES: [Combine; 4] = [Combine::ArithmeticMean, Combine::GeometricMean, Combine::Minimum, Combine::Product];
            let [one, two, overall] = [0, 1, 2].map(|at| RULES[rules[at]]);
            let mut requisites = study(one, true, Missing::NotAssessed);
            requisites.push(requisite("cover", two, weight, vec![variable("reeds", 0.3, Missing::NotAssessed), variable("mud", 0.7, Missing::NotAssessed)]));
            let weights = [0.6, 0.4, weight];
            let of = |scores: &[f64], nearness: f64| {
                let mut counted = Counted::default();
                let mut score = |at: usize, from: usize, to: usize| {
                    crate::suitability::requisite_score(&requisites[at], &scores[from..to], &mut counted)
                };
                [score(0, 0, 2), score(1, 2, 3) * nearness, score(2, 3, 5)]
            };
            let own = of(&scores, nearness);
            let found = limiting(
                &requisites,
                overall,
                Site { variables: &scores, nearness: &[1.0, nearness, 1.0], requisites: &own, weights: &weights },
                &mut Room::default(),
            );
            let suitability = combined(overall, &own, &weights);
            if suitability >= 1.0 - EQUAL {
                proptest::prop_assert_eq!(found, Limit { code: NOTHING, raised: suitability });
                return Ok(());
            }
            let mut best = Choice { code: NOTHING, raised: f64::NEG_INFINITY, score: f64::INFINITY };
            // codes: two of water, one of nesting and its nearness, two of cover
            for (code, at) in [(1, 0), (2, 1), (3, 2), (5, 3), (6, 4)] {
                if code == 5 {
                    best.consider(4, combined(overall, &of(&scores, 1.0), &weights), nearness);
                }
                let mut raised = scores.clone();
                raised[at] = 1.0;
                best.consider(code, combined(overall, &of(&raised, nearness), &weights), scores[at]);
            }
            proptest::prop_assert_eq!(found, Limit { code: best.code, raised: best.raised });
        }
    }

    #[test]
    fn a_variable_left_out_is_no_factor_and_a_given_score_is() {
        let omitted = study(Combine::GeometricMean, false, Missing::Omit);
        assert_eq!(limit(&omitted, [0.9, f64::NAN, 0.95], 1.0).0, 1);
        let given = study(Combine::GeometricMean, false, Missing::Score(0.1));
        assert_eq!(limit(&given, [0.9, f64::NAN, 0.95], 1.0).0, 2);
    }
}
