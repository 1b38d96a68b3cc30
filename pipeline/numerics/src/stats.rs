//! Medians and quantiles.

/// The median; `None` for no values or any NaN. The mean of the two middle values where their number is even.
pub fn median(values: &[f64]) -> Option<f64> {
    median_in_place(&mut values.to_vec())
}

/// As [`median`], reordering `values` instead of copying them.
pub fn median_in_place(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() || values.iter().any(|v| v.is_nan()) {
        return None;
    }
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    if odd {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(lower + (upper - lower) / 2.0)
}

/// The quantile at `share` in [0, 1], linear between order statistics (type 7 of Hyndman and Fan 1996, The
/// American Statistician 50:361-365). `None` for no values, any NaN, or a share outside [0, 1].
pub fn quantile(values: &[f64], share: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    quantile_of_sorted(&sorted, share)
}

/// As [`quantile`], for values already in rising order.
pub fn quantile_of_sorted(sorted: &[f64], share: f64) -> Option<f64> {
    // Total order puts NaN first (negative) or last (positive).
    let (first, last) = (sorted.first()?, sorted.last()?);
    if first.is_nan() || last.is_nan() || !(0.0..=1.0).contains(&share) {
        return None;
    }
    let position = share * (sorted.len() - 1) as f64;
    let below = position.floor() as usize;
    let lower = *sorted.get(below)?;
    let upper = *sorted.get(below + 1).unwrap_or(&lower);
    Some(lower + (upper - lower) * (position - below as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_match_numpy() {
        // numpy 2.4: np.quantile([7, 1, 3, 10, 4], q) for q = 0, .1, .25, .5, .95, 1
        let values = [7.0, 1.0, 3.0, 10.0, 4.0];
        for (share, expected) in [(0.0, 1.0), (0.1, 1.8), (0.25, 3.0), (0.5, 4.0), (0.95, 9.4), (1.0, 10.0)] {
            let found = quantile(&values, share).unwrap();
            assert!((found - expected).abs() < 1e-12, "{share}: {found}");
        }
    }

    #[test]
    fn medians() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 2.0, 10.0]), Some(3.0));
        assert_eq!(median(&[5.0]), Some(5.0));
        let values = [0.3, -2.0, 8.5, 1.25, 1.25, 7.0, -0.5];
        assert_eq!(median(&values), quantile(&values, 0.5));
    }

    #[test]
    fn what_has_no_quantile() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[1.0, f64::NAN]), None);
        assert_eq!(quantile(&[], 0.5), None);
        assert_eq!(quantile(&[1.0, -f64::NAN], 0.5), None);
        assert_eq!(quantile(&[1.0], 1.5), None);
        assert_eq!(quantile_of_sorted(&[1.0, 2.0], f64::NAN), None);
    }
}
