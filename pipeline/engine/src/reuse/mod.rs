//! Reuse: what a step found on a tile is kept in a store and found again as long as everything it follows from is the same.

mod ingredients;
pub mod part;
mod plan;
mod rasters;
mod recipes;
mod shard;
mod steps;
mod store;
mod working;

pub use plan::{Planned, Standing, steps};
pub use recipes::common;
pub use shard::{Machines, Shard};
pub use steps::Step;
pub use store::{Counts, Store};
pub use working::{Leaves, Working};
