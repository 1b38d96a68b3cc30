use super::balance::{Forcing, Rates, fit_rates};
use super::bed::Bed;
use super::seen::GroundBins;
use super::trial::{Trial, Tried};
use super::*;
use crate::response::pooled::MonthCounts;
use crate::response::tests::{SPREADS, axis, drawn};
use crate::response::{Design, Groups, SampleCell};
use crate::water::BitRows;
use std::collections::BTreeMap;

/// Evenly spread numbers of 0 to 1, the same every time.
fn number(at: usize) -> f64 {
    lentic_numerics::seed::unit(lentic_numerics::seed::hash64(7, 0, at as u64))
}

/// 30 years: dry and wet years one after another, wet winters, warm summers.
fn weather() -> Weather {
    let month = |t: usize| {
        let season = (std::f64::consts::TAU * t as f64 / 12.0).cos();
        let year = 0.4 + 1.2 * number(1000 + t / 36);
        ((45.0 + 35.0 * season) * year * (0.4 + 1.2 * number(t)), 60.0 - 50.0 * season)
    };
    let (precipitation, evapotranspiration) = (0..360).map(month).unzip();
    Weather { precipitation, evapotranspiration }
}

/// 60 cells on a bowl, 1.2 m deep.
fn bowl() -> Vec<f64> {
    (0..60).map(|i| 10.0 + 1.2 * f64::from(i) / 59.0).collect()
}

const TRUE: Rates = Rates { rain: 1.0, evaporation: 1.1, seepage: 0.01, runoff: 2.5, inflow: 0.004 };

/// Levels of the bowl, from a balance of small steps written out on its own.
fn true_levels(weather: &Weather) -> Vec<f64> {
    let forcing = Forcing::new(weather, 50.0);
    let ground = bowl();
    let level_of = |volume: f64| {
        // the level at which the water above the ground, over all cells, is this
        let held =
            |level: f64| ground.iter().map(|g| (level - g).max(0.0)).sum::<f64>() / ground.len() as f64;
        let (mut low, mut high) = (10.0, 11.2);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if held(middle) < volume { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    };
    let full = ground.iter().map(|g| 11.2 - g).sum::<f64>() / ground.len() as f64;
    let mut volume: f64 = full;
    let step = 1.0 / 10.0;
    (0..forcing.rain.len())
        .map(|t| {
            for _ in 0..10 {
                let level = level_of(volume);
                let area = ground.iter().filter(|g| **g < level).count() as f64 / ground.len() as f64;
                let over_water = forcing.rain[t] - 1.1 * forcing.demand[t] - 0.01;
                volume += step * (area * over_water + 2.5 * forcing.surplus[t] + 0.004);
                volume = volume.clamp(0.0, full);
            }
            level_of(volume)
        })
        .collect()
}

#[test]
fn a_bed_by_hand() {
    let bed = Bed::new(&[0.0, 1.0, 2.0, 3.0], 4.0).unwrap();
    assert_eq!((bed.lowest(), bed.brim()), (0.0, 4.0));
    // a quarter under water to 1 m, half to 2 m, three quarters to 3 m, all to 4 m
    assert_eq!([0.0, 1.0, 2.0, 3.0, 4.0].map(|level| bed.volume(level)), [0.0, 0.25, 0.75, 1.5, 2.5]);
    assert_eq!([1.0, 3.0, 9.0].map(|level| bed.share(level)), [0.5, 1.0, 1.0]);
    assert_eq!(bed.share(1.5), 0.625);
    assert_eq!(Bed::new(&[1.0, 2.0], 1.0), None);
    assert_eq!(Bed::new(&[1.0, 2.0], 0.5), None);
}

#[test]
fn a_balance_spills_at_its_brim_and_stops_at_its_bed() {
    let bed = Bed::new(&[0.0, 0.0, 0.0, 0.0], 1.0).unwrap();
    let months = |rain: [f64; 3], demand: [f64; 3]| Forcing {
        rain: rain.into(),
        demand: demand.into(),
        surplus: vec![0.0; 3],
    };
    let rates = Rates { rain: 1.0, evaporation: 1.0, ..Rates::default() };
    // flat and full: falls by 0.3 m, rises by 0.1 m, then 5 m more run off
    let levels = bed.levels(&rates, &months([0.0, 0.1, 5.0], [0.3, 0.0, 0.0]));
    for (level, wanted) in levels.iter().zip([0.7, 0.8, 1.0]) {
        assert!((level - wanted).abs() < 1e-9, "{levels:?}");
    }
    let dry = bed.levels(&rates, &months([0.0; 3], [2.0; 3]));
    assert_eq!(dry[2], 0.0);
    let fed = Rates { inflow: 0.2, ..Rates::default() };
    assert!((bed.levels(&fed, &months([0.0; 3], [0.0; 3]))[2] - 1.0).abs() < 1e-12);
}

/// Thornthwaite and Mather (1955): a store of 100 mm under a deficit of 100 mm holds 100/e, and sheds nothing before it is full again.
#[test]
fn a_soil_store_by_hand() {
    let weather = Weather { precipitation: vec![0.0, 50.0, 40.0], evapotranspiration: vec![100.0, 0.0, 0.0] };
    let shed = Forcing::new(&weather, 100.0).surplus;
    let held = 100.0 / std::f64::consts::E;
    assert_eq!(&shed[..2], [0.0, 0.0]);
    assert!((shed[2] - (held + 90.0 - 100.0) / 1000.0).abs() < 1e-12, "{shed:?}");
    let bare = Forcing::new(&weather, 0.0);
    assert_eq!(bare.surplus, [0.0, 0.05, 0.04]);
}

#[test]
fn a_level_from_masks_with_a_misread_cell() {
    let ground: Vec<i64> = (0..10).map(|i| 1000 * i).collect();
    let bins = GroundBins::new(&ground).unwrap();
    let axis = axis();
    let mut rows = BitRows::new(&axis, 10);
    for cell in 0..10 {
        rows.set(cell, 0, cell < 4 || cell == 8);
        rows.set(cell, 1, true);
        rows.set(cell, 2, false);
        // too few are seen in the fourth month
        if cell < 4 {
            rows.set(cell, 3, true);
        }
    }
    let mut counts: BTreeMap<usize, MonthCounts> = BTreeMap::new();
    for (cell, height) in ground.iter().enumerate() {
        let months = counts.entry(bins.place(*height)).or_default();
        months.add(rows.observed(cell), rows.wet(cell), 5);
    }
    // between 0.3 and 0.4 m; all wet: the highest ground; all dry: the lowest; the fifth month was not seen
    assert_eq!(bins.levels(&counts, 5), [Some(0.35), Some(0.9), Some(0.0), None, None]);
    let equal = GroundBins::new(&[5, 5, 5, 9]).unwrap();
    assert_eq!([5, 9].map(|height| equal.place(height)), [0, 1]);
    assert_eq!(GroundBins::new(&[]), None);
    // 1,000 cells share a hundred bins
    let many: Vec<i64> = (0..1000).collect();
    let bins = GroundBins::new(&many).unwrap();
    assert_eq!((bins.place(0), bins.place(9), bins.place(10), bins.place(999)), (0, 0, 1, 99));
}

#[test]
fn rates_and_levels_of_a_pool_are_found_again() {
    let (weather, ground) = (weather(), bowl());
    let truth = true_levels(&weather);
    let seen: Vec<Option<f64>> = truth.iter().copied().map(Some).collect();
    let always = vec![true; 360];
    let record = Record { ground: &ground, seen: &seen, fitted: &always, weather: &weather };
    let level = PoolLevel::fit(&record, &always).unwrap();
    let off = level.rates.all().iter().zip(TRUE.all()).map(|(found, rate)| found - rate).collect::<Vec<_>>();
    assert_eq!(level.capacity_mm, 50.0, "{level:?}");
    assert!(
        off.iter().zip([0.15, 0.15, 0.01, 0.4, 0.003]).all(|(off, most)| off.abs() < most),
        "{:?}",
        level.rates
    );
    assert!(level.misfit(&record) < 0.02, "{}", level.misfit(&record));
    // a third less rain: the level of the truth, not of the record
    let drier = Weather {
        precipitation: weather.precipitation.iter().map(|p| 0.67 * p).collect(),
        ..weather.clone()
    };
    let wanted = true_levels(&drier);
    let errors = level.levels(&drier).iter().zip(&wanted).map(|(l, w)| (l - w).powi(2)).sum::<f64>() / 360.0;
    let change = truth.iter().zip(&wanted).map(|(t, w)| (t - w).powi(2)).sum::<f64>() / 360.0;
    assert!(errors.sqrt() < 0.05 && change.sqrt() > 0.15, "{} of {}", errors.sqrt(), change.sqrt());
    // months that may not be looked at do not matter
    let mut spoilt = seen.clone();
    spoilt[100..130].fill(Some(10.9));
    let used: Vec<bool> = (0..360).map(|t| !(100..130).contains(&t)).collect();
    let spoilt = Record { seen: &spoilt, ..record.clone() };
    assert_eq!(level.refit(&spoilt, &used).unwrap().rates, level.refit(&record, &used).unwrap().rates);
}

#[test]
fn too_little_seen_gives_no_level() {
    let (weather, ground) = (weather(), bowl());
    let always = vec![true; 360];
    let fit = |seen: &[Option<f64>]| {
        PoolLevel::fit(&Record { ground: &ground, seen, fitted: &always, weather: &weather }, &always)
    };
    assert_eq!(fit(&[None; 360]), None);
    // always at the brim: nothing is learnt of how it falls
    assert_eq!(fit(&[Some(11.2); 360]), None);
    let bed = Bed::new(&ground, 11.2).unwrap();
    let few: Vec<Option<f64>> = (0..360).map(|t| (t < 24).then_some(10.5)).collect();
    assert_eq!(fit_rates(&bed, &few, &always, &always, &Forcing::new(&weather, 0.0)), None);
}

/// Cells at rising ground of the bowl, wet as `wet` says.
fn cells(ground: &[f64], wet: impl Fn(usize, usize) -> bool) -> Vec<SampleCell> {
    let one = |(cell, ground): (usize, &f64)| {
        let mut rows = BitRows::new(&axis(), 1);
        (0..360).for_each(|t| rows.set(0, t, wet(cell, t)));
        let (observed, wet) = (rows.observed(0).to_vec(), rows.wet(0).to_vec());
        SampleCell { group: Some(1), climate: 0, pool: Some(1), ground: *ground, observed, wet }
    };
    ground.iter().enumerate().map(one).collect()
}

/// z of the rain of so many months, as far as a straight line tells it.
fn index(weather: &Weather, months: usize) -> Design {
    let sum = |t: usize| weather.precipitation[(t + 1).saturating_sub(months)..=t].iter().sum::<f64>();
    let sums: Vec<f64> = (0..360).map(sum).collect();
    let mean = sums.iter().sum::<f64>() / 360.0;
    let sd = (sums.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / 360.0).sqrt();
    Design::new(&axis(), &sums.iter().map(|s| Some((s - mean) / sd)).collect::<Vec<_>>())
}

fn tried(weather: &Weather, seen: &[f64], cells: &[SampleCell]) -> Trial {
    let (ground, always, design) = (bowl(), vec![true; 360], index(weather, 12));
    let seen: Vec<Option<f64>> = seen.iter().copied().map(Some).collect();
    let record = Record { ground: &ground, seen: &seen, fitted: &always, weather };
    let level = PoolLevel::fit(&record, &always).unwrap();
    let groups = Groups::fit(std::slice::from_ref(&design), &axis(), cells, SPREADS).unwrap();
    let axis = axis();
    let on = Tried {
        axis: &axis,
        index: &design,
        groups: &groups,
        spreads: SPREADS,
        index_months: 12,
        offset: 0,
        record,
    };
    on.run(&level, cells).unwrap()
}

/// Cells that are wet when the pool's level is above their ground answer to it; cells that follow the index do not.
#[test]
fn a_pool_is_told_from_ground_that_follows_the_rain() {
    let (weather, ground) = (weather(), bowl());
    let levels = true_levels(&weather);
    let between: Vec<f64> = ground.iter().copied().skip(12).step_by(2).take(20).collect();
    let pool = cells(&between, |cell, t| levels[t] > between[cell]);
    let won = tried(&weather, &levels, &pool);
    assert!(won.is_won() && won.level < 0.5 * won.index, "{won:?}");
    let design = index(&weather, 12);
    let rain_led: Vec<SampleCell> = (0..20)
        .map(|i| {
            let a = 2.0 - 0.2 * i as f64;
            let one = drawn(&design, &[a, 2.0, 0.3, -0.5], i);
            SampleCell { ground: 10.0 + 0.05 * i as f64, pool: Some(1), group: Some(1), ..one }
        })
        .collect();
    let lost = tried(&weather, &levels, &rain_led);
    assert!(!lost.is_won(), "{lost:?}");
}
