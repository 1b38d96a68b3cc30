//! Cells of a source file, read by window of the file, with every kind of no data told apart.

use gdal::raster::GdalType;

use crate::aligned::NO_CLASS;
use crate::deflate;
use crate::error::RasterError;
use crate::ffi;
use crate::handles::{self, Opened};
use crate::remote;
use crate::source::{CellType, RasterSource};
use crate::window::Window;

/// Most cells of a file read at once: some times what a window of the grid needs where cells are fine.
const MOST_CELLS: usize = 1 << 27;

/// Values this far out are no measurement but a filler: the lowest 32-bit float, -3.4028235e38, is
/// written and declared with so many different digits (-3.4e38 among them) that equality misses it.
const FILLER: f64 = 3.3e38;

/// True for a filler of that kind, infinity, and what is no number.
fn is_filler(cell: f64) -> bool {
    cell.is_nan() || cell.abs() >= FILLER
}

/// A window of a source file: cells row-major.
pub(crate) struct Block<T> {
    pub(crate) window: Window,
    pub(crate) cells: Vec<T>,
}

impl<T: Copy> Block<T> {
    /// The cell at a row and column of the file; `None` outside the window.
    #[inline]
    pub(crate) fn get(&self, row: usize, col: usize) -> Option<T> {
        let row = row.wrapping_sub(self.window.row);
        let col = col.wrapping_sub(self.window.col);
        if row < self.window.rows && col < self.window.cols {
            Some(self.cells[row * self.window.cols + col])
        } else {
            None
        }
    }
}

/// Values with NaN for no data, scaled.
pub(crate) fn read_values(source: &RasterSource, window: Window) -> Result<Block<f32>, RasterError> {
    let info = source.info();
    let scale = info.scale * source.factor;
    let offset = info.offset * source.factor;
    let plain = scale == 1.0 && offset == 0.0;
    let narrow =
        matches!(info.cell_type, CellType::Byte | CellType::UInt16 | CellType::Int16 | CellType::Float32);
    let mut cells = if narrow && plain {
        let mut cells: Vec<f32> = read(source, window)?;
        let missing: Vec<f32> = no_data(source).map(|value| value as f32).collect();
        for cell in &mut cells {
            if is_filler(f64::from(*cell)) || missing.contains(cell) {
                *cell = f32::NAN;
            }
        }
        cells
    } else {
        let missing: Vec<f64> = no_data(source).collect();
        let float = matches!(info.cell_type, CellType::Float32 | CellType::Float64);
        let cells: Vec<f64> = read(source, window)?;
        let is_missing = |cell: f64| {
            // A value declared with fewer digits than the cells hold is met in 32 bits.
            is_filler(cell)
                || missing.iter().any(|&value| cell == value || (float && (cell as f32) == (value as f32)))
        };
        cells
            .into_iter()
            .map(|cell| if is_missing(cell) { f32::NAN } else { (cell * scale + offset) as f32 })
            .collect()
    };
    apply_mask(source, window, &mut cells, f32::NAN)?;
    Ok(Block { window, cells })
}

/// Class codes with [`NO_CLASS`] for no data.
pub(crate) fn read_codes(source: &RasterSource, window: Window) -> Result<Block<i32>, RasterError> {
    let mut cells = match source.info().cell_type {
        CellType::Byte | CellType::UInt16 | CellType::Int16 | CellType::Int32 => {
            let mut cells: Vec<i32> = read(source, window)?;
            let missing: Vec<i32> = no_data(source)
                .filter(|value| value.fract() == 0.0 && value.abs() <= f64::from(i32::MAX) + 1.0)
                .map(|value| value as i32)
                .collect();
            for cell in &mut cells {
                if missing.contains(cell) {
                    *cell = NO_CLASS;
                }
            }
            cells
        }
        _ => {
            let missing: Vec<f64> = no_data(source).collect();
            let cells: Vec<f64> = read(source, window)?;
            cells.into_iter().map(|cell| whole_code(source, cell, &missing)).collect::<Result<_, _>>()?
        }
    };
    apply_mask(source, window, &mut cells, NO_CLASS)?;
    Ok(Block { window, cells })
}

/// Codes of a band of bytes as they are stored, `no_data_as` where there is no data.
pub(crate) fn read_bytes(
    source: &RasterSource,
    window: Window,
    no_data_as: u8,
) -> Result<Block<u8>, RasterError> {
    let mut cells: Vec<u8> = read(source, window)?;
    for value in no_data(source) {
        if value.fract() == 0.0 && (0.0..=255.0).contains(&value) && value as u8 != no_data_as {
            let value = value as u8;
            // without a branch, so that many cells are looked at at once
            cells.iter_mut().for_each(|cell| *cell = if *cell == value { no_data_as } else { *cell });
        }
    }
    apply_mask(source, window, &mut cells, no_data_as)?;
    Ok(Block { window, cells })
}

fn whole_code(source: &RasterSource, cell: f64, missing: &[f64]) -> Result<i32, RasterError> {
    let is_missing =
        is_filler(cell) || missing.iter().any(|&value| cell == value || (cell as f32) == (value as f32));
    if is_missing {
        return Ok(NO_CLASS);
    }
    // The lowest code is kept for "no class".
    if cell.fract() != 0.0 || cell.abs() > f64::from(i32::MAX) {
        return Err(RasterError::unfit(
            source.path(),
            format!(
                "band {} is read as classes or a mask but holds {cell}, expected whole numbers",
                source.band()
            ),
            "declare the layer continuous, or convert it to whole codes",
        ));
    }
    Ok(cell as i32)
}

fn no_data(source: &RasterSource) -> impl Iterator<Item = f64> + '_ {
    source.info().no_data.into_iter().chain(source.extra_no_data.iter().copied())
}

fn read<T: GdalType + Copy + Default>(source: &RasterSource, window: Window) -> Result<Vec<T>, RasterError> {
    let path = source.path();
    if window.rows.saturating_mul(window.cols) > MOST_CELLS {
        return Err(RasterError::unfit(
            path,
            format!(
                "{} x {} of its cells lie in a single cell of the grid, too many to be read at once; at most {MOST_CELLS} are",
                window.cols, window.rows
            ),
            "give a coarser raster, for example with gdalwarp -tr and -r average or mode",
        ));
    }
    let read = || {
        let Opened { dataset, sound } = handles::open_kept(path)?;
        let mut cells = vec![T::default(); window.len()];
        let fail = |error| RasterError::read(path, place(source, window), &error);
        let band = dataset.rasterband(source.band()).map_err(fail)?;
        deflate::check(path, &dataset, &band, (&window, source.info().cell_type.bytes()), &sound)?;
        ffi::forget_error();
        read_into(&band, window, &mut cells).map_err(fail)?;
        // what a decoder could not make sense of it may only mention
        if let Some(said) = ffi::last_complaint().filter(|_| !remote::is_remote(path)) {
            return Err(RasterError::Read { path: path.to_path_buf(), what: place(source, window), said });
        }
        Ok(cells)
    };
    remote::trying(source.path(), read, || handles::forget(source.path()))
}

fn read_into<T: GdalType + Copy>(
    band: &gdal::raster::RasterBand<'_>,
    window: Window,
    cells: &mut [T],
) -> gdal::errors::Result<()> {
    let size = (window.cols, window.rows);
    let start = (isize::try_from(window.col)?, isize::try_from(window.row)?);
    band.read_into_slice(start, size, size, cells, None)
}

fn apply_mask<T: Copy>(
    source: &RasterSource,
    window: Window,
    cells: &mut [T],
    missing: T,
) -> Result<(), RasterError> {
    if !source.info().has_mask {
        return Ok(());
    }
    let read = || {
        let path = source.path();
        let Opened { dataset, sound } = handles::open_kept(path)?;
        let fail = |error| RasterError::read(path, "the mask band", &error);
        let band = dataset.rasterband(source.band()).map_err(fail)?;
        let mask_band = band.open_mask_band().map_err(fail)?;
        deflate::check(path, &dataset, &mask_band, (&window, 1), &sound)?;
        let mut mask = vec![0u8; window.len()];
        read_into(&mask_band, window, &mut mask).map_err(fail)?;
        Ok(mask)
    };
    let mask = remote::trying(source.path(), read, || handles::forget(source.path()))?;
    for (cell, mask) in cells.iter_mut().zip(mask) {
        if mask == 0 {
            *cell = missing;
        }
    }
    Ok(())
}

fn place(source: &RasterSource, window: Window) -> String {
    format!("rows {} to {} of band {}", window.row, window.end_row().saturating_sub(1), source.band())
}
