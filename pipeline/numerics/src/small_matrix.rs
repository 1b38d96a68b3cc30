//! Symmetric positive matrices of a size known at compile time, on the stack.

// Indices of small square matrices read as in the formulas; iterators would hide them.
#![allow(clippy::needless_range_loop)]

/// Lower triangle L with L L' = `matrix` (symmetric). A pivot that is not positive means `None`, unless it is exactly
/// 0 and `allow_zero` holds: then its column is 0.
pub(crate) fn cholesky<const P: usize>(matrix: &[[f64; P]; P], allow_zero: bool) -> Option<[[f64; P]; P]> {
    let mut lower = [[0.0; P]; P];
    for j in 0..P {
        let mut pivot = matrix[j][j];
        for k in 0..j {
            pivot -= lower[j][k] * lower[j][k];
        }
        if allow_zero && pivot == 0.0 {
            continue;
        }
        // What rounding leaves of a pivot that should be 0 must not pass for a positive one.
        if !pivot.is_finite() || pivot <= 1e-14 * matrix[j][j] {
            return None;
        }
        let root = pivot.sqrt();
        lower[j][j] = root;
        for i in j + 1..P {
            let mut sum = matrix[i][j];
            for k in 0..j {
                sum -= lower[i][k] * lower[j][k];
            }
            lower[i][j] = sum / root;
        }
    }
    Some(lower)
}

/// The x with L L' x = `right`.
pub(crate) fn solve<const P: usize>(lower: &[[f64; P]; P], right: &[f64; P]) -> [f64; P] {
    let mut x = *right;
    for i in 0..P {
        for k in 0..i {
            x[i] -= lower[i][k] * x[k];
        }
        x[i] /= lower[i][i];
    }
    for i in (0..P).rev() {
        for k in i + 1..P {
            x[i] -= lower[k][i] * x[k];
        }
        x[i] /= lower[i][i];
    }
    x
}

/// The inverse of L L'.
pub(crate) fn inverse<const P: usize>(lower: &[[f64; P]; P]) -> [[f64; P]; P] {
    let mut inverse = [[0.0; P]; P];
    for j in 0..P {
        let mut unit = [0.0; P];
        unit[j] = 1.0;
        let column = solve(lower, &unit);
        for i in 0..P {
            inverse[i][j] = column[i];
        }
    }
    inverse
}

#[cfg(test)]
mod tests {
    use super::*;

    const MATRIX: [[f64; 3]; 3] = [[4.0, 2.0, 0.6], [2.0, 5.0, 1.5], [0.6, 1.5, 3.0]];

    #[test]
    fn factor_solution_and_inverse_multiply_back() {
        let lower = cholesky(&MATRIX, false).unwrap();
        let inverse = inverse(&lower);
        let x = solve(&lower, &[1.0, -2.0, 0.5]);
        for i in 0..3 {
            let right: f64 = (0..3).map(|k| MATRIX[i][k] * x[k]).sum();
            assert!((right - [1.0, -2.0, 0.5][i]).abs() < 1e-14);
            for j in 0..3 {
                let square: f64 = (0..3).map(|k| lower[i][k] * lower[j][k]).sum();
                assert!((square - MATRIX[i][j]).abs() < 1e-14);
                let unit: f64 = (0..3).map(|k| MATRIX[i][k] * inverse[k][j]).sum();
                assert!((unit - f64::from(u8::from(i == j))).abs() < 1e-14);
            }
        }
    }

    #[test]
    fn matrices_that_are_not_positive() {
        assert_eq!(cholesky(&[[1.0, 2.0], [2.0, 1.0]], false), None);
        assert_eq!(cholesky(&[[1.0, 1.0], [1.0, 1.0]], false), None);
        assert_eq!(cholesky(&[[f64::NAN]], true), None);
        assert_eq!(cholesky(&[[0.0, 0.0], [0.0, 9.0]], false), None);
        assert_eq!(cholesky(&[[0.0, 0.0], [0.0, 9.0]], true), Some([[0.0, 0.0], [0.0, 3.0]]));
    }
}
