//! The readers of what others write, one call each, for tests that give them hostile bytes. Nothing else calls this.

use crate::climates::{self, Needed};
use crate::reuse::part::Part;
use crate::{EngineError, records, scenes, survey};
use blake3::Hash;
use lentic_study::scenes::settings::Band;
use lentic_study::settings::Climate;
use lentic_study::{Month, Problem};
use std::path::Path;

/// Reads a table of records; the line of every row.
///
/// # Errors
/// What is wrong with it.
pub fn records(file: &Path) -> Result<Vec<usize>, Problem> {
    records::lines_of(file)
}

/// Reads the columns that a climate names and puts them together over the months from `first` to `last`: the count of values of each
/// column, with everything that is wrong.
pub fn climate(climate: &Climate, first: Month, last: Month) -> (Vec<usize>, Vec<Problem>) {
    climates::untrusted::tables(climate, Needed { first, last })
}

/// Reads a filled-in table of survey points; the line of every row.
///
/// # Errors
/// Everything that is wrong with it.
pub fn survey_table(file: &Path) -> Result<Vec<u64>, EngineError> {
    survey::lines_of(file)
}

/// Reads an item or an item collection of STAC; the number of scenes.
///
/// # Errors
/// Everything that is wrong with it.
pub fn items(file: &Path, bands: &[Band]) -> Result<usize, EngineError> {
    scenes::count_of(file, bands)
}

/// Reads a kept part of a step under an address; its value and its cells.
pub fn kept_part(file: &Path, address: [u8; 32]) -> Option<(Vec<u8>, Vec<u8>)> {
    let (part, _) = Part::read(file, &Hash::from_bytes(address), true)?;
    Some((part.value, part.cells))
}

/// Writes one, as a run does.
///
/// # Errors
/// When the disk refuses.
pub fn write_kept_part(file: &Path, address: [u8; 32], value: &[u8], cells: &[u8]) -> std::io::Result<()> {
    let part = Part { value: value.to_vec(), cells: cells.to_vec() };
    part.write(file, &Hash::from_bytes(address)).map(drop)
}
