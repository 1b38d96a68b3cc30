//! A whole study against `tests/reference/study.py`, an independent slow program on numpy, scipy and rasterio written
//! from the same methods text. `compare.py` allows 1e-5 in rasters, 1e-6 in tables, and no changed cell.

use lentic_numerics::seed::{hash64, unit};
use lentic_raster::{Bounds, Crs, Grid, write_bytes};
use lentic_tests::outside::{agrees, looked_at, python};
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::{Basin, Outcome};

/// The reference's own parts against published numbers, scipy and sums by hand (named in the script).
#[test]
fn the_reference_holds_by_itself() {
    let said = Outcome::of(python().arg("self_test.py")).done();
    assert!(said.lines().filter(|line| line.starts_with("ok")).count() >= 9, "{said}");
}

/// The comparison must be able to fail: a run is held against a study whose threshold was changed since.
#[test]
fn the_comparison_notices_a_difference() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 0.53 ");
    let outcome = Outcome::of(python().arg("compare.py").arg(basin.study()).arg(&run));
    assert_eq!(outcome.code, Some(1), "{outcome:#?}");
    assert!(
        outcome.stdout.lines().any(|line| line.starts_with("DIFFER habitat_area: ")),
        "{}",
        outcome.stdout
    );
}

#[test]
fn the_demo_agrees() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    let said = agrees(&basin.study(), &run);
    looked_at(
        &said,
        &["hydroperiod_observed", "inundation_frequency", "recurrence", "trend_slope", "trend_p"],
    );
    looked_at(&said, &["habitat_area", "patches", "habitat_loss_by_zone", "habitat_loss_by_wetland_class"]);
    looked_at(&said, &["response_slope", "response_slope_sd", "response_quality", "volume"]);
    for scenario in ["drier", "much-drier", "pumping", "pumping-and-drier", "cropland-2050", "driest-years"] {
        for product in ["hydroperiod", "hydroperiod_sd", "suitability", "change", "limiting_factor"] {
            looked_at(&said, &[&format!("{product}_{scenario}")]);
        }
        for years in ["warm-months-in-water_score", "winter-water_measure"] {
            looked_at(&said, &[&format!("{years}_{scenario}")]);
        }
    }
    looked_at(
        &said,
        &["suitability_observed", "longest_wet_spell", "month_of_drying", "weights", "pool_levels"],
    );
    looked_at(&said, &["drying_margin", "patch_margins", "response_surface", "patch_fates", "patch_origins"]);
    looked_at(&said, &["range_measures", "range_reduction", "continuing_decline", "habitat_water_by_year"]);
    looked_at(&said, &["population", "population_growth", "population_stages", "population_elasticities"]);
    looked_at(
        &said,
        &["habitat_loss_by_patch", "loss_attribution", "refuges", "habitat_by_year", "patch_time_of_loss"],
    );
    looked_at(&said, &["water_requirement", "what_water_where", "time_of_loss_pumping-and-drier"]);
}

/// The demo turned to what it does not use: another index and span of months, other curves and means, omitted variables,
/// bounds instead of an area (so cells at the edge of the grid), sides only as neighbours, monthly changes, no pools, and
/// a fall of the water table by zone with a rise in one.
#[test]
fn a_study_of_other_settings_agrees() {
    let basin = other_settings();
    basin.cut("study.toml", "[layers.pools]", "[layers.zones]");
    // without pools not every class says how water follows its table
    basin.edit("study.toml", "driver = \"index\"", "driver = \"index\"\nlogits_per_metre = 9.5");
    compare(&basin);
}

/// The same with pools, so that the rise reaches ground never seen wet along each pool's own line, and what is dissolved in a pool
/// grows dense as it shrinks. (Any layer of numbers will do for a concentration.)
#[test]
fn other_settings_with_pools_agree() {
    let basin = other_settings();
    basin.edit("study.toml", "precipitation_loss = [0, 10, 30, 50]", "drawdown_m = [0, 0.05, 0.15, 0.4]");
    basin.edit("study.toml", "rise_m = [0.1, 0.2, 0.4]", "precipitation = [5, 15, 25]");
    let path = basin.study();
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str(
        "
[[requisites.cover.variables]]
name = \"fresh-water\"
measure = \"water quality\"
layer = \"ground\"
weight = 2.0
curve.points = [[100.0, 1.0], [200.0, 0.6], [1300.0, 0.0]]

[[scenarios]]
name = \"saltier\"
water_quality = { ground = 1.4 }
",
    );
    std::fs::write(&path, text).unwrap();
    compare(&basin);
    let run = basin.folder().join("run");
    let table = Table::of_run(&run, "habitat_area");
    let of = |column: &str| table.number("scenario", "saltier", column);
    assert!(of("lost_ha") + of("degraded_ha") > 0.0, "salt harms nothing");
    let record = std::fs::read_to_string(run.join("run.json")).unwrap();
    assert!(record.contains("\"concentrations\""), "the run record keeps no concentrations");
}

/// Water that dries (or fills) by itself since 2001, the seasonal marsh the one and the shrub swamp the other, and what becomes of
/// it when that goes on: alone, and beside less rain and wells. The study has neither pools nor zones, so that volumes are those
/// of the whole study area, and water years begin in October.
#[test]
fn a_trend_carried_on_agrees() {
    let basin = Basin::small();
    let classes = Raster::read(&basin.file("layers/wetland_class.tif"), 1);
    let first = Raster::read(&basin.file("water/water_2000-08.tif"), 1);
    let grid = demo_grid(&first);
    let ever: Vec<bool> = (1991..=2000)
        .map(|year| Raster::read(&basin.file(&format!("water/water_{year}-08.tif")), 1).cells)
        .fold(vec![false; first.cells.len()], |ever, now| {
            ever.iter().zip(&now).map(|(e, state)| *e || *state == 1.0).collect()
        });
    for t in 0..240u64 {
        let (year, month) = (2001 + t / 12, t % 12 + 1);
        let path = basin.file(&format!("water/water_{year}-{month:02}.tif"));
        let mask = Raster::read(&path, 1);
        let turned: Vec<u8> = (0..mask.cells.len())
            .map(|cell| {
                let state = mask.cells[cell];
                let changes = unit(hash64(7, cell as u64, t)) < 0.04 * (year - 2000) as f64;
                match classes.cells[cell] {
                    _ if state.is_nan() => 255,
                    2.0 if changes => 0,
                    4.0 if changes && ever[cell] => 1,
                    _ => state as u8,
                }
            })
            .collect();
        write_bytes(&path, &grid, &turned, Some(255)).unwrap();
    }
    basin.cut("study.toml", "[layers.pools]", "[layers.zones]");
    basin.cut("study.toml", "[layers.zones]", "[layers.roads]");
    basin.edit("study.toml", "driver = \"index\"", "driver = \"index\"\nlogits_per_metre = 9.5");
    basin.edit("study.toml", "water_year_starts = 1 ", "water_year_starts = 10 ");
    basin.without_costs();
    basin.cut("study.toml", "[[scenarios]]\nname = \"drier\"", "[[scenarios]]\nname = \"driest-years\"");
    let mut text = std::fs::read_to_string(basin.study()).unwrap();
    text = text
        .replace("replay = { years", "precipitation = -10\nreplay = { years")
        .replace("2019]", "2019, 2000]");
    text.push_str(
        "
[[scenarios]]
name = \"going-on\"
horizon = 2035
continue_trend = true

[[scenarios]]
name = \"going-on-and-drier\"
horizon = 2050
continue_trend = true
precipitation = -10
drawdown_m = 0.05
cause = \"abstraction\"

[[scenarios]]
name = \"some-wet-years\"
replay = { from = 1992, to = 1997 }
temperature_c = 0.5
",
    );
    std::fs::write(basin.study(), text).unwrap();
    let run = basin.run("run", &["--quiet"]);
    let said = agrees(&basin.study(), &run);
    looked_at(&said, &["volume", "response_quality"]);
    for scenario in ["driest-years", "going-on", "going-on-and-drier", "some-wet-years"] {
        for product in ["hydroperiod", "hydroperiod_sd", "suitability", "change"] {
            looked_at(&said, &[&format!("{product}_{scenario}")]);
        }
    }
    // both trends were found and told, and water follows them
    let record: serde_json::Value =
        serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap();
    let notes = record["notes"].to_string();
    for words in [
        "Scenario going-on: what climate does not explain goes on",
        "\\\"seasonal marsh\\\", -",
        "\\\"shrub swamp\\\", +",
    ] {
        assert!(notes.contains(words), "{words:?} is not in {notes}");
    }
    let months = |name: &str, class: f64| -> f64 {
        let raster = Raster::read(&run.join(format!("rasters/hydroperiod_{name}.tif")), 1);
        let classes = classes.under(&raster);
        let of_class = raster.cells.iter().zip(classes).filter(|(m, c)| *c == class && !m.is_nan());
        of_class.map(|(m, _)| m).sum()
    };
    assert!(months("going-on", 2.0) < 0.9 * months("baseline", 2.0));
    assert!(months("going-on", 4.0) > 1.02 * months("baseline", 4.0));
    assert_eq!(months("going-on", 1.0), months("baseline", 1.0));
}

/// The grid of a raster of the demo.
fn demo_grid(raster: &Raster) -> Grid {
    let crs =
        Crs::parse("+proj=laea +lat_0=-31 +lon_0=-18 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs").unwrap();
    let (left, top) = (raster.place[0], raster.place[3]);
    let (right, bottom) = (left + raster.cols as f64 * 30.0, top - raster.rows as f64 * 30.0);
    Grid::from_bounds(crs, Bounds { left, bottom, right, top }, 30.0).unwrap()
}

/// The demo's ladder of drying.
const LADDER: &str = "precipitation_loss = [0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60]    # percent";

fn other_settings() -> Basin {
    let basin = Basin::small();
    let edit = |old: &str, new: &str| basin.edit("study.toml", old, new);
    // a corner of the demo's grid, not on its cells: class codes by nearest, elevations between cells
    edit("area = \"area.gpkg\"", "bounds = [-1190.0, -905.0, 1150.0, 835.0]");
    edit(
        "baseline = [\"1991-01\", \"2020-12\"]",
        "baseline = [\"1994-01\", \"2018-12\"]\nreference = [\"1991-01\", \"2020-12\"]",
    );
    edit("index = \"spei\"", "index = \"spi\"\nzero = \"mass\"");
    // an index that does not know warmth gives no surface
    basin.cut("study.toml", "[response_surface]", "[habitat_over_time]");
    edit("scenarios = [\"pumping\"]", "scenarios = [\"dry-winters\", \"all-at-once\"]");
    edit("every_years = 10 ", "every_years = 8 ");
    edit(LADDER, "precipitation_loss = [0, 10, 30, 50]");
    edit("months = 12 ", "months = 6 ");
    edit(
        "water_limit_months = 3.0",
        "prior = { intercept_sd = 8.0, index_sd = 0.8, season_sd = 1.5 }\nrealisations = 7\nwater_limit_months = 4.0",
    );
    edit(
        "curve.points = [[0.0, 0.0], [3.0, 0.0], [6.0, 0.6], [9.0, 1.0], [12.0, 1.0]]",
        "curve.logistic = { middle = 5.5, steepness = 0.9 }",
    );
    edit(
        "curve.trapezoid = [0.05, 0.3, 1.2, 3.0]",
        "if_missing = \"omit\"\ncurve.gaussian = { best = 0.7, spread = 0.6 }",
    );
    // dry ground is no data in the depth layer of this study: its variable is left out there
    edit("file = \"layers/depth.tif\"", "no_data = [0.0]\nfile = \"layers/depth.tif\"");
    edit(
        "curve.points = [[0.0, 1.0], [100.0, 1.0], [300.0, 0.3]]",
        "curve.trapezoid = [-2.0, -1.0, 120.0, 400.0]",
    );
    edit(
        "curve.logistic = { middle = 0.25, steepness = 12.0 }",
        "if_missing = 0.4\ncurve.gaussian = { best = 0.6, spread = 0.3 }",
    );
    edit(
        "[requisites.drought-refuge]\ncombine = \"arithmetic mean\"",
        "[requisites.drought-refuge]\ncombine = \"minimum\"",
    );
    edit(
        "combine = \"geometric mean\"           # common practice: what is wholly missing cannot be made up for\nthreshold = 0.5 ",
        "combine = \"arithmetic mean\"\nthreshold = 0.45 ",
    );
    // years from April, a season over New Year, months that are warm on the mean, one nearness after another
    edit("water_year_starts = 1 ", "water_year_starts = 4 ");
    edit("window_c = [16.0, 33.0] ", "average = \"measure\"\nwindow_c = [14.0, 21.5] ");
    edit("spell_months = 2\nseason = [6, 8] ", "spell_months = 3\nseason = [10, 3] ");
    edit(
        "within_m = 300.0, at_least = 0.3 }",
        "within_m = 200.0, at_least = 0.4, curve = { points = [[0.0, 1.0], [250.0, 0.1]] } }",
    );
    edit(
        "[requisites.cover]\n",
        "[requisites.cover]\nnear = { requisite = \"nesting-ground\", within_m = 90.0, at_least = 0.1 }\n",
    );
    edit("neighbours = 8\nminimum_ha = 0.5", "neighbours = 4\nminimum_ha = 0.2");
    edit("edge_m = 30.0", "edge_m = 45.0");
    basin.cut("study.toml", "[[scenarios]]\nname = \"drier\"", "[[scenarios]]\nname = \"cropland-2050\"");
    let path = basin.study();
    let mut text = std::fs::read_to_string(&path).unwrap();
    text.push_str(
        "
[[scenarios]]
name = \"dry-winters\"
horizon = 2041
precipitation = [0, 0, 0, -10, -30, -45, -40, -35, -10, 0, 0, 5]

[[scenarios]]
name = \"pumped-and-restored\"
horizon = 2030
drawdown_m = { 2 = 0.3, 3 = -0.2, 4 = 0.15 }

[[scenarios]]
name = \"all-at-once\"
precipitation = -12.5
drawdown_m = { 1 = 0.1, 4 = -0.25 }
cause = \"abstraction\"
land_cover = \"land_cover_2050\"

[[requisites.cover.variables]]
name = \"gentle-ground\"
measure = \"slope\"
curve.points = [[0.0, 1.0], [1.0, 0.8], [6.0, 0.1]]

[[requisites.cover.variables]]
name = \"unbroken-water\"
measure = \"longest wet spell\"
curve.points = [[0.0, 0.3], [8.0, 1.0]]
",
    );
    std::fs::write(&path, text).unwrap();
    basin
}

#[track_caller]
fn compare(basin: &Basin) {
    let run = basin.run("run", &["--quiet", "--tile", "32"]);
    let said = agrees(&basin.study(), &run);
    looked_at(&said, &["hydroperiod_observed", "suitability_baseline", "habitat_area", "patches"]);
    for scenario in ["cropland-2050", "dry-winters", "pumped-and-restored", "all-at-once"] {
        for product in ["hydroperiod", "suitability", "change"] {
            looked_at(&said, &[&format!("{product}_{scenario}")]);
        }
        for years in ["warm-months-in-water_measure", "winter-water_measure", "unbroken-water_score"] {
            looked_at(&said, &[&format!("{years}_{scenario}")]);
        }
        looked_at(&said, &[&format!("limiting_factor_{scenario}")]);
    }
    looked_at(&said, &["suitability_observed", "longest_wet_spell", "month_of_drying", "weights"]);
    looked_at(&said, &["drying_margin", "patch_margins", "patch_fates", "patch_origins"]);
    looked_at(
        &said,
        &["habitat_loss_by_patch", "loss_attribution", "refuges", "habitat_by_year", "patch_time_of_loss"],
    );
    looked_at(&said, &["water_requirement", "what_water_where", "time_of_loss_pumped-and-restored"]);
    // the scenarios must really differ from the baseline for the agreement to mean something
    let table = Table::of_run(&run, "habitat_area");
    for scenario in ["dry-winters", "pumped-and-restored", "all-at-once"] {
        let of = |column: &str| table.number("scenario", scenario, column);
        assert!(of("lost_ha") + of("degraded_ha") > 0.0, "{scenario} harms nothing");
    }
    assert!(table.number("scenario", "pumped-and-restored", "gained_ha") > 0.0, "the rise gains nothing");
}
