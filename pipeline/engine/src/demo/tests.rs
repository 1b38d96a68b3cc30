//! Whether the invented basin keeps its own laws, and is as varied as a demo must be.

use super::climate::RAIN_MM;
use super::cover::around;
use super::files::grid_of;
use super::records::degrees;
use super::terrain::PoolKind;
use super::view::{NOT_SEEN, blind_months, mask};
use super::water::is_wet;
use super::*;
use lentic_raster::{Bounds, Crs, Grid, Resample, Window};
use lentic_study::settings::Drawdown;
use std::collections::BTreeMap;
use std::sync::LazyLock;

static SMALL: LazyLock<Demo> = LazyLock::new(|| Demo::new(DemoSize::Small, DEMO_SEED));
static FULL: LazyLock<Demo> = LazyLock::new(|| Demo::new(DemoSize::Full, DEMO_SEED));

fn masks(demo: &Demo) -> Vec<Vec<u8>> {
    let blind = blind_months(demo.seed);
    (0..MONTHS - BASELINE_START)
        .map(|m| mask(demo.seed, &demo.terrain, &demo.histories, &demo.climate, m, &blind))
        .collect()
}

fn folder_bytes(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(next) = open.pop() {
        for entry in std::fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_path_buf();
                files.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    files
}

fn correlation(x: &[f64], y: &[f64]) -> f64 {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (mx, my) = (mean(x), mean(y));
    let product: f64 = x.iter().zip(y).map(|(a, b)| (a - mx) * (b - my)).sum();
    let square = |v: &[f64], m: f64| v.iter().map(|a| (a - m).powi(2)).sum::<f64>();
    product / (square(x, mx) * square(y, my)).sqrt()
}

#[test]
fn the_same_seed_writes_the_same_bytes() {
    let folders = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let summaries = folders
        .each_ref()
        .map(|folder| write_demo(folder.path(), DemoSize::Small, DEMO_SEED, &|_| {}).unwrap());
    let first = folder_bytes(folders[0].path());
    assert_eq!(first, folder_bytes(folders[1].path()));
    assert_eq!(first.keys().filter(|k| k.starts_with("water")).count(), summaries[0].masks);
    let size: usize = first.values().map(Vec::len).sum();
    assert!(size < 2_000_000, "{size} bytes");

    // With another seed: another basin, in a folder of its own, for an earlier demo may have been edited.
    let refused = write_demo(folders[1].path(), DemoSize::Small, 21, &|_| {});
    assert!(matches!(refused, Err(EngineError::Demo(DemoError::NotEmpty(_)))));
    assert_eq!(first, folder_bytes(folders[1].path()));
    let another = tempfile::tempdir().unwrap();
    write_demo(another.path(), DemoSize::Small, 21, &|_| {}).unwrap();
    let other = folder_bytes(another.path());
    assert_eq!(first.keys().collect::<Vec<_>>(), other.keys().collect::<Vec<_>>());
    assert_ne!(first[Path::new("climate.csv")], other[Path::new("climate.csv")]);
}

#[test]
fn the_study_file_is_sound_and_states_the_futures() {
    let folder = tempfile::tempdir().unwrap();
    let summary = write_demo(folder.path(), DemoSize::Small, DEMO_SEED, &|_| {}).unwrap();
    let (study, warnings) = lentic_study::load(&summary.study).unwrap();
    assert!(warnings.is_empty(), "{warnings:?}");
    for (future, scenario) in FUTURES.iter().zip(&study.scenarios) {
        assert_eq!(future.name, scenario.name);
        assert_eq!(scenario.precipitation_factor, [future.rain; 12]);
        assert_eq!(scenario.temperature_c, [future.warmer; 12]);
        let lower = match scenario.drawdown {
            Drawdown::Everywhere(metres) => metres,
            _ => 0.0,
        };
        assert_eq!(lower, future.lower_m);
    }
    assert_eq!(study.period.baseline.0.since(SMALL.climate.months[BASELINE_START]), 0);
    assert_eq!(study.grid.crs, files::CRS);
}

#[test]
fn the_area_file_covers_the_inside_and_lies_on_cell_edges() {
    let folder = tempfile::tempdir().unwrap();
    write_demo(folder.path(), DemoSize::Small, DEMO_SEED, &|_| {}).unwrap();
    let area = folder.path().join("area.gpkg");
    let crs = Crs::parse(files::CRS).unwrap();
    let bounds = Bounds { left: -1440.0, bottom: -1080.0, right: 1440.0, top: 1080.0 };
    let grid = Grid::from_bounds(crs.clone(), bounds, 30.0).unwrap();
    assert_eq!((grid.rows, grid.cols), DemoSize::Small.rows_cols());
    let burnt = lentic_raster::burn(&area, &grid, &Window::whole(&grid), false).unwrap();
    assert_eq!(burnt, SMALL.terrain.inside);
    let extent = lentic_raster::vector_bounds(&area, &crs).unwrap();
    for edge in [extent.left, extent.bottom, extent.right, extent.top] {
        assert_eq!(edge % 30.0, 0.0);
    }
    // Ground, read back, is what was drawn; pools are no data between pools.
    let read = |name: &str, how| {
        let source = lentic_raster::RasterSource::open(&folder.path().join(name), 1).unwrap();
        lentic_raster::read_aligned_f32(&source, &grid, &Window::whole(&grid), how).unwrap()
    };
    assert_eq!(read("layers/ground.tif", Resample::Continuous), SMALL.terrain.ground);
    let pools = read("layers/pools.tif", Resample::Class);
    let same = |(found, id): (&f32, &u8)| found.is_nan() && *id == 0 || *found == f32::from(*id);
    assert!(pools.iter().zip(&SMALL.terrain.pool).all(same));
}

#[test]
fn a_folder_with_other_files_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("study.toml"), "# my own study\n").unwrap();
    let refused = write_demo(folder.path(), DemoSize::Small, DEMO_SEED, &|_| {});
    assert!(matches!(refused, Err(EngineError::Demo(DemoError::NotEmpty(_)))));
}

#[test]
fn water_is_neither_made_nor_lost() {
    for demo in [&*SMALL, &*FULL] {
        let pools = &demo.terrain.pools;
        for (pool, history) in demo.histories.iter().enumerate() {
            for (t, flows) in history.flows.iter().enumerate().skip(1) {
                let before = history.volume[t - 1];
                let came = flows.rain + flows.runoff + flows.spring + flows.received;
                let went = flows.evaporation + flows.seepage + flows.spilt;
                let change = history.volume[t] - before;
                let gap = (change - (came - went)).abs() / (1.0 + came + before);
                assert!(gap < 1e-9, "pool {pool}, month {t}: {gap}");
                let upstream: f64 = (0..pools.len())
                    .filter(|p| pools[*p].downstream == Some(pool))
                    .map(|p| demo.histories[p].flows[t].spilt)
                    .sum();
                assert!((upstream - flows.received).abs() < 1e-9 * (1.0 + upstream));
            }
        }
    }
}

#[test]
fn stage_and_volume_belong_together() {
    // Volume from the stage and the cells themselves, without the sorted form the program uses.
    let demo = &*SMALL;
    for (pool, history) in demo.terrain.pools.iter().zip(&demo.histories) {
        for t in (0..MONTHS).step_by(7) {
            let depth = |c: &usize| (history.stage[t] - demo.terrain.bed[*c]).max(0.0);
            let volume: f64 = pool.cells.iter().map(|c| 900.0 * depth(c)).sum();
            assert!((volume - history.volume[t]).abs() < 1e-6 * (1.0 + volume));
            assert!(history.stage[t] <= pool.sill_m + 1e-6);
        }
    }
}

#[test]
fn masks_show_the_truth_but_for_clouds_and_edges() {
    let demo = &*SMALL;
    let terrain = &demo.terrain;
    let blind = blind_months(demo.seed);
    let (mut edge_cells, mut errors) = (0u32, 0u32);
    for (month, seen) in masks(demo).iter().enumerate() {
        let hidden = seen.iter().filter(|v| **v == NOT_SEEN).count() as f64 / seen.len() as f64;
        if blind.contains(&month) {
            assert_eq!(hidden, 1.0);
            continue;
        }
        assert!((0.095..=0.26).contains(&hidden), "month {month}: {hidden}");
        let wet = |cell| is_wet(terrain, &demo.histories, cell, BASELINE_START + month, 0.0);
        for (cell, value) in seen.iter().enumerate().filter(|(_, v)| **v != NOT_SEEN) {
            let edge = terrain.pool[cell] != 0
                && around(terrain.rows, terrain.cols, cell, 1).any(|n| wet(n) != wet(cell));
            edge_cells += u32::from(edge);
            if *value != u8::from(wet(cell)) {
                assert!(edge, "month {month}, cell {cell} is wrong away from any edge");
                errors += 1;
            }
        }
    }
    // 1 % of edge cells, within four standard errors of a binomial share.
    let share = f64::from(errors) / f64::from(edge_cells);
    let error = (0.01 * 0.99 / f64::from(edge_cells)).sqrt();
    assert!((share - 0.01).abs() < 4.0 * error, "{share} +- {error}");
    assert!((6..=9).contains(&blind.len()));
    assert!(blind.windows(5).any(|w| w[4] - w[0] == 4), "five blind months in a row");
}

#[test]
fn the_basin_is_varied_enough() {
    for demo in [&*SMALL, &*FULL] {
        let share = demo.ever_wet_share();
        assert!((0.05..=0.15).contains(&share), "ever wet {share}");
        let wet: Vec<f32> = demo.hydroperiod.iter().copied().filter(|h| *h > 0.0).collect();
        let count = |low: f32, high: f32| {
            wet.iter().filter(|h| (low..high).contains(*h)).count() as f64 / wet.len() as f64
        };
        assert!(count(2.0, 10.0) > 0.4, "{}", count(2.0, 10.0));
        for low in 0..12 {
            assert!(count(low as f32, low as f32 + 1.0) > 0.01, "none from {low} months");
        }
        assert!((14..=16).contains(&demo.terrain.pools.len()) || demo.size == DemoSize::Small);
    }
}

#[test]
fn springs_hold_their_water_and_rain_pools_follow_the_rain() {
    let demo = &*FULL;
    let rain: Vec<f64> =
        (BASELINE_START..MONTHS).map(|t| demo.climate.rain[t - 11..=t].iter().sum()).collect();
    let (mut springs, mut others) = (Vec::new(), Vec::new());
    for (pool, history) in demo.terrain.pools.iter().zip(&demo.histories) {
        let answer = correlation(&history.stage[BASELINE_START..], &rain);
        let mut months: Vec<f32> = pool.cells.iter().map(|c| demo.hydroperiod[*c]).collect();
        months.sort_by(f32::total_cmp);
        if pool.spring_fed() {
            assert!(months[months.len() / 2] > 11.5);
            springs.push(answer);
        } else {
            others.push(answer);
        }
    }
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    assert!(springs.iter().all(|r| *r < 0.25), "{springs:?}");
    assert!(mean(&others) > 0.35, "{others:?}");
    assert_eq!(demo.terrain.pools[0].kind, PoolKind::Sink);
    assert_eq!(demo.terrain.pools[0].downstream, None);
}

#[test]
fn drier_futures_lose_more() {
    for demo in [&*SMALL, &*FULL] {
        let months = |h: &[f32]| h.iter().map(|v| f64::from(*v)).sum::<f64>();
        let base = months(&demo.hydroperiod);
        let kept: Vec<f64> = FUTURES.iter().map(|f| months(&demo.future(f)) / base).collect();
        assert!(kept[0] < 0.92 && kept[1] < kept[0] - 0.15, "{kept:?}");
        assert!(kept[3] < kept[0].min(kept[2]), "{kept:?}");
        // Thirty years of less rain and more warmth: the last ten years are drier than the first ten.
        let wet = |from: usize| {
            (from..from + 120)
                .map(|t| {
                    let cells = 0..demo.terrain.bed.len();
                    cells.filter(|c| is_wet(&demo.terrain, &demo.histories, *c, t, 0.0)).count()
                })
                .sum::<usize>()
        };
        assert!(wet(BASELINE_START + 240) < wet(BASELINE_START));
    }
}

#[test]
fn every_wetland_class_can_be_fitted() {
    let demo = &*SMALL;
    let masks = masks(demo);
    let mut usable = [0u32; 5];
    for cell in (0..demo.hydroperiod.len()).filter(|c| demo.terrain.inside[*c]) {
        let seen = masks.iter().filter(|m| m[cell] != NOT_SEEN).count() as f64;
        let wet = masks.iter().filter(|m| m[cell] == 1).count() as f64;
        if (0.1..=0.9).contains(&(wet / seen)) {
            usable[demo.cover.wetland_class[cell] as usize] += 1;
        }
    }
    assert!(usable[1..].iter().all(|n| *n >= 30), "{usable:?}");
}

#[test]
fn weather_is_winter_wet_with_rainless_summers() {
    let climate = &FULL.climate;
    let dry: Vec<u32> =
        (0..MONTHS).filter(|t| climate.rain[*t] == 0.0).map(|t| climate.months[t].calendar()).collect();
    assert!((5..=40).contains(&dry.len()), "{dry:?}");
    assert!(dry.iter().all(|m| !(5..=8).contains(m)), "{dry:?}");
    // Least-squares slopes of the departures from the usual months: the rates the README states.
    let slope = |values: &dyn Fn(usize) -> f64| {
        let t = |i: usize| (i as f64 - (MONTHS as f64 - 1.0) / 2.0) / 12.0;
        (0..MONTHS).map(|i| t(i) * values(i)).sum::<f64>() / (0..MONTHS).map(|i| t(i) * t(i)).sum::<f64>()
    };
    let usual = RAIN_MM.iter().sum::<f64>() / 12.0;
    let drying = 30.0 * slope(&|i| climate.rain[i] - RAIN_MM[i % 12]) / usual;
    assert!((drying + 0.08).abs() < 0.002, "{drying}");
    let normals = climate.normals();
    let warming = slope(&|i| climate.temperature[i] - normals[i % 12]);
    assert!((warming - 0.02).abs() < 0.002, "{warming}");
}

#[test]
fn rain_follows_a_gamma_distribution() {
    // scipy: gamma.ppf(norm.cdf(z), shape, scale=1/shape); the cube of a normal is within 2 %
    for (shape, z, expected) in [
        (1.0, -1.0, 0.172_753_8),
        (1.0, 1.0, 1.841_021_6),
        (1.0, 2.0, 3.783_184_3),
        (3.0, -1.0, 0.455_765_1),
        (3.0, 0.0, 0.891_353_4),
        (3.0, 2.0, 2.449_476_7),
    ] {
        let found = super::climate::gamma_of_normal(shape, z);
        assert!((found / expected - 1.0).abs() < 0.02, "{found} {expected}");
    }
}

#[test]
fn degrees_agree_with_proj() {
    // rasterio 1.4.4 (PROJ): rasterio.warp.transform(CRS, "EPSG:4326", xs, ys), CRS as in files.rs
    for (x, y, latitude, longitude) in [
        (7200.0, 5400.0, -30.951_272_0, -17.924_648_9),
        (-7200.0, -5400.0, -31.048_683_8, -18.075_427_6),
        (0.0, 4000.0, -30.963_921_4, -18.0),
        (3000.0, -1000.0, -31.009_015_8, -17.968_584_8),
    ] {
        let found = degrees(x, y);
        assert!((found.0 - latitude).abs() < 5e-6, "{found:?}");
        assert!((found.1 - longitude).abs() < 5e-6, "{found:?}");
    }
}

#[test]
fn the_basin_repeated_is_the_basin() {
    // Two small basins, one above the other or side by side.
    let folder = tempfile::tempdir().unwrap();
    let summary = write_large(folder.path(), 0.014, DEMO_SEED, &|_| {}).unwrap();
    let (rows, cols) = DemoSize::Small.rows_cols();
    assert_eq!(summary.rows * summary.cols, 2 * rows * cols);
    let (study, warnings) = lentic_study::load(&summary.study).unwrap();
    assert!(warnings.is_empty(), "{warnings:?}");
    assert_eq!(study.scenarios.len(), 4);
    let grid = grid_of(summary.rows, summary.cols).unwrap();
    let read = |name: &str, band: usize, window: Window| {
        let source = lentic_raster::RasterSource::open(&folder.path().join(name), band).unwrap();
        lentic_raster::read_aligned_f32(&source, &grid, &window, Resample::Class).unwrap()
    };
    let first = Window { row: 0, col: 0, rows, cols };
    let second = Window { row: summary.rows - rows, col: summary.cols - cols, rows, cols };
    let number = |cell: &u8, none: u8| if *cell == none { f32::NAN } else { f32::from(*cell) };
    let same = |a: &[f32], b: &[f32]| a.iter().zip(b).all(|(a, b)| a == b || (a.is_nan() && b.is_nan()));

    // The first basin sees the demo's own masks, its neighbour another sky over the same water.
    let blind = blind_months(DEMO_SEED);
    for month in [0, 100, 359] {
        let own = mask(DEMO_SEED, &SMALL.terrain, &SMALL.histories, &SMALL.climate, month, &blind);
        let own: Vec<f32> = own.iter().map(|cell| number(cell, NOT_SEEN)).collect();
        let name = format!("water/water_{}.tif", 1991 + month / 12);
        assert!(same(&read(&name, month % 12 + 1, first), &own), "month {month}");
        let other = read(&name, month % 12 + 1, second);
        assert!(!same(&other, &own), "month {month}");
        let both: Vec<_> = own.iter().zip(&other).filter(|(a, b)| !a.is_nan() && !b.is_nan()).collect();
        let differ = both.iter().filter(|(a, b)| a != b).count();
        assert!(both.len() > 1000 && differ * 50 < both.len(), "{differ} of {}", both.len());
    }
    let own: Vec<f32> = SMALL.cover.land_cover.iter().map(|cell| number(cell, 255)).collect();
    assert!(same(&read("layers/land_cover.tif", 1, second), &own));
    // Pools are numbered on.
    let pools = SMALL.terrain.pools.len() as f32;
    let own: Vec<f32> = SMALL.terrain.pool.iter().map(|cell| number(cell, 0)).collect();
    assert!(same(&read("layers/pools.tif", 1, first), &own));
    let on: Vec<f32> = own.iter().map(|code| code + pools).collect();
    assert!(same(&read("layers/pools.tif", 1, second), &on));

    let again = tempfile::tempdir().unwrap();
    write_large(again.path(), 0.014, DEMO_SEED, &|_| {}).unwrap();
    assert_eq!(folder_bytes(folder.path()), folder_bytes(again.path()));
}
