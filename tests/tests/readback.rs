//! The products of a run as other programs read them: GDAL's gdalinfo and ogrinfo, rasterio and rio-cogeo, pandas.

use lentic_tests::Ready;
use lentic_tests::outside::{gdalinfo, ogr_query, python_json};
use lentic_tests::table::Table;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

static DEMO: LazyLock<Ready> = LazyLock::new(|| Ready::make("readback", true));
/// What rasterio, rio-cogeo and pandas say (tests/reference/readback.py).
static PYTHON: LazyLock<Value> = LazyLock::new(|| python_json("readback.py", &DEMO.run));

const SCENARIOS: [&str; 6] =
    ["drier", "much-drier", "pumping", "pumping-and-drier", "cropland-2050", "driest-years"];

fn rasters() -> Vec<PathBuf> {
    let folder = fs::read_dir(DEMO.run.join("rasters")).unwrap();
    let paths = folder.map(|entry| entry.unwrap().path());
    // catalogue item and styles lie beside them
    let mut found: Vec<PathBuf> = paths.filter(|path| path.extension().is_some_and(|e| e == "tif")).collect();
    found.sort();
    found
}

fn stem(path: &Path) -> &str {
    path.file_stem().and_then(|s| s.to_str()).unwrap()
}

fn number(value: &Value) -> f64 {
    // gdalinfo writes statistics as text
    value.as_f64().or_else(|| value.as_str()?.parse().ok()).unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn every_promised_raster_is_there() {
    let paths = rasters();
    let found: BTreeSet<&str> = paths.iter().map(|path| stem(path)).collect();
    let mut promised: Vec<String> = [
        "hydroperiod_observed",
        "inundation_frequency",
        "recurrence",
        "water_trend",
        "permanence",
        "not_assessed",
        "response_to_drought",
        "response_quality",
        "wet_spell_observed",
        "limiting_factor_baseline",
    ]
    .map(String::from)
    .into();
    for scenario in SCENARIOS {
        promised.extend(
            ["hydroperiod", "suitability", "change", "limiting_factor", "novelty"]
                .map(|product| format!("{product}_{scenario}")),
        );
    }
    promised.extend(["hydroperiod", "suitability", "novelty"].map(|product| format!("{product}_baseline")));
    let missing: Vec<_> = promised.iter().filter(|name| !found.contains(name.as_str())).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

/// By gdalinfo: layout, place, blocks, and for each band a name, no data, unit and statistics, which numpy's sums over the
/// cells rasterio reads must confirm.
#[test]
fn gdalinfo_reads_what_the_cells_hold() {
    for path in rasters() {
        let (name, info) = (stem(&path), gdalinfo(&path));
        assert_eq!(info["metadata"]["IMAGE_STRUCTURE"]["LAYOUT"], "COG", "{name}");
        assert_eq!(info["metadata"]["IMAGE_STRUCTURE"]["COMPRESSION"], "DEFLATE", "{name}");
        let wkt = info["coordinateSystem"]["wkt"].as_str().unwrap();
        assert!(
            wkt.contains("Lambert Azimuthal Equal Area") && wkt.contains("origin\",-31"),
            "{name}: {wkt}"
        );
        assert_eq!(
            info["geoTransform"],
            serde_json::json!([-1380.0, 30.0, 0.0, 1020.0, 0.0, -30.0]),
            "{name}"
        );
        assert_eq!(info["metadata"][""]["study"], "Talverra Sink", "{name}");
        let title = info["metadata"][""]["TIFFTAG_IMAGEDESCRIPTION"].as_str().unwrap_or("");
        assert!(!title.is_empty(), "{name} has no description");
        let python = PYTHON["rasters"][name]["bands"].as_array().unwrap();
        let bands = info["bands"].as_array().unwrap();
        assert_eq!(bands.len(), python.len(), "{name}");
        for (band, expected) in bands.iter().zip(python) {
            same_band(name, band, expected);
        }
    }
}

fn same_band(name: &str, band: &Value, expected: &Value) {
    assert_eq!(band["block"], serde_json::json!([512, 512]), "{name}");
    assert!(band["description"].as_str().is_some_and(|d| !d.is_empty()), "{name} has a band without name");
    let byte = band["type"] == "Byte";
    assert_eq!(expected["type"], if byte { "uint8" } else { "float32" }, "{name}");
    if byte {
        assert_eq!(band["noDataValue"].as_f64(), Some(255.0), "{name}");
        assert_eq!(expected["no_data"].as_f64(), Some(255.0), "{name}");
    } else {
        assert_eq!(band["noDataValue"], "NaN", "{name}");
    }
    let unit = band["unit"].as_str();
    assert_eq!(unit, expected["unit"].as_str(), "{name}");
    let by_band =
        ["water_trend", "water_change", "longest_dry_run", "wet_spell_observed", "response_to_drought"]
            .contains(&name)
            || name.starts_with("novelty_");
    let quantity = if by_band { band["description"].as_str() } else { name.split('_').next() };
    let wanted = match quantity.unwrap() {
        "hydroperiod" => Some("months per year"),
        "suitability" => Some("0 to 1"),
        "inundation" | "recurrence" => Some("share"),
        "Theil-Sen slope" => Some("months per decade"),
        "change of hydroperiod" | "hydroperiod per unit of the index" => Some("months per year"),
        "slope on the index" | "standard deviation of the slope on the index" => {
            Some("logits per standard deviation")
        }
        "response" => Some("share"),
        "longest dry run" | "longest wet spell, mean of the years" => Some("months"),
        "share of the years that dried" => Some("share"),
        "distance beyond the range at the records" => Some("share of that range"),
        // classes, a month of the year and a probability have none
        _ => None,
    };
    assert_eq!(unit, wanted, "{name}");
    let statistics = &band["metadata"][""];
    for (item, key) in [
        ("MINIMUM", "minimum"),
        ("MAXIMUM", "maximum"),
        ("MEAN", "mean"),
        ("STDDEV", "deviation"),
        ("VALID_PERCENT", "valid_percent"),
    ] {
        let found = number(&statistics[format!("STATISTICS_{item}")]);
        let own = number(&expected[key]);
        assert!(
            (found - own).abs() <= 1e-9 * own.abs().max(1.0),
            "{name} {item}: file {found}, recomputed {own}"
        );
    }
}

/// Codes of change (docs/methods.md): 0 outside, 1 kept, 2 degraded, 3 lost, 4 gained, 255 not assessed.
#[test]
fn change_has_colours_and_class_names() {
    let mut seen = BTreeSet::new();
    for scenario in SCENARIOS {
        let name = format!("change_{scenario}");
        let info = gdalinfo(&DEMO.run.join("rasters").join(&name).with_extension("tif"));
        let band = &info["bands"][0];
        assert_eq!(band["colorInterpretation"], "Palette", "{name}");
        let colours = band["colorTable"]["entries"].as_array().unwrap();
        let five: BTreeSet<String> = colours[..5].iter().map(ToString::to_string).collect();
        assert_eq!(five.len(), 5, "{name}: two classes share a colour");
        for (code, class) in ["Outside habitat", "Kept", "Degraded", "Lost", "Gained"].iter().enumerate() {
            assert_eq!(band["metadata"][""][format!("class_{code}")], *class, "{name}");
        }
        let values = PYTHON["rasters"][&name]["bands"][0]["values"].as_array().unwrap();
        seen.extend(values.iter().map(|v| v.as_f64().unwrap() as i64));
    }
    assert!(seen.is_subset(&(0..=4).collect()) && seen.len() >= 4, "{seen:?}");
}

#[test]
fn rasters_are_cloud_optimised() {
    for path in rasters() {
        let facts = &PYTHON["rasters"][stem(&path)];
        assert_eq!(facts["cog"], true, "{}: {}", stem(&path), facts["complaints"]);
        assert_eq!(facts["complaints"], serde_json::json!([]), "{}", stem(&path));
        assert_eq!(facts["equal_area"], true, "{}", stem(&path));
        assert_eq!(facts["size"], serde_json::json!([92, 69]), "{}", stem(&path));
    }
}

/// Hectares of each class counted in the change raster are those of the table.
#[test]
fn areas_in_the_raster_are_those_of_the_table() {
    let table = Table::of_run(&DEMO.run, "habitat_area");
    for scenario in SCENARIOS {
        let path = DEMO.run.join("rasters").join(format!("change_{scenario}.tif"));
        let cells = lentic_tests::raster::Raster::read(&path, 1).cells;
        let hectares = |code: f64| cells.iter().filter(|c| **c == code).count() as f64 * 0.09;
        for (code, column) in [(2.0, "degraded_ha"), (3.0, "lost_ha"), (4.0, "gained_ha")] {
            let told = table.number("scenario", scenario, column);
            assert!(
                (hectares(code) - told).abs() < 1e-6,
                "{scenario} {column}: {} and {told}",
                hectares(code)
            );
        }
        let kept = table.number("scenario", scenario, "kept_ha");
        assert!((hectares(1.0) + hectares(2.0) - kept).abs() < 1e-6, "{scenario}");
    }
}

/// By ogrinfo (SQLite and SpatiaLite): a layer for each scenario with the rows of patches.csv, their areas as attributes
/// and as outlines.
#[test]
fn patches_are_the_same_in_table_and_vector() {
    let table = Table::of_run(&DEMO.run, "patches");
    let path = DEMO.run.join("vectors/patches.gpkg");
    for scenario in ["baseline"].into_iter().chain(SCENARIOS) {
        let rows: Vec<_> = table.0.iter().filter(|row| row["scenario"] == scenario).collect();
        assert!(!rows.is_empty(), "{scenario}");
        let told: f64 = rows.iter().map(|row| row["area_ha"].parse::<f64>().unwrap()).sum();
        let sql = format!(
            "SELECT COUNT(*) n, SUM(area_ha) area, SUM(ST_Area(geom)) outline, MIN(ST_IsValid(geom)) valid FROM \"{scenario}\""
        );
        let found: BTreeMap<String, f64> = ogr_query(&path, &sql).into_iter().collect();
        assert_eq!(found["n"], rows.len() as f64, "{scenario}");
        assert!((found["area"] - told).abs() < 1e-6, "{scenario}: {found:?}, table {told}");
        assert!((found["outline"] / 1e4 - told).abs() < 1e-6, "{scenario}: {found:?}, table {told}");
        assert_eq!(found["valid"], 1.0, "{scenario}: an outline crosses itself");
    }
}

/// By pandas: CSV and Parquet agree to the last bit, and the Table Schema names the same columns.
#[test]
fn tables_say_the_same_in_every_form() {
    let tables = PYTHON["tables"].as_object().unwrap();
    for name in [
        "habitat_area",
        "patches",
        "drought_index",
        "drought_events",
        "inundation_fit",
        "habitat_loss_by_zone",
    ] {
        assert!(tables.contains_key(name), "{name} is missing");
    }
    for (name, facts) in tables {
        assert_eq!(facts["differ"], "", "{name}");
        let path = DEMO.run.join("tables").join(format!("{name}.schema.json"));
        let schema: Value = serde_json::from_slice(&fs::read(&path).unwrap()).unwrap();
        let fields = schema["fields"].as_array().unwrap();
        let columns: Vec<&Value> = fields.iter().map(|field| &field["name"]).collect();
        assert_eq!(columns, facts["columns"].as_array().unwrap().iter().collect::<Vec<_>>(), "{name}");
        for field in fields {
            // types of the Table Schema standard (Frictionless Data)
            assert!(
                ["string", "integer", "number", "boolean"].contains(&field["type"].as_str().unwrap()),
                "{name}: {field}"
            );
            assert!(field["description"].as_str().is_some_and(|d| !d.is_empty()), "{name}: {field}");
        }
    }
}

fn checked(record: &Value, folder: &Path) -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    for entry in record.as_array().unwrap() {
        let name = entry["file"].as_str().unwrap();
        let bytes = fs::read(folder.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(entry["bytes"], bytes.len(), "{name}");
        assert_eq!(entry["blake3"], blake3::hash(&bytes).to_hex().as_str(), "{name}");
        names.insert(name.to_string());
    }
    names
}

/// `run.json` accounts for every file read and every file written.
#[test]
fn checksums_are_those_of_the_files() {
    let record: Value = serde_json::from_slice(&fs::read(DEMO.run.join("run.json")).unwrap()).unwrap();
    let inputs = checked(&record["inputs"], &DEMO.basin);
    assert!(inputs.len() > 360, "{} inputs", inputs.len());
    for name in ["climate.csv", "area.gpkg", "records.csv", "layers/ground.tif", "legends/zones.csv"] {
        assert!(inputs.contains(name), "{name} is not accounted for");
    }
    let products = checked(&record["products"], &DEMO.run);
    let mut found = BTreeSet::new();
    for entry in fs::read_dir(&DEMO.run).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_string();
        if path.is_dir() {
            let inside = fs::read_dir(&path).unwrap();
            found.extend(inside.map(|e| format!("{name}/{}", e.unwrap().file_name().to_str().unwrap())));
        } else {
            found.insert(name);
        }
    }
    assert!(found.remove("run.json"));
    assert_eq!(products, found);
    let text = fs::read(DEMO.study()).unwrap();
    assert_eq!(record["study"]["blake3"], blake3::hash(&text).to_hex().as_str());
    assert_eq!(record["study"]["text"].as_str().unwrap().as_bytes(), text);
}

/// Nothing in the report makes a browser ask for anything: addresses stand only in links to follow and in names of XML.
#[test]
fn the_report_asks_for_nothing() {
    // the map library names its home in a comment and in a line of credit that the page turns off; that it asks for nothing either is
    // seen in a browser (tests/page.rs)
    const LIBRARY: &str = include_str!("../../pipeline/report/vendor/leaflet/leaflet.js");
    let whole = fs::read_to_string(DEMO.run.join("report.html")).unwrap();
    assert_eq!(whole.matches(LIBRARY.trim()).count(), 1, "the library as it came");
    let html = whole.replace(LIBRARY.trim(), "");
    assert!(html.starts_with("<!DOCTYPE html>") && html.trim_end().ends_with("</html>"));
    for (at, _) in html.match_indices("http") {
        let (before, after) = html.split_at(at);
        if !after.starts_with("http://") && !after.starts_with("https://") {
            continue;
        }
        let link = before.rfind('<').is_some_and(|open| before[open..].starts_with("<a "))
            && before.ends_with("href=\"");
        let xml = after.starts_with("http://www.w3.org/");
        let start = before.char_indices().rev().nth(60).map_or(0, |(i, _)| i);
        assert!(link || xml, "an address in {}{}", &before[start..], &after[..after.len().min(60)]);
    }
    for word in [
        "@import",
        "fetch(",
        "XMLHttpRequest",
        "WebSocket",
        "import(",
        "EventSource",
        "sendBeacon",
        "<iframe",
        "<base",
    ] {
        assert!(!html.contains(word), "{word}");
    }
    // whatever is loaded is in the page itself
    for attribute in [" src=\"", "<link rel=\"icon\" href=\"", "url(", "srcset=\""] {
        for (at, found) in html.match_indices(attribute) {
            let value = html[at + found.len()..].trim_start_matches(['"', '\'']);
            assert!(value.starts_with("data:") || value.starts_with('#'), "{attribute}{}", &value[..40]);
        }
    }
    assert!(!html.contains("<link rel=\"stylesheet\""));
    for scenario in SCENARIOS {
        assert!(html.contains(scenario), "{scenario} is not in the report");
    }
}

/// No path of this machine gets into what is passed on.
#[test]
fn no_product_tells_where_it_was_made() {
    let folder = DEMO.basin.parent().unwrap().to_str().unwrap().to_string();
    for name in
        ["run.json", "report.html", "vectors/patches.gpkg", "tables/patches.csv", "rasters/change_drier.tif"]
    {
        let bytes = fs::read(DEMO.run.join(name)).unwrap();
        let found = bytes.windows(folder.len()).any(|window| window == folder.as_bytes());
        assert!(!found, "{name} names {folder}");
    }
}
