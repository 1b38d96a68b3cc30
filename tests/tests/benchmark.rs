//! The benchmark on a tiny basin, so that none of its parts rots: what the script finds equals what the run found, the comparison
//! can tell when it does not, the floor reads and writes what the run does, and the page has every number.

use std::path::Path;
use std::process::Command;

use lentic_tests::{Outcome, lentic, outside};
use serde_json::Value;

/// Two of the small basins.
const MILLION_CELLS: &str = "0.014";

#[test]
fn script_and_floor_do_the_work_of_the_run() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let study = at("basin").join("study.toml");
    Outcome::of(lentic().arg("demo").arg(at("basin")).args(["--million-cells", MILLION_CELLS])).done();
    Outcome::of(lentic().arg("run").arg(&study).arg("--out").arg(at("run"))).done();

    Outcome::of(outside::python().arg("peer.py").arg(&study).arg("--out").arg(at("peer"))).done();
    let compare =
        || Outcome::of(outside::python().arg("bench_compare.py").arg(&study).arg(at("peer")).arg(at("run")));
    let said = compare();
    assert_eq!(said.code, Some(0), "the script and the run differ:\n{}{}", said.stdout, said.stderr);
    let names =
        ["hydroperiod_much-drier.tif", "suitability_pumping.tif", "change_drier.tif", "water_trend.tif"];
    outside::looked_at(&said.stdout, &names);
    outside::looked_at(&said.stdout, &["habitat_area.csv", "habitat_loss_by_zone.csv", "patches.csv"]);

    // a hundredth of a hectare more of habitat is told
    let table = at("peer").join("habitat_area.csv");
    let text = std::fs::read_to_string(&table).unwrap();
    let mut rows = csv::Reader::from_reader(text.as_bytes());
    let hectares: f64 = rows.records().next().unwrap().unwrap()[1].parse().unwrap();
    assert!(hectares > 1.0, "{text}");
    let wrong =
        text.replacen(&format!("baseline,{hectares:?}"), &format!("baseline,{:?}", hectares + 0.01), 1);
    assert_ne!(wrong, text);
    std::fs::write(&table, wrong).unwrap();
    let said = compare();
    assert_eq!(said.code, Some(1), "{}", said.stdout);
    assert!(said.stdout.contains("DIFFER habitat_area.csv"), "{}", said.stdout);

    let floor = Outcome::of(
        Command::new(env!("CARGO_BIN_EXE_floor"))
            .args([study.as_path(), &at("run"), &at("floor"), Path::new("2")])
            .env_remove("RUST_BACKTRACE"),
    );
    let said: Value = serde_json::from_str(&floor.done()).unwrap();
    // 360 months and seven layers
    assert_eq!(said["bands_read"], 367);
    let written = std::fs::read_dir(at("floor")).unwrap();
    let tifs = written.filter(|f| f.as_ref().unwrap().path().extension().is_some_and(|e| e == "tif")).count();
    assert_eq!(said["rasters_written"], tifs);
    assert!(tifs > 30, "{tifs}");
    assert_eq!(said["cells_read"], 367 * cells(&at("run")));
}

fn cells(run: &Path) -> u64 {
    let record: Value = serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap();
    record["stages"][0]["cells"].as_u64().unwrap()
}

#[test]
fn the_page_has_every_number() {
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("benchmarks.md");
    let mut bench = outside::python();
    bench
        .arg("bench.py")
        .arg("--lentic")
        .arg(lentic().get_program())
        .arg("--floor")
        .arg(env!("CARGO_BIN_EXE_floor"));
    bench
        .args(["--sizes", MILLION_CELLS, "--repeats", "1", "--out"])
        .arg(&page)
        .arg("--work")
        .arg(folder.path());
    let said = Outcome::of(&mut bench).done();
    assert!(said.contains("written: "), "{said}");
    let text = std::fs::read_to_string(&page).unwrap();
    for wanted in [
        "| lentic 1 |",
        "| floor 1 |",
        "| peer 1 |",
        "comparisons, all within the tolerances",
        "| reading water |",
    ] {
        assert!(text.contains(wanted), "no '{wanted}' in\n{text}");
    }
    // nothing is left of the basin
    let left: Vec<_> =
        std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left, ["benchmarks.md"]);
}
