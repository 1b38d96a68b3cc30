//! A study looked at as a whole: problems of form and of sense together, and what is sound of it.

use crate::problem::{Problem, Problems};
use crate::read::{Written, text_of, written};
use crate::resolve::settle;
use crate::settings::Study;
use crate::source::Source;
use std::path::Path;

/// What [`examine`] finds.
#[derive(Clone, Debug)]
pub struct Examined {
    /// The study; whole and ready to run only where there are no problems.
    ///
    /// Of a study with problems it holds what can still be compared with its files, and must not be run:
    /// layers, variables and series that are not sound are left out, and water layers and climate with
    /// them where the baseline is not known. In `grid`, `crs` is empty, or both `bounds` and `area` are
    /// `None`, where they cannot be used. `None` for a text that is not TOML.
    pub study: Option<Study>,
    /// Problems of form and of sense, in the order of [`Problems::sorted`]; none is only the consequence
    /// of another.
    pub problems: Vec<Problem>,
    /// What the writer should look into, from top to bottom.
    pub warnings: Vec<Problem>,
    /// The text with its places; `None` for a text that is not TOML.
    pub source: Option<Source>,
}

/// Reads a study file and finds all that is wrong with its form and its sense; layers are not opened.
pub fn examine(path: &Path) -> Examined {
    let Written { source, mut problems, spoilt, file } = match text_of(path).and_then(|text| written(path, text)) {
        Ok(written) => written,
        Err(Problems(problems)) => {
            return Examined { study: None, problems, warnings: Vec::new(), source: None };
        }
    };
    let settled = file.map(|file| settle(&file, &source, &spoilt));
    let (study, warnings) = match settled {
        Some(settled) => {
            problems.extend(settled.problems);
            (Some(settled.study), settled.warnings)
        }
        None => (None, Vec::new()),
    };
    let Problems(problems) = Problems::sorted(&source.path, problems);
    let Problems(warnings) = Problems::sorted(&source.path, warnings);
    Examined { study, problems, warnings, source: Some(source) }
}

/// Reads and resolves a study file; gives the study and its warnings.
///
/// # Errors
/// All problems of form and of sense together.
pub fn load(path: &Path) -> Result<(Study, Vec<Problem>), Problems> {
    let Examined { study, problems, warnings, .. } = examine(path);
    match study {
        Some(study) if problems.is_empty() => Ok((study, warnings)),
        _ => Err(Problems(problems)),
    }
}
