//! From a TOML file to the written form, every problem of form found together.

use crate::options::StudyFile;
use crate::problem::{Problem, Problems};
use crate::shape::{self, Shape};
use crate::source::Source;
use crate::spoilt::Spoilt;
use std::io::Read;
use std::path::Path;

/// Longest text in TOML that is read, bytes.
const LONGEST: u64 = 64 << 20;

/// Reads a study file.
///
/// # Errors
/// A file that cannot be read or is not TOML gives one problem. Otherwise every unknown key, missing
/// key, wrong type, unknown word and number out of range is listed, each with its place.
pub fn read(path: &Path) -> Result<(StudyFile, Source), Problems> {
    sound(written(path, text_of(path, "study file")?)?)
}

/// As [`read`], of text at hand; `path` is what messages name and what relative paths start from.
///
/// # Errors
/// As [`read`].
pub fn parse(path: &Path, text: String) -> Result<(StudyFile, Source), Problems> {
    sound(written(path, text)?)
}

/// A study file as written, as far as it can be used.
pub(crate) struct Written {
    pub source: Source,
    /// Problems of form.
    pub problems: Vec<Problem>,
    /// What those problems leave unknown.
    pub spoilt: Spoilt,
    /// The file, with stand-ins for what is spoilt; `None` where not even that fits.
    pub file: Option<StudyFile>,
}

fn sound(written: Written) -> Result<(StudyFile, Source), Problems> {
    let Written { source, problems, file, .. } = written;
    match file {
        Some(file) if problems.is_empty() => Ok((file, source)),
        _ => Err(Problems::sorted(&source.path, problems)),
    }
}

/// The text of a file a person wrote, called `what` in messages.
pub(crate) fn text_of(path: &Path, what: &str) -> Result<String, Problems> {
    let bytes = limited(path).map_err(|error| {
        let message = format!("the {what} cannot be read: {error}");
        unreadable(path, message, format!("give the path of a {what}, a text file in TOML"))
    })?;
    decoded(path, bytes)
}

fn unreadable(path: &Path, message: String, help: String) -> Problems {
    Problems(vec![Problem::of_file(path, None, message, help)])
}

/// The bytes of a file that a person wrote; what does not end, as a device, is not read to the end of memory.
fn limited(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    std::fs::File::open(path)?.take(LONGEST + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > LONGEST {
        let message = format!("it is longer than {} MiB, which no such file is", LONGEST >> 20);
        return Err(std::io::Error::other(message));
    }
    Ok(bytes)
}

/// The text of bytes that should be UTF-8.
pub(crate) fn decoded(path: &Path, bytes: Vec<u8>) -> Result<String, Problems> {
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..at].iter().filter(|b| **b == b'\n').count() + 1;
        let help = "save the file as UTF-8 in a text editor".into();
        unreadable(path, format!("line {line} is not UTF-8 text"), help)
    })
}

/// Everything that is wrong with the form of the text, and what is sound of it.
///
/// # Errors
/// The one problem of a text that is not TOML.
pub(crate) fn written(path: &Path, text: String) -> Result<Written, Problems> {
    let (source, mut problems) = Source::parse(path, text).map_err(|problem| Problems(vec![problem]))?;
    let Shape { problems: found, spoilt, mended } = shape::check(&source);
    problems.extend(found);
    // The schema is made from these very types, so what is left is what a schema cannot say.
    let file = match serde_json::from_value(mended) {
        Ok(file) => Some(file),
        Err(error) => {
            if problems.is_empty() {
                problems.push(Problem {
                    file: source.path.clone(),
                    place: None,
                    message: format!("the study file does not fit its form: {error}"),
                    help: "compare it with the templates in configs/".into(),
                    warning: false,
                });
            }
            None
        }
    };
    Ok(Written { source, problems, spoilt, file })
}
