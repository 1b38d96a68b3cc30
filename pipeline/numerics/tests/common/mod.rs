//! Reading of the tables in `tests/data`, and comparison of numbers.

#![allow(clippy::unwrap_used, reason = "a test that cannot read its table must stop")]

use std::collections::BTreeMap;
use std::path::Path;

/// A table of numbers by column; an empty field is NaN.
pub fn table(name: &str) -> BTreeMap<String, Vec<f64>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name);
    let mut reader = csv::Reader::from_path(path).unwrap();
    let headers = reader.headers().unwrap().clone();
    let mut columns: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for record in reader.records() {
        for (header, field) in headers.iter().zip(&record.unwrap()) {
            let value = if field.is_empty() { f64::NAN } else { field.parse().unwrap() };
            columns.entry(header.to_string()).or_default().push(value);
        }
    }
    columns
}

/// Asserts that two numbers differ by at most `tolerance`.
#[track_caller]
pub fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "found {found}, expected {expected} within {tolerance}");
}

/// Asserts that two numbers agree within a share of the expected one.
#[track_caller]
#[allow(dead_code, reason = "each test file compiles its own copy of this module")]
pub fn near_share(found: f64, expected: f64, share: f64) {
    near(found, expected, share * expected.abs());
}
