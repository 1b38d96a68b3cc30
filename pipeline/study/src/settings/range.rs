//! `[range]` resolved.

pub use crate::options::PlacesBy;

/// How range is told.
#[derive(Clone, Debug, PartialEq)]
pub struct Range {
    /// Length of a generation and how it was found, if known.
    pub generation: Option<Generation>,
    /// Patches under this area cannot hold a population for long, hectares.
    pub viable_patch_ha: Option<f64>,
    /// Beyond this from the nearest other patch no animal comes, metres.
    pub dispersal_m: Option<f64>,
    /// What one drying event hits together; `None` where the study has neither pools nor zones.
    pub places: Option<PlacesBy>,
}

impl Range {
    /// Years over which a reduction is told.
    pub fn years(&self) -> f64 {
        lentic_numerics::range_measures::reduction_years(self.generation.as_ref().map(|g| g.years))
    }
}

/// Length of a generation.
#[derive(Clone, Debug, PartialEq)]
pub struct Generation {
    /// Years.
    pub years: f64,
    /// How it was found, in a few words.
    pub how: &'static str,
}
