//! What must hold of the readers of what others write, whatever the bytes: a body for each reader, called by the fuzzer (`tests/fuzz`)
//! and, over seeds and changes of them, by an ordinary test (`tests/tests/fuzz_seeds.rs`).
//!
//! A body panics where a promise is broken. Besides, no reader may crash, hang or ask for memory without bounds.

pub mod change;
mod numbers;
mod study;
mod tables;

use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// A reader under attack.
pub struct Target {
    /// Its name, and that of the folder of its seeds.
    pub name: &'static str,
    /// What must hold of any bytes.
    pub body: fn(&[u8]),
}

/// All of them.
pub const TARGETS: [Target; 10] = [
    Target { name: "study", body: study::study },
    Target { name: "scenes", body: study::scenes },
    Target { name: "pattern", body: study::pattern },
    Target { name: "legend", body: tables::legend },
    Target { name: "records", body: tables::records },
    Target { name: "climate", body: tables::climate },
    Target { name: "survey_table", body: tables::survey_table },
    Target { name: "items", body: tables::items },
    Target { name: "kept_part", body: numbers::kept_part },
    Target { name: "matrix", body: numbers::matrix },
];

/// Calls the body of a target.
///
/// # Panics
/// No target of this name, or a promise is broken.
pub fn attack(name: &str, bytes: &[u8]) {
    let target = TARGETS.iter().find(|target| target.name == name).expect("a target of this name");
    (target.body)(bytes);
}

/// The small demo basin that lies with the sources: relative paths of the seeds start there.
fn sample() -> PathBuf {
    let own = Path::new(env!("CARGO_MANIFEST_DIR"));
    let samples = own.ancestors().map(|folder| folder.join("data-samples/talverra-sink-small"));
    samples.into_iter().find(|folder| folder.is_dir()).expect("the sample basin lies with the sources")
}

/// Calls `read` with the path of a file that holds these bytes. The file is used again and again, by one thread.
fn with_file<T>(name: &str, bytes: &[u8], read: impl FnOnce(&Path) -> T) -> T {
    thread_local! {
        static FOLDER: TempDir = TempDir::new().expect("a temporary folder");
    }
    FOLDER.with(|folder| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).expect("writing a temporary file");
        read(&path)
    })
}

/// Lines of a text, by any of the usual line ends; the last may be empty.
fn lines(bytes: &[u8]) -> usize {
    let ends = bytes.iter().enumerate().filter(|(at, byte)| match byte {
        b'\n' => true,
        b'\r' => bytes.get(at + 1) != Some(&b'\n'),
        _ => false,
    });
    ends.count() + 1
}

/// Asserts that problems say something, and say it of a line that is there where they are of this file.
fn sound(problems: &[lentic_study::Problem], file: &Path, bytes: &[u8]) {
    for problem in problems {
        assert!(!problem.message.trim().is_empty(), "{problem:?}");
        let Some(place) = problem.place.filter(|_| problem.file == file) else { continue };
        assert!((1..=lines(bytes)).contains(&place.line), "{problem} is on no line of {}", lines(bytes));
        assert!(place.start <= place.end && place.end <= bytes.len(), "{problem:?} beyond {}", bytes.len());
    }
}
