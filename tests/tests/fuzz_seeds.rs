//! The bodies of the fuzzer over its seeds (`tests/fuzz/seeds`) and over some thousand changes of them, the same each time.
//!
//! Found crashes are kept among the seeds, so that they stay mended.

use lentic_tests::hostile::TARGETS;
use lentic_tests::hostile::change::Changes;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;
use std::time::Duration;

/// Changed seeds tried for each target.
const CHANGED: usize = 2000;
/// Longest that all of a target may take on a loaded machine; one that hangs takes for ever.
const LONGEST: Duration = Duration::from_secs(240);

fn seeds(target: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/seeds").join(target);
    let files = fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    let mut files: Vec<PathBuf> = files.map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(!files.is_empty(), "{target} has no seed");
    files.into_iter().map(|file| (file.clone(), fs::read(file).unwrap())).collect()
}

/// Runs the body of a target in a thread of its own, within the time.
fn attacked(name: &'static str) {
    let body = TARGETS.iter().find(|target| target.name == name).unwrap().body;
    let (done, ended) = channel();
    let worker = std::thread::spawn(move || {
        let seeds = seeds(name);
        let hold = |what: &str, bytes: &[u8]| {
            if catch_unwind(AssertUnwindSafe(|| body(bytes))).is_err() {
                let kept = std::env::temp_dir().join(format!("lentic-{name}-failing"));
                fs::write(&kept, bytes).unwrap();
                panic!("{name}: {what} breaks a promise; its bytes are in {}", kept.display());
            }
        };
        for (file, bytes) in &seeds {
            hold(&file.display().to_string(), bytes);
        }
        let seeds: Vec<Vec<u8>> = seeds.into_iter().map(|(_, bytes)| bytes).collect();
        let mut changes = Changes::new(&seeds, 20);
        for number in 0..CHANGED {
            hold(&format!("change {number}"), &changes.next_bytes());
        }
        let _ = done.send(());
    });
    let waited = ended.recv_timeout(LONGEST);
    assert!(!matches!(waited, Err(std::sync::mpsc::RecvTimeoutError::Timeout)), "{name} does not end");
    worker.join().unwrap();
}

macro_rules! targets {
    ($($name:ident)*) => {
        $(#[test]
        fn $name() {
            attacked(stringify!($name));
        })*

        #[test]
        fn every_target_is_attacked() {
            let names: Vec<&str> = TARGETS.iter().map(|target| target.name).collect();
            assert_eq!(names, [$(stringify!($name)),*]);
        }
    };
}

targets! { study scenes pattern legend records climate survey_table items kept_part matrix }
