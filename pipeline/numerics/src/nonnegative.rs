//! Least squares of a few unknowns none of which may be negative.

use crate::small_matrix::{cholesky, solve};

/// The `x >= 0` that minimises `x'Hx/2 - g'x`, for a symmetric, positive definite `hessian` and a `gradient` at 0 of `g`.
///
/// All 2^P sets of unknowns that stay above 0 are tried, so the answer is exact and does not depend on a start; meant for P up to
/// about 8. `None` where the matrix is not positive definite or not finite.
///
/// Source: Lawson and Hanson (1974), Solving Least Squares Problems, chapter 23, for the problem; trying all sets replaces their search.
///
/// ```
/// # use lentic_numerics::nonnegative::nonnegative;
/// // 2 (x - 1)^2 + 2 (y + 2)^2: y would be -2
/// assert_eq!(nonnegative(&[[4.0, 0.0], [0.0, 4.0]], &[4.0, -8.0]), Some([1.0, 0.0]));
/// ```
pub fn nonnegative<const P: usize>(hessian: &[[f64; P]; P], gradient: &[f64; P]) -> Option<[f64; P]> {
    let mut best: Option<(f64, [f64; P])> = None;
    for set in 0..1usize << P {
        let free = |k: usize| set >> k & 1 == 1;
        let matrix = std::array::from_fn(|i| {
            std::array::from_fn(|j| match (free(i) && free(j), i == j) {
                (true, _) => hessian[i][j],
                (false, same) => f64::from(u8::from(same)),
            })
        });
        let right = std::array::from_fn(|k| if free(k) { gradient[k] } else { 0.0 });
        let x = solve(&cholesky(&matrix, false)?, &right);
        if !x.iter().all(|value| *value >= 0.0) {
            continue;
        }
        // at the minimum over a set the objective is -g'x/2
        let gain: f64 = x.iter().zip(&right).map(|(x, g)| x * g).sum();
        if best.is_none_or(|(found, _)| gain > found) {
            best = Some((gain, x));
        }
    }
    best.map(|(_, x)| x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The conditions of Karush, Kuhn and Tucker, which only the minimum meets.
        #[test]
        fn the_conditions_of_the_minimum_hold(
            rows in prop::collection::vec(prop::array::uniform5(-2.0f64..2.0), 6..20),
            wanted in prop::array::uniform5(-1.0f64..1.0),
        ) {
            let mut hessian = [[0.0; 5]; 5];
            let mut gradient = [0.0; 5];
            for row in &rows {
                let y: f64 = row.iter().zip(&wanted).map(|(x, w)| x * w).sum();
                for i in 0..5 {
                    gradient[i] += row[i] * y;
                    for j in 0..5 {
                        hessian[i][j] += row[i] * row[j];
                    }
                }
            }
            (0..5).for_each(|k| hessian[k][k] += 0.1);
            let x = nonnegative(&hessian, &gradient).unwrap();
            for k in 0..5 {
                let slope: f64 = hessian[k].iter().zip(&x).map(|(h, x)| h * x).sum::<f64>() - gradient[k];
                prop_assert!(x[k] >= 0.0 && slope > -1e-9 && (x[k] * slope).abs() < 1e-9, "{x:?} {slope}");
            }
        }
    }

    #[test]
    fn what_is_no_matrix_of_least_squares_is_refused() {
        assert_eq!(nonnegative(&[[0.0]], &[1.0]), None);
        assert_eq!(nonnegative(&[[f64::NAN]], &[1.0]), None);
        assert_eq!(nonnegative(&[[1.0]], &[-1.0]), Some([0.0]));
    }
}
