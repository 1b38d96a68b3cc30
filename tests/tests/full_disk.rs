//! Disks that are full, out of files or turned read-only, and users without rights: one clear error, exit code 3, nothing half-made, an
//! earlier run untouched, and with room again the bytes of a run that never failed.

use lentic_tests::faults::{Disk, Nobody, checksum, ended_clearly, names, tree};
use lentic_tests::{Basin, Outcome, lentic};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

const QUIET: [&str; 3] = ["--quiet", "--tile", "32"];

fn run_into(basin: &Basin, out: &Path, more: &[&str]) -> Outcome {
    Outcome::of(lentic().arg("run").arg(basin.study()).arg("--out").arg(out).args(QUIET).args(more))
}

fn other_threshold(basin: &Basin) {
    basin.edit("study.toml", "threshold = 0.5 ", "threshold = 0.45 ");
}

/// The disk fills in all stages: cells of the first step, kept steps, patches, vectors, tables, figures, page.
#[test]
fn a_disk_that_runs_full_at_any_stage_costs_nothing_but_the_run() {
    let basin = Basin::small();
    let Some(disk) = Disk::of_kib(200_000) else { return };
    let out = disk.path().join("run");
    run_into(&basin, &out, &[]).done();
    let earlier = tree(&out);
    let used = disk.used_kib();
    other_threshold(&basin);
    let mut files = Vec::new();
    for room in [8, 150, 700, 1300, 2600, 4200, 5200, 6500, 8000] {
        disk.remount(&format!("size={}k", used + room));
        let outcome = run_into(&basin, &out, &[]);
        assert_eq!(outcome.code, Some(3), "{room} KiB: {outcome:#?}");
        let said = &outcome.stderr;
        assert!(!said.contains("panicked") && said.lines().count() == 1, "{room} KiB: {said}");
        for words in ["the disk is full", "MiB left where", "takes about", "--out"] {
            assert!(said.contains(words), "{room} KiB: no {words:?} in {said}");
        }
        assert!(tree(&out) == earlier, "{room} KiB: the earlier run was touched");
        assert_eq!(names(disk.path()), ["run", "run.kept"], "{room} KiB");
        // only what was kept this time is more
        assert!(disk.used_kib() <= used + 700, "{room} KiB: {} of {used}", disk.used_kib());
        files.push(said.split(": ").nth(1).unwrap().to_string());
    }
    let at = |part: &str| files.iter().filter(|file| file.contains(part)).count();
    println!("{files:#?}");
    assert!(at("/work/") > 0 && at("/run/") > 0, "not at several stages: {files:#?}");
    disk.remount("size=200000k");
    run_into(&basin, &out, &[]).done();
    let fresh = basin.run("fresh", &QUIET);
    assert_eq!(checksum(&out), checksum(&fresh));
    Outcome::of(lentic().arg("verify").arg(&out)).done();
}

#[test]
fn a_store_that_runs_full_does_not_stop_the_run() {
    let basin = Basin::small();
    let fresh = basin.run("fresh", &QUIET);
    for kib in [0, 12, 60, 300] {
        // tmpfs takes a size of 0 for none
        let Some(disk) = Disk::of_kib(kib.max(4)) else { return };
        if kib == 0 {
            fs::write(disk.path().join("filler"), [0; 4096]).unwrap();
        }
        let store = disk.path().join("kept");
        let out = basin.folder().join("run");
        let mut command = lentic();
        command
            .arg("run")
            .arg(basin.study())
            .arg("--out")
            .arg(&out)
            .args(["--tile", "32", "--kept"])
            .arg(&store);
        let outcome = Outcome::of(&mut command);
        assert_eq!(outcome.code, Some(0), "{kib} KiB: {outcome:#?}");
        assert!(outcome.stderr.contains("kept") && outcome.stderr.contains("No space left"), "{outcome:#?}");
        assert_eq!(checksum(&out), checksum(&fresh), "{kib} KiB");
        // what was kept is whole, and a run from it is the same
        if kib > 12 {
            disk.remount("size=100000k");
            Outcome::of(&mut command).done();
            assert_eq!(checksum(&out), checksum(&fresh), "{kib} KiB, from what was kept");
        }
    }
}

#[test]
fn a_disk_without_room_for_another_file_is_told() {
    let basin = Basin::small();
    let Some(disk) = Disk::of_kib(200_000) else { return };
    for inodes in [5, 40, 120] {
        disk.remount(&format!("nr_inodes={inodes}"));
        let outcome = run_into(&basin, &disk.path().join("run"), &["--keep-nothing"]);
        ended_clearly(&outcome, &[3]);
        assert!(outcome.stderr.contains("no more files left where"), "{inodes}: {outcome:#?}");
        assert_eq!(names(disk.path()), Vec::<String>::new(), "{inodes}");
    }
}

/// `TMPDIR` is where shares work; a run does not need it.
#[test]
fn a_full_temporary_folder_stops_shares_only() {
    let basin = Basin::small();
    let Some(disk) = Disk::of_kib(16) else { return };
    fs::write(disk.path().join("filler"), vec![0; 12 * 1024]).unwrap();
    let out = basin.folder().join("run");
    let mut command = lentic();
    command.env("TMPDIR", disk.path()).arg("run").arg(basin.study()).arg("--out").arg(&out);
    Outcome::of(command.args(QUIET).arg("--keep-nothing")).done();
    let mut share = lentic();
    share.env("TMPDIR", disk.path()).args(["shard", "run", "--step", "1", "--shard", "0", "--shards", "1"]);
    let outcome = Outcome::of(share.arg(basin.study()).arg("--out").arg(basin.folder().join("other")));
    ended_clearly(&outcome, &[3]);
    assert!(outcome.stderr.contains("the disk is full"), "{outcome:#?}");
    assert_eq!(names(disk.path()), ["filler"]);
}

#[test]
fn a_disk_that_turns_read_only_ends_the_run() {
    let basin = Basin::small();
    let Some(disk) = Disk::of_kib(200_000) else { return };
    let out = disk.path().join("run");
    run_into(&basin, &out, &[]).done();
    let earlier = tree(&out);
    other_threshold(&basin);
    let mut command = lentic();
    command.arg("run").arg(basin.study()).arg("--out").arg(&out).args(QUIET).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let begun = Instant::now();
    while !disk.path().join("run.part/work/wet-0.bin").exists() && child.try_wait().unwrap().is_none() {
        assert!(begun.elapsed() < Duration::from_secs(300));
        std::thread::sleep(Duration::from_millis(1));
    }
    disk.turn_read_only();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(tree(&out) == earlier, "{said}");
    disk.turn_writable();
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("Read-only file system") && !said.contains("panicked"), "{said}");
    // what it could not remove is removed by the next run
    run_into(&basin, &out, &[]).done();
    assert_eq!(names(disk.path()), ["run", "run.kept"]);
    // a disk that was read-only before is refused before anything is computed
    disk.remount("ro");
    let outcome = run_into(&basin, &out, &[]);
    assert!(outcome.code == Some(1) && outcome.stderr.contains("Read-only file system"), "{outcome:#?}");
    let outcome = run_into(&basin, &basin.folder().join("elsewhere"), &["--kept", out.to_str().unwrap()]);
    assert_eq!(outcome.code, Some(1), "{outcome:#?}");
}

#[test]
fn a_user_without_rights_is_told_which() {
    let basin = Basin::small();
    let Some(nobody) = Nobody::with(Path::new(lentic().get_program())) else { return };
    fs::set_permissions(basin.folder(), fs::Permissions::from_mode(0o755)).unwrap();
    let out = basin.folder().join("run");
    let run = |out: &Path| {
        Outcome::of(nobody.command().arg("run").arg(basin.study()).arg("--out").arg(out).args(QUIET))
    };
    let outcome = run(&out);
    assert_eq!(outcome.code, Some(1), "{outcome:#?}");
    assert!(outcome.stderr.contains("Permission denied") && outcome.stderr.contains("--out"), "{outcome:#?}");
    assert!(!out.exists());
    // an earlier run that may be read but not replaced
    run_into(&basin, &out, &[]).done();
    let earlier = tree(&out);
    let outcome = run(&out);
    ended_clearly(&outcome, &[1, 3]);
    assert!(tree(&out) == earlier);
    // an input that may not be read
    let mine = basin.folder().join("mine");
    fs::create_dir(&mine).unwrap();
    fs::set_permissions(&mine, fs::Permissions::from_mode(0o777)).unwrap();
    for input in [
        "layers/ground.tif",
        "water/water_1999-07.tif",
        "climate.csv",
        "records.csv",
        "legends/zones.csv",
        "area.gpkg",
    ] {
        let path = basin.file(input);
        let mode = fs::metadata(&path).unwrap().permissions();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o000)).unwrap();
        let outcome = run(&mine.join("run"));
        fs::set_permissions(&path, mode).unwrap();
        ended_clearly(&outcome, &[1, 3]);
        let said = &outcome.stderr;
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(said.contains(name) && said.contains("ermission denied"), "{input}: {outcome:#?}");
        assert_eq!(names(&mine), Vec::<String>::new(), "{input}");
    }
}
