//! The run: checks, stages tile by tile, run folder, products, and the demo study.
//!
//! [`check::check`] finds everything that can be known before computing; [`run::run`] computes and leaves a
//! run folder whole or not at all; [`demo::write_demo`] writes the invented basin.

#![forbid(unsafe_code)]

mod blob;
mod budget;
pub mod calibrate;
pub mod check;
mod climates;
pub mod cluster;
pub mod compare;
mod connection_layers;
mod costs;
mod dated;
pub mod demo;
mod describe;
mod dilution;
mod distribution;
pub mod editions;
mod error;
mod estimate;
mod evidence;
pub mod explain;
mod folder;
mod formulas;
mod inputs;
mod layers;
mod limits;
mod measures;
pub mod metadata;
pub mod new_study;
mod page_input;
mod page_places;
mod products;
mod progress;
mod protocol;
mod ranges;
pub mod records;
mod references;
mod reuse;
mod room;
pub mod run;
mod run_record;
pub mod scenes;
mod scoring;
pub mod shards;
pub mod stack;
mod stages;
pub mod stop;
mod summary;
pub mod survey;
mod tables;
mod trend;
pub mod untrusted;
pub mod verify;
mod watch;

pub use error::EngineError;
pub use lentic_numerics::olofsson::Estimate;
pub use progress::{Progress, Silent};
pub use reuse::{Counts, Machines, Planned, Standing, Step};

/// Version of GDAL.
pub fn gdal_version() -> String {
    lentic_raster::gdal_version()
}

/// Version of PROJ.
pub fn proj_version() -> String {
    lentic_raster::proj_version()
}

/// Prepares GDAL and the threads (one per core unless said otherwise). Call once, at the start.
///
/// # Errors
/// When GDAL refuses, or threads cannot be made.
pub fn prepare(threads: Option<usize>) -> Result<(), EngineError> {
    lentic_raster::init(*budget::CACHE_MIB.end() as usize);
    let number = threads.unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from));
    limits::files(number)?;
    // made here, where a system that gives no threads can still be told
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads.unwrap_or(0)).build_global();
    let asked = threads.is_some();
    match pool {
        // made before, which only an embedding program or a test does: there are threads
        Err(error) if !asked && std::error::Error::source(&error).is_none() => Ok(()),
        Err(error) => Err(EngineError::Threads { threads: number, reason: error.to_string() }),
        Ok(()) => Ok(()),
    }
}
