use super::*;
use crate::water::{BitRows, MonthAxis, count_all};
use lentic_numerics::seed::hash64;
use std::f64::consts::TAU;

pub(crate) fn axis() -> MonthAxis {
    MonthAxis { first: "1991-01".parse().unwrap(), len: 360 }
}

/// A smooth, repeatable index: slow waves, standard deviation near 1.
pub(crate) fn waves() -> Vec<Option<f64>> {
    (0..360)
        .map(|t| {
            let t = f64::from(t);
            Some(1.0 * (t / 9.0).sin() + 0.8 * (t / 23.0 + 1.0).cos())
        })
        .collect()
}

fn uniform(a: u64, b: u64) -> f64 {
    (hash64(11, a, b) >> 11) as f64 / (1u64 << 53) as f64
}

/// A cell whose months are drawn from its own coefficients.
pub(crate) fn drawn(design: &Design, beta: &Beta, cell: u64) -> SampleCell {
    let mut rows = BitRows::new(&axis(), 1);
    for t in 0..design.len() {
        let eta: f64 = design.row(t).iter().zip(beta).map(|(x, b)| x * b).sum();
        rows.set(0, t, uniform(cell, t as u64) < inverse_logit(eta));
    }
    SampleCell {
        group: Some(1),
        climate: 0,
        pool: None,
        ground: f64::NAN,
        observed: rows.observed(0).to_vec(),
        wet: rows.wet(0).to_vec(),
    }
}

pub(crate) const SPREADS: Spreads = Spreads { intercept: 10.0, index: 0.5, season: 1.0 };

#[test]
fn the_expected_hydroperiod_is_the_sum_of_monthly_means() {
    let design = Design::new(&axis(), &waves());
    assert!((design.hydroperiod(&[0.0; 4], 0.0) - 6.0).abs() < 1e-12);
    let beta = [0.3, 1.1, -0.4, 0.9];
    let mut slow = 0.0;
    for m in 0..12 {
        let months: Vec<f64> = (0..360)
            .filter(|t| t % 12 == m)
            .map(|t| {
                let angle = TAU * (m + 1) as f64 / 12.0;
                let eta =
                    beta[0] + beta[1] * waves()[t].unwrap() + beta[2] * angle.sin() + beta[3] * angle.cos();
                1.0 / (1.0 + (-eta).exp())
            })
            .collect();
        slow += months.iter().sum::<f64>() / 30.0;
    }
    assert!((design.hydroperiod(&beta, 0.0) - slow).abs() < 1e-12);
}

/// By hand: with a = c = d = 0, twelve times (e^0.5 - 1)/(e^0.5 + 1).
#[test]
fn months_per_unit_of_the_index() {
    let design = Design::new(&axis(), &waves());
    let months = design.months_per_unit(&[0.0, 1.0, 0.0, 0.0]);
    let root = 0.5f64.exp();
    assert!((months - 12.0 * (root - 1.0) / (root + 1.0)).abs() < 1e-12, "{months}");
    assert_eq!(design.months_per_unit(&[1.0, 0.0, 2.0, 0.5]), 0.0);
}

#[test]
fn months_without_z_leave_the_design_and_a_missing_calendar_month_is_filled() {
    let mut z = waves();
    z.iter_mut().step_by(12).for_each(|z| *z = None);
    let design = Design::new(&axis(), &z);
    assert_eq!(design.len(), 330);
    // with p = 1/2 everywhere, January takes the half of its neighbours
    assert!((design.hydroperiod(&[0.0; 4], 0.0) - 6.0).abs() < 1e-12);
}

/// Median slopes of groups recover the slopes the cells were drawn with; a group that ignores
/// the index comes out near 0.
#[test]
fn group_medians_recover_the_truth() {
    let design = Design::new(&axis(), &waves());
    let mut sample: Vec<SampleCell> = (0..200).map(|c| drawn(&design, &[-0.2, 1.5, 0.5, -1.0], c)).collect();
    sample.extend((200..400).map(|c| {
        let cell = drawn(&design, &[0.4, 0.0, 0.2, 0.3], c);
        SampleCell { group: Some(2), climate: 0, pool: None, ground: f64::NAN, ..cell }
    }));
    let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
    let led = groups.of(Some(1));
    assert!((led.mean[1] - 1.5).abs() < 0.1, "{:?}", led.mean);
    assert!((led.mean[3] + 1.0).abs() < 0.1, "{:?}", led.mean);
    assert!(groups.of(Some(2)).mean[1].abs() < 0.05, "{:?}", groups.of(Some(2)).mean);
    // months are drawn independently: hardly any autocorrelation is left
    assert!(led.weight > 0.8, "{}", led.weight);
}

/// Cells whose state persists get a lower weight than independent ones.
#[test]
fn persistence_lowers_the_weight() {
    let design = Design::new(&axis(), &waves());
    let sample: Vec<SampleCell> = (0..60)
        .map(|c| {
            let mut rows = BitRows::new(&axis(), 1);
            for t in 0..360u64 {
                // a state drawn anew every eight months
                rows.set(0, t as usize, uniform(c, t / 8) < 0.5);
            }
            SampleCell {
                group: None,
                climate: 0,
                pool: None,
                ground: f64::NAN,
                observed: rows.observed(0).to_vec(),
                wet: rows.wet(0).to_vec(),
            }
        })
        .collect();
    let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
    // r_j = 1 - j/8 gives sum 3.5 and weight 1/8
    let fit = groups.of(None);
    assert!((fit.autocorrelation - 3.5).abs() < 0.5, "{}", fit.autocorrelation);
    assert!((fit.weight - 0.125).abs() < 0.03, "{}", fit.weight);
}

#[test]
fn small_groups_take_the_prior_of_all_and_none_is_refused() {
    let design = Design::new(&axis(), &waves());
    let mut sample: Vec<SampleCell> = (0..40).map(|c| drawn(&design, &[0.0, 1.0, 0.0, 0.0], c)).collect();
    sample.push(SampleCell { group: Some(9), climate: 0, pool: None, ground: f64::NAN, ..sample[0].clone() });
    let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
    assert!(groups.of(Some(1)).own);
    assert!(!groups.of(Some(9)).own);
    assert_eq!(groups.of(Some(9)).cells, 1);
    assert_eq!(groups.of(Some(9)).mean, groups.of(Some(77)).mean);
    let refused = Groups::fit(std::slice::from_ref(&design), &axis(), &[], SPREADS);
    assert_eq!(refused.unwrap_err(), ResponseError::NoCells);
}

/// A cell that is wetter in drought is held at b = 0.
#[test]
fn a_negative_slope_is_held_at_zero() {
    let design = Design::new(&axis(), &waves());
    let sample: Vec<SampleCell> = (0..40).map(|c| drawn(&design, &[0.0, -1.5, 0.0, 0.0], c)).collect();
    let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
    let mut months = Months::default();
    for cell in &sample {
        let (beta, held) =
            groups.fit_cell(&design, &cell.observed, &cell.wet, (cell.group, cell.ground), &mut months);
        assert!(held && beta[1] == 0.0, "{beta:?}");
    }
}

/// A cell always wet leans on its prior and still answers to drought.
#[test]
fn never_dry_rests_on_the_prior() {
    let design = Design::new(&axis(), &waves());
    let sample: Vec<SampleCell> = (0..60).map(|c| drawn(&design, &[0.0, 1.5, 0.0, 0.0], c)).collect();
    let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
    let full = vec![u64::MAX, u64::MAX, u64::MAX, u64::MAX, u64::MAX, (1 << 40) - 1];
    assert_eq!(count_all(&full), 360);
    let mut months = Months::default();
    let (beta, _) = groups.fit_cell(&design, &full, &full, (Some(1), f64::NAN), &mut months);
    assert!(beta[1] > 1.0, "{beta:?}");
    let wet = design.hydroperiod(&beta, 0.0);
    assert!(wet > 11.5 && wet < 12.0, "{wet}");
    assert!(design.hydroperiod(&beta, -6.0) < wet);
}
