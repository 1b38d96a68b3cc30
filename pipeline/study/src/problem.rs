//! What is wrong with a study, said so that its writer can mend it.

use std::path::PathBuf;

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
