//! Studies in which something is missing altogether: habitat, data of a variable, a sound score. A run ends with zeros and a
//! warning, or is refused with a clear message.

use lentic_raster::{Bounds, Crs, Grid, write_floats};
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::{Basin, Outcome, lentic};
use std::fs;
use std::path::Path;

fn warnings(run: &Path) -> Vec<String> {
    let record: serde_json::Value = serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap();
    record["warnings"].as_array().unwrap().iter().map(|w| w.as_str().unwrap().to_string()).collect()
}

#[track_caller]
fn warned(run: &Path, words: &[&str]) {
    let all = warnings(run);
    let told = all.iter().any(|warning| words.iter().all(|word| warning.contains(word)));
    assert!(told, "no warning holds {words:?}: {all:#?}");
}

#[test]
fn no_cell_is_habitat() {
    let basin = Basin::small();
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 1.0 ");
    basin.edit("study.toml", "[[0.0, 1.0], [0.1, 0.9], [0.5, 0.05], [1.0, 0.0]]", "[[0.0, 0.9], [1.0, 0.0]]");
    let run = basin.run("run", &["--quiet"]);
    warned(&run, &["no compared cell reaches the threshold of 1", "limiting_factor"]);
    let table = Table::of_run(&run, "habitat_area");
    assert_eq!(table.0.len(), 7);
    for row in &table.0 {
        for column in ["habitat_ha", "kept_ha", "lost_ha", "gained_ha", "degraded_ha"] {
            assert_eq!(row[column].parse::<f64>().unwrap(), 0.0, "{column} of {row:?}");
        }
        assert_eq!((row["patches"].as_str(), row["lost_percent"].as_str()), ("0", ""));
    }
    assert!(Table::of_run(&run, "patches").0.is_empty());
    let limits = Table::of_run(&run, "limiting_factor");
    let sum = |column: &str| limits.0.iter().map(|row| row[column].parse::<f64>().unwrap()).sum::<f64>();
    assert_eq!(sum("habitat_ha"), 0.0);
    assert!(sum("not_habitat_ha") > 0.0);
    let page = fs::read_to_string(run.join("report.html")).unwrap();
    assert!(page.contains("No habitat in the baseline to lose"));
}

/// Replaces the depth layer by one without any data.
fn without_depth(basin: &Basin) {
    let old = Raster::read(&basin.file("layers/depth.tif"), 1);
    let right = old.place[0] + old.cols as f64 * 30.0;
    let bounds = Bounds {
        left: old.place[0],
        bottom: old.place[3] - old.rows as f64 * 30.0,
        right,
        top: old.place[3],
    };
    let crs = "+proj=laea +lat_0=-31 +lon_0=-18 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs";
    let grid = Grid::from_bounds(Crs::parse(crs).unwrap(), bounds, 30.0).unwrap();
    write_floats(&basin.file("layers/depth.tif"), &grid, &vec![-1.0; grid.len()], Some(-1.0)).unwrap();
}

#[test]
fn a_variable_without_data_leaves_everything_not_assessed() {
    let basin = Basin::small();
    without_depth(&basin);
    let outcome = basin.try_run("run", &[]);
    assert_eq!(outcome.code, Some(0), "{outcome:#?}");
    assert!(outcome.stdout.contains("0 of 80 records used"), "{}", outcome.stdout);
    let run = basin.folder().join("run");
    // records that stand in no assessed cell are told, and nothing is held against them
    warned(&run, &["records.csv: none of its", "stands in an assessed cell", "not_assessed"]);
    assert!(
        fs::read_to_string(run.join("report.html"))
            .unwrap()
            .contains("usable records stands in an assessed cell")
    );
    let aside = Table::of_run(&run, "records_set_aside");
    assert_eq!(aside.0.len(), 80, "every record is told, and why");
    assert!(!run.join("tables/validation.csv").exists() && !run.join("tables/records.csv").exists());
    warned(
        &run,
        &[
            "variable \"water-depth\" of requisite \"foraging-water\"",
            "no data anywhere",
            "no cell can be assessed",
        ],
    );
    let table = Table::of_run(&run, "habitat_area");
    assert_eq!(table.number("scenario", "baseline", "habitat_ha"), 0.0);
    assert!(table.number("scenario", "baseline", "not_assessed_ha") > 100.0);
    assert!(Raster::read(&run.join("rasters/suitability_baseline.tif"), 1).cells.iter().all(|s| s.is_nan()));
    // and the explanation says why
    let told = Outcome::of(lentic().arg("explain").arg(&run).args(["0", "0"])).done();
    assert!(told.contains("not compared: a layer has no data"), "{told}");
    assert!(told.contains("no data  (the cell is not assessed)"), "{told}");
}

#[test]
fn a_variable_without_data_may_be_left_out() {
    let basin = Basin::small();
    without_depth(&basin);
    basin.edit("study.toml", "curve.trapezoid = [0.05,", "if_missing = \"omit\"\ncurve.trapezoid = [0.05,");
    let run = basin.run("run", &["--quiet"]);
    warned(&run, &["\"water-depth\"", "it is left out everywhere"]);
    assert!(Table::of_run(&run, "habitat_area").number("scenario", "baseline", "habitat_ha") > 10.0);
}

#[test]
fn a_legend_score_outside_0_to_1_is_refused() {
    for (score, written) in [("1.5", "2,seasonal marsh,1.5"), ("-0.1", "2,seasonal marsh,-0.1")] {
        let basin = Basin::small();
        basin.edit("legends/wetland_class.csv", "2,seasonal marsh,0.9", written);
        let outcome = basin.try_run("run", &[]);
        assert_eq!(outcome.code, Some(1), "{outcome:#?}");
        for word in ["wetland_class.csv:4", "\"cover_score\" of class 2", score, "a score from 0 to 1"] {
            assert!(outcome.stderr.contains(word), "{word:?} is not in: {}", outcome.stderr);
        }
    }
}

#[test]
fn a_threshold_from_records_needs_records_in_assessed_cells() {
    let basin = Basin::small();
    without_depth(&basin);
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = \"tenth percentile of records\" ");
    let outcome = basin.try_run("run", &[]);
    assert_eq!(outcome.code, Some(1), "{outcome:#?}");
    for word in [
        "records.csv",
        "0 records stand in assessed cells",
        "at least one",
        "set suitability.threshold to a number",
    ] {
        assert!(outcome.stderr.contains(word), "{word:?} is not in: {}", outcome.stderr);
    }
    assert!(!basin.folder().join("run").exists());
}
