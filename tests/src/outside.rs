//! Programs of others that say what is expected or what the products are: Python with general-purpose libraries, and
//! GDAL's own programs.

use crate::Outcome;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The folder of the reference scripts.
pub fn reference() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference")
}

/// A Python with the libraries of `tests/reference/requirements.txt`.
///
/// # Panics
/// Without the environment variable `LENTIC_PYTHON`: these tests are never skipped.
#[track_caller]
pub fn python() -> Command {
    let path = std::env::var_os("LENTIC_PYTHON").unwrap_or_else(|| {
        panic!(
            "LENTIC_PYTHON is not set; it names a Python with the libraries of tests/reference/requirements.txt. \
             Run `make test`, which sets it up"
        )
    });
    let mut command = Command::new(path);
    // nothing compiled is left among the sources
    command.env("PYTHONDONTWRITEBYTECODE", "1").current_dir(reference());
    command
}

/// Runs a reference script, which must succeed, and reads the JSON it prints.
#[track_caller]
pub fn python_json(script: &str, argument: &Path) -> Value {
    let text = Outcome::of(python().arg(script).arg(argument)).done();
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{script} printed no JSON ({e}): {text}"))
}

/// Runs the comparison of a run with the independent program, which must agree, and returns its lines.
#[track_caller]
pub fn agrees(study: &Path, run: &Path) -> String {
    let outcome = Outcome::of(python().arg("compare.py").arg(study).arg(run));
    let (said, why) = (&outcome.stdout, &outcome.stderr);
    assert_eq!(outcome.code, Some(0), "the run and the reference differ:\n{said}{why}");
    outcome.stdout
}

/// Asserts that the comparison looked at something: a line `ok NAME` for each, and cells where rasters are.
#[track_caller]
pub fn looked_at(said: &str, names: &[&str]) {
    for name in names {
        let begin = format!("ok    {name}: ");
        let line = said.lines().find(|line| line.starts_with(&begin));
        let line = line.unwrap_or_else(|| panic!("{name} was not compared:\n{said}"));
        assert!(!line.contains(" 0 cells compared") && !line.contains(" 0 rows"), "{line}");
    }
}

/// What `gdalinfo -json` says of a raster.
#[track_caller]
pub fn gdalinfo(path: &Path) -> Value {
    let text = Outcome::of(Command::new("gdalinfo").arg("-json").arg(path)).done();
    serde_json::from_str(&text).expect("gdalinfo prints JSON")
}

/// What `ogrinfo` answers to an SQL query (SQLite's dialect) with one row: field name and value.
#[track_caller]
pub fn ogr_query(path: &Path, sql: &str) -> Vec<(String, f64)> {
    let text = Outcome::of(
        Command::new("ogrinfo").args(["-ro", "-q"]).arg(path).args(["-dialect", "SQLITE", "-sql", sql]),
    )
    .done();
    let field = |line: &str| {
        let (name, value) = line.split_once(" = ")?;
        let name = name.split_whitespace().next()?;
        Some((name.to_string(), value.trim().parse().ok()?))
    };
    text.lines().filter_map(field).collect()
}
