//! The committed sample is what the generator writes today.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use gdal::Dataset;
use lentic_engine::demo::{DEMO_SEED, DemoSize, write_demo};

fn files(folder: &Path) -> BTreeMap<PathBuf, PathBuf> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in std::fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.insert(path.strip_prefix(folder).unwrap().to_path_buf(), path);
            }
        }
    }
    found
}

/// Cells of every band; compressed bytes may differ between versions of GDAL's libraries, cells may not.
fn cells(path: &Path) -> Vec<f64> {
    let dataset = Dataset::open(path).unwrap();
    let size = dataset.raster_size();
    (1..=dataset.raster_count())
        .flat_map(|band| {
            let band = dataset.rasterband(band).unwrap();
            band.read_as::<f64>((0, 0), size, size, None).unwrap().data().to_vec()
        })
        .collect()
}

#[test]
fn the_generator_still_writes_the_committed_basin() {
    let committed = Path::new(env!("CARGO_MANIFEST_DIR")).join("../data-samples/talverra-sink-small");
    let made = tempfile::tempdir().unwrap();
    write_demo(made.path(), DemoSize::Small, DEMO_SEED, &|_| {}).unwrap();
    let (old, new) = (files(&committed), files(made.path()));
    assert_eq!(old.keys().collect::<Vec<_>>(), new.keys().collect::<Vec<_>>());
    assert!(old.len() > 360);
    for (name, path) in &old {
        let other = &new[name];
        match name.extension().and_then(|e| e.to_str()) {
            Some("tif") => {
                let (one, two) = (cells(path), cells(other));
                assert!(
                    one.iter().zip(&two).all(|(a, b)| a == b || (a.is_nan() && b.is_nan())),
                    "{}",
                    name.display()
                );
                assert_eq!(one.len(), two.len(), "{}", name.display());
            }
            // SQLite writes its own version into the file
            Some("gpkg") => assert!(std::fs::metadata(other).unwrap().len() > 0),
            _ => {
                assert_eq!(std::fs::read(path).unwrap(), std::fs::read(other).unwrap(), "{}", name.display())
            }
        }
    }
}
