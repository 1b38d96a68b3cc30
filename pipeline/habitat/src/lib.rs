//! The science of lentic on tiles of cells: water history, climate, response, drawdown, measures,
//! suitability, change, patches, connection. It knows neither files nor GDAL; `docs/methods.md` states every rule.

pub mod calibration;
pub mod change;
pub mod climate;
pub mod connection;
pub mod drawdown;
pub mod folds;
pub mod limiting;
pub mod measure;
pub mod members;
pub mod near_pairs;
pub mod nearest_patch;
pub mod novelty;
pub mod patches;
pub mod pool_level;
pub mod record;
pub mod response;
pub mod spells;
pub mod suitability;
pub mod validation;
pub mod volume;
pub mod water;
pub mod yearly;
