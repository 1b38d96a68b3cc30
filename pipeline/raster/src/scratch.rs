//! Scratch files: one raw layer of cells on disk, read and written by window from many threads.

use std::fs::{File, OpenOptions};
use std::marker::PhantomData;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use crate::error::RasterError;
use crate::grid::Grid;
use crate::handles::with_a_handle;
use crate::window::Window;

mod sealed {
    pub trait Sealed {}
    impl Sealed for u8 {}
    impl Sealed for u32 {}
    impl Sealed for f32 {}
}

/// A kind of cell a scratch file can hold: `u8`, `u32` or `f32`.
pub trait ScratchCell: sealed::Sealed + Copy + Send + Sync + 'static {
    /// Bytes of one cell.
    const BYTES: usize;
    /// GDAL's name of the type.
    const GDAL_NAME: &'static str;
    /// Appends cells as little-endian bytes.
    fn encode(cells: &[Self], bytes: &mut Vec<u8>);
    /// Appends cells read from little-endian bytes.
    fn decode(bytes: &[u8], cells: &mut Vec<Self>);
}

impl ScratchCell for u8 {
    const BYTES: usize = 1;
    const GDAL_NAME: &'static str = "Byte";
    fn encode(cells: &[Self], bytes: &mut Vec<u8>) {
        bytes.extend_from_slice(cells);
    }
    fn decode(bytes: &[u8], cells: &mut Vec<Self>) {
        cells.extend_from_slice(bytes);
    }
}

macro_rules! four_bytes {
    ($kind:ty, $name:literal) => {
        impl ScratchCell for $kind {
            const BYTES: usize = 4;
            const GDAL_NAME: &'static str = $name;
            fn encode(cells: &[Self], bytes: &mut Vec<u8>) {
                bytes.extend(cells.iter().flat_map(|cell| cell.to_le_bytes()));
            }
            fn decode(bytes: &[u8], cells: &mut Vec<Self>) {
                cells.extend(bytes.chunks_exact(4).map(|b| <$kind>::from_le_bytes([b[0], b[1], b[2], b[3]])));
            }
        }
    };
}
four_bytes!(u32, "UInt32");
four_bytes!(f32, "Float32");

/// A layer of cells as bytes, whatever the kind of its cells: for what keeps and restores windows.
pub trait RawCells: Sync {
    /// Bytes of a window: its cells row by row, little-endian.
    ///
    /// # Errors
    /// The window leaves the grid, or reading fails.
    fn read_raw(&self, window: &Window) -> Result<Vec<u8>, RasterError>;

    /// Writes such bytes; see [`Scratch`] for what threads may do.
    ///
    /// # Errors
    /// The window leaves the grid, the number of bytes is another, or writing fails.
    fn write_raw(&self, window: &Window, bytes: &[u8]) -> Result<(), RasterError>;

    /// Bytes of one cell.
    fn cell_bytes(&self) -> usize;
}

impl<T: ScratchCell> RawCells for Scratch<T> {
    fn read_raw(&self, window: &Window) -> Result<Vec<u8>, RasterError> {
        self.check(window)?;
        let mut bytes = vec![0; window.len() * T::BYTES];
        for (row, part) in (window.row..).zip(bytes.chunks_exact_mut((window.cols * T::BYTES).max(1))) {
            self.file
                .read_exact_at(part, self.position(row, window.col))
                .map_err(|error| RasterError::io(&self.path, "reading the scratch file", error))?;
        }
        Ok(bytes)
    }

    fn write_raw(&self, window: &Window, bytes: &[u8]) -> Result<(), RasterError> {
        self.check(window)?;
        if bytes.len() != window.len() * T::BYTES {
            return Err(RasterError::Size(format!(
                "{} bytes for {} cells of {} bytes",
                bytes.len(),
                window.len(),
                T::BYTES
            )));
        }
        for (row, part) in (window.row..).zip(bytes.chunks_exact((window.cols * T::BYTES).max(1))) {
            self.file
                .write_all_at(part, self.position(row, window.col))
                .map_err(|error| RasterError::io(&self.path, "writing the scratch file", error))?;
        }
        Ok(())
    }

    fn cell_bytes(&self) -> usize {
        T::BYTES
    }
}

/// A layer of cells on disk: raw, row-major, little-endian, the size of a grid, no header.
///
/// **Threads.** Reading and writing take `&self` and use positioned input and output, so one scratch
/// file may serve many threads at once. Windows written at the same time must not overlap, and a
/// window must not be read while it is written; which bytes win otherwise is not defined (but nothing
/// worse happens).
///
/// A cell that was never written reads as 0, which is a value, not "no data": write every tile, or
/// [`Scratch::fill`] first.
#[derive(Debug)]
pub struct Scratch<T> {
    path: PathBuf,
    file: File,
    rows: usize,
    cols: usize,
    kind: PhantomData<T>,
}

impl<T: ScratchCell> Scratch<T> {
    /// Creates the file (an old one is replaced), sparse, so that it takes no room until written.
    ///
    /// # Errors
    /// The operating system refuses.
    pub fn create(path: &Path, grid: &Grid) -> Result<Self, RasterError> {
        let open = || OpenOptions::new().read(true).write(true).create(true).truncate(true).open(path);
        let file =
            with_a_handle(open).map_err(|error| RasterError::io(path, "creating the scratch file", error))?;
        let scratch = Self::over(path, file, grid);
        scratch
            .file
            .set_len(scratch.byte_len())
            .map_err(|error| RasterError::io(path, "sizing the scratch file", error))?;
        Ok(scratch)
    }

    /// Opens a file that [`Scratch::create`] made for the same grid and kind of cell, for reading
    /// and writing.
    ///
    /// # Errors
    /// The operating system refuses, or the file has another size than the grid asks for.
    pub fn open(path: &Path, grid: &Grid) -> Result<Self, RasterError> {
        let file = with_a_handle(|| OpenOptions::new().read(true).write(true).open(path))
            .map_err(|error| RasterError::io(path, "opening the scratch file", error))?;
        let found =
            file.metadata().map_err(|error| RasterError::io(path, "opening the scratch file", error))?.len();
        let scratch = Self::over(path, file, grid);
        if found != scratch.byte_len() {
            return Err(RasterError::unfit(
                path,
                format!(
                    "the scratch file has {found} bytes, but {} rows and {} columns of {} bytes make {}",
                    grid.rows,
                    grid.cols,
                    T::BYTES,
                    scratch.byte_len()
                ),
                "it belongs to another run or was cut short; delete it and run again",
            ));
        }
        Ok(scratch)
    }

    fn over(path: &Path, file: File, grid: &Grid) -> Self {
        Self { path: path.to_path_buf(), file, rows: grid.rows, cols: grid.cols, kind: PhantomData }
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Number of columns.
    #[must_use]
    pub fn cols(&self) -> usize {
        self.cols
    }

    /// Sets every cell to `value`.
    ///
    /// # Errors
    /// Writing fails, as on a full disk.
    pub fn fill(&self, value: T) -> Result<(), RasterError> {
        let row = vec![value; self.cols];
        for index in 0..self.rows {
            self.write(&Window { row: index, col: 0, rows: 1, cols: self.cols }, &row)?;
        }
        Ok(())
    }

    /// The cells of a window, row-major.
    ///
    /// # Errors
    /// The window leaves the grid, or reading fails.
    pub fn read(&self, window: &Window) -> Result<Vec<T>, RasterError> {
        self.check(window)?;
        let mut cells = Vec::with_capacity(window.len());
        let mut bytes = vec![0; window.cols * T::BYTES];
        for row in window.row..window.end_row() {
            self.file
                .read_exact_at(&mut bytes, self.position(row, window.col))
                .map_err(|error| RasterError::io(&self.path, "reading the scratch file", error))?;
            T::decode(&bytes, &mut cells);
        }
        Ok(cells)
    }

    /// Writes the cells of a window, given row-major. See the type for what threads may do.
    ///
    /// # Errors
    /// The window leaves the grid, the number of cells is another, or writing fails.
    pub fn write(&self, window: &Window, cells: &[T]) -> Result<(), RasterError> {
        self.check(window)?;
        if cells.len() != window.len() {
            return Err(RasterError::Size(format!(
                "{} cells for a window of {} rows and {} columns",
                cells.len(),
                window.rows,
                window.cols
            )));
        }
        // Whole rows lie side by side in the file and go out in one piece.
        let (pieces, per_piece) =
            if window.cols == self.cols { (1, cells.len()) } else { (window.rows, window.cols) };
        let mut bytes = Vec::with_capacity(per_piece * T::BYTES);
        for piece in 0..pieces {
            bytes.clear();
            T::encode(&cells[piece * per_piece..(piece + 1) * per_piece], &mut bytes);
            self.file
                .write_all_at(&bytes, self.position(window.row + piece, window.col))
                .map_err(|error| RasterError::io(&self.path, "writing the scratch file", error))?;
        }
        Ok(())
    }

    fn position(&self, row: usize, col: usize) -> u64 {
        ((row * self.cols + col) * T::BYTES) as u64
    }

    fn byte_len(&self) -> u64 {
        (self.rows * self.cols * T::BYTES) as u64
    }

    fn check(&self, window: &Window) -> Result<(), RasterError> {
        if window.end_row() <= self.rows && window.end_col() <= self.cols {
            return Ok(());
        }
        Err(RasterError::Size(format!(
            "{window:?} leaves the scratch file {} of {} rows and {} columns",
            self.path.display(),
            self.rows,
            self.cols
        )))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::{Bounds, Crs};
    use crate::window::tiles;
    use rayon::prelude::*;

    fn grid(rows: usize, cols: usize) -> Grid {
        let bounds = Bounds { left: 0.0, bottom: 0.0, right: cols as f64, top: rows as f64 };
        Grid::from_bounds(Crs::parse("EPSG:6933").unwrap(), bounds, 1.0).unwrap()
    }

    #[test]
    fn windows_come_back_as_written_from_several_threads() {
        let folder = tempfile::tempdir().unwrap();
        let grid = grid(101, 67);
        let scratch = Scratch::<u32>::create(&folder.path().join("a"), &grid).unwrap();
        tiles(&grid, 16).par_iter().for_each(|tile| {
            let cells: Vec<u32> = (tile.row..tile.end_row())
                .flat_map(|row| (tile.col..tile.end_col()).map(move |col| (row * 67 + col) as u32))
                .collect();
            scratch.write(tile, &cells).unwrap();
        });
        let whole = scratch.read(&Window::whole(&grid)).unwrap();
        assert!(whole.iter().enumerate().all(|(index, &cell)| cell == index as u32));
        // a window as bytes is the window, and can be put into another file
        let part = Window { row: 7, col: 9, rows: 3, cols: 5 };
        let raw = scratch.read_raw(&part).unwrap();
        assert_eq!(raw.len(), part.len() * scratch.cell_bytes());
        let other = Scratch::<u32>::create(&folder.path().join("b"), &grid).unwrap();
        other.write_raw(&part, &raw).unwrap();
        assert_eq!(other.read(&part).unwrap(), scratch.read(&part).unwrap());
        assert!(other.write_raw(&part, &raw[1..]).is_err());
        // The file is what it says: little-endian, row-major.
        let bytes = std::fs::read(folder.path().join("a")).unwrap();
        assert_eq!(bytes[4 * 300..4 * 301], 300u32.to_le_bytes());
    }

    #[test]
    fn not_a_number_survives_and_floats_round_trip() {
        let folder = tempfile::tempdir().unwrap();
        let grid = grid(2, 2);
        let path = folder.path().join("f");
        let scratch = Scratch::<f32>::create(&path, &grid).unwrap();
        scratch.fill(f32::NAN).unwrap();
        scratch.write(&Window { row: 1, col: 0, rows: 1, cols: 1 }, &[-0.1]).unwrap();
        let again = Scratch::<f32>::open(&path, &grid).unwrap().read(&Window::whole(&grid)).unwrap();
        assert!(again[0].is_nan() && again[1].is_nan() && again[3].is_nan());
        assert_eq!(again[2], -0.1);
    }

    #[test]
    fn wrong_sizes_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("s");
        let scratch = Scratch::<u8>::create(&path, &grid(3, 3)).unwrap();
        let outside = Window { row: 2, col: 0, rows: 2, cols: 3 };
        assert!(scratch.read(&outside).is_err());
        assert!(scratch.write(&Window { row: 0, col: 0, rows: 1, cols: 3 }, &[1, 2]).is_err());
        let error = Scratch::<f32>::open(&path, &grid(3, 3)).unwrap_err().to_string();
        assert!(error.contains("9 bytes") && error.contains("36"), "{error}");
        assert!(Scratch::<u8>::open(&folder.path().join("none"), &grid(3, 3)).is_err());
    }
}
