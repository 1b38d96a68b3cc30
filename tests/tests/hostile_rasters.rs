//! Five hundred spoilt GeoTIFF files, each in the place of a layer of a tiny study: every one is refused in clear words, or read as
//! GDAL's own `gdal_translate` reads it. None crashes the program, hangs it or makes it ask for memory without bounds.

use lentic_tests::few_layers::{self, LAYERS};
use lentic_tests::table::texts_of_run;
use lentic_tests::tiff::spoilt;
use lentic_tests::{Outcome, lentic};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use tempfile::TempDir;

/// Spoilt files.
const FILES: u64 = 500;
/// Address space of the program, KiB, enough for the tiny study many times over; a file must not make it ask for more.
const ADDRESSES: &str = "3000000";
/// Seconds after which the program hangs.
const LONGEST: &str = "60";

/// How the files are written that are then spoilt: options of `gdal_translate`.
const FORMS: [&[&str]; 6] = [
    &["-co", "COMPRESS=NONE", "-co", "BLOCKYSIZE=8"],
    &["-co", "COMPRESS=DEFLATE", "-co", "TILED=YES", "-co", "BLOCKXSIZE=16", "-co", "BLOCKYSIZE=16"],
    &["-co", "COMPRESS=LZW", "-co", "PREDICTOR=2", "-co", "BLOCKYSIZE=8"],
    &["-co", "COMPRESS=PACKBITS", "-co", "INTERLEAVE=PIXEL"],
    &["-of", "COG", "-co", "BLOCKSIZE=128", "-co", "COMPRESS=DEFLATE"],
    &["-co", "COMPRESS=NONE", "-co", "INTERLEAVE=BAND", "-a_nodata", "7"],
];

/// The program under its limits, with its exit code; `timeout` gives 124 for a hang.
fn limited(arguments: &[&str], study: &Path, out: Option<&Path>) -> Outcome {
    let program = lentic().get_program().to_owned();
    let mut command = Command::new("sh");
    command
        .arg("-c")
        .arg(format!("ulimit -v {ADDRESSES}; exec timeout {LONGEST} \"$@\""))
        .arg("sh")
        .arg(program);
    command.args(arguments).arg(study);
    if let Some(out) = out {
        command.arg("--out").arg(out);
    }
    Outcome::of(&mut command)
}

/// Tables of a run by file name.
type Tables = BTreeMap<String, String>;

/// Runs a study that must succeed.
#[track_caller]
fn run(folder: &Path) -> Tables {
    let out = folder.join("run");
    limited(&["run", "--quiet", "--keep-nothing"], &folder.join("study.toml"), Some(&out)).done();
    texts_of_run(&out)
}

/// What became of one spoilt file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum End {
    RefusedByCheck,
    StoppedInRun,
    ReadAsGdalReadsIt,
}

/// A sound study in a folder of its own, with a spoilt file in the place of one layer.
struct Spoilt {
    folder: TempDir,
    layer: &'static str,
    /// What was done to it, for messages.
    told: String,
}

impl Spoilt {
    fn new(number: u64, base: &Path) -> Spoilt {
        let layer = LAYERS[(number % 5) as usize];
        let form = FORMS[(number / 5 % 6) as usize];
        let folder = TempDir::new().unwrap();
        for name in LAYERS.iter().chain(&["study.toml"]) {
            fs::copy(base.join(name), folder.path().join(name)).unwrap();
        }
        let written = folder.path().join("written.tif");
        let predictor = if layer == "depth.tif" && form.contains(&"PREDICTOR=2") {
            &["-co", "PREDICTOR=3"][..]
        } else {
            &[]
        };
        translate(&base.join(layer), &written, &[form, predictor].concat()).expect("a sound file is written");
        let (done, bytes) = spoilt(&fs::read(&written).unwrap(), number);
        fs::remove_file(&written).unwrap();
        fs::write(folder.path().join(layer), bytes).unwrap();
        Spoilt { folder, layer, told: format!("file {number}, {layer} {form:?}: {done}") }
    }

    /// A refusal names the file, in words, and leaves nothing.
    fn refused(&self, outcome: &Outcome) {
        let (said, told) = (&outcome.stderr, &self.told);
        assert!(matches!(outcome.code, Some(1 | 3)), "{told}: {outcome:#?}");
        let stem = self.layer.trim_end_matches(".tif");
        assert!(said.contains(stem) || said.contains("\"water\""), "{told}: the file is not named: {said}");
        assert!(!said.contains("panicked"), "{told}: {said}");
        assert!(!self.folder.path().join("run").exists(), "{told}: a run folder is left");
    }

    fn end(&self, expected: &dyn Fn(&Path) -> Tables) -> End {
        let study = self.folder.path().join("study.toml");
        let checked = limited(&["check", "--quiet"], &study, None);
        if checked.code != Some(0) {
            self.refused(&checked);
            return End::RefusedByCheck;
        }
        let out = self.folder.path().join("run");
        let outcome = limited(&["run", "--quiet", "--keep-nothing"], &study, Some(&out));
        if outcome.code != Some(0) {
            self.refused(&outcome);
            return End::StoppedInRun;
        }
        let found = texts_of_run(&out);
        let plain = self.folder.path().join("plain.tif");
        // where a file claims more rows than it has, what lies on the grid is read all the same
        let whole: &[&str] = &["-co", "COMPRESS=NONE"];
        let of_grid: &[&str] = &["-co", "COMPRESS=NONE", "-srcwin", "0", "0", "48", "40"];
        let spoilt = self.folder.path().join(self.layer);
        let options = if translate(&spoilt, &plain, whole).is_ok() { whole } else { of_grid };
        translate(&spoilt, &plain, options)
            .unwrap_or_else(|said| panic!("{}: a run reads what GDAL does not: {said}", self.told));
        let cells = fs::read(&plain).unwrap();
        for _ in 0..3 {
            translate(&spoilt, &plain, options).unwrap();
            let again = fs::read(&plain).unwrap();
            assert!(again == cells, "{}: GDAL itself gives other cells each time, and it passes", self.told);
        }
        fs::rename(&plain, spoilt).unwrap();
        fs::remove_dir_all(&out).unwrap();
        for (name, text) in expected(self.folder.path()) {
            // the dictionary and what quotes the inputs do not tell cells
            assert_eq!(found.get(&name), Some(&text), "{}: {name}", self.told);
        }
        End::ReadAsGdalReadsIt
    }
}

fn translate(from: &Path, to: &Path, options: &[&str]) -> Result<(), String> {
    let outcome = Outcome::of(Command::new("gdal_translate").arg("-q").args(options).arg(from).arg(to));
    if outcome.code == Some(0) { Ok(()) } else { Err(outcome.stderr) }
}

#[test]
fn spoilt_files_are_refused_or_read_as_gdal_reads_them() {
    let base = TempDir::new().unwrap();
    few_layers::write(base.path());
    // expected tables by the digest of the plain file and its layer: most changes that are read change no cell
    let known: Mutex<BTreeMap<(PathBuf, Vec<u8>), Tables>> = Mutex::default();
    let ends: Vec<End> = (0..FILES)
        .into_par_iter()
        .map(|number| {
            let spoilt = Spoilt::new(number, base.path());
            let layer = spoilt.layer;
            spoilt.end(&|folder| {
                let key = (PathBuf::from(layer), fs::read(folder.join(layer)).unwrap());
                if let Some(tables) = known.lock().unwrap().get(&key) {
                    return tables.clone();
                }
                let tables = run(folder);
                known.lock().unwrap().insert(key, tables.clone());
                tables
            })
        })
        .collect();
    let count = |end: End| ends.iter().filter(|other| **other == end).count();
    let counts = [End::RefusedByCheck, End::StoppedInRun, End::ReadAsGdalReadsIt].map(count);
    println!("refused by check, stopped in the run, read as GDAL reads it: {counts:?}");
    assert!(counts[0] > 100 && counts[2] > 50, "the changes are all of one kind: {counts:?}");
}
