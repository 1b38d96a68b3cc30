//! A study looked at as a whole: problems of form and of sense together, and what is sound of it.

use crate::problem::{Problem, Problems};
use crate::read::{Written, decoded, text_of, written};
use crate::resolve::settle;
use crate::settings::Study;
use crate::source::Source;
use std::path::{Path, PathBuf};

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
    /// Those of the problems that a line added to a legend would mend.
    pub unlisted: Vec<Unlisted>,
    /// The text with its places; `None` for a text that is not TOML.
    pub source: Option<Source>,
}

/// A problem with a code that a legend does not name. Where the code occurs in the layer it is the legend
/// that is wrong, and this problem only follows from that.
#[derive(Clone, Debug)]
pub struct Unlisted {
    /// The legend.
    pub legend: PathBuf,
    /// The code.
    pub code: i32,
    /// The problem, which stands among the others too.
    pub problem: Problem,
}

/// Reads a study file and finds all that is wrong with its form and its sense; layers are not opened.
pub fn examine(path: &Path) -> Examined {
    examined(path, text_of(path, "study file"))
}

/// As [`examine`], of the bytes of a study file at hand; `path` is what messages name and what relative paths start from.
pub fn examine_bytes(path: &Path, bytes: Vec<u8>) -> Examined {
    examined(path, decoded(path, bytes))
}

fn examined(path: &Path, text: Result<String, Problems>) -> Examined {
    let nothing = Examined {
        study: None,
        problems: Vec::new(),
        warnings: Vec::new(),
        unlisted: Vec::new(),
        source: None,
    };
    let Written { source, mut problems, spoilt, file } = match text.and_then(|text| written(path, text)) {
        Ok(written) => written,
        Err(Problems(problems)) => return Examined { problems, ..nothing },
    };
    let mut examined = nothing;
    if let Some(file) = file {
        let settled = settle(&file, &source, &spoilt);
        problems.extend(settled.problems);
        let Problems(warnings) = Problems::sorted(&source.path, settled.warnings);
        examined.study = Some(settled.study);
        examined.unlisted = settled.unlisted;
        examined.warnings = warnings;
    }
    let Problems(problems) = Problems::sorted(&source.path, problems);
    Examined { problems, source: Some(source), ..examined }
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
