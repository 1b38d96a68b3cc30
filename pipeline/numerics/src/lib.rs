//! Pure maths of lentic on slices: no files, no GDAL.
//!
//! Every function here is a plain calculation on numbers in memory. Missing values are `None` or NaN as each
//! function says, never 0. Nothing here depends on threads, and what is drawn at random
//! is drawn from a seed, so the same input always gives the same bytes.

pub mod accuracy;
pub mod boyce;
pub mod combine;
pub mod curve;
pub mod disc;
pub mod distance;
pub mod drought_events;
pub mod evapotranspiration;
pub mod exact_sum;
pub mod gamma_fit;
pub mod generalise;
pub mod halton;
pub mod labels;
pub mod latin_hypercube;
pub mod least_cost;
pub mod log_logistic;
pub mod logistic;
pub mod network;
pub mod nonnegative;
pub mod normal;
pub mod olofsson;
pub mod otsu;
pub mod pairwise;
pub mod point_process;
pub mod population;
pub mod portable;
pub mod range_measures;
pub mod rank;
pub mod response_terms;
pub mod season;
pub mod seed;
pub mod sensitivity;
mod small_matrix;
pub mod spread;
pub mod stage_matrix;
pub mod standard_index;
pub mod stats;
pub mod trend;
