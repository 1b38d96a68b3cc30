//! How good a map is and what its areas really are, from a stratified sample of ground truth: Olofsson, Foody, Herold,
//! Stehman, Woodcock and Wulder 2014, "Good practices for estimating area and assessing accuracy of land change", Remote
//! Sensing of Environment 148:42-57.
//!
//! The classes of the map are the strata. Weights are shares of the mapped area.

/// Normal value of a 95 % interval, as the paper rounds it.
pub const Z_95: f64 = 1.96;

/// A number with its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The number; `None` where it is not defined.
    pub value: Option<f64>,
    /// Its standard error; `None` where it is not defined.
    pub standard_error: Option<f64>,
}

impl Estimate {
    /// The 95 % interval, held inside `least` and `most`, as (low, high).
    pub fn interval(&self, least: f64, most: f64) -> Option<(f64, f64)> {
        let half = Z_95 * self.standard_error?;
        let value = self.value?;
        Some(((value - half).max(least), (value + half).min(most)))
    }

    /// Value and standard error times a number.
    pub fn times(&self, factor: f64) -> Estimate {
        Estimate {
            value: self.value.map(|v| v * factor),
            standard_error: self.standard_error.map(|s| s * factor),
        }
    }
}

/// What the sample says of one class.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClassAccuracy {
    /// User's accuracy: of the area mapped as this class, the share that is it. Not defined without mapped area.
    pub users: Estimate,
    /// Producer's accuracy: of the area that is this class, the share mapped as it. Not defined where the sample holds
    /// none.
    pub producers: Estimate,
    /// Share of the whole area that is this class, whatever the map says.
    pub share: Estimate,
}

/// What the sample says of a map.
#[derive(Clone, Debug, PartialEq)]
pub struct Accuracy {
    /// Estimated share of the whole area by map class (row) and reference class (column); sums to 1.
    pub shares: Vec<Vec<f64>>,
    /// Share of the area mapped right.
    pub overall: Estimate,
    /// By class.
    pub classes: Vec<ClassAccuracy>,
}

/// Why accuracy cannot be estimated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AccuracyError {
    /// The table is not square, or not as large as there are areas.
    #[error("{areas} mapped areas need a square table of as many rows and columns")]
    Size {
        /// Number of areas.
        areas: usize,
    },
    /// Areas that are negative or no number, or sum to nothing.
    #[error("mapped areas must be 0 or more, one of them more")]
    Areas,
    /// A class has mapped area but nobody looked there.
    #[error("class {class} (from 0) has mapped area, but no reference point")]
    NoPoints {
        /// Its place.
        class: usize,
    },
    /// Points in a class that is not on the map.
    #[error("class {class} (from 0) has reference points, but no mapped area")]
    NoArea {
        /// Its place.
        class: usize,
    },
}

/// Accuracy and areas of a map. `areas[i]`: mapped area of class i (any unit; 0 for a class the map does not hold, which
/// then has no points); `counts[i][j]`: points in map class i whose reference class is j.
///
/// Equations 4 and 9 (shares), 1 to 3 (accuracies), 5 to 7 (their variances), 10 (standard errors of shares) of the paper; their numbers
/// from memory.
/// The variance of a stratum needs two points: with one, every standard error that rests on it is not defined.
///
/// # Errors
/// [`AccuracyError`].
///
/// ```
/// use lentic_numerics::olofsson::estimate;
/// // by hand: .6 x .8 + .4 x .9 = .84; the first class covers .6 x .8 + .4 x .1 = .52
/// let found = estimate(&[60.0, 40.0], &[vec![8, 2], vec![1, 9]]).unwrap();
/// assert!((found.overall.value.unwrap() - 0.84).abs() < 1e-12);
/// assert!((found.classes[0].share.value.unwrap() - 0.52).abs() < 1e-12);
/// ```
pub fn estimate(areas: &[f64], counts: &[Vec<u64>]) -> Result<Accuracy, AccuracyError> {
    let size = areas.len();
    if counts.len() != size || counts.iter().any(|row| row.len() != size) {
        return Err(AccuracyError::Size { areas: size });
    }
    let whole: f64 = areas.iter().sum();
    if areas.iter().any(|area| !area.is_finite() || *area < 0.0) || !whole.is_finite() || whole <= 0.0 {
        return Err(AccuracyError::Areas);
    }
    let mut rows = Vec::with_capacity(size);
    for (class, (area, counts)) in areas.iter().zip(counts).enumerate() {
        let points: u64 = counts.iter().sum();
        match (points, *area > 0.0) {
            (0, true) => return Err(AccuracyError::NoPoints { class }),
            (1.., false) => return Err(AccuracyError::NoArea { class }),
            _ => rows.push(Row::new(area / whole, points, counts)),
        }
    }
    let shares: Vec<Vec<f64>> =
        rows.iter().map(|row| row.means.iter().map(|mean| row.weight * mean).collect()).collect();
    let classes: Vec<ClassAccuracy> = (0..size).map(|class| of_class(class, &rows, &shares)).collect();
    let overall = Estimate {
        value: Some((0..size).map(|i| shares[i][i]).sum()),
        standard_error: root_of_sum(
            rows.iter().enumerate().map(|(i, row)| Some(row.weight.powi(2) * row.variance(i)?)),
        ),
    };
    Ok(Accuracy { shares, overall, classes })
}

/// One map class: its weight and, by reference class, the share of its points.
struct Row {
    weight: f64,
    points: u64,
    means: Vec<f64>,
}

impl Row {
    fn new(weight: f64, points: u64, counts: &[u64]) -> Self {
        let mean = |count: &u64| if points == 0 { 0.0 } else { *count as f64 / points as f64 };
        Row { weight, points, means: counts.iter().map(mean).collect() }
    }

    /// Variance of the share of reference class `of`; 0 for a class without area, which has nothing to be unsure of.
    fn variance(&self, of: usize) -> Option<f64> {
        if self.points == 0 {
            return Some(0.0);
        }
        let mean = self.means[of];
        (self.points >= 2).then(|| mean * (1.0 - mean) / (self.points - 1) as f64)
    }
}

fn of_class(class: usize, rows: &[Row], shares: &[Vec<f64>]) -> ClassAccuracy {
    let row = &rows[class];
    let (mapped, right) = (row.points > 0, row.means[class]);
    let users = Estimate {
        value: mapped.then_some(right),
        standard_error: row.variance(class).filter(|_| mapped).map(f64::sqrt),
    };
    let share: f64 = shares.iter().map(|row| row[class]).sum();
    let found = share > 0.0;
    let part = if found { shares[class][class] / share } else { 0.0 };
    let missed = rows.iter().enumerate().map(|(i, row)| {
        let factor = if i == class { 1.0 - part } else { part };
        Some((row.weight * factor).powi(2) * row.variance(class)?)
    });
    let producers = Estimate {
        value: found.then_some(part),
        standard_error: root_of_sum(missed).filter(|_| found).map(|root| root / share),
    };
    let share = Estimate {
        value: Some(share),
        standard_error: root_of_sum(rows.iter().map(|row| Some(row.weight.powi(2) * row.variance(class)?))),
    };
    ClassAccuracy { users, producers, share }
}

/// Square root of a sum of which every term must be known.
fn root_of_sum(terms: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    terms.sum::<Option<f64>>().map(f64::sqrt)
}

/// Points needed for a standard error of overall accuracy, from the area and the expected user's accuracy of each class:
/// (sum of W sqrt(U (1 - U)) / standard error) squared, rounded up (equation 13, whose second term, for small maps, is left
/// out as the variances leave it out). `None` for a standard error that is not above 0, accuracies outside 0 to 1, or areas
/// that do not sum to something.
pub fn sample_size(areas: &[f64], accuracies: &[f64], standard_error: f64) -> Option<u64> {
    let spread = spreads(areas, accuracies)?.iter().map(|(weight, spread)| weight * spread).sum::<f64>();
    let size = (spread / standard_error).powi(2);
    // a size that is whole but for rounding is not rounded up
    (standard_error > 0.0 && size < 1e15).then(|| (size - 1e-9).ceil().max(0.0) as u64)
}

/// Standard error of overall accuracy (equation 5) that this many points by class will give if the accuracies come out as
/// expected; `None` as in [`sample_size`] and where a class with area has fewer than two points.
pub fn expected_standard_error(areas: &[f64], accuracies: &[f64], points: &[u64]) -> Option<f64> {
    if points.len() != areas.len() {
        return None;
    }
    root_of_sum(spreads(areas, accuracies)?.iter().zip(points).map(|((weight, spread), points)| {
        if *weight == 0.0 {
            return Some(0.0);
        }
        (*points >= 2).then(|| (weight * spread).powi(2) / (points - 1) as f64)
    }))
}

/// Weight and standard deviation of being right, by class.
fn spreads(areas: &[f64], accuracies: &[f64]) -> Option<Vec<(f64, f64)>> {
    let whole: f64 = areas.iter().sum();
    let sound = areas.len() == accuracies.len()
        && whole.is_finite()
        && whole > 0.0
        && areas.iter().all(|area| *area >= 0.0)
        && accuracies.iter().all(|accuracy| (0.0..=1.0).contains(accuracy));
    sound.then(|| areas.iter().zip(accuracies).map(|(a, u)| (a / whole, (u * (1.0 - u)).sqrt())).collect())
}

/// Shares `total` points out: those set beforehand in `set`, then by area, but at least `minimum` in each of the others
/// (as in the paper's example: a fixed number for rare classes, the rest by area). Whole numbers by largest remainder, the first of
/// equals. The sum is above `total` where what is set and the minimum ask for more. Lengths must agree; areas are above 0.
pub fn allocate(areas: &[f64], total: u64, minimum: u64, set: &[Option<u64>]) -> Vec<u64> {
    let mut points: Vec<Option<u64>> =
        set.iter().copied().chain(std::iter::repeat(None)).take(areas.len()).collect();
    loop {
        let rest = total.saturating_sub(points.iter().flatten().sum()) as f64;
        let open: Vec<usize> = (0..areas.len()).filter(|i| points[*i].is_none()).collect();
        let whole: f64 = open.iter().map(|i| areas[*i]).sum();
        let quota = |i: usize| rest * areas[i] / whole;
        let poor: Vec<usize> = open.iter().copied().filter(|i| quota(*i) < minimum as f64).collect();
        if !poor.is_empty() {
            // what they take leaves less for the others, who may then be poor too
            poor.into_iter().for_each(|i| points[i] = Some(minimum));
            continue;
        }
        for i in &open {
            points[*i] = Some(quota(*i).floor() as u64);
        }
        let given: u64 = points.iter().flatten().sum();
        let mut by_remainder = open;
        by_remainder.sort_by(|a, b| quota(*b).fract().total_cmp(&quota(*a).fract()).then(a.cmp(b)));
        for i in by_remainder.into_iter().take(total.saturating_sub(given) as usize) {
            points[i] = points[i].map(|n| n + 1);
        }
        return points.into_iter().map(|n| n.unwrap_or(minimum)).collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(found: Option<f64>, expected: f64) {
        assert!((found.unwrap() - expected).abs() < 1e-12, "{found:?} {expected}");
    }

    #[test]
    fn two_classes_by_hand() {
        // [[8, 2], [1, 9]], areas 60 and 40: S^2 = .36 x .16/9 + .16 x .09/9 = .008
        let found = estimate(&[60.0, 40.0], &[vec![8, 2], vec![1, 9]]).unwrap();
        near(found.overall.value, 0.84);
        near(found.classes[0].share.value, 0.52);
        near(found.classes[0].share.standard_error, 0.008f64.sqrt());
        near(found.classes[1].share.standard_error, 0.008f64.sqrt());
        near(found.classes[0].share.times(100.0).value, 52.0);
        near(found.classes[1].producers.value, 0.36 / 0.48);
        assert_eq!(found.shares[0], [0.48, 0.12]);
    }

    #[test]
    fn a_class_that_is_found_but_not_mapped() {
        let counts = [vec![7, 1, 2], vec![0, 10, 0], vec![0, 0, 0]];
        let found = estimate(&[30.0, 70.0, 0.0], &counts).unwrap();
        let third = &found.classes[2];
        assert_eq!((third.users.value, third.users.standard_error), (None, None));
        near(third.producers.value, 0.0);
        near(third.share.value, 0.06);
        near(third.share.standard_error, 0.3 * (0.16f64 / 9.0).sqrt());
    }

    #[test]
    fn a_class_that_nobody_found() {
        let found = estimate(&[30.0, 70.0], &[vec![0, 5], vec![0, 9]]).unwrap();
        let first = &found.classes[0];
        near(first.users.value, 0.0);
        assert_eq!((first.producers.value, first.producers.standard_error), (None, None));
        near(first.share.value, 0.0);
    }

    #[test]
    fn one_point_gives_no_standard_error() {
        let found = estimate(&[1.0, 1.0], &[vec![1, 0], vec![2, 8]]).unwrap();
        assert_eq!(found.overall.standard_error, None);
        assert_eq!(found.classes[0].users.standard_error, None);
        assert_eq!(found.classes[0].share.standard_error, None);
        assert!(found.classes[1].users.standard_error.is_some());
        assert_eq!(found.classes[0].share.interval(0.0, 1.0), None);
        near(found.overall.value, 0.9);
    }

    #[test]
    fn what_cannot_be_estimated() {
        assert_eq!(estimate(&[1.0], &[]), Err(AccuracyError::Size { areas: 1 }));
        assert_eq!(estimate(&[1.0], &[vec![1, 2]]), Err(AccuracyError::Size { areas: 1 }));
        assert_eq!(estimate(&[0.0], &[vec![0]]), Err(AccuracyError::Areas));
        assert_eq!(estimate(&[f64::NAN], &[vec![1]]), Err(AccuracyError::Areas));
        let counts = [vec![0, 0], vec![1, 9]];
        assert_eq!(estimate(&[1.0, 9.0], &counts), Err(AccuracyError::NoPoints { class: 0 }));
        assert_eq!(estimate(&[0.0, 9.0], &[vec![1, 0], vec![1, 9]]), Err(AccuracyError::NoArea { class: 0 }));
    }

    #[test]
    fn sizes_that_cannot_be() {
        for bad in [0.0, -0.01, f64::NAN] {
            assert_eq!(sample_size(&[1.0], &[0.8], bad), None, "{bad}");
        }
        assert_eq!(sample_size(&[1.0], &[1.2], 0.1), None);
        assert_eq!(sample_size(&[0.0], &[0.8], 0.1), None);
        assert_eq!(sample_size(&[1.0], &[1.0], 0.1), Some(0));
        // (.4/.05)^2 = 64 exactly
        assert_eq!(sample_size(&[3.0, 5.0], &[0.8, 0.8], 0.05), Some(64));
        assert_eq!(expected_standard_error(&[1.0], &[0.8], &[1]), None);
        near(expected_standard_error(&[1.0], &[0.8], &[65]), 0.05);
    }

    #[test]
    fn points_are_shared_out() {
        // rest 491 over .32 and .645: 162.8 and 328.2 (the paper rounds to 165 and 325)
        assert_eq!(allocate(&[0.02, 0.015, 0.32, 0.645], 641, 75, &[None; 4]), [75, 75, 163, 328]);
        assert_eq!(allocate(&[1.0, 1.0, 1.0], 10, 0, &[None; 3]), [4, 3, 3]);
        // the second is poor only once the first has its minimum: quotas 2, 20, 78, then 18.9
        assert_eq!(allocate(&[2.0, 20.0, 78.0], 100, 20, &[None; 3]), [20, 20, 60]);
        assert_eq!(allocate(&[1.0, 9.0], 4, 5, &[None; 2]), [5, 5]);
        assert_eq!(allocate(&[1.0, 9.0], 40, 5, &[Some(3), None]), [3, 37]);
        assert_eq!(allocate(&[1.0, 9.0], 40, 5, &[Some(30), Some(20)]), [30, 20]);
    }

    proptest! {
        #[test]
        fn the_minimum_and_the_total_hold(
            areas in prop::collection::vec(0.01f64..1000.0, 1..8),
            total in 0u64..2000,
            minimum in 0u64..100,
        ) {
            let points = allocate(&areas, total, minimum, &vec![None; areas.len()]);
            prop_assert!(points.iter().all(|n| *n >= minimum));
            prop_assert_eq!(points.iter().sum::<u64>(), total.max(minimum * areas.len() as u64));
        }

        #[test]
        fn shares_sum_to_one_and_lie_in_their_intervals(
            counts in prop::collection::vec(prop::collection::vec(0u64..40, 3), 3),
            areas in prop::collection::vec(0.1f64..1e7, 3),
        ) {
            prop_assume!(counts.iter().all(|row| row.iter().sum::<u64>() >= 2));
            let found = estimate(&areas, &counts).unwrap();
            let sum: f64 = found.classes.iter().map(|c| c.share.value.unwrap()).sum();
            prop_assert!((sum - 1.0).abs() < 1e-12);
            for class in &found.classes {
                let (low, high) = class.share.interval(0.0, 1.0).unwrap();
                let share = class.share.value.unwrap();
                prop_assert!(0.0 <= low && low <= share && share <= high && high <= 1.0);
            }
        }
    }
}
