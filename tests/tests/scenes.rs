//! `lentic water`: masks of scenes against numpy and scikit-image (tests/reference/scenes.py), what is done again and
//! what is not, and what is refused.

use lentic_raster::{Bounds, Crs, Grid, write_bytes, write_floats};
use lentic_tests::outside::python;
use lentic_tests::{Outcome, lentic};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::SystemTime;
use tempfile::TempDir;

const GRID: &str =
    "[grid]\ncrs = \"EPSG:31985\"\ncell_m = 28.5\nbounds = [288776.25, 9110728.75, 298722.75, 9120760.75]\n";
const FIXED: &str = "[index]\nkind = \"mndwi\"\nthreshold = 0.05\n";
const MONTH: &str =
    "[scenes]\nfiles = \"month/S_{year}{month}{day}.tif\"\n[bands]\ngreen = 2\nnir = 4\nswir = 5\n";

/// Scenes made by the reference script, in a folder of their own.
struct Place(TempDir);

impl Place {
    fn new() -> Place {
        let folder = TempDir::new().unwrap();
        Outcome::of(python().args(["scenes.py", "make"]).arg(folder.path())).done();
        Place(folder)
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// `lentic water` on a scenes file of this text.
    fn water(&self, text: &str, out: &str, more: &[&str]) -> Outcome {
        fs::write(self.path("scenes.toml"), text).unwrap();
        Outcome::of(
            lentic().arg("water").arg(self.path("scenes.toml")).arg("--out").arg(self.path(out)).args(more),
        )
    }

    /// As [`Place::water`], which must succeed; gives the outcome as JSON.
    #[track_caller]
    fn done(&self, text: &str, out: &str) -> Value {
        serde_json::from_str(&self.water(text, out, &["--json"]).done()).unwrap()
    }

    /// As [`Place::water`], which must be refused before anything is written; gives what is said.
    #[track_caller]
    fn refused(&self, text: &str) -> String {
        let outcome = self.water(text, "refused", &[]);
        assert_eq!(outcome.code, Some(1), "{outcome:#?}");
        assert!(!self.path("refused").exists(), "something was written");
        outcome.stderr
    }

    /// Holds the masks of a case against numpy's, cell by cell, and the thresholds against the table.
    #[track_caller]
    fn agrees(&self, case: &str, out: &str) -> Value {
        let text = Outcome::of(python().args(["scenes.py", "expect", case]).arg(self.path(out))).done();
        let facts: Value = serde_json::from_str(&text).unwrap();
        for (file, month) in facts["months"].as_object().unwrap() {
            assert_eq!(month["different"], 0, "{case}, {file}: {month}");
            assert_eq!(month["no_data"], 255.0);
            assert!(month["dry"].as_u64().unwrap() > 1000, "the case shows nothing: {month}");
        }
        let used: Vec<f64> =
            rows(&self.path(out)).iter().map(|row| row["threshold"].parse().unwrap()).collect();
        let expected = facts["thresholds"].as_array().unwrap();
        assert_eq!(used.len(), expected.len());
        // cells of the scene are a little under 28.5 m, so our means over 57 m are not quite those of 2 x 2 cells
        let allowed = if case == "coarse" { 1e-7 } else { 1e-12 };
        for (used, expected) in used.iter().zip(expected) {
            assert!((used - expected.as_f64().unwrap()).abs() < allowed, "{used} {expected}");
        }
        facts
    }
}

/// Rows of the table of scenes.
fn rows(out: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(out.join("scenes.csv")).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

/// Every file of a folder with its bytes and time.
fn state(folder: &Path) -> BTreeMap<PathBuf, (Vec<u8>, SystemTime)> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.file_name().unwrap() != ".lock" {
                let time = fs::metadata(&path).unwrap().modified().unwrap();
                found.insert(path.clone(), (fs::read(&path).unwrap(), time));
            }
        }
    }
    found
}

fn single(index: &str) -> String {
    format!(
        "{GRID}[scenes]\nfiles = \"single/L7_{{year}}{{month}}{{day}}_{{band}}.tif\"\n[bands]\ngreen = \"B2\"\nnir = \"B4\"\nswir = \"B5\"\nqa = \"QA\"\n{index}"
    )
}

const QUALITY: &str = "[quality]\nband = \"qa\"\nrules = [{ bits = [3] }, { bits = \"5-6\", equals = 3 }]\n";

#[test]
fn one_file_per_band_with_quality_bits_and_otsu() {
    let place = Place::new();
    let index = format!("[index]\nkind = \"mndwi\"\nthreshold = \"otsu\"\n{QUALITY}");
    place.done(&single(&index), "out");
    let facts = place.agrees("single", "out");
    let month = &facts["months"]["water_2000-01.tif"];
    // the two rectangles of the script: 60 x 170 and 70 x 200 cells
    assert!(
        month["not_seen"].as_u64().unwrap() >= 60 * 170 + 70 * 200 && month["wet"].as_u64().unwrap() > 1000
    );
    let row = &rows(&place.path("out"))[0];
    let number = |name: &str| row[name].parse::<f64>().unwrap();
    let cells = 349.0 * 352.0;
    let (seen, wet) =
        (month["dry"].as_f64().unwrap() + month["wet"].as_f64().unwrap(), month["wet"].as_f64().unwrap());
    assert!((number("share_clear") - seen / cells).abs() < 1e-12);
    assert!((number("share_wet") - wet / seen).abs() < 1e-12);
    assert_eq!(
        (row["how"].as_str(), row["flags"].as_str(), row["date"].as_str()),
        ("otsu", "", "2000-01-15")
    );
    assert!(row["files"].contains("single/L7_20000115_B2.tif"), "{row:?}");
}

#[test]
fn a_ratio_of_bands_as_the_user_writes_it() {
    let place = Place::new();
    place.done(&single("[index]\nratio = [\"green\", \"nir\"]\nthreshold = 1.25\n"), "out");
    place.agrees("ratio", "out");
}

#[test]
fn several_scenes_of_a_month_on_grids_of_their_own() {
    let place = Place::new();
    let made = place.done(&format!("{GRID}{MONTH}{FIXED}"), "out");
    assert_eq!((made["scenes"].as_u64(), made["months"].as_u64()), (Some(2), Some(1)));
    place.agrees("month", "out");
}

#[test]
fn scenes_finer_than_the_grid() {
    let place = Place::new();
    let grid = "[grid]\ncrs = \"EPSG:31985\"\ncell_m = 57.0\nbounds = [288776.25, 9110728.75, 298694.25, 9120760.75]\n";
    fs::remove_file(place.path("month/S_20000120.tif")).unwrap();
    place.done(&format!("{grid}{MONTH}[index]\nkind = \"ndwi\"\nthreshold = \"otsu\"\n"), "out");
    place.agrees("coarse", "out");
}

#[test]
fn a_scene_without_two_humps_takes_the_fixed_threshold_and_is_listed() {
    let place = Place::new();
    let text = format!(
        "{GRID}[scenes]\nfiles = \"flat/S_{{year}}{{month}}{{day}}.tif\"\n[bands]\ngreen = 1\nswir = 2\n[index]\nkind = \"mndwi\"\nthreshold = \"otsu\"\nfixed = -0.1\n"
    );
    let made = place.done(&text, "out");
    place.agrees("flat", "out");
    assert!(made["flagged"][0]["flag"].as_str().unwrap().contains("not two-humped"), "{made}");
    assert!(rows(&place.path("out"))[0]["flags"].contains("fixed threshold used"));
}

#[test]
fn stac_items_give_the_same_as_files() {
    let place = Place::new();
    let asset = |band: &str| serde_json::json!({ "href": format!("./single/L7_20000115_{band}.tif") });
    let item = serde_json::json!({
        "type": "Feature", "stac_version": "1.0.0", "id": "scene/one",
        "geometry": null, "links": [],
        "properties": { "datetime": "2000-01-15T12:30:00Z" },
        "assets": { "green": asset("B2"), "swir16": asset("B5"), "qa": asset("QA") },
    });
    let collection = serde_json::json!({ "type": "FeatureCollection", "features": [item] });
    fs::write(place.path("items.json"), collection.to_string()).unwrap();
    let text = |items: &str| {
        format!(
            "{GRID}[scenes]\nitems = \"{items}\"\n[bands]\ngreen = \"green\"\nswir = \"swir16\"\nqa = \"qa\"\n[index]\nkind = \"mndwi\"\nthreshold = \"otsu\"\n{QUALITY}"
        )
    };
    place.done(&text("items.json"), "out");
    place.agrees("single", "out");
    assert_eq!(rows(&place.path("out"))[0]["scene"], "2000-01-15_scene-one");

    let spoilt = |change: &dyn Fn(&mut Value)| {
        let mut collection = collection.clone();
        change(&mut collection["features"]);
        fs::write(place.path("items.json"), collection.to_string()).unwrap();
        place.refused(&text("items.json"))
    };
    let said = spoilt(&|items| items[0]["assets"]["green"]["href"] = "https://example.org/B2.tif".into());
    assert!(said.contains("\"scene/one\"") && said.contains("not a local file"), "{said}");
    let said = spoilt(&|items| items[0]["assets"]["green"]["href"] = "gone.tif".into());
    assert!(said.contains("there is no file") && said.contains("gone.tif"), "{said}");
    let said = spoilt(&|items| items[0]["properties"]["datetime"] = "15 January".into());
    assert!(said.contains("\"15 January\" is no date"), "{said}");
    let said = spoilt(&|items| {
        items[0]["assets"].as_object_mut().unwrap().remove("swir16");
    });
    assert!(said.contains("2000-01-15") && said.contains("\"swir\" (swir16)"), "{said}");
    let said = spoilt(&|items| {
        let again = items[0].clone();
        items.as_array_mut().unwrap().push(again);
    });
    assert!(said.contains("2000-01-15 twice") && said.contains("L7_20000115_B"), "{said}");
    fs::write(place.path("items.json"), "{\n\"type\": ").unwrap();
    let said = place.refused(&text("items.json"));
    assert!(said.contains("items.json:2") && said.contains("not JSON"), "{said}");
    assert!(place.refused(&text("none.json")).contains("does not exist"));
}

#[test]
fn what_is_done_is_not_done_again_and_what_changed_is() {
    let place = Place::new();
    let text = format!("{GRID}{MONTH}{FIXED}");
    place.done(&text, "out");
    let first = state(&place.path("out"));
    assert!(first.keys().any(|path| path.ends_with("contact_sheet.png")));
    let again = place.done(&text, "out");
    assert_eq!((again["scenes_done_now"].as_u64(), again["months_made_now"].as_u64()), (Some(0), Some(0)));
    assert!(first == state(&place.path("out")), "bytes or times changed");

    // tiles and threads are no reason, and another folder gets the same bytes
    Outcome::of(
        lentic().arg("water").arg(place.path("scenes.toml")).arg("--out").arg(place.path("other")).args([
            "--tile",
            "64",
            "--threads",
            "1",
        ]),
    )
    .done();
    let bytes = |folder: &str| -> Vec<Vec<u8>> {
        state(&place.path(folder)).into_values().map(|(bytes, _)| bytes).collect()
    };
    assert_eq!(bytes("out"), bytes("other"));

    // one scene changes: only it and its month are made again
    fs::copy(place.path("month/S_20000115.tif"), place.path("month/S_20000201.tif")).unwrap();
    let more = place.done(&text, "out");
    assert_eq!((more["scenes_done_now"].as_u64(), more["months_made_now"].as_u64()), (Some(1), Some(1)));
    fs::copy(place.path("month/S_20000120.tif"), place.path("month/S_20000201.tif")).unwrap();
    let changed = place.done(&text, "out");
    assert_eq!(
        (changed["scenes_done_now"].as_u64(), changed["months_made_now"].as_u64()),
        (Some(1), Some(1))
    );

    // a damaged mask is made again; other settings make all again; a scene that is gone takes its mask along
    fs::write(place.path("out/water_2000-01.tif"), "x").unwrap();
    assert_eq!(place.done(&text, "out")["months_made_now"], 1);
    place.agrees_month();
    let other = text.replace("0.05", "0.1");
    assert_eq!(place.done(&other, "out")["scenes_done_now"], 3);
    assert!(place.path("out/water_2000-02.tif").is_file());
    fs::remove_file(place.path("month/S_20000201.tif")).unwrap();
    place.done(&text, "out");
    assert!(!place.path("out/water_2000-02.tif").exists());
    assert!(bytes("out") == bytes("other"), "the folder must be as if the scene had never been");
}

impl Place {
    /// The January mask alone is still numpy's.
    #[track_caller]
    fn agrees_month(&self) {
        let out = self.path("out");
        let text = Outcome::of(python().args(["scenes.py", "expect", "month"]).arg(out)).done();
        let facts: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(facts["months"]["water_2000-01.tif"]["different"], 0);
    }
}

#[test]
fn scenes_that_show_nothing_are_listed() {
    let place = Place::new();
    fs::copy(place.path("far/S_20000115.tif"), place.path("cloud/S_20000501.tif")).unwrap();
    fs::copy(place.path("cloud/S_20000420.tif"), place.path("cloud/S_19990420.tif")).unwrap();
    let text = format!(
        "{GRID}[scenes]\nfiles = \"cloud/S_{{year}}{{month}}{{day}}.tif\"\n[bands]\ngreen = 1\nswir = 2\nqa = 3\n{FIXED}[quality]\nband = \"qa\"\nrules = [{{ bits = [3] }}]\n[period]\nfirst = \"2000-01\"\n"
    );
    place.done(&text, "out");
    let rows = rows(&place.path("out"));
    let flags: BTreeMap<&str, &str> =
        rows.iter().map(|row| (row["date"].as_str(), row["flags"].as_str())).collect();
    assert_eq!(flags["2000-04-20"], "nothing clear");
    assert_eq!(flags["1999-04-20"], "outside the period");
    assert_eq!(flags["2000-05-01"], "does not touch the grid");
    // the month is there, and nothing in it is seen
    let mask = lentic_tests::raster::Raster::read(&place.path("out/water_2000-04.tif"), 1);
    assert!(mask.cells.iter().all(|cell| cell.is_nan()) && mask.cells.len() == 349 * 352);
    assert!(!place.path("out/water_2000-05.tif").exists() && !place.path("out/water_1999-04.tif").exists());
}

#[test]
fn plants_that_hide_water_make_dry_not_seen() {
    let place = Place::new();
    let plain = format!("{GRID}{MONTH}{FIXED}");
    fs::remove_file(place.path("month/S_20000120.tif")).unwrap();
    place.done(&plain, "plain");
    // the fourth band as classes: cells of code 60 hide water
    place.done(&format!("{plain}[hidden]\nfile = \"single/L7_20000115_B4.tif\"\ncodes = [60]\n"), "hidden");
    let read = |name: &str| lentic_tests::raster::Raster::read(&place.path(name), 1).cells;
    let (plain, hidden) = (read("plain/water_2000-01.tif"), read("hidden/water_2000-01.tif"));
    let classes = read("single/L7_20000115_B4.tif");
    let mut changed = 0;
    for ((before, after), class) in plain.iter().zip(&hidden).zip(&classes) {
        if *class == 60.0 && *before == 0.0 {
            assert!(after.is_nan());
            changed += 1;
        } else {
            assert!(before == after);
        }
    }
    assert!(changed > 100, "{changed}");
}

#[test]
fn what_cannot_be_used_is_refused_before_anything_is_written() {
    let place = Place::new();
    let good = format!("{GRID}{MONTH}{FIXED}");
    let said = place.refused(&good.replace("month/S_", "month/T_"));
    assert!(
        said.contains("scenes.toml") && said.contains("no file matches") && said.contains("S_20000115.tif"),
        "{said}"
    );
    let said = place.refused(&good.replace("month/S_", "far/S_"));
    assert!(said.contains("no scene can be used") && said.contains("1 of them beyond the grid"), "{said}");
    let said = place.refused(&format!("{good}[period]\nlast = \"1999-12\"\n"));
    assert!(said.contains("2 outside the period"), "{said}");
    let said = place.refused(&good.replace("swir = 5", "swir = 7"));
    assert!(said.contains("band 7 is asked for") && said.contains("6 band(s)"), "{said}");
    let said = place.refused(&good.replace("kind", "knid"));
    assert!(
        said.contains("scenes.toml:12: \"knid\" is not a key of index (did you mean \"kind\"?)"),
        "{said}"
    );
    let bits = single(&format!("{FIXED}{}", QUALITY.replace("[3]", "[40]")));
    let said = place.refused(&bits);
    assert!(said.contains("there is no bit 40"), "{said}");
    let said = place.refused(&single(FIXED).replace("\"B5\"", "\"B6\""));
    assert!(said.contains("band \"swir\"") && said.contains("no file matches"), "{said}");
    // one of two scenes lacks a band
    for band in ["B2", "B4"] {
        let name = |date: &str| place.path(&format!("single/L7_{date}_{band}.tif"));
        fs::copy(name("20000115"), name("20000216")).unwrap();
    }
    let said = place.refused(&single(FIXED));
    assert!(said.contains("the scene of 2000-02-16 has no band \"swir\" (B5)"), "{said}");
    let said = place.refused("nothing");
    assert!(said.contains("this is not TOML"), "{said}");
    assert!(
        place
            .refused(&good.replace("bounds", "area = \"none.gpkg\"\nbounds"))
            .contains("both bounds and area")
    );
}

/// The same scene found twice: under two paths that read alike, through a link, and as a copy.
#[test]
fn a_scene_found_twice() {
    let place = Place::new();
    let good = format!("{GRID}{MONTH}{FIXED}");
    let scene = place.path("month/S_20000115.tif");
    // "x_y" + "z" and "x" + "y_z" tell nothing apart
    for (folder, file) in [("twice/x_y", "S_20000115_z.tif"), ("twice/x", "S_20000115_y_z.tif")] {
        fs::create_dir_all(place.path(folder)).unwrap();
        fs::copy(&scene, place.path(folder).join(file)).unwrap();
    }
    let text = good.replace("month/S_{year}{month}{day}.tif", "twice/*/S_{year}{month}{day}_*.tif");
    let said = place.refused(&text);
    assert!(
        said.contains("two files give band \"green\" of 2000-01-15") && said.contains("keep one of them"),
        "{said}"
    );
    let text = good.replace("{day}.tif", "{day}*.tif");
    std::os::unix::fs::symlink(&scene, place.path("month/S_20000115_link.tif")).unwrap();
    let said = place.refused(&text);
    assert!(
        said.contains("S_20000115.tif") && said.contains("stands for the date 2000-01-15 twice"),
        "{said}"
    );
    fs::remove_file(place.path("month/S_20000115_link.tif")).unwrap();
    place.done(&text, "once");
    fs::copy(&scene, place.path("month/S_20000115_copy.tif")).unwrap();
    let made = place.done(&text, "out");
    assert_eq!(made["scenes"].as_u64(), Some(3));
    assert_eq!(made["flagged"][0]["flag"], "the same bytes as 2000-01-15", "{made}");
    let listed = rows(&place.path("out"));
    assert!(listed.iter().any(|row| row["flags"] == "the same bytes as 2000-01-15"), "{listed:?}");
    let month = |out: &str| fs::read(place.path(out).join("water_2000-01.tif")).unwrap();
    assert!(month("once") == month("out"), "the copy counted");
}

/// A scene much larger than what a run may hold: 6,000 x 6,000 cells of two bands are 288 MB as 32-bit floats, and their index
/// alone is 144 MB. Peak of the process, measured: 219 to 225 MiB by windows (GDAL's cache of decoded blocks included), 352 MiB
/// where the index of the whole scene was held for a trial.
#[test]
fn memory_does_not_grow_with_the_scene() {
    const SIDE: usize = 6000;
    const MOST_MIB: u64 = 280;
    let folder = TempDir::new().unwrap();
    let side = SIDE as f64 * 30.0;
    let bounds = Bounds { left: 0.0, bottom: 0.0, right: side, top: side };
    let grid = Grid::from_bounds(Crs::parse("EPSG:31985").unwrap(), bounds, 30.0).unwrap();
    let cells = |water: u8, ground: u8| -> Vec<u8> {
        let wet = |at: usize| (at / SIDE / 300 + at % SIDE / 200).is_multiple_of(3);
        (0..grid.len()).map(|at| if wet(at) { water } else { ground } + (at % 7) as u8).collect()
    };
    let path = folder.path().join("S_20000115.tif");
    lentic_raster::write_byte_bands(&path, &grid, &[&cells(90, 60), &cells(20, 120)], None).unwrap();
    let text = format!(
        "[grid]\ncrs = \"EPSG:31985\"\ncell_m = 30.0\nbounds = [0.0, 0.0, {side:?}, {side:?}]\n[scenes]\nfiles = \"S_{{year}}{{month}}{{day}}.tif\"\n[bands]\ngreen = 1\nswir = 2\n[index]\nkind = \"mndwi\"\nthreshold = \"otsu\"\n"
    );
    fs::write(folder.path().join("scenes.toml"), text).unwrap();
    let mut child = lentic()
        .args(["water", "--quiet", "--threads", "2"])
        .arg(folder.path().join("scenes.toml"))
        .spawn()
        .unwrap();
    // the high-water mark only rises: what is read last holds for all but the very end
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kib = 0;
    let ended = loop {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let mark = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = mark.and_then(|mark| mark.trim().trim_end_matches(" kB").parse().ok());
        peak_kib = kib.unwrap_or(peak_kib).max(peak_kib);
        if let Some(ended) = child.try_wait().unwrap() {
            break ended;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    };
    assert!(ended.success());
    let row = &rows(&folder.path().join("water"))[0];
    assert_eq!(row["how"], "otsu", "{row:?}");
    println!("peak {} MiB", peak_kib / 1024);
    assert!(peak_kib > 20_000, "the peak was not seen: {peak_kib} KiB");
    assert!(peak_kib / 1024 < MOST_MIB, "peak {} MiB", peak_kib / 1024);
}

#[test]
fn a_folder_of_something_else_is_left_alone() {
    let place = Place::new();
    fs::create_dir(place.path("mine")).unwrap();
    fs::write(place.path("mine/thesis.txt"), "mine").unwrap();
    let outcome = place.water(&format!("{GRID}{MONTH}{FIXED}"), "mine", &[]);
    assert_eq!(outcome.code, Some(1));
    assert!(outcome.stderr.contains("not masks made by lentic water"), "{}", outcome.stderr);
    assert_eq!(fs::read_dir(place.path("mine")).unwrap().count(), 1);
}

/// The template on made-up scenes under its own paths: the left half is wet, a block of it under cloud (bit 3).
#[test]
fn the_template_works_as_it_stands() {
    let folder = TempDir::new().unwrap();
    let template = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs/scenes.toml");
    fs::copy(template, folder.path().join("scenes.toml")).unwrap();
    fs::create_dir(folder.path().join("scenes")).unwrap();
    let crs =
        Crs::parse("+proj=laea +lat_0=-31 +lon_0=-18 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs").unwrap();
    let bounds = Bounds { left: -1800.0, bottom: -1500.0, right: 1800.0, top: 1500.0 };
    let grid = Grid::from_bounds(crs, bounds, 30.0).unwrap();
    let over = |value: &dyn Fn(usize, usize) -> f32| -> Vec<f32> {
        (0..grid.len()).map(|at| value(at / grid.cols, at % grid.cols)).collect()
    };
    let cloudy = |row: usize, col: usize| row < 20 && (10..30).contains(&col);
    let path = |band: &str| folder.path().join(format!("scenes/made_20000115_{band}.tif"));
    let green = over(&|row, col| 800.0 + ((row * 7 + col * 3) % 40) as f32);
    let swir = over(&|row, col| if col < 60 { 150.0 } else { 2400.0 } + ((row * 5 + col * 11) % 60) as f32);
    write_floats(&path("green"), &grid, &green, None).unwrap();
    write_floats(&path("swir"), &grid, &swir, None).unwrap();
    let bits: Vec<u8> =
        over(&|row, col| if cloudy(row, col) { 8.0 } else { 0.0 }).iter().map(|b| *b as u8).collect();
    write_bytes(&path("quality"), &grid, &bits, None).unwrap();
    Outcome::of(lentic().args(["water", "--quiet"]).arg(folder.path().join("scenes.toml"))).done();
    let mask = lentic_tests::raster::Raster::read(&folder.path().join("water/water_2000-01.tif"), 1);
    for (at, cell) in mask.cells.iter().enumerate() {
        let (row, col) = (at / grid.cols, at % grid.cols);
        let right = if cloudy(row, col) { cell.is_nan() } else { *cell == f64::from(u8::from(col < 60)) };
        assert!(right, "row {row}, column {col}: {cell}");
    }
    assert_eq!(rows(&folder.path().join("water"))[0]["how"], "otsu");
}
