//! What other programs read of a run, as validators of others see it (tests/reference/metadata.py names them): Frictionless data
//! package, STAC item, RO-Crate, citation file, styles, data dictionary.

use lentic_engine::metadata::{Audience, complete};
use lentic_report::read_record;
use lentic_tests::outside::{python, python_json};
use lentic_tests::{Outcome, Ready};
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::LazyLock;
use tempfile::TempDir;

static DEMO: LazyLock<Ready> = LazyLock::new(|| Ready::make("metadata", true));
static SAID: LazyLock<Value> = LazyLock::new(|| python_json("metadata.py", &DEMO.run));

/// A copy of the run, to be spoilt.
fn copy() -> (TempDir, PathBuf) {
    let folder = TempDir::new().unwrap();
    let run = folder.path().join("run");
    assert!(Command::new("cp").arg("-a").arg(&DEMO.run).arg(&run).status().unwrap().success());
    (folder, run)
}

fn json_of(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

#[track_caller]
fn no_errors(part: &str) -> &'static Value {
    let said = &SAID[part];
    assert_eq!(said["errors"], json!([]), "{part}");
    said
}

/// frictionless reads every table by its schema: types, missing values, headers.
#[test]
fn tables_follow_their_schemas() {
    let said = no_errors("tables");
    assert_eq!(said["valid"], true);
    let rows = said["rows"].as_object().unwrap();
    assert!(rows.len() > 40, "{} tables", rows.len());
    let csv = fs::read_dir(DEMO.run.join("tables")).unwrap();
    let csv = csv.filter(|e| e.as_ref().unwrap().path().extension().is_some_and(|x| x == "csv")).count();
    assert_eq!(rows.len(), csv, "every table is in the package");
    assert!(rows["habitat_area"].as_u64().unwrap() >= 7 && rows["patches"].as_u64().unwrap() > 10);
    assert!(said["with_units"]["habitat_area"].as_u64().unwrap() > 8);
}

/// pystac takes the item, and it says of every raster what rasterio reads of the file.
#[test]
fn the_catalogue_item_says_what_the_rasters_hold() {
    let said = no_errors("stac");
    assert!(said["schema"].as_str().unwrap().contains("v1.1.0"), "{said}");
    assert!(said["assets"].as_u64().unwrap() > 40);
    // the outline bends outwards from its corners, by less than a cell
    assert!(said["bbox_apart"].as_f64().unwrap() < 1e-5, "{said}");
    let item = json_of(&DEMO.run.join("rasters/stac-item.json"));
    let record = json_of(&DEMO.run.join("run.json"));
    let of = |end: usize| record["period"]["baseline"][end].as_str().unwrap();
    let properties = &item["properties"];
    assert_eq!(properties["start_datetime"], format!("{}-01T00:00:00Z", of(0)));
    assert_eq!(
        properties["end_datetime"],
        format!("{}-31T23:59:59Z", of(1)),
        "the demo ends with a December"
    );
    assert_eq!(properties["license"], "CC0-1.0");
}

/// roc-validator finds nothing against RO-Crate 1.1 and Process Run Crate 0.5, and rocrate reads who made what of what.
#[test]
fn the_crate_names_every_file_and_how_it_was_made() {
    let said = &SAID["crate"];
    assert_eq!(said["issues"], json!([]));
    assert_eq!(said["passed"], json!({ "ro-crate-1.1": true, "process-run-crate-0.5": true }));
    assert_eq!((&said["not_listed"], &said["not_there"]), (&json!([]), &json!([])));
    assert_eq!(said["instrument"], "lentic");
    assert!(said["objects"].as_u64().unwrap() > 10 && said["results"].as_u64().unwrap() > 200, "{said}");
    assert_eq!(said["licence"], "https://spdx.org/licenses/CC0-1.0");
}

/// By the schema of the format; and the program's own file too.
#[test]
fn citation_files_are_valid() {
    let said = no_errors("citation");
    let record = json_of(&DEMO.run.join("run.json"));
    assert_eq!(said["content"]["version"], record["run_id"]);
    assert_eq!(said["content"]["type"], "dataset");
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().join("CITATION.cff");
    let text = Outcome::of(python().args(["metadata.py", "--citation"]).arg(top)).done();
    let said: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(said["errors"], json!([]));
    assert_eq!(said["content"]["version"], env!("CARGO_PKG_VERSION"));
}

#[test]
fn every_raster_has_a_style_in_its_own_colours() {
    let said = no_errors("styles");
    let kind = |name: &str| said["kinds"][name].as_str();
    assert_eq!(kind("change_drier"), Some("paletted"));
    assert_eq!(kind("suitability_baseline"), Some("singlebandpseudocolor"));
}

#[test]
fn the_dictionary_names_every_column_band_class_and_field() {
    assert!(no_errors("dictionary")["lines"].as_u64().unwrap() > 500);
}

/// The validators do see mistakes.
#[test]
fn validators_see_what_is_wrong() {
    let (_folder, run) = copy();
    let change = |name: &str, old: &str, new: &str| {
        let path = run.join(name);
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(old), "{old:?} must stand in {name}");
        fs::write(path, text.replacen(old, new, 1)).unwrap();
    };
    change("tables/habitat_area.csv", "baseline,", "baseline,much");
    change("ro-crate-metadata.json", "\"license\":", "\"licence\":");
    change("rasters/stac-item.json", "\"type\": \"Feature\"", "\"type\": \"Features\"");
    change("CITATION.cff", "type: dataset", "type: data");
    change("rasters/change_drier.qml", "value=\"1\" color=\"#", "value=\"1\" color=\"#f");
    change("tables/data_dictionary.csv", "habitat_ha", "habitat");
    let outcome = Outcome::of(python().arg("metadata.py").arg(&run));
    // the item is no item, at which pystac stops
    assert_ne!(outcome.code, Some(0));
    assert!(
        outcome.stderr.contains("STACValidationError") || outcome.stderr.contains("STAC"),
        "{}",
        outcome.stderr
    );
    change("rasters/stac-item.json", "\"type\": \"Features\"", "\"type\": \"Feature\"");
    change("rasters/stac-item.json", "\"unit\": \"months per year\"", "\"unit\": \"months\"");
    let said = python_json("metadata.py", &run);
    for part in ["tables", "stac", "citation", "styles", "dictionary"] {
        assert_ne!(said[part]["errors"], json!([]), "{part} was spoilt");
    }
    assert_eq!(said["crate"]["passed"]["ro-crate-1.1"], false, "{}", said["crate"]);
}

/// For others than the owner: no file of the inputs, none of their checksums, no bounds.
#[test]
fn a_public_description_gives_no_inputs_and_no_bounds() {
    let (_folder, run) = copy();
    let record = read_record(&run.join("run.json")).unwrap();
    let shown = complete(&run, &record, Vec::new(), Audience::Public, |_, _| Ok(())).unwrap();
    assert!(shown.products.iter().any(|product| product.file == "ro-crate-metadata.json"));
    let mut text = String::new();
    for name in ["ro-crate-metadata.json", "datapackage.json", "rasters/stac-item.json", "CITATION.cff"] {
        text += &fs::read_to_string(run.join(name)).unwrap();
    }
    assert!(record.inputs.len() > 300);
    for input in &record.inputs {
        assert!(!text.contains(&input.blake3), "{}", input.file);
        assert!(!text.contains(&format!("\"{}", input.file)), "{}", input.file);
    }
    assert!(!text.contains(&record.study.blake3));
    // numbers stand on lines of their own
    let lines: Vec<&str> = text.lines().map(|line| line.trim().trim_end_matches(',')).collect();
    for number in record.grid.bounds {
        assert!(!lines.contains(&format!("{number:?}").as_str()), "{number}");
    }
    for word in ["proj:", "bbox", "GeoShape", "\"box\""] {
        assert!(!text.contains(word), "{word}");
    }
    // what the owner's says
    let item = fs::read_to_string(DEMO.run.join("rasters/stac-item.json")).unwrap();
    let left = format!("{:?}", record.grid.bounds[0]);
    assert!(item.lines().any(|line| line.trim().trim_end_matches(',') == left), "{left}");
    let owners = fs::read_to_string(DEMO.run.join("ro-crate-metadata.json")).unwrap();
    assert!(owners.contains(&record.study.blake3) && owners.contains("GeoShape"));
}
