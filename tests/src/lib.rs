//! Shared helpers of the integration tests: the program itself, demo basins to run and to spoil, what others say of
//! the products (Python, GDAL's programs), and reading of tables and rasters.
//!
//! The tests call the built program, so run them with `make test` (or `cargo test --release --workspace`, which builds
//! it first). Helpers stop the test at the first thing that is not as it must be.

#![forbid(unsafe_code)]

pub mod basin;
pub mod faults;
pub mod few_layers;
pub mod hostile;
pub mod layers;
pub mod mends;
pub mod noise;
pub mod outside;
pub mod raster;
pub mod refusal;
pub mod signals;
pub mod table;
pub mod tiff;
pub mod tiny;
pub mod weather;

pub use basin::{Basin, Outcome, Ready, kept_parts, lentic};
