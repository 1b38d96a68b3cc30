//! Trends, thresholds, weights and regressions against published and independently computed values.
//! The tables are described in `data/README.md`.

mod common;

use common::{near, near_share, table};
use lentic_numerics::logistic::{Prior, Rows, fit, log_likelihood};
use lentic_numerics::otsu::{otsu_counts, otsu_values};
use lentic_numerics::pairwise::weights;
use lentic_numerics::trend::{mann_kendall, pettitt, slope_interval, theil_sen};

#[test]
fn pettitt_1979_table_1() {
    // Pettitt 1979, Applied Statistics 28:126-135: change after value 17, K = 232, p = 0.014 (0.0146 in manuals of R)
    let data = table("pettitt1979_table1.csv");
    let found = pettitt(&data["x"]).unwrap();
    assert_eq!((found.k, found.before), (232, 17));
    near(found.p, 0.014_555_598, 1e-9);
    let largest = data["U"].iter().fold(0.0f64, |most, u| most.max(u.abs()));
    assert_eq!(largest, 232.0);
}

#[test]
fn trend_of_the_nile() {
    // R 4.2.2, cor.test(method = "kendall", exact = FALSE, continuity = TRUE): z = -4.1281; more digits and the slopes by
    // numpy and scipy 1.17.1 theilslopes; the step after 1898 is Cobb 1978, from memory
    let data = table("nile.csv");
    let (years, flow) = (&data["year"], &data["value"]);
    let test = mann_kendall(flow).unwrap();
    assert_eq!(test.s, -1387);
    near(test.variance, 112_728.333_3, 5e-5);
    near(test.z, -4.128_066_522_8, 1e-9);
    near_share(test.p, 3.658_262_922e-5, 1e-8);
    let line = theil_sen(years, flow).unwrap();
    near(line.slope, -2.6, 1e-12);
    let (low, high) = slope_interval(years, flow, 0.95).unwrap();
    near(low, -3.627_907_0, 5e-8);
    near(high, -1.428_571_4, 5e-8);
    let change = pettitt(flow).unwrap();
    assert_eq!((change.k, change.before), (1617, 28));
    assert_eq!(years[change.before - 1], 1898.0);
    near_share(change.p, 3.591_022_18e-7, 1e-8);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    near(mean(&flow[..change.before]), 1097.75, 1e-9);
    near(mean(&flow[change.before..]), 849.972_222_2, 5e-8);
}

#[test]
fn trend_of_lake_huron() {
    // As for the Nile, on R's `LakeHuron`: R gives z = -5.1598
    let data = table("lakehuron.csv");
    let (years, level) = (&data["year"], &data["value"]);
    let test = mann_kendall(level).unwrap();
    assert_eq!(test.s, -1682);
    near(test.variance, 106_136.666_7, 5e-5);
    near(test.z, -5.159_825_226_0, 1e-9);
    near_share(test.p, 2.471_804_838e-7, 1e-8);
    near(theil_sen(years, level).unwrap().slope, -0.025_125, 1e-12);
    let (low, high) = slope_interval(years, level, 0.95).unwrap();
    near(low, -0.034_929_577_5, 5e-11);
    near(high, -0.016_575_342_5, 5e-11);
    let change = pettitt(level).unwrap();
    assert_eq!((change.k, change.before), (1511, 46));
    near_share(change.p, 1.106_296_83e-6, 1e-8);
}

#[test]
fn thresholds_of_pictures() {
    // scikit-image 0.26.0, filters.threshold_otsu on the pictures whose histograms are kept in the table
    let data = table("picture_histograms.csv");
    for (picture, threshold) in [("camera", 102), ("coins", 107), ("page", 157), ("text", 109)] {
        let counts: Vec<u64> = data[picture].iter().map(|c| *c as u64).collect();
        assert_eq!(otsu_counts(&counts).unwrap().level, threshold, "{picture}");
    }
    let camera: u64 = data["camera"][103..].iter().map(|c| *c as u64).sum();
    assert_eq!(camera, 177_984);
}

#[test]
fn threshold_of_real_values() {
    // scikit-image 0.26.0, filters.threshold_otsu of the same formula in numpy: the centre of a bin of 256
    let values: Vec<f64> = (0..4000)
        .map(|i| {
            let x = f64::from(i);
            if i % 3 == 0 { 0.35 + 0.2 * (0.7 * x).sin() } else { -0.5 + 0.25 * (1.3 * x).cos() }
        })
        .collect();
    let found = otsu_values(&values).unwrap();
    near(found.value, -0.249_805_109_219_033_48, 1e-12);
    assert!(found.two_humps);
}

/// A published comparison: rows, weights, lambda, index, ratio; tolerance of the printed weights.
struct Comparison {
    rows: &'static [&'static [f64]],
    weights: &'static [f64],
    lambda: f64,
    index: f64,
    ratio: f64,
}

/// A square matrix from what stands above its diagonal, as Saaty's tables are filled.
fn matrix(upper: &[&[f64]]) -> Vec<Vec<f64>> {
    let n = upper.len() + 1;
    let mut full = vec![vec![1.0; n]; n];
    for (i, row) in upper.iter().enumerate() {
        for (j, value) in row.iter().enumerate() {
            full[i][i + 1 + j] = *value;
            full[i + 1 + j][i] = 1.0 / value;
        }
    }
    full
}

const THIRD: f64 = 1.0 / 3.0;
const NINTH: f64 = 1.0 / 9.0;

/// Six decimals of weights and nine of lambda by numpy.linalg.eig; the printed figures agree to their digits:
/// Saaty 2008, Int. J. Services Sciences 1:83-98, tables 2 (drinks: CR .022), 3 (jobs) and 4; Saaty 1990, EJOR 48:9-26, table 2
/// (house: lambda 9.669, CI .238, CR .169, to be rejected); Saaty 1988 (3.136, .068, .117); "financing" (3.065, .056).
const PUBLISHED: [Comparison; 6] = [
    Comparison {
        // Wine against tea is printed as 1/3 and tea against wine as 2: only 3 gives the printed weights.
        rows: &[
            &[9.0, 5.0, 2.0, 1.0, 1.0, 0.5],
            &[THIRD, NINTH, NINTH, NINTH, NINTH],
            &[THIRD, 0.25, THIRD, NINTH],
            &[0.5, 1.0, THIRD],
            &[2.0, 0.5],
            &[THIRD],
        ],
        weights: &[0.177457, 0.019149, 0.041831, 0.116417, 0.189572, 0.128781, 0.326793],
        lambda: 7.176_629_039,
        index: 0.029_438_173,
        ratio: 0.022_301_646,
    },
    Comparison {
        rows: &[
            &[5.0, 3.0, 7.0, 6.0, 6.0, THIRD, 0.25],
            &[THIRD, 5.0, 3.0, 3.0, 0.2, 1.0 / 7.0],
            &[6.0, 3.0, 4.0, 6.0, 0.2],
            &[THIRD, 0.25, 1.0 / 7.0, 0.125],
            &[0.5, 0.2, 1.0 / 6.0],
            &[0.2, 1.0 / 6.0],
            &[0.5],
        ],
        weights: &[0.173017, 0.053976, 0.188110, 0.017508, 0.031044, 0.036322, 0.166834, 0.333189],
        lambda: 9.668_887_317,
        index: 0.238_412_474,
        ratio: 0.169_086_861,
    },
    Comparison {
        rows: &[&[0.25, 1.0 / 6.0, 0.25, 0.125], &[THIRD, 3.0, 1.0 / 7.0], &[4.0, 0.5], &[1.0 / 7.0]],
        weights: &[0.036050, 0.121903, 0.261893, 0.074553, 0.505602],
        lambda: 5.326_280_923,
        index: 0.081_570_231,
        ratio: 0.072_830_563,
    },
    Comparison {
        rows: &[&[THIRD, 1.0 / 6.0], &[0.25]],
        weights: &[0.091402, 0.217638, 0.690959],
        lambda: 3.053_621_576,
        index: 0.026_810_788,
        ratio: 0.046_225_496,
    },
    Comparison {
        rows: &[&[6.0, 8.0], &[4.0]],
        weights: &[0.753554, 0.181135, 0.065311],
        lambda: 3.135_610_845,
        index: 0.067_805_422,
        ratio: 0.116_905_901,
    },
    Comparison {
        rows: &[&[THIRD, 5.0], &[7.0]],
        weights: &[0.278955, 0.649118, 0.071927],
        lambda: 3.064_887_580,
        index: 0.032_443_790,
        ratio: 0.055_937_569,
    },
];

#[test]
fn comparisons_of_saaty() {
    for case in &PUBLISHED {
        let found = weights(&matrix(case.rows)).unwrap();
        assert_eq!(found.weights.len(), case.weights.len());
        for (w, expected) in found.weights.iter().zip(case.weights) {
            near(*w, *expected, 6e-7);
        }
        near(found.lambda_max, case.lambda, 6e-10);
        near(found.consistency_index, case.index, 6e-10);
        near(found.consistency_ratio, case.ratio, 6e-10);
    }
}

#[test]
fn heart_disease_by_age() {
    // Hosmer and Lemeshow 2000, Applied Logistic Regression, tables 1.1 to 1.3: -5.309 (1.134), .111 (.024), log-likelihood
    // -53.677; more digits: statsmodels 0.15.0 and R 4.2.2 glm
    let data = table("chdage.csv");
    let x: Vec<[f64; 2]> = data["age"].iter().map(|age| [1.0, *age]).collect();
    let trials = vec![1.0; x.len()];
    let rows = Rows { x: &x, trials: &trials, successes: &data["chd"], weight: 1.0 };
    let found = fit(rows, &Prior::none());
    assert!(found.converged);
    near_share(found.beta[0], -5.309_453_373_919, 1e-9);
    near_share(found.beta[1], 0.110_921_142_207, 1e-9);
    near(found.covariance[0][0].sqrt(), 1.133_654_64, 1e-7);
    near(found.covariance[1][1].sqrt(), 0.024_059_84, 1e-7);
    near(found.covariance[0][1], -0.026_677_0, 6e-8);
    near(log_likelihood(rows, &found.beta), -53.676_546_347_2, 1e-9);
    let lower = found.cholesky().unwrap();
    near(lower[0][0], 1.133_654_64, 1e-7);

    // Rows of one age taken together give the same fit
    let mut grouped: Vec<([f64; 2], f64, f64)> = Vec::new();
    for (row, ill) in x.iter().zip(&data["chd"]) {
        match grouped.last_mut().filter(|last| last.0 == *row) {
            Some(last) => *last = (*row, last.1 + 1.0, last.2 + ill),
            None => grouped.push((*row, 1.0, *ill)),
        }
    }
    assert!(grouped.len() < x.len() / 2);
    let ages: Vec<[f64; 2]> = grouped.iter().map(|g| g.0).collect();
    let people: Vec<f64> = grouped.iter().map(|g| g.1).collect();
    let ill: Vec<f64> = grouped.iter().map(|g| g.2).collect();
    let again = fit(Rows { x: &ages, trials: &people, successes: &ill, weight: 1.0 }, &Prior::none());
    near_share(again.beta[1], found.beta[1], 1e-9);
}

#[test]
fn grades_in_economics() {
    // Spector and Mazzeo 1980 as in Greene, Econometric Analysis: -13.021 2.826 .095 2.379 (from memory); more digits:
    // statsmodels 0.15.0
    let data = table("spector.csv");
    let x: Vec<[f64; 4]> = (0..32).map(|i| [1.0, data["GPA"][i], data["TUCE"][i], data["PSI"][i]]).collect();
    let trials = vec![1.0; 32];
    let rows = Rows { x: &x, trials: &trials, successes: &data["GRADE"], weight: 1.0 };
    let found = fit(rows, &Prior::none());
    assert!(found.converged);
    let expected = [
        (-13.021_346_9, 4.931_324),
        (2.826_112_6, 1.262_941),
        (0.095_157_7, 0.141_554),
        (2.378_687_7, 1.064_564),
    ];
    for (j, (beta, error)) in expected.into_iter().enumerate() {
        near(found.beta[j], beta, 6e-8);
        near(found.covariance[j][j].sqrt(), error, 6e-7);
    }
    near(log_likelihood(rows, &found.beta), -12.889_634_2, 6e-8);
    // A prior of any strength must move the fit: the unpenalised values are not those of a default penalty
    let held = fit(rows, &Prior { mean: [0.0; 4], sd: [f64::INFINITY, 1.0, 1.0, 1.0] });
    assert!(held.converged && held.beta[1] < found.beta[1] && held.beta[3] < found.beta[3]);
}
