//! What is wrong with a study, said so that its writer can mend it.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

/// A place in a text file: bytes from the start, and the line for people.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
    /// Line, from 1.
    pub line: usize,
}

impl Place {
    /// A place of which only the line is known.
    #[must_use]
    pub fn of_line(line: usize) -> Self {
        Place { start: 0, end: 0, line }
    }
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file it is in: the study file, a legend, a climate table.
    pub file: PathBuf,
    /// Where in that file, if known.
    pub place: Option<Place>,
    /// What was found and what is expected, one sentence or two.
    pub message: String,
    /// How to mend it.
    pub help: String,
    /// A warning lets the run go on.
    pub warning: bool,
}

impl Problem {
    /// A problem of a file, at a place if one is known.
    #[must_use]
    pub fn of_file(
        file: &Path,
        place: Option<Place>,
        message: impl Into<String>,
        help: impl Into<String>,
    ) -> Self {
        Problem {
            file: file.to_path_buf(),
            place,
            message: message.into(),
            help: help.into(),
            warning: false,
        }
    }
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.file.display())?;
        if let Some(place) = self.place {
            write!(f, ":{}", place.line)?;
        }
        write!(f, ": {}", self.message)?;
        if !self.help.is_empty() {
            write!(f, " ({})", self.help)?;
        }
        Ok(())
    }
}

/// All problems of a study, found together.
#[derive(Clone, Debug, thiserror::Error)]
#[error("{} problem(s) in the study:\n{}", .0.len(), .0.iter().map(|p| format!("  {p}")).collect::<Vec<_>>().join("\n"))]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// Problems as a reader meets them: the study file from top to bottom, then other files by name and
    /// line; what is told of a whole file comes before its lines. The same problem found twice (two layers
    /// may share a legend) is told once.
    pub fn sorted(study: &Path, mut problems: Vec<Problem>) -> Self {
        let rank = |p: &Problem| (p.file != study, p.file.clone(), p.place.map(|p| (p.line, p.start)));
        problems.sort_by_cached_key(rank);
        let mut told = HashSet::new();
        problems.retain(|p| told.insert((p.file.clone(), p.place.map(|p| p.line), p.message.clone())));
        Problems(problems)
    }
}
