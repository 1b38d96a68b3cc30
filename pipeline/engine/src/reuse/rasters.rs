//! Rasters of the run before into the same folder: one whose cells and words are the same is taken over, not compressed again.
//!
//! `rasters.json` in the store says, for each run folder, what every raster was written from and the digest of its file. A raster is taken over only
//! where both hold, so an altered file is written anew.

use super::store::{Store, note, noted};
use crate::error::{EngineError, io};
use crate::folder::link_or_copy;
use crate::inputs::digest;
use blake3::{Hash, Hasher};
use lentic_raster::{CogData, CogSpec, Grid, Scratch, ScratchCell, write_cog};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;
use std::sync::PoisonError;

/// File in the store.
const RASTERS: &str = "rasters.json";

/// A raster as it was written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Written {
    /// Digest of all that its bytes follow from.
    from: String,
    /// Digest of its bytes.
    file: String,
}

/// Rasters of a run folder, by their path in it, with `/`.
pub(super) type Rasters = BTreeMap<String, Written>;

impl Store {
    /// Writes a raster into a run folder being built, or takes it over from the run before; `within` is its path in the folder.
    ///
    /// # Errors
    /// A file that cannot be read or written.
    pub fn raster(
        &self,
        (folder, within): (&Path, &str),
        grid: &Grid,
        spec: &CogSpec,
        data: &CogData<'_>,
    ) -> Result<(), EngineError> {
        let target = folder.join(within);
        if self.folder.is_none() {
            write_cog(&target, grid, spec, data)?;
            return Ok(());
        }
        let from = self.written_from(grid, spec, data)?.to_hex().to_string();
        let earlier = self.earlier.get(within).filter(|earlier| earlier.from == from);
        let earlier = earlier.filter(|earlier| {
            let file = Path::new(&self.run).join(within);
            let same = digest(&file).is_ok_and(|(_, found)| found == earlier.file);
            same && link_or_copy(&file, &target).is_ok()
        });
        let written = match earlier {
            Some(earlier) => earlier.clone(),
            None => {
                write_cog(&target, grid, spec, data)?;
                Written { from, file: digest(&target)?.1 }
            }
        };
        self.rasters.lock().unwrap_or_else(PoisonError::into_inner).insert(within.to_string(), written);
        Ok(())
    }

    /// Digest of all that the bytes of a raster follow from.
    fn written_from(&self, grid: &Grid, spec: &CogSpec, data: &CogData<'_>) -> Result<Hash, EngineError> {
        let CogSpec { title, metadata, threads: _ } = spec;
        let mut hasher = Hasher::new();
        let mut tell = |text: &str| {
            // with its length, so that no two words run into each other
            hasher.update(&(text.len() as u64).to_le_bytes());
            hasher.update(text.as_bytes());
        };
        tell(&self.common.program);
        tell(&format!("{grid:?} {title:?} {metadata:?}"));
        match data {
            CogData::Floats(bands) => {
                for band in bands {
                    tell(&format!("{:?} {:?}", band.description, band.unit));
                    tell(&cells_of(band.cells)?);
                }
            }
            CogData::Classes(band) => {
                let (no_data, colours, names) = (&band.no_data, &band.colours, &band.names);
                tell(&format!("{:?} {no_data:?} {colours:?} {names:?}", band.description));
                tell(&cells_of(band.cells)?);
            }
        }
        Ok(hasher.finalize())
    }

    /// Rasters of the latest run into this folder.
    pub(super) fn earlier_rasters(store: &Path, run: &str) -> Rasters {
        rasters_of(store).remove(run).unwrap_or_default()
    }

    /// Remembers the rasters of this finished run.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(super) fn close_rasters(&self, store: &Path) -> Result<(), EngineError> {
        let mut all = rasters_of(store);
        let written = self.rasters.lock().unwrap_or_else(PoisonError::into_inner).clone();
        all.retain(|folder, _| Path::new(folder).is_dir());
        all.insert(self.run.clone(), written);
        note(&store.join(RASTERS), &all)
    }
}

/// Digest of the cells of a flat file.
fn cells_of<T: ScratchCell>(cells: &Scratch<T>) -> Result<String, EngineError> {
    let path = cells.path();
    let mut hasher = Hasher::new();
    File::open(path).and_then(|file| hasher.update_reader(file).map(|_| ())).map_err(io(path))?;
    Ok(format!("{} {}", T::GDAL_NAME, hasher.finalize().to_hex()))
}

/// Without the list, or with a damaged one, rasters are written anew.
fn rasters_of(store: &Path) -> BTreeMap<String, Rasters> {
    noted(&store.join(RASTERS))
}
