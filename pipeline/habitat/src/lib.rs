//! The science of lentic on tiles of cells: water history, climate, response, drawdown, measures,
//! suitability, change, patches. It knows neither files nor GDAL; `docs/methods.md` states every rule.

pub mod change;
pub mod climate;
pub mod drawdown;
pub mod measure;
pub mod patches;
pub mod record;
pub mod response;
pub mod spells;
pub mod suitability;
pub mod volume;
pub mod water;
