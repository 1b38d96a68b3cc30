//! A stage-structured population as a projection matrix: growth, stable structure, elasticities.
//!
//! Caswell 2001, Matrix Population Models, 2nd ed. (chapters 4, 5 and 9; from memory).

use nalgebra::linalg::Schur;
use nalgebra::{DMatrix, DVector};

/// Steps after which a search for eigenvalues is given up: matrices of a few stages take dozens, and one whose numbers lie beyond all
/// measure apart may never end.
const MOST_STEPS: usize = 10_000;

/// What a projection matrix says of a population that neither drought nor want of room touches.
#[derive(Clone, Debug, PartialEq)]
pub struct Growth {
    /// Dominant eigenvalue: factor a year.
    pub lambda: f64,
    /// Share of each stage in the long run; they sum to 1.
    pub stable: Vec<f64>,
    /// Reproductive value of each stage, that of the first being 1 (of the first above 0 where that is 0).
    pub value: Vec<f64>,
    /// Elasticity of lambda to each entry, row by row; they sum to 1.
    pub elasticity: Vec<Vec<f64>>,
    /// Dominant eigenvalue over the size of the second; `None` where there is no second above 0.
    pub damping: Option<f64>,
}

/// Entries are negative or not finite, the matrix is not square, or growth does not follow from it: no population comes back
/// to a stage (all die, none is born), left and right eigenvectors share no stage, or its numbers lie so far apart that none is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the projection matrix has no growth rate: its stages do not come back to themselves")]
pub struct NoGrowth;

/// Growth of the population whose yearly step is n(t + 1) = A n(t), `matrix[i][j]` how many of stage i one of stage j becomes
/// or bears.
///
/// The eigenvectors are the singular vectors of A - lambda I for its singular value 0; elasticity of an entry a of row i and
/// column j is a v_i w_j / (lambda v'w), v reproductive values and w the stable structure.
///
/// # Errors
/// [`NoGrowth`].
///
/// ```
/// use lentic_numerics::stage_matrix::growth;
/// // by hand: lambda^2 = 0.5 lambda + 0.5
/// let found = growth(&[vec![0.0, 1.0], vec![0.5, 0.5]]).unwrap();
/// assert!((found.lambda - 1.0).abs() < 1e-12);
/// ```
pub fn growth(matrix: &[Vec<f64>]) -> Result<Growth, NoGrowth> {
    let n = matrix.len();
    let sound = |row: &Vec<f64>| row.len() == n && row.iter().all(|a| a.is_finite() && *a >= 0.0);
    if n == 0 || !matrix.iter().all(sound) {
        return Err(NoGrowth);
    }
    let a = DMatrix::from_fn(n, n, |row, col| matrix[row][col]);
    let schur = Schur::try_new(a.clone(), f64::EPSILON, MOST_STEPS).ok_or(NoGrowth)?;
    let mut sizes: Vec<f64> = schur.complex_eigenvalues().iter().map(|e| e.re.hypot(e.im)).collect();
    sizes.sort_unstable_by(|a, b| b.total_cmp(a));
    // of a matrix without negative entries the largest eigenvalue is real (Perron and Frobenius)
    let lambda = sizes[0];
    if !lambda.is_finite() || lambda <= 1e-9 {
        return Err(NoGrowth);
    }
    // in no order: ordering panics where numbers beyond all measure leave a singular value that is none
    let decomposed =
        (&a - DMatrix::identity(n, n) * lambda).try_svd_unordered(true, true, 5.0 * f64::EPSILON, MOST_STEPS);
    let decomposed = decomposed.ok_or(NoGrowth)?;
    if !decomposed.singular_values.iter().all(|value| value.is_finite()) {
        return Err(NoGrowth);
    }
    let (Some(left), Some(right)) = (&decomposed.u, &decomposed.v_t) else { return Err(NoGrowth) };
    let (at, _) = decomposed.singular_values.argmin();
    let w = one_sided(right.row(at).transpose());
    let v = one_sided(left.column(at).into_owned());
    let together = v.dot(&w);
    let (total, first) = (w.sum(), v.iter().copied().find(|v| *v > 0.0).unwrap_or(0.0));
    if !(together > 1e-12 && total > 0.0 && first > 0.0) {
        return Err(NoGrowth);
    }
    let elasticity = (0..n)
        .map(|row| (0..n).map(|col| a[(row, col)] * v[row] * w[col] / (lambda * together)).collect())
        .collect();
    Ok(Growth {
        lambda,
        stable: w.iter().map(|w| w / total).collect(),
        value: v.iter().map(|v| v / first).collect(),
        elasticity,
        damping: sizes.get(1).filter(|second| **second > 1e-12).map(|second| lambda / second),
    })
}

/// An eigenvector with its entries above 0; what rounding leaves below 0 is 0.
fn one_sided(vector: DVector<f64>) -> DVector<f64> {
    let sign = if vector.sum() < 0.0 { -1.0 } else { 1.0 };
    let largest = vector.amax();
    vector.map(|v| if sign * v > 1e-14 * largest { sign * v } else { 0.0 })
}

/// Share of a stage that stays in it, and share that grows into the next, in a year, from the yearly survival `p` of its animals
/// and the years `d` they are in it, equally many of each age surviving to the next: (1 - p^(d-1))/(1 - p^d) p and
/// p^d (1 - p)/(1 - p^d) (Crouse, Crowder and Caswell 1987, Ecology 68:1412-1423). `None` unless p lies in [0, 1] and d is 1 or
/// more.
pub fn stay_and_grow(p: f64, d: f64) -> Option<(f64, f64)> {
    if !((0.0..=1.0).contains(&p) && d >= 1.0 && d.is_finite()) {
        return None;
    }
    if p == 1.0 {
        // the limit: as many in each year of the stage
        return Some(((d - 1.0) / d, 1.0 / d));
    }
    let all = 1.0 - p.powf(d);
    Some(((1.0 - p.powf(d - 1.0)) / all * p, p.powf(d) * (1.0 - p) / all))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Crouse, Crowder and Caswell 1987, Ecology 68:1412-1423, table 4: a sea turtle in seven stages.
    fn seven_stages() -> Vec<Vec<f64>> {
        vec![
            vec![0.0, 0.0, 0.0, 0.0, 127.0, 4.0, 80.0],
            vec![0.6747, 0.7370, 0.0, 0.0, 0.0, 0.0, 0.0],
            vec![0.0, 0.0486, 0.6610, 0.0, 0.0, 0.0, 0.0],
            vec![0.0, 0.0, 0.0147, 0.6907, 0.0, 0.0, 0.0],
            vec![0.0, 0.0, 0.0, 0.0518, 0.0, 0.0, 0.0],
            vec![0.0, 0.0, 0.0, 0.0, 0.8091, 0.0, 0.0],
            vec![0.0, 0.0, 0.0, 0.0, 0.0, 0.8091, 0.8089],
        ]
    }

    #[test]
    fn a_published_turtle() {
        let found = growth(&seven_stages()).unwrap();
        // published: lambda 0.945; recomputed with numpy.linalg.eig
        assert!((found.lambda - 0.945_030_980_7).abs() < 1e-9, "{}", found.lambda);
        // published to four figures (from memory): 20.65 66.975 11.46 .6623 .0363 .0311 .1847 %, and 1.00 1.40 6.00 115.845
        // 568.78 507.37 587.67
        let stable = [20.65, 66.975, 11.46, 0.6623, 0.0363, 0.0311, 0.1847];
        for (found, published) in found.stable.iter().zip(stable) {
            assert!((100.0 * found - published).abs() < 1e-3, "{found} {published}");
        }
        let value = [1.0, 1.40, 6.00, 115.845, 568.78, 507.37, 587.67];
        for (found, published) in found.value.iter().zip(value) {
            assert!((found / published - 1.0).abs() < 1e-3, "{found} {published}");
        }
        // numpy.linalg.eig
        assert!((found.damping.unwrap() - 1.217_836_5).abs() < 1e-6);
        let sum = |of: &dyn Fn(usize, usize) -> bool| -> f64 {
            let all = (0..7).flat_map(|i| (0..7).map(move |j| (i, j)));
            all.filter(|(i, j)| of(*i, *j)).map(|(i, j)| found.elasticity[i][j]).sum()
        };
        assert!((sum(&|i, j| i == 0 && j > 0) - 0.051_002_048_5).abs() < 1e-9);
        assert!((sum(&|i, j| i == j) - 0.667_411_344_7).abs() < 1e-9);
        assert!((sum(&|i, j| i == j + 1) - 0.281_586_606_8).abs() < 1e-9);
        assert!((sum(&|_, _| true) - 1.0).abs() < 1e-12);
        // every egg living still does not save it (published: lambda stays under 1; 0.9649561636 by numpy)
        let mut safe = seven_stages();
        safe[1][0] = 1.0;
        assert!((growth(&safe).unwrap().lambda - 0.964_956_163_6).abs() < 1e-9);
    }

    #[test]
    fn published_shares_of_stages() {
        // Crouse et al. 1987, tables 3 and 4: survival, years, and the entries they give
        let table = [
            (0.7857, 7.0, 0.7370, 0.0486),
            (0.6758, 8.0, 0.6610, 0.0147),
            (0.7425, 6.0, 0.6907, 0.0518),
            (0.8091, 1.0, 0.0, 0.8091),
        ];
        for (p, d, stay, grow) in table {
            let found = stay_and_grow(p, d).unwrap();
            assert!((found.0 - stay).abs() < 1.1e-4 && (found.1 - grow).abs() < 6e-5, "{p} {found:?}");
            assert!((found.0 + found.1 - p).abs() < 1e-12);
        }
        assert_eq!(stay_and_grow(1.0, 4.0), Some((0.75, 0.25)));
        assert_eq!([stay_and_grow(1.1, 2.0), stay_and_grow(0.5, 0.5)], [None, None]);
    }

    /// Found by the fuzzer: the search for the eigenvalues of such a matrix never ends; by numpy.linalg.eigvals all are 2e-78 or less.
    #[test]
    fn numbers_beyond_all_measure_apart_end() {
        let bytes = include_bytes!("../../../tests/fuzz/seeds/matrix/endless");
        let numbers: Vec<f64> =
            bytes[1..].as_chunks::<8>().0.iter().map(|eight| f64::from_le_bytes(*eight)).collect();
        let number = |at: usize| numbers.get(at).copied().unwrap_or(0.0);
        let matrix: Vec<Vec<f64>> =
            (0..7).map(|row| (0..7).map(|col| number(7 * row + col)).collect()).collect();
        assert_eq!(growth(&matrix), Err(NoGrowth));
    }

    #[test]
    fn matrices_without_growth() {
        assert_eq!(growth(&[]), Err(NoGrowth));
        assert_eq!(growth(&[vec![0.0, 1.0]]), Err(NoGrowth));
        assert_eq!(growth(&[vec![-0.1]]), Err(NoGrowth));
        assert_eq!(growth(&[vec![f64::NAN]]), Err(NoGrowth));
        // nothing comes back: everyone grows on and dies
        assert_eq!(growth(&[vec![0.0, 0.0], vec![0.9, 0.0]]), Err(NoGrowth));
        // an old stage that bears none is no part of the growth, and has no value
        let old = growth(&[vec![0.0, 2.0, 0.0], vec![0.4, 0.5, 0.0], vec![0.0, 0.3, 0.6]]).unwrap();
        assert_eq!(old.value[2], 0.0);
        assert!(old.stable[2] > 0.0 && old.elasticity[2].iter().sum::<f64>() < 1e-12);
    }
}
