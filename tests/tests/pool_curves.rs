//! A fall of the water table along the curves of pools: as one number, by zone and as a layer, under a rise, beside replayed years, where the ground is
//! known in part or shows the water; and where there is no curve.

use lentic_numerics::seed::{hash64, unit};
use lentic_raster::{
    Bounds, Crs, Grid, RasterSource, Resample, Window, inspect, read_aligned_f32, write_bytes, write_floats,
};
use lentic_tests::Basin;
use lentic_tests::outside::{agrees, looked_at};
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use std::collections::BTreeSet;

/// The grid of a layer of the basin.
fn grid_of(basin: &Basin, name: &str) -> Grid {
    let info = inspect(&basin.file(name), 1).unwrap();
    let Bounds { left, bottom, right, top } = info.bounds();
    let crs = Crs::parse(info.crs.as_ref().unwrap().wkt()).unwrap();
    Grid::from_bounds(crs, Bounds { left, bottom, right, top }, 30.0).unwrap()
}

fn read(basin: &Basin, name: &str, grid: &Grid) -> Vec<f32> {
    let source = RasterSource::open(&basin.file(name), 1).unwrap();
    read_aligned_f32(&source, grid, &Window::whole(grid), Resample::Continuous).unwrap()
}

/// The small basin without scenarios of its own but that of land cover.
fn basin(scenarios: &str) -> Basin {
    let basin = Basin::small();
    basin.without_costs();
    basin.cut("study.toml", "[[scenarios]]\nname = \"drier\"", "[[scenarios]]\nname = \"cropland-2050\"");
    basin.cut(
        "study.toml",
        "[[scenarios]]\nname = \"cropland-2050\"",
        "[[scenarios]]\nname = \"driest-years\"",
    );
    let mut text = std::fs::read_to_string(basin.study()).unwrap();
    text.push_str(scenarios);
    std::fs::write(basin.study(), text).unwrap();
    basin
}

fn scenario(name: &str, fall: &str) -> String {
    format!("\n[[scenarios]]\nname = \"{name}\"\ndrawdown_m = {fall}\n")
}

#[test]
fn falls_in_every_form_follow_the_curves() {
    let mut scenarios: String = [
        ("one-fall", "0.25"),
        ("deeper", "0.45"),
        ("in-a-zone", "{ 1 = 0.25 }"),
        ("as-a-layer", "\"fall\""),
        ("rise", "-0.2"),
        ("higher", "-0.35"),
    ]
    .map(|(name, fall)| scenario(name, fall))
    .concat();
    scenarios.push_str(
        "
[[scenarios]]
name = \"dry-years-and-wells\"
replay = { years = [2006, 2007, 2008, 2019] }
drawdown_m = 0.2
cause = \"abstraction\"
",
    );
    let basin = basin(&scenarios);
    // a layer that is 0.25 m (a whole number of any float's digits) but in the western half, where the table stays
    let grid = grid_of(&basin, "layers/ground.tif");
    let fall: Vec<f32> =
        (0..grid.len()).map(|cell| if cell % grid.cols < grid.cols / 2 { 0.0 } else { 0.25 }).collect();
    write_floats(&basin.file("layers/fall.tif"), &grid, &fall, None).unwrap();
    basin.edit(
        "study.toml",
        "[layers.zones]",
        "[layers.fall]\nfile = \"layers/fall.tif\"\nkind = \"continuous\"\n\n[layers.zones]",
    );
    // of the ground of one pool half is not known: its cells there follow the line
    let mut ground = read(&basin, "layers/ground.tif", &grid);
    let pools = read(&basin, "layers/pools.tif", &grid);
    let of_one = (0..grid.len()).filter(|cell| pools[*cell] == 1.0);
    let unknown: Vec<usize> = of_one.step_by(2).collect();
    unknown.iter().for_each(|cell| ground[*cell] = f32::NAN);
    // and of another the ground where water lasts is the surface of that water, as elevation models often have it
    let usual = read(&basin, "truth/true_hydroperiod_baseline.tif", &grid);
    let lasting = |pool: f32| -> Vec<usize> {
        (0..grid.len()).filter(|cell| pools[*cell] == pool && usual[*cell] > 11.2).collect()
    };
    let flat = (2..=6u8).map(|pool| lasting(f32::from(pool))).max_by_key(Vec::len).unwrap();
    let surface = flat.iter().map(|cell| ground[*cell]).fold(f32::MIN, f32::max);
    flat.iter().for_each(|cell| ground[*cell] = surface);
    write_floats(&basin.file("layers/ground.tif"), &grid, &ground, None).unwrap();
    let run = basin.run("run", &["--tile", "32"]);
    let record = std::fs::read_to_string(run.join("run.json")).unwrap();
    assert!(record.contains("as flat as a surface of water"), "{} cells are flat", flat.len());

    let months = |name: &str| Raster::read(&run.join(format!("rasters/hydroperiod_{name}.tif")), 1);
    let base = months("baseline");
    let order = ["deeper", "one-fall", "baseline", "rise", "higher"].map(|name| months(name).cells);
    for pair in order.windows(2) {
        let (drier, wetter) = (&pair[0], &pair[1]);
        assert!(drier.iter().zip(wetter).all(|(d, w)| *d <= w + 1e-6 || (d.is_nan() && w.is_nan())));
        let moved = drier.iter().zip(wetter).filter(|(d, w)| **d < **w - 0.1).count();
        assert!(moved > 300, "{moved} cells move");
    }
    // where the table stays no bit changes; where it falls by as much the same follows, whatever says so
    let (one, zone, layer) = (months("one-fall"), months("in-a-zone"), months("as-a-layer"));
    let of = |name: &str| Raster::read(&basin.file(name), 1).under(&base);
    let (zones, falls) = (of("layers/zones.tif"), of("layers/fall.tif"));
    let mut kinds = [0; 4];
    for cell in (0..base.cells.len()).filter(|cell| base.cells[*cell] > 0.0) {
        let expect = |falls: bool| if falls { one.cells[cell] } else { base.cells[cell] };
        assert_eq!(zone.cells[cell].to_bits(), expect(zones[cell] == 1.0).to_bits());
        assert_eq!(layer.cells[cell].to_bits(), expect(falls[cell] > 0.0).to_bits());
        kinds[usize::from(zones[cell] == 1.0) + 2 * usize::from(falls[cell] > 0.0)] += 1;
    }
    assert!(kinds.iter().filter(|n| **n > 20).count() >= 3, "{kinds:?}");
    let replayed = months("dry-years-and-wells");
    let alone = months("driest-years");
    assert!(replayed.cells.iter().zip(&alone.cells).filter(|(r, a)| r < a).count() > 300);

    let said = agrees(&basin.study(), &run);
    looked_at(&said, &["drawdown_curves", "volume"]);
    for name in ["deeper", "in-a-zone", "as-a-layer", "higher", "dry-years-and-wells"] {
        for product in ["hydroperiod", "hydroperiod_sd", "suitability"] {
            looked_at(&said, &[&format!("{product}_{name}")]);
        }
        for years in ["warm-months-in-water_score", "winter-water_measure"] {
            looked_at(&said, &[&format!("{years}_{name}")]);
        }
    }
    let table = Table::of_run(&run, "drawdown_curves");
    let pools: BTreeSet<&str> = table.0.iter().map(|row| row["code"].as_str()).collect();
    assert!(pools.len() >= 4, "{pools:?}");
    assert!(table.0.iter().any(|row| row["ground"].starts_with("beside") && row["months_seen"].is_empty()));
}

/// Seasonal marsh that dries by itself since 2001, and what becomes of it when that goes on beside a fall: the trend by the line, the fall by
/// the curve.
#[test]
fn a_trend_carried_on_beside_a_fall() {
    let basin = basin(
        "
[[scenarios]]
name = \"going-on\"
horizon = 2035
continue_trend = true

[[scenarios]]
name = \"going-on-and-wells\"
horizon = 2035
continue_trend = true
drawdown_m = 0.2
",
    );
    let grid = grid_of(&basin, "layers/ground.tif");
    let classes = Raster::read(&basin.file("layers/wetland_class.tif"), 1).cells;
    for t in 0..240u64 {
        let (year, month) = (2001 + t / 12, t % 12 + 1);
        let path = basin.file(&format!("water/water_{year}-{month:02}.tif"));
        let mask = Raster::read(&path, 1).cells;
        let dried = |cell: usize| {
            classes[cell] == 2.0 && unit(hash64(7, cell as u64, t)) < 0.04 * (year - 2000) as f64
        };
        let turned: Vec<u8> = (mask.iter().enumerate())
            .map(|(cell, state)| match state {
                _ if state.is_nan() => 255,
                _ if dried(cell) => 0,
                _ => *state as u8,
            })
            .collect();
        write_bytes(&path, &grid, &turned, Some(255)).unwrap();
    }
    let run = basin.run("run", &["--quiet"]);
    let record = std::fs::read_to_string(run.join("run.json")).unwrap();
    assert!(
        record.contains("Scenario going-on-and-wells: what climate does not explain goes on"),
        "{record}"
    );
    let said = agrees(&basin.study(), &run);
    for name in ["going-on", "going-on-and-wells"] {
        looked_at(&said, &[&format!("hydroperiod_{name}"), &format!("hydroperiod_sd_{name}")]);
    }
    let sum = |name: &str| -> f64 {
        let months = Raster::read(&run.join(format!("rasters/hydroperiod_{name}.tif")), 1).cells;
        months.iter().filter(|m| !m.is_nan()).sum()
    };
    assert!(sum("going-on-and-wells") < 0.9 * sum("going-on"));
    assert!(sum("going-on") < 0.98 * sum("baseline"));
}

/// A g of the study's own rules, and without a scenario that moves the water table no curve is asked for.
#[test]
fn no_curve_where_none_is_wanted() {
    let stated = basin(&scenario("wells", "0.3"));
    stated.edit("study.toml", "driver = \"index\"", "driver = \"index\"\nlogits_per_metre = 9.5");
    for basin in [stated, basin("")] {
        let run = basin.run("run", &[]);
        assert!(run.join("tables/inundation_fit.csv").is_file());
        assert!(!run.join("tables/drawdown_curves.csv").exists());
    }
}

/// Without ground nothing says how water falls with it.
#[test]
fn ground_known_nowhere_is_refused() {
    let basin = basin(&scenario("wells", "0.3"));
    let grid = grid_of(&basin, "layers/ground.tif");
    write_floats(&basin.file("layers/ground.tif"), &grid, &vec![f32::NAN; grid.len()], None).unwrap();
    let outcome = basin.try_run("run", &["--quiet"]);
    assert_ne!(outcome.code, Some(0));
    let said = outcome.stderr.replace('\n', " ");
    assert!(said.contains("wells") && said.contains("no pool or response group"), "{said}");
    assert!(!basin.folder().join("run").exists());
}
