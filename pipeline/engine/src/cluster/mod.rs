//! A run on a cluster that Slurm shares out: a job array for each step, one array index for each share, each step after the one
//! before, and last the job that puts the run together.

mod scripts;
mod slurm;

pub use scripts::{Script, scripts, shares_text};
pub use slurm::{Submitted, scheduled, submit};

use crate::check::check;
use crate::error::EngineError;
use crate::folder::sibling;
use crate::progress::Progress;
use crate::run::RunOptions;
use crate::shards::{SharedStep, plan, shared_steps};
use std::path::{Path, PathBuf};

/// What every job of a run has in common.
#[derive(Clone, Debug)]
pub struct Work {
    /// The study file, absolute.
    pub study: PathBuf,
    /// The run folder, absolute.
    pub out: PathBuf,
    /// Folder of kept steps, absolute, where it is not the usual one.
    pub kept: Option<PathBuf>,
    /// Cells a side of a tile.
    pub tile: usize,
    /// Shares that every step is cut into.
    pub shards: usize,
    /// The program.
    pub program: PathBuf,
}

/// A step with the shares of it that are to be computed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StepShares {
    /// Number, from 1.
    pub step: usize,
    /// What it does, in words.
    pub title: String,
    /// Its shares, from 0, rising.
    pub shares: Vec<usize>,
}

impl Work {
    /// Folder of scripts, logs and the list of jobs: beside the run folder.
    #[must_use]
    pub fn jobs(&self) -> PathBuf {
        sibling(&self.out, ".jobs")
    }
}

fn refused(reason: impl Into<String>) -> EngineError {
    EngineError::Cluster { reason: reason.into() }
}

/// A path as text for a script.
fn text_of(path: &Path) -> Result<&str, EngineError> {
    let text = path.to_str().filter(|text| !text.contains(char::is_control));
    text.ok_or_else(|| {
        refused(format!(
            "the path {} holds characters that cannot stand in a script; rename it",
            path.display()
        ))
    })
}

/// The steps of a run with the shares to be computed: all, or (`again`) those that are not kept yet.
///
/// # Errors
/// A study that is refused, an input that cannot be read, or a store that is none.
pub fn steps(
    work: &Work,
    options: &RunOptions,
    again: bool,
    progress: &dyn Progress,
) -> Result<Vec<StepShares>, EngineError> {
    let found = match again {
        true => plan(&work.study, options, progress)?.shares(work.shards),
        false => {
            let steps = shared_steps(&check(&work.study)?).into_iter();
            steps.map(|step| SharedStep { step, missing: (0..work.shards).collect() }).collect()
        }
    };
    let one = |(at, shared): (usize, SharedStep)| StepShares {
        step: at + 1,
        title: shared.step.title().into(),
        shares: shared.missing.into_iter().collect(),
    };
    Ok(found.into_iter().enumerate().map(one).collect())
}
