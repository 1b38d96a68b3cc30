//! Editions of a finished run: the one it leaves, the same with its page written again, and the public one.

pub mod again;
mod kept;

use crate::error::{EngineError, io};
use lentic_report::{Edition, EditionKind, PublicationRecord};
use lentic_study::settings::Publication;
use std::path::Path;

/// What stands on the pages of a run that tells exact places.
pub const SENSITIVE: &str = "Sensitive edition: holds exact places; not for publication";

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

/// Writes the word that meets whoever opens the folder.
///
/// # Errors
/// The file cannot be written.
pub fn write_readme(folder: &Path, edition: &Edition, more: &str) -> Result<(), EngineError> {
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
