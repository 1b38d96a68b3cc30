//! Records of the animal: which are used, how suitability does at them, thresholds, calibration. scikit-learn, scipy and numpy
//! recompute all of it (tests/reference/records.py and calibration.py).

use lentic_tests::outside::python;
use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::{Basin, Outcome, Ready, lentic};
use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

static DEMO: LazyLock<Ready> = LazyLock::new(|| Ready::make("records", true));

/// Runs a reference script, which must agree and have compared at least `least` things; gives its lines.
#[track_caller]
fn agrees(script: &str, arguments: &[&Path], least: usize) -> String {
    let outcome = Outcome::of(python().arg(script).args(arguments));
    assert_eq!(outcome.code, Some(0), "{}{}", outcome.stdout, outcome.stderr);
    let said = outcome.stdout;
    assert!(said.lines().filter(|line| line.starts_with("ok    ")).count() >= least, "{said}");
    said
}

fn calibrate(study: &Path, out: &Path, more: &[&str]) -> Outcome {
    Outcome::of(lentic().arg("calibrate").arg(study).arg("--out").arg(out).args(more))
}

/// The rows of the basin's table of records.
fn rows(basin: &Basin) -> Vec<String> {
    fs::read_to_string(basin.file("records.csv")).unwrap().lines().map(String::from).collect()
}

fn write_rows(basin: &Basin, rows: &[String]) {
    fs::write(basin.file("records.csv"), rows.join("\n")).unwrap();
}

/// The header and the rows that a run of the demo uses, all of them findings.
fn used_rows(basin: &Basin) -> Vec<String> {
    let table = Table::of_run(&DEMO.run, "records");
    let all = rows(basin);
    let lines = table.0.iter().filter(|row| row["status"] == "present");
    let used = lines.map(|row| all[row["line"].parse::<usize>().unwrap() - 1].clone());
    std::iter::once(all[0].clone()).chain(used).collect()
}

#[test]
fn scikit_learn_scipy_and_numpy_agree() {
    let said = agrees("records.py", &[&DEMO.study(), &DEMO.run], 25);
    for what in
        ["validation fold 5", "boyce range", "threshold, max", "variable_importance", "novelty_baseline"]
    {
        assert!(said.contains(&format!("ok    {what}")), "{what} was not compared:\n{said}");
    }
}

/// The comparison must be able to fail: a run is held against records that were changed since.
#[test]
fn the_comparison_notices_a_difference() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    let mut all = rows(&basin);
    let gone = Table::of_run(&run, "records").0[10]["line"].parse::<usize>().unwrap();
    all.remove(gone - 1);
    write_rows(&basin, &all);
    let outcome = Outcome::of(python().arg("records.py").arg(basin.study()).arg(&run));
    assert_eq!(outcome.code, Some(1), "{outcome:#?}");
    assert!(outcome.stdout.contains("DIFFER records"), "{}", outcome.stdout);
}

/// Months chosen, another block, less background, a column of systems, records without uncertainty, effort.
#[test]
fn other_settings_agree() {
    let basin = Basin::small();
    basin.edit(
        "study.toml",
        "maximum_uncertainty_m = 100.0",
        "maximum_uncertainty_m = 60.0\nassumed_uncertainty_m = 40.0\nfrom = \"1996-01\"\nto = \"2018-06\"\nblock_m = 450.0\n\
         background = 2000\neffort_layer = \"depth\"",
    );
    basin.edit("study.toml", "crs = \"EPSG:4326\"", "");
    let with_system = |(at, row): (usize, &String)| {
        let system =
            if at == 0 { "geodeticDatum" } else { ["WGS84", "EPSG:4326", "unknown"][(at % 10 / 4).min(2)] };
        format!("{row},{system}")
    };
    let all: Vec<String> = rows(&basin).iter().enumerate().map(with_system).collect();
    write_rows(&basin, &all);
    let run = basin.run("run", &["--quiet", "--tile", "32"]);
    agrees("records.py", &[&basin.study(), &run], 20);
    let reasons: BTreeSet<String> =
        Table::of_run(&run, "records_set_aside").0.iter().map(|row| row["reason"].clone()).collect();
    for reason in
        ["reference system not known", "outside the months used", "no date to tell the month by", "vague"]
    {
        assert!(reasons.contains(reason), "{reason}: {reasons:?}");
    }
    // with a layer of effort the caveat on where people looked is not needed
    let record = fs::read_to_string(run.join("run.json")).unwrap();
    assert!(!record.contains("No layer of survey effort"));
}

/// Every row is either used or set aside with a reason, and never both.
#[test]
fn no_row_is_dropped_in_silence() {
    let lines = |name: &str| -> Vec<usize> {
        Table::of_run(&DEMO.run, name).0.iter().map(|row| row["line"].parse().unwrap()).collect()
    };
    let mut all = [lines("records"), lines("records_set_aside")].concat();
    all.sort_unstable();
    let rows = fs::read_to_string(DEMO.basin.join("records.csv")).unwrap().lines().count();
    assert_eq!(all, (2..=rows).collect::<Vec<_>>());
    let aside = Table::of_run(&DEMO.run, "records_set_aside");
    let reasons: BTreeSet<&str> = aside.0.iter().map(|row| row["reason"].as_str()).collect();
    assert!(reasons.contains("doubled") && reasons.contains("vague"), "{reasons:?}");
    assert!(reasons.contains("latitude and longitude swapped"), "{reasons:?}");
}

/// Places of records stay in one table, which only its owner may read.
#[test]
fn places_of_records_are_kept_from_the_page() {
    let whole = fs::read_to_string(DEMO.run.join("report.html")).unwrap();
    // latitudes and longitudes evenly over the grid, which know nothing of records
    let (before, rest) = whole.split_once("\"degrees\":[[").unwrap();
    let (_, after) = rest.split_once("]]").unwrap();
    let page = format!("{before}{after}");
    assert!(page.contains("Records set aside") && page.contains("Suitability held against records"));
    assert!(!page.contains("Records used, with their places") && !page.contains("occurrence_id"));
    let record = fs::read_to_string(DEMO.run.join("run.json")).unwrap();
    let table = Table::of_run(&DEMO.run, "records");
    assert!(table.0.len() > 40);
    let source = fs::read_to_string(DEMO.basin.join("records.csv")).unwrap();
    let names: Vec<&str> = source.lines().next().unwrap().split(',').collect();
    let column = |name: &str| names.iter().position(|n| *n == name).unwrap();
    let (latitude, longitude) = (column("decimalLatitude"), column("decimalLongitude"));
    let mut words: Vec<String> = Vec::new();
    for row in &table.0 {
        // metres in full and to a millimetre
        for name in ["x", "y"] {
            let metres: f64 = row[name].parse().unwrap();
            words.extend([row[name].clone(), format!("{metres:.3}")]);
        }
        words.push(row["occurrence_id"].clone());
    }
    for row in source.lines().skip(1) {
        let cells: Vec<&str> = row.split(',').collect();
        words.extend([cells[latitude].into(), cells[longitude].into()]);
    }
    // a short number may stand for anything
    for word in words.iter().filter(|w| w.len() >= 8) {
        assert!(!page.contains(word.as_str()), "the page holds {word}");
        assert!(!record.contains(word.as_str()), "run.json holds {word}");
    }
    for entry in fs::read_dir(DEMO.run.join("tables")).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        let mode = entry.metadata().unwrap().permissions().mode() & 0o777;
        let sensitive = name.starts_with("records.");
        // every file of a sensitive run is for its owner
        assert_eq!(mode, 0o600, "{name}");
        if !sensitive && name.ends_with(".csv") {
            let text = fs::read_to_string(entry.path()).unwrap();
            for word in words.iter().filter(|w| w.len() >= 9) {
                assert!(!text.contains(word.as_str()), "{name} holds {word}");
            }
        }
    }
    let schema = fs::read_to_string(DEMO.run.join("tables/records.schema.json")).unwrap();
    assert!(schema.contains("SENSITIVE"));
}

/// Threshold by rule: the number that the table of thresholds names, used everywhere, and found by the whole reference too.
#[test]
fn thresholds_come_from_records() {
    for (rule, table_rule) in [
        ("tenth percentile of records", "tenth percentile of records"),
        ("max sensitivity and specificity", "max sensitivity and specificity"),
    ] {
        let basin = Basin::small();
        basin.edit("study.toml", "threshold = 0.5 ", &format!("threshold = \"{rule}\" "));
        let run = basin.run("run", &["--quiet"]);
        let table = Table::of_run(&run, "thresholds");
        let used: Vec<_> = table.0.iter().filter(|row| row["used"] == "yes").collect();
        assert_eq!(used.len(), 1);
        assert_eq!(used[0]["rule"], table_rule);
        let value: f64 = used[0]["threshold"].parse().unwrap();
        let (low, high): (f64, f64) = (used[0]["low"].parse().unwrap(), used[0]["high"].parse().unwrap());
        assert!(low <= value && value <= high && low < high, "{low} {value} {high}");
        // the demo with its number has the same value in its table
        let other = Table::of_run(&DEMO.run, "thresholds").number("rule", rule, "threshold");
        assert_eq!(value, other);
        // and a study that sets this number has the same habitat
        let number = Basin::small();
        number.edit("study.toml", "threshold = 0.5 ", &format!("threshold = {value:?} "));
        let same = number.run("run", &["--quiet"]);
        let area = |run: &Path| fs::read(run.join("tables/habitat_area.csv")).unwrap();
        assert!(area(&run) == area(&same), "{rule}");
        assert!(area(&run) != area(&DEMO.run), "{rule}");
        let page = fs::read_to_string(run.join("report.html")).unwrap();
        assert!(page.contains(&format!("The records set that: {rule}")), "{rule}");
        agrees("compare.py", &[&basin.study(), &run], 10);
    }
}

/// Fewer than 20: percentile and Boyce index with their ranges, nothing else; no calibration, no best threshold.
#[test]
fn few_records_say_little() {
    let basin = Basin::small();
    let used = used_rows(&basin);
    write_rows(&basin, &used[..13]);
    let outcome = basin.try_run("run", &[]);
    assert_eq!(outcome.code, Some(0), "{outcome:#?}");
    assert!(
        outcome.stderr.contains("12 of 12 records can be used") && outcome.stderr.contains("fewer than 20"),
        "{outcome:#?}"
    );
    let run = basin.folder().join("run");
    let validation = Table::of_run(&run, "validation");
    assert_eq!(validation.0.len(), 1);
    let row = &validation.0[0];
    for name in
        ["auc", "auc_standard_error", "threshold", "sensitivity", "specificity", "true_skill", "kappa"]
    {
        assert_eq!(row[name], "", "{name}");
    }
    let number = |name: &str| row[name].parse::<f64>().unwrap();
    assert!(number("boyce_index").abs() <= 1.0 && number("boyce_low") < number("boyce_high"));
    let thresholds = Table::of_run(&run, "thresholds");
    let rules: Vec<&str> = thresholds.0.iter().map(|row| row["rule"].as_str()).collect();
    assert_eq!(rules, ["set in the study", "tenth percentile of records"]);
    assert!(!run.join("tables/variable_importance.csv").exists());
    agrees("records.py", &[&basin.study(), &run], 8);

    let refused = calibrate(&basin.study(), &basin.folder().join("cal"), &[]);
    assert_eq!(refused.code, Some(1), "{refused:#?}");
    assert!(
        refused.stderr.contains("12 records stand in assessed cells of their own; calibration needs 20"),
        "{refused:#?}"
    );
    assert!(!basin.folder().join("cal").exists());

    basin.edit("study.toml", "threshold = 0.5 ", "threshold = \"max sensitivity and specificity\" ");
    let refused = basin.try_run("again", &[]);
    assert_eq!(refused.code, Some(1), "{refused:#?}");
    assert!(refused.stderr.contains("suitability.threshold by its rule needs 20"), "{refused:#?}");
    assert!(!basin.folder().join("again").exists());
}

/// All records in one place: they are tested on the ground they set the thresholds on, which is said; no calibration.
#[test]
fn records_in_one_place_are_no_proof() {
    let basin = Basin::small();
    basin.edit(
        "study.toml",
        "maximum_uncertainty_m = 100.0",
        "maximum_uncertainty_m = 100.0\nblock_m = 20000.0",
    );
    let outcome = basin.try_run("run", &[]);
    assert_eq!(outcome.code, Some(0), "{outcome:#?}");
    assert!(outcome.stderr.contains("all records stand together"), "{outcome:#?}");
    let run = basin.folder().join("run");
    let validation = Table::of_run(&run, "validation");
    let parts: Vec<&str> = validation.0.iter().map(|row| row["part"].as_str()).collect();
    assert_eq!(parts, ["all"]);
    assert!(Table::of_run(&run, "records").0.iter().all(|row| row["fold"].is_empty()));
    agrees("records.py", &[&basin.study(), &run], 12);
    let refused = calibrate(&basin.study(), &basin.folder().join("cal"), &[]);
    assert_eq!(refused.code, Some(1), "{refused:#?}");
    assert!(refused.stderr.contains("stand together"), "{refused:#?}");
    assert!(!basin.folder().join("cal").exists());
}

/// A study without records has none of their products, and cannot be calibrated.
#[test]
fn a_study_without_records_is_as_before() {
    let basin = Basin::small();
    basin.cut("study.toml", "[records]", "# ---- what drying costs");
    let run = basin.run("run", &["--quiet"]);
    for name in ["records", "records_set_aside", "validation", "boyce_curve", "novelty", "thresholds"] {
        assert!(!run.join("tables").join(format!("{name}.csv")).exists(), "{name}");
    }
    assert!(!run.join("rasters/novelty_baseline.tif").exists());
    // what does not rest on records is the same
    for name in ["rasters/suitability_baseline.tif", "tables/habitat_area.csv", "vectors/patches.gpkg"] {
        assert!(fs::read(run.join(name)).unwrap() == fs::read(DEMO.run.join(name)).unwrap(), "{name}");
    }
    let refused = calibrate(&basin.study(), &basin.folder().join("cal"), &[]);
    assert_eq!(refused.code, Some(1), "{refused:#?}");
    assert!(refused.stderr.contains("the study has no [records]"), "{refused:#?}");
}

static CALIBRATION: LazyLock<PathBuf> = LazyLock::new(|| {
    let out = DEMO.run.with_file_name("calibration");
    let said = calibrate(&DEMO.study(), &out, &["--tile", "64"]).done();
    assert!(said.contains("AUC on folds left out: fitted 0.9") && said.contains("fragment.toml"), "{said}");
    out
});

#[test]
fn scipy_fits_the_same_curves() {
    let said = agrees("calibration.py", &[&DEMO.study(), &DEMO.run, &CALIBRATION], 40);
    for what in
        ["coefficients", "standard errors", "AUC of fold 5, fitted", "suitability_fitted by the fragment"]
    {
        assert!(said.contains(&format!("ok    {what}")), "{what} was not compared:\n{said}");
    }
}

/// The fragment in place of the study's own sections is a study, and its run has the fitted map to the last bit.
#[test]
fn the_fragment_is_part_of_a_study() {
    let basin = Basin::small();
    let text = fs::read_to_string(basin.study()).unwrap();
    let fragment = fs::read_to_string(CALIBRATION.join("fragment.toml")).unwrap();
    let head = &text[..text.find("[requisites.").unwrap()];
    let tail = &text[text.find("[patches]").unwrap()..];
    fs::write(basin.study(), format!("{head}{fragment}\n{tail}")).unwrap();
    let run = basin.run("run", &["--quiet"]);
    let read = |path: PathBuf| Raster::read(&path, 1).cells;
    let own = read(run.join("rasters/suitability_baseline.tif"));
    let fitted = read(CALIBRATION.join("rasters/suitability_fitted.tif"));
    assert_eq!(own.len(), fitted.len());
    assert!(own.iter().zip(&fitted).all(|(a, b)| a == b || (a.is_nan() && b.is_nan())));
    let comparison = Table::of_run(&CALIBRATION, "comparison");
    let habitat =
        ["habitat by both", "habitat by the fit only"].map(|what| comparison.number("what", what, "value"));
    let area = Table::of_run(&run, "habitat_area").number("scenario", "baseline", "habitat_ha");
    // a scenario may leave cells unassessed, but none does here
    assert!((habitat[0] + habitat[1] - area).abs() < 1e-6, "{habitat:?} {area}");
    // and it can be calibrated again
    let again = basin.folder().join("again");
    calibrate(&basin.study(), &again, &["--quiet"]).done();
    assert!(again.join("calibration.json").is_file());
}

#[test]
fn a_calibration_is_the_same_on_any_tiles() {
    let other = DEMO.run.with_file_name("calibration-again");
    calibrate(&DEMO.study(), &other, &["--quiet", "--tile", "16", "--threads", "1"]).done();
    for section in ["tables", "rasters"] {
        for entry in fs::read_dir(CALIBRATION.join(section)).unwrap() {
            let name = entry.unwrap().file_name();
            let read = |folder: &Path| fs::read(folder.join(section).join(&name)).unwrap();
            assert!(read(&CALIBRATION) == read(&other), "{}", name.display());
        }
    }
    let fragment = |folder: &Path| fs::read_to_string(folder.join("fragment.toml")).unwrap();
    assert_eq!(fragment(&CALIBRATION), fragment(&other));
    let mode = fs::metadata(other.join("tables/records.csv")).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode, 0o600);
    // an earlier calibration is replaced, anything else is not
    calibrate(&DEMO.study(), &other, &["--quiet"]).done();
    let refused = calibrate(&DEMO.study(), &DEMO.run, &[]);
    assert_eq!(refused.code, Some(1), "{refused:#?}");
    assert!(refused.stderr.contains("not a calibration of lentic"), "{refused:#?}");
    assert!(DEMO.run.join("run.json").is_file());
}

#[test]
fn calibrate_speaks_json() {
    let out = DEMO.run.with_file_name("calibration-json");
    let text = calibrate(&DEMO.study(), &out, &["--json"]).done();
    let said: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(said["done"], true);
    assert_eq!(said["folds"], 5);
    assert!(said["auc_fitted"].as_f64().is_some_and(|a| a > 0.8 && a < 1.0), "{said}");
    assert!(said["rank_correlation"].as_f64().is_some_and(|r| r > 0.3 && r < 1.0), "{said}");
}
