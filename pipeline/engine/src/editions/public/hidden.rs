//! Which habitat a public edition withholds: that of patches not shown, and what is too small to be a patch at all.

use crate::editions::kept::KeptRun;
use crate::error::EngineError;
use crate::stages::bands;
use crate::stages::suitability::Reason;
use lentic_habitat::change::is_habitat;
use lentic_raster::{
    RasterSource, Resample, Scratch, Window, burn_patches, read_aligned_bytes, read_aligned_f32,
};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// No habitat, or not compared.
const NONE: u8 = 0;
/// Habitat that is shown.
const SHOWN: u8 = 1;
/// Habitat that is withheld.
const WITHHELD: u8 = 2;

/// Habitat of every case, cell by cell.
pub struct Hidden {
    cases: BTreeMap<String, Scratch<u8>>,
}

impl Hidden {
    /// Finds it from the suitability of each case and the patches that are shown of it.
    ///
    /// # Errors
    /// A raster or the patches cannot be read, or the disk refuses.
    pub fn find(
        kept: &KeptRun,
        shown: &BTreeMap<String, BTreeSet<i64>>,
        work: &Path,
    ) -> Result<Self, EngineError> {
        let grid = &kept.grid;
        let reasons = RasterSource::open(&kept.folder.join("rasters/not_assessed.tif"), 1)?;
        let patches = kept.folder.join("vectors/patches.gpkg");
        let mut cases = BTreeMap::new();
        for (case, shown) in shown {
            let raster = kept.folder.join(format!("rasters/suitability_{case}.tif"));
            let suitability = RasterSource::open(&raster, 1)?;
            let scratch = Scratch::<u8>::create(&work.join(format!("hidden_{case}.u8")), grid)?;
            for band in bands(grid) {
                let codes = read_aligned_bytes(&reasons, grid, &band, Reason::Outside as u8)?;
                let values = read_aligned_f32(&suitability, grid, &band, Resample::Continuous)?;
                let in_patch = burn_patches(&patches, case, shown, grid, &band)?;
                let states = codes.iter().zip(values).zip(in_patch).map(|((code, value), in_patch)| {
                    match *code == Reason::Assessed as u8 && is_habitat(value, kept.record.study.threshold) {
                        false => NONE,
                        true if in_patch => SHOWN,
                        true => WITHHELD,
                    }
                });
                scratch.write(&band, &states.collect::<Vec<_>>())?;
            }
            cases.insert(case.clone(), scratch);
        }
        Ok(Hidden { cases })
    }

    /// Names of the cases.
    pub fn cases(&self) -> impl Iterator<Item = &str> {
        self.cases.keys().map(String::as_str)
    }

    /// Cells of a band that are withheld in any of the cases.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn withheld(&self, cases: &[&str], band: &Window) -> Result<Vec<bool>, EngineError> {
        let mut all = vec![false; band.len()];
        for scratch in cases.iter().filter_map(|case| self.cases.get(*case)) {
            for (cell, state) in all.iter_mut().zip(scratch.read(band)?) {
                *cell |= state == WITHHELD;
            }
        }
        Ok(all)
    }

    /// Cells of a band that are habitat and shown.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn shown(&self, case: &str, band: &Window) -> Result<Vec<bool>, EngineError> {
        let Some(scratch) = self.cases.get(case) else { return Ok(vec![false; band.len()]) };
        Ok(scratch.read(band)?.into_iter().map(|state| state == SHOWN).collect())
    }
}
