//! Surveys of ground truth over the demo's run: redrawn and corrected by an independent program (`tests/reference/survey.py`: scipy's
//! Halton sequence, pyproj, an XML reader, numpy), opened by GDAL's programs, and taken through the commands of `docs/survey.md`.

use lentic_tests::outside::{ogr_query, python};
use lentic_tests::table::Table;
use lentic_tests::{Outcome, Ready, lentic};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::LazyLock;

static DEMO: LazyLock<Ready> = LazyLock::new(|| Ready::make("survey", true));

/// Draws over a map of the demo's run into a folder of this name.
#[track_caller]
fn drawn(name: &str, more: &[&str]) -> (PathBuf, Value) {
    let folder = DEMO.basin.with_file_name(name);
    let mut command = lentic();
    command.args(["survey", "draw", "--json"]).arg(&DEMO.run).arg("--out").arg(&folder).args(more);
    let said = Outcome::of(&mut command).done();
    (folder, serde_json::from_str(&said).unwrap())
}

#[track_caller]
fn reference(folder: &Path, filled: Option<&Path>) -> Value {
    let mut command = python();
    command.arg("survey.py").arg(&DEMO.run).arg(folder).args(filled);
    serde_json::from_str(&Outcome::of(&mut command).done()).unwrap()
}

#[test]
fn an_independent_program_draws_the_same_points() {
    for (name, more) in [
        ("habitat", &["--standard-error", "0.04"][..]),
        ("permanence", &["--map", "permanence", "--minimum", "12", "--points", "100", "--seed", "99"][..]),
        ("later", &["--map", "habitat_much-drier", "--points", "80", "--minimum", "10"][..]),
        ("change", &["--map", "change_drier", "--points", "90", "--points", "1=40", "--minimum", "5"][..]),
    ] {
        let (folder, said) = drawn(&format!("drawn-{name}"), more);
        let found = reference(&folder, None);
        assert_eq!(found["differ"], serde_json::json!([]), "{name}: strata drawn otherwise");
        assert_eq!(found["strata"], found["cells"], "{name}: cells of the strata");
        assert_eq!(found["empty"], true, "{name}");
        let strata = said["strata"].as_array().unwrap();
        let number = |key: &str| strata.iter().map(|s| s[key].as_u64().unwrap()).sum::<u64>();
        assert!(strata.len() >= 2);
        assert_eq!(found["points"], number("points") + number("reserve"), "{name}");
        // 7 digits of a degree
        assert!(found["degrees"].as_f64().unwrap() < 6e-8, "{name}: {found}");
        let waypoints = &found["waypoints"];
        assert_eq!(waypoints["number"], found["points"], "{name}");
        assert_eq!((&waypoints["sorted"], &waypoints["blind"]), (&true.into(), &true.into()), "{name}");
        assert!(waypoints["degrees"].as_f64().unwrap() < 6e-8, "{name}");
    }
}

#[test]
fn strata_are_as_large_as_the_run_says() {
    let (_, said) = drawn("areas", &["--points", "100"]);
    let table = Table::of_run(&DEMO.run, "habitat_area");
    let habitat = said["strata"].as_array().unwrap().iter().find(|s| s["name"] == "Habitat").unwrap();
    let expected = table.number("scenario", "baseline", "habitat_ha");
    assert!((habitat["area_ha"].as_f64().unwrap() - expected).abs() < 1e-9, "{habitat} for {expected}");
    // by hand from the weights: .4 for both, n = (.4/S)^2 shared by area
    assert_eq!(said["points_asked"], Value::Null);
}

#[test]
fn gdal_opens_layer_and_waypoints() {
    let (folder, said) = drawn("opened", &["--points", "100"]);
    let strata = said["strata"].as_array().unwrap();
    let points: u64 = strata.iter().map(|s| s["points"].as_u64().unwrap()).sum();
    let reserve: u64 = strata.iter().map(|s| s["reserve"].as_u64().unwrap()).sum();
    let sql = "select count(*) as n, sum(reserve = 'yes') as spare, sum(reference_class is null) as empty, \
               max(abs(st_x(geom) - x)) as off from survey_points";
    let found = ogr_query(&folder.join("survey.gpkg"), sql);
    let number =
        |name: &str| found.iter().find(|(n, _)| n == name).unwrap_or_else(|| panic!("{name}: {found:?}")).1;
    assert_eq!(number("n"), (points + reserve) as f64);
    assert_eq!(number("spare"), reserve as f64);
    assert_eq!(number("empty"), (points + reserve) as f64);
    assert_eq!(number("off"), 0.0);
    let said = Outcome::of(
        Command::new("ogrinfo").args(["-ro", "-so"]).arg(folder.join("survey.gpx")).arg("waypoints"),
    );
    let said = said.done();
    assert!(said.contains(&format!("Feature Count: {}", points + reserve)), "{said}");
    let said = Outcome::of(
        Command::new("ogrinfo").args(["-ro", "-so"]).arg(folder.join("survey.gpkg")).arg("survey_points"),
    );
    let said = said.done();
    for part in
        ["Geometry: Point", "Lambert Azimuthal Equal Area", "reference_class: String", "order: Integer"]
    {
        assert!(said.contains(part), "{part} not in {said}");
    }
}

/// The commands of the page, run as they stand there in a folder of their own, on a demo of the small size.
#[test]
fn the_page_s_commands_work() {
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/survey.md");
    let page = fs::read_to_string(page).unwrap();
    let blocks: Vec<&str> =
        page.split("```sh\n").skip(1).map(|rest| rest.split("```").next().unwrap()).collect();
    assert_eq!(blocks.len(), 3, "draw, try, correct");
    let folder = tempfile::TempDir::new().unwrap();
    let program = lentic().get_program().to_owned();
    let path = std::env::join_paths(
        Path::new(&program)
            .parent()
            .into_iter()
            .map(Path::to_path_buf)
            .chain(std::env::split_paths(&std::env::var_os("PATH").unwrap())),
    );
    let script = format!(
        "set -eu\nlentic demo -q --small talverra\nlentic run -q talverra/study.toml --out talverra/run\n{}",
        blocks.concat()
    );
    let mut command = Command::new("sh");
    command.args(["-c", &script]).current_dir(folder.path()).env("PATH", path.unwrap());
    let said = Outcome::of(&mut command).done();
    assert!(said.contains("Biosecurity: clean, disinfect and dry"), "{said}");
    assert!(said.contains("overall accuracy"), "{said}");

    // what the page's table was filled with is the demo's truth, so the corrected areas must come near it
    let run = folder.path().join("talverra/run");
    let corrected = folder.path().join("talverra/survey-permanence/corrected");
    let mut reader = csv::Reader::from_path(corrected.join("corrected_area.csv")).unwrap();
    let rows: Vec<std::collections::BTreeMap<String, String>> =
        reader.deserialize().map(|row| row.unwrap()).collect();
    let number =
        |row: &std::collections::BTreeMap<String, String>, name: &str| row[name].parse::<f64>().unwrap();
    let map = lentic_tests::raster::Raster::read(&run.join("rasters/permanence.tif"), 1);
    let truth = lentic_tests::raster::Raster::read(
        &folder.path().join("talverra/truth/true_hydroperiod_baseline.tif"),
        1,
    );
    let truth = truth.under(&map);
    let class = |months: f64| {
        [11.0, 8.0, 3.0].iter().filter(|least| months >= **least).count() + usize::from(months > 0.0)
    };
    for row in &rows {
        let code: usize = row["code"].parse().unwrap();
        let cells =
            map.cells.iter().zip(&truth).filter(|(m, months)| !m.is_nan() && class(**months) == code).count();
        let true_ha = cells as f64 * 0.09;
        // three standard errors, and what the rule of three allows where no point was wrong: 3/20 of a small class
        let slack = 3.0 * number(row, "area_se_ha") + 0.15 * number(row, "mapped_ha");
        let area = number(row, "area_ha");
        assert!((area - true_ha).abs() <= slack, "{code}: {area} ha, in truth {true_ha}");
    }
    assert_eq!(rows.len(), 5);
}

#[test]
fn an_independent_program_corrects_the_same() {
    let (folder, _) = drawn("corrected", &["--map", "permanence", "--points", "200", "--minimum", "20"]);
    let filled = DEMO.basin.with_file_name("filled.csv");
    // every third observer finds the next drier class, every seventh the next wetter one; a few points stay empty
    let mut reader = csv::Reader::from_path(folder.join("survey.csv")).unwrap();
    let headers = reader.headers().unwrap().clone();
    let mut writer = csv::Writer::from_path(&filled).unwrap();
    writer.write_record(&headers).unwrap();
    for (at, record) in reader.records().enumerate() {
        let mut fields: Vec<String> = record.unwrap().iter().map(String::from).collect();
        let class: i32 = fields[2].parse().unwrap();
        let found = if at % 3 == 0 { class - 1 } else { class + i32::from(at % 7 == 0) };
        if at % 11 != 0 {
            fields[11] = found.clamp(0, 4).to_string();
        }
        writer.write_record(&fields).unwrap();
    }
    writer.flush().unwrap();
    let mut command = lentic();
    command.args(["survey", "correct", "--json"]).arg(&DEMO.run).arg(&filled);
    let said: Value = serde_json::from_str(&Outcome::of(&mut command).done()).unwrap();
    let expected = &reference(&folder, Some(&filled))["corrected"];
    let near = |found: &Value, expected: &Value, what: &str| {
        let (found, expected) = (found.as_f64().unwrap(), expected.as_f64().unwrap());
        assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{what}: {found} for {expected}");
    };
    near(&said["overall_accuracy"]["value"], &expected["overall"][0], "overall");
    near(&said["overall_accuracy"]["standard_error"], &expected["overall"][1], "its error");
    let classes = said["classes"].as_array().unwrap();
    assert_eq!(classes.len(), 5);
    for (at, class) in classes.iter().enumerate() {
        assert_eq!(class["code"], expected["classes"][at]);
        for (ours, theirs) in
            [("area_ha", "area_ha"), ("users_accuracy", "users"), ("producers_accuracy", "producers")]
        {
            near(&class[ours]["value"], &expected[theirs][0][at], ours);
            near(&class[ours]["standard_error"], &expected[theirs][1][at], ours);
        }
    }
    assert!(said["left_out"].as_u64().unwrap() > 0);
    // what was drawn stays as it was
    assert!(fs::read_to_string(folder.join("survey.csv")).unwrap().contains(",no,,,,\n"));
}

#[test]
fn bad_input_is_refused_with_exit_code_1() {
    let refused = |arguments: &[&str]| {
        let out = DEMO.basin.with_file_name("refused");
        let outcome = Outcome::of(
            lentic().args(["survey", "draw"]).arg(&DEMO.run).arg("--out").arg(&out).args(arguments),
        );
        assert_eq!((outcome.code, outcome.stdout.as_str()), (Some(1), ""), "{arguments:?}: {outcome:#?}");
        assert!(!outcome.stderr.contains("panicked"), "{}", outcome.stderr);
        assert!(!out.exists());
        outcome.stderr
    };
    assert!(refused(&["--standard-error", "0"]).contains("--standard-error is 0, expected a number above 0"));
    assert!(refused(&["--standard-error", "-0.02"]).contains("--standard-error is -0.02"));
    assert!(refused(&["--standard-error", "small"]).contains("--standard-error"));
    assert!(
        refused(&["--map", "wet"])
            .contains("no map of classes \"wet\"; it has habitat_baseline, permanence, habitat_")
    );
    assert!(refused(&["--map", "suitability_baseline"]).contains("no map of classes"));
    assert!(
        refused(&["--map", "permanence", "--minimum", "400"])
            .contains("\"Temporary\" has 132 cells, fewer than its 400 points")
    );
    assert!(refused(&["--accuracy", "7=0.9"]).contains("stratum 7"));
    assert!(refused(&["--points", "a=3"]).contains("\"a\" is no class code"));
    let nothing = Outcome::of(lentic().args(["survey", "correct"]).arg(&DEMO.run).arg("nowhere.csv"));
    assert_eq!(nothing.code, Some(1));
    assert!(nothing.stderr.contains("nowhere.csv: there is no such file"), "{}", nothing.stderr);
}
