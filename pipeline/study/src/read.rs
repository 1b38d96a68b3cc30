//! From a TOML file to the written form, every problem of form found together.

use crate::options::StudyFile;
use crate::problem::{Problem, Problems};
use crate::shape;
use crate::source::Source;
use std::path::Path;

/// Reads a study file.
///
/// # Errors
/// A file that cannot be read or is not TOML gives one problem. Otherwise every unknown key, missing
/// key, wrong type, unknown word and number out of range is listed, each with its place.
pub fn read(path: &Path) -> Result<(StudyFile, Source), Problems> {
    let unreadable = |message: String, help: &str| {
        Problems(vec![Problem {
            file: path.to_path_buf(),
            place: None,
            message,
            help: help.into(),
            warning: false,
        }])
    };
    let bytes = std::fs::read(path).map_err(|error| {
        unreadable(
            format!("the study file cannot be read: {error}"),
            "give the path of a study file, a text file in TOML",
        )
    })?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..at].iter().filter(|b| **b == b'\n').count() + 1;
        unreadable(format!("line {line} is not UTF-8 text"), "save the file as UTF-8 in a text editor")
    })?;
    parse(path, text)
}

/// As [`read`], of text at hand; `path` is what messages name and what relative paths start from.
///
/// # Errors
/// As [`read`].
pub fn parse(path: &Path, text: String) -> Result<(StudyFile, Source), Problems> {
    let (source, mut problems) = Source::parse(path, text).map_err(|problem| Problems(vec![problem]))?;
    problems.extend(shape::check(&source));
    if !problems.is_empty() {
        sort(path, &mut problems);
        return Err(Problems(problems));
    }
    // The schema is made from these very types, so what is left is what a schema cannot say.
    match serde_json::from_value(source.value().clone()) {
        Ok(file) => Ok((file, source)),
        Err(error) => Err(Problems(vec![Problem {
            file: source.path,
            place: None,
            message: format!("the study file does not fit its form: {error}"),
            help: "compare it with the templates in configs/".into(),
            warning: false,
        }])),
    }
}

/// Sorts problems as a reader meets them: the study file from top to bottom, then other files.
pub(crate) fn sort(study: &Path, problems: &mut [Problem]) {
    problems.sort_by(|a, b| {
        let rank = |p: &Problem| (p.file != study, p.file.clone(), p.place.map(|p| p.start));
        rank(a).cmp(&rank(b))
    });
}
