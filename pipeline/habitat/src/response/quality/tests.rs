use super::super::tests::{SPREADS, axis, drawn, waves};
use super::*;

fn quality(beta: Beta) -> Quality {
    let design = Design::new(&axis(), &waves());
    let sample: Vec<SampleCell> = (0..60).map(|c| drawn(&design, &beta, c)).collect();
    let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
    groups.quality(std::slice::from_ref(&design), &axis(), &sample, 12).remove(&Some(1)).unwrap()
}

/// Water led by the index is predicted better than by the calendar, also in the drier half.
#[test]
fn skill_where_the_index_leads() {
    let found = quality([0.2, 2.0, 0.5, -0.5]);
    assert!(found.skill().unwrap() > 0.2, "{found:?}");
    assert!(found.auc.unwrap() > 0.8);
    let half = found.drier_half.unwrap();
    assert!(half.brier < half.brier_climatology);
    assert!(half.bias_months.abs() < 0.3, "{half:?}");
    let trend = found.residual_trend.unwrap();
    assert!(trend.p > 0.05, "{trend:?}");
}

/// Water that ignores the index is predicted hardly better than by the calendar: only the error of a calendar mean over
/// 27 years, about 1/27 of the variance, is saved by the smooth season.
#[test]
fn no_skill_where_it_does_not() {
    let found = quality([0.0, 0.0, 1.0, 1.0]);
    assert!(found.skill().unwrap().abs() < 1.2 / 27.0, "{found:?}");
}

/// Predictions drawn from the model itself are reliable: every tenth within 0.05.
#[test]
fn reliability_of_a_true_model() {
    let found = quality([0.0, 1.5, 0.5, 0.5]);
    assert_eq!(found.reliability.len(), 10);
    for tenth in &found.reliability {
        assert!((tenth.predicted - tenth.observed).abs() < 0.05, "{tenth:?}");
    }
}

/// The 109 images of Hanley and McNeil (1982), Radiology 143:29-36, table I: W = 0.893.
#[test]
fn auc_of_hanley_and_mcneil() {
    let counts = [(33, 3), (6, 2), (6, 2), (11, 11), (2, 33)];
    let months: Vec<Month> = counts
        .iter()
        .enumerate()
        .flat_map(|(rating, (normal, abnormal))| {
            let month = move |wet| Month { p: 0.1 * (rating + 1) as f64, climatology: 0.5, wet };
            let normal = std::iter::repeat_n(month(false), *normal);
            normal.chain(std::iter::repeat_n(month(true), *abnormal))
        })
        .collect();
    assert!((auc(&months).unwrap() - 0.893_171_061_5).abs() < 1e-9);
    assert_eq!(auc(&months[..33]), None);
}

/// Wetland that dries by itself leaves a falling residual.
#[test]
fn a_fall_that_climate_does_not_explain_is_found() {
    let design = Design::new(&axis(), &waves());
    let sample: Vec<SampleCell> = (0..60)
        .map(|c| {
            let early = drawn(&design, &[1.5, 1.0, 0.0, 0.0], c);
            let late = drawn(&design, &[-1.5, 1.0, 0.0, 0.0], c + 1000);
            // the first 128 months of one, the others of the other
            let wet = early.wet[..2].iter().chain(&late.wet[2..]).copied().collect();
            SampleCell { wet, ..early }
        })
        .collect();
    let groups = Groups::fit(std::slice::from_ref(&design), &axis(), &sample, SPREADS).unwrap();
    let found = groups.quality(std::slice::from_ref(&design), &axis(), &sample, 12).remove(&Some(1)).unwrap();
    let trend = found.residual_trend.unwrap();
    assert!(trend.p < 0.05 && trend.per_decade < -0.5, "{trend:?}");
}
