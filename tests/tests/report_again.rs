//! The page of a finished run, written again from what the run keeps.

use lentic_tests::{Basin, Outcome, lentic};
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

fn report(run: &Path) -> Outcome {
    Outcome::of(lentic().arg("report").arg(run))
}

/// Every file of a folder by its path in it.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.insert(path.strip_prefix(folder).unwrap().to_path_buf(), fs::read(path).unwrap());
            }
        }
    }
    found
}

#[track_caller]
fn refused(run: &Path, words: &[&str]) {
    let before = files(run);
    let outcome = report(run);
    assert_eq!(outcome.code, Some(1), "{outcome:?}");
    for word in words {
        assert!(outcome.stderr.contains(word), "{word:?} is not in: {}", outcome.stderr);
    }
    assert!(files(run) == before, "a refusal changed the run");
}

/// With members, so that maps of agreement are written again too, and wide enough that maps are thinned nowhere differently.
#[test]
fn the_same_program_writes_the_same_bytes() {
    let basin = Basin::with_members();
    let run = basin.run("run", &[]);
    let before = files(&run);
    assert!(before.contains_key(Path::new("cells/page.json")));
    // what has become of page and figures does not matter
    fs::write(run.join("report.html"), "gone").unwrap();
    fs::remove_dir_all(run.join("figures")).unwrap();
    let said = report(&run).done();
    assert!(said.contains("report.html"), "{said}");
    let after = files(&run);
    assert_eq!(before.keys().collect::<Vec<_>>(), after.keys().collect::<Vec<_>>());
    let differing: Vec<_> = before.keys().filter(|name| before[*name] != after[*name]).collect();
    assert!(differing.is_empty(), "{differing:?}");
    assert_eq!(fs::read_dir(basin.folder()).unwrap().count(), 2, "something is left beside the run");
}

#[test]
fn what_is_no_run_of_this_program_is_refused() {
    let basin = Basin::small();
    basin.without_costs();
    let run = basin.run("run", &[]);
    refused(&basin.file(""), &["holds no run.json"]);

    let copy = |name: &str| {
        let folder = basin.folder().join(name);
        for (file, bytes) in files(&run) {
            let path = folder.join(file);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        }
        folder
    };
    let older = copy("older");
    let text = fs::read_to_string(older.join("run.json")).unwrap();
    fs::write(older.join("run.json"), text.replace("cells/page.json", "cells/no.json")).unwrap();
    refused(&older, &["kept nothing of its page", "run the study again"]);

    let altered = copy("altered");
    let table = altered.join("tables/habitat_area.csv");
    let text = fs::read_to_string(&table).unwrap();
    fs::write(&table, text.replace("baseline", "today")).unwrap();
    fs::remove_file(altered.join("rasters/not_assessed.tif")).unwrap();
    refused(&altered, &["tables/habitat_area.csv was changed", "rasters/not_assessed.tif is missing"]);

    let nowhere = Outcome::of(lentic().arg("report").arg(basin.folder().join("nowhere")));
    assert!(nowhere.code != Some(0) && nowhere.stderr.contains("nowhere"), "{nowhere:?}");
}

/// A run tells where habitat lies: its files are for their owner, and its page and its files say so; unless the study says otherwise.
#[test]
fn a_run_is_sensitive_unless_the_study_says_otherwise() {
    const MARK: &str = "Sensitive edition: holds exact places; not for publication";
    let basin = Basin::small();
    basin.without_costs();
    let run = basin.run("run", &[]);
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&run), 0o700);
    for file in files(&run).keys() {
        let path = run.join(file);
        assert_eq!((mode(&path), mode(path.parent().unwrap())), (0o600, 0o700), "{}", path.display());
    }
    let text = |file: &str| fs::read_to_string(run.join(file)).unwrap();
    let page = text("report.html");
    // on the screen, and in the margin of every sheet of paper
    assert_eq!(page.matches(MARK).count(), 2);
    assert!(page.contains("@top-center"));
    assert!(text("figures/habitat_area.svg").contains(&format!("<metadata>{MARK}</metadata>")));
    assert!(text("README.md").starts_with(MARK));
    let mut gdalinfo = std::process::Command::new("gdalinfo");
    let said = Outcome::of(gdalinfo.arg(run.join("rasters/suitability_baseline.tif"))).done();
    assert!(said.contains(&format!("edition={MARK}")), "{said}");

    let study = fs::read_to_string(basin.study()).unwrap();
    let (before, rest) = study.split_once("[publication]").unwrap();
    let (_, after) = rest.split_once("\n\n").unwrap();
    fs::write(basin.study(), format!("{before}[publication]\nsensitive = false\n\n{after}")).unwrap();
    let open = basin.run("open", &[]);
    let page = fs::read_to_string(open.join("report.html")).unwrap();
    assert!(!page.contains("edition:") && !page.contains("@top-center"));
    assert!(!open.join("README.md").exists());
    // places of records stay with their owner all the same
    assert_eq!(mode(&open.join("tables/records.csv")), 0o600);
    assert_ne!(mode(&open.join("report.html")), 0o600);
}
