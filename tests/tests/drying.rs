//! The drying ladder and the response surface against the scenarios of the study and against reason.

use lentic_tests::Basin;
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use std::path::Path;

/// Code of cells that are habitat at every step.
const NEVER: f64 = 254.0;
const LADDER: &str = "precipitation_loss = [0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60]    # percent";

/// Sums of the same cells, one table adding parts that the other adds whole: equal but for the last digit.
#[track_caller]
fn same_area(found: f64, run: &Path, scenario: &str, column: &str) {
    let area = Table::of_run(run, "habitat_area").number("scenario", scenario, column);
    assert!((found - area).abs() <= 1e-13 * area.abs(), "{column} of {scenario}: {found} and {area}");
}

/// Cells that are habitat in a scenario, by its change raster.
fn habitat(run: &Path, scenario: &str) -> Vec<bool> {
    let change = Raster::read(&run.join(format!("rasters/change_{scenario}.tif")), 1);
    change.cells.iter().map(|code| matches!(*code, 1.0 | 2.0 | 4.0)).collect()
}

/// A step that changes what a scenario changes gives its very habitat: its areas, and every cell.
#[test]
fn a_step_is_the_scenario_of_its_change() {
    let basin = Basin::small();
    basin.edit("study.toml", LADDER, "precipitation_loss = [0, 12.5, 20, 55]");
    let path = basin.study();
    let more = "\n[[scenarios]]\nname = \"step-one\"\nprecipitation = -12.5\n\n[[scenarios]]\nname = \"step-three\"\nprecipitation = -55.0\n";
    std::fs::write(&path, std::fs::read_to_string(&path).unwrap() + more).unwrap();
    let run = basin.run("run", &["--quiet", "--tile", "32"]);
    let ladder = Table::of_run(&run, "drying_margin");
    let margin = Raster::read(&run.join("rasters/drying_margin.tif"), 1);
    for (step, scenario) in [("0", "baseline"), ("1", "step-one"), ("3", "step-three")] {
        for column in ["habitat_ha", "kept_ha", "gained_ha"] {
            same_area(ladder.number("step", step, column), &run, scenario, column);
        }
        assert!(ladder.number("step", step, "habitat_ha") > 0.0);
    }
    assert!(ladder.number("step", "1", "first_failing_ha") > 0.0);
    // nothing comes back in the demo, so the margin alone tells what is habitat at a step
    assert!(ladder.0.iter().all(|row| row["returned_ha"].parse::<f64>().unwrap() == 0.0));
    for (step, scenario) in [(1.0, "step-one"), (3.0, "step-three")] {
        let change = Raster::read(&run.join(format!("rasters/change_{scenario}.tif")), 1);
        for (code, change) in margin.cells.iter().zip(&change.cells).filter(|(code, _)| **code > 0.0) {
            assert_eq!(*code > step, matches!(*change, 1.0 | 2.0), "code {code}, change {change}");
        }
    }
    // the surface holds the study's own scenario of 30 % less rain and 2 degrees
    let surface = Table::of_run(&run, "response_surface");
    let mut points = surface.0.iter();
    let point = points
        .find(|p| (p["precipitation_percent"].as_str(), p["temperature_c"].as_str()) == ("-30.0", "2.0"));
    for column in ["habitat_ha", "kept_ha", "lost_ha", "gained_ha", "lost_percent"] {
        same_area(point.unwrap()[column].parse().unwrap(), &run, "much-drier", column);
    }
}

/// Steps of the water table, against the demo's wells; what is dissolved in pools grows denser as they shrink, which makes
/// variants measure their volumes first.
#[test]
fn a_fall_of_the_water_table_is_a_step_too() {
    let basin = Basin::small();
    basin.edit("study.toml", LADDER, "drawdown_m = [0, 0.1, 0.4]");
    let path = basin.study();
    let text = std::fs::read_to_string(&path).unwrap().replace(
        "[[requisites.cover.variables]]\nname = \"reeds-nearby\"",
        "[[requisites.cover.variables]]\nname = \"fresh-water\"\nmeasure = \"water quality\"\nlayer = \"ground\"\nweight = 2.0\ncurve.points = [[100.0, 1.0], [200.0, 0.6], [1300.0, 0.0]]\n\n[[requisites.cover.variables]]\nname = \"reeds-nearby\"",
    );
    std::fs::write(&path, text).unwrap();
    let run = basin.run("run", &["--quiet", "--tile", "64"]);
    let ladder = Table::of_run(&run, "drying_margin");
    same_area(ladder.number("drawdown_m", "0.4", "habitat_ha"), &run, "pumping", "habitat_ha");
    same_area(ladder.number("drawdown_m", "0.4", "kept_ha"), &run, "pumping", "kept_ha");
    let lost = ladder.number("step", "1", "first_failing_ha");
    assert!(lost > 0.0 && lost < ladder.number("step", "0", "habitat_ha"));
    let margin = Raster::read(&run.join("rasters/drying_margin.tif"), 1);
    let kept: Vec<bool> = margin.cells.iter().map(|code| *code == NEVER).collect();
    assert_eq!(kept, habitat(&run, "pumping"), "what never fails is what the last step keeps");
}

/// Where more water is never worse by any curve, a drier step adds no habitat and gives none back, and patches keep less and less.
#[test]
fn a_drier_step_never_adds_habitat() {
    let basin = Basin::small();
    basin.edit(
        "study.toml",
        "curve.trapezoid = [0.05, 0.3, 1.2, 3.0]",
        "curve.points = [[0.05, 0.0], [0.3, 1.0]]",
    );
    for ladder in [LADDER, "drawdown_m = [0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0]"] {
        if ladder != LADDER {
            basin.edit("study.toml", LADDER, ladder);
        }
        let run = basin.run("run", &["--quiet"]);
        let table = Table::of_run(&run, "drying_margin");
        let of =
            |column: &str| -> Vec<f64> { table.0.iter().map(|row| row[column].parse().unwrap()).collect() };
        let areas = of("habitat_ha");
        assert!(areas.windows(2).all(|pair| pair[1] <= pair[0]), "{areas:?}");
        assert!(areas[areas.len() - 1] < 0.7 * areas[0], "the ladder hardly dries: {areas:?}");
        for column in ["gained_ha", "returned_ha"] {
            assert!(of(column).iter().all(|area| *area == 0.0), "{column}: {:?}", of(column));
        }
        // margins and what is left add up to today's habitat
        let (failing, left) = (of("first_failing_ha"), of("never_failed_ha"));
        let sum = failing.iter().sum::<f64>() + left[left.len() - 1];
        assert!((sum - areas[0]).abs() < 1e-9 * areas[0], "{sum} of {}", areas[0]);
    }
}

/// What a study does not ask for is not computed, and the rest stays the same to the byte.
#[test]
fn nothing_is_found_that_is_not_asked_for() {
    let basin = Basin::small();
    let whole = basin.run("whole", &["--quiet"]);
    basin.without_costs();
    let run = basin.run("run", &["--quiet"]);
    for name in ["tables/drying_margin.csv", "tables/response_surface.csv", "rasters/drying_margin.tif"] {
        assert!(whole.join(name).exists() && !run.join(name).exists(), "{name}");
    }
    for name in ["tables/habitat_area.csv", "tables/patch_fates.csv", "rasters/suitability_drier.tif"] {
        let read = |folder: &Path| std::fs::read(folder.join(name)).unwrap();
        assert!(read(&whole) == read(&run), "{name}");
    }
}
