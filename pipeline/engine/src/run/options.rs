//! How a run is asked for, and what it answers.

use crate::folder::sibling;
use crate::reuse::{Counts, Machines};
use lentic_report::Headline;
use std::path::{Path, PathBuf};

/// How to run.
#[derive(Clone, Debug)]
pub struct RunOptions {
    /// The run folder.
    pub out: PathBuf,
    /// Cells a side of a tile.
    pub tile: usize,
    /// Memory it may take, MiB; as much as its threads need where it is not said.
    pub memory_mib: Option<u64>,
    /// What is kept of its steps, for the next run.
    pub keep: Keep,
    /// Which part of the work is this machine's.
    pub machines: Machines,
}

/// Where the steps of a run are kept.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Keep {
    /// Beside the run folder, with `.kept` behind its name.
    #[default]
    Beside,
    /// In this folder.
    In(PathBuf),
    /// Nowhere.
    Nothing,
}

impl Keep {
    /// The folder for a run folder; `None` where nothing is kept.
    pub fn folder(&self, out: &Path) -> Option<PathBuf> {
        match self {
            Keep::Nothing => None,
            Keep::In(folder) => Some(folder.clone()),
            Keep::Beside => Some(sibling(out, ".kept")),
        }
    }
}

/// What a run found, for the command line.
#[derive(Clone, Debug)]
pub struct RunSummary {
    /// The run folder.
    pub folder: PathBuf,
    /// Identifier of the run.
    pub run_id: String,
    /// The answer in a few numbers.
    pub headline: Headline,
    /// How suitability does against records, in one line, where the study has them.
    pub records: Option<String>,
    /// Warnings.
    pub warnings: Vec<String>,
    /// Seconds taken.
    pub seconds: f64,
    /// Tiles of steps found as an earlier run left them, and tiles computed.
    pub tiles: Counts,
}

/// The default run folder: `reports/` and the study's name in small letters (the file's name where the study cannot be
/// read; what is wrong with it is for the run to say).
pub fn default_folder(study: &Path) -> PathBuf {
    let name = lentic_study::examine(study).study.map(|study| study.name);
    let stem = || study.file_stem().map(|stem| stem.to_string_lossy().into_owned());
    let mut slug = String::new();
    for c in name.or_else(stem).unwrap_or_default().chars() {
        match c {
            c if c.is_ascii_alphanumeric() => slug.push(c.to_ascii_lowercase()),
            _ if !slug.is_empty() && !slug.ends_with('-') => slug.push('-'),
            _ => {}
        }
    }
    let slug = slug.trim_end_matches('-');
    Path::new("reports").join(if slug.is_empty() { "study" } else { slug })
}
