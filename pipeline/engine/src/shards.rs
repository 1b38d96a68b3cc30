//! One run on several machines: shares of its steps, each on a machine of its own, over a store on a shared file system, and then
//! the run put together from them.

use crate::check::{Checked, check};
use crate::error::{EngineError, io};
use crate::inputs;
use crate::progress::Progress;
use crate::reuse::{Machines, Planned, Shard, Standing, Step, Store, common, steps};
use crate::run::{Keep, RunOptions, RunSummary, run};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// A run as the store knows it.
#[derive(Clone, Debug)]
pub struct RunPlan {
    /// The store; `None` where nothing is kept.
    pub store: Option<PathBuf>,
    /// Its steps, in order.
    pub steps: Vec<Planned>,
}

/// A step that is shared out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SharedStep {
    /// The step.
    pub step: Step,
    /// Its shares that are missing, from 0.
    pub missing: BTreeSet<usize>,
}

impl RunPlan {
    /// The steps that are shared out into so many shares, in order: their numbers count from 1.
    pub fn shares(&self, of: usize) -> Vec<SharedStep> {
        let mut found: Vec<SharedStep> = Vec::new();
        for planned in &self.steps {
            let missing = planned.missing_shares(of);
            match found.last_mut().filter(|last| last.step == planned.step) {
                Some(last) => last.missing.extend(missing),
                None => found.push(SharedStep { step: planned.step, missing }),
            }
        }
        found
    }
}

/// What a run would compute, and why; nothing is computed or written.
///
/// # Errors
/// A study that is refused, an input that cannot be read, or a store that is none.
pub fn plan(study: &Path, options: &RunOptions, progress: &dyn Progress) -> Result<RunPlan, EngineError> {
    let checked = check(study)?;
    let inputs = inputs::checksums(&checked, progress)?;
    let store = options.keep.folder(&options.out);
    let common = common(&checked, &inputs, options.tile).unwrap_or_default();
    let found = match store.as_deref() {
        Some(folder) if folder.exists() => Store::open(folder, common, Machines::One)?.of_run(&options.out),
        _ => Store::empty(common),
    };
    Ok(RunPlan { store, steps: found.plan(&checked) })
}

/// The steps that are shared out, numbered from 1 in their order.
pub fn shared_steps(checked: &Checked) -> Vec<Step> {
    let mut shared: Vec<Step> = steps(checked).into_iter().map(|(step, _)| step).collect();
    shared.dedup();
    shared
}

/// Computes a share of a step and keeps it: `step` from 1, `index` from 0.
///
/// # Errors
/// A study that is refused, a step or share there is not, tiles of the steps before that are missing, or a disk that refuses.
pub fn run_share(
    study: &Path,
    options: &RunOptions,
    (step, index, of): (usize, usize, usize),
    progress: &dyn Progress,
) -> Result<(), EngineError> {
    let steps = shared_steps(&check(study)?);
    let refused = |reason: String| EngineError::Share { reason };
    let found = step.checked_sub(1).and_then(|at| steps.get(at));
    let Some(step) = found.copied() else {
        return Err(refused(format!(
            "step {step} is asked for, and the study has the steps 1 to {}; give one of them",
            steps.len()
        )));
    };
    if index >= of {
        return Err(refused(format!(
            "share {index} is asked for, and {of} shares count from 0 to {}; give one of them",
            of.saturating_sub(1)
        )));
    }
    let Some(store) = options.keep.folder(&options.out) else {
        return Err(refused(
            "a share is nothing but what it keeps, so that it needs a store; leave --keep-nothing out".into(),
        ));
    };
    // the cells of this machine's own, apart from the run folder that the merge makes
    let work = tempfile::Builder::new().prefix("lentic-").tempdir().map_err(io(&std::env::temp_dir()))?;
    let own = RunOptions {
        out: work.path().join("share"),
        keep: Keep::In(store),
        machines: Machines::Share(Shard { step, index, of }),
        ..options.clone()
    };
    match run(study, &own, progress) {
        Err(EngineError::ShareDone) => Ok(()),
        Err(EngineError::NoRoom { said, folder, free, needed, .. }) => {
            Err(EngineError::NoRoom { said, folder, free, needed, with: " with TMPDIR (and --kept)" })
        }
        // a step that turns out to have nothing to do
        other => other.map(|_| ()),
    }
}

/// Puts a run together from the shares of all steps; `of`: how many shares there are of each.
///
/// # Errors
/// Shares that are missing, all of them named; else as a run.
pub fn merge(
    study: &Path,
    options: &RunOptions,
    of: usize,
    progress: &dyn Progress,
) -> Result<RunSummary, EngineError> {
    let found = plan(study, options, progress)?;
    let numbers = found.shares(of);
    let missing: Vec<String> = found
        .steps
        .iter()
        .filter(|planned| planned.standing != Standing::Kept)
        .map(|planned| {
            let number = numbers.iter().position(|shared| shared.step == planned.step).map_or(0, |at| at + 1);
            let shares: Vec<String> = planned.missing_shares(of).iter().map(usize::to_string).collect();
            format!("step {number} ({}): {}", planned.title(), shares.join(", "))
        })
        .collect();
    if !missing.is_empty() {
        return Err(EngineError::SharesMissing { of, missing: missing.join("; ") });
    }
    run(study, &RunOptions { machines: Machines::Merge, ..options.clone() }, progress)
}
