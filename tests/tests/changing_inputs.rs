//! Inputs that change, vanish or come back while a run reads them: the run ends with what happened, leaves nothing, and keeps no step under the
//! checksum of before.

use lentic_tests::faults::{checksum, names};
use lentic_tests::{Basin, Outcome};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::{Duration, Instant, SystemTime};

fn modified(path: &Path) -> SystemTime {
    fs::metadata(path).unwrap().modified().unwrap()
}

/// Another year's raster: of the same cells, other values.
fn another(basin: &Basin) -> Vec<u8> {
    let mut years: Vec<PathBuf> =
        fs::read_dir(basin.file("water")).unwrap().map(|e| e.unwrap().path()).collect();
    years.sort();
    fs::read(&years[7]).unwrap()
}

type Fault = (&'static str, fn(&Basin, &Path), &'static str);

const FAULTS: [Fault; 6] = [
    (
        "replaced by another of that name",
        |basin, path| {
            let other = path.with_extension("new");
            fs::write(&other, another(basin)).unwrap();
            fs::rename(other, path).unwrap();
        },
        "changed while the run read it",
    ),
    (
        "cut short",
        |_, path| {
            let file = fs::File::options().write(true).open(path).unwrap();
            file.set_len(fs::metadata(path).unwrap().len() / 2).unwrap();
        },
        "bytes and has",
    ),
    (
        "other bytes of the same size and time",
        |_, path| {
            let time = modified(path);
            let mut bytes = fs::read(path).unwrap();
            let last = bytes.len() - 1;
            bytes[last] ^= 1;
            fs::write(path, bytes).unwrap();
            fs::File::options().write(true).open(path).unwrap().set_modified(time).unwrap();
        },
        "it holds other bytes, though it tells the same size and time",
    ),
    ("gone", |_, path| fs::remove_file(path).unwrap(), "cannot be found any more"),
    (
        "gone with its folder",
        |_, path| fs::rename(path.parent().unwrap(), path.parent().unwrap().with_extension("away")).unwrap(),
        "cannot be found any more",
    ),
    (
        "touched",
        |_, path| {
            fs::File::options().write(true).open(path).unwrap().set_modified(SystemTime::UNIX_EPOCH).unwrap()
        },
        "it was written again",
    ),
];

/// Before the stage that reads it, while it does, and after.
const MOMENTS: [&str; 3] = ["run.part/work", "run.kept/water", "run.part/run/rasters"];

#[test]
fn an_input_that_does_not_stay_ends_the_run() {
    let (mut told, mut late) = (0, 0);
    for (at, (what, fault, words)) in FAULTS.into_iter().enumerate() {
        let inputs = ["water/water_1999-07.tif", "layers/land_cover.tif", "records.csv"];
        for (moment, input) in MOMENTS.into_iter().zip(inputs) {
            // each fault at two of three moments keeps the test short
            if (at + moment.len()) % 3 == 0 {
                continue;
            }
            let basin = Basin::small();
            let path = basin.file(input);
            let moment = basin.folder().join(moment);
            let mut command = basin.command("run");
            command.args(["--quiet", "--tile", "16"]).stdout(Stdio::piped()).stderr(Stdio::piped());
            let mut child = command.spawn().unwrap();
            let begun = Instant::now();
            while !moment.exists() && child.try_wait().unwrap().is_none() {
                assert!(begun.elapsed() < Duration::from_secs(300));
                std::thread::sleep(Duration::from_millis(1));
            }
            fault(&basin, &path);
            let output = child.wait_with_output().unwrap();
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert!(!said.contains("panicked"), "{what}: {said}");
            if output.status.success() {
                // the run was done before
                late += 1;
                continue;
            }
            told += 1;
            assert_eq!(output.status.code(), Some(3), "{what}, {input}: {said}");
            // with its folder go others, and the first is named
            let gone = if what.ends_with("folder") { path.parent().unwrap() } else { &path };
            assert!(said.contains(words) && said.contains(gone.to_str().unwrap()), "{what}: {said}");
            assert!(
                !basin.folder().join("run").exists() && !basin.folder().join("run.part").exists(),
                "{what}"
            );
            // nothing of the other file is kept under the checksum of the first
            let sound = Basin::small();
            let fresh = checksum(&sound.run("fresh", &["--quiet"]));
            let _ = fs::rename(path.parent().unwrap().with_extension("away"), path.parent().unwrap());
            fs::copy(sound.file(input), &path).unwrap();
            Outcome::of(basin.command("run").args(["--quiet", "--tile", "16"])).done();
            assert_eq!(checksum(&basin.folder().join("run")), fresh, "{what}, {input}");
            assert_eq!(names(basin.folder()), ["basin", "run", "run.kept"]);
        }
    }
    println!("{told} changes told, {late} came after the end");
    assert!(told >= 9, "{told} told, {late} late");
}
