//! Whoever meets an error is told what to do: every error type says so in its message, or in the words that are given to it wherever
//! it is made; every problem of a study has a help. The sources are read for it, so that a new error cannot be forgotten.

use lentic_tests::mends::{Given, given, says_what_to_do, sources, variants};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Fields that hold words of ours for what to do, wherever a message shows them.
const TELLING: [&str; 7] = ["reason", "mend", "expected", "message", "needed", "problems", "help"];

/// Errors that say nothing of the kind, and why they need not.
const SILENT: [(&str, &str); 10] = [
    ("EngineError::Calibration", "passes on an error of the fit"),
    ("EngineError::Remote", "passes on an error of the file"),
    ("EngineError::ShareDone", "no error: there was nothing more to do"),
    ("EngineError::Stopped", "whoever stopped it knows; it tells what was kept"),
    ("NoAddress::Form", "half a sentence: the problem of the study that it becomes has a help"),
    ("NoAddress::Fragment", "as NoAddress::Form"),
    ("NoAddress::Password", "as NoAddress::Form"),
    ("NoAddress::Query", "as NoAddress::Form"),
    ("RasterError::Size", "a mistake of the program's own, which no file can cause"),
    ("SurveyError::Table", "a list of problems, each held to it by the tests of survey::sheet"),
];

fn root() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

#[test]
fn words_that_say_what_to_do_are_told_from_those_that_do_not() {
    for good in [
        "the disk is full. Free room there",
        "no file matches; correct the pattern or add the files",
        "reading failed: the file may be cut short, copy or make it again",
        "cannot be written (check that the folder exists)",
        "8 rows, expected 9",
    ] {
        assert!(says_what_to_do(good), "{good}");
    }
    for bad in [
        "",
        "the fit failed",
        "the study has no variable",
        "could not be read: line 3",
        "a name and a number are there",
    ] {
        assert!(!says_what_to_do(bad), "{bad}");
    }
}

#[test]
fn every_error_says_what_to_do() {
    let sources = sources(&root());
    let variants = variants(&sources);
    println!("{} sources, {} errors", sources.len(), variants.len());
    assert!(sources.len() > 250 && variants.len() > 60);
    let silent: BTreeMap<&str, &str> = SILENT.into_iter().collect();
    for name in silent.keys() {
        assert!(variants.contains_key(*name), "{name} is no error any more");
    }
    // numerics has no words for users: whoever calls it does
    let own = variants.iter().filter(|(_, variant)| !variant.file.starts_with("pipeline/numerics"));
    let mut wanted = BTreeSet::new();
    let mut faults = Vec::new();
    for (name, variant) in
        own.filter(|(name, variant)| !variant.message.is_empty() && !silent.contains_key(name.as_str()))
    {
        if says_what_to_do(&variant.message) {
            continue;
        }
        let shown = variant.fields.iter().filter(|field| variant.message.contains(&format!("{{{field}}}")));
        let telling: Vec<&String> =
            shown.filter(|f| TELLING.contains(&f.as_str()) || f.parse::<usize>().is_ok()).collect();
        let passes_on = variant.fields.is_empty() && variant.message.trim_end().ends_with("{0}");
        if telling.is_empty() && !passes_on {
            faults.push(format!(
                "{}: {name} does not say what to do: {:?}",
                variant.file,
                variant.message.trim()
            ));
        }
        wanted.extend(telling.into_iter().map(|field| (name.clone(), field.clone())));
    }
    let made = given(&sources, &wanted);
    for (name, field) in &wanted {
        let of = format!("{name}.{field}");
        if !made.iter().any(|given| given.of == of) {
            faults.push(format!("{of} is never made where it can be seen"));
        }
    }
    println!("{} are told by what is given to them, at {} places", wanted.len(), made.len());
    faults.extend(made.iter().flat_map(|given| {
        let silent = given.texts.iter().flatten().filter(|text| !says_what_to_do(text));
        silent
            .map(|text| format!("{}: {} does not say what to do: {:?}", given.place, given.of, text.trim()))
            .collect::<Vec<_>>()
    }));
    assert!(faults.is_empty(), "{}\n{} in all", faults.join("\n"), faults.len());
}

#[test]
fn every_problem_has_a_help() {
    let sources = sources(&root());
    let wanted = BTreeSet::from([("*".to_string(), "help".to_string())]);
    let made = given(&sources, &wanted);
    println!("{} places", made.len());
    assert!(made.len() > 300, "{}", made.len());
    let lacks = |given: &&Given| {
        let empty = given.texts.iter().flatten().any(|text| text.trim().is_empty());
        // an error that is passed on has said it; a message of ours must
        let message = given.message.clone().unwrap_or_default();
        let passed_on = |text: &String| text.contains("{e}") || text.contains("{error}");
        empty && !message.iter().all(|text| passed_on(text) || says_what_to_do(text))
    };
    let faults: Vec<String> = made
        .iter()
        .filter(lacks)
        .map(|given| format!("{}: no help beside {:?}", given.place, given.message))
        .collect();
    assert!(faults.is_empty(), "{}\n{} in all", faults.join("\n"), faults.len());
}
