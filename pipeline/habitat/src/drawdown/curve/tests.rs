use super::*;
use crate::response::Design;
use crate::water::MonthAxis;
use lentic_numerics::seed::{hash64, unit};
use proptest::prelude::*;

fn cell(centimetres: usize, at: usize, wet: bool) -> PoolCell {
    PoolCell { ground: 100 * centimetres as i64, row: at / 10, col: at % 10, wet, lasting: false }
}

/// By hand: 40 cells, one every 2 cm. The fourth cell would end a bin by height, but only with the sixth a bin holds five: eight bins of
/// five cells each.
#[test]
fn bins_close_at_height_and_cells() {
    let cells: Vec<PoolCell> = (0..40).map(|i| cell(2 * i, i, i < 30)).collect();
    let bins = Bins::of(cells.clone()).unwrap();
    assert_eq!(bins.bins().len(), 8);
    assert_eq!(bins.bins()[0], Bin { low: 0.0, high: 0.08, mean: 0.04, cells: 5, wet: 5 });
    assert_eq!((bins.bins()[6].wet, bins.bins()[5].wet), (0, 5));
    for (at, one) in cells.iter().enumerate() {
        assert_eq!(bins.place(one), at / 5);
    }
    assert_eq!(bins.top(), 0.78);
    let mut backwards = cells;
    backwards.reverse();
    assert_eq!(Bins::of(backwards).unwrap(), bins);
}

#[test]
fn few_wet_cells_make_no_curve_and_a_short_last_bin_joins() {
    let of = |wet: usize, cells: usize| Bins::of((0..cells).map(|i| cell(2 * i, i, i < wet)).collect());
    assert!(of(29, 40).is_none());
    let sizes = |bins: &Bins| bins.bins().iter().map(|bin| bin.cells).collect::<Vec<_>>();
    assert_eq!(sizes(&of(30, 43).unwrap()), [5, 5, 5, 5, 5, 5, 5, 8]);
    assert_eq!(sizes(&of(30, 45).unwrap()), [5; 9]);
    assert_eq!(sizes(&Bins::of((0..50).map(|i| cell(7, i, true)).collect()).unwrap()), [50]);
    // 0.05 m is 0.05 m: two cells every centimetre, ten to a bin
    let fine = Bins::of((0..60).map(|i| cell(i / 2, i, true)).collect()).unwrap();
    assert_eq!(sizes(&fine), [10; 6]);
    // 4 cells at 0 and the rest at 1 m: the bin is high enough but not full, so the first of the higher ones fills it
    let steps: Vec<PoolCell> = (0..40).map(|i| cell(if i < 4 { 0 } else { 100 }, i, true)).collect();
    let bins = Bins::of(steps.clone()).unwrap();
    assert_eq!(sizes(&bins), [5, 35]);
    assert_eq!((bins.place(&steps[4]), bins.place(&steps[5])), (0, 1));
    assert!(bins.bins()[0].mean < bins.bins()[1].mean);
}

/// Of 60 cells 12 at one height are a surface where water lasts, 11 are too few; a dry flat is none.
#[test]
fn a_surface_of_water_is_no_ground() {
    let pool = |flat: usize, lasting: usize| -> Vec<PoolCell> {
        let of = |i: usize| if i < flat { cell(300, i, true) } else { cell(300 + i, i, true) };
        (0..60).map(|i| PoolCell { lasting: i < lasting, ..of(i) }).collect()
    };
    assert_eq!(surfaces(&pool(12, 6)), BTreeMap::from([(30_000, 12)]));
    assert!(surfaces(&pool(11, 11)).is_empty());
    assert!(surfaces(&pool(12, 5)).is_empty());
    // in a small pool a fifth would be few
    let small: Vec<PoolCell> = pool(9, 9).into_iter().take(30).collect();
    assert!(surfaces(&small).is_empty());
}

#[test]
fn ground_to_a_tenth_of_a_millimetre() {
    for (metres, expected) in
        [(110.46, 1_104_600), (f64::from(110.46f32), 1_104_600), (-0.000_06, -1), (0.0, 0)]
    {
        assert_eq!(tenths(metres), Some(expected));
    }
    assert_eq!((tenths(f64::NAN), tenths(f64::INFINITY)), (None, None));
    assert_eq!(metres(1_104_600), 110.46);
}

fn knots(of: &[(f64, Beta)]) -> PoolCurve {
    PoolCurve::new(of.iter().map(|(ground, beta)| Knot { ground: *ground, beta: *beta }).collect()).unwrap()
}

/// By hand.
#[test]
fn linear_between_knots_and_by_g_beyond() {
    let curve = knots(&[(10.0, [4.0, 1.0, 0.5, 0.0]), (11.0, [0.0, 2.0, 0.5, 1.0])]);
    assert_eq!(curve.at(10.0, 3.0), [4.0, 1.0, 0.5, 0.0]);
    assert_eq!(curve.at(10.25, 3.0), [3.0, 1.25, 0.5, 0.25]);
    assert_eq!(curve.at(9.5, 3.0), [5.5, 1.0, 0.5, 0.0]);
    assert_eq!(curve.at(11.5, 3.0), [-1.5, 2.0, 0.5, 1.0]);
    assert!(PoolCurve::new(Vec::new()).is_none());
    assert!(PoolCurve::new(vec![Knot { ground: 1.0, beta: [0.0; 4] }; 2]).is_none());
}

/// By hand: the cell keeps its own difference from the curve, passes the knot at 11 and ends half a metre above it.
#[test]
fn a_cell_passes_the_knots_of_its_fall() {
    let curve = knots(&[(10.0, [4.0, 1.0, 0.5, 0.0]), (11.0, [0.0, 0.25, 0.5, 1.0])]);
    let mut out = Vec::new();
    curve.moved(Some(&[5.0, 0.25, 0.0, 0.0]), 10.0, 1.5, 3.0, &mut out);
    // b falls from 0.25 by 0.75: it passes 0 a third of the way, and is held there
    assert_eq!(out.len(), 4);
    assert_eq!(out[0], [5.0, 0.25, 0.0, 0.0]);
    assert_eq!(out[1], [1.0, 0.0, 0.0, 1.0]);
    assert_eq!(out[2], [-0.5, 0.0, 0.0, 1.0]);
    assert!((out[3][0] - (5.0 - 4.0 / 3.0)).abs() < 1e-12 && out[3][1] == 0.0);
    // a rise the other way; a cell never seen wet takes the curve itself
    curve.moved(None, 11.0, -1.5, 3.0, &mut out);
    assert_eq!(out, [[0.0, 0.25, 0.5, 1.0], [4.0, 1.0, 0.5, 0.0], [5.5, 1.0, 0.5, 0.0]]);
    assert_eq!((Bound::of(-1.5), Bound::of(1.5)), (Bound::Highest, Bound::Lowest));
}

fn wandering(seed: u64) -> PoolCurve {
    let u = |k: u64, at: u64| unit(hash64(seed, k, at));
    let mut ground = 100.0;
    let knot = |at: u64| {
        ground += 0.03 + 0.1 * u(0, at);
        // falls on the whole, but not from bin to bin
        let a = 4.0 - 9.0 * at as f64 / 9.0 + 4.0 * (u(1, at) - 0.5);
        Knot { ground, beta: [a, 2.0 * u(2, at), u(3, at) - 0.5, u(4, at) - 0.5] }
    };
    PoolCurve::new((0..10).map(knot).collect()).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// In no month and no climate does a deeper fall (a lower rise) give more water, nor a drier month more than a wetter one, however
    /// the bins wander.
    #[test]
    fn a_deeper_fall_never_gives_more_water(
        seed in any::<u64>(),
        ground in 99.8f64..101.0,
        first in 0.0f64..0.6,
        more in 0.0f64..0.6,
        b in 0.0f64..1.5,
        z in -3.0f64..3.0,
    ) {
        let curve = wandering(seed);
        let axis = MonthAxis { first: "2001-01".parse().unwrap(), len: 24 };
        let design = |z: f64| Design::new(&axis, &[Some(z); 24]);
        let (drier, wetter) = (design(z), design(z + 0.7));
        let own = [1.0, b, 0.2, -0.3];
        let logits = |design: &Design, own: Option<&Beta>, h: f64| {
            let (mut passed, mut logits) = (Vec::new(), Vec::new());
            curve.moved(own, ground, h, 8.0, &mut passed);
            design.bounded_logits(&passed, Bound::of(h), 0.0, &mut logits);
            design.of_months(&logits).collect::<Vec<f64>>()
        };
        let below = |low: &[f64], high: &[f64]| low.iter().zip(high).all(|(low, high)| *low <= high + 1e-9);
        let still = logits(&drier, Some(&own), 0.0);
        let mut unmoved = Vec::new();
        drier.bounded_logits(&[own], Bound::Lowest, 0.0, &mut unmoved);
        prop_assert_eq!(&still, &drier.of_months(&unmoved).collect::<Vec<f64>>());
        let fall = logits(&drier, Some(&own), first);
        let deeper = logits(&drier, Some(&own), first + more);
        prop_assert!(below(&fall, &still) && below(&deeper, &fall));
        let rise = logits(&drier, Some(&own), -first - 1e-9);
        let higher = logits(&drier, Some(&own), -first - more - 1e-9);
        prop_assert!(below(&still, &rise) && below(&rise, &higher));
        prop_assert!(below(&deeper, &logits(&wetter, Some(&own), first + more)));
        let never_wet = logits(&drier, None, -first - 1e-9);
        prop_assert!(below(&never_wet, &logits(&drier, None, -first - more - 1e-9)));
    }
}
