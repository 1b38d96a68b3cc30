//! Weights from pairwise comparison: Saaty 1977, J. Math. Psychol. 15:234-281; Saaty 1980, The Analytic Hierarchy
//! Process.

/// Mean consistency index of random matrices of size 1, 2, ... 10 (Saaty 1980).
const RANDOM_INDEX: [f64; 10] = [0.0, 0.0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49];

/// How far a(i, j) times a(j, i) may lie from 1.
const RECIPROCAL_TOLERANCE: f64 = 1e-6;

/// Relative change of the weights at which the iteration ends.
const CONVERGED: f64 = 1e-15;

/// Weights and how consistent the comparisons are.
#[derive(Clone, Debug, PartialEq)]
pub struct Pairwise {
    /// Principal eigenvector, summing to 1.
    pub weights: Vec<f64>,
    /// Principal eigenvalue; equal to the size for consistent comparisons.
    pub lambda_max: f64,
    /// (lambda_max - n) / (n - 1); 0 for one or two items.
    pub consistency_index: f64,
    /// Consistency index over that of random comparisons; Saaty accepts below 0.10.
    pub consistency_ratio: f64,
}

/// A matrix that is no set of pairwise comparisons. Rows and columns count from 1.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PairwiseError {
    /// No rows, or more than the random index is known for.
    #[error("{0} items are compared: give between 1 and 10")]
    Size(usize),
    /// A row of another length.
    #[error("row {row} has {found} values: a comparison of {expected} items needs {expected} in each row")]
    NotSquare {
        /// The row.
        row: usize,
        /// Its length.
        found: usize,
        /// The number of rows.
        expected: usize,
    },
    /// A value that is not a positive number.
    #[error("row {row}, column {column} holds {value}: comparisons are positive numbers, such as 3 or 0.333")]
    NotPositive {
        /// The row.
        row: usize,
        /// The column.
        column: usize,
        /// What is there.
        value: f64,
    },
    /// Two values that do not mirror each other, or a diagonal that is not 1.
    #[error(
        "row {row}, column {column} holds {value}, but row {column}, column {row} holds {mirror}: one must be 1 divided by the other"
    )]
    NotReciprocal {
        /// The row.
        row: usize,
        /// The column.
        column: usize,
        /// The value there.
        value: f64,
        /// The value mirrored at the diagonal.
        mirror: f64,
    },
}

/// Weights of a square matrix whose a(i, j) says how many times as important item i is as item j.
///
/// # Errors
/// [`PairwiseError`] unless the matrix is square, of 1 to 10 items, positive and reciprocal within 1e-6.
/// An inconsistent matrix is no error: judge `consistency_ratio`.
pub fn weights(matrix: &[Vec<f64>]) -> Result<Pairwise, PairwiseError> {
    check(matrix)?;
    let n = matrix.len();
    // A positive matrix has one dominant eigenvalue (Perron), so repeated multiplication must converge.
    let mut weights = vec![1.0 / n as f64; n];
    let mut lambda_max = n as f64;
    for _ in 0..10_000 {
        let product: Vec<f64> =
            matrix.iter().map(|row| row.iter().zip(&weights).map(|(a, w)| a * w).sum()).collect();
        lambda_max = product.iter().sum();
        let next: Vec<f64> = product.iter().map(|p| p / lambda_max).collect();
        let change = next.iter().zip(&weights).map(|(new, old)| (new - old).abs() / new).fold(0.0, f64::max);
        weights = next;
        if change <= CONVERGED {
            break;
        }
    }
    // Rounding may leave a consistent matrix a hair below its size; it has no negative index.
    let consistency_index = if n > 2 { ((lambda_max - n as f64) / (n as f64 - 1.0)).max(0.0) } else { 0.0 };
    let random = RANDOM_INDEX[n - 1];
    Ok(Pairwise {
        weights,
        lambda_max,
        consistency_index,
        consistency_ratio: if random > 0.0 { consistency_index / random } else { 0.0 },
    })
}

fn check(matrix: &[Vec<f64>]) -> Result<(), PairwiseError> {
    let n = matrix.len();
    if !(1..=RANDOM_INDEX.len()).contains(&n) {
        return Err(PairwiseError::Size(n));
    }
    for (i, row) in matrix.iter().enumerate() {
        if row.len() != n {
            return Err(PairwiseError::NotSquare { row: i + 1, found: row.len(), expected: n });
        }
        if let Some(j) = row.iter().position(|a| !(a.is_finite() && *a > 0.0)) {
            return Err(PairwiseError::NotPositive { row: i + 1, column: j + 1, value: row[j] });
        }
    }
    for (i, row) in matrix.iter().enumerate() {
        for (j, other) in matrix.iter().enumerate().skip(i) {
            let (value, mirror) = (row[j], other[i]);
            if (value * mirror - 1.0).abs() > RECIPROCAL_TOLERANCE {
                return Err(PairwiseError::NotReciprocal { row: i + 1, column: j + 1, value, mirror });
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn consistent_comparisons_return_their_weights() {
        let matrix = vec![vec![1.0, 2.0, 4.0], vec![0.5, 1.0, 2.0], vec![0.25, 0.5, 1.0]];
        let found = weights(&matrix).unwrap();
        for (w, expected) in found.weights.iter().zip([4.0 / 7.0, 2.0 / 7.0, 1.0 / 7.0]) {
            assert!((w - expected).abs() < 1e-14);
        }
        assert!(found.consistency_ratio.abs() < 1e-12 && (found.lambda_max - 3.0).abs() < 1e-12);
    }

    #[test]
    fn one_and_two_items() {
        assert_eq!(weights(&[vec![1.0]]).unwrap().weights, [1.0]);
        let two = weights(&[vec![1.0, 3.0], vec![1.0 / 3.0, 1.0]]).unwrap();
        assert!((two.weights[0] - 0.75).abs() < 1e-14);
        assert_eq!((two.consistency_index, two.consistency_ratio), (0.0, 0.0));
    }

    #[test]
    fn a_wrong_matrix_is_named() {
        assert_eq!(weights(&[]), Err(PairwiseError::Size(0)));
        assert_eq!(weights(&vec![vec![1.0; 11]; 11]), Err(PairwiseError::Size(11)));
        let short = weights(&[vec![1.0, 2.0], vec![0.5]]);
        assert_eq!(short, Err(PairwiseError::NotSquare { row: 2, found: 1, expected: 2 }));
        let zero = weights(&[vec![1.0, 0.0], vec![0.5, 1.0]]);
        assert_eq!(zero, Err(PairwiseError::NotPositive { row: 1, column: 2, value: 0.0 }));
        assert!(weights(&[vec![f64::NAN]]).is_err());
        let skew = weights(&[vec![1.0, 3.0], vec![0.5, 1.0]]).unwrap_err();
        assert!(skew.to_string().starts_with("row 1, column 2 holds 3, but row 2, column 1 holds 0.5"));
        assert!(weights(&[vec![2.0]]).is_err());
        // Written to three digits: 0.333 times 3 is 0.999, too far from 1 to be a slip of rounding in f64
        assert!(weights(&[vec![1.0, 3.0], vec![0.333, 1.0]]).is_err());
    }
}
