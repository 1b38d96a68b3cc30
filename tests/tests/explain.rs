//! `lentic explain`: the numbers of one cell are those of the run's rasters, and a run that no longer fits its layers is refused.

use lentic_tests::raster::Raster;
use lentic_tests::{Basin, Outcome, Ready, lentic};
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::sync::LazyLock;

static DEMO: LazyLock<Ready> = LazyLock::new(|| Ready::make("explain", true));

fn explained(run: &Path, x: f64, y: f64, more: &[&str]) -> Outcome {
    let mut command = lentic();
    command.arg("explain").arg(run).arg(x.to_string()).arg(y.to_string()).args(more);
    Outcome::of(&mut command)
}

#[track_caller]
fn json(run: &Path, x: f64, y: f64) -> Value {
    serde_json::from_str(&explained(run, x, y, &["--json"]).done()).unwrap()
}

fn raster(run: &Path, name: &str) -> Raster {
    Raster::read(&run.join("rasters").join(format!("{name}.tif")), 1)
}

/// Centre of a cell.
fn centre(of: &Raster, cell: usize) -> (f64, f64) {
    let (row, col) = ((cell / of.cols) as f64, (cell % of.cols) as f64);
    (of.place[0] + (col + 0.5) * of.place[1], of.place[3] + (row + 0.5) * of.place[5])
}

/// Cells of every kind of limiting factor that occurs, and one at the very edge of the study area, where distances look beyond it.
fn cells(run: &Path) -> Vec<usize> {
    let limits = raster(run, "limiting_factor_drier");
    let mut seen = BTreeSet::new();
    let mut found: Vec<usize> = (0..limits.cells.len())
        .filter(|cell| !limits.cells[*cell].is_nan() && seen.insert(limits.cells[*cell] as u8))
        .collect();
    let suitability = raster(run, "suitability_baseline").cells;
    let edge = |cell: &usize| {
        let known = |at: usize| suitability.get(at).is_some_and(|s| !s.is_nan());
        known(*cell) && (!known(cell + 1) || !known(cell + limits.cols))
    };
    found.extend((0..suitability.len()).filter(edge).take(2));
    let best = (0..suitability.len()).max_by(|a, b| {
        let value = |cell: &usize| if suitability[*cell].is_nan() { -1.0 } else { suitability[*cell] };
        value(a).total_cmp(&value(b))
    });
    found.extend(best);
    assert!(found.len() >= 6, "{found:?}");
    found
}

/// Geometric mean of scores under weights.
fn mean(parts: &[(f64, f64)]) -> f64 {
    let total: f64 = parts.iter().map(|(_, weight)| weight).sum();
    parts.iter().map(|(score, weight)| score.powf(weight / total)).product()
}

#[test]
fn numbers_are_those_of_the_rasters() {
    let run = &DEMO.run;
    let one = raster(run, "suitability_baseline");
    for cell in cells(run) {
        let (x, y) = centre(&one, cell);
        let said = json(run, x, y);
        assert_eq!((said["row"].as_u64(), said["x"].as_f64()), (Some((cell / one.cols) as u64), Some(x)));
        let cases = said["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 7);
        for case in cases {
            let name = case["scenario"].as_str().unwrap();
            let expected = raster(run, &format!("suitability_{name}")).cells[cell];
            assert_eq!(case["suitability"].as_f64().unwrap() as f32, expected as f32, "{name} at {cell}");
            let requisites = case["requisites"].as_array().unwrap();
            let parts: Vec<(f64, f64)> = requisites
                .iter()
                .map(|r| (r["score"].as_f64().unwrap(), r["weight"].as_f64().unwrap()))
                .collect();
            let made = if case["barrier"].as_bool().unwrap() { 0.0 } else { mean(&parts) };
            assert!((made - expected).abs() < 1e-6, "{name} at {cell}: {made} {expected}");
            // hydroperiod, yearly months and slope of a requisite as the products hold them
            let foraging = requisites[0]["variables"].as_array().unwrap();
            let months = raster(run, &format!("hydroperiod_{name}")).cells[cell];
            assert_eq!(foraging[0]["measure"].as_f64().unwrap() as f32, months as f32);
            let kept = run.join("cells").join(format!("water_{name}.tif"));
            let band = if name == "baseline" { 2 } else { 3 };
            assert_eq!(foraging[1]["measure"].as_f64().unwrap(), Raster::read(&kept, band).cells[cell]);
            assert_eq!(foraging[1]["score"].as_f64().unwrap(), Raster::read(&kept, band + 1).cells[cell]);
            let nesting = &requisites[2];
            let own: Vec<(f64, f64)> = nesting["variables"]
                .as_array()
                .unwrap()
                .iter()
                .map(|v| (v["score"].as_f64().unwrap(), v["weight"].as_f64().unwrap()))
                .collect();
            let near = nesting["near"]["factor"].as_f64().unwrap();
            assert!((nesting["score"].as_f64().unwrap() - near * mean(&own)).abs() < 1e-12);
            // the code of the map and the name told are one
            let code = raster(run, &format!("limiting_factor_{name}")).cells[cell];
            let told = case["limiting"].as_str();
            let names = ["months-of-water", "warm-months-in-water", "water-depth"];
            match code as usize {
                254 => assert_eq!(told, None),
                code @ 1..=3 => assert_eq!(told, Some(names[code - 1])),
                _ => assert!(told.is_some_and(|told| !names.contains(&told))),
            }
        }
    }
}

/// Raised to 1, the limiting variable brings what the explanation says: held against the study with that variable's curve flat at 1.
#[test]
fn the_limiting_variable_brings_what_is_said() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    let limits = raster(&run, "limiting_factor_baseline");
    let suitability = raster(&run, "suitability_baseline").cells;
    let cell = (0..suitability.len()).find(|at| limits.cells[*at] == 3.0 && suitability[*at] > 0.2).unwrap();
    let (x, y) = centre(&limits, cell);
    let said = json(&run, x, y);
    assert_eq!(said["cases"][0]["limiting"], "water-depth");
    basin.edit(
        "study.toml",
        "curve.trapezoid = [0.05, 0.3, 1.2, 3.0]",
        "curve.trapezoid = [-9.0, -8.0, 90.0, 99.0]",
    );
    let better = basin.run("better", &["--quiet"]);
    let raised = raster(&better, "suitability_baseline").cells[cell];
    assert!(raised > suitability[cell]);
    assert!((said["cases"][0]["raised_to"].as_f64().unwrap() - raised).abs() < 1e-6);
}

#[test]
fn a_reader_sees_the_cell() {
    let run = &DEMO.run;
    let one = raster(run, "suitability_baseline");
    let (x, y) = centre(&one, *cells(run).last().unwrap());
    let text = explained(run, x, y, &[]).done();
    for word in [
        "Talverra Sink, run ",
        "baseline: suitability ",
        "much-drier (30 % less rain, 2 degrees warmer): ",
        "limited by ",
        "warm-months-in-water",
        "foraging-water within 300 m",
        "months wet and 16 to 33 degrees C, mean of years",
        "weight 0.",
    ] {
        assert!(text.contains(word), "{word:?} is not in:\n{text}");
    }
    // the basin lies about 18 degrees west, 31 south: 1 degree of latitude is about 110.9 km there
    let (lon, lat) = (-18.0 + x / (111_320.0 * 31f64.to_radians().cos()), -31.0 + y / 110_870.0);
    let same = explained(run, lon, lat, &["--lonlat"]).done();
    assert_eq!(same, text);
}

/// What is dissolved in a shrinking pool is explained to the last bit too, though volumes are sums over whole pools.
#[test]
fn water_quality_is_explained() {
    let basin = Basin::small();
    let path = basin.study();
    let mut text = fs::read_to_string(&path).unwrap();
    text.push_str(
        "
[[requisites.foraging-water.variables]]
name = \"fresh-water\"
measure = \"water quality\"
layer = \"ground\"
curve.points = [[50.0, 1.0], [200.0, 0.8], [1300.0, 0.1]]
",
    );
    fs::write(&path, text).unwrap();
    let run = basin.run("run", &["--quiet"]);
    let suitability = raster(&run, "suitability_baseline");
    let cell = (0..suitability.cells.len()).find(|at| suitability.cells[*at] > 0.5).unwrap();
    let (x, y) = centre(&suitability, cell);
    let said = json(&run, x, y);
    let salt = |case: usize| {
        let found = &said["cases"][case]["requisites"][0]["variables"][3];
        assert_eq!(found["name"], "fresh-water");
        found["measure"].as_f64().unwrap()
    };
    let ground = Raster::read(&basin.file("layers/ground.tif"), 1).under(&suitability)[cell];
    assert!((salt(0) - ground).abs() < 1e-4, "nothing is concentrated in the baseline");
    // much drier: denser, by no more than ten times
    assert!(salt(2) > 1.05 * ground && salt(2) <= 10.0 * ground + 1e-3, "{} {ground}", salt(2));
}

#[track_caller]
fn refused(outcome: Outcome, words: &[&str]) {
    assert_eq!(outcome.code, Some(1), "{outcome:#?}");
    assert!(!outcome.stderr.contains("panicked"), "{}", outcome.stderr);
    for word in words {
        assert!(outcome.stderr.contains(word), "{word:?} is not in: {}", outcome.stderr);
    }
}

#[test]
fn what_cannot_be_explained() {
    let basin = Basin::small();
    let run = basin.run("run", &["--quiet"]);
    refused(explained(basin.folder(), 0.0, 0.0, &[]), &["holds no run.json"]);
    refused(explained(&run, 99_999.0, 0.0, &[]), &["outside its grid", "-1380 to 1380", "--lonlat"]);
    refused(explained(&run, -1379.0, -1049.0, &[]), &["outside the study area"]);
    refused(explained(&run, 500.0, 95.0, &["--lonlat"]), &["outside its grid"]);
    // a layer, then the study, changed since the run
    let cover = fs::read(basin.file("layers/land_cover.tif")).unwrap();
    fs::copy(basin.file("layers/land_cover_2050.tif"), basin.file("layers/land_cover.tif")).unwrap();
    refused(
        explained(&run, 0.0, 0.0, &[]),
        &["layers/land_cover.tif (land_cover) was changed", "run the study again"],
    );
    fs::remove_file(basin.file("layers/land_cover.tif")).unwrap();
    refused(explained(&run, 0.0, 0.0, &[]), &["\"layers/land_cover.tif\" does not exist"]);
    fs::write(basin.file("layers/land_cover.tif"), cover).unwrap();
    explained(&run, 0.0, 0.0, &["--quiet"]).done();
    let text = fs::read_to_string(basin.study()).unwrap();
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 0.6 ");
    refused(explained(&run, 0.0, 0.0, &[]), &["study.toml was changed since the run"]);
    // moved: found by name
    fs::remove_file(basin.study()).unwrap();
    refused(explained(&run, 0.0, 0.0, &[]), &["cannot be read", "--study"]);
    let moved = basin.file("renamed.toml");
    fs::write(&moved, text).unwrap();
    explained(&run, 0.0, 0.0, &["--study", moved.to_str().unwrap()]).done();
    // products that were changed do not agree with what follows from the layers
    fs::copy(run.join("rasters/suitability_drier.tif"), run.join("rasters/suitability_pumping.tif")).unwrap();
    let limits = raster(&run, "limiting_factor_drier");
    let suitability = raster(&run, "suitability_drier").cells;
    let cell = (0..suitability.len()).find(|at| suitability[*at] > 0.5).unwrap();
    let (x, y) = centre(&limits, cell);
    let study = ["--study", moved.to_str().unwrap()];
    refused(explained(&run, x, y, &study), &["suitability_pumping.tif holds", "run the study again"]);
}
