//! The public edition: what must not be in it is planted and looked for in every byte (tests/reference/scan.py), and its rasters and
//! patches are worked out again (tests/reference/public.py).

use lentic_tests::outside::python_json;
use lentic_tests::table::Table;
use lentic_tests::{Basin, Outcome, lentic};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// Words that stand nowhere but where they are planted.
const TAG: &str = "KESTREL-7741";
const IDS: [&str; 2] = ["urn:nest:ZQX/7741-b", "ZQX_ψ_0093"];
const GROUND: &str = "zqx_survey_ground.tif";
/// A place in degrees, and one in metres without its decimal point, planted in the text of the study.
const DEGREES: [f64; 2] = [-30.99312, -18.00411];

/// The small demo in a reference system whose coordinates are like nothing else in a run, with all that is planted, and its run.
struct Planted {
    basin: Basin,
    run: PathBuf,
    /// Eastings and northings of records and patches.
    metres: Vec<f64>,
    /// Latitudes and longitudes of records.
    degrees: Vec<[f64; 2]>,
    checksums: Vec<String>,
}

static PLANTED: LazyLock<Planted> = LazyLock::new(|| {
    let basin = Basin::with_members();
    // the reference system names its own origin, which is no place of the animal: it lies on the squares of every step here
    basin.edit("study.toml", "+x_0=0 +y_0=0", "+x_0=6540000 +y_0=7305000");
    basin.edit("study.toml", "layers/ground.tif", &format!("layers/{GROUND}"));
    fs::rename(basin.file("layers/ground.tif"), basin.file(&format!("layers/{GROUND}"))).unwrap();
    let study = fs::read_to_string(basin.study()).unwrap();
    let planted = format!("# {TAG}: nest at {} {}, or 654044712 730552833\n{study}", DEGREES[0], DEGREES[1]);
    fs::write(basin.study(), planted).unwrap();
    let mut records = csv::Reader::from_path(basin.file("records.csv")).unwrap();
    let head = records.headers().unwrap().clone();
    let mut rows: Vec<csv::StringRecord> = records.records().map(Result::unwrap).collect();
    // the first row is a finding that is used; the next good ones follow further down
    let good: Vec<usize> = (0..rows.len()).filter(|row| rows[*row][1].len() > 7).take(IDS.len()).collect();
    for (row, id) in good.iter().zip(IDS) {
        rows[*row] = std::iter::once(id).chain(rows[*row].iter().skip(1)).collect();
    }
    let mut written = csv::Writer::from_path(basin.file("records.csv")).unwrap();
    written.write_record(&head).unwrap();
    rows.iter().for_each(|row| written.write_record(row).unwrap());
    written.flush().unwrap();

    let run = basin.run("run", &[]);
    let numbers = |table: &str, column: &str| -> Vec<f64> {
        let table = Table::of_run(&run, table);
        table.column(column).iter().map(|cell| cell.parse().unwrap()).collect()
    };
    let mut metres = numbers("records", "x");
    metres.extend(numbers("records", "y"));
    metres.extend(numbers("patches", "centroid_x"));
    metres.extend(numbers("patches", "centroid_y"));
    assert!(metres.iter().all(|m| *m > 6.5e6), "the shift must show");
    metres.extend([6_540_447.12, 7_305_528.33]);
    let place = |row: &csv::StringRecord| Some([row[1].parse().ok()?, row[2].parse().ok()?]);
    let mut degrees: Vec<[f64; 2]> = rows.iter().filter_map(place).collect();
    // some rows of the demo are wrong on purpose and lie elsewhere
    degrees.retain(|[latitude, longitude]| (latitude + 31.0).abs() < 0.1 && (longitude + 18.0).abs() < 0.1);
    assert!(degrees.len() > 50);
    degrees.push(DEGREES);
    let files =
        ["records.csv", &format!("layers/{GROUND}"), "area.gpkg", "study.toml"].map(|name| basin.file(name));
    let checksums = files.map(|file| blake3::hash(&fs::read(file).unwrap()).to_hex().to_string()).into();
    Planted { basin, run, metres, degrees, checksums }
});

/// Places rounded as the step rounds them.
fn decimals(step_m: f64) -> i32 {
    if step_m > 100.0 { if step_m > 1000.0 { 1 } else { 2 } } else { 3 }
}

/// What the scanner finds, by kind.
fn scan(folder: &Path, step_m: f64, least_ha: f64) -> BTreeMap<String, Vec<String>> {
    let planted = &*PLANTED;
    let facts = json!({
        "folder": folder,
        "step_m": step_m,
        "decimals": decimals(step_m),
        "least_ha": least_ha,
        "metres": planted.metres,
        "degrees": planted.degrees,
        "identifier": IDS,
        "tag": [TAG],
        "path": [GROUND, "records.csv", "area.gpkg", "study.toml", planted.basin.folder()],
        // the beginning of a checksum gives it away too
        "checksum": planted.checksums.iter().map(|sum| &sum[..12]).collect::<Vec<_>>(),
    });
    let told = told_by("scan.py", &facts);
    assert!(told["files"].as_u64().unwrap() > 3, "{told}");
    serde_json::from_value(told["found"].clone()).unwrap()
}

fn told_by(script: &str, facts: &Value) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("facts.json");
    fs::write(&path, facts.to_string()).unwrap();
    python_json(script, &path)
}

fn publish(name: &str, more: &[&str]) -> (PathBuf, Outcome) {
    let planted = &*PLANTED;
    let out = planted.basin.folder().join(name);
    let mut command = lentic();
    command.arg("report").arg(&planted.run).arg("--public").arg("--out").arg(&out).args(more);
    let outcome = Outcome::of(&mut command);
    (out, outcome)
}

fn published(name: &str, more: &[&str]) -> PathBuf {
    let (out, outcome) = publish(name, more);
    outcome.done();
    out
}

/// The scanner can fail: in the run itself it finds every kind of what must not be published.
#[test]
fn the_scanner_finds_all_that_is_planted_in_the_sensitive_edition() {
    let found = scan(&PLANTED.run, 300.0, 3.0);
    for kind in [
        "coordinate in metres",
        "coordinate in degrees",
        "digits of a coordinate",
        "identifier",
        "tag",
        "path",
        "checksum",
        "fine pixel",
        "small patch",
    ] {
        assert!(found.contains_key(kind), "{kind} was not found: {found:#?}");
    }
    // fine pixels in the page too, whose maps are pictures
    for form in [".tif", ".html"] {
        assert!(scan_of(form).contains_key("fine pixel"), "no fine pixel was found in {form} files");
    }
    // and in every form a file can have
    let all: Vec<&String> = found.values().flatten().collect();
    for form in [".csv", ".parquet", ".gpkg", ".tif", ".html", ".json"] {
        let some = scan_of(form);
        assert!(!some.is_empty(), "nothing was found in {form} files: {all:#?}");
    }
}

/// What the scanner finds in a folder that holds only the files of one form of the run.
fn scan_of(ending: &str) -> BTreeMap<String, Vec<String>> {
    let folder = tempfile::tempdir().unwrap();
    let mut folders = vec![PLANTED.run.clone()];
    let mut number = 0;
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.to_str().unwrap().ends_with(ending) {
                number += 1;
                fs::copy(&path, folder.path().join(format!("{number}{ending}"))).unwrap();
            }
        }
    }
    // a folder of one kind of file may be small
    (0..4).for_each(|n| fs::write(folder.path().join(format!("empty{n}.txt")), "").unwrap());
    scan(folder.path(), 300.0, 3.0)
}

#[test]
fn no_byte_of_a_public_edition_leads_to_a_place() {
    for (name, step, least, words) in [
        ("public-300", 300.0, 3.0, &["--generalise", "300", "--withhold-under-ha", "3"][..]),
        ("public-low", 100.0, 1.0, &["--generalise", "low"]),
        ("public-study", 1000.0, 1.0, &[]),
        ("public-high", 10_000.0, 1.0, &["--generalise", "high"]),
        ("public-none", 10_000.0, 1.0, &["--generalise", "extreme"]),
    ] {
        let public = published(name, words);
        let found = scan(&public, step, least);
        assert!(found.is_empty(), "{name}: {found:#?}");
        // neither does it tell how exactly the grid lies, which the page of the run does
        let record: Value =
            serde_json::from_str(&fs::read_to_string(PLANTED.run.join("run.json")).unwrap()).unwrap();
        let bounds = format!("left {}, bottom", record["grid"]["bounds"][0].as_f64().unwrap());
        let page = |folder: &Path| fs::read_to_string(folder.join("report.html")).unwrap();
        assert!(page(&PLANTED.run).contains(&bounds), "{bounds}");
        assert!(!page(&public).contains(&bounds), "{name}");
    }
}

/// numpy and scipy find the same shares, means and patches; squares whose habitat is withheld show none.
#[test]
fn squares_and_patches_are_those_worked_out_again() {
    for (name, step, least) in
        [("again-300", 300.0, 3.0), ("again-450", 450.0, 0.0), ("again-210", 210.0, 5.0)]
    {
        let more = ["--generalise", &format!("{step}"), "--withhold-under-ha", &format!("{least}")];
        let public = published(name, &more);
        let facts = json!({
            "run": PLANTED.run, "public": public, "step_m": step, "least_ha": least, "minimum_ha": 0.5,
        });
        let told = told_by("public.py", &facts);
        let number = |key: &str| told[key].as_f64().unwrap();
        assert!(
            number("rasters") < 1e-6 && number("patches") < 1e-6 && number("edges") < 1e-9,
            "{name}: {told}"
        );
        assert!(number("squares_told") > 5.0 && number("shown") > 3.0, "{name}: {told}");
        // what is withheld was there to be withheld
        assert!(least == 0.0 || number("squares_of_withheld_only") > 0.0, "{name}: {told}");
    }
}

#[test]
fn small_patches_and_zones_are_withheld_so_that_none_follows_from_the_others() {
    let planted = &*PLANTED;
    let all = Table::of_run(&planted.run, "patches");
    let of_today = |table: &Table| -> Vec<f64> {
        let rows = table.column("scenario").into_iter().zip(table.column("area_ha"));
        rows.filter(|(case, _)| case == "baseline").map(|(_, area)| area.parse().unwrap()).collect()
    };
    let mut areas = of_today(&all);
    areas.sort_by(f64::total_cmp);
    // one patch is under 3 ha: three are withheld
    assert_eq!(areas.iter().filter(|area| **area < 3.0).count(), 1, "{areas:?}");
    let public = published("withheld", &["--generalise", "300", "--withhold-under-ha", "3"]);
    let shown = of_today(&Table::of_run(&public, "patches"));
    assert_eq!(shown.len(), areas.len() - 3);
    let page = fs::read_to_string(public.join("report.html")).unwrap();
    let told = format!("3 are withheld, with {:.1} ha in all", areas[..3].iter().sum::<f64>());
    assert!(page.contains(&told), "{told}");
    assert!(page.contains("How places were generalised") && page.contains("10.15468&#x2f;doc-5jp4-5g10"));

    // zones of 77, 109, 149 and 150 ha and squares of 100 ha: the one that is smaller, and the next, which would give it away
    let public = published("zones", &["--generalise", "medium"]);
    let zones = Table::of_run(&public, "habitat_loss_by_zone").column("name");
    assert!(
        !zones.is_empty() && zones.iter().all(|zone| zone == "Eastern flats" || zone == "Spring line"),
        "{zones:?}"
    );
    let page = fs::read_to_string(public.join("report.html")).unwrap();
    assert!(!page.contains("Northern slopes"));
    for table in ["records", "records_set_aside", "drawdown_curves", "volume"] {
        assert!(!public.join(format!("tables/{table}.csv")).exists(), "{table}");
    }
    assert!(!public.join("cells").exists() && !public.join("vectors").exists());
}

#[test]
fn where_no_place_is_told_numbers_of_the_whole_are_kept() {
    let public = published("extreme", &["--generalise", "extreme"]);
    assert!(!public.join("rasters").exists());
    for table in ["patches", "habitat_loss_by_patch"] {
        assert!(!public.join(format!("tables/{table}.csv")).exists(), "{table}");
    }
    let area = |run: &Path| Table::of_run(run, "habitat_area").number("scenario", "drier", "habitat_ha");
    assert_eq!(area(&public), area(&PLANTED.run));
    let page = fs::read_to_string(public.join("report.html")).unwrap();
    assert!(page.contains("Public edition: no place is told") && !page.contains("id=\"map-data\""));
}

#[test]
fn the_same_run_gives_the_same_public_bytes_and_replaces_only_its_like() {
    let bytes = |folder: &Path| -> Vec<(String, Vec<u8>)> {
        let mut all = Vec::new();
        for part in ["tables", "rasters", "figures", ""] {
            for entry in fs::read_dir(folder.join(part)).unwrap() {
                let path = entry.unwrap().path();
                if path.is_file() {
                    all.push((
                        path.strip_prefix(folder).unwrap().display().to_string(),
                        fs::read(&path).unwrap(),
                    ));
                }
            }
        }
        all.sort();
        all
    };
    let first = bytes(&published("twice", &["--generalise", "300"]));
    assert!(first.len() > 50);
    // an earlier edition is replaced
    assert!(bytes(&published("twice", &["--generalise", "300"])) == first);

    let (_, onto_run) = publish("run", &["--generalise", "300"]);
    assert!(onto_run.code == Some(1) && onto_run.stderr.contains("not a public edition"), "{onto_run:?}");
    let (_, onto_basin) = publish("basin", &[]);
    assert_eq!(onto_basin.code, Some(1), "{onto_basin:?}");
    let (out, finer) = publish("finer", &["--generalise", "20"]);
    assert!(
        finer.code == Some(1) && finer.stderr.contains("its own cells are 30 m") && !out.exists(),
        "{finer:?}"
    );
    let (_, odd) = publish("odd", &["--generalise", "vague"]);
    assert!(odd.code == Some(1) && odd.stderr.contains("extreme, high, medium, low"), "{odd:?}");
    // a public edition is no run
    let again = Outcome::of(lentic().arg("report").arg(PLANTED.basin.folder().join("twice")));
    assert!(again.code == Some(1) && again.stderr.contains("public edition"), "{again:?}");
}
