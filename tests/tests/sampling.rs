//! Latin hypercubes and Sobol indices against scipy.

use lentic_numerics::latin_hypercube::latin_hypercube;
use lentic_numerics::sensitivity::SensitivityDesign;
use lentic_tests::outside::python_json;
use serde_json::{Value, json};
use std::fs;

fn ask(questions: &Value) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("questions.json");
    fs::write(&path, questions.to_string()).unwrap();
    python_json("sampling.py", &path)
}

/// Our hypercubes are as even as those of scipy.stats.qmc, and more even than any random sample.
#[test]
fn hypercubes_are_as_even_as_those_of_scipy() {
    let samples: Vec<_> =
        [(200, 2, 1), (200, 6, 2), (50, 3, 3)].map(|(n, d, seed)| latin_hypercube(n, d, seed)).into();
    let answers = ask(&json!({ "hypercubes": samples, "indices": [] }));
    for answer in answers["hypercubes"].as_array().unwrap() {
        let number = |of: &str, at: usize| answer[of][at].as_f64().unwrap();
        let own = answer["own"].as_f64().unwrap();
        assert!(number("latin", 0) * 0.8 < own && own < number("latin", 1) * 1.2, "{answer}");
        assert!(own < number("chance", 0), "{answer}");
    }
}

/// The same values give the same indices in scipy.stats.sobol_indices.
#[test]
fn sobol_indices_are_those_of_scipy() {
    type Function = fn(&[f64]) -> f64;
    let functions: [(usize, Function); 3] = [
        (3, |u| (6.0 * u[0]).sin() + 7.0 * u[1].powi(2) + 3.0 * u[0] * u[2]),
        (4, |u| 1e6 + u[0] * u[1] * u[2] + u[3]),
        (2, |u| f64::from(u8::from(u[0] > 0.3)) - f64::from(u8::from(u[1] > 0.9))),
    ];
    let samples = 64;
    let mut questions = Vec::new();
    let mut found = Vec::new();
    for (factors, f) in functions {
        let design = SensitivityDesign::new(samples, &vec![1; factors], 9);
        let values: Vec<f64> = (0..design.len()).map(|at| f(&design.point(at))).collect();
        let kinds: Vec<&[f64]> = values.chunks(samples).collect();
        questions.push(json!({ "a": kinds[0], "b": kinds[1], "mixed": kinds[2..] }));
        found.push(design.indices(&values, 9).unwrap());
    }
    let answers = ask(&json!({ "hypercubes": [], "indices": questions }));
    for (found, answer) in found.iter().zip(answers["indices"].as_array().unwrap()) {
        for (at, index) in found.iter().enumerate() {
            for (own, kind) in [(index.first.value, "first"), (index.total.value, "total")] {
                let expected = answer[kind][at].as_f64().unwrap();
                assert!((own - expected).abs() < 1e-9, "{kind} {at}: {own}, scipy {expected}");
            }
        }
    }
}
