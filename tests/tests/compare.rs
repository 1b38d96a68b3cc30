//! `lentic compare`: what it says of two runs follows from their files, recomputed here; runs that cannot be compared are refused.

use lentic_tests::raster::Raster;
use lentic_tests::table::Table;
use lentic_tests::{Basin, Outcome, lentic};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// Two runs of the small demo: as it is; with another threshold, more pumping, one mask of water replaced and one gone.
struct Pair {
    basin: Basin,
    a: PathBuf,
    b: PathBuf,
    out: PathBuf,
    said: Value,
}

static PAIR: LazyLock<Pair> = LazyLock::new(|| {
    let basin = Basin::small();
    let a = basin.run("a", &["--quiet"]);
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 0.6 ");
    basin.edit(
        "study.toml",
        "title = \"Wells lower the water table by 0.4 m\"\nhorizon = 2050\ndrawdown_m = 0.4",
        "title = \"Wells lower the water table by 0.4 m\"\nhorizon = 2050\ndrawdown_m = 0.5",
    );
    fs::copy(basin.file("water/water_1999-01.tif"), basin.file("water/water_1999-07.tif")).unwrap();
    fs::remove_file(basin.file("water/water_2003-02.tif")).unwrap();
    let b = basin.run("b", &["--quiet"]);
    let out = basin.folder().join("comparison");
    let outcome = compare(&[&a, &b], &out, &["--json"]);
    let said = serde_json::from_str(&outcome.done()).unwrap();
    Pair { basin, a, b, out, said }
});

/// Runs of the demo are sensitive, and a comparison tells their cells.
#[test]
fn a_comparison_of_sensitive_runs_is_for_their_owner() {
    use std::os::unix::fs::PermissionsExt;
    let mode = |file: &str| fs::metadata(PAIR.out.join(file)).unwrap().permissions().mode() & 0o777;
    let page = fs::read_to_string(PAIR.out.join("comparison.html")).unwrap();
    assert_eq!(page.matches("Sensitive edition: holds exact places; not for publication").count(), 2);
    assert_eq!((mode("comparison.html"), mode("comparison.json"), mode("tables")), (0o600, 0o600, 0o700));
}

fn compare(runs: &[&Path], out: &Path, more: &[&str]) -> Outcome {
    Outcome::of(lentic().arg("compare").args(runs).arg("--out").arg(out).args(more))
}

fn record(run: &Path) -> Value {
    serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap()
}

/// A suitability with NaN where the run did not assess the cell (not_assessed.tif, code 0 is assessed).
fn suitability(run: &Path, scenario: &str) -> Vec<f64> {
    let rasters = run.join("rasters");
    let cells = Raster::read(&rasters.join(format!("suitability_{scenario}.tif")), 1).cells;
    let reason = Raster::read(&rasters.join("not_assessed.tif"), 1).cells;
    cells.into_iter().zip(reason).map(|(cell, code)| if code == 0.0 { cell } else { f64::NAN }).collect()
}

fn number(text: &str) -> Option<f64> {
    (!text.is_empty()).then(|| text.parse().unwrap())
}

fn row<'a>(table: &'a Table, pairs: &[(&str, &str)]) -> &'a BTreeMap<String, String> {
    let mut rows = table.0.iter().filter(|row| pairs.iter().all(|(key, value)| row[*key] == *value));
    let found = rows.next().unwrap_or_else(|| panic!("no row with {pairs:?}"));
    assert!(rows.next().is_none());
    found
}

#[test]
fn areas_stand_side_by_side_with_their_differences() {
    let (a, b) = (Table::of_run(&PAIR.a, "habitat_area"), Table::of_run(&PAIR.b, "habitat_area"));
    let said = Table::of_run(&PAIR.out, "areas_of_runs");
    assert_eq!(said.0.len(), a.0.len() + b.0.len());
    let mut changed = 0;
    for own in &a.0 {
        let scenario = own["scenario"].as_str();
        for (label, table) in [("A", &a), ("B", &b)] {
            let told = row(&said, &[("scenario", scenario), ("run", label)]);
            for column in ["habitat_ha", "low_ha", "high_ha", "lost_ha", "lost_percent", "not_assessed_ha"] {
                assert_eq!(
                    number(&told[column]),
                    number(&table.cell("scenario", scenario, column)),
                    "{scenario} {column}"
                );
            }
        }
        let (before, after) =
            (a.number("scenario", scenario, "habitat_ha"), b.number("scenario", scenario, "habitat_ha"));
        let told = row(&said, &[("scenario", scenario), ("run", "B")]);
        assert!((number(&told["difference_ha"]).unwrap() - (after - before)).abs() < 1e-9);
        if before > 0.0 {
            let share = 100.0 * (after - before) / before;
            assert!((number(&told["difference_percent"]).unwrap() - share).abs() < 1e-9);
        }
        assert_eq!(row(&said, &[("scenario", scenario), ("run", "A")])["difference_ha"], "");
        changed += usize::from(before != after);
    }
    assert!(changed >= 5, "a higher threshold takes habitat from {changed} scenarios");
}

/// Every cell of every scenario, and the areas of them: cells of 30 m, 0.09 ha each.
#[test]
fn maps_say_which_run_calls_a_cell_habitat() {
    let scenarios: Vec<String> =
        Table::of_run(&PAIR.a, "habitat_area").0.iter().map(|row| row["scenario"].clone()).collect();
    let areas = Table::of_run(&PAIR.out, "changed_cells");
    let mut only_a = 0.0;
    for scenario in &scenarios {
        let (a, b) = (suitability(&PAIR.a, scenario), suitability(&PAIR.b, scenario));
        let codes = Raster::read(&PAIR.out.join(format!("rasters/habitat_of_runs_{scenario}.tif")), 1).cells;
        let apart =
            Raster::read(&PAIR.out.join(format!("rasters/suitability_difference_{scenario}.tif")), 1).cells;
        let mut counts = [0usize; 4];
        let mut sum = 0.0;
        for at in 0..codes.len() {
            if a[at].is_nan() || b[at].is_nan() {
                assert!(codes[at].is_nan() && apart[at].is_nan());
                continue;
            }
            let expected = match (a[at] as f32 >= 0.5, b[at] as f32 >= 0.6) {
                (false, false) => 0,
                (true, true) => 1,
                (true, false) => 2,
                (false, true) => 3,
            };
            assert_eq!(codes[at], f64::from(expected as u8), "{scenario} {at}");
            assert!((apart[at] - (b[at] - a[at])).abs() < 1e-6);
            counts[expected] += 1;
            sum += b[at] - a[at];
        }
        let told = row(&areas, &[("scenario", scenario)]);
        for (code, column) in
            ["neither_ha", "both_ha", "first_only_ha", "this_only_ha"].into_iter().enumerate()
        {
            assert!(
                (number(&told[column]).unwrap() - 0.09 * counts[code] as f64).abs() < 1e-9,
                "{scenario} {column}"
            );
        }
        let mean = sum / counts.iter().sum::<usize>() as f64;
        assert!((number(&told["mean_difference"]).unwrap() - mean).abs() < 1e-9);
        only_a += number(&told["first_only_ha"]).unwrap();
        // the two assessed the same ground, so the areas are those of the runs
        assert_eq!(
            (told["first_alone_assessed_ha"].as_str(), told["this_alone_assessed_ha"].as_str()),
            ("0.0", "0.0")
        );
        let habitat =
            |run: &Path| Table::of_run(run, "habitat_area").number("scenario", scenario, "habitat_ha");
        let of = |column: &str| number(&told[column]).unwrap();
        assert!((of("both_ha") + of("first_only_ha") - habitat(&PAIR.a)).abs() < 1e-9);
        assert!((of("both_ha") + of("this_only_ha") - habitat(&PAIR.b)).abs() < 1e-9);
    }
    assert!(only_a > 1.0, "{only_a} ha");
}

#[test]
fn what_went_in_differently_is_listed() {
    let settings = Table::of_run(&PAIR.out, "settings_changed");
    let told: Vec<_> =
        settings.0.iter().map(|r| (r["key"].as_str(), r["before"].as_str(), r["after"].as_str())).collect();
    assert_eq!(
        told,
        [("scenarios.pumping.drawdown_m", "0.4", "0.5"), ("suitability.threshold", "0.5", "0.6")]
    );
    let inputs = Table::of_run(&PAIR.out, "inputs_changed");
    let told: Vec<_> = inputs
        .0
        .iter()
        .map(|r| (r["layer"].as_str(), r["change"].as_str(), r["file_before"].as_str()))
        .collect();
    assert_eq!(
        told,
        [("water", "changed", "water/water_1999-07.tif"), ("water", "gone", "water/water_2003-02.tif")]
    );
    let digest = |name: &str| blake3::hash(&fs::read(PAIR.basin.file(name)).unwrap()).to_hex().to_string();
    assert_eq!(inputs.0[0]["blake3_after"], digest("water/water_1999-01.tif"));
    assert!(Table::of_run(&PAIR.out, "programs").0.iter().all(|row| row["changed"] == "no"));
}

#[test]
fn a_paragraph_can_be_pasted() {
    let text = PAIR.said["sentences"][0].as_str().unwrap();
    let ids = [&PAIR.a, &PAIR.b].map(|run| record(run)["run_id"].as_str().unwrap().to_string());
    assert!(
        text.starts_with(&format!("Between run {} of ", ids[0]))
            && text.contains(&format!("and run {} of ", ids[1]))
    );
    let habitat =
        |run: &Path| Table::of_run(run, "habitat_area").number("scenario", "baseline", "habitat_ha");
    let (before, after) = (habitat(&PAIR.a), habitat(&PAIR.b));
    assert!(
        text.contains(&format!(
            "habitat today went from {before:.1} to {after:.1} ha ({:+.1} %)",
            100.0 * (after - before) / before
        )),
        "{text}"
    );
    for words in [
        "inputs (water: 1 changed, 1 gone)",
        "suitability.threshold from 0.5 to 0.6",
        "scenarios.pumping.drawdown_m from 0.4 to 0.5",
        "the program was the same (lentic ",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let cautions = PAIR.said["cautions"].to_string();
    assert!(
        cautions.contains("scenario pumping is another than in run A") && cautions.contains("sensitive"),
        "{cautions}"
    );
    let page = fs::read_to_string(PAIR.out.join("comparison.html")).unwrap();
    // as the page escapes them
    let escaped = text.replace('"', "&quot;").replace('/', "&#x2f;");
    assert!(page.contains(&escaped), "{escaped}");
    assert!(
        page.contains(&ids[0])
            && !page.contains("<script")
            && !page.contains(PAIR.basin.folder().to_str().unwrap())
    );
}

#[test]
fn a_comparison_is_sealed_and_the_same_each_time() {
    let verify = |folder: &Path| Outcome::of(lentic().arg("verify").arg(folder));
    assert_eq!(verify(&PAIR.out).code, Some(0));
    let again = PAIR.basin.folder().join("again");
    for _ in 0..2 {
        // the second replaces the first
        compare(&[&PAIR.a, &PAIR.b], &again, &["--quiet"]).done();
    }
    for name in [
        "comparison.html",
        "tables/areas_of_runs.csv",
        "tables/changed_cells.parquet",
        "rasters/habitat_of_runs_baseline.tif",
        "rasters/suitability_difference_drier.tif",
        "rasters/habitat_of_runs_drier.qml",
    ] {
        assert!(fs::read(again.join(name)).unwrap() == fs::read(PAIR.out.join(name)).unwrap(), "{name}");
    }
    let page = again.join("comparison.html");
    fs::write(&page, fs::read_to_string(&page).unwrap() + " ").unwrap();
    assert_eq!(verify(&again).code, Some(1));
}

#[test]
fn three_runs_are_told_by_letters() {
    let out = PAIR.basin.folder().join("three");
    let said: Value =
        serde_json::from_str(&compare(&[&PAIR.a, &PAIR.b, &PAIR.a], &out, &["--json"]).done()).unwrap();
    let sentences = said["sentences"].as_array().unwrap();
    assert_eq!(sentences.len(), 2);
    let same = sentences[1].as_str().unwrap();
    assert!(same.contains("Nothing that goes in changed") && same.contains("unchanged"), "{same}");
    assert!(out.join("rasters/habitat_of_runs_drier_B.tif").is_file());
    let cells = Table::of_run(&out, "changed_cells");
    for row in cells.0.iter().filter(|row| row["run"] == "C") {
        assert_eq!(
            (row["first_only_ha"].as_str(), row["this_only_ha"].as_str(), row["mean_difference"].as_str()),
            ("0.0", "0.0", "0.0")
        );
    }
}

/// The same basin on cells of 60 m, which hold four of 30 m each: refused, and with --regrid the mean of those four with
/// data, at least two of them (docs/methods.md, reading of layers).
#[test]
fn another_grid_is_refused_or_brought_onto_the_first() {
    let basin = Basin::small();
    let fine = basin.run("fine", &["--quiet"]);
    basin.edit("study.toml", "cell_m = 30.0 ", "cell_m = 60.0 ");
    let coarse = basin.run("coarse", &["--quiet"]);
    let out = basin.folder().join("comparison");
    let refused = compare(&[&coarse, &fine], &out, &[]);
    assert_eq!(refused.code, Some(1));
    assert!(
        refused.stderr.contains("cells of 60 m and 30 m") && refused.stderr.contains("--regrid"),
        "{refused:#?}"
    );
    assert!(!out.exists() && !basin.folder().join("comparison.part").exists());

    let said = compare(&[&coarse, &fine], &out, &["--regrid"]);
    assert!(said.stderr.contains("brought onto the grid of run A"), "{said:#?}");
    said.done();
    let of = |run: &Path, name: &str| Raster::read(&run.join("rasters").join(name), 1);
    let (large, small) = (of(&coarse, "suitability_drier.tif"), of(&fine, "suitability_drier.tif"));
    let reasons = [of(&coarse, "not_assessed.tif"), of(&fine, "not_assessed.tif")];
    let apart = of(&out, "suitability_difference_drier.tif");
    // first fine cell under the first coarse one
    let right = ((large.place[0] - small.place[0]) / 30.0).round() as i64;
    let down = ((small.place[3] - large.place[3]) / 30.0).round() as i64;
    let mut compared = 0;
    for at in 0..large.cells.len() {
        let (row, col) = ((at / large.cols) as i64, (at % large.cols) as i64);
        let four = [(0, 0), (0, 1), (1, 0), (1, 1)].map(|(r, c)| (down + 2 * row + r, right + 2 * col + c));
        let inside =
            |(r, c): &(i64, i64)| (0..small.rows as i64).contains(r) && (0..small.cols as i64).contains(c);
        let cells: Vec<usize> = four
            .iter()
            .filter(|at| inside(at))
            .map(|(r, c)| *r as usize * small.cols + *c as usize)
            .collect();
        let values: Vec<f64> = cells.iter().map(|at| small.cells[*at]).filter(|v| !v.is_nan()).collect();
        let codes: Vec<f64> = cells.iter().map(|at| reasons[1].cells[*at]).filter(|v| !v.is_nan()).collect();
        // the code of most area, the lowest of equals; data on half the cell
        let count = |code: f64| codes.iter().filter(|c| **c == code).count();
        let assessed =
            codes.len() >= 2 && codes.iter().all(|code| count(0.0) >= count(*code)) && count(0.0) > 0;
        let other = if values.len() >= 2 && assessed {
            values.iter().sum::<f64>() / values.len() as f64
        } else {
            f64::NAN
        };
        let own = if reasons[0].cells[at] == 0.0 { large.cells[at] } else { f64::NAN };
        let expected = other - own;
        assert_eq!(apart.cells[at].is_nan(), expected.is_nan(), "{row} {col}");
        if !expected.is_nan() {
            assert!((apart.cells[at] - expected).abs() < 1e-5, "{row} {col}: {} {expected}", apart.cells[at]);
            compared += 1;
        }
    }
    assert!(compared > 500, "{compared} cells");
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let altered = PAIR.basin.folder().join("altered");
    let copied = std::process::Command::new("cp").arg("-a").arg(&PAIR.b).arg(&altered).status();
    assert!(copied.unwrap().success());
    let table = altered.join("tables/habitat_area.csv");
    fs::write(&table, fs::read_to_string(&table).unwrap().replace("baseline,", "baseline,1")).unwrap();
    let out = PAIR.basin.folder().join("refused");
    let refused = compare(&[&PAIR.a, &altered], &out, &[]);
    assert_eq!(refused.code, Some(1));
    assert!(
        refused.stderr.contains("habitat_area.csv") && refused.stderr.contains("--unverified"),
        "{refused:#?}"
    );
    assert!(!out.exists());
    let told = compare(&[&PAIR.a, &altered], &out, &["--unverified"]);
    assert!(told.stderr.contains("Run B was altered"), "{told:#?}");
    told.done();

    // one run; no run; a comparison; a place within a run
    assert_eq!(compare(&[&PAIR.a], &out, &[]).code, Some(1));
    let refused = compare(&[&PAIR.a, PAIR.basin.folder()], &out, &[]);
    assert!(refused.code == Some(1) && refused.stderr.contains("lentic run"), "{refused:#?}");
    let refused = compare(&[&PAIR.a, &PAIR.out], &out, &[]);
    assert!(refused.code == Some(1) && refused.stderr.contains("not a run"), "{refused:#?}");
    let refused = compare(&[&PAIR.a, &PAIR.b], &PAIR.a.join("comparison"), &[]);
    assert!(refused.code == Some(1) && refused.stderr.contains("would be altered"), "{refused:#?}");
    let refused = compare(&[&PAIR.a, &PAIR.b], &PAIR.b, &[]);
    assert_eq!(refused.code, Some(1), "{refused:#?}");
    assert_eq!(Outcome::of(lentic().arg("verify").arg(&PAIR.a)).code, Some(0));
    assert_eq!(Outcome::of(lentic().arg("verify").arg(&PAIR.b)).code, Some(0));
}
