//! Ranks and rank correlation.

/// Ranks from 1, tied values sharing the mean of theirs. A NaN makes every rank NaN.
pub fn mid_ranks(values: &[f64]) -> Vec<f64> {
    if values.iter().any(|v| v.is_nan()) {
        return vec![f64::NAN; values.len()];
    }
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_unstable_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut start = 0;
    while start < order.len() {
        let value = values[order[start]];
        let tied = order[start..].iter().take_while(|at| values[**at] == value).count();
        let rank = start as f64 + (tied as f64 + 1.0) / 2.0;
        for at in &order[start..start + tied] {
            ranks[*at] = rank;
        }
        start += tied;
    }
    ranks
}

/// Spearman's rank correlation: Pearson's correlation of the mid-ranks (Spearman 1904, Am. J. Psychology 15:72-101; ties
/// as is common practice). `None` for fewer than 2 pairs, slices of different length, a NaN, or where one side is constant.
///
/// ```
/// use lentic_numerics::rank::spearman;
/// // Five classes, observed over expected counts 0.25, 1.4, 0.75, 2.5, 3: one pair out of order.
/// assert_eq!(spearman(&[0.25, 1.4, 0.75, 2.5, 3.0], &[1.0, 2.0, 3.0, 4.0, 5.0]), Some(0.9));
/// ```
pub fn spearman(x: &[f64], y: &[f64]) -> Option<f64> {
    if x.len() != y.len() || x.len() < 2 {
        return None;
    }
    let (x, y) = (mid_ranks(x), mid_ranks(y));
    let mean = (x.len() as f64 + 1.0) / 2.0;
    let mut sums = [0.0; 3];
    for (a, b) in x.iter().zip(&y) {
        let (a, b) = (a - mean, b - mean);
        sums[0] += a * b;
        sums[1] += a * a;
        sums[2] += b * b;
    }
    let [product, xx, yy] = sums;
    (xx > 0.0 && yy > 0.0).then(|| product / (xx * yy).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ties_share_the_mean_of_their_ranks() {
        // scipy 1.17.1: stats.rankdata([3, 1, 3, 2, 3])
        assert_eq!(mid_ranks(&[3.0, 1.0, 3.0, 2.0, 3.0]), [4.0, 1.0, 4.0, 2.0, 4.0]);
        assert!(mid_ranks(&[]).is_empty());
        assert!(mid_ranks(&[1.0, f64::NAN]).iter().all(|r| r.is_nan()));
    }

    #[test]
    fn correlations_match_scipy() {
        // scipy 1.17.1: stats.spearmanr(x, y).statistic
        let x = [10.0, 2.0, 2.0, 7.0, 5.0, 5.0, 5.0];
        let y = [1.0, 0.5, 3.0, 3.0, 2.0, 9.0, -1.0];
        assert!((spearman(&x, &y).unwrap() - 0.047_203_432_003_085_06).abs() < 1e-15);
        assert_eq!(spearman(&[1.0, 2.0, 3.0], &[9.0, 4.0, 1.0]), Some(-1.0));
    }

    #[test]
    fn what_has_no_correlation() {
        assert_eq!(spearman(&[1.0, 1.0], &[1.0, 2.0]), None);
        assert_eq!(spearman(&[1.0], &[1.0]), None);
        assert_eq!(spearman(&[1.0, 2.0], &[1.0]), None);
        assert_eq!(spearman(&[1.0, f64::NAN], &[1.0, 2.0]), None);
    }
}
