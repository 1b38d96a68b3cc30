//! The same study gives the same bytes, whatever threads and tiles it is cut into.

use lentic_tests::Basin;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

const SECTIONS: [&str; 4] = ["rasters", "tables", "vectors", "figures"];

/// Every file of the products by name, with its bytes.
fn products(run: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    for section in SECTIONS {
        let before = found.len();
        for entry in fs::read_dir(run.join(section)).unwrap() {
            let path = entry.unwrap().path();
            let name = format!("{section}/{}", path.file_name().unwrap().to_str().unwrap());
            found.insert(name, fs::read(path).unwrap());
        }
        assert!(found.len() > before, "{section} is empty");
    }
    found
}

#[track_caller]
fn same(one: &BTreeMap<String, Vec<u8>>, other: &BTreeMap<String, Vec<u8>>, what: &str) {
    assert_eq!(one.keys().collect::<Vec<_>>(), other.keys().collect::<Vec<_>>(), "{what}");
    let differing: Vec<&String> = one.keys().filter(|name| one[*name] != other[*name]).collect();
    assert!(differing.is_empty(), "{what}: {differing:?} differ");
}

fn record(run: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(run.join("run.json")).unwrap()).unwrap()
}

#[test]
fn threads_and_tiles_change_no_byte() {
    let basin = Basin::with_members();
    // a few points of sensitivity too
    basin.edit(
        "study.toml",
        "# sensitivity = { samples = 256, cells = 20000 }",
        "sensitivity = { samples = 16, cells = 500 }",
    );
    let run = basin.run("first", &["--threads", "1", "--tile", "256"]);
    let (first, checksum) = (products(&run), record(&run)["checksum"].clone());
    assert!(checksum.as_str().is_some_and(|checksum| checksum.len() == 64), "{checksum}");
    // 92 x 69 cells: 30 tiles of 16, 4 of 64, 1 of 256
    for (threads, tile) in [("2", "16"), ("7", "64"), ("2", "256")] {
        let run = basin.run("again", &["--threads", threads, "--tile", tile]);
        same(&first, &products(&run), &format!("{threads} threads, tiles of {tile}"));
        // so a cited checksum is met again
        assert_eq!(record(&run)["checksum"], checksum);
    }
}

#[test]
fn a_second_run_takes_the_place_of_the_first() {
    let basin = Basin::small();
    let run = basin.run("run", &[]);
    let (first, id) = (products(&run), record(&run)["run_id"].clone());
    assert!(id.as_str().is_some_and(|id| id.len() >= 12), "{id}");
    // what a run leaves is its own: a file put among its products goes with the old run
    fs::write(run.join("tables/stray.csv"), "a\n").unwrap();
    basin.run("run", &[]);
    same(&first, &products(&run), "the second run");
    assert_eq!(record(&run)["run_id"], id);
    // nothing else stays beside it
    let mut beside: Vec<_> = fs::read_dir(basin.folder()).unwrap().map(|e| e.unwrap().file_name()).collect();
    beside.sort();
    assert_eq!(beside, ["basin", "run"]);

    // another setting is another run, and replaces it too
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 0.6 ");
    basin.run("run", &[]);
    assert_ne!(record(&run)["run_id"], id);
    let now = products(&run);
    assert_ne!(first["tables/habitat_area.csv"], now["tables/habitat_area.csv"]);
    assert_eq!(first["rasters/hydroperiod_observed.tif"], now["rasters/hydroperiod_observed.tif"]);
}

/// The seed of the demo decides its bytes: the same seed the same folder, another seed other weather.
#[test]
fn the_demo_is_its_seed() {
    let folders: Vec<_> = ["20", "20", "21"]
        .map(|seed| {
            let folder = tempfile::TempDir::new().unwrap();
            let mut command = lentic_tests::lentic();
            command.args(["demo", "--small", "--quiet", "--seed", seed]).arg(folder.path());
            lentic_tests::Outcome::of(&mut command).done();
            folder
        })
        .into();
    let read = |at: usize, name: &str| fs::read(folders[at].path().join(name)).unwrap();
    for name in
        ["climate.csv", "layers/ground.tif", "water/water_1999-07.tif", "truth/pool_stage.csv", "area.gpkg"]
    {
        assert!(read(0, name) == read(1, name), "{name} differs for one seed");
    }
    assert!(read(0, "climate.csv") != read(2, "climate.csv"));
}
