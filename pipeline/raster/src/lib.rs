//! Grids, windows, aligned reading and writing: the only crate that knows GDAL.
//!
//! **Threads.** A GDAL data set belongs to one thread. Nothing here hands one out: every function
//! opens what it needs, or takes it from a cache of the calling thread, and every public type can be
//! shared between threads. Reading may run on any number of threads at once. A file is written by one
//! call on one thread, beside its final name, and then renamed. [`Scratch`] files are the way for many
//! threads to write one layer.
//!
//! Cells of layers are `f32` with NaN for no data, or codes with a code for no data; never 0.

pub mod aligned;
mod areas;
mod cells;
mod combine;
mod crs;
mod describe;
mod error;
mod ffi;
pub mod grid;
mod handles;
mod overlap;
mod part;
pub mod patches;
pub mod paths;
mod pattern;
mod points;
pub mod remote;
mod reproject;
mod room;
pub mod scratch;
mod shown_patches;
pub mod simple;
pub mod source;
pub mod stack;
mod statistics;
pub mod vector;
pub mod window;
mod windowed;
pub mod write;

use std::sync::Once;

pub use aligned::{
    NO_CLASS, Resample, read_aligned_bytes, read_aligned_class, read_aligned_f32, read_own_cells,
    source_cells,
};
pub use areas::{CellAreas, polygon_m2};
pub use describe::{ProductBand, ProductLayer, ProductRaster, describe_layers, describe_raster};
pub use error::RasterError;
pub use grid::{Bounds, Cell, Crs, Grid, Point};
pub use handles::{close_opened, keep_open, keep_open_at_most};
pub use patches::{Attribute, AttributeValues, PatchLayer, write_patches, write_patches_and_paths};
pub use paths::PathLayer;
pub use points::{Waypoint, to_wgs84, write_points, write_waypoints};
pub use room::Room;
pub use scratch::{RawCells, Scratch, ScratchCell};
pub use shown_patches::burn_patches;
pub use simple::{write_byte_bands, write_bytes, write_float_bands, write_floats};
pub use source::{CellType, RasterSource, SourceInfo, inspect};
pub use stack::{DatedFile, StackError, find_all_dated, find_dated};
pub use statistics::Statistics;
pub use vector::{Shape, ShapeKind, burn, vector_bounds, write_shapes};
pub use window::{Offset, Window, tiles};
pub use windowed::write_windows;
pub use write::{ClassBand, CogData, CogSpec, FloatBand, write_cog};

/// Version of GDAL, as in "3.6.2".
#[must_use]
pub fn gdal_version() -> String {
    gdal::version::VersionInfo::release_name()
}

/// Version of PROJ that GDAL runs on, as in "9.1.1".
#[must_use]
pub fn proj_version() -> String {
    let (major, minor, patch) = ffi::proj_version();
    format!("{major}.{minor}.{patch}")
}

/// Prepares GDAL and sets the size of its cache of decoded blocks, which all threads share; it may be set again at any time. Without it
/// GDAL takes 5 % of the machine's memory.
pub fn init(cache_megabytes: usize) {
    quiet();
    ffi::set_cache((cache_megabytes.max(1) as i64) << 20);
}

/// Registers the formats and silences GDAL's own messages, once.
pub(crate) fn quiet() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        ffi::quiet();
        gdal::DriverManager::register_all();
        // Look beside a raster for its side files by name, not by listing a folder that may hold
        // thousands of months.
        let _ = gdal::config::set_config_option("GDAL_DISABLE_READDIR_ON_OPEN", "TRUE");
    });
}
