//! Editions of a finished run: the one it leaves, the same with its page written again, and the public one.

pub mod again;
mod kept;
pub mod public;

use crate::error::{EngineError, io};
use crate::folder::Building;
use crate::metadata::{self, Audience};
use crate::stop;
use lentic_report::{
    Edition, EditionKind, PageInput, PublicationRecord, RunRecord, Table, write_figures, write_page,
    write_record, write_table,
};
use lentic_study::settings::Publication;
use rayon::prelude::*;
use std::path::Path;

/// What stands on the pages of a run that tells exact places.
pub const SENSITIVE: &str = "Sensitive edition: holds exact places; not for publication";

/// The record of an edition.
const RECORD: &str = "run.json";
/// The page of an edition.
const PAGE: &str = "report.html";

/// The edition a run is. A run tells exactly where habitat lies, whether it has records or not, so it is sensitive unless its study says otherwise.
pub fn of_run(publication: &Publication) -> Edition {
    match publication.sensitive {
        true => Edition { kind: EditionKind::Sensitive, mark: SENSITIVE.into() },
        false => Edition::default(),
    }
}

/// How the study wants its places told in public.
pub fn publication_record(publication: &Publication) -> PublicationRecord {
    PublicationRecord {
        cell_m: publication.generalise.cell_m(),
        withhold_under_ha: publication.withhold_under_ha,
    }
}

/// Writes the tables of an edition.
///
/// # Errors
/// A file cannot be written.
pub fn write_tables(building: &Building, tables: &[Table]) -> Result<(), EngineError> {
    let folder = building.section("tables")?;
    tables.par_iter().try_for_each(|table| {
        stop::unless_asked()?;
        write_table(&folder, table)?;
        Ok::<_, EngineError>(())
    })?;
    Ok(())
}

/// Completes an edition whose rasters, vectors and tables are written: the word that meets whoever opens it, figures, what describes it to
/// other programs, its checksum and its page, which tells how it is cited. `tables` are all tables written, `page` knows neither its record
/// nor how it is cited. Gives the record, for [`close`].
///
/// # Errors
/// A file cannot be written.
pub fn complete(
    building: &Building,
    record: &RunRecord,
    tables: Vec<&Table>,
    page: &PageInput,
    readme: &str,
) -> Result<RunRecord, EngineError> {
    let folder = building.run();
    write_readme(&folder, &record.edition, readme)?;
    write_figures(&building.section("figures")?, page)?;
    let audience = match record.edition.kind {
        EditionKind::Public => Audience::Public,
        _ => Audience::Owner,
    };
    metadata::complete(&folder, record, tables, audience, |sealed, cite| {
        let page = PageInput { record: sealed, cite: cite_of(&sealed.edition, cite), ..page.clone() };
        Ok(write_page(&folder.join(PAGE), &page)?)
    })
}

/// How an edition is cited: a public one says so.
fn cite_of(edition: &Edition, cite: &str) -> String {
    match edition.kind {
        EditionKind::Public => format!("{} {}.", cite.trim_end(), edition.mark),
        _ => cite.to_string(),
    }
}

/// Ends an edition: its record, sealed, and who may read it. Nothing is to be written afterwards.
///
/// # Errors
/// A file cannot be written.
pub fn close(building: &Building, record: &RunRecord) -> Result<(), EngineError> {
    write_record(&building.run().join(RECORD), record)?;
    if record.edition.kind == EditionKind::Sensitive {
        building.close_to_others()?;
    }
    Ok(())
}

/// Writes the word that meets whoever opens the folder.
///
/// # Errors
/// The file cannot be written.
fn write_readme(folder: &Path, edition: &Edition, more: &str) -> Result<(), EngineError> {
    if edition.mark.is_empty() {
        return Ok(());
    }
    let path = folder.join("README.md");
    std::fs::write(&path, format!("{}.\n\n{more}\n", edition.mark)).map_err(io(&path))
}

/// What the folder of a sensitive run says.
pub const OF_SENSITIVE: &str = "Rasters, patches, tables and maps in this folder tell exactly where habitat of the animal lies, and where it was found.
Keep the folder to those who need it. For anybody else make the public edition, in which places are generalised:

    lentic report RUN --public

Local rules and the owners of the data have the last word on what may be published.";
