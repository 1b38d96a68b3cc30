//! Accuracy of scores at records against published and independently computed values.

mod common;

use common::{near, near_share, table};
use lentic_numerics::accuracy::{Confusion, auc, best_threshold};
use lentic_numerics::boyce::boyce;
use lentic_numerics::logistic::{Prior, Rows, fit};
use lentic_numerics::point_process::{self, Terms};
use lentic_numerics::rank::spearman;

/// Scores of the places marked 1 and of those marked 0.
fn split(marks: &[f64], scores: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let of = |mark: f64| marks.iter().zip(scores).filter(|(m, _)| **m == mark).map(|(_, s)| *s).collect();
    (of(1.0), of(0.0))
}

#[test]
fn continuous_boyce_index_of_made_up_scores() {
    // numpy 2.4.6 and scipy 1.17.1: windows a tenth of the range wide at 101 places, both ends included, windows without
    // background left out, spearmanr of presences over background against the place
    let data = table("boyce_scores.csv");
    let (presences, background) = split(&data["presence"], &data["score"]);
    assert_eq!((presences.len(), background.len()), (200, 2000));
    let found = boyce(&presences, &background).unwrap();
    near(found.index.unwrap(), 0.959_437_618_9, 5e-11);
    let turned = |scores: &[f64]| -> Vec<f64> { scores.iter().map(|s| 1.0 - s).collect() };
    assert!(boyce(&turned(&presences), &turned(&background)).unwrap().index.unwrap() < -0.95);
}

#[test]
fn boyce_index_of_five_classes() {
    // By hand: background 40, 25, 20, 10, 5 of 100; presences of 20. Ratios .25 .6 1.25 2.5 5 rise with the class; with
    // presences 2, 7, 3, 5, 3 they are .25 1.4 .75 2.5 3, one pair out of order: correlation 0.9 (scipy agrees)
    let background = [40.0, 25.0, 20.0, 10.0, 5.0];
    let classes = [1.0, 2.0, 3.0, 4.0, 5.0];
    for (presences, ratios, index) in [
        ([2.0, 3.0, 5.0, 5.0, 5.0], [0.25, 0.6, 1.25, 2.5, 5.0], 1.0),
        ([2.0, 7.0, 3.0, 5.0, 3.0], [0.25, 1.4, 0.75, 2.5, 3.0], 0.9),
    ] {
        let found: Vec<f64> =
            presences.iter().zip(background).map(|(p, b)| (p / 20.0) / (b / 100.0)).collect();
        found.iter().zip(ratios).for_each(|(found, expected)| near(*found, expected, 1e-12));
        near(spearman(&found, &classes).unwrap(), index, 1e-12);
    }
    // The continuous index sees the same order in scores drawn from these classes; windows over one class are ties.
    let scores = |counts: [f64; 5]| -> Vec<f64> {
        let of = |(class, n): (usize, &f64)| vec![0.1 + 0.2 * class as f64; *n as usize];
        counts.iter().enumerate().flat_map(of).collect()
    };
    let found = boyce(&scores([2.0, 3.0, 5.0, 5.0, 5.0]), &scores(background)).unwrap();
    near(found.steps[0].ratio.unwrap(), 0.25, 1e-12);
    near(found.steps[100].ratio.unwrap(), 5.0, 1e-12);
    assert!(found.index.unwrap() > 0.9);
}

#[test]
fn heart_disease_by_age_told_apart() {
    // Hosmer and Lemeshow 2000, table 1.1; area under the curve of the fitted logistic regression, which ranks as age does:
    // scikit-learn 1.9.1 roc_auc_score .7998776010
    let data = table("chdage.csv");
    let (ill, well) = split(&data["chd"], &data["age"]);
    let found = auc(&ill, &well).unwrap();
    near(found.value, 0.799_877_601_0, 5e-11);
    let best = best_threshold(&ill, &well).unwrap();
    let table = Confusion::at(best, &ill, &well);
    assert_eq!(table.hits + table.misses, 43);
    // scikit-learn 1.9.1 roc_curve: largest tpr - fpr at this threshold
    near(table.true_skill().unwrap(), 0.474_908_200_734, 1e-12);
    assert_eq!(best, 44.0);
}

#[test]
fn a_point_process_is_the_limit_of_logistic_regression() {
    // Warton and Shepherd 2010: with ever more background the slopes of logistic regression on presences against
    // background become those of the point process. Ages of the ill as presences, ages 20 to 69 as ground.
    let data = table("chdage.csv");
    let (ill, _) = split(&data["chd"], &data["age"]);
    let scaled = |age: f64| (age - 45.0) / 10.0;
    let presences: Vec<f64> = ill.iter().map(|age| scaled(*age)).collect();
    let background: Vec<f64> = (0..4900).map(|i| scaled(20.0 + f64::from(i) / 100.0)).collect();
    let weights = vec![1.0; background.len()];
    let process = point_process::fit(
        Terms::new(&presences, 1),
        presences.len(),
        Terms::new(&background, 1),
        &weights,
        &[0.0],
        None,
    )
    .unwrap();
    let x: Vec<[f64; 2]> = presences.iter().chain(&background).map(|x| [1.0, *x]).collect();
    let mut trials = vec![1.0; presences.len()];
    // each background place stands for ten thousand
    trials.extend(vec![1e4; background.len()]);
    let mut successes = vec![1.0; presences.len()];
    successes.extend(vec![0.0; background.len()]);
    let logistic = fit(Rows { x: &x, trials: &trials, successes: &successes, weight: 1.0 }, &Prior::none());
    assert!(logistic.converged);
    near_share(process.coefficients[0], logistic.beta[1], 1e-5);
    near_share(process.error(0), logistic.covariance[1][1].sqrt(), 1e-5);
    assert!(process.coefficients[0] > 0.0);
}
