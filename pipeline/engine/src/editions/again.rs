//! The page and the figures of a finished run, written again from what the run keeps.

use super::kept::{KeptRun, is_written_again};
use crate::error::{EngineError, io};
use crate::folder::Building;
use crate::inputs;
use crate::progress::Progress;
use lentic_report::{EditionKind, write_figures, write_page, write_record};
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
    write_page(&building.run().join("report.html"), &page)?;
    write_figures(&building.section("figures")?, &page)?;
    let products = inputs::products(&building.run())?;
    write_record(
        &building.run().join("run.json"),
        &lentic_report::RunRecord { products, ..kept.record.clone() },
    )?;
    if kept.record.edition.kind == EditionKind::Sensitive {
        building.close_to_others()?;
    }
    building.publish()?;
    progress.finish();
    Ok(run.join("report.html"))
}
