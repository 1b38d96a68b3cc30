//! Intermediate files of a run: per tile the bit rows of the cells ever wet, their coefficients and
//! the covariances of those; where curves of pools are wanted, the bit rows of their cells never wet.

use crate::error::{EngineError, io};
use lentic_habitat::response::Beta;
use lentic_habitat::response::trust::CovarianceRoot;
use lentic_habitat::water::{BitRows, MonthAxis};
use std::fs;
use std::path::{Path, PathBuf};

/// Cells of a tile with their months: those ever wet, or those never wet in pools.
pub struct WetCells {
    /// Positions in the tile, rising.
    pub cells: Vec<u32>,
    /// Their months.
    pub rows: BitRows,
}

/// The intermediate files of tiles in a folder.
pub struct TileFiles {
    folder: PathBuf,
}

impl TileFiles {
    /// Files in an existing folder.
    pub fn new(folder: &Path) -> Self {
        TileFiles { folder: folder.to_path_buf() }
    }

    fn path(&self, kind: &str, tile: usize) -> PathBuf {
        self.folder.join(format!("{kind}-{tile}.bin"))
    }

    /// The files that the record of water leaves for a tile.
    pub fn of_water(&self, tile: usize, with_dry: bool) -> Vec<PathBuf> {
        let kinds: &[&str] = if with_dry { &["wet", "dry"] } else { &["wet"] };
        kinds.iter().map(|kind| self.path(kind, tile)).collect()
    }

    /// The files that the fit leaves for a tile.
    pub fn of_response(&self, tile: usize) -> Vec<PathBuf> {
        vec![self.path("response", tile), self.path("covariance", tile)]
    }

    /// Keeps the wet cells of a tile.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn keep_wet(&self, tile: usize, wet: &WetCells) -> Result<(), EngineError> {
        self.keep_months("wet", tile, wet)
    }

    /// Keeps the cells of a tile's pools that were never wet.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn keep_dry(&self, tile: usize, dry: &WetCells) -> Result<(), EngineError> {
        self.keep_months("dry", tile, dry)
    }

    fn keep_months(&self, kind: &str, tile: usize, cells: &WetCells) -> Result<(), EngineError> {
        let (observed, wet_months) = cells.rows.parts();
        let mut bytes = Vec::with_capacity(4 * cells.cells.len() + 8 * (2 * observed.len() + 1));
        bytes.extend((cells.cells.len() as u64).to_le_bytes());
        bytes.extend(cells.cells.iter().flat_map(|cell| cell.to_le_bytes()));
        bytes.extend(observed.iter().chain(wet_months).flat_map(|word| word.to_le_bytes()));
        let path = self.path(kind, tile);
        fs::write(&path, bytes).map_err(io(&path))
    }

    /// Reads them back.
    ///
    /// # Errors
    /// When the disk refuses or the file is not as it was written.
    pub fn wet(&self, tile: usize, axis: &MonthAxis) -> Result<WetCells, EngineError> {
        self.months("wet", tile, axis)
    }

    /// Reads the cells of pools never wet back.
    ///
    /// # Errors
    /// When the disk refuses or the file is not as it was written.
    pub fn dry(&self, tile: usize, axis: &MonthAxis) -> Result<WetCells, EngineError> {
        self.months("dry", tile, axis)
    }

    fn months(&self, kind: &str, tile: usize, axis: &MonthAxis) -> Result<WetCells, EngineError> {
        let path = self.path(kind, tile);
        let bytes = fs::read(&path).map_err(io(&path))?;
        let damaged = || io(&path)(std::io::Error::other("the intermediate file is damaged; run again"));
        let (head, rest) = bytes.split_first_chunk::<8>().ok_or_else(damaged)?;
        let cells = u64::from_le_bytes(*head) as usize;
        let words = cells * axis.words();
        if rest.len() != 4 * cells + 16 * words {
            return Err(damaged());
        }
        let (positions, rows) = rest.split_at(4 * cells);
        let positions = positions.chunks_exact(4).map(|b| u32::from_le_bytes([b[0], b[1], b[2], b[3]]));
        let mut observed: Vec<u64> = rows.as_chunks::<8>().0.iter().map(|b| u64::from_le_bytes(*b)).collect();
        let wet = observed.split_off(words);
        Ok(WetCells { cells: positions.collect(), rows: BitRows::from_parts(axis, observed, wet) })
    }

    /// Keeps the coefficients of a tile's wet cells.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn keep_coefficients(&self, tile: usize, betas: &[Beta]) -> Result<(), EngineError> {
        let path = self.path("response", tile);
        let bytes: Vec<u8> = betas.iter().flatten().flat_map(|b| b.to_le_bytes()).collect();
        fs::write(&path, bytes).map_err(io(&path))
    }

    /// Reads them back.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn coefficients(&self, tile: usize) -> Result<Vec<Beta>, EngineError> {
        let path = self.path("response", tile);
        let bytes = fs::read(&path).map_err(io(&path))?;
        let numbers: Vec<f64> = bytes.as_chunks::<8>().0.iter().map(|b| f64::from_le_bytes(*b)).collect();
        Ok(numbers.as_chunks::<4>().0.to_vec())
    }

    /// Keeps the roots of the covariances of those coefficients.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn keep_covariances(&self, tile: usize, roots: &[CovarianceRoot]) -> Result<(), EngineError> {
        let path = self.path("covariance", tile);
        let bytes: Vec<u8> = roots.iter().flat_map(|root| root.0).flat_map(f32::to_le_bytes).collect();
        fs::write(&path, bytes).map_err(io(&path))
    }

    /// Reads them back.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn covariances(&self, tile: usize) -> Result<Vec<CovarianceRoot>, EngineError> {
        let path = self.path("covariance", tile);
        let bytes = fs::read(&path).map_err(io(&path))?;
        let numbers: Vec<f32> = bytes.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
        Ok(numbers.as_chunks::<10>().0.iter().map(|root| CovarianceRoot(*root)).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_comes_back() {
        let dir = tempfile::tempdir().unwrap();
        let files = TileFiles::new(dir.path());
        let axis = MonthAxis { first: "1991-01".parse().unwrap(), len: 70 };
        let mut rows = BitRows::new(&axis, 2);
        rows.set(0, 69, true);
        rows.set(1, 3, false);
        files.keep_wet(4, &WetCells { cells: vec![7, 300], rows }).unwrap();
        let back = files.wet(4, &axis).unwrap();
        assert_eq!(back.cells, [7, 300]);
        assert_eq!(back.rows.wet(0), [0, 1 << 5]);
        assert_eq!(back.rows.observed(1), [8, 0]);
        let betas = vec![[0.1, -2.0, 3.5, f64::MIN_POSITIVE], [0.0; 4]];
        files.keep_coefficients(4, &betas).unwrap();
        assert_eq!(files.coefficients(4).unwrap(), betas);
        let roots = vec![CovarianceRoot(std::array::from_fn(|k| k as f32 / 3.0)), CovarianceRoot([0.0; 10])];
        files.keep_covariances(4, &roots).unwrap();
        assert_eq!(files.covariances(4).unwrap(), roots);
        std::fs::write(dir.path().join("wet-4.bin"), [0u8; 12]).unwrap();
        assert!(files.wet(4, &axis).is_err());
    }
}
