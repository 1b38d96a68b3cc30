//! Suitability held against records: by folds of ground, thresholds with their ranges, and what each variable gives.

use crate::folds::Folds;
use crate::suitability::{Measured, UnscoredClass, suitability_of};
use lentic_numerics::accuracy::{
    Auc, Confusion, Range, auc, best_threshold, bootstrap_range, tenth_percentile,
};
use lentic_numerics::boyce::{Background, Boyce};
use lentic_numerics::seed::hash64;
use lentic_study::Study;
use lentic_study::settings::ThresholdRule;
use rayon::prelude::*;

/// Fewer records than this give percentiles and the Boyce index with its range, nothing else.
pub const FEW: usize = 20;
/// Draws behind a range.
pub const DRAWS: u64 = 1000;
/// Permutations of each variable.
pub const PERMUTATIONS: u64 = 10;

/// Set the draws for one purpose apart from those for another.
const OF_THRESHOLDS: u64 = 0x7468_7265;
const OF_BOYCE: u64 = 0x626f_7963;
const OF_IMPORTANCE: u64 = 0x7065_726d;

/// How scores did on some part of the ground.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Presences tested.
    pub presences: usize,
    /// Background cells tested.
    pub background: usize,
    /// Area under the ROC curve.
    pub auc: Option<Auc>,
    /// Continuous Boyce index.
    pub boyce: Option<f64>,
    /// Threshold with the largest sum of sensitivity and specificity, from training.
    pub threshold: Option<f64>,
    /// What it says of the tested cells.
    pub confusion: Option<Confusion>,
    /// Share of the tested presences that reach the tenth percentile of those trained on: 0.9 if they are alike.
    pub reached_tenth: Option<f64>,
}

impl Part {
    /// Thresholds from the training scores, everything else from the tested ones.
    pub fn judge(train: (&[f64], &[f64]), test: (&[f64], &[f64])) -> Part {
        let threshold = best_threshold(train.0, train.1);
        let reached =
            |tenth: f64| test.0.iter().filter(|s| **s >= tenth).count() as f64 / test.0.len() as f64;
        Part {
            presences: test.0.len(),
            background: test.1.len(),
            auc: auc(test.0, test.1),
            boyce: Background::new(test.1).and_then(|b| b.boyce(test.0)?.index),
            threshold,
            confusion: threshold.map(|t| Confusion::at(t, test.0, test.1)),
            reached_tenth: tenth_percentile(train.0).filter(|_| !test.0.is_empty()).map(reached),
        }
    }
}

/// The parts of one score, fold by fold, then all folds together: there every cell is judged by the threshold of the
/// fold it was left out of. Without folds there are no parts and the whole is judged by its own threshold.
pub fn by_fold(presences: &[f64], background: &[f64], folds: &Folds) -> (Vec<Part>, Part) {
    let parts: Vec<Part> = (0..folds.count)
        .map(|fold| {
            let pick = |scores: &[f64], of: &[usize]| {
                let (test, train) = Folds::split(of, fold);
                let at = |places: Vec<usize>| places.into_iter().map(|p| scores[p]).collect::<Vec<_>>();
                (at(train), at(test))
            };
            let (train_p, test_p) = pick(presences, &folds.presences);
            let (train_b, test_b) = pick(background, &folds.background);
            Part::judge((&train_p, &train_b), (&test_p, &test_b))
        })
        .collect();
    let mut whole = Part::judge((presences, background), (presences, background));
    if !parts.is_empty() {
        let mut all = Confusion::default();
        parts.iter().filter_map(|p| p.confusion.as_ref()).for_each(|c| all.merge(c));
        whole.confusion = Some(all);
        let reached = parts.iter().filter_map(|p| Some(p.reached_tenth? * p.presences as f64)).sum::<f64>();
        whole.reached_tenth = Some(reached / presences.len() as f64);
        whole.threshold = None;
    }
    (parts, whole)
}

/// The Boyce index over all records, its curve, and its range over draws of blocks.
pub fn boyce_with_range(
    presences: &[f64],
    background: &[f64],
    groups: &[Vec<usize>],
    seed: u64,
) -> Option<(Boyce, Option<Range>)> {
    let background = Background::new(background)?;
    let found = background.boyce(presences)?;
    let index = |drawn: &[f64]| background.boyce(drawn)?.index;
    let range = bootstrap_range(presences, groups, DRAWS, seed ^ OF_BOYCE, index);
    Some((found, range))
}

/// A threshold from records.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FoundThreshold {
    /// The rule.
    pub rule: ThresholdRule,
    /// The suitability.
    pub value: f64,
    /// 5 to 95 % over draws of blocks of records.
    pub range: Option<Range>,
}

/// The threshold of a rule over all records; `None` where it needs more records, or there is no background.
pub fn threshold(
    rule: ThresholdRule,
    presences: &[f64],
    background: &[f64],
    groups: &[Vec<usize>],
    seed: u64,
) -> Option<FoundThreshold> {
    let of = |scores: &[f64]| match rule {
        ThresholdRule::Best => best_threshold(scores, background),
        ThresholdRule::TenthPercentile => tenth_percentile(scores),
    };
    if rule == ThresholdRule::Best && presences.len() < FEW {
        return None;
    }
    let value = of(presences)?;
    Some(FoundThreshold {
        rule,
        value,
        range: bootstrap_range(presences, groups, DRAWS, seed ^ OF_THRESHOLDS, of),
    })
}

/// Places with what was measured there.
#[derive(Clone, Debug, Default)]
pub struct Places {
    /// One entry per variable in the order of `Study::variables`, each over the same places.
    pub measured: Vec<Measured>,
    /// Factor of nearness by requisite; empty where it need not be near another.
    pub nearness: Vec<Vec<f64>>,
    /// Where a barrier lies.
    pub barrier: Vec<bool>,
}

/// What a variable gives to telling records from background.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Importance {
    /// Mean area under the ROC curve with the variable's values shuffled over all places.
    pub shuffled: f64,
    /// Mean fall of the area by that.
    pub fall: f64,
    /// Standard deviation of the fall over shuffles.
    pub spread: f64,
}

/// The fall of the area under the ROC curve when one variable is shuffled (Breiman 2001, Machine Learning 45:5-32), for every
/// variable of the study; nearness to other requisites stays as it is. `None` for a study whose area is not known.
///
/// # Errors
/// A class without a score.
pub fn importance(
    study: &Study,
    presences: &Places,
    background: &Places,
    seed: u64,
) -> Result<Option<Vec<Importance>>, UnscoredClass> {
    let pooled: Vec<Measured> =
        presences.measured.iter().zip(&background.measured).map(|(a, b)| joined(a, b)).collect();
    let barrier = [&presences.barrier[..], &background.barrier[..]].concat();
    let nearness: Vec<Vec<f64>> =
        presences.nearness.iter().zip(&background.nearness).map(|(a, b)| [&a[..], b].concat()).collect();
    let (count, first) = (barrier.len(), presences.barrier.len());
    let area = |measured: &[&Measured]| -> Result<Option<f64>, UnscoredClass> {
        let scores: Vec<f64> =
            suitability_of(study, measured, &nearness, &barrier)?.into_iter().map(f64::from).collect();
        let (presences, background) = scores.split_at(first);
        Ok(auc(presences, background).map(|a| a.value))
    };
    let own: Vec<&Measured> = pooled.iter().collect();
    let Some(whole) = area(&own)? else { return Ok(None) };
    let one = |variable: usize| -> Result<Option<Importance>, UnscoredClass> {
        let mut areas = Vec::new();
        for turn in 0..PERMUTATIONS {
            let mut order: Vec<usize> = (0..count).collect();
            let stream = hash64(seed ^ OF_IMPORTANCE, variable as u64, turn);
            order.sort_by_cached_key(|at| hash64(stream, *at as u64, 0));
            let shuffled = reordered(&pooled[variable], &order);
            let mut measured = own.clone();
            measured[variable] = &shuffled;
            areas.extend(area(&measured)?);
        }
        let n = areas.len() as f64;
        let mean = areas.iter().sum::<f64>() / n;
        let variance = areas.iter().map(|a| (a - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
        let found = Importance { shuffled: mean, fall: whole - mean, spread: variance.sqrt() };
        Ok((!areas.is_empty()).then_some(found))
    };
    let all: Result<Vec<Option<Importance>>, UnscoredClass> =
        (0..pooled.len()).into_par_iter().map(one).collect();
    Ok(all?.into_iter().collect())
}

fn joined(a: &Measured, b: &Measured) -> Measured {
    match (a, b) {
        (Measured::Numbers(a), Measured::Numbers(b)) => Measured::Numbers([&a[..], b].concat()),
        (Measured::Codes(a), Measured::Codes(b)) => Measured::Codes([&a[..], b].concat()),
        (
            Measured::Years { measure, score },
            Measured::Years { measure: other_measure, score: other_score },
        ) => Measured::Years {
            measure: [&measure[..], other_measure].concat(),
            score: [&score[..], other_score].concat(),
        },
        // one variable is measured in one way
        (a, _) => a.clone(),
    }
}

fn reordered(measured: &Measured, order: &[usize]) -> Measured {
    let numbers = |values: &[f32]| order.iter().map(|at| values[*at]).collect();
    match measured {
        Measured::Numbers(values) => Measured::Numbers(numbers(values)),
        Measured::Years { measure, score } => {
            Measured::Years { measure: numbers(measure), score: numbers(score) }
        }
        Measured::Codes(codes) => Measured::Codes(order.iter().map(|at| codes[*at]).collect()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::folds::folds;

    /// Presences in four rows of twenty; scores by place, so that every number can be counted by hand.
    #[test]
    fn folds_are_judged_by_thresholds_of_the_others() {
        // ten blocks of ten cells, one presence and one background cell in each
        let places: Vec<(usize, usize)> = (0..10).map(|i| (0, 10 * i)).collect();
        let folds = folds(&places, &places, 10, 1);
        assert_eq!(folds.count, 5);
        let presences = [0.9, 0.8, 0.85, 0.7, 0.95, 0.6, 0.75, 0.65, 0.9, 0.1];
        let background = [0.2; 10];
        let (parts, whole) = by_fold(&presences, &background, &folds);
        for (fold, part) in parts.iter().enumerate() {
            assert_eq!((part.presences, part.background), (2, 2));
            // the lowest presence above the background, of those not in the fold
            let own = Folds::split(&folds.presences, fold).1;
            let lowest = own.iter().map(|at| presences[*at]).filter(|s| *s > 0.2).fold(1.0, f64::min);
            assert_eq!(part.threshold, Some(lowest));
        }
        // the presence at 0.1 is missed in every way; the one at 0.6 sets the others' threshold, and its own fold's is 0.65
        let table = whole.confusion.unwrap();
        assert_eq!((table.hits, table.misses, table.false_alarms, table.correct_rejections), (8, 2, 0, 10));
        assert_eq!(whole.auc.unwrap().value, 0.9);
        assert_eq!(whole.threshold, None);
    }

    #[test]
    fn thresholds_with_ranges() {
        let presences: Vec<f64> = (0..40).map(|i| 0.3 + 0.015 * f64::from(i)).collect();
        let background: Vec<f64> = (0..200).map(|i| 0.003 * f64::from(i)).collect();
        let single: Vec<Vec<usize>> = (0..40).map(|i| vec![i]).collect();
        let tenth = threshold(ThresholdRule::TenthPercentile, &presences, &background, &single, 5).unwrap();
        assert!((tenth.value - 0.3585).abs() < 1e-12);
        let range = tenth.range.unwrap();
        assert!(range.low < tenth.value && tenth.value < range.high && range.high - range.low < 0.15);
        let best = threshold(ThresholdRule::Best, &presences, &background, &single, 5).unwrap();
        assert_eq!(Some(best.value), best_threshold(&presences, &background));
        // nineteen records say nothing of the best threshold
        let few = &presences[..FEW - 1];
        assert_eq!(threshold(ThresholdRule::Best, few, &background, &single[..19], 5), None);
        assert!(threshold(ThresholdRule::TenthPercentile, few, &background, &single[..19], 5).is_some());
        let (found, range) = boyce_with_range(few, &background, &single[..19], 5).unwrap();
        assert_eq!(found.steps.len(), 101);
        assert!(range.unwrap().low <= found.index.unwrap());
    }
}
