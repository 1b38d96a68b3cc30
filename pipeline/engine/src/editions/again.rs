//! The page and the figures of a finished run, written again from what the run keeps.

use super::kept::{KeptRun, is_written_again};
use super::{PAGE, close};
use crate::describe;
use crate::error::{EngineError, io};
use crate::folder::Building;
use crate::inputs;
use crate::progress::Progress;
use lentic_report::{Product, refresh_crate, write_figures, write_page};
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
    page.cite = describe::citation(&record);
    write_figures(&building.section("figures")?, &page)?;
    write_page(&building.run().join(PAGE), &page)?;
    let folder = building.run();
    let mut record = kept.record.clone();
    record.products = products(&folder, &kept.record.products)?;
    // the crate tells sizes and digests of the figures; the checksum it quotes does not cover them
    if refresh_crate(&folder.join("ro-crate-metadata.json"), &record.products)? {
        record.products = products(&folder, &kept.record.products)?;
    }
    close(&building, &record)?;
    building.publish()?;
    progress.finish();
    Ok(run.join("report.html"))
}

/// The files of a folder with their titles of before.
fn products(folder: &Path, before: &[Product]) -> Result<Vec<Product>, EngineError> {
    let mut products = inputs::products(folder)?;
    for product in &mut products {
        if let Some(before) = before.iter().find(|before| before.file == product.file) {
            product.title.clone_from(&before.title);
        }
    }
    Ok(products)
}
