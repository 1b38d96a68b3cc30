//! The page and the figures of a finished run, written again from what the run keeps.

use super::kept::{KeptRun, is_written_again};
use super::{OF_SENSITIVE, finish, write_page_and_figures};
use crate::error::{EngineError, io};
use crate::folder::Building;
use crate::progress::Progress;
use std::path::{Path, PathBuf};

/// Writes `report.html` and the figures of a run again; everything else stays as it is, and so does the whole run where this
/// fails. The same program writes the same bytes as the run did. Gives the page.
///
/// # Errors
/// A folder that holds no run, a run of an older program, files that were changed since, or a disk that refuses.
pub fn report_again(run: &Path, progress: &dyn Progress) -> Result<PathBuf, EngineError> {
    let folder = std::fs::canonicalize(run).map_err(io(run))?;
    progress.start("reading the run", 0);
    let kept = KeptRun::read(&folder)?;
    let building = Building::start(&folder)?;
    building.take_over(&folder, is_written_again)?;
    progress.finish();
    progress.start("writing the report", 0);
    let record = kept.record_of_page();
    let mut page = kept.page.clone();
    for map in &mut page.maps {
        kept.fill(map)?;
    }
    page.record = &record;
    page.tables = &kept.tables;
    write_page_and_figures(&building, &page)?;
    finish(&building, &mut kept.record.clone(), OF_SENSITIVE)?;
    building.publish()?;
    progress.finish();
    Ok(run.join("report.html"))
}
