//! How well scores tell presences from other places: confusion at a threshold, area under the ROC curve, thresholds.
//!
//! "Others" are absences, or background where nobody knows. Against background, specificity, kappa and the true skill
//! statistic only rank models of one study: some of the background is occupied. A place counts as predicted present
//! where its score is the threshold or more.

use crate::seed::{hash64, unit};
use crate::stats::{quantile, quantile_of_sorted};

/// Presences and others by what a threshold says of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Confusion {
    /// Presences predicted present.
    pub hits: u64,
    /// Others predicted present.
    pub false_alarms: u64,
    /// Presences predicted absent.
    pub misses: u64,
    /// Others predicted absent.
    pub correct_rejections: u64,
}

impl Confusion {
    /// Counts scores at `threshold`. A NaN score is predicted absent, so leave such places out.
    pub fn at(threshold: f64, presences: &[f64], others: &[f64]) -> Self {
        let reached = |scores: &[f64]| scores.iter().filter(|s| **s >= threshold).count() as u64;
        let (hits, false_alarms) = (reached(presences), reached(others));
        Confusion {
            hits,
            false_alarms,
            misses: presences.len() as u64 - hits,
            correct_rejections: others.len() as u64 - false_alarms,
        }
    }

    /// Adds the counts of another part.
    pub fn merge(&mut self, other: &Confusion) {
        self.hits += other.hits;
        self.false_alarms += other.false_alarms;
        self.misses += other.misses;
        self.correct_rejections += other.correct_rejections;
    }

    /// Share of the presences predicted present; `None` without presences.
    pub fn sensitivity(&self) -> Option<f64> {
        share(self.hits, self.misses)
    }

    /// Share of the others predicted absent; `None` without others.
    pub fn specificity(&self) -> Option<f64> {
        share(self.correct_rejections, self.false_alarms)
    }

    /// True skill statistic: sensitivity + specificity - 1 (Allouche, Tsoar and Kadmon 2006, J. Applied Ecology
    /// 43:1223-1232), the same as Peirce's skill score of forecasts.
    pub fn true_skill(&self) -> Option<f64> {
        Some(self.sensitivity()? + self.specificity()? - 1.0)
    }

    /// Cohen's kappa (Cohen 1960, Educational and Psychological Measurement 20:37-46): agreement beyond that of chance.
    /// `None` where chance alone agrees everywhere. It depends on how many others there are.
    pub fn kappa(&self) -> Option<f64> {
        let [a, b, c, d] =
            [self.hits, self.false_alarms, self.misses, self.correct_rejections].map(|n| n as f64);
        let all = a + b + c + d;
        let agreed = (a + d) / all;
        let by_chance = ((a + b) * (a + c) + (c + d) * (b + d)) / (all * all);
        (by_chance < 1.0).then(|| (agreed - by_chance) / (1.0 - by_chance))
    }
}

fn share(part: u64, rest: u64) -> Option<f64> {
    (part + rest > 0).then(|| part as f64 / (part + rest) as f64)
}

/// Area under the ROC curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Auc {
    /// Chance that a presence scores higher than another place, ties counting half.
    pub value: f64,
    /// Its standard error, presences and others taken as independent draws.
    pub error: f64,
}

/// Area under the ROC curve as Mann and Whitney's statistic, with the standard error of Hanley and McNeil 1982 (Radiology
/// 143:29-36, equation 2): Q1 and Q2 from the scores themselves as in their table II, not from the exponential form.
/// `None` without presences or others, or with a NaN.
pub fn auc(presences: &[f64], others: &[f64]) -> Option<Auc> {
    if presences.is_empty() || others.is_empty() || presences.iter().chain(others).any(|s| s.is_nan()) {
        return None;
    }
    let (presences, others) = (sorted(presences), sorted(others));
    let (p, o) = (presences.len() as f64, others.len() as f64);
    // Counts up to their squares are whole numbers, exact in f64.
    let mut below = 0.0;
    let mut two_others = 0.0;
    for score in &presences {
        let (lower, tied) = lower_and_tied(&others, *score);
        below += lower + tied / 2.0;
        two_others += lower * lower + lower * tied + tied * tied / 3.0;
    }
    let mut two_presences = 0.0;
    for score in &others {
        let (lower, tied) = lower_and_tied(&presences, *score);
        let higher = p - lower - tied;
        two_presences += higher * higher + higher * tied + tied * tied / 3.0;
    }
    let value = below / (p * o);
    let square = value * value;
    let (q1, q2) = (two_presences / (p * p * o), two_others / (p * o * o));
    let variance = (value * (1.0 - value) + (p - 1.0) * (q1 - square) + (o - 1.0) * (q2 - square)) / (p * o);
    Some(Auc { value, error: variance.max(0.0).sqrt() })
}

fn sorted(scores: &[f64]) -> Vec<f64> {
    let mut sorted = scores.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted
}

/// How many of `sorted` lie below `score`, and how many equal it.
fn lower_and_tied(sorted: &[f64], score: f64) -> (f64, f64) {
    let lower = sorted.partition_point(|s| *s < score);
    let tied = sorted[lower..].partition_point(|s| *s <= score);
    (lower as f64, tied as f64)
}

/// The threshold with the largest sum of sensitivity and specificity, the lowest where several have it (Liu et al. 2005,
/// Ecography 28:385-393, compares such rules). It is the score of some presence. `None` without presences or others, or with
/// a NaN.
pub fn best_threshold(presences: &[f64], others: &[f64]) -> Option<f64> {
    if presences.is_empty() || others.is_empty() || presences.iter().chain(others).any(|s| s.is_nan()) {
        return None;
    }
    best_of_sorted(&sorted(presences), &sorted(others))
}

fn best_of_sorted(presences: &[f64], others: &[f64]) -> Option<f64> {
    let (p, o) = (presences.len() as u128, others.len() as u128);
    let mut best: Option<(u128, f64)> = None;
    let mut at = 0;
    while at < presences.len() {
        let threshold = presences[at];
        let rejected = others.partition_point(|s| *s < threshold) as u128;
        // sensitivity + specificity, times p * o: whole numbers tell ties exactly
        let sum = (p - at as u128) * o + rejected * p;
        if best.is_none_or(|(most, _)| sum > most) {
            best = Some((sum, threshold));
        }
        at += presences[at..].partition_point(|s| *s <= threshold);
    }
    best.map(|(_, threshold)| threshold)
}

/// The score that nine tenths of the presences reach: their 10th percentile (quantile type 7).
pub fn tenth_percentile(presences: &[f64]) -> Option<f64> {
    quantile(presences, 0.1)
}

/// The range of a number from repeated draws: 5th to 95th percentile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// 5th percentile.
    pub low: f64,
    /// 95th percentile.
    pub high: f64,
}

/// The range of `statistic` over `draws` bootstrap samples of the presences (Efron and Tibshirani 1993, percentile interval).
/// Whole groups are drawn, as many as there are, with replacement, so that records that stand together are drawn together.
/// `groups` holds positions in `presences`; the draws follow from `seed`. `None` where no draw has a value.
pub fn bootstrap_range(
    presences: &[f64],
    groups: &[Vec<usize>],
    draws: u64,
    seed: u64,
    statistic: impl Fn(&[f64]) -> Option<f64>,
) -> Option<Range> {
    let mut values = Vec::new();
    let mut drawn = Vec::new();
    for draw in 0..draws {
        drawn.clear();
        for turn in 0..groups.len() {
            let at = unit(hash64(seed, draw, turn as u64)) * groups.len() as f64;
            drawn.extend(groups[at as usize].iter().filter_map(|at| presences.get(*at)));
        }
        values.extend(statistic(&drawn));
    }
    values.sort_unstable_by(f64::total_cmp);
    Some(Range { low: quantile_of_sorted(&values, 0.05)?, high: quantile_of_sorted(&values, 0.95)? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found}, expected {expected}");
    }

    fn repeated(counts: &[usize]) -> Vec<f64> {
        counts.iter().enumerate().flat_map(|(rating, n)| vec![rating as f64; *n]).collect()
    }

    #[test]
    fn tornadoes_of_1884() {
        // Finley's forecasts, 28, 72, 23, 2680, as in handbooks of forecast verification: true skill .523, Heidke's skill
        // score, which is kappa, .355; more digits by Python
        let table = Confusion { hits: 28, false_alarms: 72, misses: 23, correct_rejections: 2680 };
        near(table.true_skill().unwrap(), 0.522_856_817_1, 1e-10);
        near(table.kappa().unwrap(), 0.355_324_861_5, 1e-10);
        near(table.sensitivity().unwrap(), 0.549_019_607_8, 1e-10);
        near(table.specificity().unwrap(), 1.0 - 0.026_162_790_7, 1e-10);
        // never forecasting has no skill, however right it is
        let never = Confusion { hits: 0, false_alarms: 0, misses: 51, correct_rejections: 2752 };
        assert_eq!(never.true_skill(), Some(0.0));
    }

    #[test]
    fn agreement_by_hand() {
        // Worked examples widely reprinted: [[20, 5], [10, 15]] has kappa 0.40, [[45, 15], [25, 15]] 0.1304,
        // [[25, 35], [5, 35]] 0.2593
        for ([a, b, c, d], kappa) in
            [([20, 5, 10, 15], 0.4), ([45, 15, 25, 15], 0.130_434_782_6), ([25, 35, 5, 35], 0.259_259_259_3)]
        {
            let table = Confusion { hits: a, false_alarms: b, misses: c, correct_rejections: d };
            near(table.kappa().unwrap(), kappa, 1e-10);
        }
        let table = Confusion { hits: 50, false_alarms: 10, misses: 5, correct_rejections: 100 };
        near(table.true_skill().unwrap(), 0.818_181_818_2, 1e-10);
        near(table.kappa().unwrap(), 0.8, 1e-12);
        assert_eq!(Confusion::default().true_skill(), None);
        // called present everywhere: no better than chance; and where there is nothing but presences, not known
        let alike = Confusion { hits: 3, false_alarms: 2, ..Confusion::default() };
        assert_eq!(alike.kappa(), Some(0.0));
        assert_eq!(Confusion { hits: 3, ..Confusion::default() }.kappa(), None);
    }

    #[test]
    fn readings_of_109_pictures() {
        // Hanley and McNeil 1982, table I: ratings of 58 normal and 51 abnormal pictures; area .893, standard error .032
        let found = auc(&repeated(&[3, 2, 2, 11, 33]), &repeated(&[33, 6, 6, 11, 2])).unwrap();
        near(found.value, 0.893, 5e-4);
        near(found.error, 0.032, 5e-4);
        // more digits: scipy's mannwhitneyu, and the formulas in Python
        near(found.value, 0.893_171_061_528, 1e-12);
        near(found.error, 0.031_990_408_194, 1e-12);
    }

    #[test]
    fn thresholds_by_hand() {
        let (presences, others) = ([0.2, 0.6, 0.7, 0.9], [0.1, 0.3, 0.5, 0.65, 0.8]);
        // sums: at 0.2 1 + 1/5, at 0.6 3/4 + 3/5, at 0.7 2/4 + 4/5, at 0.9 1/4 + 1
        assert_eq!(best_threshold(&presences, &others), Some(0.6));
        // a tie takes the lower: both thresholds sum to 1.5
        assert_eq!(best_threshold(&[0.4, 0.8], &[0.1, 0.6]), Some(0.4));
        near(tenth_percentile(&presences).unwrap(), 0.32, 1e-12);
        assert_eq!(best_threshold(&[], &others), None);
        assert_eq!(best_threshold(&[f64::NAN], &others), None);
        assert_eq!(auc(&presences, &[]), None);
    }

    #[test]
    fn a_bootstrap_range_holds_the_middle_nine_tenths() {
        // The mean of n uniform numbers has standard deviation 1/sqrt(12 n): 90 % lies within 1.645 of them.
        let scores: Vec<f64> = (0..400).map(|i| (f64::from(i) + 0.5) / 400.0).collect();
        let single: Vec<Vec<usize>> = (0..400).map(|i| vec![i]).collect();
        let mean = |drawn: &[f64]| Some(drawn.iter().sum::<f64>() / drawn.len() as f64);
        let range = bootstrap_range(&scores, &single, 2000, 3, mean).unwrap();
        let half = 1.645 / (12.0f64 * 400.0).sqrt();
        near(range.low, 0.5 - half, 0.002);
        near(range.high, 0.5 + half, 0.002);
        assert_eq!(bootstrap_range(&scores, &single, 2000, 3, mean), Some(range));
        // forty neighbours drawn together: ten groups, a range about sqrt(40) times as wide
        let together: Vec<Vec<usize>> = (0..10).map(|g| (40 * g..40 * g + 40).collect()).collect();
        let wide = bootstrap_range(&scores, &together, 2000, 3, mean).unwrap();
        assert!(wide.high - wide.low > 5.0 * (range.high - range.low));
    }

    proptest! {
        /// Against all pairs, one by one.
        #[test]
        fn auc_and_threshold_match_the_slow_way(
            presences in prop::collection::vec(0u8..12, 1..25),
            others in prop::collection::vec(0u8..12, 1..25),
        ) {
            let presences: Vec<f64> = presences.into_iter().map(f64::from).collect();
            let others: Vec<f64> = others.into_iter().map(f64::from).collect();
            let mut pairs = 0.0;
            for a in &presences {
                for b in &others {
                    pairs += if a > b { 1.0 } else if a == b { 0.5 } else { 0.0 };
                }
            }
            let found = auc(&presences, &others).unwrap();
            prop_assert!((found.value - pairs / (presences.len() * others.len()) as f64).abs() < 1e-12);
            prop_assert!(found.error >= 0.0);
            let best = best_threshold(&presences, &others).unwrap();
            let skill = |t: f64| Confusion::at(t, &presences, &others).true_skill().unwrap();
            for t in 0..13 {
                let t = f64::from(t);
                prop_assert!(skill(t) <= skill(best) + 1e-12);
                prop_assert!(t >= best || !presences.contains(&t) || skill(t) < skill(best) - 1e-12);
            }
        }
    }
}
