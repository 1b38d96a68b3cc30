//! A whole run: check, compute stage by stage, write products, publish.

mod cases;
mod clock;
mod compute;
mod found;
mod options;
mod report;

pub(crate) use cases::{case_of, cases, spreads};
pub(crate) use clock::Clock;
pub use options::{Keep, RunOptions, RunSummary, default_folder};

use crate::budget::Budget;
use crate::check::{Checked, check};
use crate::dated;
use crate::error::EngineError;
use crate::folder::{self, Building};
use crate::limits;
use crate::progress::Progress;
use crate::reuse::Store;
use crate::room;
use crate::watch::Watched;
use compute::compute;
use std::path::Path;
use std::sync::OnceLock;

/// Version of the program.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");

/// File in `cells/` that keeps what the page shows.
pub const PAGE: &str = "page.json";

/// Page, figures and tables of a small study, MiB.
const PAGE_MIB: u64 = 12;

/// Runs a study and leaves the run folder.
///
/// # Errors
/// A study that is refused, a layer that cannot be read, or a disk that refuses; then no run folder is left
/// and an earlier one stays as it was.
pub fn run(study: &Path, options: &RunOptions, progress: &dyn Progress) -> Result<RunSummary, EngineError> {
    let clock = Clock::start();
    progress.start("checking the study", 0);
    let checked = check(study)?;
    progress.finish();
    let study = checked.study.clone();
    let budget = options.memory_mib.map(|mib| Budget::of(&checked, options.tile, mib)).transpose()?;
    limits::addresses(options.memory_mib.unwrap_or_else(|| checked.memory_mib(options.tile)))?;
    // before anything is read again, so that whatever is done to a file from here on is noticed
    let watched = Watched::of(&checked)?;
    folder::replaces_none(&options.out, watched.paths(), options.keep.folder(&options.out).as_deref())?;
    let needed_mib = needed_mib(&checked);
    let work = || {
        let building = Building::start(&options.out)?;
        let store = OnceLock::new();
        compute(checked, options, (&building, &store, &watched), progress, clock).map_err(|error| {
            if matches!(error, EngineError::ShareDone | EngineError::Changed { .. }) {
                return error;
            }
            // a file that changed explains any other failure, and what was kept of it must go
            let stays = store.get().map_or_else(|| watched.untouched(), Store::files_unchanged);
            // a full disk is told before what was written is removed, while it is as full as it was
            let told = || room::told(error, &options.out, Some(needed_mib), room::WITH_OUT);
            stays.err().unwrap_or_else(told)
        })
    };
    match budget {
        Some(budget) => budget.hold(work),
        None => work(),
    }
    .map_err(|error| match error {
        EngineError::Stopped { signal, .. } => {
            EngineError::Stopped { signal, kept: options.keep != Keep::Nothing }
        }
        error => dated::with_layer(error, &study),
    })
}

/// Disk that a run takes until it is done.
fn needed_mib(checked: &Checked) -> u64 {
    checked.disk_mib() + PAGE_MIB
}
