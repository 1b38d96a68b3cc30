//! Water indices of two bands and Otsu's threshold: Otsu 1979, IEEE Trans. Syst. Man Cybern. 9:62-66.

/// Bins of a histogram of real values.
pub const BINS: usize = 256;

/// Share of the variance that must lie between the classes of two-humped values (ours). Any one normal distribution
/// has 2/pi = 0.637 and an even spread 0.75, whatever their width, so this alone does not decide.
pub const LEAST_RATIO: f64 = 0.7;

/// The valley between the humps may be at most this share of the lower hump (ours).
pub const DEEPEST_VALLEY: f64 = 0.5;

/// Fewest values whose histogram can show humps: fewer, and chance alone makes valleys (ours).
pub const FEWEST: u64 = 1000;

/// A split of a histogram in two classes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Otsu {
    /// Last level (index into the counts) of the lower class; the upper class lies above it.
    pub level: usize,
    /// Variance between the classes, in levels squared.
    pub between: f64,
    /// Total variance, in levels squared.
    pub total: f64,
}

impl Otsu {
    /// Share of the variance that lies between the classes, 0 to 1.
    pub fn ratio(&self) -> f64 {
        self.between / self.total
    }
}

/// The level that maximises the variance between the levels up to it and those above; the lowest where several do.
/// `counts[i]` values lie at level i. `None` if fewer than two levels hold any.
///
/// ```
/// use lentic_numerics::otsu::otsu_counts;
/// assert_eq!(otsu_counts(&[8, 7, 2, 6, 9, 4]).unwrap().level, 2);
/// ```
pub fn otsu_counts(counts: &[u64]) -> Option<Otsu> {
    let n: f64 = counts.iter().map(|c| *c as f64).sum();
    let moment = |power: i32| -> f64 {
        let terms = counts.iter().enumerate();
        terms.map(|(i, c)| *c as f64 * (i as f64).powi(power)).sum::<f64>() / n
    };
    if counts.iter().filter(|c| **c > 0).count() < 2 {
        return None;
    }
    let mean = moment(1);
    let mut best = Otsu { level: 0, between: -1.0, total: moment(2) - mean * mean };
    let (mut below, mut first_moment) = (0.0, 0.0);
    for (level, count) in counts.iter().enumerate() {
        below += *count as f64;
        first_moment += *count as f64 * level as f64;
        if below == 0.0 || below == n {
            continue;
        }
        let share = below / n;
        let gap = mean * share - first_moment / n;
        let between = gap * gap / (share * (1.0 - share));
        if between > best.between {
            best = Otsu { level, between, ..best }
        }
    }
    Some(best)
}

/// Equal bins over the range of the values.
#[derive(Clone, Debug, PartialEq)]
pub struct Histogram {
    /// Values per bin.
    pub counts: Vec<u64>,
    /// Lower edge of the first bin.
    pub start: f64,
    /// Width of a bin.
    pub width: f64,
}

impl Histogram {
    /// An empty histogram of [`BINS`] bins from `least` to `greatest`; `None` if these are not two different finite
    /// numbers. For values that come in pieces: find their range first, then [`Histogram::add`] each.
    pub fn between(least: f64, greatest: f64) -> Option<Self> {
        let width = (greatest - least) / BINS as f64;
        (width > 0.0 && width.is_finite()).then(|| Histogram { counts: vec![0; BINS], start: least, width })
    }

    /// Counts a value; what is not finite is left out. Values beyond the range go to the bins at its ends.
    pub fn add(&mut self, value: f64) {
        if value.is_finite() {
            // The greatest value belongs to the last bin.
            let bin = (((value - self.start) / self.width) as usize).min(BINS - 1);
            self.counts[bin] += 1;
        }
    }

    /// Adds the counts of another histogram over the same bins.
    pub fn merge(&mut self, other: &Histogram) {
        for (count, more) in self.counts.iter_mut().zip(&other.counts) {
            *count += more;
        }
    }

    /// Otsu's threshold; `None` if fewer than two bins hold any value.
    pub fn threshold(&self) -> Option<Threshold> {
        let split = otsu_counts(&self.counts)?;
        let centre = self.start + (split.level as f64 + 0.5) * self.width;
        // All levels of an empty stretch split alike, and the centre of the first may lie within the lower class.
        let empty = self.counts[split.level + 1..].iter().take_while(|count| **count == 0).count();
        let middle = self.start + (split.level as f64 + 1.0 + empty as f64 / 2.0) * self.width;
        Some(Threshold {
            value: centre,
            clear: if empty > 0 { middle } else { centre },
            ratio: split.ratio(),
            two_humps: two_humps(&self.counts, &split),
        })
    }
}

/// A histogram of [`BINS`] bins from the least to the greatest finite value; others are left out. `None` if there are no
/// two different finite values.
pub fn histogram(values: &[f64]) -> Option<Histogram> {
    let finite = || values.iter().copied().filter(|v| v.is_finite());
    let (least, greatest) =
        finite().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
    let mut histogram = Histogram::between(least, greatest)?;
    values.iter().for_each(|value| histogram.add(*value));
    Some(histogram)
}

/// Otsu's threshold of real values over [`BINS`] bins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Threshold {
    /// Centre of the last bin of the lower class, as scikit-image has it; the upper class lies above it.
    pub value: f64,
    /// The same, but the middle of the empty bins above that bin where there are any: it keeps clear of both classes.
    pub clear: f64,
    /// Share of the variance between the classes.
    pub ratio: f64,
    /// Whether the values have two humps: see [`two_humps`].
    pub two_humps: bool,
}

/// Otsu's threshold of the finite values among `values`; `None` if no two of them differ.
pub fn otsu_values(values: &[f64]) -> Option<Threshold> {
    histogram(values)?.threshold()
}

/// Whether a split histogram has two humps worth a threshold (ours). Three things must hold: at least [`FEWEST`] values;
/// a share of at least [`LEAST_RATIO`] of the variance between the classes; and, in the histogram smoothed over a
/// sixteenth of its levels either way, a valley between the peaks of the two classes of at most [`DEEPEST_VALLEY`] of the
/// lower peak.
pub fn two_humps(counts: &[u64], split: &Otsu) -> bool {
    if counts.iter().sum::<u64>() < FEWEST || split.ratio() < LEAST_RATIO {
        return false;
    }
    let reach = counts.len() / 32;
    let smooth = smoothed(counts, reach);
    // the peak of a class is looked for among its own values, so that a narrow hump next to the split does not reach
    // across it
    let peak = |levels: std::ops::Range<usize>| {
        let own: Vec<u64> =
            counts.iter().enumerate().map(|(i, c)| if levels.contains(&i) { *c } else { 0 }).collect();
        let own = smoothed(&own, reach);
        levels.max_by(|a, b| own[*a].total_cmp(&own[*b]))
    };
    let (Some(low), Some(high)) = (peak(0..split.level + 1), peak(split.level + 1..counts.len())) else {
        return false;
    };
    let valley = smooth[low..=high].iter().copied().fold(f64::INFINITY, f64::min);
    valley <= DEEPEST_VALLEY * smooth[low].min(smooth[high])
}

/// Means over `reach` levels either side, fewer at the ends.
fn smoothed(counts: &[u64], reach: usize) -> Vec<f64> {
    (0..counts.len())
        .map(|i| {
            let window = &counts[i.saturating_sub(reach)..(i + reach + 1).min(counts.len())];
            window.iter().map(|c| *c as f64).sum::<f64>() / window.len() as f64
        })
        .collect()
}

/// (a - b) / (a + b), NaN where the sum is 0 or a value is missing. Green and near infrared give the water index of
/// McFeeters 1996, Int. J. Remote Sensing 17:1425-1432; green and short-wave infrared that of Xu 2006, ibid.
/// 27:3025-3033; water is above 0 in both.
pub fn normalised_difference(a: f64, b: f64) -> f64 {
    let sum = a + b;
    if sum == 0.0 { f64::NAN } else { (a - b) / sum }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::normal;

    /// `n` evenly spread quantiles of a normal distribution.
    fn hump(centre: f64, spread: f64, n: usize) -> Vec<f64> {
        (0..n).map(|i| centre + spread * normal::quantile((i as f64 + 0.5) / n as f64)).collect()
    }

    #[test]
    fn six_level_example() {
        // Counts 8 7 2 6 9 4 (a widespread teaching example, its within-class variance 0.4909 from memory); the
        // figures here by numpy
        let found = otsu_counts(&[8, 7, 2, 6, 9, 4]).unwrap();
        assert_eq!(found.level, 2);
        assert!((found.between - 2.628_714_692_5).abs() < 1e-9);
        assert!((found.total - 3.119_598_765_4).abs() < 1e-9);
        assert!((found.total - found.between - 0.4909).abs() < 5e-5);
        assert!((found.ratio() - 2.628_714_692_5 / 3.119_598_765_4).abs() < 1e-9);
    }

    #[test]
    fn histograms_without_two_levels() {
        assert_eq!(otsu_counts(&[]), None);
        assert_eq!(otsu_counts(&[0, 9, 0]), None);
        assert_eq!(otsu_counts(&[3, 0, 3]).map(|o| (o.level, o.ratio())), Some((0, 1.0)));
        assert_eq!(otsu_values(&[f64::NAN, 1.0, 1.0]), None);
        assert_eq!(histogram(&[0.0, f64::INFINITY, 2.56]).map(|h| h.counts.iter().sum()), Some(2u64));
    }

    #[test]
    fn a_histogram_in_pieces_is_that_of_the_whole() {
        let values = hump(0.1, 0.3, 999);
        let whole = histogram(&values).unwrap();
        let (mut first, mut second) = (Histogram { counts: vec![0; BINS], ..whole.clone() }, None);
        for piece in values.chunks(400) {
            let mut part = Histogram { counts: vec![0; BINS], ..whole.clone() };
            piece.iter().chain([&f64::NAN]).for_each(|value| part.add(*value));
            first.merge(&part);
            second = Some(part);
        }
        assert_eq!(first, whole);
        assert_ne!(second, Some(whole));
        assert_eq!(Histogram::between(1.0, 1.0), None);
        assert_eq!(Histogram::between(f64::INFINITY, f64::NEG_INFINITY), None);
    }

    #[test]
    fn two_humps_and_one() {
        let mut both = hump(-0.4, 0.08, 3000);
        both.extend(hump(0.5, 0.1, 1500));
        let found = otsu_values(&both).unwrap();
        assert!(found.two_humps && found.value > -0.2 && found.value < 0.3, "{found:?}");
        // humps narrower than the smoothing, either way round
        for (low, high) in [(0.002, 0.03), (0.03, 0.002), (0.001, 0.001)] {
            let mut narrow = hump(-0.5, low, 6000);
            narrow.extend(hump(0.6, high, 5000));
            let found = otsu_values(&narrow).unwrap();
            assert!(found.two_humps, "{low} {high} {found:?}");
            assert!(found.clear > -0.3 && found.clear < 0.4, "no value of a hump may lie beyond: {found:?}");
        }
        let one = otsu_values(&hump(0.0, 0.3, 5000)).unwrap();
        assert!(!one.two_humps);
        assert!((one.ratio - std::f64::consts::FRAC_2_PI).abs() < 0.01);
        let even: Vec<f64> = (0..4000).map(f64::from).collect();
        let flat = otsu_values(&even).unwrap();
        assert!(!flat.two_humps && (flat.ratio - 0.75).abs() < 0.01);
        let few: Vec<f64> = both.iter().step_by(10).copied().collect();
        assert!(!otsu_values(&few).unwrap().two_humps);
    }

    #[test]
    fn normalised_differences() {
        let near = |a, b, expected: f64| assert!((normalised_difference(a, b) - expected).abs() < 1e-9);
        near(0.10, 0.05, 1.0 / 3.0);
        near(0.08, 0.45, -0.698_113_207_5);
        near(0.10, 0.02, 2.0 / 3.0);
        near(0.20, 0.25, -1.0 / 9.0);
        assert!(normalised_difference(0.0, 0.0).is_nan());
        assert!(normalised_difference(0.1, f64::NAN).is_nan());
    }
}
