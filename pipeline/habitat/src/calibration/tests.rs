//! A made-up ground whose true density of records is known.

use super::*;
use crate::folds::folds;
use crate::measure::NO_CLASS;
use lentic_numerics::rank::spearman;
use lentic_numerics::seed::{hash64, unit};
use lentic_study::settings::Measure;

const SIDE: usize = 100;

/// Water, ground class and noise over 100 x 100 cells.
struct Ground {
    measured: Vec<Measured>,
    truth: Vec<f64>,
}

/// The relative density rises with the months of water up to 8 and falls beyond; class 2 holds thrice as many as class 1; the
/// third measure has no say.
fn ground() -> Ground {
    let mut water = Vec::new();
    let mut classes = Vec::new();
    let mut noise = Vec::new();
    let mut truth = Vec::new();
    for cell in 0..SIDE * SIDE {
        let (row, col) = ((cell / SIDE) as f64, (cell % SIDE) as f64);
        let months = 6.0 + 6.0 * (row / 9.0).sin() * (col / 13.0).cos();
        let class = if (row / 21.0).sin() + (col / 17.0).sin() > 0.0 { 2 } else { 1 };
        let rise = -(months - 8.0f64).powi(2) / 6.0;
        truth.push(rise.exp() * if class == 2 { 3.0 } else { 1.0 });
        water.push(months as f32);
        classes.push(class);
        noise.push(unit(hash64(9, cell as u64, 0)) as f32);
    }
    Ground {
        measured: vec![Measured::Numbers(water), Measured::Codes(classes), Measured::Numbers(noise)],
        truth,
    }
}

fn at(measured: &[Measured], cells: &[usize]) -> Places {
    let pick = |m: &Measured| match m {
        Measured::Numbers(v) => Measured::Numbers(cells.iter().map(|c| v[*c]).collect()),
        Measured::Codes(v) => Measured::Codes(cells.iter().map(|c| v[*c]).collect()),
        Measured::Years { .. } => panic!("none here"),
    };
    Places {
        measured: measured.iter().map(pick).collect(),
        barrier: vec![false; cells.len()],
        nearness: Vec::new(),
    }
}

fn measures() -> [Measure; 4] {
    [
        Measure::Hydroperiod,
        Measure::Class("ground".into()),
        Measure::Layer("noise".into()),
        Measure::Hydroperiod,
    ]
}

/// Cells with presences: each cell with a chance in proportion to the true density, some `wanted` in all.
fn presences(ground: &Ground, wanted: f64, seed: u64) -> Vec<usize> {
    let total: f64 = ground.truth.iter().sum();
    let drawn = |cell: &usize| unit(hash64(seed, *cell as u64, 1)) < wanted * ground.truth[*cell] / total;
    (0..SIDE * SIDE).filter(drawn).collect()
}

struct Made {
    layout: Layout,
    outcome: Result<Calibration, CalibrationError>,
    everywhere: Vec<f64>,
}

fn made(wanted: f64, seed: u64, block: usize) -> Made {
    let ground = ground();
    let all: Vec<usize> = (0..SIDE * SIDE).collect();
    let mut measured = ground.measured.clone();
    measured.push(measured[0].clone());
    let found = presences(&ground, wanted, seed);
    let (presences, background) = (at(&measured, &found), at(&measured, &all));
    let place = |cell: &usize| (cell / SIDE, cell % SIDE);
    let folds = folds(
        &found.iter().map(place).collect::<Vec<_>>(),
        &all.iter().map(place).collect::<Vec<_>>(),
        block,
        seed,
    );
    let measures = measures();
    let measures: Vec<&Measure> = measures.iter().collect();
    let layout = Layout::new(&measures, &presences.measured, &background.measured);
    let expert = (vec![0.5; found.len()], vec![0.5; all.len()]);
    let data = Data {
        presences: &presences,
        background: &background,
        expert: (&expert.0, &expert.1),
        folds: &folds,
    };
    let outcome = calibrate(layout.clone(), data);
    let everywhere = outcome.as_ref().map(|c| c.scores.1.clone()).unwrap_or_default();
    Made { layout, outcome, everywhere }
}

#[test]
fn a_measure_takes_part_once_and_classes_sum_to_nothing() {
    let made = made(300.0, 1, 12);
    assert_eq!(made.layout.measures.iter().map(|m| m.variable).collect::<Vec<_>>(), [0, 1, 2]);
    assert_eq!(made.layout.left_out, [3]);
    let class = &made.layout.measures[1];
    let row = |code: f64| {
        let mut row = Vec::new();
        class.extend(Some(code), &mut row);
        row
    };
    // over the background the mean of each is 0
    let Shape::Class(terms) = &class.shape else { panic!("a class") };
    let share = terms.scales[0].0;
    for j in 0..2 {
        assert!((share * row(1.0)[j] + (1.0 - share) * row(2.0)[j]).abs() < 1e-12);
    }
    // a class not met is like the mean
    assert_eq!(row(7.0), [0.0, 0.0]);
    let unknown = Measured::Codes(vec![NO_CLASS]);
    assert_eq!(number(&unknown, 0), None);
}

#[test]
fn the_true_density_is_found() {
    let truth = ground().truth;
    let made = made(300.0, 2, 12);
    let found = made.outcome.unwrap();
    // ranks of the fitted suitability over the ground are those of the truth
    let rank = spearman(&made.everywhere, &truth).unwrap();
    assert!(rank > 0.97, "{rank}");
    // the best place of the month curve is near 8 and class 2 stands above class 1 by about ln 3
    let months = found.model.bends(0);
    let best = months.iter().max_by(|a, b| a.response.total_cmp(&b.response)).unwrap();
    assert!((best.value - 8.0).abs() < 1.0, "{best:?}");
    let classes = found.model.bends(1);
    let step = classes[1].response - classes[0].response;
    assert!((step - 3.0f64.ln()).abs() < 0.4, "{step}");
    // noise says little: its curve is flatter than that of water, and within its errors of 0
    let span = |bends: &[Bend]| {
        let of = |f: fn(f64, f64) -> f64, start| bends.iter().map(|b| b.response).fold(start, f);
        of(f64::max, f64::NEG_INFINITY) - of(f64::min, f64::INFINITY)
    };
    assert!(span(&found.model.bends(2)) < 0.25 * span(&months));
    // on folds left out the fit tells records from ground, and an even score does not
    for fold in &found.folds {
        assert!(fold.fitted.auc.unwrap().value > 0.65, "{fold:?}");
        assert_eq!(fold.expert.auc.unwrap().value, 0.5);
    }
    assert!(found.gains.iter().any(|(penalty, gain)| *penalty == found.penalty && *gain > 0.2));
    assert!(found.gains.iter().all(|(_, gain)| *gain <= found.gains.iter().map(|g| g.1).fold(0.0, f64::max)));
    // suitability is at most 1, and reached where every measure is at its best
    let most = made.everywhere.iter().copied().fold(0.0, f64::max);
    assert!(most <= 1.0 + 1e-9 && most > 0.9, "{most}");
}

#[test]
fn too_few_records_and_records_in_one_place_are_refused() {
    assert!(matches!(made(12.0, 3, 12).outcome, Err(CalibrationError::Few(n)) if n < FEW));
    assert!(matches!(made(300.0, 3, 5000).outcome, Err(CalibrationError::Together(_))));
}
