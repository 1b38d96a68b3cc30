//! Signals to the other commands that write for long: `lentic demo` leaves nothing, `lentic water` leaves masks of scenes and no
//! record that looks whole; the same command again gives the bytes of one that was never stopped.

use lentic_raster::{Bounds, Crs, Grid, write_byte_bands};
use lentic_tests::faults::{names, tree};
use lentic_tests::signals::{ended, listening, signal, started, until};
use lentic_tests::{Outcome, lentic};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

type Tree = BTreeMap<String, Option<blake3::Hash>>;

/// Everything in a folder but the lock that stays.
fn kept(folder: &Path) -> Tree {
    let mut found = tree(folder);
    found.remove(".lock");
    found
}

/// Files of a folder whose names begin so.
fn beginning(folder: &Path, with: &str) -> usize {
    let entries = fs::read_dir(folder).into_iter().flatten();
    entries.filter(|e| e.as_ref().is_ok_and(|e| e.file_name().to_string_lossy().starts_with(with))).count()
}

/// Signals with their exit codes; the last one cannot be heard.
const SIGNALS: [(&str, Option<i32>); 4] =
    [("INT", Some(130)), ("TERM", Some(143)), ("HUP", Some(129)), ("KILL", None)];

/// A stop in time, told as it should be.
#[track_caller]
fn told(outcome: &Outcome, (name, code): (&str, Option<i32>)) {
    assert_eq!(outcome.code, code, "{outcome:#?}");
    assert!(!outcome.stderr.contains("panicked"), "{outcome:#?}");
    let said = format!("{}{}", outcome.stdout, outcome.stderr);
    assert!(code.is_none() || said.contains(&format!("stopped by SIG{name}")), "{outcome:#?}");
}

#[test]
fn a_demo_that_is_stopped_leaves_nothing() {
    let folder = TempDir::new().unwrap();
    let temporary = TempDir::new().unwrap();
    let at = |name: &str| folder.path().join(name);
    let mut stopped = BTreeMap::new();
    for size in [&["--small"][..], &["--million-cells", "0.05"]] {
        let demo = |out: &str| {
            let mut command = lentic();
            command.args(["demo", "--quiet"]).args(size).arg(at(out)).env("TMPDIR", temporary.path());
            command
        };
        Outcome::of(&mut demo("fresh")).done();
        let fresh = tree(&at("fresh"));
        assert!(fresh.len() > 30 && fresh.contains_key("study.toml"), "{:?}", fresh.keys());
        // within a folder that is not there, and in one that is and must stay
        fs::create_dir(at("empty")).unwrap();
        let moments =
            ["layers/zones.tif", "water/water_1991-01.tif", "water/water_1992.tif", "layers/depth.tif"];
        // every signal once, and two on the other way of writing
        let every = if size.len() == 1 { 1 } else { 2 };
        for (i, (with, moment)) in SIGNALS.into_iter().zip(moments).enumerate().step_by(every) {
            let out = if i == 1 { "empty" } else { "new/demo" };
            let aside = at(out).join(".lentic-demo");
            let mut child = started(&mut listening(&demo(out)));
            // of a size that has no such file, a later one
            let later = aside.join("layers/pools.tif");
            until(&mut child, || aside.join(moment).exists() || (i > 0 && later.exists()));
            signal(&mut child, with.0);
            let outcome = ended(child);
            if outcome.code != Some(0) {
                *stopped.entry(size).or_insert(0) += 1;
                told(&outcome, with);
                assert!(!at(out).join("study.toml").exists(), "half a demo looks whole");
                if with.1.is_some() {
                    assert!(outcome.stderr.contains("nothing half-made is left"), "{outcome:#?}");
                    assert!(!at("new").exists(), "{:?}", tree(&at("new")));
                    assert!(!at("empty").exists() || names(&at("empty")).is_empty());
                    assert_eq!(names(temporary.path()), Vec::<String>::new(), "temporary files are left");
                }
                Outcome::of(&mut demo(out)).done();
            }
            assert!(tree(&at(out)) == fresh, "{with:?}");
            fs::remove_dir_all(at(out.split('/').next().unwrap())).unwrap();
        }
        fs::remove_dir_all(at("fresh")).unwrap();
    }
    println!("{stopped:?} were stopped");
    assert!(stopped.len() == 2, "{stopped:?}");
}

/// Months, and scenes of each.
const MONTHS: usize = 24;
const SCENES: usize = 2;

/// Invented scenes of two bands, and the scenes file.
fn scenes(folder: &Path) -> PathBuf {
    let bounds = Bounds { left: 0.0, bottom: 0.0, right: 7680.0, top: 7680.0 };
    let grid = Grid::from_bounds(Crs::parse("EPSG:31985").unwrap(), bounds, 30.0).unwrap();
    fs::create_dir(folder.join("images")).unwrap();
    for month in 0..MONTHS {
        for scene in 0..SCENES {
            let cell = |at: usize, of: usize| (at * at / (7 + month) + 31 * of + 13 * scene) as u8 | 1;
            let bands: Vec<Vec<u8>> =
                (0..2).map(|of| (0..grid.len()).map(|at| cell(at, of)).collect()).collect();
            let name = format!("S_{}{:02}{:02}.tif", 2000 + month / 12, month % 12 + 1, 3 + 9 * scene);
            let bands: Vec<&[u8]> = bands.iter().map(Vec::as_slice).collect();
            write_byte_bands(&folder.join("images").join(name), &grid, &bands, None).unwrap();
        }
    }
    let file = folder.join("scenes.toml");
    let text = "[grid]\ncrs = \"EPSG:31985\"\ncell_m = 30.0\nbounds = [0.0, 0.0, 7680.0, 7680.0]\n[scenes]\nfiles = \"images/S_{year}{month}{day}.tif\"\n\
                [bands]\ngreen = 1\nswir = 2\n[index]\nkind = \"mndwi\"\nthreshold = 0.05\n";
    fs::write(&file, text).unwrap();
    file
}

/// What a study or a reader would take for a whole record.
fn looks_whole(out: &Path) -> bool {
    beginning(out, "water_") + beginning(out, "scenes.") + beginning(out, "contact_sheet") > 0
}

#[test]
fn a_record_of_water_that_is_stopped_keeps_scenes_and_shows_no_part_of_a_record() {
    let folder = TempDir::new().unwrap();
    let temporary = TempDir::new().unwrap();
    let file = scenes(folder.path());
    let water = |out: &str| {
        let mut command = lentic();
        command
            .args(["water", "--json", "--tile", "64"])
            .arg(&file)
            .arg("--out")
            .arg(folder.path().join(out));
        command.env("TMPDIR", temporary.path());
        command
    };
    let done = |out: &str| -> Value { serde_json::from_str(&Outcome::of(&mut water(out)).done()).unwrap() };
    assert_eq!(done("fresh")["months"], MONTHS);
    let fresh = kept(&folder.path().join("fresh"));
    let stop = |out: &Path, with: (&str, Option<i32>), moment: &dyn Fn() -> bool| {
        let mut child = started(&mut listening(&water(out.file_name().unwrap().to_str().unwrap())));
        until(&mut child, moment);
        signal(&mut child, with.0);
        let outcome = ended(child);
        if outcome.code == Some(0) {
            return false;
        }
        told(&outcome, with);
        if with.1.is_some() {
            assert!(outcome.stdout.contains("goes on from there"), "{outcome:#?}");
            assert!(!out.join(".work").exists(), "{:?}", names(out));
            let stray: Vec<String> = tree(out).into_keys().filter(|name| name.contains(".part")).collect();
            assert!(stray.is_empty() && names(temporary.path()).is_empty(), "{stray:?}");
        }
        true
    };

    let mut stopped = 0;
    let out = folder.path().join("out");
    let masks = |out: &Path| beginning(&out.join("scenes"), "") / 2;
    let work = out.join(".work");
    let moments: [&dyn Fn() -> bool; 4] =
        [&|| masks(&out) > 0, &|| masks(&out) > MONTHS, &|| beginning(&work, "water_") > 0, &|| {
            beginning(&work, "water_") > MONTHS / 2
        }];
    for (with, moment) in SIGNALS.into_iter().zip(moments) {
        if stop(&out, with, moment) {
            stopped += 1;
            assert!(!looks_whole(&out), "{:?}", names(&out));
            let known = masks(&out);
            let again = done("out");
            assert!(again["scenes_kept"].as_u64().unwrap() as usize + 2 > known && known > 0, "{again}");
        }
        assert!(kept(&out) == fresh, "{with:?}");
        fs::remove_dir_all(&out).unwrap();
    }

    // a finished record that is made anew with other settings stays as it was until all of the new one is there
    let old: Tree = done("out").as_object().map(|_| kept(&out)).unwrap();
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.replace("threshold = 0.05", "threshold = 0.15")).unwrap();
    done("changed");
    let changed = kept(&folder.path().join("changed"));
    let record = |tree: &Tree| -> Tree {
        tree.clone().into_iter().filter(|(name, _)| !name.starts_with("scenes/")).collect()
    };
    assert!(record(&changed) != record(&old));
    if stop(&out, SIGNALS[0], &|| beginning(&work, "water_") > 0) {
        stopped += 1;
        assert!(record(&kept(&out)) == record(&old), "a part of the new record is in the old one");
    }
    done("out");
    assert!(kept(&out) == changed);
    println!("{stopped} of 5 were stopped");
    assert!(stopped >= 3, "{stopped}");
}
