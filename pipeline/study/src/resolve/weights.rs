//! Weights, written one by one or from pairwise comparison (Saaty 1980).

use super::context::Context;
use crate::options::Combine;
use crate::source::key;
use lentic_numerics::pairwise;

/// From this consistency ratio on, pairwise weights are refused (Saaty 1980).
const INCONSISTENT: f64 = 0.10;

/// How far a fraction may lie from the inverse it stands for: 1/3 typed as 0.33 or 0.333 (ours).
const TYPED_TO_TWO_DECIMALS: f64 = 0.0051;

/// One set of weights as written.
pub(super) struct Written<'a> {
    /// Address of the table that holds `pairwise`.
    pub at: &'a str,
    /// Addresses of the `weight` keys, in order.
    pub weight_keys: &'a [String],
    pub weights: Vec<Option<f64>>,
    pub pairwise: Option<&'a [Vec<f64>]>,
    pub accept_inconsistent: bool,
    pub combine: Combine,
    /// Address of the table or list of what is weighed.
    pub weighed: &'a str,
    /// What is weighed, for messages: "variables".
    pub what: &'a str,
}

/// Weights that sum to 1, and the consistency ratio where they come from pairwise comparison.
pub(super) struct Weights {
    pub values: Vec<f64>,
    pub consistency_ratio: Option<f64>,
}

/// The weights; once a problem is told, equal ones stand in.
pub(super) fn weights(context: &mut Context<'_>, written: &Written<'_>) -> Weights {
    let count = written.weights.len();
    let equal = Weights { values: vec![1.0 / count.max(1) as f64; count], consistency_ratio: None };
    warn_unused(context, written);
    match written.pairwise {
        Some(matrix) => from_pairs(context, written, matrix).unwrap_or(equal),
        None => {
            let values: Vec<f64> = written.weights.iter().map(|w| w.unwrap_or(1.0)).collect();
            let sum: f64 = values.iter().sum();
            if count > 0 && !(sum > 0.0 && sum.is_finite()) {
                let at = written.weight_keys.first().map_or(written.at, String::as_str);
                let message = format!("the weights of the {} sum to {sum}", written.what);
                context.problem(at, message, "give at least one of them a weight above 0");
                return equal;
            }
            Weights { values: values.iter().map(|weight| weight / sum).collect(), consistency_ratio: None }
        }
    }
}

fn warn_unused(context: &mut Context<'_>, written: &Written<'_>) {
    let word = match written.combine {
        Combine::Minimum => "minimum",
        Combine::Product => "product",
        Combine::ArithmeticMean | Combine::GeometricMean => return,
    };
    if written.pairwise.is_some() || written.weights.iter().any(Option::is_some) {
        let message =
            format!("the weights of the {} have no effect: they combine by \"{word}\"", written.what);
        context.warn(&key(written.at, "combine"), message, "weights are for means");
    }
}

fn from_pairs(context: &mut Context<'_>, written: &Written<'_>, matrix: &[Vec<f64>]) -> Option<Weights> {
    let at = key(written.at, "pairwise");
    let mut mixed = false;
    for (weight, at_weight) in written.weights.iter().zip(written.weight_keys) {
        if weight.is_some() {
            mixed = true;
            let message = format!("{at_weight} stands beside {at}");
            context.problem_at_key(at_weight, message, "keep the one or the other");
        }
    }
    if context.spoilt.within(&at) || context.spoilt.open(written.weighed) {
        return None;
    }
    let count = written.weights.len();
    if matrix.len() != count {
        let (rows, what) = (matrix.len(), written.what);
        let message = format!("{at} has {rows} row(s) for {count} {what}");
        context.problem(&at, message, format!("give {count} rows of {count} numbers"));
        return None;
    }
    let result = match pairwise::weights(&exact_inverses(matrix)) {
        Ok(result) => result,
        Err(error) => {
            let help =
                "row i, column j says how much i outweighs j; j against i is its inverse, 1 on the diagonal";
            context.problem(&at, format!("{at}: {error}"), help);
            return None;
        }
    };
    let ratio = result.consistency_ratio;
    let accepted = written.accept_inconsistent || context.spoilt.meant(written.at, "accept_inconsistent");
    if ratio >= INCONSISTENT && !accepted {
        let message = format!(
            "{at} contradicts itself: consistency ratio {ratio:.3}, and below {INCONSISTENT:.2} is expected"
        );
        let help = "compare the pairs again, or take it as it is with accept_inconsistent = true";
        context.problem(&at, message, help);
        return None;
    }
    (!mixed).then_some(Weights { values: result.weights, consistency_ratio: Some(ratio) })
}

/// TOML has no fractions: a number that is the rounded inverse of its mirror image becomes the exact one.
fn exact_inverses(matrix: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let mut exact = matrix.to_vec();
    for (i, row) in exact.iter_mut().enumerate() {
        for (j, value) in row.iter_mut().enumerate() {
            let mirror = matrix.get(j).and_then(|row| row.get(i)).copied();
            let inverse = mirror.filter(|mirror| *mirror > 1.0).map(|mirror| 1.0 / mirror);
            if let Some(inverse) = inverse.filter(|inverse| (*value - inverse).abs() <= TYPED_TO_TWO_DECIMALS)
            {
                *value = inverse;
            }
        }
    }
    exact
}
