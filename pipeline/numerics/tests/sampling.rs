//! Balanced samples and corrected areas against published and independently computed values.

mod common;

use common::{near, near_share, table};
use lentic_numerics::halton::radical_inverse;
use lentic_numerics::olofsson::{Estimate, Z_95, estimate, expected_standard_error, sample_size};

#[test]
fn halton_sequence_in_bases_2_and_3() {
    // exact fractions in Python for k = 0 to 64, agreeing with scipy 1.17.1 qmc.Halton(scramble=False)
    let data = table("halton_2_3.csv");
    assert_eq!(data["k"].len(), 65);
    for (at, k) in data["k"].iter().enumerate() {
        assert_eq!(radical_inverse(*k as u64, 2), data["base2"][at], "base 2, {k}");
        assert_eq!(radical_inverse(*k as u64, 3), data["base3"][at], "base 3, {k}");
    }
}

/// The example of Olofsson et al. 2014, Remote Sensing of Environment 148:42-57, section 5 and table 8: mapped pixels of 30 m
/// and points of deforestation, forest gain, stable forest, stable non-forest.
const PIXELS: [f64; 4] = [200_000.0, 150_000.0, 3_200_000.0, 6_450_000.0];

fn counts() -> Vec<Vec<u64>> {
    vec![vec![66, 0, 5, 4], vec![0, 55, 8, 12], vec![1, 0, 153, 11], vec![2, 1, 9, 313]]
}

#[track_caller]
fn plus_minus(found: Estimate, value: f64, half: f64, to: f64) {
    // what is not defined is near nothing
    near(found.value.unwrap_or(f64::NAN), value, to);
    near(Z_95 * found.standard_error.unwrap_or(f64::NAN), half, to);
}

#[test]
fn olofsson_2014_as_printed() {
    let found = estimate(&PIXELS, &counts()).unwrap();
    // areas, ha: deforestation as printed in public copies, the others from memory
    let printed = [(21_158.0, 6_158.0), (11_686.0, 3_756.0), (285_770.0, 15_510.0), (581_386.0, 16_282.0)];
    let hectares = PIXELS.iter().sum::<f64>() * 0.09;
    for (class, (area, half)) in found.classes.iter().zip(printed) {
        plus_minus(class.share.times(hectares), area, half, 0.5);
    }
    // 235,086 +- 68,418 pixels
    plus_minus(found.classes[0].share.times(PIXELS.iter().sum()), 235_086.0, 68_418.0, 0.5);
    let users = [(0.88, 0.07), (0.73, 0.10), (0.93, 0.04), (0.96, 0.02)];
    for (class, (value, half)) in found.classes.iter().zip(users) {
        plus_minus(class.users, value, half, 0.005);
    }
    let producers = [0.75, 0.85, 0.93, 0.96];
    for (class, value) in found.classes.iter().zip(producers) {
        near(class.producers.value.unwrap(), value, 0.005);
    }
    plus_minus(found.overall, 0.95, 0.02, 0.005);
}

#[test]
fn olofsson_2014_with_more_digits() {
    // the paper's formulas in numpy
    let found = estimate(&PIXELS, &counts()).unwrap();
    let producers =
        [(0.748_661, 0.213_310), (0.847_156, 0.254_408), (0.934_509, 0.034_324), (0.961_609, 0.018_362)];
    for (class, (value, half)) in found.classes.iter().zip(producers) {
        plus_minus(class.producers, value, half, 6e-7);
    }
    let areas = [
        (21_157.762_238, 6_157.634_386),
        (11_686.153_846, 3_755.826_025),
        (285_769.930_070, 15_509.836_298),
        (581_386.153_846, 16_281.656_352),
    ];
    let hectares = PIXELS.iter().sum::<f64>() * 0.09;
    for (class, (area, half)) in found.classes.iter().zip(areas) {
        plus_minus(class.share.times(hectares), area, half, 6e-7);
    }
    let users = [(0.88, 0.074_041), (0.733_333, 0.100_757), (0.927_273, 0.039_745), (0.963_077, 0.020_534)];
    for (class, (value, half)) in found.classes.iter().zip(users) {
        plus_minus(class.users, value, half, 6e-7);
    }
    near_share(found.overall.value.unwrap(), 0.946_511_888_1, 1e-10);
    near_share(Z_95 * found.overall.standard_error.unwrap(), 0.018_483_617_7, 1e-8);
}

#[test]
fn size_of_the_sample_of_olofsson_2014() {
    // S(O) = .01 and user's accuracies .7 .6 .9 .95 give 641 points (printed); (sum of W S / .01)^2 = 640.5359
    assert_eq!(sample_size(&PIXELS, &[0.7, 0.6, 0.9, 0.95], 0.01), Some(641));
    // what the paper's 75, 75, 165 and 325 points would give if the accuracies came out so: equation 5 by hand
    let by_hand = (0.0004f64 * 0.21 / 74.0
        + 0.000_225 * 0.24 / 74.0
        + 0.1024 * 0.09 / 164.0
        + 0.416_025 * 0.0475 / 324.0)
        .sqrt();
    let found = expected_standard_error(&PIXELS, &[0.7, 0.6, 0.9, 0.95], &[75, 75, 165, 325]);
    near(found.unwrap(), by_hand, 1e-12);
}
