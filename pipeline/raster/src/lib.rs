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
mod beside;
mod cells;
mod combine;
mod crs;
mod deflate;
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
pub use handles::{close_opened, close_own, give_back_beyond, keep_open, keep_open_at_most};
pub use patches::{Attribute, AttributeValues, PatchLayer, write_patches, write_patches_and_paths};
pub use paths::PathLayer;
pub use points::{Waypoint, to_wgs84, write_points, write_waypoints};
pub use room::Room;
pub use scratch::{RawCells, Scratch, ScratchCell};
pub use shown_patches::burn_patches;
pub use simple::{write_byte_bands, write_bytes, write_float_bands, write_floats};
pub use source::{CellType, RasterSource, SourceInfo, inspect, largest_block};
pub use stack::{DatedFile, StackError, find_all_dated, find_dated, told_by_name};
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

/// Works with a cache of decoded blocks no larger than this, MiB; afterwards it is as large as before. For writing, which reads flat files of
/// cells in order and gains nothing from a large one.
pub fn with_little_cache<T>(megabytes: usize, work: impl FnOnce() -> T) -> T {
    let before = ffi::cache();
    ffi::set_cache(before.min((megabytes as i64) << 20));
    let done = work();
    ffi::set_cache(before);
    done
}

/// Formats that are read or written. VRT, which can name any file, is here for descriptions of raw cells that this crate writes itself;
/// no path of a study is ever opened with it.
const FORMATS: [&str; 14] = [
    "GTiff",
    "COG",
    "netCDF",
    "HFA",
    "ENVI",
    "AAIGrid",
    "MEM",
    "Memory",
    "VRT",
    "GPKG",
    "ESRI Shapefile",
    "GeoJSON",
    "FlatGeobuf",
    "GPX",
];

/// What of the environment GDAL still heeds: where it and certificates are, the way to the network, what helps to find faults. Anything
/// else could change what is read, or open files and addresses that the study does not name.
const HEEDED: [&str; 12] = [
    "GDAL_DATA",
    "CPL_DEBUG",
    "CPL_LOG",
    "CPL_TMPDIR",
    "CURL_CA_BUNDLE",
    "SSL_CERT_FILE",
    "GDAL_CURL_CA_BUNDLE",
    "GDAL_HTTP_PROXY",
    "GDAL_HTTPS_PROXY",
    "GDAL_PROXY_AUTH",
    "GDAL_HTTP_PROXYUSERPWD",
    "GDAL_HTTP_NETRC_FILE",
];

/// Settings of GDAL that hold whatever the user set.
const SETTINGS: [(&str, &str); 9] = [
    // no plugins
    ("GDAL_DRIVER_PATH", "disable"),
    ("GDAL_SKIP", ""),
    ("OGR_SKIP", ""),
    ("GDAL_VRT_ENABLE_PYTHON", "NO"),
    ("OGR_SQLITE_LOAD_EXTENSIONS", ""),
    // what is damaged is told
    ("GTIFF_IGNORE_READ_ERRORS", "NO"),
    ("GDAL_ERROR_ON_LIBJPEG_WARNING", "YES"),
    // a GeoTIFF says itself where it lies
    ("GDAL_GEOREF_SOURCES", "INTERNAL"),
    // look beside a raster of another format for its side files by name, not by listing a folder that may hold thousands of months
    ("GDAL_DISABLE_READDIR_ON_OPEN", "TRUE"),
];

/// Registers the formats and silences GDAL's own messages, once.
pub(crate) fn quiet() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        ffi::quiet();
        ffi::seal(&HEEDED);
        for (key, value) in SETTINGS {
            // one that this version of GDAL does not know is without effect
            let _ = gdal::config::set_config_option(key, value);
        }
        gdal::DriverManager::register_all();
        ffi::only_formats(&FORMATS);
    });
}

#[cfg(test)]
mod tests {
    /// The cache is the process's: this is the one test of it here.
    #[test]
    fn a_little_cache_is_as_before_afterwards() {
        super::init(100);
        let within = super::with_little_cache(16, crate::ffi::cache);
        assert_eq!((within, crate::ffi::cache()), (16 << 20, 100 << 20));
        // one that is smaller stays
        super::init(8);
        assert_eq!(super::with_little_cache(16, crate::ffi::cache), 8 << 20);
        super::init(256);
    }
}
